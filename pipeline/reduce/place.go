package reduce

import (
	"slices"

	"trammel/pipeline/geom"
)

const (
	// pointWeight is the weight of the distance to the two ends of an edge beside that to
	// their planes, where a place is chosen: it decides where planes do not.
	pointWeight = 1e-6
	// orderWeight is that weight where edges are ordered: on flat ground short ones go
	// first. It must be small beside any error that matters. With 5e-6, an end 100 mm away
	// counts as much as a plane 0.2 mm away, and large flat sides kept triangles that the
	// holes in them needed: a tray of sheet metal at a third of its triangles was off by
	// 6.0 instead of 2.0.
	orderWeight = 1e-9
	// slack is by how many buckets a merge may cost more than its edge was queued for, an
	// octave; beyond, it waits for its turn. A quarter of that takes 3 to 7 % off the distance
	// to the planes and adds as much to that to the surface.
	slack = 4
	// volumePrice is how many times cheaper another place must be than one that keeps the
	// volume. On curved ground it costs a few times more, at the edges of sharp steps thousands.
	volumePrice = 8.0
)

// sum returns the quadrics of u and v together, with the origin at u: without and
// with the distance to the points themselves.
func (k *carver) sum(u, v int32) (planes, all form) {
	e := k.s.at(v).Sub(k.s.at(u))
	planes = k.s.q[u].form()
	planes.add(&k.s.q[v], e)
	all = planes
	w := pointWeight * float64(k.s.area[u]+k.s.area[v])
	all.addPoint(geom.Vec{}, w)
	all.addPoint(e, w)
	return planes, all
}

// cost returns what a merge of u and v at the place d from u costs.
func (k *carver) cost(planes *form, u, v int32, d geom.Vec) float64 {
	s := k.s
	far2 := d.Norm2() + d.Sub(s.at(v).Sub(s.at(u))).Norm2()
	c := planes.at(d) + orderWeight*float64(s.area[u]+s.area[v])*far2
	if s.boost != nil {
		c *= float64(max(s.boost[u], s.boost[v]))
	}
	return c
}

// cheapest returns where, relative to u, the merged vertex costs least. A vertex on
// the border does not move to meet one of the inside.
func (k *carver) cheapest(f *form, u, v int32) geom.Vec {
	fixedU, fixedV := k.s.flags[u]&onBorder != 0, k.s.flags[v]&onBorder != 0
	switch {
	case fixedU && !fixedV:
		return geom.Vec{}
	case fixedV && !fixedU:
		return k.s.at(v).Sub(k.s.at(u))
	}
	if d, ok := f.minimum(); ok {
		return d
	}
	return k.s.at(v).Sub(k.s.at(u)).Scale(0.5) // triangles without area
}

// place returns where the merged vertex goes and what that costs. Inside the surface that
// is where the quadric is least among the places that keep the volume (P. Lindstrom &
// G. Turk, Fast and memory efficient polygonal simplification, IEEE Visualization
// 1998, §4.1, volume preservation, here as a constraint of the quadric); on the
// border, where there is no volume, where the quadric is least. Where that is unsound, or
// dearer than was thought as at the edges of thin walls, the cheapest sound one is taken of
// the least of the quadric, the two ends and the middle. ok is false where none is sound.
func (k *carver) place(planes, all *form, u, v int32) (p geom.Vec, cost float64, ok bool) {
	if (k.s.flags[u]|k.s.flags[v])&onBorder == 0 {
		g, s := k.volume(u, v)
		if d, isRegular := all.minimumOn(g, s); isRegular {
			p, cost, ok = k.try(planes, u, v, d)
			if ok && bucketOf(cost) <= k.queue.lowest+slack {
				return p, cost, true
			}
		}
	}
	price := volumePrice
	var list [4]geom.Vec
	places := append(list[:0], k.cheapest(all, u, v))
	if k.s.flags[u]&onBorder == k.s.flags[v]&onBorder {
		e := k.s.at(v).Sub(k.s.at(u))
		places = append(places, geom.Vec{}, e, e.Scale(0.5))
	}
	for _, d := range places {
		if ok && k.cost(planes, u, v, d) >= cost/price {
			continue
		}
		if q, c, sound := k.try(planes, u, v, d); sound {
			p, cost, ok, price = q, c, true, 1
		}
	}
	return p, cost, ok
}

