package simulate

import (
	"context"
	"math"
	"math/rand/v2"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Hand is a tracked hand scanner: its window is swept over a part of the scene
// and gives a triangle mesh with a border.
type Hand struct {
	Noise     float64    // along the line of sight, one sigma, mm
	Working   [2]float64 // accepted heights (Z in the scene frame) of what it saw, mm
	LeastCos  float64    // cosine of the steepest incidence that still gives data
	LongestUp float64    // longest accepted triangle side, in spacings
}

// NewHand returns a scanner with 0.05 mm of noise, a usual figure for close
// range (common practice, no source), that keeps what lies between the heights.
func NewHand(low, high float64) Hand {
	return Hand{Noise: 0.05, Working: [2]float64{low, high}, LeastCos: 0.15, LongestUp: 4}
}

// Sweep is one pass of the window: parallel lines of sight in a square lattice.
type Sweep struct {
	Direction geom.Vec   // of sight, scene frame
	Area      geom.Box   // of the surface to be swept, scene frame
	Spacing   float64    // mm
	Skip      []geom.Box // parts of the area that another sweep does better
}

// Scan returns the mesh of all sweeps in the scanner's frame. Each sweep is a
// sheet of its own, as a scanner delivers them before its makers join them.
func (h Hand) Scan(ctx context.Context, scene *Scene, handToScene geom.Pose, sweeps []Sweep, seed uint64) (*scan.Mesh, error) {
	m := &scan.Mesh{}
	back := handToScene.Inverse()
	for i, s := range sweeps {
		g := newRaster(s)
		if err := g.fill(ctx, h, scene, seed+uint64(i)<<32); err != nil {
			return nil, err
		}
		g.append(m, h, back)
	}
	return m, nil
}

// raster is the lattice of one sweep: points by row and column, NaN for none.
type raster struct {
	Sweep
	u, v, corner geom.Vec
	columns      int
	rows         int
	points       []geom.Vec
	seen         []bool
}

// standoff is how far in front of the area the rays start, mm.
const standoff = 1000

func newRaster(s Sweep) *raster {
	g := &raster{Sweep: s}
	g.Direction = s.Direction.Unit()
	g.u = geom.Vec{X: 1}
	if math.Abs(g.Direction.X) > 1e-9 {
		g.u = geom.Vec{Y: 1}
	}
	g.v = g.Direction.Cross(g.u).Unit()
	lo, hi := geom.EmptyBox().Min, geom.EmptyBox().Max
	for _, c := range s.Area.Corners() {
		p := geom.Vec{X: c.Dot(g.u), Y: c.Dot(g.v), Z: c.Dot(g.Direction)}
		lo, hi = lo.Min(p), hi.Max(p)
	}
	g.columns = int((hi.X-lo.X)/s.Spacing) + 1
	g.rows = int((hi.Y-lo.Y)/s.Spacing) + 1
	g.corner = g.u.Scale(lo.X).Add(g.v.Scale(lo.Y)).Add(g.Direction.Scale(lo.Z - standoff))
	g.points, g.seen = make([]geom.Vec, g.columns*g.rows), make([]bool, g.columns*g.rows)
	return g
}

// blockRows is how many rows of a raster one block casts.
const blockRows = 32

func (g *raster) fill(ctx context.Context, h Hand, scene *Scene, seed uint64) error {
	return par.Blocks(ctx, g.rows, blockRows, func(block, lo, hi int) error {
		random := rand.New(rand.NewPCG(seed, uint64(block)))
		for r := lo; r < hi; r++ {
			for c := range g.columns {
				i := r*g.columns + c
				g.points[i], g.seen[i] = g.look(h, scene, c, r, random)
			}
		}
		return nil
	})
}

func (g *raster) look(h Hand, scene *Scene, c, r int, random *rand.Rand) (geom.Vec, bool) {
	o := g.corner.AddScaled(float64(c)*g.Spacing, g.u).AddScaled(float64(r)*g.Spacing, g.v)
	hit, ok := scene.Cast(o, g.Direction)
	if !ok || -hit.Normal.Dot(g.Direction) < h.LeastCos {
		return geom.Vec{}, false
	}
	p := o.AddScaled(hit.Range, g.Direction)
	if p.Z < h.Working[0] || p.Z > h.Working[1] || !g.Area.Contains(p) || g.isSkipped(p) {
		return geom.Vec{}, false
	}
	if scene.Parts[hit.Part].Material.Translucency > 0.5 {
		return geom.Vec{}, false
	}
	return p.AddScaled(h.Noise*random.NormFloat64(), g.Direction), true
}

func (g *raster) isSkipped(p geom.Vec) bool {
	for _, b := range g.Skip {
		if b.Contains(p) {
			return true
		}
	}
	return false
}

// append joins neighbours to triangles that face the scanner, except across
// jumps in depth, and adds the points that are in one.
func (g *raster) append(m *scan.Mesh, h Hand, sceneToHand geom.Pose) {
	number := make([]int32, len(g.points))
	vertex := func(i int) int32 {
		if number[i] == 0 {
			number[i] = m.Append(sceneToHand.Apply(g.points[i])) + 1
		}
		return number[i] - 1
	}
	longest := h.LongestUp * g.Spacing
	for r := range g.rows - 1 {
		for c := range g.columns - 1 {
			i := r*g.columns + c
			a, b, d, e := i, i+1, i+g.columns, i+g.columns+1
			for _, t := range [2][3]int{{a, d, b}, {b, d, e}} {
				if g.isTriangle(t, longest) {
					m.Tri = append(m.Tri, vertex(t[0]), vertex(t[1]), vertex(t[2]))
				}
			}
		}
	}
}

func (g *raster) isTriangle(t [3]int, longest float64) bool {
	if !g.seen[t[0]] || !g.seen[t[1]] || !g.seen[t[2]] {
		return false
	}
	a, b, c := g.points[t[0]], g.points[t[1]], g.points[t[2]]
	return a.Dist(b) < longest && b.Dist(c) < longest && c.Dist(a) < longest
}
