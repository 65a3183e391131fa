package fuse

// A splat is one sample on its way into the places of a block, seen from whose corner it
// lies at x, y, z; its fields and their order are known to splat_amd64.s.
type splat struct {
	x, y, z, nx, ny, nz float32
	r2, inv             float32 // of the reach sideways: its square, and one over that
	limit, lower        float32 // the band of distances: up to limit, down to lower
	unit, slope         float32 // what lies more than unit behind weighs less, by its share of slope
	slack, along        float32 // tell rows that have no place in the band or the reach
	cover, weight       float32
	y0, y1, z0, z1      int32 // rows
	lanes               *[side]uint32
}

// lanes holds all ones for the places from the first to the last of a row.
var lanes = func() (m [side][side][side]uint32) {
	for first := range side {
		for last := first; last < side; last++ {
			for i := first; i <= last; i++ {
				m[first][last][i] = ^uint32(0)
			}
		}
	}
	return m
}()

// splat adds one sample to the places of a block, seen from whose corner it lies at x,
// y, z. More than a cell behind the surface a sample weighs less, so that the far side
// of a thin plate prevails there; nearer, where the zero lies, a weight that depends on
// the noisy distance would pull the surface outwards by a share of the variance.
func (a *sums) splat(p *sample, x, y, z float32) {
	if s, ok := a.splatOf(p, x, y, z); ok {
		splatRows(a, &s)
	}
}

// splatOf prepares a sample, and reports whether it has any place in the block.
func (a *sums) splatOf(p *sample, x, y, z float32) (s splat, ok bool) {
	reach := max(p.reach, a.limit)
	x0, x1 := span(x, reach)
	y0, y1 := span(y, reach)
	z0, z1 := span(z, reach)
	if x0 > x1 || y0 > y1 || z0 > z1 {
		return s, false
	}
	r2 := p.reach * p.reach
	return splat{
		x: x, y: y, z: z, nx: p.nx, ny: p.ny, nz: p.nz, r2: r2, inv: 1 / r2,
		limit: a.limit, lower: -a.limit, unit: a.unit, slope: 2 * (a.limit - a.unit),
		slack: a.limit + reach*max(p.nx, -p.nx), along: 1 / max(1-p.nx*p.nx, 1e-6),
		cover: p.cover, weight: p.weight,
		y0: int32(y0), y1: int32(y1), z0: int32(z0), z1: int32(z1), lanes: &lanes[x0][x1],
	}, true
}

// span returns the places of a block within reach of x.
func span(x, reach float32) (lo, hi int) {
	const far = 64 // conversion cuts towards zero; x and reach are smaller
	return max(0, far-int(far-(x-reach))), min(side-1, int(far+x+reach)-far)
}

// splatRowsPlain goes through the rows of a block.
func splatRowsPlain(a *sums, s *splat) {
	for k := s.z0; k <= s.z1; k++ {
		dz := float32(k) - s.z
		for j := s.y0; j <= s.y1; j++ {
			dy := float32(j) - s.y
			across := s.ny*dy + s.nz*dz
			square := dy*dy + dz*dz
			if across > s.slack || across < -s.slack || square-across*across*s.along > s.r2 {
				continue
			}
			for i, lane := range s.lanes {
				if lane != 0 {
					a.add(s, int(k*side+j)*side+i, float32(i)-s.x, across, square)
				}
			}
		}
	}
}

// add adds a sample to one place, dx from it along the row.
func (a *sums) add(s *splat, at int, dx, across, square float32) {
	d := s.nx*dx + across
	side2 := dx*dx + square - d*d
	if side2 >= s.r2 || d > s.limit || d < s.lower {
		return
	}
	q := 1 - side2*s.inv
	q *= q
	a.cover[at] += q * s.cover
	w := q * s.weight * (1 + min(d+s.unit, 0)/s.slope)
	a.distance[at] += w * d
	a.mass[at] += w
}
