package mount

import "math"

// outline is a family of closed curves in a face. gap returns, for the curve with
// parameters p, the distance of a place outside it, negative inside.
type outline struct {
	dim int
	gap func(p []float64) func(x, y float64) float64
}

// circles have the parameters x, y, radius.
func circles() outline {
	return outline{3, func(p []float64) func(x, y float64) float64 {
		cx, cy, r := p[0], p[1], p[2]
		return func(x, y float64) float64 { return length(x-cx, y-cy) - r }
	}}
}

// length is math.Hypot without its care for huge numbers, several times faster.
func length(x, y float64) float64 { return math.Sqrt(x*x + y*y) }

// bit is a short piece of an outline's first estimate: its middle, length, the
// curvature there, and the density of unforetold points outside it.
type bit struct {
	x, y, length, bend float64
	density            float64 // per mm², 0 where the face was not seen
}

// evidence is all that a face says about an edge in it.
//
// Points that a scanner sets down are everywhere on the face and nowhere in the
// hole. For points without order, of density λ, the likelihood of an outline is
// exp(λ·area) as long as no point lies inside, and falls off as a point's own
// sideways error allows: the innermost points carry the information, and the
// error falls with 1/N, not 1/√N. Where points stand in rows, a place at which the
// next one is missing bounds the hole from inside just as sharply.
type evidence struct {
	shape     outline
	bits      []bit
	x, y      []float64 // points that no row foretold
	density   []float64 // per mm², of such points where each of these lies
	ring      float64   // points of a wall per mm of its rim that count as the face's own: they lie within its noise
	noise     float64   // of those, across the wall
	table     normal
	reach     float64 // how far an outline may lie from the first estimate: the evidence goes no farther
	nodes     []node
	blurLeast float64 // bounds of the points' error along the face, 1 sigma
	blurMost  float64
}

// aslant is how much of the noise along the line of sight moves a point along the
// face at most: the sine of 37 degrees, beyond which few scans of a face are taken.
const aslant = 0.6

// stray is the share of points that may lie inside a hole without a reason:
// pixels that mix the rim with what is behind.
const stray = 0.003

// log returns the logarithm of the likelihood of an outline, its last parameter
// the logarithm of the points' error along the face.
func (e *evidence) log(p []float64) float64 {
	blur := math.Exp(p[e.shape.dim])
	if blur < e.blurLeast || blur > e.blurMost {
		return math.Inf(-1)
	}
	sum, sharp := 0.0, 1/blur
	gap := e.shape.gap(p)
	for _, b := range e.bits {
		out := -gap(b.x, b.y)
		if math.Abs(out) > e.reach {
			return math.Inf(-1)
		}
		if b.density < leastDensity {
			continue
		}
		sum += b.density * b.length * (out + b.bend*out*out/2)
	}
	for i := range e.x {
		sum += e.logPoint(i, gap(e.x[i], e.y[i]), sharp)
	}
	for _, n := range e.nodes {
		sum += e.logNode(n, gap(n.x, n.y)*sharp)
	}
	return sum
}

// logPoint weighs an unforetold point that lies g outside the outline: it belongs
// to the face, or to the wall at the rim.
func (e *evidence) logPoint(i int, g, sharp float64) float64 {
	z := g / e.noise
	if g*sharp > 4 && (e.ring == 0 || z > 5) {
		return 0 // it is where it should be, whatever the outline
	}
	of := stray + (1-stray)*e.table.at(g*sharp)
	if e.ring > 0 && z > -5 {
		of += e.ring / (e.density[i] * e.noise * math.Sqrt(2*math.Pi)) * math.Exp(-z*z/2)
	}
	return math.Log(of)
}

// logNode weighs a foretold place that lies g of the points' errors outside.
func (e *evidence) logNode(n node, g float64) float64 {
	switch {
	case n.found && g < 4:
		return math.Log(stray + (1-stray)*e.table.at(g))
	case !n.found && g > -4:
		return math.Log1p(-n.hit * e.table.at(g))
	default:
		return 0
	}
}

