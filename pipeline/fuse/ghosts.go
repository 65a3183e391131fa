package fuse

import (
	"cmp"
	"context"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
)

// Ghost is a piece of surface that one view shows and others looked through: somebody who
// walked by, something that was moved. It is left out.
type Ghost struct {
	Center geom.Vec // in the frame of the result
	Area   float64  // mm²
	View   int      // that shows it
}

// A block is doubted when one view alone shows a surface in it and looks from elsewhere end
// well behind it. A look counts if it meets the surface at 70 degrees or less, and if
// another scanner has returns where the look ended, and saw them beside the surface, not
// through it: a mirror shows what is seen in it alone. Thin parts can be missed by
// looks that pass beside them, so doubted blocks are left out only where they hang together
// in a piece that is wide both ways, and of which a good part is doubted several times.
const (
	// severalLooks make a doubt a strong one, each from another place.
	severalLooks = 2
	// leastStrong is the least share of a piece that is doubted so.
	leastStrong = 0.25
	// leastLookCos is the least cosine between a look and the normal of the surface, 70 degrees.
	leastLookCos = 0.34
	// leastApart is the cosine of the least angle at the confirming scanner, ten degrees.
	leastApart = 0.985
	// ghostReach is how far around a doubted block others are counted, in blocks.
	ghostReach = 2
	// leastWidth is the least second principal variance of the doubted blocks around, in
	// blocks²: a strip three wide has two thirds, one two wide a quarter.
	leastWidth = 0.55
	// leastDoubted is the least number of doubted blocks around; a plane through the middle
	// has 25, the straight edge of one 15.
	leastDoubted = 14
	// leastWide is the least share of blocks of a piece around which it is that wide.
	leastWide = 0.5
	// mostFollowed is how many blocks further a piece that is left out takes what hangs on it.
	mostFollowed = 2
	// leastSeen is how many places of a block a view has to cover to be seen in it.
	leastSeen = 16
)

// looker is a scanner and where it stood.
type looker struct {
	view     int
	toCommon geom.Pose
	toOwn    geom.Pose
	sight    *Sight
}

// look keeps what the scanner of a view saw.
func (t *tree) look(ctx context.Context, v *View) error {
	if v.Sight == nil || t.isCounted {
		return nil
	}
	sight, err := v.Sight(ctx)
	if err != nil {
		return err
	}
	t.lookers = append(t.lookers, looker{t.view, v.ToCommon, v.ToCommon.Inverse(), sight})
	return nil
}

// areLooks reports whether there are enough scanners to tell.
func (t *tree) areLooks() bool { return len(t.lookers) > severalLooks }

// ask lets the lookers judge blocks, and adds what they say to the census.
func (t *tree) ask(ctx context.Context, order []leaf, c *census) error {
	if !t.areLooks() || t.gone != nil {
		return nil
	}
	doubts := make([]doubt, len(order))
	if err := par.Blocks(ctx, len(order), 64, func(_, lo, hi int) error {
		for i, f := range order[lo:hi] {
			doubts[lo+i] = t.doubtOf(t.levels[f.level], f.id)
		}
		return nil
	}); err != nil {
		return err
	}
	for i, f := range order {
		if d := doubts[i]; d.is != isEmpty {
			scale := 1 / float64(int(1)<<f.level)
			d.area *= scale * scale
			d.at = t.levels[f.level].at[f.id].up(f.level)
			c.doubts = append(c.doubts, d)
		}
	}
	return nil
}

// decide says what of the doubted is left out, in blocks of level 0.
func (t *tree) decide(c *census) {
	t.gone = &index{}
	units := join0(c.doubts)
	var number index
	for _, u := range units {
		number.add(u.at.key())
	}
	done := make([]bool, len(units))
	for first := range units {
		if done[first] || units[first].is < isWeak {
			continue
		}
		piece := []int32{int32(first)}
		done[first] = true
		for at := 0; at < len(piece); at++ {
			for k := range 27 {
				if id := number.find(units[piece[at]].at.plus(k).key()); id >= 0 && !done[id] && units[id].is >= isWeak && units[id].view == units[first].view {
					done[id] = true
					piece = append(piece, id)
				}
			}
		}
		if isGhost(units, piece) {
			t.leaveOut(units, follow(units, &number, piece))
		}
	}
	t.stats.Ghosts = t.stats.Ghosts[:min(len(t.stats.Ghosts), mostDoubles)]
}

