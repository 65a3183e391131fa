package sticker

import "math"

// bin is a part of the profile across a piece.
type bin struct{ n, sum, sum2 float64 }

func (b *bin) add(h float64) { b.n, b.sum, b.sum2 = b.n+1, b.sum+h, b.sum2+h*h }

// profile is the mean height over the skin across a piece, in bins from -reach on.
func (p *piece) profile(r *rise) (bins []bin, width, reach float64) {
	width = math.Max(1, 0.75*p.zone.Spacing)
	unit := p.zone.Unit
	reach = unit + 2
	bins = make([]bin, int(2*reach/width)+1)
	for _, q := range p.near {
		if math.Abs(q.x) <= p.zone.HalfX {
			put(bins, (q.y+reach)/width, r.above(q, unit))
		}
	}
	return bins, width, reach
}

// lengthwise is the same along it, from its middle part.
func (p *piece) lengthwise(r *rise) (bins []bin, width, reach float64) {
	width, reach = math.Max(1, 0.75*p.zone.Spacing), p.zone.HalfX
	bins = make([]bin, int(2*reach/width)+1)
	for _, q := range p.near {
		if math.Abs(q.y) <= coreShare*p.zone.HalfY {
			put(bins, (q.x+reach)/width, r.above(q, p.zone.Unit))
		}
	}
	return bins, width, reach
}

func put(bins []bin, at, h float64) {
	if k := int(math.Floor(at)); k >= 0 && k < len(bins) {
		bins[k].add(h)
	}
}

// plateau finds the two ends between which a raised level explains a profile best.
func plateau(bins []bin, width, reach, shortest float64) (lo, hi float64, ok bool) {
	n, sum := make([]float64, len(bins)+1), make([]float64, len(bins)+1)
	for i, b := range bins {
		n[i+1], sum[i+1] = n[i]+b.n, sum[i]+b.sum
	}
	best := 0.0
	for i := range bins {
		for k := i + max(1, int(shortest/width)); k <= len(bins); k++ {
			count, s := n[k]-n[i], sum[k]-sum[i]
			if s <= 0 || count < leastPoints {
				continue
			}
			if gain := s * s / count; gain > best {
				best, lo, hi, ok = gain, float64(i)*width-reach, math.Min(reach, float64(k)*width-reach), true
			}
		}
	}
	return lo, hi, ok
}

// isPlateau compares the profile with that of a flat top with sharp edges.
func (p *piece) isPlateau(r *rise, edge float64) bool {
	bins, width, reach := p.profile(r)
	good, all := 0.0, 0.0
	for k, b := range bins {
		y := math.Abs((float64(k)+0.5)*width - reach)
		if b.n < 3 || math.Abs(y-p.zone.HalfY) < edge {
			continue
		}
		want := 0.0
		if y < p.zone.HalfY {
			want = p.zone.Height
		}
		all++
		if math.Abs(b.sum/b.n-want) < profileOff*p.zone.Height+3*r.noise/math.Sqrt(b.n) {
			good++
		}
	}
	return all > 0 && good >= profilePass*all
}

// isSharp compares the bands just inside and just outside the edges with the top and
// the skin: a rounded rib has sunk or not yet sunk there.
func (p *piece) isSharp(r *rise, edge float64) bool {
	var bands [2][2]bin // by side; inside, outside
	for _, q := range p.near {
		at := math.Abs(q.y) - p.zone.HalfY
		if math.Abs(q.x) > p.zone.HalfX || math.Abs(at) < edge || math.Abs(at) > edge+sharpBand {
			continue
		}
		b := &bands[int(sideOf(q.y)+1)/2][int(sideOf(at)+1)/2]
		b.add(r.above(q, p.zone.Unit))
	}
	for _, b := range bands {
		for k, want := range [2]float64{p.zone.Height, 0} {
			if b[k].n < leastPoints || math.Abs(b[k].sum/b[k].n-want) > sharpOff*p.zone.Height+3*r.noise/math.Sqrt(b[k].n) {
				return false
			}
		}
	}
	return true
}

// isBox reports whether a flat top between two edges explains the profile better than a
// smooth curve, a polynomial of the fifth degree. What lies at the edges says nothing, since
// their direction is not known to better than a degree or two.
func (p *piece) isBox(r *rise, edge float64) bool {
	bins, width, reach := p.profile(r)
	var e equations
	each := func(f func(t *[6]float64, height, want, n float64)) {
		for k, b := range bins {
			y := (float64(k)+0.5)*width - reach
			if b.n == 0 || math.Abs(math.Abs(y)-p.zone.HalfY) < edge {
				continue
			}
			t := [6]float64{1}
			for i := range 5 {
				t[i+1] = t[i] * y / reach
			}
			want := 0.0
			if math.Abs(y) < p.zone.HalfY {
				want = p.zone.Height
			}
			f(&t, b.sum/b.n, want, b.n)
		}
	}
	each(func(t *[6]float64, height, _, n float64) { e.add(*t, height, n) })
	curve, ok := e.solve()
	if !ok {
		return false
	}
	var box, smooth float64
	each(func(t *[6]float64, height, want, n float64) {
		box += n * (height - want) * (height - want)
		for i, c := range curve {
			height -= c * t[i]
		}
		smooth += n * height * height
	})
	return box < smooth
}
