package distance

import (
	"context"
	"math/bits"

	"trammel/pipeline/par"
)

// runSize is the number of items, neighbours on the Hilbert curve, that arrange
// puts into a better order: four levels of the tree. A run stays in the fastest
// cache, and the number of an item in it fits the low bits of a place.
const runSize = fan * fan * fan * fan

// mostPlaces is how many places can be halved at once: their numbers have placeBits.
const mostPlaces = 1 << placeBits

// placeBits is the width of each of the four fields of a place.
const placeBits = 16

// place packs a middle into one number that sorts fast: x, y and z on a grid of
// 2¹⁶ steps, and below them which middle it is, so that no two are the same.
// Turned left by placeBits times an axis, places sort along that axis.
type place uint64

// number returns which middle it is.
func (p place) number() int { return int(p % mostPlaces) }

// arrange improves an order along the Hilbert curve, in which runs that follow
// the curve across a surface come out ragged: within a run, and then among the
// runs, the middles are halved again and again at the median of their widest
// axis, until each part is one child of a node. Boxes overlap less, and a search
// opens a third fewer of them.
func arrange(ctx context.Context, order []int32, at located) error {
	runs := make([][3]float32, len(order)/runSize) // the middles of the whole runs
	err := par.Blocks(ctx, len(order), 16*runSize, func(_, first, end int) error {
		var s arranger
		for lo := first; lo < end; lo += runSize {
			run := order[lo:min(lo+runSize, end)]
			s.arrange(run, at)
			if len(run) == runSize {
				runs[lo/runSize] = middleOf(s.middles)
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	var s arranger
	for lo := 0; lo < len(runs); lo += mostPlaces {
		s.middles = runs[lo:min(lo+mostPlaces, len(runs))]
		s.halve()
		s.reorderRuns(order[lo*runSize:])
	}
	return ctx.Err()
}

// arranger is the scratch of arrange.
type arranger struct {
	middles [][3]float32
	places  []place
	old     []int32
}

// arrange puts one run into order.
func (s *arranger) arrange(run []int32, at located) {
	s.middles = s.middles[:0]
	for _, i := range run {
		x, y, z := at(i)
		s.middles = append(s.middles, [3]float32{x, y, z})
	}
	s.halve()
	s.old = append(s.old[:0], run...)
	for i, p := range s.places {
		run[i] = s.old[p.number()]
	}
}

// reorderRuns moves whole runs to where the places say, one cycle of moves after the other,
// so that only one run is held twice.
func (s *arranger) reorderRuns(order []int32) {
	run := func(i int) []int32 { return order[i*runSize : (i+1)*runSize] }
	moved := make([]bool, len(s.places))
	for first := range s.places {
		if moved[first] {
			continue
		}
		s.old = append(s.old[:0], run(first)...)
		to := first
		for from := s.places[to].number(); from != first; to, from = from, s.places[from].number() {
			copy(run(to), run(from))
			moved[to] = true
		}
		copy(run(to), s.old)
		moved[to] = true
	}
}

// halve sets the places of the middles, at most mostPlaces, in their new order.
func (s *arranger) halve() {
	lo, hi := boundsOf(s.middles)
	var scale float32
	if longest := max(hi[0]-lo[0], hi[1]-lo[1], hi[2]-lo[2]); longest > 0 {
		scale = (mostPlaces - 1) / longest
	}
	s.places = s.places[:0]
	for i, c := range s.middles {
		x, y, z := place((c[0]-lo[0])*scale), place((c[1]-lo[1])*scale), place((c[2]-lo[2])*scale)
		s.places = append(s.places, ((x<<placeBits|y)<<placeBits|z)<<placeBits|place(i))
	}
	halve(s.places, 1<<bits.Len(uint(max(len(s.places)-1, 0)))/2)
}

func boundsOf(middles [][3]float32) (lo, hi [3]float32) {
	lo, hi = middles[0], middles[0]
	for _, c := range middles[1:] {
		for k := range 3 {
			lo[k], hi[k] = min(lo[k], c[k]), max(hi[k], c[k])
		}
	}
	return lo, hi
}

func middleOf(middles [][3]float32) (c [3]float32) {
	lo, hi := boundsOf(middles)
	for k := range 3 {
		c[k] = lo[k]/2 + hi[k]/2
	}
	return c
}

// halve brings the first half places along the widest axis to the front, and goes
// on with both parts and half as many.
func halve(places []place, half int) {
	for ; half > 0; half /= 2 {
		if len(places) <= half {
			continue
		}
		bringFirst(places, half, placeBits*widest(places))
		halve(places[half:], half/2)
		places = places[:half]
	}
}

// widest returns the axis along which the places lie farthest apart.
func widest(places []place) int {
	const field = mostPlaces - 1
	lo, hi := [3]place{field, field, field}, [3]place{}
	for _, p := range places {
		x, y, z := p>>(3*placeBits), p>>(2*placeBits)&field, p>>placeBits&field
		lo[0], hi[0] = min(lo[0], x), max(hi[0], x)
		lo[1], hi[1] = min(lo[1], y), max(hi[1], y)
		lo[2], hi[2] = min(lo[2], z), max(hi[2], z)
	}
	axis := 0
	for k := 1; k < 3; k++ {
		if hi[k]-lo[k] > hi[axis]-lo[axis] {
			axis = k
		}
	}
	return axis
}

// bringFirst brings the n lowest places, turned left by turn, to the front.
// After C. A. R. Hoare, Algorithm 65: Find, CACM 4(7), 1961; the partition has no
// branch to guess wrong.
func bringFirst(places []place, n, turn int) {
	for len(places) > 2 {
		j := partition(places, median(places, turn), turn)
		switch {
		case n < j:
			places = places[:j]
		case n > j:
			places, n = places[j:], n-j
		default:
			return
		}
	}
	if len(places) == 2 && turned(places[1], turn) < turned(places[0], turn) {
		places[0], places[1] = places[1], places[0]
	}
}

// partition brings the places below the pivot to the front and returns how many
// there are.
func partition(places []place, pivot uint64, turn int) int {
	j := 0
	for i, p := range places {
		places[i] = places[j]
		places[j] = p
		below := 0
		if turned(p, turn) < pivot {
			below = 1
		}
		j += below
	}
	return j
}

func turned(p place, turn int) uint64 { return bits.RotateLeft64(uint64(p), turn) }

// median returns the middle one of three places, which is never the lowest of all.
func median(places []place, turn int) uint64 {
	a, b, c := turned(places[0], turn), turned(places[len(places)/2], turn), turned(places[len(places)-1], turn)
	return max(min(a, b), min(max(a, b), c))
}
