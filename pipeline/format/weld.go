package format

import "math"

// welder joins the corners of facets that are equal in all three stored
// coordinates. It is a hash table with open addressing over the vertices.
type welder struct {
	c     *collector
	slots []int32 // vertex number + 1, 0 for a free slot
}

func newWelder(c *collector) *welder {
	return &welder{c: c, slots: make([]int32, 1<<10)}
}

func (w *welder) add(b *Batch) {
	for t := 0; t+2 < len(b.Tri); t += 3 {
		base := int(b.Tri[t] - w.c.seen) // the facet's own corners, three in a row
		bad := 0
		for k := range 3 {
			if !w.c.isValid(b, base+k) {
				bad++
			}
		}
		if bad > 0 {
			w.c.badCorners += int64(bad)
			w.c.lost++
			continue
		}
		for k := range 3 {
			w.c.tri = append(w.c.tri, w.vertex(b, base+k))
		}
	}
	w.c.seen += int64(len(b.X))
}

func (w *welder) vertex(b *Batch, i int) int32 {
	c := w.c
	// Adding zero turns -0 into 0, which is the same place.
	x := float32(b.X[i]*c.scale-c.origin.X) + 0
	y := float32(b.Y[i]*c.scale-c.origin.Y) + 0
	z := float32(b.Z[i]*c.scale-c.origin.Z) + 0
	mask := len(w.slots) - 1
	for h := hashPoint(x, y, z) & mask; ; h = (h + 1) & mask {
		s := w.slots[h]
		if s == 0 {
			return w.insert(h, x, y, z)
		}
		if v := s - 1; c.cloud.X[v] == x && c.cloud.Y[v] == y && c.cloud.Z[v] == z {
			return v
		}
	}
}

func (w *welder) insert(h int, x, y, z float32) int32 {
	c := &w.c.cloud
	v := int32(len(c.X))
	c.X, c.Y, c.Z = append(c.X, x), append(c.Y, y), append(c.Z, z)
	w.slots[h] = v + 1
	if 2*len(c.X) > len(w.slots) {
		w.rehash()
	}
	return v
}

func (w *welder) rehash() {
	w.slots = make([]int32, 2*len(w.slots))
	mask := len(w.slots) - 1
	c := &w.c.cloud
	for v := range c.X {
		h := hashPoint(c.X[v], c.Y[v], c.Z[v]) & mask
		for w.slots[h] != 0 {
			h = (h + 1) & mask
		}
		w.slots[h] = int32(v) + 1
	}
}

// hashPoint mixes the three bit patterns; the multipliers are odd 64-bit numbers
// with well spread bits (the golden ratio and two primes of xxHash).
func hashPoint(x, y, z float32) int {
	h := uint64(math.Float32bits(x))*0x9E3779B97F4A7C15 ^ uint64(math.Float32bits(y))*0xC2B2AE3D27D4EB4F ^ uint64(math.Float32bits(z))*0x165667B19E3779F9
	h ^= h >> 29
	h *= 0x9E3779B97F4A7C15
	return int(h >> 33)
}
