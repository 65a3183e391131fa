package report

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"github.com/go-pdf/fpdf"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/text/unicode/norm"
)

// Measures of a page, A4, in millimetres.
const (
	pageWidth   = 210.0
	pageHeight  = 297.0
	pageMargin  = 15.0
	pageTop     = 20.0
	pageBottom  = 18.0
	textWidth   = pageWidth - 2*pageMargin
	bodySize    = 9.5 // points
	tableSize   = 7.5
	family      = "sans"
	pagesSymbol = "¤¤" // stands for the number of pages until that is known; printable keeps ¤ out of all other text
)

// shade is a colour; each text colour has at least 4.5:1 on white and on its tint.
type shade struct{ r, g, b int }

// palette returns the colours of the page, the same as in the HTML.
func palette() (ink, soft, line, deep shade) {
	return shade{0x1c, 0x23, 0x26}, shade{0x4c, 0x58, 0x5d}, shade{0xc9, 0xd1, 0xd3}, shade{0x0b, 0x54, 0x57}
}

// PDF writes the report as A4 pages with embedded fonts. It says the same as HTML.
// Letters that the fonts do not have are written out as [U+4E2D]. The same report
// gives the same bytes.
func PDF(r Report, p Pictures) ([]byte, error) {
	printable, err := newPrintable()
	if err != nil {
		return nil, fmt.Errorf("read the report's font: %w", err)
	}
	d := newDocument(&r, &p)
	d.rewrite(printable)
	w := newWriter(d, printable(r.Program))
	w.front(d)
	for i := range d.Sections {
		w.section(&d.Sections[i])
	}
	var b bytes.Buffer
	if err := w.Output(&b); err != nil {
		return nil, fmt.Errorf("lay out the PDF: %w", err)
	}
	return b.Bytes(), nil
}

// newPrintable returns visible, narrowed to what both fonts have.
func newPrintable() (func(string) string, error) {
	regular, err := sfnt.Parse(liberationsansregular.TTF)
	if err != nil {
		return nil, err
	}
	bold, err := sfnt.Parse(liberationsansbold.TTF)
	if err != nil {
		return nil, err
	}
	var buffer sfnt.Buffer
	has := func(r rune) bool {
		a, errA := regular.GlyphIndex(&buffer, r)
		b, errB := bold.GlyphIndex(&buffer, r)
		return errA == nil && errB == nil && a > 0 && b > 0
	}
	return func(s string) string {
		var out strings.Builder
		for _, r := range norm.NFC.String(visible(s)) {
			if r == '\n' || r != '¤' && r <= 0xffff && has(r) {
				out.WriteRune(r)
				continue
			}
			fmt.Fprintf(&out, "[U+%04X]", r)
		}
		return out.String()
	}, nil
}

// writer lays the document out; the cursor of the embedded pages is where the next
// thing goes.
type writer struct {
	*fpdf.Fpdf
	pictures int
}

// fixedDate stands for the date of making, which a report does not know: it must
// not depend on the clock.
func fixedDate() time.Time { return time.Date(2000, time.January, 1, 0, 0, 0, 0, time.UTC) }

func newWriter(d *document, program string) *writer {
	f := fpdf.New("P", "mm", "A4", "")
	f.SetCatalogSort(true)
	f.SetCreationDate(fixedDate())
	f.SetModificationDate(fixedDate())
	f.SetProducer("Trammel "+program, true)
	f.SetTitle(d.Name+" - datum report", true)
	f.SetLang("en")
	f.SetMargins(pageMargin, pageTop, pageMargin)
	f.SetAutoPageBreak(false, pageBottom)
	f.SetCellMargin(0)
	f.AliasNbPages(pagesSymbol)
	f.AddUTF8FontFromBytes(family, "", liberationsansregular.TTF)
	f.AddUTF8FontFromBytes(family, "B", liberationsansbold.TTF)
	w := &writer{Fpdf: f}
	f.SetHeaderFunc(func() { w.head(d) })
	f.SetFooterFunc(w.foot)
	f.AddPage()
	return w
}

func (w *writer) head(d *document) {
	if w.PageNo() == 1 {
		return
	}
	_, soft, line, _ := palette()
	w.style("", 8, soft)
	w.SetXY(pageMargin, 10)
	w.CellFormat(textWidth, 4, w.clipped(d.Name+"  ·  "+d.Title, textWidth), "", 0, "L", false, 0, "")
	w.rule(15.5, 0.2, line)
	w.SetXY(pageMargin, pageTop)
}

func (w *writer) foot() {
	_, soft, _, _ := palette()
	w.style("", 8, soft)
	w.SetXY(pageMargin, pageHeight-12)
	w.CellFormat(textWidth, 4, fmt.Sprintf("Page %d of %s", w.PageNo(), pagesSymbol), "", 0, "L", false, 0, "")
}

