package journal

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

var noon = time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)

func written(t *testing.T, n int) string {
	t.Helper()
	p := filepath.Join(t.TempDir(), "session.jsonl")
	for i := range n {
		if err := Append(nil, p, noon, Entry{Event: Noted, Text: fmt.Sprintf("note %d – größer", i)}); err != nil {
			t.Fatal(err)
		}
	}
	return p
}

func lines(t *testing.T, p string) []string {
	t.Helper()
	b, err := os.ReadFile(p)
	if err != nil {
		t.Fatal(err)
	}
	return strings.Split(strings.TrimSuffix(string(b), "\n"), "\n")
}

// TestChain recomputes the chain as the contract words it.
func TestChain(t *testing.T) {
	prev := strings.Repeat("0", 64)
	for i, l := range lines(t, written(t, 3)) {
		var e map[string]any
		if err := json.Unmarshal([]byte(l), &e); err != nil {
			t.Fatal(err)
		}
		if e["prev"] != prev {
			t.Errorf("line %d: prev %v, want %s", i+1, e["prev"], prev)
		}
		h := sha256.Sum256([]byte(l))
		prev = hex.EncodeToString(h[:])
	}
}

func TestMissingLogIsEmpty(t *testing.T) {
	if e, err := Read(filepath.Join(t.TempDir(), "none")); err != nil || e != nil {
		t.Errorf("got %v, %v", e, err)
	}
}

func TestBrokenChains(t *testing.T) {
	cases := map[string]struct {
		damage func(l []string) []string
		line   int
	}{
		"changed":       {func(l []string) []string { l[1] = strings.Replace(l[1], "note 1", "note x", 1); return l }, 3},
		"removed":       {func(l []string) []string { return append(l[:1], l[2:]...) }, 2},
		"put in":        {func(l []string) []string { return append([]string{l[0], l[0]}, l[1:]...) }, 2},
		"swapped":       {func(l []string) []string { l[1], l[2] = l[2], l[1]; return l }, 2},
		"first removed": {func(l []string) []string { return l[1:] }, 1},
		"not JSON":      {func(l []string) []string { l[2] = "{"; return l }, 3},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			p := written(t, 5)
			if err := os.WriteFile(p, []byte(strings.Join(c.damage(lines(t, p)), "\n")+"\n"), 0o644); err != nil {
				t.Fatal(err)
			}
			var broken *BrokenError
			if _, err := Read(p); !errors.As(err, &broken) || broken.Line != c.line {
				t.Errorf("Read: %v, want line %d to be named", err, c.line)
			}
			before := lines(t, p)
			if err := Append(nil, p, noon, Entry{Event: Noted}); !errors.As(err, &broken) {
				t.Errorf("Append: %v", err)
			}
			if after := lines(t, p); len(after) != len(before) {
				t.Error("a broken log was written to")
			}
		})
	}
}

func TestTornEndIsCutAndRecorded(t *testing.T) {
	p := written(t, 2)
	whole, err := os.ReadFile(p)
	if err != nil {
		t.Fatal(err)
	}
	last := len(lines(t, p)[1])
	for cut := 1; cut < last; cut += 17 {
		if err := os.WriteFile(p, whole[:len(whole)-cut], 0o644); err != nil {
			t.Fatal(err)
		}
		if e, err := Read(p); !errors.Is(err, ErrTorn) || len(e) != 1 {
			t.Fatalf("cut by %d: %d entries, %v", cut, len(e), err)
		}
		if err := Append(nil, p, noon, Entry{Event: Noted, Text: "after"}); err != nil {
			t.Fatal(err)
		}
		e, err := Read(p)
		if err != nil || len(e) != 3 || e[1].Event != Recovered || e[2].Text != "after" {
			t.Fatalf("cut by %d: %v, %v", cut, e, err)
		}
	}
}

func TestManyWritersKeepTheChain(t *testing.T) {
	p := filepath.Join(t.TempDir(), "session.jsonl")
	var wg sync.WaitGroup
	for i := range 30 {
		wg.Go(func() {
			if err := Append(nil, p, noon, Entry{Event: Noted, Text: fmt.Sprint(i)}, Entry{Event: Noted, Text: "pair"}); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if e, err := Read(p); err != nil || len(e) != 60 {
		t.Errorf("%d entries, %v", len(e), err)
	}
}

func TestOddTexts(t *testing.T) {
	p := filepath.Join(t.TempDir(), "session.jsonl")
	for _, text := range []string{"two\nlines", "\xff\xfe", "\u2028", strings.Repeat("x", 100_000)} {
		if err := Append(nil, p, noon, Entry{Event: Noted, Text: text}); err != nil {
			t.Fatal(err)
		}
	}
	if e, err := Read(p); err != nil || len(e) != 4 || e[0].Text != "two\nlines" {
		t.Errorf("%d entries, %v", len(e), err)
	}
	if err := Append(nil, p, noon, Entry{Event: Noted, Text: strings.Repeat("x", maxLine)}); err == nil {
		t.Error("took an entry that Read would refuse")
	}
}

func TestOpen(t *testing.T) {
	f := func(ev Event, subject, text string) Entry {
		return Entry{Event: ev, Code: "file-truncated", Subject: subject, Text: text}
	}
	open := Open([]Entry{f(Found, "a", "1"), f(Found, "b", "1"), f(Cleared, "a", "1"), f(Found, "a", "2"), f(Cleared, "b", "other")})
	if len(open) != 2 || open[0].Subject != "b" || open[1].Text != "2" {
		t.Errorf("got %v", open)
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("{\"prev\":\"" + zeros + "\"}\n"))
	f.Add([]byte("\n\n"))
	f.Fuzz(func(t *testing.T, content []byte) {
		p := filepath.Join(t.TempDir(), "l")
		if err := os.WriteFile(p, content, 0o644); err != nil {
			t.Fatal(err)
		}
		_, readErr := Read(p)
		var broken *BrokenError
		if err := Append(nil, p, noon, Entry{Event: Noted}); err == nil && errors.As(readErr, &broken) {
			t.Error("appended to a broken log")
		}
		if _, err := Read(p); readErr == nil && err != nil {
			t.Errorf("a good log is bad after an append: %v", err)
		}
	})
}
