package mount

import (
	"flag"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/job"
)

// study runs the long simulations; update keeps what they gave.
var (
	study  = flag.Bool("study", false, "run long simulations")
	update = flag.Bool("update", false, "write what long simulations gave to testdata")
	only   = flag.String("only", "", "of the kinds of simulated holes, those with this in their names")
)

// asked is one kind of simulated hole.
type asked struct {
	name     string
	diameter float64
	lattice  bool
	wall     float64 // points per mm² on 8 mm of wall, 0 for none
	seed     uint64
	sweeps   int // further sweeps at 4 mm
}

// holeStudies: 1 mm spacing and 0.05 mm noise throughout.
var holeStudies = []asked{
	{"6 mm, rows, wall", 6, true, 0.3, 1_000_000, 0},
	{"6 mm, rows", 6, true, 0, 2_000_000, 0},
	{"13.5 mm, rows", 13.5, true, 0, 3_000_000, 0},
	{"13.5 mm, no order", 13.5, false, 0, 4_000_000, 0},
	{"13.5 mm, no order, wall", 13.5, false, 0.3, 5_000_000, 0},
	{"13.5 mm, rows, four more sweeps", 13.5, true, 0, 8_000_000, 4},
	{"30 mm, rows", 30, true, 0, 6_000_000, 0},
	{"30 mm, no order", 30, false, 0, 7_000_000, 0},
}

// tally counts what the intervals of many measurements hold.
type tally struct {
	n, found         int
	inX, inY, inDia  int
	center2, bias    float64
	dia2, sigma, eye float64
}

func (t *tally) add(r Result, at geom.Vec, diameter float64) {
	t.n++
	if !r.Found {
		return
	}
	t.found++
	turn := placed.Inverse().R
	e, s := home(r).Sub(at), turn.Congruent(r.Cov).Sigmas()
	inside := func(e, s float64) int {
		if math.Abs(e) <= sided95*s {
			return 1
		}
		return 0
	}
	t.inX += inside(e.X, s.X)
	t.inY += inside(e.Y, s.Y)
	t.inDia += inside(r.Diameter-diameter, r.SigmaDia)
	t.center2 += (e.X*e.X + e.Y*e.Y) / 2
	t.bias += r.Diameter - diameter
	t.dia2 += (r.Diameter - diameter) * (r.Diameter - diameter)
	t.sigma += r.SigmaDia
	t.eye += (s.X + s.Y) / 2
}

func (t *tally) row() string {
	n := float64(t.found)
	return fmt.Sprintf("%d of %d | %.3f (%.3f) | %+.3f | %.3f (%.3f) | %.1f, %.1f | %.1f", t.found, t.n, math.Sqrt(t.center2/n), t.eye/n,
		t.bias/n, math.Sqrt(t.dia2/n), t.sigma/n, 100*float64(t.inX)/n, 100*float64(t.inY)/n, 100*float64(t.inDia)/n)
}

func (a asked) run(n int) *tally {
	t := &tally{}
	for k := range uint64(n) {
		p := newPart(a.seed+k, 0.05)
		h := disc{2 + p.random.Float64(), -1 + p.random.Float64(), a.diameter / 2}
		p.turn = math.Pi * p.random.Float64()
		p.sight = slanting(p.random.Float64(), p.random.Float64())
		p.plate(h.r+12, a.lattice, h)
		for range a.sweeps {
			p.coarse(h.r+12, 4, h)
		}
		if a.wall > 0 {
			p.tubeOf(h, -8, 0, -1, a.wall)
		}
		t.add(Measure(wanted(job.Hole, a.diameter, 10, 0, 0), []Seen{p.seen("hand")}), geom.Vec{X: h.x, Y: h.y}, a.diameter)
	}
	return t
}

// slanting is a direction of sight up to 35 degrees off the face's normal.
func slanting(a, b float64) geom.Vec {
	tilt, around := 35*math.Pi/180*a, 2*math.Pi*b
	return geom.Vec{X: math.Sin(tilt) * math.Cos(around), Y: math.Sin(tilt) * math.Sin(around), Z: math.Cos(tilt)}
}

const studyHead = `# Simulated holes

Written by ` + "`go test ./pipeline/mount -run TestHoleStudy -study -update -timeout 60m`" + `. Points about 1 mm apart, 0.05 mm of noise along a line of sight up to
35 degrees off the face's normal, points in rows of any direction or without order; seeds count up from the one given. In brackets the mean of the standard uncertainties that were reported.

| hole | found | centre rms, one direction (mm) | diameter bias (mm) | diameter rms (mm) | 95 % intervals of the centre hold it, u and v (%) | of the diameter (%) | seed |
| --- | --- | --- | --- | --- | --- | --- | --- |
`

// TestHoleStudy measures 1,000 holes of each kind. Binomial scatter of a share of
// 95 % in 1,000 is 0.7 %.
func TestHoleStudy(t *testing.T) {
	n := 1000
	if !*study {
		n = 8
	}
	var table strings.Builder
	table.WriteString(studyHead)
	for _, a := range holeStudies {
		if *only != "" && !strings.Contains(a.name, *only) || testing.Short() && a.diameter != 13.5 {
			continue
		}
		got := a.run(n)
		fmt.Fprintf(&table, "| %s | %s | %d |\n", a.name, got.row(), a.seed)
		f := float64(got.found)
		slack := 3 * math.Sqrt(0.05*0.95/f)
		if got.found < n || math.Abs(got.bias/f) > 0.03+3*math.Sqrt(got.dia2)/f {
			t.Errorf("%s: %s", a.name, got.row())
		}
		for _, in := range []int{got.inX, got.inY, got.inDia} {
			if share := float64(in) / f; share < 0.95-slack {
				t.Errorf("%s: an interval of 95 %% holds %.1f %%: %s", a.name, 100*share, got.row())
			}
		}
	}
	t.Log("\n" + table.String())
	if *study && *update {
		if err := os.WriteFile("testdata/study.md", []byte(table.String()), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// coarse adds the points of a further sweep of the plate, in rows of their own.
func (p *part) coarse(half, spacing float64, holes ...disc) {
	sin, cos := math.Sincos(math.Pi * p.random.Float64())
	u0, v0 := p.random.Float64(), p.random.Float64()
	n := int(1.5*half/spacing) + 1
	for i := -n; i <= n; i++ {
		for j := -n; j <= n; j++ {
			u, v := (float64(i)+u0)*spacing, (float64(j)+v0)*spacing
			x, y := u*cos-v*sin, u*sin+v*cos
			inHole := false
			for _, h := range holes {
				inHole = inHole || math.Hypot(x-h.x, y-h.y) < h.r
			}
			if !inHole && math.Abs(x) <= half && math.Abs(y) <= half {
				p.add(geom.Vec{X: x, Y: y}, geom.Vec{Z: 1})
			}
		}
	}
}
