package reduce

import (
	"context"
	"math"

	"trammel/pipeline/par"
)

const (
	// partition is the number of triangles that one carver works on. The
	// vertices between partitions rest for a level; the next level cuts elsewhere.
	partition = 1 << 15
	// levelShare: a level leaves at least this share of its triangles, so that
	// resting seams never get far behind.
	levelShare = 0.25
	// seamShare: the levels in parallel stop this far above the budget; the last,
	// over the whole mesh, evens out what the seams have left.
	seamShare = 1.15
	// worthwhile: a level that removes less than this share is the last of its kind.
	worthwhile = 0.03
)

// solve collapses edges until no more than budget triangles are left (0: until
// the allowed departure stops every collapse).
func (s *surface) solve(ctx context.Context, budget int, d *detail) error {
	for s.triangles() > partition && float64(s.triangles()) > seamShare*float64(budget) {
		before := s.triangles()
		goal := max(levelShare*float64(before), seamShare*float64(budget))
		if err := s.level(ctx, int(goal), d); err != nil {
			return err
		}
		if float64(s.triangles()) > (1-worthwhile)*float64(before) {
			break
		}
	}
	k := &carver{s: s, queue: newQueue(2 * s.triangles()), detail: d}
	k.fill(0, s.triangles())
	k.run(buckets, s.triangles()-budget)
	s.compact()
	return ctx.Err()
}

// level collapses edges in all partitions at the same pace: every round admits
// the next bucket of cost everywhere, until the goal is reached.
func (s *surface) level(ctx context.Context, goal int, d *detail) error {
	s.markSeams()
	total := s.triangles()
	carvers := make([]*carver, par.Count(total, partition))
	err := par.Blocks(ctx, total, partition, func(block, lo, hi int) error {
		carvers[block] = &carver{s: s, queue: newQueue(3 * (hi - lo) / 2), detail: d}
		carvers[block].fill(lo, hi)
		return nil
	})
	most := 0
	for left := total; err == nil && left > goal; {
		lowest := buckets
		for _, k := range carvers {
			lowest = min(lowest, k.queue.lowest)
		}
		if lowest >= buckets {
			break
		}
		most = max(lowest, most) + stride(left, goal)
		err = par.Each(ctx, len(carvers), func(i int) error {
			carvers[i].run(most, math.MaxInt)
			return nil
		})
		left = total
		for _, k := range carvers {
			left -= k.removed
		}
	}
	s.compact()
	return err
}

// stride returns how many buckets a round may take at once. On a smooth surface
// the count falls with the third root of the cost (an edge of length l costs l⁴
// times its area, and 1/l² of them fit), so the goal is 3·log2(left/goal) octaves
// away; a round goes half of that way.
func stride(left, goal int) int {
	octaves := 3 * math.Log2(float64(left)/float64(max(goal, 1)))
	return int(octaves * (1 << bucketsPerOctaveLog2) / 2)
}

// markSeams flags the vertices that triangles of several partitions share.
func (s *surface) markSeams() {
	owner := make([]int32, len(s.x)) // partition plus one
	for t := range s.triangles() {
		part := int32(t/partition) + 1
		for _, v := range s.tri[3*t : 3*t+3] {
			switch owner[v] {
			case 0:
				owner[v] = part
			case part:
			default:
				s.flags[v] |= onSeam
			}
		}
	}
}
