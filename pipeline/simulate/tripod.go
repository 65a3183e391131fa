package simulate

import (
	"context"
	"math"
	"math/rand/v2"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Tripod is a scanner that turns about its vertical axis and nods: an
// azimuth/elevation lattice from the zero point of its own frame. Angles are in
// degrees, lengths in millimetres.
type Tripod struct {
	Step               float64    // between neighbouring rays, both ways
	Azimuth, Elevation [2]float64 // first and last direction; azimuth 0 is the X axis
	MinRange, MaxRange float64
	Noise              float64 // range noise, one sigma, at zero range
	NoisePerMetre      float64 // what each metre adds to it
	Mixed              float64 // share of the rays next to a depth edge that average both sides
	Ideal              bool    // no drop-out, no mixed pixels, and noise that ignores the material
}

// NewTripod returns a scanner with the figures of the demo: 0.5 mm + 0.05 mm/m
// of range noise, 0.4 m to 25 m, a window of 140° by 90°. The ranges are usual
// ones (common practice, no source).
func NewTripod(step float64) Tripod {
	return Tripod{
		Step: step, Azimuth: [2]float64{-70, 70}, Elevation: [2]float64{-40, 50},
		MinRange: 400, MaxRange: 25000, Noise: 0.5, NoisePerMetre: 0.05, Mixed: 0.2,
	}
}

// Rays returns the size of the lattice.
func (s Tripod) Rays() (azimuths, elevations int) {
	return lattice(s.Azimuth, s.Step), lattice(s.Elevation, s.Step)
}

func lattice(span [2]float64, step float64) int {
	return int(math.Floor((span[1]-span[0])/step+1e-9)) + 1
}

// direction returns the unit vector of a lattice ray in the station frame.
func (s Tripod) direction(column, row int) geom.Vec {
	a := (s.Azimuth[0] + float64(column)*s.Step) * math.Pi / 180
	e := (s.Elevation[0] + float64(row)*s.Step) * math.Pi / 180
	return geom.Vec{X: math.Cos(e) * math.Cos(a), Y: math.Cos(e) * math.Sin(a), Z: math.Sin(e)}
}

// Scan returns what the scanner sees, in its own frame in millimetres, with
// intensities from 0 to 1, column by column and upwards in each. The same seed
// gives the same points, whatever the number of processors.
func (s Tripod) Scan(ctx context.Context, scene *Scene, stationToScene geom.Pose, seed uint64) (*scan.Cloud, error) {
	columns, _ := s.Rays()
	pieces := make([]*scan.Cloud, par.Count(columns, blockColumns))
	err := par.Blocks(ctx, columns, blockColumns, func(block, lo, hi int) error {
		w := sweep{Tripod: s, scene: scene, toScene: stationToScene, random: rand.New(rand.NewPCG(seed, uint64(block)))}
		pieces[block] = w.columns(lo, hi)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return join(pieces), nil
}

// blockColumns is how many columns one block has; each block casts one column
// more to know its neighbours, which costs a sixteenth.
const blockColumns = 16

func join(pieces []*scan.Cloud) *scan.Cloud {
	n := 0
	for _, p := range pieces {
		n += p.Len()
	}
	all := &scan.Cloud{X: make([]float32, 0, n), Y: make([]float32, 0, n), Z: make([]float32, 0, n), Intensity: make([]float32, 0, n)}
	for _, p := range pieces {
		all.X, all.Y, all.Z = append(all.X, p.X...), append(all.Y, p.Y...), append(all.Z, p.Z...)
		all.Intensity = append(all.Intensity, p.Intensity...)
	}
	return all
}

// sweep is the work of one block.
type sweep struct {
	Tripod
	scene   *Scene
	toScene geom.Pose
	random  *rand.Rand
}

func (w *sweep) columns(lo, hi int) *scan.Cloud {
	out := &scan.Cloud{}
	_, rows := w.Rays()
	now, next := make([]Hit, rows), make([]Hit, rows)
	w.cast(lo, now)
	for c := lo; c < hi; c++ {
		w.cast(c+1, next)
		for r := range now {
			if now[r].Part < 0 {
				continue
			}
			d := w.direction(c, r)
			reading, strength, ok := w.read(now[r], w.toScene.Turn(d))
			if !ok {
				continue
			}
			if other, isEdge := edge(now, next, r); isEdge && !w.Ideal && w.random.Float64() < w.Mixed {
				reading += w.random.Float64() * (other - reading)
			}
			out.Append(d.Scale(reading))
			out.Intensity = append(out.Intensity, float32(strength))
		}
		now, next = next, now
	}
	return out
}

// cast fills one column of the lattice; what is out of range counts as nothing.
func (w *sweep) cast(column int, hits []Hit) {
	for r := range hits {
		h, ok := w.scene.Cast(w.toScene.T, w.toScene.Turn(w.direction(column, r)))
		if !ok || h.Range < w.MinRange || h.Range > w.MaxRange {
			h.Part = -1
		}
		hits[r] = h
	}
}

// depthEdge is the jump in range, mm, from which a beam that touches both sides
// returns something between instead of their mean surface.
const depthEdge = 30

// edge returns the range on the other side of a depth edge next to ray r. The
// jump must exceed what the slope of the surface explains.
func edge(now, next []Hit, r int) (float64, bool) {
	for _, other := range [2]*Hit{&next[r], &now[min(r+1, len(now)-1)]} {
		if other.Part >= 0 && other.Part != now[r].Part && math.Abs(other.Range-now[r].Range) > depthEdge {
			return other.Range, true
		}
	}
	return 0, false
}

const (
	// weakest is the signal below which nothing comes back, for a matt white
	// perpendicular surface at 10 m being 1. With it, black rubber at 4 m is lost
	// beyond about 60 degrees, glossy paint likewise, and matt paint hardly ever.
	weakest = 0.03
	// translucentDepth is how far behind the surface a fully translucent body
	// reads on average, mm (common practice, no source: some millimetres).
	translucentDepth = 6
	// nearest bounds the growth of the signal towards the scanner, mm.
	nearest = 2000
)

// read turns a hit into a range reading. The received power follows the laser
// range equation, ρ·cos α/r² (Wagner 2007 as quoted in CV-12.1); gloss sharpens
// the cosine. Noise grows with the root of the power that is missing.
func (w *sweep) read(h Hit, d geom.Vec) (reading, strength float64, ok bool) {
	m := w.scene.Parts[h.Part].Material
	cos := math.Max(1e-3, -h.Normal.Dot(d))
	sigma := w.Noise + w.NoisePerMetre*h.Range/1000
	if w.Ideal {
		return h.Range + sigma*w.random.NormFloat64(), cos, true
	}
	back := m.Reflectance * math.Pow(cos, 1+6*m.Gloss)
	far := math.Max(h.Range, nearest) / 10000
	signal := back / (far * far)
	if signal < weakest*(0.5+w.random.Float64()) || w.random.Float64() < 0.3*m.Translucency {
		return 0, 0, false
	}
	sigma *= min(4, max(1, math.Sqrt(0.5/back)))
	depth := m.Translucency * translucentDepth * (0.5 + w.random.Float64())
	return h.Range + depth + sigma*w.random.NormFloat64(), back, true
}
