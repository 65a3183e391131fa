package intake

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
)

// spheresIn answers with the number of spheres found in each unit.
func spheresIn(n map[length.Unit]int) func(length.Unit) (int, error) {
	return func(u length.Unit) (int, error) { return n[u], nil }
}

func TestDecide(t *testing.T) {
	const mm, m, in = length.Millimetre, length.Metre, length.Inch
	type found = map[length.Unit]int
	cases := []struct {
		name  string
		e     Evidence
		use   length.Unit
		basis string
		code  job.Code // of the finding, empty for none
		says  []string
	}{
		{"the file says so", Evidence{File: m}, m, "file", "", nil},
		{"the sheet says so", Evidence{Sheet: mm}, mm, "sheet", "", nil},
		{"both say the same", Evidence{File: in, Sheet: in}, in, "file", "", nil},
		{"spheres confirm the file", Evidence{File: m, Spheres: spheresIn(found{m: 4})}, m, "spheres", "", nil},
		{"one sphere confirms a declaration", Evidence{Sheet: mm, Spheres: spheresIn(found{mm: 1, in: 9})}, mm, "spheres", "", nil},
		{"spheres in metres", Evidence{Spheres: spheresIn(found{m: 4})}, m, "spheres", "", nil},
		{"spheres in millimetres", Evidence{Spheres: spheresIn(found{mm: 4})}, mm, "spheres", "", nil},
		{"spheres in inches", Evidence{Spheres: spheresIn(found{in: 1})}, in, "spheres", "", nil},
		{"spheres in centimetres", Evidence{Spheres: spheresIn(found{length.Centimetre: 3, mm: 1})}, length.Centimetre, "spheres", "", nil},
		{"spheres in feet", Evidence{Spheres: spheresIn(found{length.Foot: 3})}, length.Foot, "spheres", "", nil},
		{"as many in two units", Evidence{Spheres: spheresIn(found{mm: 3, in: 3}), Extent: 7}, length.Unknown, "none", job.UnitsUnknown, []string{"scan.ply", "7", "units:"}},
		{"spheres contradict the file", Evidence{File: mm, Spheres: spheresIn(found{in: 4})}, mm, "spheres", job.UnitsMismatch,
			[]string{"declared to be in mm", "read in in", "25.4", "not rescaled"}},
		{"spheres contradict the sheet", Evidence{Sheet: mm, Spheres: spheresIn(found{m: 2})}, mm, "spheres", job.UnitsMismatch, []string{"factor of 1000"}},
		{"a single one elsewhere is chance", Evidence{File: mm, Spheres: spheresIn(found{m: 1})}, mm, "file", "", nil},
		{"spheres settle file against sheet", Evidence{File: m, Sheet: mm, Spheres: spheresIn(found{m: 3})}, m, "spheres", "", nil},
		{"file against sheet", Evidence{File: m, Sheet: in}, m, "file", job.UnitsMismatch, []string{"says that it is in m", "the job sheet says in", "0.0254"}},
		{"no spheres anywhere, size decides", Evidence{Spheres: spheresIn(nil), Extent: 5.2, Object: 6000}, m, "size", "", nil},
		{"by size, millimetres", Evidence{Extent: 5200, Object: 6000}, mm, "size", "", nil},
		{"by size, between inch and centimetre", Evidence{Extent: 300, Object: 6000}, length.Unknown, "none", job.UnitsUnknown, nil},
		{"by size, nothing fits", Evidence{Extent: 1e6, Object: 6000}, length.Unknown, "none", job.UnitsUnknown, []string{"1e+06"}},
		{"a declaration beats a size that is small", Evidence{Sheet: mm, Extent: 100, Object: 6000}, mm, "sheet", "", nil},
		{"a declaration beats a size that is large", Evidence{File: m, Extent: 20, Object: 6000}, m, "file", "", nil},
		{"smaller than a bolt head", Evidence{Sheet: mm, Extent: 5.2, Object: 6000}, mm, "size", job.UnitsMismatch, []string{"declared to be in mm", "read in m", "factor of 1000"}},
		{"metres that are millimetres", Evidence{File: m, Extent: 5200, Object: 6000}, m, "size", job.UnitsMismatch, []string{"867 times as large", "0.001"}},
		{"inches for millimetres, too large for the object", Evidence{Sheet: in, Extent: 5200, Object: 6000}, in, "size", job.UnitsMismatch, []string{"declared to be in in", "read in mm"}},
		{"a hall around the object", Evidence{Sheet: m, Extent: 40, Object: 6000, Around: true}, m, "sheet", "", nil},
		{"a hall that could be feet as well", Evidence{Extent: 40, Object: 6000, Around: true}, "", "none", job.UnitsUnknown, nil},
		{"a hall in metres", Evidence{Extent: 9, Object: 6000, Around: true}, m, "size", "", nil},
		{"nothing at all", Evidence{}, length.Unknown, "none", job.UnitsUnknown, []string{"To do: write units:"}},
	}
	for _, c := range cases {
		u, fs, err := Decide(c.e, "scan.ply")
		if err != nil || u.Use() != c.use || u.Basis != c.basis {
			t.Errorf("%s: use %q by %s (%v), want %q by %s", c.name, u.Use(), u.Basis, err, c.use, c.basis)
		}
		checkFinding(t, c.name, fs, c.code, c.says)
	}
}

