package handoff

import (
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"trammel/package/report"
	"trammel/pipeline/disk"
	"trammel/pipeline/job"
	"trammel/pipeline/journal"
)

// Accept names a finding that a person accepts.
type Accept struct{ Code, Subject string }

// ReleaseOptions says who releases, and what they accept.
type ReleaseOptions struct {
	By     string
	Accept []Accept
	Why    string
}

// ReleaseResult is what became of a release.
type ReleaseResult struct {
	Package  string        `json:"package"`
	Released bool          `json:"released"`
	Whole    bool          `json:"whole"` // the package verified
	By       string        `json:"by"`
	Holding  []job.Finding `json:"holding"` // findings that refuse the release
}

// ErrNoFinding says that a finding that was to be accepted is not there.
var ErrNoFinding = errors.New("there is no such finding to accept")

// Release signs the newest package of a job off in the session log. It is
// refused while a finding of the package, or one found since, holds the job and
// is not accepted by name.
func Release(d *disk.Disk, dir string, sheet *job.Sheet, now time.Time, version string, o ReleaseOptions) (ReleaseResult, error) {
	r := Request{Dir: dir, Sheet: sheet, Disk: d, Version: version, Now: func() time.Time { return now }}
	result := ReleaseResult{By: o.By, Holding: []job.Finding{}}
	entries, err := r.readLog()
	if err != nil {
		return result, err
	}
	newest, err := newestPackage(filepath.Join(dir, job.OutDir), sheet.Job)
	if err != nil {
		return result, err
	}
	if newest.path == "" {
		return result, fmt.Errorf("%s holds no package to release; make one with: trammel build %s", filepath.Join(dir, job.OutDir), dir)
	}
	result.Package = newest.path
	v, err := Verify(newest.path)
	if err != nil {
		return result, err
	}
	result.Whole = v.Valid && v.doc != nil
	if !result.Whole {
		return result, nil
	}
	findings := append(v.doc.Findings, foundSince(entries, filepath.Base(newest.path))...)
	accepted, more, err := accept(findings, decisions(entries).accepted, o)
	if err != nil {
		return result, err
	}
	result.Holding = append(result.Holding, holding(findings, accepted)...)
	result.Released = len(result.Holding) == 0
	if !result.Released {
		return result, nil
	}
	sum, bytes, err := sum512(newest.path)
	if err != nil {
		return result, err
	}
	more = append(more, journal.Entry{Event: journal.Released, Subject: filepath.Base(newest.path), By: o.By, Bytes: bytes, SHA512: sum})
	_, err = r.append(entries, more...)
	return result, err
}

// accept turns the options into log entries and adds them to what was accepted
// before. Accepting what is not there is a slip of the pen, and refused.
func accept(findings []job.Finding, before []report.Decision, o ReleaseOptions) ([]report.Decision, []journal.Entry, error) {
	var more []journal.Entry
	for _, a := range o.Accept {
		there := false
		for _, f := range findings {
			there = there || string(f.Code) == a.Code && f.Subject == a.Subject
		}
		if !there {
			return nil, nil, fmt.Errorf("%s:%s: %w; write code and subject as the report has them", a.Code, a.Subject, ErrNoFinding)
		}
		before = append(before, report.Decision{Subject: a.Code + ":" + a.Subject, By: o.By, Why: o.Why})
		more = append(more, journal.Entry{Event: journal.Accepted, Code: a.Code, Subject: a.Subject, By: o.By, Text: o.Why})
	}
	return before, more, nil
}

// foundSince returns the findings that hold and were logged after the package
// was built and are not gone again.
func foundSince(entries []journal.Entry, name string) []job.Finding {
	for i, e := range entries {
		if e.Event == journal.Built && e.Subject == name {
			entries = entries[i+1:]
			break
		}
	}
	var out []job.Finding
	for _, e := range journal.Open(entries) {
		out = append(out, job.Finding{Code: job.Code(e.Code), Severity: job.Severity(e.Severity), Subject: e.Subject, Text: e.Text})
	}
	return out
}
