package datum

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Wheel is a wheel and where it would touch a plane that it stands on.
type Wheel struct {
	Contact geom.Vec // lowest point of the tread's largest circle
	Center  geom.Vec // of that circle
	Axis    geom.Vec // unit
	Radius  float64  // of that circle, mm
	RMS     float64  // of the points about the tread, mm
	Sigma   float64  // standard uncertainty of Contact across the plane, mm
	Points  int      // on the tread
}

// Spot is a place to look for a wheel at.
type Spot struct {
	Seed   geom.Vec
	Radius float64
}

const (
	leastOnWheel = 200
	mostOnWheel  = 6000 // points looked at; more only cost time
	axisTries    = 400
	axisSample   = 6 // lines a try rests on; five hold a line that they all meet
	// onTread is the least cosine between a point's normal and the radial direction.
	onTread = 0.95
	// flatSpot is the angle about the lowest point within which a tyre is pressed flat, or
	// hides behind what it stands on, degrees.
	flatSpot = 25
	// batches that the scatter of the contact is taken from.
	batches = 8
)

// Wheels finds the plane that an object's wheels stand on, from its points with
// normals: for each seed the axis that the wheel turns about, then the largest circle of its
// tread. Where tyres are pressed flat, the plane is that of the circles all the same. up is the
// direction that scanners stood upright in, good to twenty degrees. After H. Pottmann & J.
// Wallner, Computational Line Geometry, Springer 2001, chapter 4 (from memory): the normals
// of a surface of revolution meet its axis.
func Wheels(c *scan.Cloud, seeds []Spot, up geom.Vec) (Element, []Wheel, error) {
	if len(seeds) < 3 {
		return Element{}, nil, fmt.Errorf("%d wheels cannot hold a plane, three can", len(seeds))
	}
	wheels := make([]Wheel, len(seeds))
	up = up.Unit()
	var e Element
	for range 3 { // where the lowest point is depends on the plane, but hardly
		for i, s := range seeds {
			w, err := FindWheel(c, s, up)
			if err != nil {
				return Element{}, nil, fmt.Errorf("wheel %d at (%.0f, %.0f, %.0f) mm: %w", i+1, s.Seed.X, s.Seed.Y, s.Seed.Z, err)
			}
			wheels[i] = w
		}
		var err error
		if e, err = standOn(wheels, up); err != nil {
			return Element{}, nil, err
		}
		up = e.Normal
	}
	return e, wheels, nil
}

// FindWheel finds one wheel around a seed.
func FindWheel(c *scan.Cloud, s Spot, up geom.Vec) (Wheel, error) {
	var near []int
	for i := range c.X {
		if p := c.At(i); p.Sub(s.Seed).Norm2() <= s.Radius*s.Radius && c.Normal(i).Norm2() > 0.5 {
			near = append(near, i)
		}
	}
	if len(near) < leastOnWheel {
		return Wheel{}, fmt.Errorf("%d points lie within %.0f mm of the seed, a wheel needs %d", len(near), s.Radius, leastOnWheel)
	}
	step := (len(near) + mostOnWheel - 1) / mostOnWheel
	v := &revolved{}
	for i := 0; i < len(near); i += step {
		v.points, v.normals = append(v.points, c.At(near[i]).Sub(s.Seed)), append(v.normals, c.Normal(near[i]).Unit())
	}
	if err := v.findAxis(up, s.Radius); err != nil {
		return Wheel{}, err
	}
	var w Wheel
	for range 3 { // the terms that move and tilt the axis are of first order
		var err error
		if w, err = v.tread(up); err != nil {
			return Wheel{}, err
		}
		v.at, v.axis = w.Center, w.Axis
	}
	w.Contact, w.Center = w.Contact.Add(s.Seed), w.Center.Add(s.Seed)
	return w, nil
}

// revolved is a surface of revolution about an axis, points about the seed.
type revolved struct {
	points, normals []geom.Vec
	at, axis        geom.Vec
	on              []bool // belongs to the surface
}