// clipped shortens one line to a width.
func (w *writer) clipped(s string, width float64) string {
	s = strings.ReplaceAll(s, "\n", " ")
	if w.GetStringWidth(s) <= width {
		return s
	}
	letters := []rune(s)
	for len(letters) > 0 && w.GetStringWidth(string(letters)+"…") > width {
		letters = letters[:len(letters)-1]
	}
	return string(letters) + "…"
}

func (w *writer) style(weight string, size float64, c shade) {
	w.SetFont(family, weight, size)
	w.SetTextColor(c.r, c.g, c.b)
}

func (w *writer) rule(y, width float64, c shade) {
	w.SetDrawColor(c.r, c.g, c.b)
	w.SetLineWidth(width)
	w.Line(pageMargin, y, pageMargin+textWidth, y)
}

// room starts a new page where less than height is left on this one, and reports
// whether it did.
func (w *writer) room(height float64) bool {
	if w.GetY()+height <= pageHeight-pageBottom {
		return false
	}
	w.AddPage()
	w.SetXY(pageMargin, pageTop)
	return true
}

// lines cuts a text into lines of a width.
func (w *writer) lines(s string, width float64) []string {
	var out []string
	for part := range strings.SplitSeq(s, "\n") {
		cut := w.SplitText(part, width)
		if len(cut) == 0 {
			cut = []string{""}
		}
		out = append(out, cut...)
	}
	return out
}

// lineHeight is that of the font's size, in millimetres.
func (w *writer) lineHeight() float64 {
	_, mm := w.GetFontSize()
	return 1.36 * mm
}

// text writes a paragraph at x; it may run over pages.
func (w *writer) text(x, width float64, s string) {
	h := w.lineHeight()
	for _, line := range w.lines(s, width) {
		w.room(h)
		w.SetX(x)
		w.CellFormat(width, h, line, "", 2, "L", false, 0, "")
	}
}

// front writes what stands above the first section: the verdict, then the job.
func (w *writer) front(d *document) {
	ink, soft, _, deep := palette()
	w.SetXY(pageMargin, 16)
	w.style("B", 10, deep)
	w.text(pageMargin, textWidth, "Datum report")
	w.style("B", 18, ink)
	w.text(pageMargin, textWidth, d.Title)
	w.style("", bodySize, soft)
	w.text(pageMargin, textWidth, d.Name)
	w.Ln(3)
	w.verdict(&d.Verdict)
	w.Ln(4)
	for _, f := range d.Facts {
		w.style("", bodySize, soft)
		w.room(w.lineHeight())
		y := w.GetY()
		w.SetX(pageMargin)
		w.CellFormat(32, w.lineHeight(), f.Name, "", 0, "L", false, 0, "")
		w.style("", bodySize, ink)
		w.SetXY(pageMargin+32, y)
		w.text(pageMargin+32, textWidth-32, f.Value)
	}
}

// verdict is told by its words; the bar at its side repeats it in colour.
func (w *writer) verdict(v *verdict) {
	ink, _, _, _ := palette()
	c := shade{0x17, 0x55, 0x2c}
	if v.Held {
		c = shade{0x8f, 0x1d, 0x14}
	}
	const inset = 5.0
	write := func(s string) {
		for _, line := range w.lines(s, textWidth-inset) {
			h := w.lineHeight()
			w.room(h)
			w.SetFillColor(c.r, c.g, c.b)
			w.Rect(pageMargin, w.GetY(), 1.6, h+0.1, "F")
			w.SetX(pageMargin + inset)
			w.CellFormat(textWidth-inset, h, line, "", 2, "L", false, 0, "")
		}
	}
	w.style("B", 13, c)
	write(v.Headline)
	w.style("", bodySize, ink)
	for _, reason := range v.Reasons {
		write("– " + reason)
	}
}

// start is the least height that a section's heading needs below it, so that no
// heading stands alone at the foot of a page.
func (s *section) start() float64 {
	if len(s.Figures) > 0 && s.Figures[0].Wide {
		return 42 + singleWidth*0.78 // a plan's height is 0.775 of its width
	}
	return 45
}

func (w *writer) section(s *section) {
	ink, _, _, deep := palette()
	w.Ln(6)
	w.room(s.start())
	w.style("B", 12.5, deep)
	w.Bookmark(s.Title, 0, -1)
	w.text(pageMargin, textWidth, s.Title)
	w.rule(w.GetY()+0.6, 0.5, deep)
	w.Ln(2.2)
	for _, t := range s.Text {
		w.style("", bodySize, ink)
		w.text(pageMargin, textWidth, t)
		w.Ln(1)
	}
	for _, t := range s.List {
		w.style("", bodySize, ink)
		w.room(w.lineHeight())
		y := w.GetY()
		w.SetX(pageMargin)
		w.CellFormat(4, w.lineHeight(), "–", "", 0, "L", false, 0, "")
		w.SetY(y)
		w.text(pageMargin+4, textWidth-4, t)
		w.Ln(0.8)
	}
	w.figures(s.Figures)
	for i := range s.Tables {
		w.table(&s.Tables[i])
	}
}
