package surface

import (
	"math"
	"math/rand/v2"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
	"trammel/pipeline/simulate"
)

// thing is a simulated object: some 1 m wide around the zero point.
type thing struct {
	kind  string
	scene *simulate.Scene
	// The quarter turns of these kinds are symmetries of the body; part 1, if there is one, breaks
	// them, but only for scans that show it.
	symmetric bool
}

func anywhere(r *rand.Rand, size float64) geom.Vec {
	return geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}.Scale(size)
}

func anyTurn(r *rand.Rand) geom.Mat {
	q := geom.Quat{W: r.NormFloat64(), X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}
	return q.Mat()
}

// machine is a box with boxes, pipes and balls on it.
func machine(r *rand.Rand) thing {
	half := geom.Vec{X: 350 + 100*r.Float64(), Y: 200 + 100*r.Float64(), Z: 100 + 100*r.Float64()}
	parts := []simulate.Part{simulate.At("body", simulate.Box{Half: half}, geom.Vec{}, simulate.Material{})}
	for range 6 + r.IntN(5) {
		parts = append(parts, attachment(r, half))
	}
	return thing{kind: "machine", scene: simulate.NewScene(parts...)}
}

// attachment stands somewhere on one of the faces of the body.
func attachment(r *rand.Rand, half geom.Vec) simulate.Part {
	size := 60 + 120*r.Float64()
	var s simulate.Shape
	switch r.IntN(3) {
	case 0:
		s = simulate.Box{Half: geom.Vec{X: size, Y: size * (0.4 + r.Float64()), Z: size * (0.4 + r.Float64())}}
	case 1:
		s = simulate.Cylinder{Radius: size * 0.6, Length: size * (2 + 3*r.Float64())}
	default:
		s = simulate.Sphere{Radius: size}
	}
	h := half.Array()
	p := [3]float64{h[0] * (2*r.Float64() - 1), h[1] * (2*r.Float64() - 1), h[2] * (2*r.Float64() - 1)}
	side := r.IntN(3)
	p[side] = math.Copysign(h[side], p[side])
	return simulate.Along("", s, geom.FromArray(p), anywhere(r, 1), simulate.Material{})
}

// blob is a heap of ellipsoids: no edge, no plane.
func blob(r *rand.Rand) thing {
	var parts []simulate.Part
	for range 5 + r.IntN(4) {
		half := geom.Vec{X: 120 + 200*r.Float64(), Y: 120 + 200*r.Float64(), Z: 120 + 200*r.Float64()}
		parts = append(parts, simulate.Along("", simulate.Ellipsoid{Half: half}, anywhere(r, 170), anywhere(r, 1), simulate.Material{}))
	}
	return thing{kind: "blob", scene: simulate.NewScene(parts...)}
}

// hull is an ellipsoid with a fin: nearly the same from both ends.
func hull(r *rand.Rand) thing {
	fin := simulate.Box{Half: geom.Vec{X: 60 + 60*r.Float64(), Y: 12, Z: 60}}
	return thing{kind: "hull", symmetric: true, scene: simulate.NewScene(
		simulate.At("", simulate.Ellipsoid{Half: geom.Vec{X: 600, Y: 200, Z: 150}}, geom.Vec{}, simulate.Material{}),
		simulate.At("", fin, geom.Vec{X: 250 + 100*r.Float64(), Z: 150}, simulate.Material{}))}
}

// drum is a cylinder with a small box on its side.
func drum(r *rand.Rand) thing {
	return thing{kind: "drum", symmetric: true, scene: simulate.NewScene(
		simulate.At("", simulate.Cylinder{Radius: 300, Length: 800}, geom.Vec{}, simulate.Material{}),
		simulate.At("", simulate.Box{Half: geom.Vec{X: 50, Y: 50, Z: 50}}, geom.Vec{X: 300, Z: 300 * (r.Float64() - 0.5)}, simulate.Material{}))}
}

// crate is a plain box.
func crate(r *rand.Rand) thing {
	return thing{kind: "crate", symmetric: true, scene: simulate.NewScene(simulate.At("", simulate.Box{Half: geom.Vec{X: 400, Y: 250 + 50*r.Float64(), Z: 150}}, geom.Vec{}, simulate.Material{}))}
}

// viewing says how a thing is scanned.
type viewing struct {
	spacing, noise, tilt float64
}

// look scans the thing along a direction with parallel lines of sight.
func (v viewing) look(r *rand.Rand, t thing, direction geom.Vec) *scan.Cloud {
	c, _ := v.count(r, t, direction)
	return c
}

