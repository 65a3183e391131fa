package feature

import (
	"cmp"
	"context"
	"slices"

	"trammel/pipeline/par"
)

// Pair says that point From of one surface looks like point To of another.
type Pair struct {
	From, To  int32
	Distance2 float32 // squared, of the descriptors
}

// Distinct returns the numbers of the n points whose descriptors lie farthest from
// the mean of all, in ascending order: flat and evenly bent places look alike
// everywhere and tell nothing. After §III of R. B. Rusu and others (2009), who keep
// what lies beyond a multiple of the deviation; a number keeps the cost known.
func Distinct(d []Descriptor, n int) []int32 {
	var sum [Width]float64
	count := 0
	for i := range d {
		if d[i].isEmpty() {
			continue
		}
		count++
		for b, v := range &d[i] {
			sum[b] += float64(v)
		}
	}
	var mean Descriptor
	for b := range mean {
		mean[b] = float32(sum[b] / float64(max(count, 1)))
	}
	var order []int32
	far := make([]float32, len(d))
	for i := range d {
		if !d[i].isEmpty() {
			far[i] = d[i].Distance2(&mean)
			order = append(order, int32(i))
		}
	}
	slices.SortStableFunc(order, func(a, b int32) int { return cmp.Compare(far[b], far[a]) })
	order = order[:min(n, len(order))]
	slices.Sort(order)
	return order
}

// blockPlaces is the number of places a parallel block of matching.
const blockPlaces = 32

// Match returns for each of the places of one surface the most similar descriptors
// of the other, most of them, nearest first. The work grows as the product of the
// two numbers.
func Match(ctx context.Context, from, to []Descriptor, places []int32, most int) ([]Pair, error) {
	slots := make([][]Pair, par.Count(len(places), blockPlaces))
	err := par.Blocks(ctx, len(places), blockPlaces, func(block, lo, hi int) error {
		best := make([][]Pair, hi-lo)
		for j := range to {
			if to[j].isEmpty() {
				continue
			}
			for k, i := range places[lo:hi] {
				d := from[i].Distance2(&to[j])
				if len(best[k]) < most || d < best[k][most-1].Distance2 {
					best[k] = insert(best[k], Pair{From: i, To: int32(j), Distance2: d}, most)
				}
			}
		}
		slots[block] = slices.Concat(best...)
		return nil
	})
	return slices.Concat(slots...), err
}

// insert keeps a short list in ascending order.
func insert(list []Pair, p Pair, most int) []Pair {
	at := len(list)
	for at > 0 && list[at-1].Distance2 > p.Distance2 {
		at--
	}
	return slices.Insert(list, at, p)[:min(len(list)+1, most)]
}
