package report

import (
	"bytes"
	"compress/zlib"
	"fmt"
	"html"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"
	"unicode/utf16"

	"trammel/pipeline/job"
	"trammel/pipeline/length"
)

// said are texts that both the page and the PDF must hold: each comes from
// another field of the sample.
func said() []string {
	return []string{
		"Boom refit for a trailed orchard sprayer", "Hollow Lane Orchards", "2026-041, revision 2", "v1.2.3", "millimetres", "trammel-report/1",
		"On hold: 1 finding needs a person", "sphere-moved", "14.2 mm elsewhere", "Concerns scans/tripod/s07.ply.", "mount-uncertain", "warning", "8 of 9 set-ups have arrived",
		"layout-weak:scans/tripod/s02.ply", "A. Keeper", "The wall leaves no other place.", "2026-041-r001", "B. Owner",
		"boom-left", "hole seen by hand, 812 points", "343° of its rim seen", "axis 0.0000, 0.0123, 0.9999", "1200.42", "-400.17", "301.08", "13.46",
		"0.081", "0.162", "0.153", "0.306", "0.064", "0.128", "+0.42", "-0.17", "+1.08", "boom-right", "not found", "plane seen by tripod",
		"Method: control. It fits; rms of the residuals 0.456 mm.", "0.800000000", "-0.600000000", "1204.111", "-33.222", "512.333", "-0.34", "+9.87",
		"1.043", "57 degrees of freedom", "scans/tripod/s08.ply", "2500.25", "0.480", "not tied", "S3b", "moved", "1234.56", "0.160",
		"11.50", "22.50", "33.50", "0.177", "61.3 %", "scans/hand/boom.ply", "+0.11", "0.42", "88 123",
		"198 765", "1 834 211", "0.487 mm", "0.092 mm", "1203.50, -88.25, 640.00 mm", "38 123 456 mm²", "4 321", "-2950.50, -1880.00, 20.25 mm", "2960.00, 1875.50, 2410.75 mm",
		"underside", "93.4 %", "95.0 %", "3.17", "boom", "99.0 %", "declared m", "measured m", "by spheres", "440 123", "7 654 321 B", "0123456789abcdef…", "same content as scans/hand/boom2.ply",
		"145.06", "151°", "0.100  0.200  0.300", "1 239", "choose mm when one is opened", "those of the datum in the job sheet",
	}
}

