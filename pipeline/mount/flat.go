package mount

import "math"

// flatIndex finds the nearest of a set of plane points, in square cells.
type flatIndex struct {
	x, y   []float64
	cell   float64
	x0, y0 float64
	nx, ny int
	start  []int32 // of each cell in order, and the end
	order  []int32
}

// newFlatIndex makes cells that hold about two points each.
func newFlatIndex(x, y []float64) *flatIndex {
	f := &flatIndex{x: x, y: y}
	x1, y1 := x[0], y[0]
	f.x0, f.y0 = x[0], y[0]
	for i := range x {
		f.x0, x1 = math.Min(f.x0, x[i]), math.Max(x1, x[i])
		f.y0, y1 = math.Min(f.y0, y[i]), math.Max(y1, y[i])
	}
	f.cell = math.Max(math.Sqrt(2*(x1-f.x0)*(y1-f.y0)/float64(len(x))), 1e-9+(x1-f.x0+y1-f.y0)/4096)
	f.nx, f.ny = int((x1-f.x0)/f.cell)+1, int((y1-f.y0)/f.cell)+1
	f.start = make([]int32, f.nx*f.ny+1)
	for i := range x {
		f.start[f.at(i)+1]++
	}
	for c := range f.nx * f.ny {
		f.start[c+1] += f.start[c]
	}
	fill := append([]int32(nil), f.start...)
	f.order = make([]int32, len(x))
	for i := range x {
		c := f.at(i)
		f.order[fill[c]] = int32(i)
		fill[c]++
	}
	return f
}

func (f *flatIndex) at(i int) int {
	return int((f.y[i]-f.y0)/f.cell)*f.nx + int((f.x[i]-f.x0)/f.cell)
}

// clear returns the distance from (x, y) to the nearest point, at most limit.
func (f *flatIndex) clear(x, y, limit float64) float64 {
	best := limit
	cx, cy := int(math.Floor((x-f.x0)/f.cell)), int(math.Floor((y-f.y0)/f.cell))
	for ring := 0; float64(ring-1)*f.cell < best; ring++ {
		for j := cy - ring; j <= cy+ring; j++ {
			step := 1
			if j != cy-ring && j != cy+ring {
				step = max(1, 2*ring)
			}
			for i := cx - ring; i <= cx+ring; i += step {
				best = math.Min(best, f.nearestIn(i, j, x, y, best))
			}
		}
	}
	return best
}

// around calls visit with every point within reach of (x, y), in a fixed order.
func (f *flatIndex) around(x, y, reach float64, visit func(k int)) {
	i0, i1 := max(0, int((x-reach-f.x0)/f.cell)), min(f.nx-1, int(math.Floor((x+reach-f.x0)/f.cell)))
	j0, j1 := max(0, int((y-reach-f.y0)/f.cell)), min(f.ny-1, int(math.Floor((y+reach-f.y0)/f.cell)))
	for j := j0; j <= j1; j++ {
		for i := i0; i <= i1; i++ {
			c := j*f.nx + i
			for _, k := range f.order[f.start[c]:f.start[c+1]] {
				if math.Hypot(f.x[k]-x, f.y[k]-y) <= reach {
					visit(int(k))
				}
			}
		}
	}
}

// nearest returns the nearest point within reach of (x, y), -1 without one.
func (f *flatIndex) nearest(x, y, reach float64) int {
	best, at := reach, -1
	f.around(x, y, reach, func(k int) {
		if d := math.Hypot(f.x[k]-x, f.y[k]-y); d <= best {
			best, at = d, k
		}
	})
	return at
}

func (f *flatIndex) nearestIn(i, j int, x, y, best float64) float64 {
	if i < 0 || j < 0 || i >= f.nx || j >= f.ny {
		return best
	}
	c := j*f.nx + i
	for _, k := range f.order[f.start[c]:f.start[c+1]] {
		best = math.Min(best, math.Hypot(f.x[k]-x, f.y[k]-y))
	}
	return best
}

// arc returns the share of 36 directions from (x, y) in which a point lies
// between r and r+depth.
func (f *flatIndex) arc(x, y, r, depth float64) float64 {
	const n = 36
	var hit [n]bool
	for i := range f.x {
		dx, dy := f.x[i]-x, f.y[i]-y
		if d := math.Hypot(dx, dy); d >= r*0.999 && d <= r+depth {
			hit[sector(dx, dy, n)] = true
		}
	}
	k := 0
	for _, h := range hit {
		if h {
			k++
		}
	}
	return float64(k) / n
}
