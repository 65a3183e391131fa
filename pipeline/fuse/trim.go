package fuse

import (
	"context"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// surface is a mesh that reaches beyond where points are, and says how far it is covered.
type surface struct {
	*scan.Mesh
	cover []uint8 // of every vertex, of complete
}

const (
	// rimCover is the cover at the straight rim of a plane: half of the points around are missing.
	rimCover = complete / 2.0
	// beyond is the cover below which nothing but the far side of a rim is. In the middle of
	// a round hole of three cells it is nothing where points are dense, and a seventh where four
	// views have points a cell apart.
	beyond = complete * leastCover
	// leastDrawn keeps a vertex that is drawn in off those that stay, in parts of the edge.
	leastDrawn = 0.05
	// bowing is the share of a bend that is added to it: with none, the radius of a hole of three
	// cells is 0.3 to 0.5 cells short and that of one of four 0.2 (TestRims).
	bowing = 0.25
)

// between returns the cover at a share of the way between two places.
func between(a, b uint8, share float32) uint8 {
	return uint8(float32(a) + share*(float32(b)-float32(a)) + 0.5)
}

// trim ends the surface where its cover falls to that of a rim, seen from where nothing is. What
// is covered thinly inside stays. Of the vertices beyond the rim, those next to it are drawn in to
// it, the others are left out.
func trim(ctx context.Context, s *surface) (*scan.Mesh, error) {
	list, err := s.thin(ctx)
	if err != nil || len(list) == 0 {
		return s.Mesh, err
	}
	w := newTrimming(s, list)
	w.spread()
	w.join()
	w.draw()
	w.bow()
	return w.rest(), nil
}

// thin lists the triangles with a corner that is covered less than a rim.
func (s *surface) thin(ctx context.Context) ([]int32, error) {
	parts := make([][]int32, par.Count(s.Triangles(), chunk))
	err := par.Blocks(ctx, s.Triangles(), chunk, func(block, lo, hi int) error {
		for k := lo; k < hi; k++ {
			if s.isThin(s.Tri[3*k]) || s.isThin(s.Tri[3*k+1]) || s.isThin(s.Tri[3*k+2]) {
				parts[block] = append(parts[block], int32(k))
			}
		}
		return nil
	})
	var list []int32
	for _, part := range parts {
		list = append(list, part...)
	}
	return list, err
}

func (s *surface) isThin(v int32) bool { return float32(s.cover[v]) < rimCover }

// trimming goes through the triangles with a thin corner. A corner is numbered by the place of
// its triangle in the list.
type trimming struct {
	*surface
	list  []int32            // triangles
	edges map[[2]int32]int32 // the corner that an edge of one of them begins at
	gone  []bool             // vertices beyond the rim
	drawn []int32            // vertices that were drawn in: their numbers among these, from 1 on; 0 for the others
	draws int32              // how many they are
	stays []bool             // of a triangle in the list: not wholly beyond the rim
	fan   []int32            // of a corner: the first one of the same vertex that it hangs together with
}

func newTrimming(s *surface, list []int32) *trimming {
	w := &trimming{surface: s, list: list, edges: make(map[[2]int32]int32, 3*len(list)), gone: make([]bool, s.Vertices()), drawn: make([]int32, s.Vertices()), stays: make([]bool, len(list)), fan: make([]int32, 3*len(list))}
	for c := range w.fan {
		w.edges[[2]int32{w.vertex(c), w.vertex(next(c))}] = int32(c)
		w.fan[c] = int32(c)
	}
	return w
}

func next(c int) int { return c - c%3 + (c+1)%3 }

// at returns where a vertex is, from the origin of the mesh: however far that is, nothing is
// rounded for it.
func (w *trimming) at(v int32) geom.Vec {
	return geom.Vec{X: float64(w.X[v]), Y: float64(w.Y[v]), Z: float64(w.Z[v])}
}

func (w *trimming) vertex(c int) int32 { return w.Tri[3*int(w.list[c/3])+c%3] }

// spread finds the vertices beyond the rim: from the border and from what is not covered, all
// the thin ones.
func (w *trimming) spread() {
	var todo []int32
	reach := func(v int32) {
		if !w.gone[v] && w.isThin(v) {
			w.gone[v] = true
			todo = append(todo, v)
		}
	}
	beside := map[int32][]int32{}
	for c := range w.fan {
		v, u := w.vertex(c), w.vertex(next(c))
		if w.cover[v] < beyond {
			reach(v)
		}
		_, isInner := w.edges[[2]int32{u, v}]
		switch thin := [2]bool{w.isThin(v), w.isThin(u)}; {
		case thin[0] && thin[1]:
			beside[v], beside[u] = append(beside[v], u), append(beside[u], v)
			fallthrough
		case thin[0] || thin[1]:
			if !isInner {
				reach(v)
				reach(u)
			}
		}
	}
	for at := 0; at < len(todo); at++ {
		for _, u := range beside[todo[at]] {
			reach(u)
		}
	}
	for i := range w.stays {
		w.stays[i] = !w.gone[w.vertex(3*i)] || !w.gone[w.vertex(3*i+1)] || !w.gone[w.vertex(3*i+2)]
	}
}

// join finds which corners of a vertex beyond the rim hang together in triangles that stay.
func (w *trimming) join() {
	for c := range w.fan {
		v, u := w.vertex(c), w.vertex(next(c))
		other, ok := w.edges[[2]int32{u, v}]
		if !ok || !w.stays[c/3] || !w.stays[other/3] {
			continue
		}
		w.link(int32(c), int32(next(int(other))))
		w.link(int32(next(c)), other)
	}
}

func (w *trimming) root(c int32) int32 {
	for w.fan[c] != c {
		w.fan[c] = w.fan[w.fan[c]]
		c = w.fan[c]
	}
	return c
}

func (w *trimming) link(c, d int32) {
	c, d = w.root(c), w.root(d)
	w.fan[max(c, d)] = min(c, d)
}

// draw moves every vertex beyond the rim to where the edges that join it to vertices inside cross
// the rim, the mean of those places. Where the surface lies on two sides of it that do not hang
// together, each side has a vertex of its own.
func (w *trimming) draw() {
	type sum struct {
		of geom.Vec
		n  float64
	}
	sums := map[int32]sum{}
	var roots []int32
	for c := range w.fan {
		v := w.vertex(c)
		if !w.gone[v] || !w.stays[c/3] {
			continue
		}
		root := w.root(int32(c))
		s, ok := sums[root]
		if !ok {
			roots = append(roots, root)
		}
		for _, d := range [2]int{next(c), next(next(c))} {
			if u := w.vertex(d); !w.gone[u] {
				s = sum{s.of.Add(w.at(u).Sub(w.at(v)).Scale(1 - w.share(u, v))), s.n + 1}
			}
		}
		sums[root] = s
	}
	number, moves := map[int32]int32{}, []geom.Vec{{}}
	for _, root := range roots {
		v := w.vertex(int(root))
		if w.drawn[v] > 0 {
			w.drawn = append(w.drawn, 0)
			w.X, w.Y, w.Z = append(w.X, w.X[v]), append(w.Y, w.Y[v]), append(w.Z, w.Z[v])
			v = int32(w.Vertices() - 1)
		}
		w.draws++
		number[root], w.drawn[v] = v, w.draws
		moves = append(moves, sums[root].of.Scale(1/sums[root].n))
	}
	for c := range w.fan {
		if w.gone[w.vertex(c)] && w.stays[c/3] {
			w.Tri[3*int(w.list[c/3])+c%3] = number[w.root(int32(c))]
		}
	}
	w.move(moves)
}

// bow makes up for what the rim of a hole loses: around a bend, more of the points around are
// there than along a straight rim, and chords cut it short. Both grow with the curvature. No
// triangle is turned over for it.
func (w *trimming) bow() {
	ahead, behind := w.alongRim()
	moves := make([]geom.Vec, w.draws+1)
	for v := range ahead {
		if a, b := step(ahead, v), step(behind, v); a >= 0 && b >= 0 {
			moves[w.drawn[v]] = w.at(v).Sub(w.at(a).Add(w.at(b)).Scale(0.5)).Scale(bowing)
		}
	}
	w.move(moves)
}

// move moves the vertices that were drawn in, but no further than their triangles let them
// before they turn over.
func (w *trimming) move(moves []geom.Vec) {
	const step, most, leastLeft = 0.75, 16, 0.1
	var todo [][3]int32 // triangles
	for i, stays := range w.stays {
		if t := [3]int32(w.Tri[3*w.list[i]:]); stays && w.drawn[t[0]]+w.drawn[t[1]]+w.drawn[t[2]] > 0 {
			todo = append(todo, t)
		}
	}
	for round, isTurned := 0, true; isTurned; round++ {
		isTurned = false
		for _, t := range todo {
			m := [3]geom.Vec{moves[w.drawn[t[0]]], moves[w.drawn[t[1]]], moves[w.drawn[t[2]]]}
			if m == [3]geom.Vec{} {
				continue
			}
			a, b, c := w.at(t[0]), w.at(t[1]), w.at(t[2])
			before := b.Sub(a).Cross(c.Sub(a))
			a, b, c = a.Add(m[0]), b.Add(m[1]), c.Add(m[2])
			if b.Sub(a).Cross(c.Sub(a)).Dot(before) > leastLeft*before.Norm2() {
				continue
			}
			isTurned = true
			for k, v := range t {
				moves[w.drawn[v]] = m[k].Scale(step)
				if round >= most {
					moves[w.drawn[v]] = geom.Vec{}
				}
			}
		}
	}
	for v, n := range w.drawn {
		if n > 0 {
			p := w.at(int32(v)).Add(moves[n])
			w.X[v], w.Y[v], w.Z[v] = float32(p.X), float32(p.Y), float32(p.Z)
		}
	}
}

// alongRim returns the next vertex along the rim, and the one before.
func (w *trimming) alongRim() (ahead, behind map[int32]int32) {
	inner := map[[2]int32]bool{}
	for c := range w.fan {
		if w.stays[c/3] {
			inner[[2]int32{w.vertex(next(c)), w.vertex(c)}] = true
		}
	}
	ahead, behind = map[int32]int32{}, map[int32]int32{}
	for c := range w.fan {
		if v, u := w.vertex(c), w.vertex(next(c)); w.stays[c/3] && w.drawn[v] > 0 && w.drawn[u] > 0 && !inner[[2]int32{v, u}] {
			ahead[v], behind[u] = u, v
		}
	}
	return ahead, behind
}

// step follows a border for a cell or two.
func step(along map[int32]int32, v int32) int32 {
	for range 2 {
		u, ok := along[v]
		if !ok {
			return -1
		}
		v = u
	}
	return v
}

// share returns how far from a vertex inside to one beyond the rim it passes.
func (w *trimming) share(in, out int32) float64 {
	a, b := float64(w.cover[in]), float64(w.cover[out])
	if a <= b {
		return leastDrawn // thin inside
	}
	return min(max((a-rimCover)/(a-b), leastDrawn), 1)
}

// rest leaves out the triangles beyond the rim.
func (w *trimming) rest() *scan.Mesh {
	kept, from := w.Tri[:0], int32(0)
	for i, k := range w.list {
		if w.stays[i] {
			continue
		}
		kept = append(kept, w.Tri[3*from:3*k]...)
		from = k + 1
	}
	w.Tri = append(kept, w.Tri[3*from:]...)
	return w.Mesh
}