// try returns the place d from u as the mesh can hold it and what it costs; ok says whether
// all triangles stay sound.
func (k *carver) try(planes *form, u, v int32, d geom.Vec) (p geom.Vec, cost float64, ok bool) {
	p = k.s.at(u).Add(d)
	p = geom.Vec{X: float64(float32(p.X)), Y: float64(float32(p.Y)), Z: float64(float32(p.Z))}
	cost = k.cost(planes, u, v, d)
	return p, cost, cost-cost == 0 && k.isAllowed(u, v, d) && k.isRimAllowed(u, v, p) && k.keepsShape(&k.atU, u, v, p) && k.keepsShape(&k.atV, v, u, p)
}

// volume returns the constraint g·d = s under which moving all corners at u and v
// to u+d keeps the volume below the surface.
func (k *carver) volume(u, v int32) (g geom.Vec, s float64) {
	o := k.s.at(u)
	for i, a := range k.atU.from {
		b := k.atU.to[i]
		g = g.Add(k.s.at(a).Sub(o).Cross(k.s.at(b).Sub(o)))
	}
	p := k.s.at(v).Sub(o)
	for i, a := range k.atV.from {
		b := k.atV.to[i]
		if a == u || b == u {
			continue
		}
		n := k.s.at(a).Sub(o).Sub(p).Cross(k.s.at(b).Sub(o).Sub(p))
		g = g.Add(n)
		s += n.Dot(p)
	}
	return g, s
}

// isAllowed says whether u and v may go to the place d from u: by how much that leaves their
// planes, in the mean. Where both lie on the border, the planes that hold it count as well;
// a vertex there that stays where it is does no harm.
func (k *carver) isAllowed(u, v int32, d geom.Vec) bool {
	s := k.s
	if s.limit == nil {
		return true
	}
	fixedU, fixedV := s.flags[u]&onBorder != 0, s.flags[v]&onBorder != 0
	both := fixedU && fixedV
	return (fixedU && !both || k.mayMove(u, d, both)) && (fixedV && !both || k.mayMove(v, d.Sub(s.at(v).Sub(s.at(u))), both))
}

func (k *carver) mayMove(v int32, d geom.Vec, onRim bool) bool {
	q, limit := k.s.q[v].form(), float64(k.s.limit[v])
	weight := float64(k.s.area[v])
	if onRim {
		weight = q.weight()
	}
	return q.at(d) <= weight*limit*limit
}

// isRimAllowed says whether the border may run over p instead of u and v: how far these two
// lie from it then. The planes of a border do not see how it bends along with the surface.
func (k *carver) isRimAllowed(u, v int32, p geom.Vec) bool {
	s := k.s
	if s.limit == nil || s.flags[u]&s.flags[v]&onBorder == 0 {
		return true
	}
	a, b := s.at(k.atU.rimBeside(v)), s.at(k.atV.rimBeside(u))
	for _, w := range [2]int32{u, v} {
		x, limit := s.at(w), float64(s.limit[w])
		if min(fromSegment2(x, a, p), fromSegment2(x, p, b)) > limit*limit {
			return false
		}
	}
	return true
}

// rimBeside returns the vertex that follows on the border of the fan, other than v; v itself
// where there is none.
func (f *fan) rimBeside(v int32) int32 {
	for i := range f.from {
		if a := f.from[i]; a != v && !slices.Contains(f.to, a) {
			return a
		}
		if b := f.to[i]; b != v && !slices.Contains(f.from, b) {
			return b
		}
	}
	return v
}

// fromSegment2 is the squared distance of x from the line between a and b.
func fromSegment2(x, a, b geom.Vec) float64 {
	e := b.Sub(a)
	t := 0.0
	if n := e.Norm2(); n > 0 {
		t = min(max(x.Sub(a).Dot(e)/n, 0), 1)
	}
	return x.Sub(a.AddScaled(t, e)).Norm2()
}
