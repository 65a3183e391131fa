package reduce

import (
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// carver collapses the edges of one partition. Several work on one surface at
// once: each changes only vertices and triangles that are its own, and reads
// beyond them only positions and flags that nobody changes.
type carver struct {
	s       *surface
	piece   *piece // that s is of, where it is one
	queue   *queue
	removed int   // triangles
	only    uint8 // flags, one of which an end of each edge must have; 0 takes all edges

	isPatient bool // tries edges again that could not be collapsed

	atU, atV     fan // scratch
	nearU, nearV []int32
}

// fill queues every edge of the triangles lo to hi that may be collapsed.
func (k *carver) fill(lo, hi int) {
	s := k.s
	for t := lo; t < hi; t++ {
		for i := range 3 {
			a, b := s.tri[3*t+i], s.tri[3*t+(i+1)%3]
			// An inner edge is met twice, once in each direction.
			if a < b || s.flags[a]&s.flags[b]&onBorder != 0 && !k.isMetAgain(a, b) {
				k.offer(a, b)
			}
		}
	}
}

// isMetAgain reports whether a triangle has the edge from b to a.
func (k *carver) isMetAgain(a, b int32) bool {
	k.atV.read(k.s, b)
	return slices.Contains(k.atV.from, a)
}

// offer queues the edge between u and v, unless one of them must stay.
func (k *carver) offer(u, v int32) {
	s := k.s
	if either := s.flags[u] | s.flags[v]; either&(held|onSeam) != 0 || k.only != 0 && either&k.only == 0 {
		return
	}
	planes, all := k.sum(u, v)
	d := k.cheapest(&all, u, v)
	cost := k.cost(&planes, u, v, d)
	if cost-cost == 0 && k.isAllowed(u, v, d) {
		k.queue.push(u, v, s.version[u]+s.version[v], cost)
	}
}

// run collapses edges in the order of their cost, as long as their bucket is not
// above most and more than enough triangles have to go.
func (k *carver) run(most, enough int) {
	for k.removed < enough {
		e, ok := k.queue.pop(most)
		if !ok {
			return
		}
		s := k.s
		if s.head[e.u] >= 0 && s.head[e.v] >= 0 && s.version[e.u]+s.version[e.v] == e.stamp {
			k.collapse(e.u, e.v)
		}
	}
}

// collapse merges u into v when the result is sound, and queues the edges of the
// merged vertex.
func (k *carver) collapse(u, v int32) {
	s := k.s
	k.atU.read(s, u)
	k.atV.read(s, v)
	shared := count(k.atU.from, v) + count(k.atU.to, v)
	if !k.isLinkSound(u, v, shared) {
		k.postpone(u, v)
		return
	}
	planes, all := k.sum(u, v)
	p, cost, ok := k.place(&planes, &all, u, v)
	if !ok {
		k.postpone(u, v)
		return
	}
	if at := bucketOf(cost); at > k.queue.lowest+slack {
		k.queue.pushAt(u, v, s.version[u]+s.version[v], at)
		return
	}
	s.q[v] = planes.moved(p.Sub(s.at(u)))
	s.x[v], s.y[v], s.z[v] = float32(p.X), float32(p.Y), float32(p.Z)
	s.area[v] += s.area[u]
	s.flags[v] |= s.flags[u]
	if s.boost != nil {
		s.boost[v] = max(s.boost[u], s.boost[v])
	}
	if s.limit != nil {
		s.limit[v] = min(s.limit[u], s.limit[v])
	}
	s.version[v] += s.version[u] + 1
	s.into[u] = v
	k.rewire(u, v)
	k.removed += shared
	k.offerAround(v)
}

// postpone queues an edge again that cannot be collapsed now, for a few octaves of cost
// later: what is around it may have changed by then.
func (k *carver) postpone(u, v int32) {
	if at := k.queue.lowest + patience; k.isPatient && at < buckets {
		k.queue.pushAt(u, v, k.s.version[u]+k.s.version[v], at)
	}
}

// patience is two octaves of cost, in buckets.
const patience = 2 << bucketsPerOctaveLog2

// isLinkSound says whether the surface stays a manifold: the neighbours that u and
// v have in common must be those of the triangles they share (the link condition;
// T. Dey, H. Edelsbrunner, S. Guha & D. Nekhayev, Topology preserving edge
// contraction, Publ. Inst. Math. 66, 1999), an edge between two border vertices
// must itself be border, and something must be left of the component.
func (k *carver) isLinkSound(u, v int32, shared int) bool {
	bothOnBorder := k.s.flags[u]&k.s.flags[v]&onBorder != 0
	if shared == 0 || shared > 2 || shared == 2 && bothOnBorder {
		return false
	}
	nU, nV := len(k.atU.corners), len(k.atV.corners)
	if nU+nV == 2*shared || shared == 2 && nU == 3 && nV == 3 { // the last of it; a tetrahedron
		return false
	}
	k.nearU, k.nearV = k.atU.neighbours(k.nearU[:0]), k.atV.neighbours(k.nearV[:0])
	common := 0
	for _, w := range k.nearU {
		if slices.Contains(k.nearV, w) {
			common++
		}
	}
	return common == shared
}

// neighbours appends the vertices around the fan to buf, each once.
func (f *fan) neighbours(buf []int32) []int32 {
	buf = append(buf, f.from...)
	for _, b := range f.to {
		if !slices.Contains(f.from, b) {
			buf = append(buf, b)
		}
	}
	return buf
}

const (
	// cosMaxTurn: no triangle turns by more than about 78 degrees in one collapse;
	// beyond 90 it would be flipped.
	cosMaxTurn = 0.2
	// minShape is the least ratio of area to squared edges, 1 for an equilateral
	// triangle, that a collapse may make out of a better triangle: sides of about 1 : 10.
	minShape = 0.1
	// slenderMesh and slenderShare: where half the triangles of the input are more slender
	// than slenderMesh, as in drawn parts, holding to minShape would cost corners; there it
	// is this share of the median. Of scanned surfaces half are better than 0.65.
	slenderMesh  = 0.5
	slenderShare = 0.01
)

// shape returns the ratio of area to squared edges of a triangle, 1 for an equilateral.
func shape(a, b, c geom.Vec) float64 {
	e, g := b.Sub(a), c.Sub(a)
	sides := e.Norm2() + g.Norm2() + c.Sub(b).Norm2()
	if sides == 0 {
		return 0
	}
	return 2 * math.Sqrt(3) * e.Cross(g).Norm() / sides
}

// leastShape returns minShape, or less where most of the triangles of m, in the given order,
// are slender.
func leastShape(m *scan.Mesh, order []int32) float64 {
	const sampled = 1 << 15
	var v []float64
	local := scan.Mesh{X: m.X, Y: m.Y, Z: m.Z, Tri: m.Tri}
	for i := 0; i < len(order); i += max(1, len(order)/sampled) {
		v = append(v, shape(local.Corners(int(order[i]))))
	}
	if len(v) == 0 {
		return minShape
	}
	slices.Sort(v)
	if median := v[len(v)/2]; median < slenderMesh {
		return slenderShare * median
	}
	return minShape
}

// keepsShape says whether all triangles of a star that survive stay unflipped and
// well shaped when their vertex own moves to p; those that have gone as well vanish.
func (k *carver) keepsShape(around *fan, own, gone int32, p geom.Vec) bool {
	was := k.s.at(own)
	for i, a := range around.from {
		b := around.to[i]
		if a == gone || b == gone {
			continue
		}
		pa, pb := k.s.at(a), k.s.at(b)
		before := pa.Sub(was).Cross(pb.Sub(was))
		e, g := pa.Sub(p), pb.Sub(p)
		after := e.Cross(g)
		area2, old2 := after.Norm2(), before.Norm2()
		dot := before.Dot(after)
		if area2 == 0 || old2 > 0 && (dot <= 0 || dot*dot < cosMaxTurn*cosMaxTurn*area2*old2) {
			return false
		}
		sides := e.Norm2() + g.Norm2() + pa.Sub(pb).Norm2()
		if 12*area2 >= k.s.slender*k.s.slender*sides*sides { // 2√3 |cross| / sides ≥ slender
			continue
		}
		oldSides := pa.Sub(was).Norm2() + pb.Sub(was).Norm2() + pa.Sub(pb).Norm2()
		if area2*oldSides*oldSides < old2*sides*sides {
			return false
		}
	}
	return true
}

// rewire removes the shared triangles and gives those of u to v.
func (k *carver) rewire(u, v int32) {
	s := k.s
	s.head[u], s.head[v] = -1, -1
	for i, c := range k.atV.corners {
		if k.atV.from[i] == u || k.atV.to[i] == u {
			first := c - c%3
			s.tri[first], s.tri[first+1], s.tri[first+2] = dead, dead, dead
			continue
		}
		s.next[c], s.head[v] = s.head[v], c
	}
	for _, c := range k.atU.corners {
		if s.tri[c] != dead {
			s.tri[c] = v
			s.next[c], s.head[v] = s.head[v], c
		}
	}
}

// offerAround queues all edges of v.
func (k *carver) offerAround(v int32) {
	k.atV.read(k.s, v)
	k.nearV = k.atV.neighbours(k.nearV[:0])
	for _, w := range k.nearV {
		k.offer(v, w)
	}
}
