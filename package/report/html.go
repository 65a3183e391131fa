package report

import (
	"bytes"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
)

//go:embed page.html
var pageTemplate string

// HTML writes the report as one page that needs nothing else: no script, no font,
// no picture from elsewhere. Text from job sheets and file names is escaped, and
// signs that have no shape are written out. Drawings are embedded as images, where
// nothing in them can act on the page.
func HTML(r Report, p Pictures) ([]byte, error) {
	t, err := template.New("page").Funcs(template.FuncMap{"picture": dataURI, "class": cellClass}).Parse(pageTemplate)
	if err != nil {
		return nil, fmt.Errorf("parse the page's template: %w", err)
	}
	d := newDocument(&r, &p)
	d.rewrite(visible)
	var b bytes.Buffer
	if err := t.Execute(&b, d); err != nil {
		return nil, fmt.Errorf("fill the page's template: %w", err)
	}
	return b.Bytes(), nil
}

// dataURI trusts the pictures, which are ours, and nothing else.
func dataURI(f figure) template.URL {
	kind, content := "image/png", f.PNG
	if len(f.SVG) > 0 {
		kind, content = "image/svg+xml", f.SVG
	}
	return template.URL("data:" + kind + ";base64," + base64.StdEncoding.EncodeToString(content))
}

// cellClass is the class of the i-th cell after the name.
func cellClass(t table, i int) string {
	if i+1 < len(t.Columns) && t.Columns[i+1].Number {
		return "n"
	}
	return "t"
}

// rewrite applies f to every text of the document, so that none can be missed.
func (d *document) rewrite(f func(string) string) {
	d.Title, d.Name, d.Verdict.Headline = f(d.Title), f(d.Name), f(d.Verdict.Headline)
	for i := range d.Facts {
		d.Facts[i] = fact{f(d.Facts[i].Name), f(d.Facts[i].Value)}
	}
	all(d.Verdict.Reasons, f)
	for i := range d.Sections {
		s := &d.Sections[i]
		s.Title = f(s.Title)
		all(s.Text, f)
		all(s.List, f)
		for k := range s.Figures {
			s.Figures[k].Caption = f(s.Figures[k].Caption)
		}
		for k := range s.Tables {
			s.Tables[k].rewrite(f)
		}
	}
}

func (t *table) rewrite(f func(string) string) {
	t.Caption = f(t.Caption)
	for i := range t.Columns {
		t.Columns[i].Name = f(t.Columns[i].Name)
	}
	for i := range t.Groups {
		t.Groups[i].Name = f(t.Groups[i].Name)
		for _, row := range t.Groups[i].Rows {
			all(row, f)
		}
	}
}

func all(texts []string, f func(string) string) {
	for i := range texts {
		texts[i] = f(texts[i])
	}
}
