package distance

import (
	"context"
	"math"
	"runtime"
	"sync"
	"unsafe"

	"trammel/pipeline/par"
)

// A tree is held whole, or without its two lowest levels, which are 27 of its 31 bytes a
// triangle. A searcher then makes a bunch of these, of the 64 triangles below a node, when
// it comes there, and keeps the bunches that it met last: searches that follow each other
// mostly lie near each other. What is found is the same.

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

// levelNodes returns how many nodes a level of a tree of n triangles has.
func levelNodes(n, level int) int {
	for range level + 1 {
		n = par.Count(n, fan)
	}
	return n
}

// treeBytes returns what the order and the boxes of n triangles take from a level up.
func treeBytes(n, lowest int) int64 {
	size := 4 * int64(n)
	for level := 0; n > 0; level++ {
		n = par.Count(n, fan)
		if level >= lowest {
			size += int64(n) * nodeSize
		}
		if n == 1 {
			break
		}
	}
	return size
}

// limit decides what of the tree is held within so many bytes, and how many bunches each
// searcher may keep of the rest; 0 for no bound.
func (x *Index) limit(most int64) {
	n := len(x.number)
	const left = 2 // levels that are not held
	if most == 0 || treeBytes(n, 0) <= most || levelNodes(n, left-1) <= 1 {
		return
	}
	x.lowest = left
	each := (most - treeBytes(n, left)) / bunchSize / int64(runtime.GOMAXPROCS(0))
	x.shelf.bunches = fewestBunches
	for int64(2*x.shelf.bunches) <= each && x.shelf.bunches < mostBunches {
		x.shelf.bunches *= 2
	}
}

// searcher is the scratch of searches that one goroutine makes one after the other.
type searcher struct {
	stack   [stackSize]pending
	bunches []bunch // bunch i is at i modulo their number, a power of two
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

// made returns a node of one of the two lowest levels, which are not held. It is valid
// until the next call.
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
	n := min(fan, levelNodes(len(x.number), 0)-first)
	for c := range n {
		x.leafBoxes(&b.nodes[1+c], first+c)
	}
	nodeBoxes(&b.nodes[0], b.nodes[1:1+n])
	b.index, b.valid = i, true
}

// pack builds the levels of boxes from the lowest one that is held up.
func (x *Index) pack(ctx context.Context) error {
	n := len(x.number)
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
		n := min(fan, levelNodes(len(x.number), level-1)-fan*i)
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

// leafBoxes makes the boxes of the triangles fan·i to fan·i+7.
func (x *Index) leafBoxes(n *node, i int) {
	n.clear()
	var t corners
	for c, number := range x.number[fan*i : min(fan*(i+1), len(x.number))] {
		t.load(x.mesh, number)
		for k := range 3 {
			n.lo[k][c] = min(t[k], t[3+k], t[6+k])
			n.hi[k][c] = max(t[k], t[3+k], t[6+k])
		}
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
