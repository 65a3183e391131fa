package reduce

import (
	"context"
	"math"
	"sync"

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
// the limits stop every collapse).
func (s *surface) solve(ctx context.Context, budget int) error {
	for s.triangles() > partition && float64(s.triangles()) > seamShare*float64(budget) {
		before := s.triangles()
		goal := max(levelShare*float64(before), seamShare*float64(budget))
		if err := s.level(ctx, int(goal)); err != nil {
			return err
		}
		tidy(before)
		if float64(s.triangles()) > (1-worthwhile)*float64(before) {
			break
		}
	}
	s.carve(0, s.triangles(), s.triangles()-budget, 0)
	return ctx.Err()
}

// carve collapses edges of the triangles lo to hi, and those around, until more than
// enough triangles are gone; only those with an end that has one of the flags, unless
// there are none.
func (s *surface) carve(lo, hi, enough int, only uint8) {
	k := &carver{s: s, queue: newQueue(2 * (hi - lo)), only: only, isPatient: true}
	k.fill(lo, hi)
	k.run(buckets, enough)
	s.compact()
}

// level collapses edges in all partitions up to the same cost, that which leaves the
// goal. Some of the partitions find it, at the same pace: every round admits the next
// buckets of cost in all of these. The others follow one by one, so that only few edges
// wait in memory at any time; as no partition touches another, they end as if all had
// kept pace.
func (s *surface) level(ctx context.Context, goal int) error {
	s.markSeams()
	total := s.triangles()
	n := par.Count(total, partition)
	step := max(1, n/pacemakers)
	pacing := par.Count(n, step)
	most, err := s.pace(ctx, pacing, step, float64(goal)/float64(total))
	if err != nil {
		return err
	}
	var idle sync.Pool
	err = par.Each(ctx, n, func(i int) error {
		if i%step == 0 {
			return nil // it has set the pace
		}
		k, _ := idle.Get().(*carver)
		if k == nil {
			k = &carver{s: s, queue: newQueue(3 * partition / 2)}
		}
		k.queue.reset()
		k.fill(i*partition, min((i+1)*partition, total))
		k.run(most, math.MaxInt)
		idle.Put(k)
		return nil
	})
	s.compact()
	return err
}

// pacemakers is the number of partitions that find the cost of a level: a million
// triangles, whose share among equal ones is sure to a tenth of a percent.
const pacemakers = 32

// pace reduces every step-th partition until the given share of their triangles is left,
// and returns the bucket that was reached.
func (s *surface) pace(ctx context.Context, n, step int, share float64) (most int, err error) {
	carvers := make([]*carver, n)
	sizes := make([]int, n)
	err = par.Each(ctx, n, func(i int) error {
		lo := i * step * partition
		hi := min(lo+partition, s.triangles())
		sizes[i], carvers[i] = hi-lo, &carver{s: s, queue: newQueue(3 * (hi - lo) / 2)}
		carvers[i].fill(lo, hi)
		return nil
	})
	total := 0
	for _, size := range sizes {
		total += size
	}
	goal := int(share * float64(total))
	for left := total; err == nil && left > goal; {
		lowest := buckets
		for _, k := range carvers {
			lowest = min(lowest, k.queue.lowest)
		}
		if lowest >= buckets {
			return buckets, nil
		}
		most = max(lowest, most) + stride(left, goal)
		err = par.Each(ctx, n, func(i int) error {
			carvers[i].run(most, math.MaxInt)
			return nil
		})
		left = total
		for _, k := range carvers {
			left -= k.removed
		}
	}
	return most, err
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
