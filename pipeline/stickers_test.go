package pipeline

import (
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"trammel/pipeline/disk"
	"trammel/pipeline/format"
	"trammel/pipeline/geom"
	"trammel/pipeline/job"
	"trammel/pipeline/length"
	"trammel/pipeline/scan"
)

// bench is a skin of 240 by 60 mm, bent to a radius of 600 mm, with five targets; the
// sheets of two hand scans, one made before the targets were put on, say what becomes of
// each.
var benchDiscs = []struct {
	x      float64
	early  func(x, y float64) (rise float64, seen bool) // about the disc's middle
	reason string                                       // empty for one that is replaced
}{
	{24, func(_, _ float64) (float64, bool) { return 0, true }, ""},
	{72, func(_, _ float64) (float64, bool) { return 0, false }, "no other instrument saw the place"},
	{120, func(x, y float64) (float64, bool) { return onDisc(x, y), true }, "shows it as well"},
	{168, func(x, y float64) (float64, bool) { return 0, math.Hypot(x, y) > 3 }, "early saw the place too sparsely"},
	{216, func(_, _ float64) (float64, bool) { return 0.4, true }, "early saw bare skin, but too far off the skin around"},
}

const benchHeight = 0.25

func onDisc(x, y float64) float64 {
	if math.Hypot(x, y) < 4 {
		return benchHeight
	}
	return 0
}

// rise says what lies on the skin at a place, and whether it was seen.
type rise func(x, y float64) (height float64, seen bool)

// benchScan is a mesh of the skin, deep mm in Y, with what lies on it.
func benchScan(seed uint64, deep, noise float64, rise rise) *scan.Mesh {
	random := rand.New(rand.NewPCG(seed, 5))
	const bend = 600
	spacing := 0.9 - 0.03*float64(seed) // two scans never meet the same points
	nx, ny := int(240/spacing), int(deep/spacing)
	m := &scan.Mesh{}
	at := make([]int32, nx*ny)
	for i := range nx {
		for j := range ny {
			x, y := spacing*(float64(i)+0.3*random.Float64()), spacing*(float64(j)+0.3*random.Float64())
			h, ok := rise(x, y)
			h += noise * random.NormFloat64()
			if at[i*ny+j] = -1; ok {
				sin, cos := math.Sincos((y - deep/2) / bend)
				at[i*ny+j] = m.Append(geom.Vec{X: x, Y: (bend + h) * sin, Z: (bend+h)*cos - bend})
			}
		}
	}
	for i := range nx - 1 {
		for j := range ny - 1 {
			a, b, c, d := at[i*ny+j], at[(i+1)*ny+j], at[(i+1)*ny+j+1], at[i*ny+j+1]
			if a >= 0 && b >= 0 && c >= 0 && d >= 0 {
				m.Tri = append(m.Tri, a, b, c, a, c, d)
			}
		}
	}
	return m
}

func disc(x float64) int { return min(len(benchDiscs)-1, int(x/48)) }

// benchJob writes the two scans and a sheet.
func benchJob(t testing.TB, deep float64, early, late rise) (dir string, sheet *job.Sheet) {
	t.Helper()
	dir = t.TempDir()
	d := disk.New(nil)
	for name, m := range map[string]*scan.Mesh{"early": benchScan(2, deep, 0.04, early), "late": benchScan(1, deep, 0.04, late)} {
		folder := filepath.Join(dir, "scans", name)
		if err := d.Mkdir(folder); err != nil {
			t.Fatal(err)
		}
		if err := d.Write(filepath.Join(folder, "skin.ply"), func(w io.Writer) error {
			return format.WritePLYMesh(w, m, format.WriteOptions{Units: length.Millimetre})
		}); err != nil {
			t.Fatal(err)
		}
	}
	text := `job: BENCH-1
units: mm
captured: true
instruments:
  - {name: early, kind: tracked, drop: scans/early, units: mm, register: given, noise: 0.05 mm}
  - {name: late, kind: tracked, drop: scans/late, units: mm, register: given, prefer: true, noise: 0.05 mm}
targets: [8 mm]
mesh: {voxel: 1.5 mm, triangles: 200000, deviation: 0.5 mm}
`
	path := filepath.Join(dir, job.SheetName)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	sheet, _, err := job.ReadSheet(path)
	if err != nil {
		t.Fatal(err)
	}
	return dir, sheet
}

