package fuse

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// rims is a plate at z = 0 with round holes, of which the mesh is to show where it ends.
type rims struct {
	half  float64 // of the square's side, mm
	holes []disc
	pose  geom.Pose // plate → common frame
}

type disc struct{ x, y, r float64 }

// has reports whether there is plate at x, y.
func (p *rims) has(x, y float64) bool {
	for _, h := range p.holes {
		if math.Hypot(x-h.x, y-h.y) < h.r {
			return false
		}
	}
	return max(math.Abs(x), math.Abs(y)) < p.half
}

// beam is how a view looks at the plate: parallel lines of sight.
type beam struct {
	tilt, turn float64 // of the lines against the plate's normal, and around it, radians
	step       float64 // between the lines, mm
	noise      float64 // along them, mm
	jitter     float64 // of the lines, as a share of the step
	seed       uint64
}

// view returns what a beam sees of the plate.
func (p *rims) view(b beam) View {
	r := rand.New(rand.NewPCG(b.seed, 77))
	to := geom.Vec{X: math.Sin(b.tilt) * math.Cos(b.turn), Y: math.Sin(b.tilt) * math.Sin(b.turn), Z: math.Cos(b.tilt)}
	spin := r.Float64() * math.Pi
	e := to.Perpendicular().Unit()
	u := e.Scale(math.Cos(spin)).AddScaled(math.Sin(spin), to.Cross(e))
	w := to.Cross(u)
	v := View{Cloud: &scan.Cloud{Origin: p.pose.T}, ToCommon: geom.IdentityPose()}
	shift := geom.Vec{X: r.Float64(), Y: r.Float64()}
	n := int(1.5 * p.half / b.step)
	for i := -n; i <= n; i++ {
		for j := -n; j <= n; j++ {
			s := b.step * (float64(i) + shift.X + b.jitter*(r.Float64()-0.5))
			t := b.step * (float64(j) + shift.Y + b.jitter*(r.Float64()-0.5))
			a := u.Scale(s).AddScaled(t, w)
			a = a.AddScaled(-a.Z/to.Z, to)
			if !p.has(a.X, a.Y) {
				continue
			}
			q := p.pose.Apply(a.AddScaled(b.noise*r.NormFloat64(), to))
			m := p.pose.R.MulVec(geom.Vec{X: 0.03 * r.NormFloat64(), Y: 0.03 * r.NormFloat64(), Z: 1}.Unit())
			v.Cloud.Append(q)
			v.Cloud.NX, v.Cloud.NY, v.Cloud.NZ = append(v.Cloud.NX, float32(m.X)), append(v.Cloud.NY, float32(m.Y)), append(v.Cloud.NZ, float32(m.Z))
			v.Weight, v.Area = append(v.Weight, float32(to.Z*to.Z)), append(v.Area, float32(b.step*b.step/to.Z))
		}
	}
	return v
}

// borderFit is how far the border of a mesh lies beyond the true rim, in cells, weighed by length.
type borderFit struct{ length, sum, squares float64 }

func (s *borderFit) mean() float64 { return s.sum / s.length }
func (s *borderFit) sd() float64   { return math.Sqrt(s.squares/s.length - s.mean()*s.mean()) }

// measure sets the border of a mesh against the rims: of each hole, and of the square.
func (p *rims) measure(m *scan.Mesh, cell float64) []borderFit {
	out := make([]borderFit, len(p.holes)+1)
	back := p.pose.Inverse()
	used := map[[2]int32]bool{}
	for c, v := range m.Tri {
		used[[2]int32{v, m.Tri[c-c%3+(c+1)%3]}] = true
	}
	for c, v := range m.Tri {
		w := m.Tri[c-c%3+(c+1)%3]
		if used[[2]int32{w, v}] {
			continue
		}
		a, b := back.Apply(m.At(v)), back.Apply(m.At(w))
		for k := range 4 {
			q := a.AddScaled((float64(k)+0.5)/4, b.Sub(a))
			if at, d := p.beyond(q.X, q.Y, cell); at >= 0 {
				l := a.Dist(b) / 4
				out[at].length, out[at].sum, out[at].squares = out[at].length+l, out[at].sum+l*d/cell, out[at].squares+l*d*d/(cell*cell)
			}
		}
	}
	return out
}

// beyond returns the rim that is next to a place of the plate, and how far beyond it the place
// lies, mm; -1 near the corners, which are no rims.
func (p *rims) beyond(x, y, cell float64) (rim int, d float64) {
	for i, h := range p.holes {
		if far := math.Hypot(x-h.x, y-h.y) - h.r; far < 4*cell {
			return i, -far
		}
	}
	if min(math.Abs(x), math.Abs(y)) > p.half-5*cell {
		return -1, 0
	}
	return len(p.holes), max(math.Abs(x), math.Abs(y)) - p.half
}

// length returns that of a rim.
func (p *rims) length(rim int, cell float64) float64 {
	if rim < len(p.holes) {
		return 2 * math.Pi * p.holes[rim].r
	}
	return 8 * (p.half - 5*cell)
}

func (p *rims) area() float64 {
	a := 4 * p.half * p.half
	for _, h := range p.holes {
		a -= math.Pi * h.r * h.r
	}
	return a
}

