package fuse

import (
	"math"
	"slices"
	"sync"
)

// Where a surface has an edge, what is on one side of it reaches beyond: the face around a
// drilled hole says of the air before the wall of the hole that it is inside, and where it is
// seen more densely than the wall the mesh has a lip there. So where samples of clearly different
// directions reach into a block they are summed up apart, in groups, and at every place each
// group counts as much as it covers it.

const (
	// mostGroups is the number of groups at most; a cube has three around a corner, a hole in a
	// plate one and about four.
	mostGroups = 6
	// sameGroup is the cosine of the angle, 60 degrees, from a normal of a group within which
	// others are of it.
	sameGroup = 0.5
	// A group counts nothing beside others at a cover that it has a third of its reach beyond
	// its rim, and in full as far inside: next to nothing, so that it does count where it is alone.
	noTrust, fullTrust = 0.2, 0.8
	leastTrust         = 0.002
)

// direction is a unit vector.
type direction struct{ x, y, z float32 }

func (d *direction) dot(p *sample) float32 { return d.x*p.nx + d.y*p.ny + d.z*p.nz }

// cone holds all normals of a home: around one of them, within an angle of some cosine.
type cone struct {
	direction
	cos float32
}

func coneOf(list []sample) cone {
	c := cone{direction{list[0].nx, list[0].ny, list[0].nz}, 1}
	for i := range list {
		c.cos = min(c.cos, c.dot(&list[i]))
	}
	return c
}

// isOneWay reports whether the normals of all samples around block id are sure to be of one
// group: all within half its angle of one of them.
func (g *grid) isOneWay(id int32, sets []*sorted) bool {
	for _, s := range sets[:g.level] {
		if len(s.homes) > 0 {
			return false
		}
	}
	const half = 0.867 // 30 degrees, and what rounding takes
	c, s := g.at[id], sets[g.level]
	var axis *cone
	for k := range 27 {
		home := s.index.find(c.plus(k).key())
		if home < 0 || s.into[home]>>(26-k)&1 == 0 {
			continue
		}
		o := &s.cones[home]
		if axis == nil {
			axis = o
		}
		cos := min(axis.x*o.x+axis.y*o.y+axis.z*o.z, 1)
		if o.cos < half || cos < half || cos*o.cos-root(1-cos*cos)*root(1-o.cos*o.cos) < half {
			return false
		}
	}
	return true
}

func root(x float32) float32 { return float32(math.Sqrt(float64(max(x, 0)))) }

// groups is what a view says about a block, by the direction of its samples.
type groups struct {
	all  sums
	rest [mostGroups - 1]*sums // of groups after the first
	of   []direction
}

var spare = sync.Pool{New: func() any { return &groups{} }}

// find chooses the directions of the groups of block id: each the one that is farthest from
// those before (T. F. Gonzalez, Clustering to minimize the maximum intercluster distance,
// Theoretical Computer Science 38, 1985).
func (s *groups) find(g *grid, id int32, sets []*sorted) {
	for len(s.of) < mostGroups {
		var next direction
		cos, found := float32(sameGroup), false
		g.eachSample(id, sets, func(p *sample, _, _, _ float32) {
			if len(s.of) == 0 {
				s.of = append(s.of, direction{p.nx, p.ny, p.nz})
			}
			near := float32(-2)
			for i := range s.of {
				near = max(near, s.of[i].dot(p))
			}
			if near < cos {
				cos, next, found = near, direction{p.nx, p.ny, p.nz}, true
			}
		})
		if !found {
			return
		}
		s.of = append(s.of, next)
	}
}

// eachSample visits the samples of a view in and around block id, and where they lie seen from it.
func (g *grid) eachSample(id int32, sets []*sorted, visit func(p *sample, x, y, z float32)) {
	c, s := g.at[id], sets[g.level]
	for k := range 27 {
		home := s.index.find(c.plus(k).key())
		if home < 0 || s.into[home]>>(26-k)&1 == 0 {
			continue
		}
		dx, dy, dz := float32(k%3-1)*side, float32(k/3%3-1)*side, float32(k/9-1)*side
		needs := needed(26 - k)
		list := s.samples[s.start[home]:s.start[home+1]]
		for i, r := range s.reaches[s.start[home]:s.start[home+1]] {
			if r&needs == needs {
				p := &list[i]
				visit(p, p.x+dx, p.y+dy, p.z+dz)
			}
		}
	}
	for k, s := range sets[:g.level] {
		g.eachSparse(id, k, s, visit)
	}
}

// sum adds up the samples around a block by groups, and then the groups.
func (s *groups) sum(g *grid, id int32, sets []*sorted) {
	for i := range len(s.of) - 1 {
		if s.rest[i] == nil {
			s.rest[i] = &sums{}
		}
		s.rest[i].begin(g.unitOf(id))
	}
	g.eachSample(id, sets, func(p *sample, x, y, z float32) {
		s.nearest(p).splat(p, x, y, z)
		s.all.face(p)
	})
	s.join()
}

// nearest returns the group of a sample.
func (s *groups) nearest(p *sample) *sums {
	at, best := 0, s.of[0].dot(p)
	for i := 1; i < len(s.of); i++ {
		if c := s.of[i].dot(p); c > best {
			at, best = i, c
		}
	}
	return s.group(at)
}

func (s *groups) group(k int) *sums {
	if k == 0 {
		return &s.all
	}
	return s.rest[k-1]
}

// trust is the share that counts of what is covered so far.
func trust(cover float32) float32 {
	t := min(max((cover-noTrust)*(1/(fullTrust-noTrust)), 0), 1)
	return max(t*t*(3-2*t), leastTrust)
}

// join adds the groups up. Where one lies over itself several times, as the sweeps of a tracked
// scan do, its cover counts against the most that it has in the block.
func (s *groups) join() {
	var per [mostGroups]float32
	var touched uint64
	for k := range s.of {
		a := s.group(k)
		per[k] = 1 / max(1, slices.Max(a.cover[:]))
		touched |= a.touched
	}
	for i := range blockSize {
		var mass, cover, counts, distance float32
		for k := range s.of {
			a := s.group(k)
			if m := a.mass[i]; m > 0 {
				t := trust(a.cover[i] * per[k])
				mass, cover, counts, distance = mass+m, cover+a.cover[i], counts+t*m, distance+t*a.distance[i]
			}
		}
		if mass > 0 {
			s.all.mass[i], s.all.cover[i], s.all.distance[i] = mass, cover, distance*(mass/counts)
		}
	}
	s.all.touched = touched
}
