package mount

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// ring returns n holes evenly round a circle.
func ring(n int, circle, bore, start float64) []disc {
	var out []disc
	for k := range n {
		sin, cos := math.Sincos(start + 2*math.Pi*float64(k)/float64(n))
		out = append(out, disc{circle / 2 * cos, circle / 2 * sin, bore / 2})
	}
	return out
}

// A bolt circle of 100 mm with six holes: neighbours are 50 mm apart, opposite ones
// 100 (CV-10.6).
func TestBoltCircle(t *testing.T) {
	p := newPart(41, 0.05)
	holes := ring(6, 100, 9, 0.2)
	p.plate(75, true, holes...)
	for _, h := range holes {
		p.tubeOf(h, -6, 0, -1, 0.5)
	}
	m := wanted(job.Pattern, 9, 70, 2, 1)
	m.Holes, m.Shape, m.Circle = 6, job.OnCircle, 100
	seen := []Seen{p.seen("hand")}
	rs := MeasureAll([]job.Mount{m}, seen)
	if len(rs) != 7 || !rs[0].Found {
		t.Fatalf("%d results: %v", len(rs), rs[0].Findings)
	}
	bc := size(rs[0], "bolt_circle")
	if math.Abs(bc.Value-100) > 0.03 || math.Abs(bc.Value-100) > 3.5*bc.Sigma || home(rs[0]).Norm() > 0.03 || rs[0].RMS > 0.05 {
		t.Errorf("bolt circle %.3f mm (sigma %.3f), middle %.3f mm off, rms %.3f", bc.Value, bc.Sigma, home(rs[0]).Norm(), rs[0].RMS)
	}
	for i, r := range rs[1:] {
		if r.Name != fmt.Sprintf("left-front-%d", i+1) || r.Kind != job.Hole || len(r.Findings) > 0 {
			t.Errorf("hole %d is %s, a %s: %v", i+1, r.Name, r.Kind, r.Findings)
		}
	}
	pitches := Pitches(rs[1:], seen)
	if len(pitches) != 15 {
		t.Fatalf("%d pitches, want 15", len(pitches))
	}
	for _, q := range pitches {
		a, b := int(q.A[len(q.A)-1]-'0'), int(q.B[len(q.B)-1]-'0')
		want := 100 * math.Sin(math.Pi*float64(b-a)/6)
		if math.Abs(q.Distance-want) > 4*q.Sigma || q.Sigma > 0.05 || q.Angle > 0.1 {
			t.Errorf("%s to %s: %.3f mm (sigma %.3f), want %.3f; angle %.3f", q.A, q.B, q.Distance, q.Sigma, want, q.Angle)
		}
	}
}

func TestRectangleAndList(t *testing.T) {
	p := newPart(42, 0.05)
	corners := []disc{{-40, -30, 5.25}, {40, -30, 5.25}, {40, 30, 5.25}, {-40, 30.5, 5.25}} // one is half a millimetre off
	p.plate(60, true, corners...)
	for _, h := range corners {
		p.tubeOf(h, -6, 0, -1, 0.5)
	}
	m := wanted(job.Pattern, 10.5, 70, 0, 0)
	m.Holes, m.Shape = 4, job.OnRectangle
	rs := MeasureAll([]job.Mount{m}, []Seen{p.seen("hand")})
	if len(rs) != 5 || !rs[0].Found {
		t.Fatalf("%v", rs[0].Findings)
	}
	a, b := size(rs[0], "side_1").Value, size(rs[0], "side_2").Value
	if a < b {
		a, b = b, a
	}
	if math.Abs(a-80) > 0.06 || math.Abs(b-60.25) > 0.06 || rs[0].RMS < 0.08 || rs[0].RMS > 0.25 {
		t.Errorf("sides %.3f and %.3f mm, rms %.3f", a, b, rs[0].RMS)
	}
	m.Shape = job.Listed
	for _, c := range []int{2, 0, 3, 1} {
		m.Places = append(m.Places, placed.Apply(geom.Vec{X: corners[c].x, Y: math.Copysign(30, corners[c].y)}))
	}
	m.Position = 0.6
	rs = MeasureAll([]job.Mount{m}, []Seen{p.seen("hand")})
	if len(rs) != 5 {
		t.Fatalf("%v", rs[0].Findings)
	}
	for i, want := range []Decision{Pass, Pass, Fail, Pass} {
		if got := rs[i+1].Position; got.Decision != want {
			t.Errorf("hole %d: %+v, want %s", i+1, got, want)
		}
		failed := slices.ContainsFunc(rs[i+1].Findings, func(f job.Finding) bool {
			return f.Code == job.MountPosition && f.Severity == job.Warn && f.Subject == rs[i+1].Name && strings.Contains(f.Text, "fails its position") && strings.Contains(f.Text, "in a zone of 0.6 mm")
		})
		if failed != (want == Fail) {
			t.Errorf("hole %d: %+v", i+1, rs[i+1].Findings)
		}
	}
}

