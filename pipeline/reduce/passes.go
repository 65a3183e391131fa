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

// levelGoal returns how many of n triangles a level leaves on the way to the budget, 0 for as
// few as may be, and whether there should be one.
func levelGoal(n, budget int) (goal int, ok bool) {
	enough := seamShare * float64(budget)
	return int(max(levelShare*float64(n), enough)), n > partition && float64(n) > enough
}

// solve collapses edges until no more than budget triangles are left (0: until
// the limits stop every collapse).
func (s *surface) solve(ctx context.Context, budget int) error {
	for {
		before := s.triangles()
		goal, ok := levelGoal(before, budget)
		if !ok {
			break
		}
		if err := s.level(ctx, goal); err != nil {
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

// parted is a surface in partitions, none of which touches what is another's.
type parted interface {
	size(i int) int         // triangles of partition i
	open(i int, k *carver)  // gets k ready to work on partition i
	close(i int, k *carver) // takes over what k made of it
}

// whole is a surface in memory in partitions.
type whole struct{ *surface }

func (w whole) size(i int) int { return min((i+1)*partition, w.triangles()) - i*partition }

func (w whole) open(i int, k *carver) {
	k.s = w.surface
	k.fill(i*partition, i*partition+w.size(i))
}

func (whole) close(int, *carver) {}

// level collapses edges in all partitions up to the same cost, that which leaves the goal.
func (s *surface) level(ctx context.Context, goal int) error {
	s.markSeams()
	err := level(ctx, whole{s}, par.Count(s.triangles(), partition), float64(goal)/float64(s.triangles()))
	s.compact()
	return err
}

// level collapses edges in all n partitions up to the same cost, that which leaves the given
// share of their triangles. Some of the partitions find it, at the same pace: every round
// admits the next buckets of cost in all of these. The others follow one by one, so that
// only few edges wait in memory at any time; as no partition touches another, they end as
// if all had kept pace.
func level(ctx context.Context, g parted, n int, share float64) error {
	step := max(1, n/pacemakers)
	most, err := pace(ctx, g, par.Count(n, step), step, share)
	if err != nil {
		return err
	}
	var idle sync.Pool
	return par.Each(ctx, n, func(i int) error {
		if i%step == 0 {
			return nil // it has set the pace
		}
		k, _ := idle.Get().(*carver)
		if k == nil {
			k = &carver{queue: newQueue(3 * partition / 2)}
		}
		k.queue.reset()
		k.removed = 0
		g.open(i, k)
		k.run(most, math.MaxInt)
		g.close(i, k)
		idle.Put(k)
		return nil
	})
}

// pacemakers is the number of partitions that find the cost of a level: a million
// triangles, whose share among equal ones is sure to a tenth of a percent.
const pacemakers = 32

// pace reduces every step-th partition until the given share of their triangles is left,
// and returns the bucket that was reached.
func pace(ctx context.Context, g parted, n, step int, share float64) (most int, err error) {
	carvers := make([]*carver, n)
	total := 0
	for i := range carvers {
		carvers[i] = &carver{queue: newQueue(3 * g.size(i*step) / 2)}
		total += g.size(i * step)
	}
	err = par.Each(ctx, n, func(i int) error {
		g.open(i*step, carvers[i])
		return nil
	})
	goal := int(share * float64(total))
	for left := total; err == nil && left > goal && most < buckets; {
		lowest := buckets
		for _, k := range carvers {
			lowest = min(lowest, k.queue.lowest)
		}
		most = min(max(lowest, most)+stride(left, goal), buckets)
		err = par.Each(ctx, n, func(i int) error {
			carvers[i].run(most, math.MaxInt)
			return nil
		})
		left = total
		for _, k := range carvers {
			left -= k.removed
		}
	}
	if err != nil {
		return 0, err
	}
	return most, par.Each(ctx, n, func(i int) error {
		g.close(i*step, carvers[i])
		carvers[i] = nil
		return nil
	})
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
