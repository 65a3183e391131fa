package distance

import (
	"context"
	"math"
	"slices"

	"trammel/pipeline/par"
)

const (
	// firstLevels are the levels of the curve that part all items: 2¹⁵ parts, of which a
	// surface meets a few thousand. Three more part a crowd in one of these.
	firstLevels = 5

	indexBits = 31 // of an index, below the bits of a key that are still to be sorted

	// fewest is the number of items that are sorted in one go.
	fewest = 1 << 13
	// crowd is the number of items in one part of the curve above which that is parted again.
	crowd = 1 << 17
	// pieces is how many pieces count, and then place, their items at once.
	pieces = 16

	// digitBits is the width of a digit of the radix sort: 512 counters stay in the
	// fastest cache.
	digitBits = 9
)

// curveOrder returns the numbers 0 to n-1 in the order of their cells along the curve; ties
// go to the lower number. at is asked three times for each: to count what goes into
// each part of the curve, to put it there, and to sort the part by itself. So nothing is
// kept beside the result but the counters and what sorting one part takes.
func curveOrder(ctx context.Context, grid hilbertGrid, n int, at located) ([]int32, error) {
	order := make([]int32, n)
	for i := range order {
		order[i] = int32(i)
	}
	s := curveSort{grid, at}
	return order, s.sort(ctx, order, hilbertBits, 0)
}

// curveSort sorts numbers by their cells.
type curveSort struct {
	grid hilbertGrid
	at   located
}

func (s *curveSort) cellOf(n int32) cell { return s.grid.cell(s.at(n)) }

// sort sorts numbers that ascend and whose cells differ in the lower levels alone, through
// which the curve runs with the given turn.
func (s *curveSort) sort(ctx context.Context, order []int32, levels int, turn uint16) error {
	if levels == 0 {
		return ctx.Err() // all in one cell
	}
	if len(order) <= fewest {
		s.sortPart(order, levels, turn, make([]uint64, 2*len(order)))
		return ctx.Err()
	}
	here := 3
	if levels == hilbertBits {
		here = firstLevels
	}
	parts, err := s.part(ctx, order, levels, here, turn)
	if err != nil {
		return err
	}
	const atOnce = 64
	err = par.Blocks(ctx, len(parts), atOnce, func(_, lo, hi int) error {
		var most int32
		for _, p := range parts[lo:hi] {
			if p.size() <= crowd {
				most = max(most, p.size())
			}
		}
		scratch := make([]uint64, 2*most)
		for _, p := range parts[lo:hi] {
			if p.size() <= crowd {
				s.sortPart(order[p.start:p.end], levels-here, p.turn, scratch)
			}
		}
		return nil
	})
	for _, p := range parts {
		if p.size() > crowd && err == nil {
			err = s.sort(ctx, order[p.start:p.end], levels-here, p.turn)
		}
	}
	return err
}

// part is one of the parts that some levels of the curve make.
type part struct {
	cell       cell // of these levels
	turn       uint16
	start, end int32 // in the order
}

func (p *part) size() int32 { return p.end - p.start }

// partsAlong returns the parts in the order of the curve.
func partsAlong(levels int, turn uint16) []part {
	parts := make([]part, 1<<(3*levels))
	for c := range cell(len(parts)) {
		key, left := c.along(turn, levels)
		parts[key] = part{cell: c, turn: left}
	}
	return parts
}

// part brings the numbers into the parts of the curve that the upper ones of the levels
// make, without changing their order in a part. Empty parts are left out.
func (s *curveSort) part(ctx context.Context, order []int32, levels, upper int, turn uint16) ([]part, error) {
	src := order
	if levels < hilbertBits { // else these are the numbers from 0
		src = slices.Clone(order)
	}
	size := max(fewest, par.Count(len(order), pieces))
	counts := make([][]int32, par.Count(len(order), size))
	shift, mask := 3*(levels-upper), cell(1)<<(3*upper)-1
	err := par.Blocks(ctx, len(order), size, func(piece, lo, hi int) error {
		c := make([]int32, mask+1)
		for _, n := range src[lo:hi] {
			c[s.cellOf(n)>>shift&mask]++
		}
		counts[piece] = c
		return nil
	})
	if err != nil {
		return nil, err
	}
	parts, sum := partsAlong(upper, turn), int32(0)
	for i := range parts {
		p := &parts[i]
		p.start = sum
		for _, c := range counts {
			sum, c[p.cell] = sum+c[p.cell], sum
		}
		p.end = sum
	}
	parts = slices.DeleteFunc(parts, func(p part) bool { return p.start == p.end })
	return parts, par.Blocks(ctx, len(order), size, func(piece, lo, hi int) error {
		at := counts[piece]
		for i := lo; i < hi; i++ {
			n := int32(i)
			if levels < hilbertBits {
				n = src[i]
			}
			c := s.cellOf(n) >> shift & mask
			order[at[c]] = n
			at[c]++
		}
		return nil
	})
}

// sortPart sorts numbers that ascend by the lower levels of their cells. The scratch is
// twice as long.
func (s *curveSort) sortPart(order []int32, levels int, turn uint16, scratch []uint64) {
	if len(order) < 2 || levels == 0 {
		return
	}
	keys, other := scratch[:len(order)], scratch[len(order):2*len(order)]
	for i, n := range order {
		key, _ := s.cellOf(n).along(turn, levels)
		keys[i] = key<<indexBits | uint64(n)
	}
	const short = 256 // where counters cost more than comparing
	if len(order) < short {
		slices.Sort(keys)
	} else {
		for shift := indexBits; shift < indexBits+3*levels; shift += digitBits {
			radixPass(other, keys, shift)
			keys, other = other, keys
		}
	}
	for i, k := range keys {
		order[i] = int32(k & math.MaxInt32)
	}
}

// radixPass copies src to dst in the order of the digit at bit shift. It is stable.
func radixPass(dst, src []uint64, shift int) {
	var at [1 << digitBits]int32
	for _, k := range src {
		at[k>>shift&(1<<digitBits-1)]++
	}
	var sum int32
	for d, n := range at {
		at[d] = sum
		sum += n
	}
	for _, k := range src {
		d := k >> shift & (1<<digitBits - 1)
		dst[at[d]] = k
		at[d]++
	}
}
