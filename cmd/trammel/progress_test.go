package main

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"
)

func TestBar(t *testing.T) {
	for _, c := range []struct {
		done, total int
		want        string
	}{{0, 8, "[........................]  0/8  fusing"}, {2, 8, "[######..................]  2/8  fusing"}, {8, 8, "[########################]  8/8  fusing"}, {0, 0, "[........................]  0/1  fusing"}} {
		if got := bar("fusing", c.done, c.total); got != c.want {
			t.Errorf("%d of %d: got %q, want %q", c.done, c.total, got, c.want)
		}
	}
	if n := utf8.RuneCountInString(bar(strings.Repeat("ä", 200), 1, 2)); n != lineWidth {
		t.Errorf("a long line is cut to %d letters, want %d", n, lineWidth)
	}
}

func TestPlainLinesOffATerminal(t *testing.T) {
	var out bytes.Buffer
	p := newProgress(&env{stderr: &out})
	p.step("inspecting", "a.ply", 0, 2)
	p.step("inspecting", "a.ply", 0, 2)
	p.step("inspecting", "b\x1b.ply", 1, 2)
	p.step("fusing", "", 0, 1)
	p.done()
	if want := "trammel: inspecting (a.ply)\ntrammel: inspecting (b\\u001b.ply)\ntrammel: fusing\n"; out.String() != want {
		t.Errorf("got %q, want %q", out.String(), want)
	}
	out.Reset()
	q := newProgress(&env{stderr: &out, quiet: true})
	q.step("fusing", "", 0, 1)
	if out.Len() > 0 {
		t.Errorf("a quiet command says %q", out.String())
	}
}
