package surface

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/geom"
)

// Motion is the small motion of b that would bring two registered clouds closer
// together.
type Motion struct {
	Turn, Shift geom.Vec // of b, about Center: rad and mm, common axes
	Center      geom.Vec
	Lowers      float64 // rms over the patches of what it takes off the distance, mm
	Sigma       float64 // standard uncertainty of that by the patches' own scatter, mm
	Before      float64 // rms of the patches' mean distances as they are, mm
	After       float64 // and after the motion, mm
	Patches     int
	Fits        float64 // share of the patches that the motion leaves within the others' scatter, 0 to 1
}

// Explained is the share of the squared distances that the motion takes off, 0 to 1.
func (m *Motion) Explained() float64 {
	if m.Before == 0 {
		return 0
	}
	return max(0, 1-m.After*m.After/(m.Before*m.Before))
}

// Bend is how two scans of one object differ beyond any rigid motion, in the few
// ways in which a long thing gives: it sags or bows across its length, it twists about
// it, it grows along it.
type Bend struct {
	Length    float64     // of the overlap along Along, mm
	Along     geom.Vec    // unit, the overlap's long axis
	Across    [2]geom.Vec // unit, square to it and to each other
	Bow       [2]float64  // height of the bow over Length along each of Across, mm; positive where b's ends lie further that way
	TwistRad  float64     // over Length
	Stretch   float64     // growth over Length, mm
	Sigma     [4]float64  // standard uncertainties of Bow, TwistRad, Stretch
	Explained float64     // share of the squared distances left by the best rigid motion that these take off, 0 to 1
}

// leastPatches is what a motion must rest on: three times its six unknowns.
const leastPatches = 18

// Suggest returns the rigid motion of b that lowers the patches' distances most;
// directions that they do not hold stay as they are. ok is false when there are too few
// patches to say.
func Suggest(patches []Patch) (m Motion, ok bool) {
	if len(patches) < leastPatches {
		return m, false
	}
	f := newFit(patches, 0)
	f.robust()
	x := f.x
	m = Motion{Turn: geom.Vec{X: x[0], Y: x[1], Z: x[2]}.Scale(1 / f.radius), Shift: geom.Vec{X: x[3], Y: x[4], Z: x[5]}, Center: f.center, Patches: len(patches)}
	m.Before, m.After, m.Lowers, m.Sigma, m.Fits = f.before(), f.after(), f.lowers(), f.sigma(), f.fits()
	return m, true
}

// Warp returns how b differs in shape. ok is false when there are too few patches,
// or too few places along the object, to say.
func Warp(patches []Patch) (b Bend, ok bool) {
	if len(patches) < 2*leastPatches {
		return b, false
	}
	f := newFit(patches, 4)
	rigid := newFit(patches, 0)
	rigid.robust()
	f.robust()
	if f.loose > 0 {
		return b, false
	}
	b = Bend{Length: 2 * f.half, Along: f.axes[0], Across: [2]geom.Vec{f.axes[1], f.axes[2]}}
	// The unknowns are what would bring b onto a: b is off by their opposite.
	b.Bow, b.TwistRad, b.Stretch = [2]float64{-f.x[6], -f.x[7]}, -2*f.x[8]/f.radius, -2*f.x[9]
	for k := range 4 {
		b.Sigma[k] = math.Sqrt(f.cov.At(6+k, 6+k))
	}
	b.Sigma[2] *= 2 / f.radius
	b.Sigma[3] *= 2
	if r := rigid.after(); r > 0 {
		b.Explained = max(0, 1-f.after()*f.after()/(r*r))
	}
	return b, true
}

// linear is a weighted least-squares fit of a motion, and of ways to give, to the
// distances of patches.
type linear struct {
	patches []Patch
	weights []float64
	center  geom.Vec
	radius  float64     // rms distance from the centre, scales angles to lengths
	axes    [3]geom.Vec // of the patches, the longest first
	half    float64     // half their length along it
	bends   int         // 0 or 4
	x       []float64
	cov     *mat.SymDense
	h       *mat.SymDense
	loose   int // directions that the patches do not hold
}

