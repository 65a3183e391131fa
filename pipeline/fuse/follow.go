package fuse

import "context"

// leastFollowed is the number of points that a view must have in a block of level 0 for its
// spacing to count there, half of those that a flat piece across the block has at a spacing
// of half a cell.
const leastFollowed = 2 * side * side

// follow splits the blocks where a view that Options.Follow names resolved half a cell.
func (t *tree) follow(ctx context.Context, from source) error {
	if t.o.Follow == nil {
		return nil
	}
	for i := range from.n {
		if !t.o.Follow(i) {
			continue
		}
		v, err := from.load(ctx, i)
		if err != nil {
			return err
		}
		if err := v.check(); err != nil {
			return err
		}
		if v.Cloud.Len() == 0 {
			continue
		}
		if err := t.begin(&v); err != nil {
			return err
		}
		t.levels[0].markDense(&v, &t.plan)
	}
	t.grow()
	return nil
}

// markDense splits the blocks in which the points of a view lie half a cell apart or less,
// the root of the area that each measured one stands for.
func (g *grid) markDense(v *View, p *plan) {
	var number index
	var points, area []float64
	last, lastID := uint64(away), int32(0)
	place := g.placing(*v)
	var none tally
	for i := range v.Cloud.X {
		key := g.homeOf(v, &place, i, 0, &none)
		if key == away {
			continue
		}
		if key != last {
			id, isNew := number.add(key)
			if isNew {
				points, area = append(points, 0), append(area, 0)
			}
			last, lastID = key, id
		}
		count := 1.0
		if v.Count != nil {
			count = float64(v.Count[i])
		}
		points[lastID] += count
		area[lastID] += float64(v.Area[i])
	}
	half := g.o.Voxel / 2
	for at, key := range number.keys {
		if key == 0 {
			continue
		}
		if id := number.ids[at]; points[id] >= leastFollowed && area[id] <= points[id]*half*half {
			p.mark(coordOf(key - 1))
		}
	}
}