func TestStickersGiveWayToBareSkinAlone(t *testing.T) {
	dir, sheet := benchJob(t, 60, func(x, y float64) (float64, bool) {
		d := benchDiscs[disc(x)]
		return d.early(x-d.x, y-30)
	}, func(x, y float64) (float64, bool) { return onDisc(x-benchDiscs[disc(x)].x, y-30), true })
	b, err := Build(t.Context(), dir, sheet, Options{Now: time.Unix(0, 0)})
	if err != nil {
		t.Fatal(err)
	}
	if len(b.Stickers) != len(benchDiscs) {
		t.Fatalf("%d stickers, want %d: %+v", len(b.Stickers), len(benchDiscs), b.Findings)
	}
	for i := range b.Stickers {
		s := &b.Stickers[i]
		want := benchDiscs[disc(s.Center.X)].reason
		t.Logf("at %.0f mm: %s, answer %v, height %.3f ± %.3f, offset %.3f, mesh %.3f", s.Center.X, b.Why(s), s.Said.Answer, s.Said.Height, s.Said.Sigma, s.Said.Offset, s.Mesh)
		if got := b.Why(s); !strings.HasSuffix(got, want) || (got == "") != (want == "") || s.Replaced() != (want == "") {
			t.Errorf("at %.0f mm: %q, replaced %v, want %q", s.Center.X, got, s.Replaced(), want)
		}
		if rest := math.Abs(s.Mesh); (want == "") != (rest < 0.05) {
			t.Errorf("at %.0f mm the mesh rises by %.3f mm", s.Center.X, rest)
		}
	}
	c := b.CloseUp
	if c == nil || !b.Stickers[c.Sticker].Replaced() || len(c.Before) < 100 || len(c.After) != Raster*Raster {
		t.Errorf("the close-up: %+v", c)
	}
	var text string
	for _, f := range b.Findings {
		if f.Code == job.Stickers {
			text = f.Text
		}
	}
	if !strings.Contains(text, "1 were replaced by bare skin that another instrument saw, 4 are left") {
		t.Errorf("the finding: %q", text)
	}
}

// Two strips of tape: the one was not there when the first scan was made, the other was.
func TestTapeGivesWayToBareSkinAlone(t *testing.T) {
	const width, length, thick = 18, 70, 0.2
	on := func(x, y, middle float64) float64 {
		dx, dy := x-middle, y-50
		if a := 0.96*dx + 0.28*dy; math.Abs(a) < length/2 && math.Abs(0.96*dy-0.28*dx) < width/2 {
			return thick
		}
		return 0
	}
	dir, sheet := benchJob(t, 100,
		func(x, y float64) (float64, bool) { return on(x, y, 180), true },
		func(x, y float64) (float64, bool) { return on(x, y, 60) + on(x, y, 180), true })
	b, err := Build(t.Context(), dir, sheet, Options{Now: time.Unix(0, 0)})
	if err != nil {
		t.Fatal(err)
	}
	if len(b.Stickers) != 2 {
		t.Fatalf("%d stickers: %+v", len(b.Stickers), b.Findings)
	}
	for i := range b.Stickers {
		s := &b.Stickers[i]
		isFirst := s.Center.X < 120
		t.Logf("at %.0f mm: %.0f by %.1f by %.3f mm, replaced %v (%s), mesh %.3f", s.Center.X, s.Tape.Length, s.Tape.Width, s.Height, s.Replaced(), b.Why(s), s.Mesh)
		if s.Tape == nil || math.Abs(s.Tape.Length-length) > 6 || math.Abs(s.Tape.Width-width) > 2 || math.Abs(s.Height-thick) > 0.02 {
			t.Errorf("at %.0f mm: %+v", s.Center.X, s.Tape)
		}
		if s.Replaced() != isFirst || math.Abs(s.Mesh) < 0.05 != isFirst {
			t.Errorf("at %.0f mm: replaced %v, mesh %.3f mm", s.Center.X, s.Replaced(), s.Mesh)
		}
	}
	text := b.Findings[0].Text
	if !strings.Contains(text, "2 stickers were found on the skin of tracked scans (2 strips of tape)") {
		t.Errorf("the finding: %q", text)
	}
}

// A check says what hand scans saw, each alone and together, as a build does.
func TestCheckJudgesHandScans(t *testing.T) {
	dir, sheet := benchJob(t, 60, func(x, _ float64) (float64, bool) { return 0, x < 120 }, func(x, _ float64) (float64, bool) { return 0, x > 60 })
	region := func(name string, from, to float64) job.Region {
		return job.Region{Name: name, Box: geom.Box{Min: geom.Vec{X: from, Y: -25, Z: -5}, Max: geom.Vec{X: to, Y: 25, Z: 5}}, Spacing: 2, Share: 0.9}
	}
	sheet.Coverage = []job.Region{region("first", 5, 55), region("both", 65, 115), region("beyond", 250, 300)}
	c, err := Check(t.Context(), dir, sheet, Options{Now: time.Unix(0, 0)})
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Coverage) != 3 || c.Whole == nil || len(c.Whole.By) != 2 || c.Whole.Squint.Known != 0 {
		t.Fatalf("%+v, %+v", c.Coverage, c.Whole)
	}
	for i, want := range []struct {
		seen float64
		by   int
	}{{1, 1}, {1, 2}, {0, 0}} {
		if got := c.Coverage[i]; math.Abs(got.Seen-want.seen) > 0.02 || len(got.By) != want.by {
			t.Errorf("%s: %+v", got.Name, got)
		}
	}
	held := 0
	for _, f := range c.Findings {
		if f.Code == job.RegionUncovered && f.Severity == job.Hold && f.Subject == "beyond" {
			held++
		}
	}
	if held != 1 {
		t.Errorf("nothing was seen beyond, and the findings are %+v", c.Findings)
	}
	b, err := Build(t.Context(), dir, sheet, Options{Now: time.Unix(0, 0)})
	if err != nil {
		t.Fatal(err)
	}
	for i := range c.Coverage {
		if c.Coverage[i].Seen != b.Coverage[i].Seen || c.Coverage[i].Spacing != b.Coverage[i].Spacing {
			t.Errorf("check: %+v, build: %+v", c.Coverage[i], b.Coverage[i])
		}
	}
}
