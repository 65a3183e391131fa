package reduce

import "math"

// Edges wait in buckets of a quarter octave of cost: within a bucket the order
// is that of arrival, backwards. A heap would order them exactly, at twice the
// time; the error of the result does not show the difference (within 1 %).
const (
	bucketsPerOctaveLog2 = 2
	bucketShift          = 23 - bucketsPerOctaveLog2 // of the bits of a positive float32
	buckets              = 256 << bucketsPerOctaveLog2
)

// entry is an edge that waits for its turn. It is stale when either end has been
// changed since: stamp is the sum of the ends' versions, which only grow.
type entry struct {
	u, v  int32
	stamp uint32
	next  int32
}

// queue holds edges by cost.
type queue struct {
	first   [buckets]int32 // heads of the lists, 0 for none; entries[0] is not used
	entries []entry
	unused  int32 // head of the list of entries to use again
	lowest  int   // no bucket below it holds an edge
}

func newQueue(room int) *queue {
	return &queue{entries: make([]entry, 1, room+1), lowest: buckets}
}

// reset empties the queue and keeps its memory.
func (q *queue) reset() {
	q.first, q.entries, q.unused, q.lowest = [buckets]int32{}, q.entries[:1], 0, buckets
}

func bucketOf(cost float64) int {
	return int(math.Float32bits(float32(cost)) >> bucketShift & (buckets - 1))
}

func (q *queue) push(u, v int32, stamp uint32, cost float64) {
	q.pushAt(u, v, stamp, bucketOf(cost))
}

// pushAt puts an edge into bucket b.
func (q *queue) pushAt(u, v int32, stamp uint32, b int) {
	i := q.unused
	if i == 0 {
		i = int32(len(q.entries))
		q.entries = append(q.entries, entry{})
	} else {
		q.unused = q.entries[i].next
	}
	q.entries[i] = entry{u, v, stamp, q.first[b]}
	q.first[b] = i
	q.lowest = min(q.lowest, b)
}

// pop takes an edge from the lowest bucket, if that is not above most.
func (q *queue) pop(most int) (e entry, ok bool) {
	for q.lowest <= most && q.lowest < buckets {
		i := q.first[q.lowest]
		if i == 0 {
			q.lowest++
			continue
		}
		e = q.entries[i]
		q.first[q.lowest] = e.next
		q.entries[i].next = q.unused
		q.unused = i
		return e, true
	}
	return entry{}, false
}
