package pipeline

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"trammel/pipeline/job"
)

// Next tells the crew on the floor in one sentence what to do next: settle what
// holds the job, scan on, look at a warning, or go home.
func (c *Checked) Next() string {
	if f := c.first(func(f job.Finding) bool { return f.Severity == job.Hold && f.Code != job.ScansMissing }); f != nil {
		return fmt.Sprintf("Settle %s of %s before anything is moved: %s", f.Code, job.Printable(f.Subject), cure(f.Text))
	}
	if c.Job == nil {
		return ""
	}
	if text := c.scanOn(); text != "" {
		return text
	}
	if f := c.first(func(f job.Finding) bool { return f.Severity == job.Hold }); f != nil {
		return fmt.Sprintf("%s of %s: %s", f.Code, job.Printable(f.Subject), cure(f.Text))
	}
	if f := c.first(func(f job.Finding) bool { return f.Severity == job.Warn }); f != nil {
		return fmt.Sprintf("Nothing holds the job; look at %s of %s while the object is here: %s", f.Code, job.Printable(f.Subject), cure(f.Text))
	}
	return "Nothing is left to do here: every scan that arrived is sound and tied."
}

// causes lists findings in the order in which they bring about others: a datum
// that does not fit may only show that a sphere was moved.
var causes = []job.Code{job.FileUnreadable, job.FileTruncated, job.UnitsUnknown, job.UnitsMismatch, job.SpheresFew, job.StationDisturbed, job.SphereMoved,
	job.StationScale, job.LayoutAmbiguous, job.StationUnlinked, job.StationRepeated, job.OverlapBias, job.LayoutWeak, job.DatumPoor}

// first returns the finding of a kind that stands first among causes, and of
// equal ones that which stands first in the list.
func (c *Checked) first(is func(job.Finding) bool) *job.Finding {
	var best *job.Finding
	rank := func(f *job.Finding) int {
		if i := slices.Index(causes, f.Code); i >= 0 {
			return i
		}
		return len(causes)
	}
	for i := range c.Findings {
		if f := &c.Findings[i]; is(*f) && (best == nil || rank(f) < rank(best)) {
			best = f
		}
	}
	return best
}

// scanOn says how far the capture is, where scans are still expected.
func (c *Checked) scanOn() string {
	for i, ins := range c.Job.Instruments {
		have := c.arrived(i)
		switch {
		case ins.Expect > have && ins.Kind == job.Station:
			return strings.TrimSpace(fmt.Sprintf("Scan on: set-up %d of %d of %s is next, with at least three spheres in sight that other set-ups see too. %s", have+1, ins.Expect, ins.Name, c.advise()))
		case ins.Expect > have:
			return fmt.Sprintf("Scan on: scan %d of %d of %s is next.", have+1, ins.Expect, ins.Name)
		case have == 0:
			return fmt.Sprintf("Scan on: nothing of %s is in %s yet.", ins.Name, job.Printable(ins.Drop))
		}
	}
	return ""
}

// cure returns what a finding says is to be done, beginning in lower case: what
// follows "To do", or else its last sentence.
func cure(text string) string {
	_, after, ok := strings.Cut(text, "To do: ")
	if !ok {
		after = text[strings.LastIndex(strings.TrimSuffix(text, "."), ". ")+1:]
		after = strings.TrimSpace(after)
	}
	if after == "" {
		return ""
	}
	r, n := utf8.DecodeRuneInString(after)
	return string(unicode.ToLower(r)) + after[n:]
}
