package distance

import (
	"context"
	"math"
	"runtime"
	"slices"
	"sync"
	"unsafe"

	"trammel/pipeline/par"
	"trammel/pipeline/scan"
)

// A tree is held whole, or without its two lowest levels, which are 27 of its 31 bytes a
// triangle. A searcher then makes a bunch of these, of the 64 triangles below a node, when
// it comes there, and keeps the bunches that it met last: searches that follow each other
// mostly lie near each other. Where the order of the triangles, 4 bytes each, is too much
// too, and those that follow each other in the mesh lie near each other, it is that of
// eights of them, which are a node each. What is found is the same.

// bunch is a node of the second level and the nodes below it.
type bunch struct {
	index int32 // of the node in the second level
	valid bool
	nodes [1 + fan]node
}

const (
	nodeSize  = int64(unsafe.Sizeof(node{}))
	bunchSize = int64(unsafe.Sizeof(bunch{}))

	// fewestBunches and mostBunches bound what each searcher keeps: 110 kB to 7 MB.
	fewestBunches = 1 << 6
	mostBunches   = 1 << 12
)

// order says which triangle of a mesh stands at each place of a tree.
type order struct {
	number   []int32 // of a triangle, or of eight that follow each other in the mesh
	byEights bool
}

func (o *order) triangle(place int32) int32 {
	if o.byEights {
		return fan*o.number[place/fan] + place%fan
	}
	return o.number[place]
}

// newOrder puts the triangles of a mesh, or eights of them, along a Hilbert curve and
// arranges them.
func newOrder(ctx context.Context, m *scan.Mesh, byEights bool) (o order, err error) {
	o.byEights = byEights
	n, at := m.Triangles(), middlesOf(m)
	if byEights {
		n, at = par.Count(n, fan), func(i int32) (x, y, z float32) { return middleOfEight(m, i) }
	}
	if o.number, err = curveOrder(ctx, newHilbertGrid(m.Bounds(), m.Origin), n, at); err != nil {
		return o, err
	}
	return o, arrange(ctx, o.number, at)
}

// middleOfEight returns the mean of the middles of the triangles 8·i to 8·i+7.
func middleOfEight(m *scan.Mesh, i int32) (x, y, z float32) {
	end := min(fan*(i+1), int32(m.Triangles()))
	n := float32(end - fan*i)
	for t := fan * i; t < end; t++ {
		a, b, c := middle(m, t)
		x, y, z = x+a/n, y+b/n, z+c/n
	}
	return x, y, z
}

// levelNodes returns how many nodes a level of a tree of n triangles has.
func levelNodes(n, level int) int {
	for range level + 1 {
		n = par.Count(n, fan)
	}
	return n
}

// treeBytes returns what the order of n triangles and the boxes from a level up take.
func treeBytes(n, lowest int, byEights bool) int64 {
	size := 4 * int64(n)
	if byEights {
		size = 4 * int64(par.Count(n, fan))
	}
	for level := 0; n > 1 || level == 0; level++ {
		n = par.Count(n, fan)
		if level >= lowest {
			size += int64(n) * nodeSize
		}
	}
	return size
}

// limit decides what of the tree is held within so many bytes, and how many bunches each
// searcher may keep of the rest; 0 for no bound. It returns whether the order must be that
// of eights.
func (x *Index) limit(ctx context.Context, most int64) (byEights bool, err error) {
	n := x.mesh.Triangles()
	const left = 2 // levels that are not held
	if most == 0 || treeBytes(n, 0, false) <= most || levelNodes(n, left-1) <= 1 {
		return false, nil
	}
	x.lowest = left
	if treeBytes(n, left, false) > most {
		if byEights, err = followsSurface(ctx, x.mesh); err != nil {
			return false, err
		}
	}
	each := (most - treeBytes(n, left, byEights)) / bunchSize / int64(runtime.GOMAXPROCS(0))
	x.shelf.bunches = fewestBunches
	for int64(2*x.shelf.bunches) <= each && x.shelf.bunches < mostBunches {
		x.shelf.bunches *= 2
	}
	return byEights, nil
}

// followsSurface tells whether triangles that follow each other in the mesh lie near each
// other, as fusion and reduction leave them: the boxes of eight are on average no longer
// than eight triangles in a row.
func followsSurface(ctx context.Context, m *scan.Mesh) (bool, error) {
	const atOnce = blockSize // eights
	eights := par.Count(m.Triangles(), fan)
	sums := make([][2]float64, par.Count(eights, atOnce))
	err := par.Blocks(ctx, eights, atOnce, func(block, lo, hi int) error {
		var n node
		for i := lo; i < hi; i++ {
			n.ofEight(m, int32(i))
			var whole [3][2]float32
			for k := range 3 {
				whole[k] = [2]float32{slices.Min(n.lo[k][:]), slices.Max(n.hi[k][:])}
			}
			sums[block][0] += float64(max(whole[0][1]-whole[0][0], whole[1][1]-whole[1][0], whole[2][1]-whole[2][0]))
			for c := range min(fan, m.Triangles()-fan*i) {
				sums[block][1] += float64(max(n.hi[0][c]-n.lo[0][c], n.hi[1][c]-n.lo[1][c], n.hi[2][c]-n.lo[2][c]))
			}
		}
		return nil
	})
	var eight, single float64
	for _, s := range sums {
		eight, single = eight+s[0], single+s[1]
	}
	return eight <= single, err
}

