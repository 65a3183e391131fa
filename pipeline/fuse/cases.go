package fuse

// A cell has eight corners, numbered x + 2y + 4z, and twelve edges: edge 4a+b runs
// along axis a, and b numbers the four by the places of the other two axes.

// edgeEnds returns the two corners of an edge, the lower one first.
func edgeEnds(e int) (lo, hi int) {
	axis, b := e/4, e%4
	u, v := otherAxes(axis)
	lo = (b&1)<<u | (b>>1)<<v
	return lo, lo | 1<<axis
}

// otherAxes returns the two axes beside one, in ascending order.
func otherAxes(axis int) (u, v int) {
	switch axis {
	case 0:
		return 1, 2
	case 1:
		return 0, 2
	}
	return 0, 1
}

// edgeBetween returns the edge that joins two neighbouring corners.
func edgeBetween(p, q int) int {
	lo := p & q
	axis := map[int]int{1: 0, 2: 1, 4: 2}[p^q]
	u, v := otherAxes(axis)
	return 4*axis + (lo>>u&1 | (lo>>v&1)<<1)
}

// faceLoop returns the corners of a face in counter-clockwise order seen from outside.
func faceLoop(axis, side int) [4]int {
	u, v := (axis+1)%3, (axis+2)%3
	at := func(i, j int) int { return side<<axis | i<<u | j<<v }
	if side == 1 {
		return [4]int{at(0, 0), at(1, 0), at(1, 1), at(0, 1)}
	}
	return [4]int{at(0, 0), at(0, 1), at(1, 1), at(1, 0)}
}

// triangulations lists for each of the 256 sign cases (bit c set: corner c is inside)
// the triangles as triples of edges, counter-clockwise seen from outside.
//
// The table is derived, not written down (W. E. Lorensen & H. E. Cline, Marching Cubes,
// SIGGRAPH 87, have 15 classes whose complements leave holes on ambiguous faces). On
// every face, a crossing from outside to inside is joined with the crossing that came
// before it, so that outside corners are cut off one by one. That looks at the four
// signs of the face alone, so two cells always agree on what they share, and the
// segments chain into closed loops. A loop is cut into triangles by diagonals that do
// not lie in a face, as a neighbour could have the same one; then no edge can belong to
// more than two triangles.
var triangulations = makeTriangulations()

func makeTriangulations() [256][][3]uint8 {
	var table [256][][3]uint8
	for signs := range table {
		for _, loop := range loopsOf(signs) {
			table[signs] = append(table[signs], cut(loop, shareFace)...)
		}
	}
	return table
}

// loopsOf returns the loops of edges around the surface in a cell.
func loopsOf(signs int) [][]int {
	next := [12]int{}
	for i := range next {
		next[i] = -1
	}
	for face := range 6 {
		joinFace(signs, faceLoop(face/2, face%2), &next)
	}
	var loops [][]int
	for start := range next {
		var loop []int
		for e := start; next[e] >= 0; {
			loop = append(loop, e)
			e, next[e] = next[e], -1
		}
		if len(loop) > 0 {
			loops = append(loops, loop)
		}
	}
	return loops
}

// joinFace links the crossings of one face: from each crossing into the inside back to
// the crossing out of it that came before.
func joinFace(signs int, corners [4]int, next *[12]int) {
	inside := func(i int) bool { return signs>>corners[i%4]&1 == 1 }
	for i := range 4 {
		if !inside(i) || inside(i+1) {
			continue
		}
		j := i + 1
		for !inside(j + 1) {
			j++
		}
		out := edgeBetween(corners[i], corners[(i+1)%4])
		in := edgeBetween(corners[j%4], corners[(j+1)%4])
		next[in] = out
	}
}

// cut divides a loop into triangles without a diagonal in a face of the cell. There is
// always a way; TestTableIsComplete and TestJoinsAreComplete go through all cases.
func cut(loop []int, shares func(e, f int) bool) [][3]uint8 {
	if len(loop) == 3 {
		return [][3]uint8{{uint8(loop[0]), uint8(loop[1]), uint8(loop[2])}}
	}
	first, last := loop[0], loop[len(loop)-1]
	for k := 1; k < len(loop)-1; k++ {
		if k > 1 && shares(first, loop[k]) || k < len(loop)-2 && shares(loop[k], last) {
			continue
		}
		out := [][3]uint8{{uint8(first), uint8(loop[k]), uint8(last)}}
		if k > 1 {
			part := cut(loop[:k+1], shares)
			if part == nil {
				continue
			}
			out = append(out, part...)
		}
		if k < len(loop)-2 {
			part := cut(loop[k:], shares)
			if part == nil {
				continue
			}
			out = append(out, part...)
		}
		return out
	}
	return nil
}

// shareFace reports whether two edges lie in one face of the cell.
func shareFace(e, f int) bool {
	a, b := edgeEnds(e)
	c, d := edgeEnds(f)
	return a&b&c&d != 0 || (a|b|c|d) != 7
}
