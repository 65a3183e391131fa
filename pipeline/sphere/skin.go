package sphere

import (
	"context"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Sizes of the search on a surface, as shares of the radius, and what it takes.
const (
	skinCell  = 1.0 / 8 // to which the surface is thinned: some 800 places on a whole sphere
	skinVotes = 100     // votes of a candidate: an eighth of a sphere; a plane gives 22, a pipe as thick 135 at half
	skinBand  = 0.08    // half the thickness of the shell in which a candidate's points lie at first
	skinCos   = 0.9     // of a point's normal with its direction from the centre: 26 degrees
	// skinSeen is the least share of the sphere's surface that must have been seen: from
	// less, the centre is held along the axis of the cap through the noise of normals only.
	skinSeen = 0.15
	// skinClean is the least share of the points in the shell that lie on the sphere.
	skinClean = 0.8
	// mostForm is how far the surface may depart from a sphere, rms, as a share of the
	// tolerance of the diameter.
	mostForm = 1.0
)

// FindOnSurface returns the spheres of the given diameter on a surface that was seen
// from all around, as a tracked scanner gives it: points with normals that point
// outwards, in any frame and unit. Normals vote for centres; around each peak the centre
// is fitted with the radius held, and with the radius free as a witness; a candidate must
// show an eighth of the sphere and little else beside it. Cov is that of the centre by
// the scatter of pieces of the surface, after which neighbouring points may be as alike
// as they please. Clouds without normals have no spheres. Distance is 0.
func FindOnSurface(ctx context.Context, c *scan.Cloud, o Options) (Result, error) {
	if !(o.Diameter > 0) || math.IsInf(o.Diameter, 0) || !(o.Tolerance >= 0) {
		return Result{}, fmt.Errorf("diameter %g, tolerance %g: %w", o.Diameter, o.Tolerance, ErrDiameter)
	}
	if o.Tolerance == 0 {
		o.Tolerance = o.Diameter / 100
	}
	if !c.HasNormals() {
		return Result{}, ctx.Err()
	}
	radius := o.Diameter / 2
	at, normal := skinPlaces(c, skinCell*radius)
	votes := make([]geom.Vec, len(at))
	for i := range at {
		votes[i] = at[i].AddScaled(-radius, normal[i])
	}
	centers := peaks(votes, radius, skinVotes)
	members, err := shells(ctx, c, centers, radius)
	if err != nil {
		return Result{}, err
	}
	verdicts := make([]verdict, len(centers))
	err = par.Each(ctx, len(centers), func(i int) error {
		verdicts[i] = judgeSkin(c, members[i], centers[i], o)
		return nil
	})
	return settle(verdicts, radius), err
}

// skinPlaces averages places and normals in cells; cells at edges are left out.
func skinPlaces(c *scan.Cloud, cell float64) (at, normal []geom.Vec) {
	type place struct {
		at, n geom.Vec
		count float64
	}
	number := map[[3]int32]int{}
	var all []place
	for i := range c.X {
		p, n := c.At(i), c.Normal(i)
		if !p.IsFinite() || !(math.Abs(n.Norm2()-1) < 0.1) {
			continue
		}
		key := [3]int32{int32(math.Floor(p.X / cell)), int32(math.Floor(p.Y / cell)), int32(math.Floor(p.Z / cell))}
		k, ok := number[key]
		if !ok {
			k = len(all)
			number[key], all = k, append(all, place{})
		}
		q := &all[k]
		q.at, q.n, q.count = q.at.Add(p), q.n.Add(n), q.count+1
	}
	for _, q := range all {
		if n := q.n.Scale(1 / q.count); n.Norm() > skinCos {
			at, normal = append(at, q.at.Scale(1/q.count)), append(normal, n.Unit())
		}
	}
	return at, normal
}

// shells gathers for each centre the points whose distance is near the radius.
func shells(ctx context.Context, c *scan.Cloud, centers []geom.Vec, radius float64) ([][]int32, error) {
	out := make([][]int32, len(centers))
	if len(centers) == 0 {
		return out, ctx.Err()
	}
	reach := radius * (1 + 2*skinBand)
	g := grid{cell: reach}
	around := map[[3]int32][]int32{} // of each cell, the centres that its points may be near
	for i, p := range centers {
		k := g.key(p)
		for x := k[0] - 1; x <= k[0]+1; x++ {
			for y := k[1] - 1; y <= k[1]+1; y++ {
				for z := k[2] - 1; z <= k[2]+1; z++ {
					around[[3]int32{x, y, z}] = append(around[[3]int32{x, y, z}], int32(i))
				}
			}
		}
	}
	for i := range c.X {
		if i%65536 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		p := c.At(i)
		for _, k := range around[g.key(p)] {
			if d := p.Dist(centers[k]); d < reach && d > radius*(1-2*skinBand) {
				out[k] = append(out[k], int32(i))
			}
		}
	}
	return out, nil
}

// skinFit is a candidate on its way.
type skinFit struct {
	c       *scan.Cloud
	members []int32
	center  geom.Vec
	radius  float64
	band    float64 // points farther from the sphere are not used
}

// each calls f with every point used: its direction from the centre, its distance from
// the sphere and Tukey's weight.
func (s *skinFit) each(f func(u geom.Vec, e, w float64)) {
	for _, i := range s.members {
		d := s.c.At(int(i)).Sub(s.center)
		l := d.Norm()
		e := l - s.radius
		if math.Abs(e) >= s.band || s.c.Normal(int(i)).Dot(d) < skinCos*l {
			continue
		}
		q := 1 - e*e/(s.band*s.band)
		f(d.Scale(1/l), e, q*q)
	}
}

// solve fits the centre, and the radius where it is free, by Gauss-Newton steps with the
// band drawn in to five robust standard deviations, and reports whether it is held.
func (s *skinFit) solve(free bool) bool {
	n := 3
	if free {
		n = 4
	}
	for step := range 12 {
		var sums [4][5]float64 // normal matrix and, behind it, right side; the derivatives are -u and -1
		var abs []float64
		s.each(func(u geom.Vec, e, w float64) {
			row := [4]float64{-u.X, -u.Y, -u.Z, -1}
			for i := range sums {
				for j := range row {
					sums[i][j] += w * row[i] * row[j]
				}
				sums[i][4] -= w * e * row[i]
			}
			abs = append(abs, math.Abs(e))
		})
		h, g := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
		for i := range n {
			g.SetVec(i, sums[i][4])
			for j := i; j < n; j++ {
				h.SetSym(i, j, sums[i][j])
			}
		}
		var chol mat.Cholesky
		var x mat.VecDense
		if len(abs) < skinVotes/2 || !chol.Factorize(h) || chol.SolveVecTo(&x, g) != nil {
			return false
		}
		s.center = s.center.Add(geom.Vec{X: x.AtVec(0), Y: x.AtVec(1), Z: x.AtVec(2)})
		if free {
			s.radius += x.AtVec(3)
		}
		slices.Sort(abs)
		if sigma := 1.4826 * abs[len(abs)/2]; step >= 2 {
			s.band = min(s.band, max(5*sigma, 1e-4*s.radius))
		}
	}
	return s.center.IsFinite()
}

// judgeSkin fits a candidate and decides.
func judgeSkin(c *scan.Cloud, members []int32, start geom.Vec, o Options) verdict {
	s := skinFit{c: c, members: members, center: start, radius: o.Diameter / 2, band: skinBand * o.Diameter / 2}
	if !s.solve(false) {
		return turnedDown(start, 0, len(members), "its points hold no centre")
	}
	free := s
	free.band = skinBand * o.Diameter / 2
	if !free.solve(true) {
		return turnedDown(s.center, 0, len(members), "its points hold no diameter")
	}
	x := Sphere{Center: s.center, Nominal: o.Diameter, Diameter: 2 * free.radius}
	seen := s.pieces()
	var sum, weight float64
	s.each(func(_ geom.Vec, e, w float64) {
		x.Points++
		sum, weight = sum+w*e*e, weight+w
	})
	x.RMS = math.Sqrt(sum / weight)
	x.Form = s.form(seen)
	share := float64(len(seen)) / skinPieces
	x.CapDeg = 2 * math.Acos(max(-1, 1-2*share)) * 180 / math.Pi
	x.DiameterSigma = 2 * x.RMS / math.Sqrt(float64(len(seen)))
	off := math.Abs(x.Diameter - o.Diameter)
	switch {
	case share < skinSeen:
		return turnedDown(x.Center, x.Diameter, x.Points, fmt.Sprintf("%.0f %% of the sphere was seen, %.0f %% are needed", 100*share, 100*skinSeen))
	case s.clean() < skinClean:
		return turnedDown(x.Center, x.Diameter, x.Points, fmt.Sprintf("%.0f %% of the surface around it lies on the sphere, %.0f %% are needed", 100*s.clean(), 100*skinClean))
	case x.Form > mostForm*o.Tolerance || off > 0.1*o.Diameter:
		return turnedDown(x.Center, x.Diameter, x.Points, fmt.Sprintf("it departs from a sphere by %.3g rms", x.Form))
	}
	cov, ok := s.cov(seen)
	if !ok {
		return turnedDown(x.Center, x.Diameter, x.Points, "its points hold no centre")
	}
	x.Cov, x.Usable = cov, off <= o.Tolerance+2*x.DiameterSigma
	return verdict{sphere: x, accepted: true}
}

// A sphere is cut into pieces of about equal area: six faces of a cube, each into
// squares of equal angles.
const (
	skinSide   = 6
	skinPieces = 6 * skinSide * skinSide
)

// piece numbers the piece of a direction.
func piece(u geom.Vec) int {
	axis := 0
	for k := range 3 {
		if math.Abs(u.At(k)) > math.Abs(u.At(axis)) {
			axis = k
		}
	}
	face, along := axis, u.At(axis)
	if along < 0 {
		face += 3
	}
	cut := func(v float64) int {
		angle := math.Atan(v/math.Abs(along))/(math.Pi/2) + 0.5
		return min(skinSide-1, max(0, int(angle*skinSide)))
	}
	return (face*skinSide+cut(u.At((axis+1)%3)))*skinSide + cut(u.At((axis+2)%3))
}

// pieceSum is what the points of one piece add up to.
type pieceSum struct {
	number  int
	w, e, n float64
	score   geom.Vec
}

// pieces sums the points used by pieces of the sphere, in the order of their numbers.
func (s *skinFit) pieces() []pieceSum {
	all := make([]pieceSum, skinPieces)
	s.each(func(u geom.Vec, e, w float64) {
		p := &all[piece(u)]
		p.w, p.e, p.n, p.score = p.w+w, p.e+w*e, p.n+1, p.score.AddScaled(w*e, u)
	})
	var out []pieceSum
	for i, p := range all {
		if p.number = i; p.n > 0 && p.w > 0 {
			out = append(out, p)
		}
	}
	return out
}

// form is the rms over the pieces of their mean distance.
func (s *skinFit) form(seen []pieceSum) float64 {
	sum := 0.0
	for _, p := range seen {
		sum += p.e / p.w * (p.e / p.w)
	}
	return math.Sqrt(sum / float64(max(1, len(seen))))
}

// clean is the share of the points in the shell, facing outwards, that lie on the sphere.
func (s *skinFit) clean() float64 {
	on, all := 0, 0
	for _, i := range s.members {
		d := s.c.At(int(i)).Sub(s.center)
		l := d.Norm()
		e := math.Abs(l - s.radius)
		if e > skinBand*s.radius {
			continue
		}
		all++
		if e < s.band && s.c.Normal(int(i)).Dot(d) > skinCos*l {
			on++
		}
	}
	return float64(on) / float64(max(all, 1))
}

// cov is the sandwich covariance of the centre with the pieces as clusters; see
// K.-Y. Liang, S. L. Zeger, Biometrika 73 (1986), 13-22.
func (s *skinFit) cov(seen []pieceSum) (geom.Mat, bool) {
	var slope, meat geom.Mat
	s.each(func(u geom.Vec, e, w float64) {
		root := math.Sqrt(w)
		slope = slope.Add(geom.Outer(u, u).Scale(root * (5*root - 4)))
	})
	for _, p := range seen {
		meat = meat.Add(geom.Outer(p.score, p.score))
	}
	inv, ok := slope.Inv()
	n := float64(len(seen))
	if !ok || n < 7 {
		return geom.Mat{}, false
	}
	return inv.Mul(meat.Scale(n / (n - 3))).Mul(inv.T()), true
}