// searcher is the scratch of searches that one goroutine makes one after the other.
type searcher struct {
	stack   [stackSize]pending
	bunches []bunch // bunch i is at i modulo their number, a power of two
	fan     []int32
}

// shelf keeps the searchers of an index that have bunches while they are not in use, so
// that there are never more than goroutines that search at once.
type shelf struct {
	bunches int // of each searcher

	mu   sync.Mutex
	free []*searcher // guarded by mu
}

// searcher returns scratch, to be given back with done.
func (x *Index) searcher() *searcher {
	if x.lowest == 0 {
		return new(searcher)
	}
	x.shelf.mu.Lock()
	defer x.shelf.mu.Unlock()
	if n := len(x.shelf.free); n > 0 {
		s := x.shelf.free[n-1]
		x.shelf.free = x.shelf.free[:n-1]
		return s
	}
	return &searcher{bunches: make([]bunch, x.shelf.bunches)}
}

func (x *Index) done(s *searcher) {
	if x.lowest == 0 {
		return
	}
	x.shelf.mu.Lock()
	defer x.shelf.mu.Unlock()
	x.shelf.free = append(x.shelf.free, s)
}

// node returns a node, valid until the next call.
func (x *Index) node(s *searcher, level, index int32) *node {
	if level >= x.lowest {
		return &x.levels[level][index]
	}
	return x.made(s, level, index)
}

// made returns a node of one of the two lowest levels, which are not held.
func (x *Index) made(s *searcher, level, index int32) *node {
	i, child := index, int32(0)
	if level == 0 {
		i, child = index/fan, 1+index%fan
	}
	b := &s.bunches[int(i)&(len(s.bunches)-1)]
	if !b.valid || b.index != i {
		x.fill(b, i)
	}
	return &b.nodes[child]
}

// fill makes the bunch of node i of the second level.
func (x *Index) fill(b *bunch, i int32) {
	first := fan * int(i)
	n := min(fan, levelNodes(x.mesh.Triangles(), 0)-first)
	for c := range n {
		x.leafBoxes(&b.nodes[1+c], first+c)
	}
	nodeBoxes(&b.nodes[0], b.nodes[1:1+n])
	b.index, b.valid = i, true
}

// pack builds the levels of boxes from the lowest one that is held up.
func (x *Index) pack(ctx context.Context) error {
	n := x.mesh.Triangles()
	if n == 0 {
		return nil
	}
	for level := 0; ; level++ {
		count := levelNodes(n, level)
		var nodes []node
		if level >= int(x.lowest) {
			nodes = make([]node, count)
		}
		err := par.Blocks(ctx, len(nodes), blockSize/fan, func(_, lo, hi int) error {
			for i := lo; i < hi; i++ {
				x.packNode(&nodes[i], level, i)
			}
			return nil
		})
		x.levels = append(x.levels, nodes)
		if err != nil || count == 1 {
			return err
		}
	}
}

// packNode makes node i of a level from the level below.
func (x *Index) packNode(to *node, level, i int) {
	switch {
	case level == 0:
		x.leafBoxes(to, i)
	case level > int(x.lowest):
		below := x.levels[level-1]
		nodeBoxes(to, below[fan*i:min(fan*(i+1), len(below))])
	default:
		var below [fan]node
		n := min(fan, levelNodes(x.mesh.Triangles(), level-1)-fan*i)
		for c := range n {
			var b bunch
			x.fill(&b, int32(fan*i+c))
			below[c] = b.nodes[0]
		}
		nodeBoxes(to, below[:n])
	}
}

func (n *node) clear() {
	inf := float32(math.Inf(1))
	for k := range 3 {
		for c := range fan {
			n.lo[k][c], n.hi[k][c] = inf, -inf
		}
	}
}

// leafBoxes makes the boxes of the triangles at the places fan·i to fan·i+7.
func (x *Index) leafBoxes(n *node, i int) {
	if x.order.byEights {
		n.ofEight(x.mesh, x.order.number[i])
		return
	}
	n.clear()
	for c, t := range x.order.number[fan*i : min(fan*(i+1), len(x.order.number))] {
		n.box(c, x.mesh, t)
	}
}

// ofEight makes the boxes of the triangles 8·i to 8·i+7 of a mesh.
func (n *node) ofEight(m *scan.Mesh, i int32) {
	n.clear()
	for c := range min(fan, m.Triangles()-fan*int(i)) {
		n.box(c, m, fan*i+int32(c))
	}
}

// box makes box c that of a triangle.
func (n *node) box(c int, m *scan.Mesh, triangle int32) {
	var t corners
	t.load(m, triangle)
	for k := range 3 {
		n.lo[k][c] = min(t[k], t[3+k], t[6+k])
		n.hi[k][c] = max(t[k], t[3+k], t[6+k])
	}
}

// nodeBoxes makes the boxes of at most fan nodes of the level below.
func nodeBoxes(n *node, below []node) {
	n.clear()
	for c := range below {
		b := &below[c]
		for k := range 3 {
			for j := range fan {
				n.lo[k][c] = min(n.lo[k][c], b.lo[k][j])
				n.hi[k][c] = max(n.hi[k][c], b.hi[k][j])
			}
		}
	}
}