func checkFinding(t *testing.T, name string, fs []job.Finding, code job.Code, says []string) {
	t.Helper()
	if code == "" {
		if len(fs) != 0 {
			t.Errorf("%s: unexpected %v", name, fs)
		}
		return
	}
	if len(fs) != 1 || fs[0].Code != code || fs[0].Severity != job.Hold || fs[0].Subject != "scan.ply" {
		t.Errorf("%s: got %v, want one %s", name, fs, code)
		return
	}
	for _, s := range says {
		if !strings.Contains(fs[0].Text, s) {
			t.Errorf("%s: the text does not say %q: %s", name, s, fs[0].Text)
		}
	}
}

// What is declared is asked first, and nothing else when it answers: looking for
// spheres in five units costs five times as much.
func TestDecideAsksTheDeclaredUnitFirst(t *testing.T) {
	var asked []length.Unit
	count := func(u length.Unit) (int, error) {
		asked = append(asked, u)
		return 1, nil
	}
	if _, _, err := Decide(Evidence{File: length.Inch, Spheres: count}, "scan.ply"); err != nil {
		t.Fatal(err)
	}
	if len(asked) != 1 || asked[0] != length.Inch {
		t.Errorf("asked %v", asked)
	}
}

func TestDecideHandsOnErrors(t *testing.T) {
	boom := errors.New("disk gone")
	for _, declared := range []length.Unit{length.Unknown, length.Millimetre} {
		e := Evidence{File: declared, Spheres: func(u length.Unit) (int, error) {
			if u == length.Metre || u == declared {
				return 0, boom
			}
			return 0, nil
		}}
		if _, fs, err := Decide(e, "scan.ply"); !errors.Is(err, boom) || fs != nil {
			t.Errorf("declared %q: got %v, %v", declared, fs, err)
		}
	}
}

func TestUnreadable(t *testing.T) {
	cases := []struct {
		name string
		err  error
		code job.Code
		says []string
		not  []string
	}{
		{"truncated", fmt.Errorf("read scan.ply: 12 of 90 points: %w", scan.ErrTruncated), job.FileTruncated,
			[]string{"12 of 90 points", "77 bytes", "copy it again"}, []string{"read scan.ply", scan.ErrTruncated.Error() + ":"}},
		{"not a scan", fmt.Errorf("read scan.ply: no header: %w", scan.ErrFormat), job.FileUnreadable,
			[]string{"cannot be read as a scan: no header.", "PLY"}, []string{scan.ErrFormat.Error()}},
		{"without a prefix", fmt.Errorf("line 3: no number: %w", scan.ErrFormat), job.FileUnreadable, []string{"line 3: no number"}, nil},
		{"nothing but the sentinel", scan.ErrFormat, job.FileUnreadable, []string{"cannot be read as a scan"}, nil},
		{"control characters", fmt.Errorf("read scan.ply: word \x1b[2J: %w", scan.ErrFormat), job.FileUnreadable, nil, []string{"\x1b"}},
	}
	for _, c := range cases {
		f, ok := Unreadable("scan.ply", 77, c.err)
		if !ok {
			t.Errorf("%s: taken for a fault of the disk", c.name)
			continue
		}
		checkFinding(t, c.name, []job.Finding{f}, c.code, c.says)
		for _, s := range c.not {
			if strings.Contains(f.Text, s) {
				t.Errorf("%s: the text says %q: %s", c.name, s, f.Text)
			}
		}
	}
	if _, ok := Unreadable("scan.ply", 77, errors.New("input/output error")); ok {
		t.Error("a disk that fails was made a finding about the file")
	}
}

func TestOtherFindings(t *testing.T) {
	cases := []struct {
		name string
		f    job.Finding
		code job.Code
		sev  job.Severity
		says []string
	}{
		{"no bytes", Empty("a\n.ply", 0, 0), job.FileUnreadable, job.Hold, []string{`a\u000a.ply`, "0 bytes"}},
		{"no points", Empty("a.ply", 300, 0), job.FileUnreadable, job.Hold, []string{"it holds no points"}},
		{"invalid points", Invalid("a.ply", Left{Absurd: 5}, 200), job.PointsInvalid, job.Warn, []string{"5 of 200", "2.5 %"}},
		{"invalid of none", Invalid("a.ply", Left{}, 0), job.PointsInvalid, job.Warn, []string{"(0 %)"}},
		{"twice", Duplicate("b.ply", "a.ply"), job.FileDuplicate, job.Warn, []string{"b.ply has the same content as a.ply"}},
	}
	for _, c := range cases {
		if c.f.Code != c.code || c.f.Severity != c.sev || !strings.Contains(c.f.Text, "To do: ") {
			t.Errorf("%s: got %+v", c.name, c.f)
		}
		for _, s := range c.says {
			if !strings.Contains(c.f.Text, s) {
				t.Errorf("%s: the text does not say %q: %s", c.name, s, c.f.Text)
			}
		}
	}
}

func TestDiagonal(t *testing.T) {
	if got := Diagonal(geom.Box{Min: geom.Vec{X: 1e7}, Max: geom.Vec{X: 1e7 + 3, Y: 4, Z: 12}}); math.Abs(got-13) > 1e-9 {
		t.Errorf("got %g, want 13", got)
	}
	if got := Diagonal(geom.EmptyBox()); got != 0 {
		t.Errorf("empty: got %g", got)
	}
}
