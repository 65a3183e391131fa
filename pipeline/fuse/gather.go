package fuse

import "math"

// gather adds to block id what the samples of a view in and around it say. Only
// this block is written to.
func (g *grid) gather(id int32, s sorted, preferred bool) {
	b, c := g.blocks[id], g.at[id]
	var cover [blockSize]float32
	for k := range 27 {
		n := coord{c.x + int32(k%3) - 1, c.y + int32(k/3%3) - 1, c.z + int32(k/9) - 1}
		r, ok := s.start[n]
		if !ok {
			continue
		}
		for i := r[0]; i < r[1]; i++ {
			p := s.samples[i]
			reach := max(p.reach, band)
			if near(p.x, c.x, reach) && near(p.y, c.y, reach) && near(p.z, c.z, reach) {
				b.splat(&cover, p, c, reach, preferred)
			}
		}
	}
	for i, v := range cover {
		q := uint8(min(v, 1)*255 + 0.5)
		b.cover[i] = max(b.cover[i], q)
		if preferred {
			b.prefer[i] = max(b.prefer[i], q)
		}
	}
}

// splat adds one sample to the places of a block. More than a cell behind the surface
// a sample weighs less, so that the far side of a thin plate prevails there; nearer,
// where the zero lies, a weight that depends on the noisy distance would pull the
// surface outwards by a share of the variance.
func (b *block) splat(cover *[blockSize]float32, p sample, c coord, reach float32, preferred bool) {
	x, y, z := p.x-float32(c.x*side), p.y-float32(c.y*side), p.z-float32(c.z*side)
	x0, x1 := span(x, reach)
	y0, y1 := span(y, reach)
	z0, z1 := span(z, reach)
	r2 := p.reach * p.reach
	inv := 1 / r2
	for k := z0; k <= z1; k++ {
		dz := float32(k) - z
		for j := y0; j <= y1; j++ {
			dy := float32(j) - y
			across := p.ny*dy + p.nz*dz
			square := dy*dy + dz*dz
			row := (k*side + j) * side
			for i := x0; i <= x1; i++ {
				dx := float32(i) - x
				d := p.nx*dx + across
				side2 := dx*dx + square - d*d
				if side2 >= r2 || d > band || d < -band {
					continue
				}
				q := 1 - side2*inv
				q *= q
				at := row + i
				cover[at] += q * p.cover
				w := q * p.weight
				if d < -1 {
					w *= 1 + (d+1)/(2*(band-1))
				}
				if !preferred {
					w *= giveWay(b.prefer[at])
				}
				b.sum[at] += w * d
				b.weight[at] += w
			}
		}
	}
}

// giveWay is the share that is left to a view where preferred ones cover a place:
// all at none, nothing at complete cover, with a smooth passage between.
func giveWay(prefer uint8) float32 {
	if prefer == 0 {
		return 1
	}
	t := min(float32(prefer)/200, 1) // cover varies by a fifth where points are spread unevenly
	return 1 - t*t*(3-2*t)
}

func span(x, reach float32) (lo, hi int) {
	return max(0, int(math.Ceil(float64(x-reach)))), min(side-1, int(math.Floor(float64(x+reach))))
}