// follow adds what hangs on a piece that is left out, block by block, and is of the same view: it
// need be neither wide nor doubted well, but looked past by somebody.
func follow(units []doubt, number *index, piece []int32) []int32 {
	var in index
	for _, i := range piece {
		in.add(units[i].at.key())
	}
	last := 0
	for range mostFollowed {
		end := len(piece)
		for at := last; at < end; at++ {
			for k := range 27 {
				id := number.find(units[piece[at]].at.plus(k).key())
				if id < 0 || units[id].is < isFaint || units[id].view != units[piece[0]].view {
					continue
				}
				if _, isNew := in.add(units[id].at.key()); isNew {
					piece = append(piece, id)
				}
			}
		}
		last = end
	}
	return piece
}

// join0 joins what stands for one block of level 0: sound if any part of it is.
func join0(doubts []doubt) []doubt {
	var number index
	var out []doubt
	for _, d := range doubts {
		id, isNew := number.add(d.at.key())
		if isNew {
			out = append(out, d)
			continue
		}
		u := &out[id]
		u.area += d.area
		if u.is = min(u.is, d.is); u.view != d.view {
			u.is = isSound
		}
	}
	return out
}

// isGhost reports whether a piece is wide and doubted enough.
func isGhost(units []doubt, piece []int32) bool {
	var in index
	strong := 0
	for _, i := range piece {
		in.add(units[i].at.key())
		if units[i].is == isStrong {
			strong++
		}
	}
	n := float64(len(piece))
	if len(piece) < leastDoubted || float64(strong) < leastStrong*n {
		return false
	}
	wide := 0
	for _, i := range piece {
		if in.isWide(units[i].at) {
			wide++
		}
	}
	return float64(wide) >= leastWide*n
}

// isWide reports whether the blocks around one make up a piece that is wide both ways.
func (x *index) isWide(c coord) bool {
	var n float64
	var sum geom.Vec
	var squares geom.Mat
	for dz := int32(-ghostReach); dz <= ghostReach; dz++ {
		for dy := int32(-ghostReach); dy <= ghostReach; dy++ {
			for dx := int32(-ghostReach); dx <= ghostReach; dx++ {
				if x.find(coord{c.x + dx, c.y + dy, c.z + dz}.key()) >= 0 {
					p := geom.Vec{X: float64(dx), Y: float64(dy), Z: float64(dz)}
					n, sum, squares = n+1, sum.Add(p), squares.Add(geom.Outer(p, p))
				}
			}
		}
	}
	if n < leastDoubted {
		return false
	}
	mean := sum.Scale(1 / n)
	o := geom.Outer(mean, mean)
	for i := range squares {
		squares[i] = squares[i]/n - o[i]
	}
	v, _ := geom.Eigen(squares)
	return v.X+v.Y+v.Z-max(v.X, v.Y, v.Z)-min(v.X, v.Y, v.Z) >= leastWidth
}

// leaveOut lists a piece.
func (t *tree) leaveOut(units []doubt, piece []int32) {
	var area float64
	var center geom.Vec
	for _, i := range piece {
		u := &units[i]
		t.gone.add(u.at.key())
		area += u.area
		center = center.AddScaled(u.area, geom.Vec{X: float64(u.at.x) + 0.5, Y: float64(u.at.y) + 0.5, Z: float64(u.at.z) + 0.5})
	}
	h := t.o.Voxel
	t.stats.Ghosts = append(t.stats.Ghosts, Ghost{Center: t.origin.AddScaled(side*h/area, center), Area: area * h * h, View: int(units[piece[0]].view)})
	slices.SortStableFunc(t.stats.Ghosts, func(a, b Ghost) int { return cmp.Compare(b.Area, a.Area) })
}

