package watch

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"trammel/package/handoff"
	"trammel/pipeline/disk"
	"trammel/pipeline/job"
	"trammel/pipeline/journal"
)

const sheet = `job: NAME
units: mm
instruments:
  - {name: t, kind: station, drop: scans, register: given, units: m, expect: 2}
`

func put(t *testing.T, path, content string) {
	t.Helper()
	if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(content), 0o644)); err != nil {
		t.Fatal(err)
	}
}

func newJob(t *testing.T, root, name string, scans int) string {
	t.Helper()
	dir := filepath.Join(root, name)
	put(t, filepath.Join(dir, job.SheetName), strings.ReplaceAll(sheet, "NAME", name))
	for k := range scans {
		put(t, filepath.Join(dir, "scans", string(rune('a'+k))+".ply"), "x")
	}
	return dir
}

type call struct {
	job    string
	extent Extent
}

// options makes a daemon whose builds are recorded.
func options(root string, calls *[]call, build func(name string) (handoff.Outcome, error)) Options {
	return Options{Root: root, Once: true, Settle: time.Millisecond, Sweep: time.Second, Quiet: 2 * time.Hour, Disk: disk.New(nil), Log: zerolog.New(io.Discard), Now: time.Now,
		Build: func(_ context.Context, _ string, s *job.Sheet, _ []byte, e Extent) (handoff.Outcome, error) {
			*calls = append(*calls, call{s.Job, e})
			return build(s.Job)
		}}
}

func fine(string) (handoff.Outcome, error) { return handoff.Outcome{}, nil }

func TestOnceWorksOnWhatIsDue(t *testing.T) {
	root := t.TempDir()
	newJob(t, root, "b-complete", 2)
	newJob(t, root, "a-capturing", 1)
	newJob(t, root, "c-empty", 0)
	put(t, filepath.Join(root, "no-job", "x.txt"), "")
	var calls []call
	held, err := Run(t.Context(), options(root, &calls, fine))
	if err != nil || held {
		t.Fatalf("held %v, %v", held, err)
	}
	want := []call{{"a-capturing", CheckOnly}, {"b-complete", Whole}, {"c-empty", CheckOnly}}
	if len(calls) != 3 || calls[0] != want[0] || calls[1] != want[1] || calls[2] != want[2] {
		t.Errorf("got %v, want %v", calls, want)
	}
}

func TestOneBadJobDoesNotStopTheOthers(t *testing.T) {
	root := t.TempDir()
	newJob(t, root, "a-panics", 2)
	newJob(t, root, "b-fails", 2)
	newJob(t, root, "c-good", 2)
	put(t, filepath.Join(newJob(t, root, "d-wrong", 2), job.SheetName), "job: [")
	var calls []call
	held, err := Run(t.Context(), options(root, &calls, func(name string) (handoff.Outcome, error) {
		switch name {
		case "a-panics":
			panic("boom")
		case "b-fails":
			return handoff.Outcome{}, errors.New("disk on fire")
		}
		return handoff.Outcome{}, nil
	}))
	if err != nil || !held || len(calls) != 3 {
		t.Errorf("held %v, %v, calls %v", held, err, calls)
	}
}

func TestSecondDaemonIsKeptAway(t *testing.T) {
	root := t.TempDir()
	newJob(t, root, "a", 2)
	var calls, none []call
	_, err := Run(t.Context(), options(root, &calls, func(string) (handoff.Outcome, error) {
		if _, err := Run(t.Context(), options(root, &none, fine)); !errors.Is(err, ErrRunning) || !strings.Contains(err.Error(), "process") {
			t.Errorf("the second says %v", err)
		}
		return handoff.Outcome{}, nil
	}))
	if err != nil || len(calls) != 1 || len(none) != 0 {
		t.Errorf("%v, %v, %v", err, calls, none)
	}
	if _, err := Run(t.Context(), options(root, &calls, fine)); err != nil {
		t.Errorf("not free after the first ended: %v", err)
	}
}

