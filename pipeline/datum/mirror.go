package datum

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"trammel/pipeline/fit"
	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// Symmetry is a vertical plane that an object is nearly its own mirror image in.
type Symmetry struct {
	Normal geom.Vec // unit, horizontal
	Point  geom.Vec // on the plane, amid the object
	Share  float64  // of the pairs of alike points that agree with it, against the best one
}

const (
	mirrorSample = 2500 // points, some three million pairs
	turnBins     = 180  // of one degree
	shiftBins    = 400  // over the object's extent on either side
	// mirrored is the least cosine between one point's normal and the other's mirror
	// image.
	mirrored = 0.97
	// leastAway is how far apart, as a share of the object's extent, two points must
	// be to tell the plane between them.
	leastAway = 0.05
	// apartTurn and apartShift tell two planes from two halves of one peak.
	apartTurn, apartShift = 10, 12
)

// Mirrors looks for vertical mirror planes of the points with normals and returns
// them, best first: each pair of points that could be each other's image votes
// for the plane between them. After N. J. Mitra, L. J. Guibas, M. Pauly, Partial
// and approximate symmetry detection for 3D geometry, ACM TOG 25(3), 2006, with
// the planes held upright. The best is good to a degree and a hundredth of the
// object's size; refining is left to an alignment.
func Mirrors(c *scan.Cloud, up geom.Vec) []Symmetry {
	up = up.Unit()
	s := sampleOf(c, up)
	if len(s.points) < leastOnPlane {
		return nil
	}
	votes := make([]float64, turnBins*2*shiftBins)
	for i := range s.points {
		for j := range i {
			if k, ok := s.vote(i, j); ok {
				votes[k]++
			}
		}
	}
	votes = smoothed(votes)
	var out []Symmetry
	for range 3 {
		k := peak(votes)
		if votes[k] == 0 || len(out) > 0 && votes[k] < 0.3*out[0].Share {
			break
		}
		out = append(out, s.symmetry(k, votes[k]))
		clear2(votes, k)
	}
	for i := len(out) - 1; i >= 0; i-- {
		out[i].Share /= out[0].Share
	}
	return out
}

// sampled is the object in upright axes u, v, up about its middle.
type sampled struct {
	points, normals []geom.Vec // in (u, v, up)
	u, v, up        geom.Vec
	middle          geom.Vec
	extent          float64
}

func sampleOf(c *scan.Cloud, up geom.Vec) *sampled {
	s := &sampled{u: up.Perpendicular(), up: up, middle: c.Bounds().Center(), extent: c.Bounds().Size().Norm() / 2}
	s.v = up.Cross(s.u)
	upright := func(p geom.Vec) geom.Vec { return geom.Vec{X: p.Dot(s.u), Y: p.Dot(s.v), Z: p.Dot(up)} }
	for i, step := 0, max(1, c.Len()/mirrorSample); i < c.Len(); i += step {
		s.points, s.normals = append(s.points, upright(c.At(i).Sub(s.middle))), append(s.normals, upright(c.Normal(i)))
	}
	return s
}

// vote returns the bin of the plane between two points, if they could be each
// other's mirror image: at one height, with mirrored normals.
func (s *sampled) vote(i, j int) (bin int, ok bool) {
	p, q := s.points[i], s.points[j]
	d := q.Sub(p)
	if math.Abs(d.Z) > s.extent/100 {
		return 0, false
	}
	away := math.Hypot(d.X, d.Y)
	if away < leastAway*s.extent {
		return 0, false
	}
	n := geom.Vec{X: d.X / away, Y: d.Y / away}
	if n.Y < 0 || n.Y == 0 && n.X < 0 {
		n = n.Scale(-1)
	}
	image := s.normals[i].Sub(n.Scale(2 * s.normals[i].Dot(n)))
	if image.Dot(s.normals[j]) < mirrored || math.Abs(s.normals[i].Z) > mirrored {
		return 0, false // a level face is the image of any other in every upright plane
	}
	turn := min(turnBins-1, int(math.Atan2(n.Y, n.X)/math.Pi*turnBins))
	shift := int((n.Dot(p.Add(q))/2/s.extent + 1) * shiftBins)
	if shift < 0 || shift >= 2*shiftBins {
		return 0, false
	}
	return turn*2*shiftBins + shift, true
}

