package fuse

// A splat is one sample on its way into the places of a block: those of a box of rows,
// window places along x. splat_amd64.s reads it.
type splat struct {
	x             float32 // of the sample, from the first place of the window
	dy, dz        float32 // from the sample to the first row
	nx, ny, nz    float32
	r2, inv       float32 // of the reach sideways: its square, and one over that
	limit2        float32 // of the band of distances: the square of where it ends
	unit, steep   float32 // what lies more than unit behind weighs less, by steep for each cell
	cover, weight float32
	rows, layers  int32
	at            int64 // of the first place, in bytes from that of the block
	lanes         *[2][2 * window]uint32
}

// window is the number of places along x that are dealt with at once: those within reach
// of a sample are that many at most, but for sparse ones.
const window = 4

// lanes holds all ones for the places from the first to the last of a window: in two rows
// that are dealt with at once, and in the first of them alone.
var lanes = func() (m [window][window][2][2 * window]uint32) {
	for first := range window {
		for last := first; last < window; last++ {
			for i := first; i <= last; i++ {
				m[first][last][0][i], m[first][last][0][window+i] = ^uint32(0), ^uint32(0)
				m[first][last][1][i] = ^uint32(0)
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
	reach := max(p.reach, a.limit)
	x0, x1 := span(x, reach)
	y0, y1 := span(y, reach)
	z0, z1 := span(z, reach)
	if x0 > x1 || y0 > y1 || z0 > z1 {
		return
	}
	s := &a.next
	s.dy, s.dz = float32(y0)-y, float32(z0)-z
	s.nx, s.ny, s.nz = p.nx, p.ny, p.nz
	s.r2 = p.reach * p.reach
	s.inv = 1 / s.r2
	s.cover, s.weight = p.cover, p.weight
	s.rows, s.layers = int32(y1-y0+1), int32(z1-z0+1)
	a.touched |= uint64(1<<(y1+1)-1<<y0) * layersOf[z0][z1]
	for first := x0; first <= x1; first += window {
		from := min(first, side-window)
		s.x = x - float32(from)
		s.at = int64((z0*side+y0)*side+from) * 4
		s.lanes = &lanes[first-from][min(x1-from, window-1)]
		splatRows(a, s)
	}
}

// layersOf has a bit for the first row of each layer from one to another.
var layersOf = func() (m [side][side]uint64) {
	for first := range side {
		for last := first; last < side; last++ {
			for z := first; z <= last; z++ {
				m[first][last] |= 1 << (z * side)
			}
		}
	}
	return m
}()

// span returns the places of a block within reach of x.
func span(x, reach float32) (lo, hi int) {
	const far = 64 // conversion cuts towards zero; x and reach are smaller
	return max(0, far-int(far-(x-reach))), min(side-1, int(far+x+reach)-far)
}

// splatRowsPlain goes through the rows of a splat.
func splatRowsPlain(a *sums, s *splat) {
	for k := range s.layers {
		dz := s.dz + float32(k)
		for j := range s.rows {
			dy := s.dy + float32(j)
			across := s.ny*dy + s.nz*dz
			square := dy*dy + dz*dz
			row := int(s.at/4) + int(k)*side*side + int(j)*side
			for i, lane := range s.lanes[1][:window] {
				if lane != 0 {
					a.add(s, row+i, float32(i)-s.x, across, square)
				}
			}
		}
	}
}

// add adds a sample to one place, dx from it along the row.
func (a *sums) add(s *splat, at int, dx, across, square float32) {
	d := s.nx*dx + across
	d2 := d * d
	side2 := dx*dx + square - d2
	if side2 >= s.r2 || d2 > s.limit2 {
		return
	}
	q := 1 - side2*s.inv
	q *= q
	a.cover[at] += q * s.cover
	w := q * s.weight * (1 + min(d+s.unit, 0)*s.steep)
	a.distance[at] += w * d
	a.mass[at] += w
}
