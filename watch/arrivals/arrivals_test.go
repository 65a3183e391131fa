package arrivals

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// stand is a folder under watch with a clock of its own.
type stand struct {
	t     *testing.T
	dir   string
	w     *Watcher
	now   time.Time
	sweep int
}

const settle = 3 * time.Second

func newStand(t *testing.T) *stand {
	dir := t.TempDir()
	s := &stand{t: t, dir: dir, w: New(dir, settle), now: time.Unix(1000, 0)}
	t.Cleanup(func() {
		if err := s.w.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func (s *stand) write(name, content string) {
	s.t.Helper()
	p := filepath.Join(s.dir, filepath.FromSlash(name))
	if err := errors.Join(os.MkdirAll(filepath.Dir(p), 0o755), os.WriteFile(p, []byte(content), 0o644)); err != nil {
		s.t.Fatal(err)
	}
}

// touch sets a file's time, so that tests do not depend on how coarse the file
// system's clock is.
func (s *stand) touch(name string, at time.Time) {
	s.t.Helper()
	if err := os.Chtimes(filepath.Join(s.dir, name), at, at); err != nil {
		s.t.Fatal(err)
	}
}

func (s *stand) look(after time.Duration) (settled, moving []string, state State) {
	s.t.Helper()
	s.now = s.now.Add(after)
	s.sweep++
	state, err := s.w.Sweep(s.now, s.sweep, func(p string) bool { return strings.HasPrefix(filepath.Base(p), ".") })
	if err != nil {
		s.t.Fatal(err)
	}
	names := func(m map[string]fs.FileInfo) (out []string) {
		for _, p := range slices.Sorted(maps.Keys(m)) {
			out = append(out, filepath.Base(p))
		}
		return out
	}
	return names(state.Settled), names(state.Moving), state
}

func (s *stand) want(after time.Duration, settled, moving string) {
	s.t.Helper()
	a, b, _ := s.look(after)
	if got := strings.Join(a, " ") + " | " + strings.Join(b, " "); got != settled+" | "+moving {
		s.t.Errorf("after %v more: settled | moving = %q, want %q", after, got, settled+" | "+moving)
	}
}

func TestAFileSettles(t *testing.T) {
	s := newStand(t)
	s.want(0, "", "")
	s.write("a.ply", "1")
	s.want(time.Second, "", "a.ply")
	s.want(2*time.Second, "", "a.ply")
	s.want(time.Second, "a.ply", "")
	s.want(time.Hour, "a.ply", "")
}

func TestASlowCopyNeverSettlesBeforeItsEnd(t *testing.T) {
	s := newStand(t)
	for k := range 10 {
		s.write("slow.ply", strings.Repeat("x", k+1))
		s.want(2*time.Second, "", "slow.ply")
	}
	s.want(settle, "slow.ply", "")
}

func TestFullSizeFirst(t *testing.T) {
	s := newStand(t)
	s.write("pre.ply", "0000")
	for k := range 5 { // filled from the front: the size stays, the time goes on
		s.write("pre.ply", strings.Repeat("x", k)+strings.Repeat("0", 4-min(k, 4)))
		s.touch("pre.ply", time.Unix(int64(5000+k), 0))
		s.want(2*time.Second, "", "pre.ply")
	}
	s.touch("pre.ply", time.Unix(1, 0)) // and at the end the time of the source
	s.want(time.Second, "", "pre.ply")
	s.want(settle, "pre.ply", "")
}

func TestReplacedFileMovesAgain(t *testing.T) {
	s := newStand(t)
	s.write("a.ply", "1")
	s.look(0)
	s.want(settle, "a.ply", "")
	s.write("b.ply", "2")
	at := time.Unix(77, 0)
	s.touch("a.ply", at)
	s.touch("b.ply", at)
	s.look(0)
	s.want(settle, "a.ply b.ply", "")
	if err := os.Rename(filepath.Join(s.dir, "b.ply"), filepath.Join(s.dir, "a.ply")); err != nil {
		t.Fatal(err)
	}
	s.want(time.Second, "", "a.ply") // same size, same time, another file
}

func TestDeletedFileIsForgotten(t *testing.T) {
	s := newStand(t)
	s.write("a.ply", "1")
	s.look(0)
	s.want(settle, "a.ply", "")
	if err := os.Remove(filepath.Join(s.dir, "a.ply")); err != nil {
		t.Fatal(err)
	}
	s.want(time.Second, "", "")
	s.write("a.ply", "1")
	s.want(time.Second, "", "a.ply")
}

func TestDeepNewTreesAndSkippedNames(t *testing.T) {
	s := newStand(t)
	for k := range 100 {
		s.write(fmt.Sprintf("j%03d/a/b/c/d/f.ply", k), "x")
		s.write(fmt.Sprintf("j%03d/.hidden/x.ply", k), "x")
	}
	s.look(0)
	settled, _, _ := s.look(settle)
	if len(settled) != 100 {
		t.Errorf("%d of 100 files are seen", len(settled))
	}
}

func TestNextLookIsWhenTheFirstMaySettle(t *testing.T) {
	s := newStand(t)
	s.write("a", "1")
	s.look(0)
	s.write("b", "1")
	if _, _, state := s.look(time.Second); state.NextLook != 2*time.Second {
		t.Errorf("next look in %v, want 2s", state.NextLook)
	}
}

func TestRootGone(t *testing.T) {
	s := newStand(t)
	if err := os.RemoveAll(s.dir); err != nil {
		t.Fatal(err)
	}
	if _, err := s.w.Sweep(s.now, 1, func(string) bool { return false }); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("got %v", err)
	}
}

// TestEventsComeForNewFolders: a folder made after the start is followed once a
// sweep has seen it.
func TestEventsComeForNewFolders(t *testing.T) {
	s := newStand(t)
	if s.w.Polling {
		t.Skip("this system gives no events")
	}
	s.write("new/first", "1")
	s.look(0)
	for len(s.w.Events()) > 0 {
		<-s.w.Events()
	}
	s.write("new/second", "1")
	e := <-s.w.Events()
	if !strings.Contains(e.Name, "new") {
		t.Errorf("event for %s", e.Name)
	}
}
