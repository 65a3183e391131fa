package pipeline

import (
	"fmt"
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

// first returns the first finding of a kind, in the order of findings.
func (c *Checked) first(is func(job.Finding) bool) *job.Finding {
	for i := range c.Findings {
		if is(c.Findings[i]) {
			return &c.Findings[i]
		}
	}
	return nil
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

// cure returns what a finding says is to be done, beginning in lower case.
func cure(text string) string {
	_, after, ok := strings.Cut(text, "To do: ")
	if !ok {
		after = text
	}
	r, n := utf8.DecodeRuneInString(after)
	return string(unicode.ToLower(r)) + after[n:]
}
