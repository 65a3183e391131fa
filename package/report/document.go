package report

import (
	"fmt"

	"trammel/pipeline/job"
)

// document is what a report says, in order, before it becomes a page or a PDF.
// Both show all of it, so that neither can leave something out.
type document struct {
	Title    string
	Name     string // of the package
	Facts    []fact
	Verdict  verdict
	Sections []section
}

type fact struct{ Name, Value string }

// verdict comes first: whether anything holds the job.
type verdict struct {
	Held     bool
	Headline string
	Reasons  []string
}

// section is a heading and what stands below it, in this order.
type section struct {
	ID, Title string
	Text      []string
	List      []string
	Figures   []figure
	Tables    []table
}

type figure struct {
	Caption string
	SVG     []byte // where there is one, the page shows it instead of the PNG
	PNG     []byte
	Wide    bool // stands alone; others stand in pairs
}

// table is cut into groups of lines that stay together. The first column holds
// the group's name.
type table struct {
	Caption string
	Columns []column
	Groups  []group
}

// column is a heading and its share of a page's width.
type column struct {
	Name   string
	Share  float64
	Number bool
}

type group struct {
	Name string
	Mark job.Severity // empty for nothing special
	Rows [][]string   // cells of the columns after the first
}

func one(name string, cells ...string) group { return group{Name: name, Rows: [][]string{cells}} }

// newDocument says everything that r says.
func newDocument(r *Report, p *Pictures) *document {
	f := figuresOf(r.Units)
	d := &document{Title: r.Title, Name: fmt.Sprintf("%s, revision %d", r.Job, r.Revision), Facts: facts(r), Verdict: verdictOf(r)}
	if d.Title == "" {
		d.Title = r.Job
	}
	d.Sections = []section{
		findingsSection(r), decisionsSection(r), planSection(r, p), mountsSection(r, p, f), pitchesSection(r, f), datumSection(r, p, f), networkSection(r, f),
		trackedSection(r, f), overlapsSection(r, p, f), surfaceSection(r, p, f), coverageSection(r, p, f), filesSection(r, f),
		unitsSection(r), cautionsSection(), sightingsSection(r, f),
	}
	return d
}

func facts(r *Report) []fact {
	out := []fact{{"Job", r.Job}, {"Revision", fmt.Sprint(r.Revision)}}
	if r.Client != "" {
		out = append(out, fact{"Client", r.Client})
	}
	if r.Program != "" {
		out = append(out, fact{"Program", r.Program})
	}
	return append(out, fact{"Lengths in", unitName(r.Units)}, fact{"Axes", axes(r)},
		fact{"Scans", plural(len(r.Files), "file", "files")}, fact{"Surface", surfaceFact(r)}, fact{"Format", r.Format})
}

func axes(r *Report) string {
	if hasDatum(r) {
		return "right-handed, those of the datum in the job sheet"
	}
	return "right-handed, those of the first set-up of the network; there is no datum"
}

func hasDatum(r *Report) bool { return r.Datum != nil && r.Datum.Fits }

func surfaceFact(r *Report) string {
	if r.Mesh.Triangles == 0 {
		return "none"
	}
	return grouped(int64(r.Mesh.Triangles)) + " triangles"
}

// verdictOf says what holds the job: findings of severity hold that nobody accepted.
func verdictOf(r *Report) verdict {
	var v verdict
	accepted, warnings := 0, 0
	for _, f := range r.Findings {
		switch {
		case f.Severity == job.Warn:
			warnings++
		case f.Severity != job.Hold:
		case acceptedBy(r, f) != "":
			accepted++
		default:
			v.Reasons = append(v.Reasons, f.Text)
		}
	}
	v.Held = len(v.Reasons) > 0
	v.Headline = "Nothing holds this job."
	if v.Held {
		v.Headline = "On hold: " + plural(len(v.Reasons), "finding needs", "findings need") + " a person to act or to accept."
	}
	if accepted > 0 {
		v.Reasons = append(v.Reasons, plural(accepted, "finding that would hold it was accepted by name; see Decisions.", "findings that would hold it were accepted by name; see Decisions."))
	}
	if warnings > 0 {
		v.Reasons = append(v.Reasons, plural(warnings, "warning affects a result; see Findings.", "warnings affect results; see Findings."))
	}
	return v
}

// acceptedBy is who accepted a finding, empty for nobody.
func acceptedBy(r *Report, f job.Finding) string {
	for _, d := range r.Accepted {
		if d.Subject == string(f.Code)+":"+f.Subject {
			return d.By
		}
	}
	return ""
}
