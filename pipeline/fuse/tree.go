package fuse

import (
	"context"
	"math"

	"trammel/pipeline/geom"
)

// tree holds the grids of all levels over the same space.
type tree struct {
	o         Options
	origin    geom.Vec // of place (0, 0, 0) of level 0, in the frame of the result
	placed    bool     // origin is chosen
	plan      plan
	levels    []*grid
	window    layers // what is held
	lookers   []looker
	whole     *tree          // that this one is a slab of, or itself
	gone      *index         // blocks of level 0 that are left out; nil while that is not known
	reach     map[int]layers // of each view, as far as it is known
	n         int64          // blocks of all levels
	mesh      int64          // bytes of the mesh, as far as they are known
	into      *surface       // where a slab's part of the mesh goes
	extra     int64          // bytes of what preferred views covered and said
	preferred int64          // blocks that preferred views touched
	hand      hand           // views at hand; that of the whole counts
	view      int            // the number of the one that is being added
	isFull    bool           // blocks beyond the memory allowed are only counted
	isCounted bool           // points have been counted before
	stats     Stats
}

func newTree(o Options) *tree {
	t := &tree{o: o, window: everything(), reach: map[int]layers{}}
	t.whole = t
	t.grow()
	return t
}

// grow makes a grid for each level of the plan.
func (t *tree) grow() {
	for l := len(t.levels); l <= t.plan.finest(); l++ {
		g := &grid{tree: t, level: l, o: t.o}
		g.o.Voxel = t.o.Voxel / float64(int(1)<<l)
		t.levels = append(t.levels, g)
	}
	for _, g := range t.levels {
		shift := g.offset()
		g.origin = t.origin.Add(geom.Vec{X: shift, Y: shift, Z: shift})
	}
}

// offset returns how far place (0, 0, 0) of a level lies from that of level 0 along each
// axis, mm: the corners of their cells meet, not the centres.
func (g *grid) offset() float64 { return (g.o.Voxel - g.tree.o.Voxel) / 2 }

// begin settles where that has not been done.
func (t *tree) begin(v *View) error {
	if t.placed {
		return nil
	}
	return t.settle(v.ToCommon.Apply(v.Cloud.At(0)))
}

// settle chooses the origin near c, on a whole number of blocks so that the grid does not
// depend on where a box ends, and what is cut finely.
func (t *tree) settle(c geom.Vec) error {
	if t.o.Box != nil {
		c = t.o.Box.Center()
	}
	whole := func(x float64) float64 { return math.Round(x/t.o.Voxel/side) * t.o.Voxel * side }
	t.origin = geom.Vec{X: whole(c.X), Y: whole(c.Y), Z: whole(c.Z)}
	t.placed = true
	for _, f := range t.o.Fine {
		if err := t.plan.addBox(f, t.o, t.origin); err != nil {
			return err
		}
	}
	t.grow()
	return nil
}

// isInWindow reports whether a block of a level lies within some layers of what is held.
func (t *tree) isInWindow(level int, c coord, margin int32) bool {
	return t.window.grow(margin).contains(c.z >> level)
}

// wants reports whether a block is a leaf of the plan and held.
func (t *tree) wants(level int, c coord) bool {
	return t.isInWindow(level, c, 0) && t.plan.isLeaf(level, c)
}

// isNear reports whether samples of home c of a level may reach into blocks of the target
// level.
func (t *tree) isNear(level, target int, c coord) bool {
	if level < target {
		return t.plan.isNear(level+1, coord{c.x << 1, c.y << 1, c.z << 1})
	}
	return t.plan.isNear(target, c)
}

// add fuses one view at every level.
func (t *tree) add(ctx context.Context, v View) error {
	if err := v.check(); err != nil || v.Cloud.Len() == 0 {
		return err
	}
	if err := t.begin(&v); err != nil {
		return err
	}
	if err := t.look(ctx, &v); err != nil {
		return err
	}
	for l, g := range t.levels {
		own := v
		if l > 0 && v.Finer != nil {
			finer, err := v.Finer(ctx, g.o.Voxel, func(p geom.Vec) bool { return t.plan.isNear(l, g.homeAt(p)) })
			if err != nil {
				return err
			}
			if err := finer.check(); err != nil {
				return err
			}
			own, own.Prefer = finer, v.Prefer
		}
		if err := g.add(ctx, own); err != nil {
			return err
		}
	}
	if v.Prefer {
		t.countExtra()
	}
	return nil
}

// homeAt returns the block that p lies in, in the frame of the result.
func (g *grid) homeAt(p geom.Vec) coord {
	d := p.Sub(g.origin).Scale(1 / (g.o.Voxel * side))
	whole := func(x float64) int32 { return int32(math.Floor(min(max(x, -farthest), farthest-1))) }
	return coord{whole(d.X), whole(d.Y), whole(d.Z)}
}
