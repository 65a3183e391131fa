package sphere

import (
	"cmp"
	"context"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// castVotes returns one vote for a sphere's centre for every cell of the view
// whose surroundings are smooth and about as curved as the sphere.
func castVotes(ctx context.Context, c *scan.Cloud, v *view, radius float64) ([]geom.Vec, error) {
	places := v.places()
	slots := make([][]geom.Vec, len(places))
	err := par.Each(ctx, len(places), func(i int) error {
		var p patch
		p.load(c, v, places[i])
		slots[i] = p.votes(places[i].face, radius)
		return nil
	})
	return slices.Concat(slots...), err
}

// place names one tile.
type place struct{ level, face, row, col int }

func (v *view) places() []place {
	var list []place
	for k := range v.levels {
		n := tilesAcross(k)
		for f := range v.levels[k] {
			for i := range v.levels[k][f] {
				if v.levels[k][f][i].Load() != nil {
					list = append(list, place{k, f, i / n, i % n})
				}
			}
		}
	}
	return list
}

const (
	margin    = 2 // cells around a cell that its normal is taken from
	patchSide = tileSide + 2*margin
)

// patch is a tile with its margin, in face coordinates: across, across, depth.
type patch struct {
	seen    [patchSide * patchSide]bool
	a, b, d [patchSide * patchSide]float64
}

func (p *patch) load(c *scan.Cloud, v *view, at place) {
	n := tilesAcross(at.level)
	tiles := v.levels[at.level][at.face]
	for row := range patchSide {
		u := at.row<<tileBits + row - margin
		for col := range patchSide {
			w := at.col<<tileBits + col - margin
			if u < 0 || w < 0 || u>>tileBits >= n || w>>tileBits >= n {
				continue
			}
			t := tiles[(u>>tileBits)*n+w>>tileBits].Load()
			if t == nil {
				continue
			}
			if i := t[(u&(tileSide-1))<<tileBits|w&(tileSide-1)]; i != 0 {
				k := row*patchSide + col
				p.seen[k] = true
				p.a[k], p.b[k], p.d[k] = onFace(c.At(int(i-1)), at.face)
			}
		}
	}
}

func (p *patch) votes(f int, radius float64) []geom.Vec {
	var list []geom.Vec
	for row := margin; row < margin+tileSide; row++ {
		for col := margin; col < margin+tileSide; col++ {
			k := row*patchSide + col
			if !p.seen[k] {
				continue
			}
			if a, b, d, ok := p.center(k, radius); ok {
				list = append(list, offFace(a, b, d, f))
			}
		}
	}
	return list
}

// offFace is the inverse of onFace.
func offFace(a, b, depth float64, f int) geom.Vec {
	if f >= 3 {
		depth = -depth
	}
	switch f % 3 {
	case 0:
		return geom.Vec{X: depth, Y: a, Z: b}
	case 1:
		return geom.Vec{X: b, Y: depth, Z: a}
	default:
		return geom.Vec{X: a, Y: b, Z: depth}
	}
}

// neighbours is the 5×5 window of a cell, at most.
type neighbours struct {
	n       int
	a, b, d [25]float64
}

// center returns the centre of a sphere of the given radius that the window
// around cell k lies on, and whether the window is curved like one. With n the
// normal of the plane through the window, m its centroid and t² the mean squared
// distance of its points from m, the centre is m - (R - t²/2R)·n.
func (p *patch) center(k int, radius float64) (a, b, d float64, ok bool) {
	w := p.window(k, radius)
	if w.n < 6 {
		return 0, 0, 0, false
	}
	m := geom.Vec{X: mean(w.a[:w.n]), Y: mean(w.b[:w.n]), Z: mean(w.d[:w.n])}
	var s [6]float64
	for i := range w.n {
		x, y, z := w.a[i]-m.X, w.b[i]-m.Y, w.d[i]-m.Z
		s[0] += x * x
		s[1] += x * y
		s[2] += x * z
		s[3] += y * y
		s[4] += y * z
		s[5] += z * z
	}
	n := flattest(s)
	if n.Dot(m) > 0 {
		n = n.Scale(-1) // towards the scanner
	}
	curvature, spread, ok := w.bend(m, n)
	// A third to two and a half times the curvature looked for: noise of 2 % of the radius scatters it by a third.
	if !ok || curvature*radius < 0.35 || curvature*radius > 2.5 {
		return 0, 0, 0, false
	}
	c := m.AddScaled(-(radius - spread/(2*radius)), n)
	return c.X, c.Y, c.Z, c.Norm2() > radius*radius
}

// window collects the cells around k that continue its surface: their depth does
// not jump by more than the sphere's own slope at 75° of incidence allows.
func (p *patch) window(k int, radius float64) (w neighbours) {
	for row := -margin; row <= margin; row++ {
		for col := -margin; col <= margin; col++ {
			j := k + row*patchSide + col
			if !p.seen[j] || math.Abs(p.d[j]-p.d[k]) > 0.6*radius {
				continue
			}
			w.a[w.n], w.b[w.n], w.d[w.n] = p.a[j], p.b[j], p.d[j]
			w.n++
		}
	}
	return w
}

func mean(v []float64) float64 {
	var s float64
	for _, x := range v {
		s += x
	}
	return s / float64(len(v))
}

// flattest returns the unit eigenvector of the smallest eigenvalue of the
// symmetric matrix s (upper triangle, row-major): two steps of power iteration on
// its adjugate, where the wanted eigenvalue is the largest by the ratio of the
// others to it.
func flattest(s [6]float64) geom.Vec {
	m := adjugate(s)
	r0, r1, r2 := geom.Vec{X: m[0], Y: m[1], Z: m[2]}, geom.Vec{X: m[1], Y: m[3], Z: m[4]}, geom.Vec{X: m[2], Y: m[4], Z: m[5]}
	n := r2
	switch {
	case m[0] >= m[3] && m[0] >= m[5]:
		n = r0
	case m[3] >= m[5]:
		n = r1
	}
	n = n.Unit()
	return geom.Vec{X: r0.Dot(n), Y: r1.Dot(n), Z: r2.Dot(n)}.Unit()
}

func adjugate(s [6]float64) [6]float64 {
	return [6]float64{
		s[3]*s[5] - s[4]*s[4], s[2]*s[4] - s[1]*s[5], s[1]*s[4] - s[2]*s[3],
		s[0]*s[5] - s[2]*s[2], s[1]*s[2] - s[0]*s[4], s[0]*s[3] - s[1]*s[1],
	}
}

// bend returns the curvature of the window towards the scanner and the mean
// squared distance of its points from the centroid, by regression of the heights
// over the tangent plane on the squared distances within it.
func (w *neighbours) bend(m, n geom.Vec) (curvature, spread float64, ok bool) {
	var h, q [25]float64
	for i := range w.n {
		v := geom.Vec{X: w.a[i], Y: w.b[i], Z: w.d[i]}.Sub(m)
		h[i] = v.Dot(n)
		q[i] = v.Norm2() - h[i]*h[i]
	}
	spread = mean(q[:w.n])
	var hq, qq float64
	for i := range w.n {
		e := q[i] - spread
		hq += e * h[i]
		qq += e * e
	}
	return -2 * hq / qq, spread, qq > 0
}

// votesPerPeak is the least number of agreeing cells. A sphere covers 50 to 200
// cells, of which half vote well at usual noise; single planes at usual noise put
// five into the same space.
const votesPerPeak = 10

// peaks returns the places where votes agree within a third of the radius, best
// first, none within a radius of a better one, and none with fewer than least.
func peaks(votes []geom.Vec, radius float64, least int) []geom.Vec {
	g := newGrid(votes, radius/3)
	type peak struct {
		at    geom.Vec
		votes int
	}
	var list []peak
	for _, key := range g.keys {
		if g.around(key) < least {
			continue
		}
		at, n := g.climb(g.mean(key), radius/3)
		if n >= least {
			list = append(list, peak{at, n})
		}
	}
	slices.SortFunc(list, func(a, b peak) int { return cmp.Or(cmp.Compare(b.votes, a.votes), order(a.at, b.at)) })
	var best []geom.Vec
	for _, p := range list {
		if !slices.ContainsFunc(best, func(q geom.Vec) bool { return q.Dist(p.at) < radius }) {
			best = append(best, p.at)
		}
		if len(best) == maxPeaks {
			break
		}
	}
	return best
}

// maxPeaks bounds the work on a scan of nothing but round things.
const maxPeaks = 2000

// grid sorts votes into cubic cells.
type grid struct {
	cell  float64
	keys  [][3]int32
	lists map[[3]int32][]geom.Vec
}

func newGrid(votes []geom.Vec, cell float64) grid {
	g := grid{cell: cell, lists: map[[3]int32][]geom.Vec{}}
	for _, v := range votes {
		k := g.key(v)
		if g.lists[k] == nil {
			g.keys = append(g.keys, k) // in order of first appearance, which is the order of the votes
		}
		g.lists[k] = append(g.lists[k], v)
	}
	return g
}

func (g grid) key(v geom.Vec) [3]int32 {
	return [3]int32{int32(math.Floor(v.X / g.cell)), int32(math.Floor(v.Y / g.cell)), int32(math.Floor(v.Z / g.cell))}
}

// each calls f with the list of every cell of the 3×3×3 around k, in fixed order.
func (g grid) each(k [3]int32, f func([]geom.Vec)) {
	for x := k[0] - 1; x <= k[0]+1; x++ {
		for y := k[1] - 1; y <= k[1]+1; y++ {
			for z := k[2] - 1; z <= k[2]+1; z++ {
				f(g.lists[[3]int32{x, y, z}])
			}
		}
	}
}

func (g grid) around(k [3]int32) (n int) {
	g.each(k, func(v []geom.Vec) { n += len(v) })
	return n
}

func (g grid) mean(k [3]int32) geom.Vec {
	var s geom.Vec
	for _, v := range g.lists[k] {
		s = s.Add(v)
	}
	return s.Scale(1 / float64(len(g.lists[k])))
}

// climb moves to the mean of the votes within reach three times (mean shift, K.
// Fukunaga and L. Hostetler, IEEE Trans. Inf. Theory 21, 1975), and counts them.
func (g grid) climb(at geom.Vec, reach float64) (geom.Vec, int) {
	n := 0
	for range 3 {
		var s geom.Vec
		n = 0
		g.each(g.key(at), func(list []geom.Vec) {
			for _, v := range list {
				if v.Dist(at) <= reach {
					s = s.Add(v)
					n++
				}
			}
		})
		if n == 0 {
			return at, 0
		}
		at = s.Scale(1 / float64(n))
	}
	return at, n
}