// plateWithHoles has holes of 3, 4, 6 and 10 cells.
func plateWithHoles(cell float64) rims {
	p := rims{half: 25 * cell, pose: geom.Pose{R: askew, T: geom.Vec{X: 500.3, Y: -200.1, Z: 77}}}
	for i, d := range []float64{3, 4, 6, 10} {
		p.holes = append(p.holes, disc{cell * (16.8*float64(i%2) - 8.4), cell * (16.8*float64(i/2) - 8.4), d / 2 * cell})
	}
	return p
}

// see fuses what beams see, whose steps are in cells.
func (p *rims) see(t *testing.T, cell, noise float64, beams []beam) *scan.Mesh {
	t.Helper()
	var views []View
	for k, b := range beams {
		b.step *= cell
		b.noise, b.seed = noise, b.seed+uint64(k)
		views = append(views, p.view(b))
	}
	m, _ := mustFuse(t, Options{Voxel: cell}, views...)
	checkManifold(t, m)
	return m
}

func around4(step float64) []beam {
	return []beam{{step: step}, {step: step, tilt: 0.87}, {step: step, tilt: 0.87, turn: 2}, {step: step, tilt: 0.87, turn: 4}}
}

// TestRims: the surface ends at the rim, within a quarter of a cell on average, around holes
// of three cells and more as well as along a straight edge, for one view and for four, and the
// border is smooth where points are dense. Points a cell apart leave the place of a rim open by as
// much as that: there the mean of all rims counts.
func TestRims(t *testing.T) {
	for _, c := range []struct {
		name              string
		beams             []beam
		off, all, scatter float64 // of each rim and of all, cells
	}{
		{"dense", []beam{{step: 0.25}}, 0.25, 0.06, 0.2},
		{"half a cell", []beam{{step: 0.5}}, 0.25, 0.06, 0.2},
		{"one cell", []beam{{step: 1}}, 0.25, 0.1, 0.35},
		{"one cell, uneven", []beam{{step: 1, jitter: 1}}, 0.25, 0.1, 0.5},
		{"tilted by 50 degrees", []beam{{step: 0.5, tilt: 0.87}}, 0.25, 0.05, 0.25},
		{"tilted by 70 degrees", []beam{{step: 0.5, tilt: 1.22}}, 0.35, 0.1, 0.4},
		{"four views", around4(0.5), 0.25, 0.1, 0.25},
		{"four views of one cell", around4(1), 0.3, 0.2, 0.35},
	} {
		for _, cell := range []float64{2, 3, 4} {
			for _, noise := range []float64{0.3, 1} {
				if noise > cell/2.5 && len(c.beams) == 1 {
					continue
				}
				p := plateWithHoles(cell)
				m := p.see(t, cell, noise, c.beams)
				name := fmt.Sprintf("%s, cell %v, noise %v", c.name, cell, noise)
				if err := checkFans(m); err != nil && noise < 0.15*cell {
					t.Errorf("%s: %v", name, err)
				}
				var all, length float64
				for i, s := range p.measure(m, cell) {
					rim := p.length(i, cell)
					all, length = all+rim*s.mean(), length+rim
					if !(math.Abs(s.mean()) <= c.off && s.sd() <= c.scatter) {
						t.Errorf("%s: rim %d: %+.2f ± %.2f cells beyond", name, i, s.mean(), s.sd())
					}
					if long := s.length / rim; c.scatter < 0.3 && !(math.Abs(long-1) < 0.15) {
						t.Errorf("%s: rim %d: the border is %.2f times as long as the rim", name, i, long)
					}
				}
				within(t, name+": all rims", all/length, 0, c.all)
				if worst := p.turned(m); noise < 0.15*cell && worst > 1e-3 {
					t.Errorf("%s: a triangle of %.2g mm² is turned over", name, worst)
				}
			}
		}
	}
}

// turned returns the area of the largest triangle that faces down.
func (p *rims) turned(m *scan.Mesh) (worst float64) {
	up := p.pose.R.Col(2)
	for k := range m.Triangles() {
		worst = max(worst, -areaOf(m, m.Tri[3*k], m.Tri[3*k+1], m.Tri[3*k+2]).Dot(up))
	}
	return worst
}

// TestCoarseScansKeepSurface: where points lie two or three cells apart or are seen flatly, as much
// surface is there as there is plate. Where they are even it is whole.
func TestCoarseScansKeepSurface(t *testing.T) {
	for _, c := range []struct {
		name   string
		beam   beam
		off    float64 // of the area, as a share
		isEven bool
	}{
		{"two cells", beam{step: 2}, 0.02, true},
		{"two cells, uneven", beam{step: 2, jitter: 1}, 0.035, false},
		{"three cells", beam{step: 3}, 0.02, true},
		{"three cells, uneven", beam{step: 3, jitter: 1}, 0.045, false},
		{"one cell, seen at 74 degrees", beam{step: 1, tilt: 1.3}, 0.025, false},
	} {
		for seed := range uint64(4) {
			p := plateWithHoles(3)
			p.holes = nil
			c.beam.seed = 10 * seed
			m := p.see(t, 3, 0.3, []beam{c.beam})
			within(t, c.name+": share of the area", m.Area()/p.area(), 1, c.off)
			if f := factsOf(m); c.isEven && f.euler() != 1 {
				t.Errorf("%s: Euler characteristic %d of a disc, want 1", c.name, f.euler())
			}
		}
	}
}