// TestWorkIsNotRepeated drives the daemon's steps by hand: a job is worked on
// again only when its files or sheet change, and after a failure when its time
// has come.
func TestWorkIsNotRepeated(t *testing.T) {
	root := t.TempDir()
	dir := newJob(t, root, "a", 2)
	var calls []call
	var fail error
	o := options(root, &calls, func(string) (handoff.Outcome, error) { return handoff.Outcome{}, fail })
	now := time.Now()
	o.Now = func() time.Time { return now }
	d := newDaemon(o)
	step := func(after time.Duration, want int) {
		t.Helper()
		now = now.Add(after)
		for range 2 { // the first look sees a change, the second that it has settled
			state, err := d.sweep()
			if err != nil {
				t.Fatal(err)
			}
			if _, err := d.workAll(t.Context(), state); err != nil {
				t.Fatal(err)
			}
			now = now.Add(time.Second)
		}
		if len(calls) != want {
			t.Fatalf("%d calls, want %d", len(calls), want)
		}
	}
	step(0, 1)
	step(time.Minute, 1)
	put(t, filepath.Join(dir, "scans", "c.ply"), "y")
	step(time.Second, 2)
	fail = errors.New("no space")
	put(t, filepath.Join(dir, "scans", "d.ply"), "y")
	step(time.Second, 3)
	step(time.Second, 3)
	step(2*time.Minute, 4) // tried again
	fail = nil
	step(10*time.Minute, 5)
	step(time.Hour, 5)
	if err := d.watcher.Close(); err != nil {
		t.Error(err)
	}
}

func TestStopsWhenAsked(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	var calls []call
	root := t.TempDir()
	newJob(t, root, "a", 2)
	o := options(root, &calls, func(string) (handoff.Outcome, error) { stop(); return handoff.Outcome{}, ctx.Err() })
	o.Once = false
	if _, err := Run(ctx, o); err != nil {
		t.Errorf("stopping is no error: %v", err)
	}
}

func TestStatus(t *testing.T) {
	root := t.TempDir()
	newJob(t, root, "a-capturing", 1)
	dir := newJob(t, root, "b-held", 2)
	entries := []journal.Entry{{Event: journal.Found, Code: "file-truncated", Severity: "hold", Subject: "x"}, {Event: journal.Found, Code: "points-invalid", Severity: "warn", Subject: "y"}}
	if err := journal.Append(nil, filepath.Join(dir, job.LogName), time.Now(), entries...); err != nil {
		t.Fatal(err)
	}
	dir = newJob(t, root, "c-released", 2)
	entries = []journal.Entry{{Event: journal.Built, Subject: "c-r001.zip"}, {Event: journal.Released, Subject: "c-r001.zip", By: "A. Nobody"}}
	if err := journal.Append(nil, filepath.Join(dir, job.LogName), time.Now(), entries...); err != nil {
		t.Fatal(err)
	}
	put(t, filepath.Join(newJob(t, root, "d-wrong", 0), job.SheetName), "jobb: x")
	got, err := Status(root, time.Now(), 2*time.Hour)
	if err != nil || len(got) != 4 {
		t.Fatalf("%v, %v", got, err)
	}
	for k, want := range []JobStatus{{State: capturing, Scans: 1, Expected: 2}, {State: onHold, Scans: 2, Expected: 2, Holds: 1, Warnings: 1}, {State: released, Scans: 2, Expected: 2, Package: "c-r001.zip"}, {State: unusable}} {
		g := got[k]
		if g.State != want.State || g.Scans != want.Scans || g.Expected != want.Expected || g.Holds != want.Holds || g.Warnings != want.Warnings || g.Package != want.Package {
			t.Errorf("job %d: got %+v, want %+v", k, g, want)
		}
	}
	if !strings.Contains(got[3].Problem, "did you mean job?") {
		t.Errorf("problem %q", got[3].Problem)
	}
}