func page(t *testing.T, r Report) string {
	t.Helper()
	b, err := HTML(r, samplePictures(t))
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// plainText is what a reader of a page sees, roughly.
func plainText(page string) string {
	text := html.UnescapeString(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(page, "\n"))
	return strings.ReplaceAll(text, "\u00a0", " ")
}

func TestHTMLSaysEverything(t *testing.T) {
	text := plainText(page(t, sample()))
	for _, want := range append(said(), Cautions()...) {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if v, f := strings.Index(text, "On hold:"), strings.Index(text, "Findings"); v < 0 || v > f {
		t.Errorf("the verdict at %d does not come before the findings at %d", v, f)
	}
}

func TestHTMLNeedsNothingElse(t *testing.T) {
	s := page(t, sample())
	for _, bad := range []string{"http:", "https:", "<script", "<link", "@import", "javascript:", "src=\"/", "<iframe", "ZgotmplZ"} {
		if strings.Contains(strings.ToLower(s), strings.ToLower(bad)) {
			t.Errorf("the page holds %q", bad)
		}
	}
	for _, src := range regexp.MustCompile(`(?:src|href)="([^"]*)"`).FindAllStringSubmatch(s, -1) {
		if !strings.HasPrefix(src[1], "data:image/") && !strings.HasPrefix(src[1], "#") {
			t.Errorf("the page refers to %q", src[1])
		}
	}
	if n := strings.Count(s, "<img "); n != 5 {
		t.Errorf("%d pictures, want the plan, three renders and the deviation", n)
	}
}

// everywhere puts a text into every field that comes from sheets and file names.
func everywhere(r Report, s string) Report {
	r.Job, r.Title, r.Client, r.Program = s, s, s, s
	for i := range r.Findings {
		r.Findings[i].Text, r.Findings[i].Subject, r.Findings[i].Stations = s, s, []string{s}
	}
	for i := range r.Files {
		r.Files[i].Path, r.Files[i].SameAs, r.Files[i].Units.Basis = s, s, s
	}
	for i := range r.Network.Stations {
		r.Network.Stations[i].Path = s
	}
	for i := range r.Network.Spheres {
		r.Network.Spheres[i].ID, r.Network.Spheres[i].Stations = s, []string{s}
	}
	for i := range r.Mounts {
		r.Mounts[i].Name, r.Mounts[i].Instrument = s, s
	}
	for i := range r.Datum.Points {
		r.Datum.Points[i].Name, r.Datum.Points[i].Sphere = s, s
	}
	r.Tracked[0].Path, r.Overlaps[0].A, r.Overlaps[0].B, r.Coverage[0].Name = s, s, s, s
	r.Accepted[0], r.Released[0] = Decision{s, s, s}, Decision{s, s, s}
	return r
}

func TestHostileTextIsHarmless(t *testing.T) {
	rows := strings.Count(page(t, sample()), "<tr>")
	for _, s := range []string{hostile, `" onload="x`, "a\u2066b\u202ec", "'><img src=x>", "\x00\x1b[31m", string([]byte{0xff, 0xfe}), strings.Repeat("long", 500), "😀 ¤¤ {nb}"} {
		got := page(t, everywhere(sample(), s))
		if strings.Contains(got, "<script") || strings.Contains(got, "<img src=x") || strings.Contains(got, `" onload="x`) {
			t.Errorf("%q came through as markup", s)
		}
		if i := strings.IndexAny(got, "\u202e\u2066\u200b\x00\x1b"); i >= 0 {
			t.Errorf("%q came through with a sign without a shape: %q", s, got[i:i+8])
		}
		if strings.Count(got, "<tr>") != rows {
			t.Errorf("%q changed the tables", s)
		}
		if _, err := PDF(everywhere(sample(), s), samplePictures(t)); err != nil {
			t.Errorf("%q: %v", s, err)
		}
	}
}

func TestVerdict(t *testing.T) {
	r := sample()
	if v := verdictOf(&r); !v.Held || len(v.Reasons) != 2 {
		t.Errorf("with a finding that holds: %+v", v)
	}
	r.Accepted = append(r.Accepted, Decision{Subject: "sphere-moved:S3", By: "A. Keeper"})
	if v := verdictOf(&r); v.Held || v.Headline != "Nothing holds this job." || !strings.Contains(v.Reasons[0], "accepted by name") {
		t.Errorf("once it was accepted: %+v", v)
	}
	r.Accepted = []Decision{{Subject: "sphere-moved:S4", By: "A. Keeper"}}
	if v := verdictOf(&r); !v.Held {
		t.Errorf("the acceptance of another finding released it: %+v", v)
	}
	r.Findings = nil
	if v := verdictOf(&r); v.Held || len(v.Reasons) != 0 {
		t.Errorf("without findings: %+v", v)
	}
}

func TestEmptyReport(t *testing.T) {
	r := Report{Check: Check{Format: "trammel-report/1"}, Job: "x"}
	got, err := HTML(r, Pictures{})
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Nothing holds this job.", "there is no plan", "sets no datum", "asks for no mounts", "No surface was built", "no tracked scans", "Nobody has accepted"} {
		if !strings.Contains(string(got), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if _, err := PDF(r, Pictures{}); err != nil {
		t.Error(err)
	}
}

func TestDatumThatDoesNotFit(t *testing.T) {
	r := sample()
	r.Datum.Fits = false
	text := plainText(page(t, r))
	if !strings.Contains(text, "It does not fit, and the deliverables stay in the frame of the network") || !strings.Contains(text, "those of the first set-up") {
		t.Error("the page does not say that the datum was not used")
	}
}

// pdfText returns what the pages of a PDF show, line by line, and their number.
// Text stands in the page streams as UTF-16 in brackets (ISO 32000-1, 7.3.4.2, 9.4.3).
func pdfText(t *testing.T, file []byte) (text string, pages int) {
	t.Helper()
	var out strings.Builder
	for _, part := range bytes.Split(file, []byte("stream\n"))[1:] {
		body, err := zlib.NewReader(bytes.NewReader(part))
		if err != nil {
			continue
		}
		content, _ := io.ReadAll(body)
		if !bytes.Contains(content, []byte("BT ")) {
			continue
		}
		pages++
		for _, m := range regexp.MustCompile(`(?s)\(((?:[^()\\]|\\.)*)\)\s*T[jJ]`).FindAllSubmatch(content, -1) {
			out.WriteString(fromUTF16(m[1]) + "\n")
		}
	}
	return strings.ReplaceAll(out.String(), "\u00a0", " "), pages
}

func fromUTF16(s []byte) string {
	raw := regexp.MustCompile(`(?s)\\(.)`).ReplaceAllFunc(s, func(m []byte) []byte {
		if m[1] == 'r' {
			return []byte{'\r'}
		}
		return m[1:]
	})
	units := make([]uint16, len(raw)/2)
	for i := range units {
		units[i] = uint16(raw[2*i])<<8 | uint16(raw[2*i+1])
	}
	return string(utf16.Decode(units))
}

func TestPDFSaysEverything(t *testing.T) {
	file, err := PDF(sample(), samplePictures(t))
	if err != nil {
		t.Fatal(err)
	}
	text, pages := pdfText(t, file)
	if pages < 4 || !bytes.Contains(file, []byte("/Count "+fmt.Sprint(pages))) {
		t.Errorf("%d pages with text, not what the file counts", pages)
	}
	// Lines are broken to fit; without gaps they compare.
	joined := strings.Join(strings.Fields(text), "")
	for _, want := range append(said(), Cautions()...) {
		if !strings.Contains(joined, strings.Join(strings.Fields(want), "")) {
			t.Errorf("the PDF does not say %q", want)
		}
	}
	if want := fmt.Sprintf("Page%dof%d", pages, pages); !strings.Contains(joined, want) {
		t.Errorf("the last page is not numbered %q", want)
	}
}

func TestPDFWritesSigns(t *testing.T) {
	r := sample()
	r.Client = "× ± – ° µ Ø é ß [\U0001F600] ¤¤"
	file, err := PDF(r, Pictures{})
	if err != nil {
		t.Fatal(err)
	}
	text, _ := pdfText(t, file)
	if !strings.Contains(text, "× ± – ° µ Ø é ß [[U+1F600]] [U+00A4][U+00A4]") {
		t.Error("the signs are not in the PDF, or one that the font lacks is not written out")
	}
}

func TestSameBytesTwice(t *testing.T) {
	p := samplePictures(t)
	for range 3 {
		a, errA := PDF(sample(), p)
		b, errB := PDF(sample(), p)
		if errA != nil || errB != nil || !bytes.Equal(a, b) {
			t.Fatalf("two PDFs of %d and %d bytes differ, %v, %v", len(a), len(b), errA, errB)
		}
	}
	if first, second := page(t, sample()), page(t, sample()); first != second {
		t.Error("two pages differ")
	}
}

func TestPDFRefusesBrokenPictures(t *testing.T) {
	for name, png := range map[string][]byte{"cut off": speckle(t, 9, 6)[:40], "no picture": []byte("no picture")} {
		p := Pictures{Plan: Plan{PNG: png}}
		if _, err := PDF(sample(), p); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// Many rows run over pages, and each page repeats the heading of the table.
func TestPDFRepeatsHeadings(t *testing.T) {
	r := sample()
	for range 6 {
		r.Mounts = append(r.Mounts, r.Mounts...)
	}
	long := r.Findings[1]
	long.Text = strings.Repeat("A sentence that goes on. ", 900)
	r.Findings = append(r.Findings, long)
	file, err := PDF(r, Pictures{})
	if err != nil {
		t.Fatal(err)
	}
	text, pages := pdfText(t, file)
	if n := strings.Count(text, "From sheet, mm"); n < 10 || n > pages {
		t.Errorf("the heading stands %d times on %d pages", n, pages)
	}
	if n := strings.Count(text, "boom-left\n"); n < 64 {
		t.Errorf("%d of 64 mounts are in the PDF", n)
	}
	if n := strings.Count(strings.Join(strings.Fields(text), " "), "sentence that goes on"); n < 850 {
		t.Errorf("%d of 900 sentences are in the PDF", n)
	}
}

func TestFigures(t *testing.T) {
	tests := []struct {
		unit             length.Unit
		at, fine, signed string
	}{
		{length.Millimetre, "12.35", "12.346", "+12.35"},
		{length.Centimetre, "12.346", "12.3457", "+12.346"},
		{length.Inch, "12.3457", "12.34568", "+12.3457"},
		{length.Metre, "12.34568", "12.345678", "+12.34568"},
		{length.Unknown, "12.35", "12.346", "+12.35"},
	}
	for _, x := range tests {
		f := figuresOf(x.unit)
		if a, b, c := f.at(12.345678), f.fine(12.345678), f.signed(12.345678); a != x.at || b != x.fine || c != x.signed {
			t.Errorf("%q: %s, %s, %s, want %s, %s, %s", x.unit, a, b, c, x.at, x.fine, x.signed)
		}
	}
	f := figuresOf(length.Millimetre)
	if got := f.signed(-0.001) + f.at(math.Copysign(0, -1)) + f.signed(-0.4); got != "0.000.00-0.40" {
		t.Errorf("around zero: %s", got)
	}
	if got := grouped(1234567) + grouped(-123) + grouped(12) + grouped(-1234); got != "1\u00a0234\u00a0567-12312-1\u00a0234" {
		t.Errorf("grouped: %q", got)
	}
	if got := percent(0.94999) + percent(1) + percent(0.95); got != "94.9 %100.0 %95.0 %" {
		t.Errorf("percent: %s", got)
	}
}

func TestVisible(t *testing.T) {
	tests := map[string]string{
		"plain é 中": "plain é 中", "a\u202eb": "a[U+202E]b", "a\tb\u00a0c\u2028d": "a b c d", "\u200f": "[U+200F]", "\x07": "[U+0007]", "one\ntwo": "one\ntwo", "": "",
	}
	for in, want := range tests {
		if got := visible(in); got != want {
			t.Errorf("visible(%q) = %q, want %q", in, got, want)
		}
	}
	if got := oneLine("one\ntwo"); got != "one two" {
		t.Errorf("oneLine: %q", got)
	}
}

func TestSeverityWords(t *testing.T) {
	for s, want := range map[job.Severity]string{job.Hold: "holds", job.Warn: "warning", job.Note: "note", "other": "other"} {
		if got := severity(s); got != want {
			t.Errorf("%q: %q, want %q", s, got, want)
		}
	}
}

func BenchmarkHTML(b *testing.B) {
	r, p := sample(), samplePictures(b)
	b.ReportAllocs()
	for b.Loop() {
		got, err := HTML(r, p)
		if err != nil {
			b.Fatal(err)
		}
		b.SetBytes(int64(len(got)))
	}
}

func BenchmarkPDF(b *testing.B) {
	r, p := sample(), samplePictures(b)
	b.ReportAllocs()
	for b.Loop() {
		got, err := PDF(r, p)
		if err != nil {
			b.Fatal(err)
		}
		b.SetBytes(int64(len(got)))
	}
}