// below is the standard normal distribution function.
func below(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// normal is a table of below, interpolated: the likelihood asks for it a million
// times a hole. Its largest error, step²/8 times the largest second derivative of
// 0.242, is 4e-6, far below stray.
type normal []float64

const (
	normalSteps = 90 // for each unit
	normalReach = 6
)

func newNormal() normal {
	t := make(normal, 2*normalReach*normalSteps+2)
	for i := range t {
		t[i] = below(float64(i)/normalSteps - normalReach)
	}
	return t
}

func (t normal) at(z float64) float64 {
	x := (z + normalReach) * normalSteps
	switch {
	case !(x > 0):
		return 0
	case x >= float64(len(t)-1):
		return 1
	}
	i := int(x)
	return t[i] + (x-float64(i))*(t[i+1]-t[i])
}

// leastDensity per mm² is that of unforetold points where there are none.
const leastDensity = 1e-6

// weigh collects the evidence about an edge near its first estimate, which is
// given by its parameters and its bits.
func (f *face) weigh(shape outline, p []float64, bits []bit, spacing, noise float64) *evidence {
	gap := shape.gap(p)
	rows := f.foretell(gap, spacing)
	least := 0.01 * spacing // finer differences do not matter beside the spacing
	e := &evidence{reach: 1.5 * spacing, table: newNormal(), noise: noise, shape: shape, bits: bits, nodes: rows.nodes, blurLeast: least, blurMost: math.Max(aslant*noise, 1.5*least)}
	f.densities(bits, gap, spacing, 1-rows.share)
	for i := range f.x {
		if math.Abs(gap(f.x[i], f.y[i])) < 2*spacing && !rows.taken[i] {
			e.x, e.y = append(e.x, f.x[i]), append(e.y, f.y[i])
			e.density = append(e.density, math.Max(leastDensity, bits[nearestBit(bits, f.x[i], f.y[i])].density))
		}
	}
	return e
}

// densities counts the points in a band outside each bit, where the first
// estimate does not matter, and averages along the outline.
func (f *face) densities(bits []bit, gap func(x, y float64) float64, spacing, share float64) {
	const from, to = 0.5, 3.0 // spacings
	count := make([]float64, len(bits))
	for i := range f.x {
		if g := gap(f.x[i], f.y[i]); g > from*spacing && g < to*spacing {
			count[nearestBit(bits, f.x[i], f.y[i])]++
		}
	}
	n := len(bits)
	window := max(1, n/8) // a quarter of the outline: dense and sparse sides stay apart
	for k := range bits {
		if count[(k+n-1)%n]+count[k]+count[(k+1)%n] == 0 {
			continue
		}
		points, area := 0.0, 0.0
		for d := -window; d <= window; d++ {
			j := (k + d + n) % n
			if count[(j+n-1)%n]+count[j]+count[(j+1)%n] == 0 {
				continue
			}
			points += count[j]
			area += bits[j].length * (to - from) * spacing * (1 + bits[j].bend*(from+to)/2*spacing)
		}
		bits[k].density = share * points / area
		if bits[k].density == 0 {
			bits[k].density = 1e-9 // seen, though every point is foretold
		}
	}
}

func nearestBit(bits []bit, x, y float64) int {
	best, at := math.Inf(1), 0
	for k, b := range bits {
		if d := (b.x-x)*(b.x-x) + (b.y-y)*(b.y-y); d < best {
			best, at = d, k
		}
	}
	return at
}

// seen returns the share of the outline along which the face was seen.
func (e *evidence) seen() float64 {
	seen, all := 0.0, 0.0
	for _, b := range e.bits {
		all += b.length
		if b.density > 0 {
			seen += b.length
		}
	}
	return seen / all
}

// circleBits cuts a circle into bits about a spacing long.
func circleBits(x, y, r, spacing float64) []bit {
	n := max(24, int(2*math.Pi*r/spacing))
	bits := make([]bit, n)
	for k := range bits {
		sin, cos := math.Sincos(2 * math.Pi * (float64(k) + 0.5) / float64(n))
		bits[k] = bit{x: x + r*cos, y: y + r*sin, length: 2 * math.Pi * r / float64(n), bend: 1 / r}
	}
	return bits
}
