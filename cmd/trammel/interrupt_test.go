package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// TestInterruptedBuildGoesOn interrupts a build that is half done. It ends with a
// fault and leaves no package; the same command then goes on from what was
// finished, and its package has the bytes of a build that was left alone.
func TestInterruptedBuildGoesOn(t *testing.T) {
	me, err := os.FindProcess(os.Getpid())
	if err != nil {
		t.Skipf("a process cannot signal itself here: %v", err)
	}
	dir, unpacked := t.TempDir(), t.TempDir()
	if err := writeSmall(t.Context(), dir); err != nil {
		t.Fatal(err)
	}
	w := &interrupter{at: "comparing overlaps", told: make(chan struct{}), interrupt: func() {
		if err := me.Signal(os.Interrupt); err != nil {
			t.Errorf("the build could not be interrupted: %v", err)
		}
	}}
	e := realEnv()
	e.stdin, e.stdout, e.stderr = strings.NewReader(""), io.Discard, w
	if code := run([]string{"build", dir}, e); code != exitFault {
		t.Fatalf("exit %d of an interrupted build\n%s", code, w.text.String())
	}
	if _, err := os.Stat(filepath.Join(dir, "out")); err == nil {
		t.Error("an interrupted build left a folder for packages")
	}
	code, out := runHere("build", dir)
	if code != exitDone || strings.Contains(out, ", 0 taken from work/") {
		t.Fatalf("exit %d, and nothing was taken from the first run:\n%s", code, out)
	}
	if err := unpack(filepath.Join(dir, "out", "small-r001.zip"), unpacked); err != nil {
		t.Fatal(err)
	}
	report, err := os.ReadFile(filepath.Join(unpacked, "small-r001", "data", "report", "datum-report.json"))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(report, buildSmall(t)["report/datum-report.json"]) {
		t.Error("the report differs from that of a build that was left alone")
	}
}

// interrupter is a stream that interrupts once it reads a text, and holds the
// writer until the program has said that it stops.
type interrupter struct {
	at        string
	interrupt func()
	told      chan struct{} // closed by the program's own message
	once      sync.Once
	mu        sync.Mutex
	text      bytes.Buffer
}

func (w *interrupter) Write(p []byte) (int, error) {
	w.mu.Lock()
	w.text.Write(p)
	w.mu.Unlock()
	switch {
	case bytes.Contains(p, []byte("stopping at the next safe point")):
		close(w.told)
	case bytes.Contains(p, []byte(w.at)):
		w.once.Do(func() {
			w.interrupt()
			<-w.told
		})
	}
	return len(p), nil
}
