package disk

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

func text(s string) func(io.Writer) error {
	return func(w io.Writer) error { _, err := io.WriteString(w, s); return err }
}

func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func temps(t *testing.T, dir string) (out []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if strings.Contains(e.Name(), TempMark) {
			out = append(out, e.Name())
		}
	}
	return out
}

func TestWriteReplacesWhole(t *testing.T) {
	p := filepath.Join(t.TempDir(), "f")
	for _, s := range []string{"one", "two, longer", ""} {
		if err := (*Disk)(nil).Write(p, text(s)); err != nil {
			t.Fatal(err)
		}
		if got := read(t, p); got != s {
			t.Errorf("got %q, want %q", got, s)
		}
	}
}

// TestEveryFaultLeavesOldOrNew fails each operation of a write in turn: the old
// content or the new one is there, and no temporary file.
func TestEveryFaultLeavesOldOrNew(t *testing.T) {
	for _, fault := range []error{ErrFull, errors.New("input/output error"), fs.ErrPermission} {
		for n := int64(1); ; n++ {
			dir := t.TempDir()
			p := filepath.Join(dir, "f")
			if err := os.WriteFile(p, []byte("old"), 0o644); err != nil {
				t.Fatal(err)
			}
			d := New(func(i int64, _, _ string) error {
				if i == n {
					return fault
				}
				return nil
			})
			err := d.Write(p, text(strings.Repeat("new", 1<<20)))
			got := read(t, p)
			if got != "old" && got != strings.Repeat("new", 1<<20) {
				t.Fatalf("fault at %d leaves %d bytes", n, len(got))
			}
			if left := temps(t, dir); left != nil {
				t.Errorf("fault at %d leaves %v", n, left)
			}
			if err == nil {
				if n < 5 {
					t.Errorf("a write has only %d operations", n-1)
				}
				break
			}
			if !errors.Is(err, fault) {
				t.Errorf("fault at %d: got %v, want it to be %v", n, err, fault)
			}
		}
	}
}

func TestFailedFillLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	boom := errors.New("boom")
	if err := New(nil).Write(filepath.Join(dir, "f"), func(w io.Writer) error { _, _ = w.Write([]byte("half")); return boom }); !errors.Is(err, boom) {
		t.Errorf("got %v", err)
	}
	if entries, err := os.ReadDir(dir); err != nil || len(entries) != 0 {
		t.Errorf("left %v, %v", entries, err)
	}
}

func TestCreateNeverReplaces(t *testing.T) {
	dir := t.TempDir()
	p := filepath.Join(dir, "f")
	if err := New(nil).Create(p, text("first")); err != nil {
		t.Fatal(err)
	}
	if err := New(nil).Create(p, text("second")); !errors.Is(err, fs.ErrExist) {
		t.Errorf("got %v, want one that is fs.ErrExist", err)
	}
	if got := read(t, p); got != "first" {
		t.Errorf("got %q", got)
	}
	if err := os.Mkdir(filepath.Join(dir, "folder"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := New(nil).Create(filepath.Join(dir, "folder"), text("x")); !errors.Is(err, fs.ErrExist) {
		t.Errorf("a folder in the way: got %v", err)
	}
	if left := temps(t, dir); left != nil {
		t.Errorf("left %v", left)
	}
}

// TestHundredCreatorsGetHundredNames: parallel creators who try the next number
// on a taken one end with different numbers.
func TestHundredCreatorsGetHundredNames(t *testing.T) {
	dir := t.TempDir()
	var wg sync.WaitGroup
	for range 100 {
		wg.Go(func() {
			for n := 1; ; n++ {
				err := New(nil).Create(filepath.Join(dir, fmt.Sprint(n)), text("x"))
				if err == nil {
					return
				}
				if !errors.Is(err, fs.ErrExist) {
					t.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
	if entries, err := os.ReadDir(dir); err != nil || len(entries) != 100 {
		t.Errorf("%d names, %v", len(entries), err)
	}
}

func TestAppendsDoNotMix(t *testing.T) {
	p := filepath.Join(t.TempDir(), "log")
	var wg sync.WaitGroup
	for range 20 {
		wg.Go(func() {
			err := New(nil).Append(p, func(f *os.File) error {
				end, err := f.Seek(0, io.SeekEnd)
				if err != nil {
					return err
				}
				_, err = f.WriteAt([]byte("line\n"), end)
				return err
			})
			if err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if got := read(t, p); got != strings.Repeat("line\n", 20) {
		t.Errorf("got %q", got)
	}
}

func TestHoldIsExclusiveAndNamesTheHolder(t *testing.T) {
	p := filepath.Join(t.TempDir(), "lock")
	release, _, err := New(nil).Hold(p, "process 42")
	if err != nil {
		t.Fatal(err)
	}
	if _, holder, err := New(nil).Hold(p, "other"); !errors.Is(err, ErrHeld) || holder != "process 42" {
		t.Errorf("got holder %q, %v", holder, err)
	}
	if err := release(); err != nil {
		t.Fatal(err)
	}
	again, _, err := New(nil).Hold(p, "other")
	if err != nil {
		t.Fatalf("not free after release: %v", err)
	}
	if err := again(); err != nil {
		t.Fatal(err)
	}
}

func TestLongNames(t *testing.T) {
	p := filepath.Join(t.TempDir(), strings.Repeat("n", 255))
	if err := New(nil).Write(p, text("x")); err != nil {
		t.Errorf("a name of 255 bytes: %v", err)
	}
}

func TestRemoveOfNothing(t *testing.T) {
	d := New(nil)
	if err := d.Remove(filepath.Join(t.TempDir(), "none")); err != nil {
		t.Error(err)
	}
	if d.Operations() != 1 {
		t.Errorf("counted %d operations", d.Operations())
	}
}
