package fuse

import (
	"context"
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
)

// Seam says how far the other views lie from the preferred ones where both saw the
// surface: the step that the passage between them has to take. Median, P95 and Worst speak
// of the seam itself: blocks of eight cells in which the preferred views end and the
// others go on.
type Seam struct {
	Area float64 // mm², counted once for every view
	Mean float64 // mm, positive where the others lie outside
	RMS  float64 // mm, noise of the other views included

	Places  int     // along the seam where the step is known
	Unknown int     // along it where the two share too little to tell, or the surface turns
	Median  float64 // mm, of the sizes of the steps; half lie below
	P95     float64 // mm, 95 % lie below
	Noise   float64 // mm, the median standard error of one step
	Worst   Step    // where the step is clearly the largest, or best known if none is clear
}

// Step is the mean step at a place of the seam and in the blocks of it around.
type Step struct {
	At     geom.Vec // in the frame of the result
	Normal geom.Vec // of the surface, unit
	Across geom.Vec // unit, along the surface from the preferred views to the others
	Size   float64  // mm, positive where the others lie outside
	Noise  float64  // mm, its standard error
}

// clearly is what a step is at least, beyond two standard errors.
func (s *Step) clearly() float64 { return math.Abs(s.Size) - 2*s.Noise }

const (
	// leastLinks is how many neighbouring places of a block must be of the preferred views
	// on one side and of the others on the other; a straight seam across it has eight.
	leastLinks = 4
	// leastOnward is how much surface of the others, in faces of a cell, must be there, or in
	// a block beside. Beyond an edge of the object a sparse view reaches two cells further
	// than a dense one: 16.
	leastOnward = 40
	// slant is the most that the others may lie above or below, of their distance: 17 degrees.
	slant = 0.3
	// together is how many places tell as much as one that had its noise alone. A sample
	// adds the weight of nine whole places, and those beyond the ends of what is shared help
	// too; with six, TestSeamNoise finds steps as large as their standard errors say.
	together = 6
)

// passage is what a block of level 0 says of the seam; areas in mm².
type passage struct {
	at             coord
	links          int      // neighbouring places of which one is of the preferred views and one of the others
	linkAt         geom.Vec // sum of where they are
	own, other     float64  // surface of preferred views and of the others alone
	ownAt, otherAt geom.Vec // sums of their places by area, mm from the origin
	normal         geom.Vec // weighted sum of all views'
	facing         float64  // the sum of the weights
	both           float64  // surface that both saw
	pull, mass     float64  // of the others: their distances, mm, by weight
	variance       float64  // of their mean, mm², times the square of both
}

// passages adds what blocks say of the seam to the census.
func (t *tree) passages(ctx context.Context, order []leaf, c *census) error {
	var near index // blocks of level 0 with preferred views, and their neighbours
	for _, g := range t.levels {
		for id, p := range g.prefer {
			if p != nil {
				at := g.at[id].up(g.level)
				for k := range 27 {
					near.add(at.plus(k).key())
				}
			}
		}
	}
	if near.n == 0 {
		return nil
	}
	found := make([]passage, len(order))
	if err := par.Blocks(ctx, len(order), 64, func(_, lo, hi int) error {
		for i, f := range order[lo:hi] {
			if g := t.levels[f.level]; near.find(g.at[f.id].up(f.level).key()) >= 0 {
				found[lo+i] = g.passageAt(f.id)
			}
		}
		return nil
	}); err != nil {
		return err
	}
	for i := range found {
		if found[i].own+found[i].other > 0 {
			c.passages = append(c.passages, found[i])
		}
	}
	return nil
}

// passageAt looks at the surface in a block.
func (g *grid) passageAt(id int32) passage {
	b, prefer, unit := g.blocks[id], g.prefer[id], g.unitOf(id)
	h := g.o.Voxel
	p := passage{at: g.at[id].up(g.level)}
	var kind [blockSize]uint8 // 0 no surface, 1 of preferred views, 2 of others
	for i := range kind {
		if b.cover[i] < enough || b.weight[i] == 0 || !isOn(b.mean[i], unit) {
			continue
		}
		q := g.placeAt(id, i)
		at := geom.Vec{X: float64(q[0]), Y: float64(q[1]), Z: float64(q[2])}
		if kind[i] = 2; prefer != nil && prefer[i] >= enough {
			kind[i] = 1
			p.own, p.ownAt = p.own+h*h, p.ownAt.AddScaled(h*h, at)
		} else {
			p.other, p.otherAt = p.other+h*h, p.otherAt.AddScaled(h*h, at)
		}
		for _, stride := range [3]int{1, side, side * side} {
			if i/stride%side > 0 && kind[i-stride] > 0 && kind[i-stride] != kind[i] {
				p.links, p.linkAt = p.links+1, p.linkAt.Add(at)
			}
		}
	}
	w := &g.walls[id]
	p.normal, p.facing = geom.Vec{X: float64(w.nx), Y: float64(w.ny), Z: float64(w.nz)}, float64(w.weight)
	if a := &w.seam; a.n > 0 {
		p.both = a.n * h * h / (2 * band)
		share := p.both / a.n
		p.pull, p.mass = -share*h*a.pull, share*a.mass // a distance is that of the place from the surface
		p.variance = p.both * p.both * a.variance / a.n * min(1, together/a.n)
	}
	return p
}