// meet returns by how much the normal through point i misses the axis, mm.
func (v *revolved) meet(i int, at, axis geom.Vec) float64 {
	across := axis.Cross(v.normals[i])
	n := across.Norm()
	if n < 0.05 {
		return 0 // parallel to the axis: says nothing
	}
	return math.Abs(v.points[i].Sub(at).Dot(across)) / n
}

// findAxis looks for the line that most normals meet: by tries, then by least squares
// over what agrees.
func (v *revolved) findAxis(up geom.Vec, reach float64) error {
	random := rand.New(rand.NewPCG(uint64(len(v.points)), 17))
	best, pick := 0, make([]int, axisSample)
	limit := 0.08 * reach // two to three degrees of a normal at the tread
	for range axisTries {
		for k := range pick {
			pick[k] = random.IntN(len(v.points))
		}
		at, axis, ok := v.lineThrough(pick)
		if !ok || math.Abs(axis.Dot(up)) > 0.35 || at.AddScaled(-at.Dot(axis), axis).Norm() > reach {
			continue
		}
		if n := v.agree(at, axis, limit, nil); n > best {
			best, v.at, v.axis = n, at, axis
		}
	}
	if best < leastOnWheel/2 || best < len(v.points)/4 {
		return errors.New("the normals there meet no common axis that lies level")
	}
	v.on = make([]bool, len(v.points))
	for range 5 {
		v.agree(v.at, v.axis, limit, v.on)
		var all []int
		for i, on := range v.on {
			if on {
				all = append(all, i)
			}
		}
		at, axis, ok := v.lineThrough(all)
		if !ok {
			break
		}
		v.at, v.axis = at, axis
	}
	return nil
}

// agree counts the points whose normals meet a line, and marks them.
func (v *revolved) agree(at, axis geom.Vec, limit float64, on []bool) int {
	n := 0
	for i := range v.points {
		is := v.meet(i, at, axis) < limit
		if is {
			n++
		}
		if on != nil {
			on[i] = is
		}
	}
	return n
}

// lineThrough is the line that the normals of some points meet best: the pair (g, m) of
// direction and moment with |g| = 1 that makes the sum of (g · p×n + m · n)² least.
func (v *revolved) lineThrough(list []int) (at, axis geom.Vec, ok bool) {
	var a, b, d geom.Mat // of g with g, g with m, m with m
	for _, i := range list {
		n := v.normals[i]
		q := v.points[i].Cross(n)
		a, b, d = a.Add(geom.Outer(q, q)), b.Add(geom.Outer(q, n)), d.Add(geom.Outer(n, n))
	}
	small := 1e-6 * d.Trace()
	inv, ok := d.Add(geom.Diag(small, small, small)).Inv()
	if !ok {
		return at, axis, false
	}
	_, axes := geom.Eigen(a.Add(b.Mul(inv).Mul(b.T()).Scale(-1)))
	g := axes.Col(0)
	m := inv.MulVec(b.T().MulVec(g)).Scale(-1)
	m = m.AddScaled(-m.Dot(g), g) // a line, not a screw
	return g.Cross(m), g, g.IsFinite() && m.IsFinite()
}