func newFit(patches []Patch, bends int) *linear {
	f := &linear{patches: patches, bends: bends, weights: make([]float64, len(patches))}
	f.weigh()
	total := 0.0
	for i, p := range patches {
		f.center = f.center.AddScaled(f.weights[i], p.At)
		total += f.weights[i]
	}
	f.center = f.center.Scale(1 / total)
	var spread geom.Mat
	for i, p := range patches {
		d := p.At.Sub(f.center)
		spread = spread.Add(geom.Outer(d, d).Scale(f.weights[i] / total))
	}
	f.radius = math.Max(math.Sqrt(spread.Trace()), math.SmallestNonzeroFloat32)
	_, v := geom.Eigen(spread)
	f.axes = [3]geom.Vec{v.Col(2), v.Col(1), v.Col(0)}
	var along []float64
	for _, p := range patches {
		along = append(along, math.Abs(p.At.Sub(f.center).Dot(f.axes[0])))
	}
	slices.Sort(along)
	f.half = math.Max(along[len(along)*95/100], math.SmallestNonzeroFloat32) // a far patch alone must not stretch the scale
	return f
}

// rounds of reweighting: patches where something else changed, such as a hose that
// was moved, lose their say (Tukey's biweight of their rests).
const rounds = 4

// robust solves, and again without what does not fit.
func (f *linear) robust() {
	f.solve()
	plain := slices.Clone(f.weights)
	for range rounds {
		rests, typical := make([]float64, len(f.patches)), make([]float64, len(f.patches))
		for i, p := range f.patches {
			rests[i] = math.Abs(f.rest(p, f.row(p)))
			typical[i] = p.Sigma
		}
		cut := tukey * math.Max(madToSigma*median(slices.Clone(rests)), median(typical))
		for i, r := range rests {
			f.weights[i] = plain[i] * biweight(r/cut)
		}
		f.solve()
	}
}

// fits is the share of the patches that kept a say.
func (f *linear) fits() float64 {
	n := 0
	for _, w := range f.weights {
		if w > 0 {
			n++
		}
	}
	return float64(n) / float64(len(f.weights))
}

func biweight(u float64) float64 {
	if !(math.Abs(u) < 1) {
		return 0
	}
	return (1 - u*u) * (1 - u*u)
}

// weigh gives patches the inverse variance of their means, but none more than a few
// times the usual one: what patches are off by beyond their scatter is much alike.
func (f *linear) weigh() {
	var v []float64
	for _, p := range f.patches {
		v = append(v, p.Sigma*p.Sigma)
	}
	usual := median(slices.Clone(v))
	for i := range v {
		f.weights[i] = 1
		if usual > 0 {
			f.weights[i] = usual / (v[i] + usual)
		}
	}
}

// row is the derivative of a patch's distance by the unknowns.
func (f *linear) row(p Patch) []float64 {
	arm, n := p.At.Sub(f.center), p.Normal
	a := arm.Cross(n).Scale(1 / f.radius)
	out := []float64{a.X, a.Y, a.Z, n.X, n.Y, n.Z}
	if f.bends == 0 {
		return out
	}
	s := arm.Dot(f.axes[0]) / f.half
	twist := f.axes[0].Cross(arm).Scale(s / f.radius)
	return append(out, s*s*n.Dot(f.axes[1]), s*s*n.Dot(f.axes[2]), twist.Dot(n), s*f.axes[0].Dot(n))
}

// bendHeld is the smallest eigenvalue of the normal matrix scaled to a unit
// diagonal at which ways to give are told apart: a bow seen from one side and a tilt
// are alike to within a few hundredths.
const bendHeld = 0.01

// patchHeld is the same of motions, as a share of the mean one. A twentieth of the
// patches must look along a direction: what a few rods and edges say of it is off by
// millimetres where cells are as large as they, and by the same in all of them.
const patchHeld = 0.1

