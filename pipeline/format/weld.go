package format

import (
	"math"
	"math/bits"
)

// welder joins the corners of facets that are equal in all three stored
// coordinates. It is a hash table with open addressing; each slot holds the
// coordinates themselves, so that a corner that is there already, as five of six
// are, costs one visit to memory.
type welder struct {
	c       *collector
	slots   []weldSlot
	touched int32 // keeps the touching of slots from being left out as useless
}

// weldSlot is a vertex; number is that of the vertex plus one, 0 for a free slot.
type weldSlot struct {
	x, y, z uint32 // bits of the coordinates
	number  int32
}

// newWelder makes room for the vertices that so many facets have in a closed
// mesh, half as many.
func newWelder(c *collector, facets int) *welder {
	return &welder{c: c, slots: make([]weldSlot, 1<<bits.Len(uint(facets/2+facets/4+512)))}
}

// weldGroup facets are looked up together: first all their slots are touched,
// then each is searched. The processor fetches independent slots side by side,
// where one after the other would wait for memory three times a facet. Measured
// on two million facets: a third less time.
const weldGroup = 64

func (w *welder) add(b *Batch) {
	for t := 0; t+2 < len(b.Tri); t += 3 * weldGroup {
		w.group(b, b.Tri[t:min(len(b.Tri), t+3*weldGroup)])
	}
	w.c.seen += int64(len(b.X))
}

// group welds the corners of up to weldGroup facets.
func (w *welder) group(b *Batch, tri []int64) {
	var keys [3 * weldGroup]weldSlot
	n := 0
	for t := 0; t+2 < len(tri); t += 3 {
		base := int(tri[t] - w.c.seen) // the facet's own corners, three in a row
		if bad := w.invalid(b, base); bad > 0 {
			w.c.badCorners += bad
			w.c.lost++
			continue
		}
		for k := range 3 {
			keys[n] = w.key(b, base+k)
			n++
		}
	}
	var hashes [3 * weldGroup]int
	touched := int32(0)
	mask := len(w.slots) - 1
	for i := range n {
		hashes[i] = keys[i].hash()
		touched |= w.slots[hashes[i]&mask].number
	}
	w.touched = touched
	for i := range n {
		w.c.tri = append(w.c.tri, w.vertex(&keys[i], hashes[i]))
	}
}

// invalid counts the corners of a facet that cannot be places.
func (w *welder) invalid(b *Batch, base int) (bad int64) {
	for k := range 3 {
		if !w.c.isValid(b, base+k) {
			bad++
		}
	}
	return bad
}

// key returns a corner as it is stored. Adding zero turns -0 into 0, which is the
// same place.
func (w *welder) key(b *Batch, i int) weldSlot {
	c := w.c
	return weldSlot{
		x: math.Float32bits(float32(b.X[i]*c.scale-c.origin.X) + 0),
		y: math.Float32bits(float32(b.Y[i]*c.scale-c.origin.Y) + 0),
		z: math.Float32bits(float32(b.Z[i]*c.scale-c.origin.Z) + 0),
	}
}

func (w *welder) vertex(key *weldSlot, hash int) int32 {
	mask := len(w.slots) - 1
	for h := hash & mask; ; h = (h + 1) & mask {
		s := &w.slots[h]
		if s.number == 0 {
			return w.insert(h, *key)
		}
		if s.x == key.x && s.y == key.y && s.z == key.z {
			return s.number - 1
		}
	}
}

func (w *welder) insert(h int, key weldSlot) int32 {
	c := &w.c.cloud
	c.X, c.Y, c.Z = append(c.X, math.Float32frombits(key.x)), append(c.Y, math.Float32frombits(key.y)), append(c.Z, math.Float32frombits(key.z))
	key.number = int32(len(c.X))
	w.slots[h] = key
	if 4*len(c.X) > 3*len(w.slots) {
		w.rehash()
	}
	return key.number - 1
}

func (w *welder) rehash() {
	old := w.slots
	w.slots = make([]weldSlot, 2*len(old))
	mask := len(w.slots) - 1
	for _, s := range old {
		if s.number == 0 {
			continue
		}
		h := s.hash() & mask
		for w.slots[h].number != 0 {
			h = (h + 1) & mask
		}
		w.slots[h] = s
	}
}

// hash mixes the three bit patterns; the multipliers are odd 64-bit numbers with
// well spread bits (the golden ratio and two primes of xxHash).
func (s *weldSlot) hash() int {
	h := uint64(s.x)*0x9E3779B97F4A7C15 ^ uint64(s.y)*0xC2B2AE3D27D4EB4F ^ uint64(s.z)*0x165667B19E3779F9
	h ^= h >> 29
	h *= 0x9E3779B97F4A7C15
	return int(h >> 33)
}