// join adds another block of the same one of level 0.
func (p *passage) join(q *passage) {
	p.links, p.linkAt = p.links+q.links, p.linkAt.Add(q.linkAt)
	p.own, p.other, p.both = p.own+q.own, p.other+q.other, p.both+q.both
	p.ownAt, p.otherAt, p.normal = p.ownAt.Add(q.ownAt), p.otherAt.Add(q.otherAt), p.normal.Add(q.normal)
	p.facing += q.facing
	p.pull, p.mass, p.variance = p.pull+q.pull, p.mass+q.mass, p.variance+q.variance
}

// isKnown reports whether the two share enough to tell the step.
func (p *passage) isKnown(voxel float64) bool {
	return p.mass > 0 && p.both >= leastPlaces/(2*band)*voxel*voxel
}

// seams sums up the passages.
func (t *tree) seams(list []passage) {
	var number index
	var units []passage
	for i := range list {
		id, isNew := number.add(list[i].at.key())
		if isNew {
			units = append(units, list[i])
		} else {
			units[id].join(&list[i])
		}
	}
	s, h := &t.stats.Seam, t.o.Voxel
	known := map[int32]bool{} // units on the seam whose step is known
	var order []int32
	for id := range units {
		u := &units[id]
		if u.links < leastLinks || !goesOnAt(units, &number, u.at, h, func(*passage) bool { return true }) {
			continue
		}
		if !isPassage(units, &number, u, h) {
			s.Unknown++
			continue
		}
		known[int32(id)], order = true, append(order, int32(id))
	}
	if s.Places = len(order); s.Places == 0 {
		return
	}
	var sizes, noises []float64
	var best Step
	for k, id := range order {
		at := t.stepAt(units, &number, &units[id], known)
		sizes, noises = append(sizes, math.Abs(at.Size)), append(noises, at.Noise)
		if k == 0 || at.clearly() > s.Worst.clearly() {
			s.Worst = at
		}
		if k == 0 || at.Noise < best.Noise {
			best = at
		}
	}
	if s.Worst.clearly() <= 0 {
		s.Worst = best
	}
	slices.Sort(sizes)
	slices.Sort(noises)
	s.Median, s.P95, s.Noise = sizes[s.Places/2], sizes[min(s.Places*95/100, s.Places-1)], noises[s.Places/2]
}

// isPassage reports whether the step in a block is known, and one on a surface that carries on.
func isPassage(units []passage, number *index, u *passage, voxel float64) bool {
	if !u.isKnown(voxel) || !u.isEven() || !u.liesOn(u.normal) {
		return false
	}
	around := sumAround(units, number, u, nil)
	return around.liesOn(u.normal) && goesOnAt(units, number, u.at, voxel, u.carriesOn)
}

// isEven reports whether the surface in a block faces one way. Where it turns, as at an edge of
// the object, a step is as much one of what each view made of the turn.
func (p *passage) isEven() bool { return p.normal.Norm() > parallel*p.facing }

// liesOn reports whether what is of the others lies beside what is of the preferred views,
// not above or below, as around an edge that one view saw one side of.
func (p *passage) liesOn(normal geom.Vec) bool {
	d := p.across()
	return math.Abs(d.Dot(normal.Unit())) < slant*d.Norm()
}

// across leads from the middle of the preferred views' surface to that of the others'.
func (p *passage) across() geom.Vec {
	return p.otherAt.Scale(1 / p.other).Sub(p.ownAt.Scale(1 / p.own))
}

// carriesOn reports whether the surface in another block faces the same way.
func (p *passage) carriesOn(o *passage) bool {
	return p == o || o.isEven() && p.normal.Dot(o.normal) > parallel*p.normal.Norm()*o.normal.Norm()
}

// goesOnAt reports whether the others show enough surface in a block or one beside it that
// counts.
func goesOnAt(units []passage, number *index, c coord, voxel float64, counts func(o *passage) bool) bool {
	for k := range 27 {
		if id := number.find(c.plus(k).key()); id >= 0 && units[id].other >= leastOnward*voxel*voxel && counts(&units[id]) {
			return true
		}
	}
	return false
}

// sumAround sums up the surface in a block and in those beside it that face the same way, and
// what is known of the step there.
func sumAround(units []passage, number *index, u *passage, known map[int32]bool) (sum passage) {
	for k := range 27 {
		id := number.find(u.at.plus(k).key())
		if id < 0 || !u.carriesOn(&units[id]) {
			continue
		}
		o := &units[id]
		sum.own, sum.ownAt, sum.other, sum.otherAt = sum.own+o.own, sum.ownAt.Add(o.ownAt), sum.other+o.other, sum.otherAt.Add(o.otherAt)
		if known[id] {
			sum.both, sum.pull, sum.mass, sum.variance = sum.both+o.both, sum.pull+o.pull, sum.mass+o.mass, sum.variance+o.variance
		}
	}
	return sum
}

// stepAt is the mean step in a block of the seam and those of it beside.
func (t *tree) stepAt(units []passage, number *index, u *passage, known map[int32]bool) Step {
	sum := sumAround(units, number, u, known)
	s := Step{Normal: u.normal.Unit(), At: t.origin.AddScaled(1/float64(u.links), u.linkAt)}
	s.Size, s.Noise = sum.pull/sum.mass, math.Sqrt(sum.variance)/sum.both
	across := sum.across()
	across = across.AddScaled(-across.Dot(s.Normal), s.Normal)
	if s.Across = across.Unit(); s.Across == (geom.Vec{}) {
		s.Across = s.Normal.Perpendicular()
	}
	return s
}