// count is look, and tells how many points lie on part 1.
func (v viewing) count(r *rand.Rand, t thing, direction geom.Vec) (c *scan.Cloud, onPart int) {
	const half = 900.0
	d := direction.Unit()
	a := d.Perpendicular()
	b := d.Cross(a)
	c = &scan.Cloud{}
	for x := -half; x < half; x += v.spacing {
		for y := -half; y < half; y += v.spacing {
			o := a.Scale(x+v.spacing*(r.Float64()-0.5)).AddScaled(y+v.spacing*(r.Float64()-0.5), b).AddScaled(-3000, d)
			hit, ok := t.scene.Cast(o, d)
			if !ok || -hit.Normal.Dot(d) < 0.2 {
				continue
			}
			if hit.Part == 1 {
				onPart++
			}
			c.Append(o.AddScaled(hit.Range+v.noise*r.NormFloat64(), d))
			n := hit.Normal.Add(anywhere(r, v.tilt)).Unit()
			c.NX, c.NY, c.NZ = append(c.NX, float32(n.X)), append(c.NY, float32(n.Y)), append(c.NZ, float32(n.Z))
		}
	}
	return c, onPart
}

// around scans the thing from so many sides into one cloud.
func (v viewing) around(r *rand.Rand, t thing, views int) *scan.Cloud {
	var parts []*scan.Cloud
	v.spacing *= math.Sqrt(float64(views) / 2)
	turn := anyTurn(r)
	for k := range views {
		z := 1 - (2*float64(k)+1)/float64(views) // Fibonacci's lattice on the sphere
		phi := float64(k) * math.Pi * (3 - math.Sqrt(5))
		s := math.Sqrt(1 - z*z)
		parts = append(parts, v.look(r, t, turn.MulVec(geom.Vec{X: s * math.Cos(phi), Y: s * math.Sin(phi), Z: z})))
	}
	return scan.Join(parts)
}

// shared returns the share of a's places that lie on b, in one frame.
func shared(a, b *scan.Cloud, spacing float64) float64 {
	c := newComparison(Thin(a, 3*spacing), Thin(b, 3*spacing), 3*spacing)
	e := c.examine(geom.IdentityPose())
	return e.SourceMeets
}

// scanPair is two scans of one thing, each in a frame of its own.
type scanPair struct {
	kind           string
	source, target *scan.Cloud
	sourceToTarget geom.Pose   // truth
	overlap        float64     // of the smaller
	symmetries     []geom.Pose // source frame: motions that none of the two scans can tell from none
	sights         LocateOptions
}

// newPair scans a thing twice: two single views, or a view against a scan from all sides.
func newPair(seed uint64, t thing, v viewing, whole bool, apartRad float64) scanPair {
	r := rand.New(rand.NewPCG(seed, 77))
	d := anywhere(r, 1).Unit()
	e := geom.RotVec(d.Perpendicular().Scale(apartRad)).MulVec(d)
	p := scanPair{kind: t.kind}
	a, shownA := v.count(r, t, d)
	b, shownB := v.count(r, t, e)
	if whole {
		b, shownB = v.around(r, t, 8), len(t.scene.Parts)*1000
	}
	p.overlap = math.Max(shared(a, b, v.spacing), shared(b, a, v.spacing))
	ta, tb := geom.Pose{R: anyTurn(r), T: anywhere(r, 3000)}, geom.Pose{R: anyTurn(r), T: anywhere(r, 3000)}
	p.source, p.target, p.sourceToTarget = a.Moved(ta), b.Moved(tb), tb.After(ta.Inverse())
	p.symmetries = []geom.Pose{geom.IdentityPose()}
	if t.symmetric && (len(t.scene.Parts) == 1 || min(shownA, shownB) < seenPoints) {
		for _, axis := range []geom.Vec{{X: math.Pi}, {Y: math.Pi}, {Z: math.Pi}} {
			turn := geom.Pose{R: geom.RotVec(axis)}
			p.symmetries = append(p.symmetries, ta.After(turn).After(ta.Inverse()))
		}
	}
	p.sights.SourceSight = Sight{Known: true, Parallel: true, Vec: ta.Turn(d)}
	if !whole {
		p.sights.TargetSight = Sight{Known: true, Parallel: true, Vec: tb.Turn(e)}
	}
	return p
}

// seenPoints is how many points of a part a scan must have to show it: about a dozen
// places after thinning.
const seenPoints = 50

// off returns the largest distance between where a placement and the truth put the
// corners of the source's box, and that in sigmas; of all symmetries the nearest.
func (p *scanPair) off(f *Placement) (dist, sigmas float64) {
	dist = math.Inf(1)
	for _, s := range p.symmetries {
		truth := p.sourceToTarget.After(s)
		far, wide := 0.0, 0.0
		for _, c := range p.source.Bounds().Corners() {
			at := truth.Apply(c)
			e := f.SourceToTarget.Apply(c).Dist(at)
			far, wide = math.Max(far, e), math.Max(wide, e/math.Sqrt(f.At(at).Trace()))
		}
		if far < dist {
			dist, sigmas = far, wide
		}
	}
	return dist, sigmas
}
