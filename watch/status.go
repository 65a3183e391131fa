package watch

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"trammel/package/handoff"
	"trammel/pipeline/job"
	"trammel/pipeline/journal"
)

// JobStatus is a line of the status table.
type JobStatus struct {
	Job      string `json:"job"`
	Folder   string `json:"folder"`
	State    string `json:"state"` // capturing, on hold, waiting, packed, released or unusable
	Scans    int    `json:"scans"`
	Expected int    `json:"expected"` // 0 where the sheet does not say
	Holds    int    `json:"holds"`
	Warnings int    `json:"warnings"`
	Package  string `json:"package"`
	Problem  string `json:"problem,omitempty"` // why it is unusable
}

// The states of a job.
const (
	capturing = "capturing"
	onHold    = "on hold"
	waiting   = "waiting"
	packed    = "packed"
	released  = "released"
	unusable  = "unusable"
)

// Status reads how the jobs below root stand. It computes and writes nothing.
func Status(root string, now time.Time, quiet time.Duration) ([]JobStatus, error) {
	if _, err := os.ReadDir(root); err != nil {
		return nil, fmt.Errorf("list jobs: %w", err)
	}
	out := []JobStatus{}
	for _, dir := range jobFolders(root) {
		out = append(out, statusOf(dir, now, quiet))
	}
	return out, nil
}

func statusOf(dir string, now time.Time, quiet time.Duration) JobStatus {
	s := JobStatus{Job: filepath.Base(dir), Folder: dir, State: unusable}
	sheet, _, err := job.ReadSheet(filepath.Join(dir, job.SheetName))
	if err != nil {
		s.Problem = err.Error()
		return s
	}
	s.Job = sheet.Job
	arrived, err := job.List(dir, sheet)
	if err != nil {
		s.Problem = err.Error()
		return s
	}
	s.Scans, s.Expected = len(arrived.Scans), expected(sheet, arrived)
	entries, err := journal.Read(filepath.Join(dir, job.LogName))
	if err != nil && !errors.Is(err, journal.ErrTorn) {
		s.Problem = err.Error()
		return s
	}
	standing := handoff.StandingOf(entries)
	s.Holds, s.Warnings, s.Package = standing.Holds, standing.Warnings, standing.Package
	d := daemon{Options: Options{Now: func() time.Time { return now }, Quiet: quiet}}
	s.State = stateOf(standing, d.extent(dir, sheet))
	return s
}

// expected is how many scans make the job complete: what the sheet says, and for
// an instrument of which it says nothing, what is there. It is 0 where the sheet
// says nothing at all.
func expected(sheet *job.Sheet, arrived job.Arrivals) int {
	said, silent := 0, 0
	for i, ins := range sheet.Instruments {
		said += ins.Expect
		if ins.Expect > 0 {
			continue
		}
		for _, s := range arrived.Scans {
			if s.Instrument == i {
				silent++
			}
		}
	}
	if said == 0 {
		return 0
	}
	return said + silent
}

func stateOf(s handoff.Standing, extent Extent) string {
	switch {
	case s.Released:
		return released
	case s.Holds > 0:
		return onHold
	case s.Package != "":
		return packed
	case extent == CheckOnly:
		return capturing
	}
	return waiting
}
