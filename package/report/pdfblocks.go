package report

import (
	"bytes"
	"fmt"
	"image/png"

	"github.com/go-pdf/fpdf"

	"trammel/pipeline/job"
)

// singleWidth is that of a picture that stands alone, millimetres.
const singleWidth = 150.0

// figures lets wide pictures stand alone and puts the others in pairs.
func (w *writer) figures(figures []figure) {
	const gap = 6.0
	for len(figures) > 0 {
		n, width := 1, singleWidth
		if !figures[0].Wide {
			width = (textWidth - gap) / 2
			if len(figures) > 1 && !figures[1].Wide {
				n = 2
			}
		}
		w.figureRow(figures[:n], width, gap)
		figures = figures[n:]
	}
}

// figureRow keeps pictures and their captions on one page.
func (w *writer) figureRow(row []figure, width, gap float64) {
	_, soft, line, _ := palette()
	w.style("", 8, soft)
	names, heights := make([]string, len(row)), make([]float64, len(row))
	var tallest, words float64
	for i, f := range row {
		w.pictures++
		names[i] = fmt.Sprintf("picture%d", w.pictures)
		// The layout library trusts what it is given; a damaged picture must end
		// in an error.
		if _, err := png.Decode(bytes.NewReader(f.PNG)); err != nil {
			w.SetError(fmt.Errorf("picture %d: %w", w.pictures, err))
			return
		}
		info := w.RegisterImageOptionsReader(names[i], fpdf.ImageOptions{ImageType: "PNG"}, bytes.NewReader(f.PNG))
		if w.Error() != nil || info.Width() <= 0 {
			return
		}
		heights[i] = width * info.Height() / info.Width()
		tallest = max(tallest, heights[i])
		words = max(words, float64(len(w.lines(f.Caption, width)))*w.lineHeight())
	}
	w.Ln(1.5)
	w.room(tallest + words + 2)
	top := w.GetY()
	for i, f := range row {
		x := pageMargin + float64(i)*(width+gap)
		w.ImageOptions(names[i], x, top, width, heights[i], false, fpdf.ImageOptions{ImageType: "PNG"}, 0, "")
		w.SetDrawColor(line.r, line.g, line.b)
		w.SetLineWidth(0.2)
		w.Rect(x, top, width, heights[i], "D")
		w.SetXY(x, top+heights[i]+1)
		w.text(x, width, f.Caption)
	}
	w.SetXY(pageMargin, top+tallest+words+2)
}

// columnGap is the free strip at the right of a column.
const columnGap = 3.0

// table draws a table whose heading is repeated on each page that it reaches. A
// group stays together unless it is longer than a page.
func (w *writer) table(t *table) {
	ink, _, _, _ := palette()
	w.Ln(2)
	widths := t.widths()
	headed := w.headHeight(t, widths)
	first := 0.0
	if len(t.Groups) > 0 {
		first = w.groupHeight(&t.Groups[0], widths)
	}
	w.room(min(6+headed+first, 120))
	w.style("B", bodySize, ink)
	w.text(pageMargin, textWidth, t.Caption)
	w.Ln(1)
	w.tableHead(t, widths)
	for i := range t.Groups {
		w.group(t, &t.Groups[i], widths)
	}
}

// widths shares the text's width among the columns.
func (t *table) widths() []float64 {
	var sum float64
	for _, c := range t.Columns {
		sum += c.Share
	}
	out := make([]float64, len(t.Columns))
	for i, c := range t.Columns {
		out[i] = textWidth * c.Share / sum
	}
	return out
}

func (w *writer) headHeight(t *table, widths []float64) float64 {
	w.SetFont(family, "B", tableSize)
	n := 1
	for i, c := range t.Columns {
		n = max(n, len(w.lines(c.Name, widths[i]-columnGap)))
	}
	return float64(n)*w.lineHeight() + 1.4
}