func (s *sampled) symmetry(bin int, votes float64) Symmetry {
	angle := (float64(bin/(2*shiftBins)) + 0.5) / turnBins * math.Pi
	shift := ((float64(bin%(2*shiftBins))+0.5)/shiftBins - 1) * s.extent
	sin, cos := math.Sincos(angle)
	n := s.u.Scale(cos).Add(s.v.Scale(sin))
	return Symmetry{Normal: n, Point: s.middle.Add(n.Scale(shift)), Share: votes}
}

// smoothed sums the votes of neighbouring bins, since a true plane's are spread by
// noise and by the object's own asymmetry.
func smoothed(votes []float64) []float64 {
	const width = 2 * shiftBins
	out := make([]float64, len(votes))
	for t := range turnBins {
		for s := 3; s < width-3; s++ {
			sum := 0.0
			for dt := -1; dt <= 1; dt++ {
				row := t + dt
				for ds := -3; ds <= 3; ds++ {
					at := s + ds
					r := row
					if r < 0 || r >= turnBins { // half a turn on, the plane faces the other way
						r, at = (row+turnBins)%turnBins, width-1-at
					}
					sum += votes[r*width+at]
				}
			}
			out[t*width+s] = sum
		}
	}
	return out
}

func peak(votes []float64) int {
	best := 0
	for k, v := range votes {
		if v > votes[best] {
			best = k
		}
	}
	return best
}

// clear2 takes a peak and what belongs to it away.
func clear2(votes []float64, bin int) {
	const width = 2 * shiftBins
	t0, s0 := bin/width, bin%width
	for dt := -apartTurn; dt <= apartTurn; dt++ {
		for s := range width {
			row, at := t0+dt, s
			if row < 0 || row >= turnBins {
				row, at = (row+turnBins)%turnBins, width-1-s
			}
			if dt*dt < 9 || math.Abs(float64(s-s0)) < apartShift*float64(1+apartTurn) {
				votes[row*width+at] = 0
			}
		}
	}
}

// Reflected returns the mirror image of a cloud with normals in a plane. The
// normals are mirrored with it and still point to the side seen.
func (s Symmetry) Reflected(c *scan.Cloud) *scan.Cloud {
	out := &scan.Cloud{Origin: s.image(c.Origin)}
	n := s.Normal
	turn := func(x, y, z float32) (float32, float32, float32) {
		v := geom.Vec{X: float64(x), Y: float64(y), Z: float64(z)}
		v = v.Sub(n.Scale(2 * v.Dot(n)))
		return float32(v.X), float32(v.Y), float32(v.Z)
	}
	for i := range c.X {
		x, y, z := turn(c.X[i], c.Y[i], c.Z[i])
		out.X, out.Y, out.Z = append(out.X, x), append(out.Y, y), append(out.Z, z)
		x, y, z = turn(c.NX[i], c.NY[i], c.NZ[i])
		out.NX, out.NY, out.NZ = append(out.NX, x), append(out.NY, y), append(out.NZ, z)
	}
	return out
}

func (s Symmetry) image(p geom.Vec) geom.Vec {
	return p.Sub(s.Normal.Scale(2 * p.Sub(s.Point).Dot(s.Normal)))
}