// tread fits the profile near its largest circle: the distance from the axis is a parabola
// along it with a term of the fourth degree, and first-order terms move and tilt the axis. Least squares, trimmed at three
// times the scatter.
func (v *revolved) tread(up geom.Vec) (Wheel, error) {
	down := up.Scale(-1).AddScaled(up.Dot(v.axis), v.axis).Unit()
	side := v.axis.Cross(down)
	cosFlat := math.Cos(flatSpot * math.Pi / 180)
	var rows [][]float64
	var radii []float64
	for i, p := range v.points {
		d := p.Sub(v.at)
		h := d.Dot(v.axis)
		radial := d.AddScaled(-h, v.axis)
		r := radial.Norm()
		if !v.on[i] || r == 0 || v.normals[i].Dot(radial)/r < onTread || radial.Dot(down)/r > cosFlat {
			continue
		}
		x, y := radial.Dot(down)/r, radial.Dot(side)/r
		rows, radii = append(rows, []float64{1, x, y, h, h * h, x * h, y * h, h * h * h * h}), append(radii, r)
	}
	rows, radii = outermost(rows, radii)
	if len(rows) < leastOnWheel {
		return Wheel{}, fmt.Errorf("%d points lie on its tread, %d are needed", len(rows), leastOnWheel)
	}
	keep, rms, err := trimmedRows(rows, radii)
	if err != nil {
		return Wheel{}, fmt.Errorf("its tread: %w", err)
	}
	w, ok := v.wheel(rows, radii, keep, down, side)
	if !ok {
		return Wheel{}, errors.New("its tread has no largest circle where points lie")
	}
	w.RMS, w.Points = rms, len(keep)
	var heights []float64
	for k := range batches {
		var part []int
		for i := k; i < len(keep); i += batches {
			part = append(part, keep[i])
		}
		if x, ok := v.wheel(rows, radii, part, down, side); ok {
			heights = append(heights, x.Contact.Dot(up))
		}
	}
	if len(heights) < batches/2 {
		return Wheel{}, errors.New("its tread is seen too little to hold a circle")
	}
	var mean, square float64
	for _, h := range heights {
		mean += h / float64(len(heights))
	}
	for _, h := range heights {
		square += (h - mean) * (h - mean)
	}
	w.Sigma = math.Sqrt(square / float64(len(heights)-1) / float64(len(heights)))
	return w, nil
}

// outermost keeps what lies within a quarter of the largest radius of the lower half: the
// tread, not the rim's bed or the hub, nor a mudguard above.
func outermost(rows [][]float64, radii []float64) ([][]float64, []float64) {
	var lower []float64
	for i, r := range radii {
		if rows[i][1] > 0 {
			lower = append(lower, r)
		}
	}
	if len(lower) == 0 {
		return nil, nil
	}
	slices.Sort(lower)
	most := lower[len(lower)*95/100]
	var outRows [][]float64
	var outRadii []float64
	for i, r := range radii {
		if r >= 0.75*most && r <= 1.06*most {
			outRows, outRadii = append(outRows, rows[i]), append(outRadii, r)
		}
	}
	return outRows, outRadii
}

func trimmedRows(rows [][]float64, values []float64) (keep []int, rms float64, err error) {
	for i := range rows {
		keep = append(keep, i)
	}
	for range roundsOfTrim {
		x, err := solveRows(rows, values, keep)
		if err != nil {
			return nil, 0, err
		}
		off := make([]float64, len(rows))
		sizes := make([]float64, len(rows))
		for i, row := range rows {
			off[i] = math.Abs(values[i] - dot(row, x))
			sizes[i] = off[i]
		}
		slices.Sort(sizes)
		limit := 3 * 1.4826 * sizes[len(sizes)/2]
		keep, rms = keep[:0], 0
		for i, d := range off {
			if d <= limit {
				keep, rms = append(keep, i), rms+d*d
			}
		}
		if len(keep) < leastOnWheel {
			return nil, 0, fmt.Errorf("%d points agree, %d are needed", len(keep), leastOnWheel)
		}
		rms = math.Sqrt(rms / float64(len(keep)))
	}
	return keep, rms, nil
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}

func solveRows(rows [][]float64, values []float64, keep []int) ([]float64, error) {
	r, y := make([][]float64, len(keep)), make([]float64, len(keep))
	for k, i := range keep {
		r[k], y[k] = rows[i], values[i]
	}
	s, err := fit.LinearSystem(r, y, nil)
	return s.X, err
}

