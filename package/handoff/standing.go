package handoff

import (
	"trammel/pipeline/job"
	"trammel/pipeline/journal"
)

// Standing is how a job stands by its session log.
type Standing struct {
	Holds, Warnings int    // findings that are open; accepted ones do not hold
	Package         string // the newest, "" for none
	Released        bool   // the newest package is released
}

// StandingOf reads a session log.
func StandingOf(entries []journal.Entry) Standing {
	var s Standing
	for _, e := range entries {
		switch e.Event {
		case journal.Built:
			s.Package, s.Released = e.Subject, false
		case journal.Released:
			s.Released = e.Subject == s.Package
		case journal.ScanSeen, journal.Found, journal.Cleared, journal.Noted, journal.Accepted, journal.Recovered:
		}
	}
	var open []job.Finding
	for _, e := range journal.Open(entries) {
		f := job.Finding{Code: job.Code(e.Code), Severity: job.Severity(e.Severity), Subject: e.Subject, Text: e.Text}
		open = append(open, f)
		if f.Severity == job.Warn {
			s.Warnings++
		}
	}
	s.Holds = len(holding(open, decisions(entries).accepted))
	return s
}
