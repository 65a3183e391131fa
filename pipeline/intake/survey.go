package intake

import (
	"cmp"
	"context"
	"math"
	"math/bits"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// Survey is what the points of a scan say about its quality. Lengths are in the
// numbers of the cloud surveyed.
type Survey struct {
	Spacing   float64  // median distance of a point to its nearest neighbour
	Noise     float64  // median scatter about small planes, 1 sigma; along the line of sight for a set-up
	Distance  float64  // of a set-up: median distance at which the two were taken
	Lone      int64    // points with next to nobody around them
	LoneAt    geom.Vec // the one that lies farthest away
	Doubled   int64    // points exactly where an earlier one is; estimated above a million points
	Saturated float64  // share of points at the largest intensity; 0 without intensities
}

// Scaled returns the survey in other units.
func (s Survey) Scaled(mm float64) Survey {
	s.Spacing, s.Noise, s.Distance, s.LoneAt = s.Spacing*mm, s.Noise*mm, s.Distance*mm, s.LoneAt.Scale(mm)
	return s
}

const (
	surveyBlock = 1 << 18
	// cellAim is how many points the cell of a middling point should hold: enough
	// for a plane, few enough that surfaces are flat across it.
	cellAim = 30
	// leastCell points make a plane worth fitting, mostCell are enough of one.
	leastCell, mostCell = 12, 240
	// leastCells planes are needed to speak of noise at all.
	leastCells = 30
	// cellSample planes give a median that is good to about 4 %.
	cellSample = 1000
	// loneAmong is the most points, itself included, that a lone point has in its
	// own cell and the 26 around it, where a middling one has some 270.
	loneAmong = 2
	// steepest is the smallest cosine of incidence at which the scatter across a
	// plane still tells the noise along the line of sight.
	steepest = 0.5
)

// SurveyPoints looks at the points of a scan. A set-up, seen from the zero point
// of its frame, is cut into cells that grow with the distance, so that a scanner
// that steps evenly over directions fills near and far ones alike; any other
// scan into cubes.
func SurveyPoints(ctx context.Context, c *scan.Cloud, isSetUp bool) (Survey, error) {
	s := Survey{Doubled: doubled(c), Saturated: saturated(c.Intensity)}
	if c.Len() < leastCell {
		return s, nil
	}
	g := grid{cloud: c, isSetUp: isSetUp}
	g.chooseSize()
	t, err := g.count(ctx)
	if err != nil {
		return s, err
	}
	s.Lone, s.LoneAt = g.lone(t)
	cells := g.sample(t)
	var noise, spacing, distance []float64
	for _, cell := range cells {
		v, ok := g.look(cell)
		if !ok {
			continue
		}
		noise, spacing, distance = append(noise, v.noise), append(spacing, v.spacing), append(distance, v.distance)
	}
	s.Spacing = median(spacing)
	if len(noise) >= leastCells {
		s.Noise = median(noise)
	}
	if isSetUp {
		s.Distance = median(distance)
		s.Spacing = medianRatio(spacing, distance) * s.Distance
	}
	return s, nil
}

// grid cuts space into cells.
type grid struct {
	cloud   *scan.Cloud
	isSetUp bool
	size    float64 // edge of a cell: a length, or for a set-up a share of the distance
}

// key numbers the cell of point i in three coordinates of 20 bits and a face. A
// set-up's cells are cut on the faces of a cube around the scanner and in the
// logarithm of the distance; ok is false for the zero point itself. Cells are
// askew to what stands along the axes, as objects like to: a wall along a border
// of cells would be cut in half by its noise.
func (g *grid) key(i int) (k uint64, ok bool) {
	p := g.cloud.At(i)
	if !g.isSetUp {
		return pack(0, g.number(0.80*p.X+0.36*p.Y-0.48*p.Z), g.number(-0.60*p.X+0.48*p.Y-0.64*p.Z), g.number(0.80*p.Y+0.60*p.Z)), true
	}
	face, u, v, depth := onCube(p)
	if depth == 0 {
		return 0, false
	}
	return pack(face, g.number(u), g.number(v), g.number(math.Log(p.Norm2())/2)), true
}

func (g *grid) number(x float64) float64 { return math.Floor(x / g.size) }

// onCube returns the face of the cube around zero through which p is seen, where
// on it, from -1 to 1, and the depth behind it.
func onCube(p geom.Vec) (face uint64, u, v, depth float64) {
	ax, ay, az := math.Abs(p.X), math.Abs(p.Y), math.Abs(p.Z)
	var m float64
	switch {
	case ax >= ay && ax >= az:
		face, m, u, v = 0, p.X, p.Y, p.Z
	case ay >= az:
		face, m, u, v = 2, p.Y, p.X, p.Z
	default:
		face, m, u, v = 4, p.Z, p.X, p.Y
	}
	if m < 0 {
		face++
	}
	depth = math.Abs(m)
	if depth == 0 {
		return 0, 0, 0, 0
	}
	return face, u / depth, v / depth, depth
}

const (
	cellBits = 20
	cellMask = 1<<cellBits - 1
)

func pack(face uint64, i, j, k float64) uint64 {
	return face<<(3*cellBits) | part20(i)<<(2*cellBits) | part20(j)<<cellBits | part20(k)
}

// part20 wraps around beyond half a million cells: two far cells may then share a
// number, which a sample of cells can bear.
func part20(x float64) uint64 { return uint64(int64(max(-1<<40, min(1<<40, x)))+1<<19) & cellMask }

// neighbour returns the cell next to k by the given steps.
func neighbour(k uint64, di, dj, dk int) uint64 {
	step := func(shift, d int) uint64 { return (k>>shift + uint64(d)) & cellMask << shift }
	return k>>(3*cellBits)<<(3*cellBits) | step(2*cellBits, di) | step(cellBits, dj) | step(0, dk)
}

// pilotPoints are counted to choose the size of the cells.
const pilotPoints = 200_000

// chooseSize lets the cell of a middling point hold about cellAim points. Points
// lie on surfaces, so their number grows with the square of the size.
func (g *grid) chooseSize() {
	g.size = 1.0 / 64
	if !g.isSetUp {
		g.size = max(Diagonal(g.cloud.Bounds())/128, math.SmallestNonzeroFloat32)
	}
	stride := max(1, g.cloud.Len()/pilotPoints)
	for range 3 {
		have := g.crowd(stride) * float64(stride)
		g.size *= min(4, max(0.1, math.Sqrt(cellAim/have)))
		if g.isSetUp {
			g.size = min(g.size, 0.25)
		}
	}
}

// crowd returns how many points of every stride-th the cell of a middling one
// holds, a cell of one counting as half, since chance alone decides there.
func (g *grid) crowd(stride int) float64 {
	t := newTable(g.cloud.Len() / stride)
	for i := 0; i < g.cloud.Len(); i += stride {
		if k, ok := g.key(i); ok {
			t.add(k, 1)
		}
	}
	var perPoint []float64
	for i := 0; i < g.cloud.Len(); i += 16 * stride {
		if k, ok := g.key(i); ok {
			perPoint = append(perPoint, float64(t.get(k)))
		}
	}
	if m := median(perPoint); m > 1 {
		return m
	}
	return 0.5
}

// count returns the number of points in every cell. Blocks are counted side by
// side and joined; sums of whole numbers do not care about the order.
func (g *grid) count(ctx context.Context) (*table, error) {
	parts := make([]*table, par.Count(g.cloud.Len(), surveyBlock))
	err := par.Blocks(ctx, g.cloud.Len(), surveyBlock, func(block, lo, hi int) error {
		t := newTable(1 << 12)
		for i := lo; i < hi; i++ {
			if k, ok := g.key(i); ok {
				t.add(k, 1)
			}
		}
		parts[block] = t
		return nil
	})
	all := newTable(1 << 12)
	for _, t := range parts {
		if t != nil {
			t.each(all.add)
		}
	}
	return all, err
}

// lone counts points with next to nobody around them, and finds the farthest.
func (g *grid) lone(t *table) (n int64, at geom.Vec) {
	alone := newTable(1 << 8)
	t.each(func(k uint64, points int32) {
		if points <= loneAmong && t.around(k) <= loneAmong {
			alone.add(k, points)
			n += int64(points)
		}
	})
	if n == 0 {
		return 0, at
	}
	far := -1.0
	for i := range g.cloud.X {
		k, ok := g.key(i)
		if !ok || alone.get(k) == 0 {
			continue
		}
		if p := g.cloud.At(i); p.Norm() > far {
			far, at = p.Norm(), p
		}
	}
	return n, at
}

// around counts the points in a cell and those around it.
func (t *table) around(k uint64) (n int32) {
	for di := -1; di <= 1; di++ {
		for dj := -1; dj <= 1; dj++ {
			for dk := -1; dk <= 1; dk++ {
				n += t.get(neighbour(k, di, dj, dk))
			}
		}
	}
	return n
}

// sample returns the points of about cellSample well filled cells, chosen by
// their numbers alone.
func (g *grid) sample(t *table) [][]int32 {
	var filled []uint64
	t.each(func(k uint64, points int32) {
		if points >= leastCell {
			filled = append(filled, k)
		}
	})
	slices.SortFunc(filled, func(a, b uint64) int { return cmp.Compare(mix(a), mix(b)) })
	filled = filled[:min(len(filled), cellSample)]
	number := newTable(len(filled))
	for i, k := range filled {
		number.add(k, int32(i+1))
	}
	cells := make([][]int32, len(filled))
	for i := range g.cloud.X {
		k, ok := g.key(i)
		if !ok {
			continue
		}
		if c := number.get(k); c > 0 && len(cells[c-1]) < mostCell {
			cells[c-1] = append(cells[c-1], int32(i))
		}
	}
	return cells
}

type cellView struct{ noise, spacing, distance float64 }

// look fits a plane to the points of a cell; ok is false where it is seen too
// flatly to tell the noise along the line of sight.
func (g *grid) look(cell []int32) (v cellView, ok bool) {
	var mean geom.Vec
	for _, i := range cell {
		mean = mean.Add(g.cloud.At(int(i)))
	}
	mean = mean.Scale(1 / float64(len(cell)))
	var moments geom.Mat
	for _, i := range cell {
		d := g.cloud.At(int(i)).Sub(mean)
		moments = moments.Add(geom.Outer(d, d))
	}
	values, axes := geom.Eigen(moments)
	normal := geom.Vec{X: axes[0], Y: axes[3], Z: axes[6]}
	v.noise = math.Sqrt(max(0, values.X) / float64(len(cell)-3))
	v.distance, v.spacing = mean.Norm(), g.nearest(cell)
	if g.isSetUp {
		cos := math.Abs(normal.Dot(mean.Unit()))
		if cos < steepest {
			return v, false
		}
		v.noise /= cos
	}
	return v, true
}

// nearest returns the median distance of the points of a cell to the nearest
// other one.
func (g *grid) nearest(cell []int32) float64 {
	var all []float64
	for _, i := range cell {
		p, best := g.cloud.At(int(i)), math.Inf(1)
		for _, j := range cell {
			if j != i {
				best = min(best, g.cloud.At(int(j)).Dist(p))
			}
		}
		all = append(all, best)
	}
	return median(all)
}

func medianRatio(a, b []float64) float64 {
	var r []float64
	for i := range a {
		if b[i] > 0 {
			r = append(r, a[i]/b[i])
		}
	}
	return median(r)
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}

// saturated returns the share of points at the largest intensity, 0 where all
// have the same: then the file only has the column.
func saturated(v []float32) float64 {
	if len(v) == 0 {
		return 0
	}
	least, most := slices.Min(v), slices.Max(v)
	if !(most > least) {
		return 0
	}
	n := 0
	for _, x := range v {
		if x == most {
			n++
		}
	}
	return float64(n) / float64(len(v))
}

// mix spreads the bits of a number: the finaliser of the generator splitmix64
// (G. Steele, D. Lea, C. Flood, Fast splittable pseudorandom number generators,
// OOPSLA 2014; constants from memory).
func mix(x uint64) uint64 {
	x ^= x >> 30
	x *= 0xbf58476d1ce4e5b9
	x ^= x >> 27
	x *= 0x94d049bb133111eb
	return x ^ x>>31
}

// table counts by key: open addressing, a power of two of slots.
type table struct {
	keys   []uint64
	counts []int32
	used   int
}

func newTable(expect int) *table {
	n := 1 << bits.Len(uint(max(16, 2*expect)))
	return &table{keys: make([]uint64, n), counts: make([]int32, n)}
}

func (t *table) slot(k uint64) int {
	mask := len(t.keys) - 1
	i := int(mix(k)) & mask
	for t.counts[i] != 0 && t.keys[i] != k {
		i = (i + 1) & mask
	}
	return i
}

func (t *table) get(k uint64) int32 { return t.counts[t.slot(k)] }

func (t *table) add(k uint64, n int32) {
	i := t.slot(k)
	if t.counts[i] == 0 {
		if 2*(t.used+1) > len(t.keys) {
			t.grow()
			i = t.slot(k)
		}
		t.keys[i] = k
		t.used++
	}
	t.counts[i] += n
}

func (t *table) grow() {
	bigger := newTable(len(t.keys))
	t.each(func(k uint64, n int32) {
		i := bigger.slot(k)
		bigger.keys[i], bigger.counts[i] = k, n
	})
	bigger.used = t.used
	*t = *bigger
}

// each visits all cells, in the order of their slots.
func (t *table) each(f func(k uint64, n int32)) {
	for i, n := range t.counts {
		if n != 0 {
			f(t.keys[i], n)
		}
	}
}