// Refined returns the mirror plane once the image in the rough one was laid onto
// the object by a rigid motion: image, then motion, is the true reflection, whose
// plane halves the way of every point. cov is the motion's covariance about
// center. For p on the plane, p′ = Mp + 2dn (CV-10.3).
func (s Symmetry) Refined(motion geom.Pose, cov fit.Mat6, center geom.Vec, rms float64, points int) Element {
	m := motion.R.Mul(geom.Identity().Add(geom.Outer(s.Normal, s.Normal).Scale(-2)))
	_, axes := geom.Eigen(m.Add(m.T()).Scale(0.5))
	n := axes.Col(0) // of eigenvalue −1
	if n.Dot(s.Normal) < 0 {
		n = n.Scale(-1)
	}
	at := motion.Apply(s.image(center)).Add(center).Scale(0.5)
	// The plane turns by half of what the image turns, and moves by half.
	turn, shift := cov.Block(0, 0), cov.Block(3, 3)
	skew := geom.Skew(n)
	return Element{Name: "mirror", Point: at, Normal: n, RMS: rms, Points: points,
		PointCov:  geom.Outer(n, n).Scale(n.Dot(shift.MulVec(n)) / 4),
		NormalCov: skew.Mul(turn).Mul(skew.T()).Scale(0.25)}
}

// Component returns the part of a cloud above the floor that hangs together with
// a place: the object without stands, spheres and walls that do not touch it.
// Points are joined where they share a cell of the given size or touch one that
// does.
func Component(c *scan.Cloud, floor Element, seed geom.Vec, cell float64) *scan.Cloud {
	type index [3]int32
	of := func(p geom.Vec) index {
		return index{int32(math.Floor(p.X / cell)), int32(math.Floor(p.Y / cell)), int32(math.Floor(p.Z / cell))}
	}
	above := func(p geom.Vec) bool { return p.Sub(floor.Point).Dot(floor.Normal) > cell }
	cells := map[index]bool{} // false: not reached yet
	var nearest geom.Vec
	least := math.Inf(1)
	for i := range c.X {
		p := c.At(i)
		if !above(p) {
			continue
		}
		cells[of(p)] = false
		if d := p.Sub(seed).Norm2(); d < least {
			least, nearest = d, p
		}
	}
	if len(cells) == 0 {
		return &scan.Cloud{}
	}
	cells[of(nearest)] = true
	for front := []index{of(nearest)}; len(front) > 0; {
		at := front[len(front)-1]
		front = front[:len(front)-1]
		for k := range 27 {
			next := index{at[0] + int32(k%3) - 1, at[1] + int32(k/3%3) - 1, at[2] + int32(k/9) - 1}
			if reached, there := cells[next]; there && !reached {
				cells[next] = true
				front = append(front, next)
			}
		}
	}
	out := c.Moved(geom.IdentityPose())
	keep := make([]bool, c.Len())
	for i := range keep {
		p := c.At(i)
		keep[i] = above(p) && cells[of(p)]
	}
	out.Keep(0, keep)
	return out
}

// Floor finds the level plane that most of what faces up lies on, with next to
// nothing below it. up is the direction that scanners stood upright in, good to
// half a right angle.
func Floor(c *scan.Cloud, up geom.Vec, radius float64) (Element, error) {
	type height struct {
		h float64
		i int
	}
	var all []height
	for i, step := 0, max(1, c.Len()/100_000); i < c.Len(); i += step {
		if c.Normal(i).Dot(up) > 0.9 {
			all = append(all, height{c.At(i).Dot(up), i})
		}
	}
	if len(all) < leastOnPlane {
		return Element{}, fmt.Errorf("%d points face upwards, a floor needs %d", len(all), leastOnPlane)
	}
	slices.SortFunc(all, func(a, b height) int { return cmp.Compare(a.h, b.h) })
	// Among the lower half, the densest slice of a fiftieth of the height's range.
	slice := max((all[len(all)-1].h-all[0].h)/50, 1e-9)
	most, at := 0, 0
	for lo, hi := 0, 0; lo < len(all)/2+1; lo++ {
		for hi < len(all) && all[hi].h <= all[lo].h+slice {
			hi++
		}
		if hi-lo > most {
			most, at = hi-lo, (lo+hi)/2
		}
	}
	e, err := FitPlane(c, c.At(all[at].i), radius)
	e.Name = "floor"
	return e, err
}