// carve empties the blocks that are left out.
func (t *tree) carve() {
	if t.gone == nil || t.gone.n == 0 {
		return
	}
	for _, g := range t.levels {
		for id, b := range g.blocks {
			if t.gone.find(g.at[id].up(g.level).key()) >= 0 {
				b.cover = [blockSize]uint8{}
			}
		}
	}
}

// doubt is what lookers say of a block.
type doubt struct {
	at   coord // of level 0
	is   verdict
	area float64 // faces of a cell
	view int32
}

type verdict uint8

const (
	isEmpty verdict = iota
	isSound
	isFaint // looked past along the surface alone
	isWeak  // doubted by one look
	isStrong
)

// doubtOf asks all lookers about a block.
func (t *tree) doubtOf(g *grid, id int32) doubt {
	w, b := &g.walls[id], g.blocks[id]
	var middle geom.Vec
	n := 0
	for i, m := range b.mean {
		if b.cover[i] < enough || !isOn(m, g.unitOf(id)) {
			continue
		}
		p := g.placeAt(id, i)
		middle = middle.Add(geom.Vec{X: float64(p[0]), Y: float64(p[1]), Z: float64(p[2])})
		n++
	}
	if n == 0 {
		return doubt{}
	}
	d := doubt{is: isSound, area: float64(n), view: w.last}
	if w.views != 1 || g.prefer[id] != nil {
		return d
	}
	middle = middle.Scale(1 / float64(n)).Add(t.origin)
	normal := geom.Vec{X: float64(w.nx), Y: float64(w.ny), Z: float64(w.nz)}.Unit()
	looks, faint := 0, false
	for i := range t.lookers {
		if l := &t.lookers[i]; l.view != int(w.last) {
			through, across := t.looksThrough(l, middle, normal)
			if through && across {
				looks++
			}
			faint = faint || through
		}
	}
	if faint {
		d.is = isFaint
	}
	switch {
	case looks >= severalLooks:
		d.is = isStrong
	case looks > 0:
		d.is = isWeak
	}
	return d
}

// looksThrough reports whether somebody looked past p, and whether across the surface there.
func (t *tree) looksThrough(l *looker, p, normal geom.Vec) (through, across bool) {
	end, ok := l.sight.through(l.toOwn.Apply(p), t.o.Voxel)
	if !ok {
		return false, false
	}
	ray := p.Sub(l.toCommon.T).Unit()
	across = ray.Dot(normal) >= leastLookCos || ray.Dot(normal) <= -leastLookCos
	e := l.toCommon.Apply(end)
	for i := range t.lookers {
		o := &t.lookers[i]
		if o == l {
			continue
		}
		if apart := p.Sub(o.toCommon.T).Unit().Dot(e.Sub(o.toCommon.T).Unit()); apart < leastApart && o.sight.confirms(o.toOwn.Apply(e), t.o.Voxel) && t.isClear(p, normal, e, o.toCommon.T) {
			return true, across
		}
	}
	return false, false
}

// isClear reports whether a scanner sees e without the surface in between that goes on from
// p across its normal.
func (t *tree) isClear(p, normal, e, scanner geom.Vec) bool {
	a, b := e.Sub(p).Dot(normal), scanner.Sub(p).Dot(normal)
	if a*b >= 0 {
		return true
	}
	return !t.whole.isTouched(e.AddScaled(a/(a-b), scanner.Sub(e)))
}

// isTouched reports whether points reach into the block around p.
func (t *tree) isTouched(p geom.Vec) bool {
	for l, g := range t.levels {
		c := blockAt(p.Sub(t.origin), t.o.Voxel, side*g.o.Voxel)
		if !t.plan.isSplit(l, c) {
			return g.index.find(c.key()) >= 0
		}
	}
	return false
}