// wheel turns the fit into a circle and its lowest point; ok is false where the profile
// has no largest radius amid the points.
func (v *revolved) wheel(rows [][]float64, radii []float64, keep []int, down, side geom.Vec) (Wheel, bool) {
	x, err := solveRows(rows, radii, keep)
	if err != nil {
		return Wheel{}, false
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, i := range keep {
		lo, hi = math.Min(lo, rows[i][3]), math.Max(hi, rows[i][3])
	}
	h := (lo + hi) / 2 // a flat tread: its middle
	if x[4] < 0 {
		h = -x[3] / (2 * x[4])
		for range 4 {
			h = -(x[3] + 4*x[7]*h*h*h) / (2 * x[4])
		}
		if slack := (hi - lo) / 4; h < lo-slack || h > hi+slack {
			if -x[4]*(hi-lo)*(hi-lo)/4 > 1 { // curved by more than a millimetre, and open on one side
				return Wheel{}, false
			}
			h = math.Max(lo, math.Min(hi, h))
		}
	}
	// A tilt t towards a direction takes t·h off the distances there and moves the profile
	// along the axis by t·r: together t·(1 + 2·x[4]·r)·h. A tread as round as its radius, like
	// a ball, has no tilt.
	tilt := geom.Vec{X: x[5], Y: x[6]}
	if factor := 1 + 2*x[4]*x[0]; math.Abs(factor) > 0.5 {
		tilt = tilt.Scale(1 / factor)
	} else {
		tilt = geom.Vec{}
	}
	axis := v.axis.AddScaled(tilt.X, down).AddScaled(tilt.Y, side).Unit()
	center := v.at.AddScaled(h, axis).AddScaled(x[1], down).AddScaled(x[2], side)
	radius := x[0] + x[3]*h + x[4]*h*h + x[7]*h*h*h*h
	to := down.AddScaled(-down.Dot(axis), axis).Unit()
	return Wheel{Center: center, Axis: axis, Radius: radius, Contact: center.AddScaled(radius, to)}, radius > 0
}

// standOn is the least-squares plane of the contacts.
func standOn(wheels []Wheel, up geom.Vec) (Element, error) {
	points := make([]geom.Vec, len(wheels))
	for i, w := range wheels {
		points[i] = w.Contact
	}
	mean, normal, narrow := planeOf(points, up)
	if narrow < 0.05 {
		return Element{}, errors.New("the wheels stand in one line, which holds no plane")
	}
	if normal.Dot(up) < 0.9 {
		return Element{}, fmt.Errorf("the plane that the wheels stand on is tilted by %.0f degrees against how the scanner stood", math.Acos(normal.Dot(up))*180/math.Pi)
	}
	e := Element{Name: "wheels", Point: mean, Normal: normal, Points: len(points)}
	var variance float64
	for i, w := range wheels {
		d := w.Contact.Sub(mean).Dot(normal)
		e.RMS += d * d / float64(len(wheels))
		moved := slices.Clone(points)
		moved[i] = moved[i].AddScaled(w.Sigma, normal)
		_, n, _ := planeOf(moved, up)
		e.NormalCov = e.NormalCov.Add(geom.Outer(n.Sub(normal), n.Sub(normal)))
		variance += w.Sigma * w.Sigma / float64(len(wheels)*len(wheels))
	}
	e.RMS = math.Sqrt(e.RMS)
	e.PointCov = geom.Outer(normal, normal).Scale(variance)
	return e, nil
}

// planeOf returns the middle of some points, the normal of their plane to the side of up,
// and how wide they lie across their longest extent.
func planeOf(points []geom.Vec, up geom.Vec) (mean, normal geom.Vec, narrow float64) {
	for _, p := range points {
		mean = mean.Add(p.Scale(1 / float64(len(points))))
	}
	var scatter geom.Mat
	for _, p := range points {
		scatter = scatter.Add(geom.Outer(p.Sub(mean), p.Sub(mean)))
	}
	values, axes := geom.Eigen(scatter)
	normal = axes.Col(0)
	if normal.Dot(up) < 0 {
		normal = normal.Scale(-1)
	}
	return mean, normal, math.Sqrt(math.Max(0, values.Y) / math.Max(values.Z, 1e-300))
}