func (w *writer) tableHead(t *table, widths []float64) {
	ink, soft, _, _ := palette()
	h := w.headHeight(t, widths)
	w.style("B", tableSize, soft)
	x, y := pageMargin, w.GetY()
	for i, c := range t.Columns {
		lines := w.lines(c.Name, widths[i]-columnGap)
		bottom := y + h - 1.2 - float64(len(lines))*w.lineHeight()
		w.cell(x, bottom, widths[i], lines, c.Number)
		x += widths[i]
	}
	w.rule(y+h-0.6, 0.25, ink)
	w.SetXY(pageMargin, y+h)
}

// cell writes lines from (x, y) down.
func (w *writer) cell(x, y, width float64, lines []string, right bool) {
	align := "L"
	if right {
		align = "R"
	}
	h := w.lineHeight()
	for i, line := range lines {
		w.SetXY(x, y+float64(i)*h)
		w.CellFormat(width-columnGap, h, line, "", 0, align, false, 0, "")
	}
}

// rowPad is the free strip below a row.
const rowPad = 1.0

func (w *writer) rowHeight(row []string, widths []float64) float64 {
	n := 1
	for i, c := range row {
		n = max(n, len(w.lines(c, widths[i+1]-columnGap)))
	}
	return float64(n)*w.lineHeight() + rowPad
}

func (w *writer) groupHeight(g *group, widths []float64) float64 {
	w.SetFont(family, "", tableSize)
	var sum float64
	for _, row := range g.Rows {
		sum += w.rowHeight(row, widths)
	}
	return max(sum, float64(len(w.lines(g.Name, widths[0]-columnGap)))*w.lineHeight()+rowPad)
}

// group writes a group of rows. The bar at the left repeats in colour what the
// words say.
func (w *writer) group(t *table, g *group, widths []float64) {
	ink, _, line, _ := palette()
	height := w.groupHeight(g, widths)
	const page = pageHeight - pageBottom - pageTop - 20
	if height <= page && w.room(height) {
		w.tableHead(t, widths)
	}
	w.style("", tableSize, ink)
	top := w.GetY()
	named := w.lines(g.Name, widths[0]-columnGap)
	if height <= page {
		w.mark(g.Mark, top, height)
		w.cell(pageMargin, top+0.4, widths[0], named, false)
		w.SetXY(pageMargin, top)
		w.rows(t, g, widths)
		w.SetXY(pageMargin, max(w.GetY(), top+height))
	} else {
		w.longGroup(t, g, widths)
	}
	w.rule(w.GetY(), 0.1, line)
}

// rows writes the cells after the name.
func (w *writer) rows(t *table, g *group, widths []float64) {
	for _, row := range g.Rows {
		h, y, x := w.rowHeight(row, widths), w.GetY(), pageMargin+widths[0]
		for i, c := range row {
			w.cell(x, y+0.4, widths[i+1], w.lines(c, widths[i+1]-columnGap), t.Columns[i+1].Number)
			x += widths[i+1]
		}
		w.SetXY(pageMargin, y+h)
	}
}

// longGroup writes a group that no page can hold, line by line: the name first,
// then each cell over the whole width.
func (w *writer) longGroup(t *table, g *group, widths []float64) {
	w.text(pageMargin, textWidth, g.Name)
	for _, row := range g.Rows {
		if h := w.rowHeight(row, widths); h < 120 {
			w.room(h)
			one := group{Rows: [][]string{row}}
			w.rows(t, &one, widths)
			continue
		}
		for i, c := range row {
			w.text(pageMargin+4, textWidth-4, t.Columns[i+1].Name+": "+c)
		}
	}
}

func (w *writer) mark(s job.Severity, y, h float64) {
	c := shade{}
	switch s {
	case job.Hold:
		c = shade{0x8f, 0x1d, 0x14}
	case job.Warn:
		c = shade{0xb8, 0x7a, 0x0a}
	case job.Note:
		return
	default:
		return
	}
	w.SetFillColor(c.r, c.g, c.b)
	w.Rect(pageMargin-2.4, y+0.3, 1.1, h-0.6, "F")
}
