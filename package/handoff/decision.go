package handoff

import (
	"slices"

	"trammel/package/report"
	"trammel/pipeline/job"
	"trammel/pipeline/journal"
)

// decided is what people decided, as the log has it.
type decided struct {
	accepted []report.Decision // subject is CODE:SUBJECT
	released []report.Decision // subject is a package
	notes    []string
}

func decisions(entries []journal.Entry) decided {
	var d decided
	for _, e := range entries {
		switch e.Event {
		case journal.Accepted:
			d.accepted = append(d.accepted, report.Decision{Subject: e.Code + ":" + e.Subject, By: e.By, Why: e.Text})
		case journal.Released:
			d.released = append(d.released, report.Decision{Subject: e.Subject, By: e.By})
		case journal.Noted:
			d.notes = append(d.notes, e.Text)
		case journal.ScanSeen, journal.Found, journal.Cleared, journal.Built, journal.Recovered:
		}
	}
	return d
}

// holding returns the findings that hold the job and that nobody accepted.
func holding(findings []job.Finding, accepted []report.Decision) []job.Finding {
	var out []job.Finding
	for _, f := range findings {
		name := string(f.Code) + ":" + f.Subject
		if f.Severity == job.Hold && !slices.ContainsFunc(accepted, func(d report.Decision) bool { return d.Subject == name }) {
			out = append(out, f)
		}
	}
	return out
}