func TestPatternWithoutAHole(t *testing.T) {
	p := newPart(43, 0.05)
	p.plate(60, true, disc{-40, -30, 5}, disc{40, -30, 5}, disc{40, 30, 5})
	m := wanted(job.Pattern, 10, 70, 0, 0)
	m.Holes, m.Shape = 4, job.OnRectangle
	rs := MeasureAll([]job.Mount{m}, []Seen{p.seen("hand")})
	if len(rs) != 1 || rs[0].Found || !strings.Contains(rs[0].Findings[0].Text, "3 of 4 holes of the pattern were found in one face, about 1") {
		t.Errorf("%+v", rs)
	}
}

// TestBadPlaces: the finding says what was found instead, and where.
func TestBadPlaces(t *testing.T) {
	p := newPart(44, 0.05)
	p.plate(120, true, disc{-90, 0, 6.75}, disc{90, 0, 6.75}, disc{90, 25, 6.75})
	q := newPart(45, 0.05)
	q.plate(40, true)
	q.cut(stadium{2, 0, 0.3, 11, 28}.gap)
	far := wanted(job.Hole, 13.5, 40, 90, -15)
	far.Near = placed.Apply(geom.Vec{X: 90 - 200, Y: 60})
	cases := []struct {
		name  string
		m     job.Mount
		seen  []Seen
		found bool
		says  []string
	}{
		{"a wrong diameter", wanted(job.Hole, 30, 40, -90, 5), []Seen{p.seen("hand")}, false, []string{"No hole of about 30 mm", "instead there is a hole of 13."}},
		{"two candidates", wanted(job.Hole, 13.5, 40, 88, -3), []Seen{p.seen("hand")}, true, []string{"More than one hole lies within 40 mm", "one of 13.", "which was taken, one of about 13.", "make within smaller"}},
		{"a slot where a hole should be", wanted(job.Hole, 11, 20, 0, 0), []Seen{q.seen("hand")}, false, []string{"but a slot of 11.", "instead there is a slot of 11.", "by 28."}},
	}
	for _, c := range cases {
		r := Measure(c.m, c.seen)
		if r.Found != c.found || len(r.Findings) == 0 {
			t.Errorf("%s: found %v, %v", c.name, r.Found, r.Findings)
			continue
		}
		text := ""
		for _, f := range r.Findings {
			text += f.Text + "\n"
		}
		for _, s := range c.says {
			if !strings.Contains(text, s) {
				t.Errorf("%s: the text does not say %q: %s", c.name, s, text)
			}
		}
	}
	doubtful := wanted(job.Hole, 13.5, 30, -88, 1)
	nominal := placed.Apply(geom.Vec{X: -90.1})
	doubtful.At, doubtful.Position = &nominal, 0.2
	if r := Measure(doubtful, []Seen{p.seen("hand")}); !r.Found || r.Position.Decision != Undecided || !strings.Contains(r.Findings[0].Text, "neither passed nor failed") {
		t.Errorf("undecided: %+v, %v", r.Position, r.Findings)
	}
	seen := []Seen{p.seen("hand")}
	r := Measure(far, seen)
	if r.Found {
		t.Fatalf("200 mm off: found %+v", r)
	}
	r = Elsewhere(far, r, seen, 250)
	if len(r.Findings) != 1 || !strings.Contains(r.Findings[0].Text, "within 250 mm there is a hole of 13.") || !strings.Contains(r.Findings[0].Text, "mm away. To do") {
		t.Errorf("200 mm off: %v", r.Findings)
	}
}