// units returns the scale of every unknown: for motions they are what they are, with
// ways to give each unknown is scaled to what its own patches hold of it.
func (f *linear) units() []float64 {
	u := make([]float64, len(f.x))
	for i := range u {
		u[i] = 1
		if f.bends > 0 {
			u[i] = 1 / math.Sqrt(math.Max(f.h.At(i, i), 1e-6*mat.Trace(f.h)))
		}
	}
	return u
}

// solve finds the unknowns with their sandwich covariance, each patch a cluster of its
// own; see system.covariance.
func (f *linear) solve() {
	n := 6 + f.bends
	f.h = mat.NewSymDense(n, nil)
	g := make([]float64, n)
	for i, p := range f.patches {
		r := f.row(p)
		f.h.SymRankOne(f.h, f.weights[i], mat.NewVecDense(n, r))
		for k, x := range r {
			g[k] -= f.weights[i] * x * p.Mean // a motion along the normal adds to the distance: bring it to zero
		}
	}
	f.x, f.cov, f.loose = make([]float64, n), mat.NewSymDense(n, nil), 0
	unit, scaled := f.units(), mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			scaled.SetSym(i, j, f.h.At(i, j)*unit[i]*unit[j])
		}
	}
	var e mat.EigenSym
	if !e.Factorize(scaled, true) {
		f.loose = n
		return
	}
	var v mat.Dense
	e.VectorsTo(&v)
	least := patchHeld * mat.Trace(scaled) / float64(n)
	if f.bends > 0 {
		least = bendHeld
	}
	inverse := mat.NewSymDense(n, nil)
	for k, lambda := range e.Values(nil) {
		if lambda <= least {
			f.loose++
			continue
		}
		column := mat.VecDenseCopyOf(v.ColView(k))
		for i := range n {
			column.SetVec(i, column.AtVec(i)*unit[i])
		}
		inverse.SymRankOne(inverse, 1/lambda, column)
	}
	x := mat.NewVecDense(n, f.x)
	x.MulVec(inverse, mat.NewVecDense(n, g))
	f.sandwich(inverse)
}

func (f *linear) sandwich(inverse *mat.SymDense) {
	n := len(f.x)
	meat := mat.NewSymDense(n, nil)
	for i, p := range f.patches {
		r := f.row(p)
		e := f.weights[i] * f.rest(p, r)
		meat.SymRankOne(meat, e*e, mat.NewVecDense(n, r))
	}
	if k := float64(len(f.patches)); int(k) > n {
		meat.ScaleSym(k/(k-float64(n)), meat)
	}
	var half, full mat.Dense
	half.Mul(inverse, meat)
	full.Mul(&half, inverse)
	for i := range n {
		for j := i; j < n; j++ {
			f.cov.SetSym(i, j, (full.At(i, j)+full.At(j, i))/2)
		}
	}
}

// moves is what the unknowns add to a patch's distance, rest what is left then.
func (f *linear) moves(r []float64) float64 {
	sum := 0.0
	for k, x := range r {
		sum += x * f.x[k]
	}
	return sum
}

func (f *linear) rest(p Patch, r []float64) float64 { return p.Mean + f.moves(r) }

func (f *linear) rms(of func(p Patch) float64) float64 {
	var sum, total float64
	for i, p := range f.patches {
		x := of(p)
		sum += f.weights[i] * x * x
		total += f.weights[i]
	}
	return math.Sqrt(sum / total)
}

func (f *linear) before() float64 { return f.rms(func(p Patch) float64 { return p.Mean }) }
func (f *linear) after() float64 {
	return f.rms(func(p Patch) float64 { return f.rest(p, f.row(p)) })
}
func (f *linear) lowers() float64 { return f.rms(func(p Patch) float64 { return f.moves(f.row(p)) }) }

// sigma is the rms over the patches of the standard uncertainty of moves.
func (f *linear) sigma() float64 {
	return f.rms(func(p Patch) float64 {
		r := mat.NewVecDense(len(f.x), f.row(p))
		return math.Sqrt(max(0, mat.Inner(r, f.cov, r)))
	})
}
