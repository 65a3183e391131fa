package glb

import (
	"fmt"
	"math"
	"slices"
)

// A scene may unfold to unfoldFree bytes and unfoldRatio times the file beyond,
// counted as 12 bytes a point and 12 a triangle. One-byte strips unfold
// 12-fold, and a mesh may be shown several times; more is a trap.
const (
	unfoldFree  = 16 << 20
	unfoldRatio = 16
	unfoldItem  = 12
)

// Modes of a primitive.
const (
	modePoints    = 0
	modeTriangles = 4
	modeStrip     = 5
	modeFan       = 6
)

// part is one primitive at one place of the scene.
type part struct {
	positions, normals, colours, indices *reader
	mode                                 int64
	points                               int64
	triangles                            int64
	first                                int64 // number of its first point in the file
	to                                   affine
	mirrored                             bool // the transform turns the inside out
}

// survey walks the scene and lists its parts.
func (f *File) survey() error {
	f.columns = columns{normals: true, colours: true}
	roots, err := f.roots()
	if err != nil {
		return err
	}
	w := walk{f: f, seen: make([]bool, len(f.doc.Nodes)), shown: make([]bool, len(f.doc.Meshes))}
	for _, r := range roots {
		if err := w.tree(r); err != nil {
			return err
		}
	}
	if len(f.doc.Nodes) == 0 {
		for i := range f.doc.Meshes {
			if err := w.mesh(i, identity()); err != nil {
				return err
			}
		}
	}
	w.note()
	f.columns.normals = f.columns.normals && len(f.parts) > 0
	f.columns.colours = f.columns.colours && len(f.parts) > 0
	return nil
}

// roots returns the top nodes of the scene that the file says to show, of its
// first scene, or of the whole file where there is no scene.
func (f *File) roots() ([]int, error) {
	d := &f.doc
	if len(d.Scenes) > 0 {
		i := 0
		if d.Scene != nil {
			i = *d.Scene
		}
		if i < 0 || i >= len(d.Scenes) {
			return nil, broken("it names scene %d of %d", i, len(d.Scenes))
		}
		if len(d.Scenes) > 1 {
			f.notes = append(f.notes, fmt.Sprintf("The file holds %d scenes; scene %d is read.", len(d.Scenes), i))
		}
		return d.Scenes[i].Nodes, nil
	}
	isChild := make([]bool, len(d.Nodes))
	for _, n := range d.Nodes {
		for _, c := range n.Children {
			if c >= 0 && c < len(isChild) {
				isChild[c] = true
			}
		}
	}
	var roots []int
	for i, is := range isChild {
		if !is {
			roots = append(roots, i)
		}
	}
	if len(roots) == 0 && len(d.Nodes) > 0 {
		return nil, broken("its nodes form a circle")
	}
	return roots, nil
}

// walk is the state of one pass over the node trees.
type walk struct {
	f                      *File
	seen                   []bool // nodes
	shown                  []bool // meshes
	unfolded               int64
	lines, bodiless, skins int
}

// visit is a node that waits for its turn, with its parent's transform.
type visit struct {
	node int
	to   affine
}

// tree visits the nodes below root, parents first and children in order.
func (w *walk) tree(root int) error {
	stack := []visit{{root, identity()}}
	for len(stack) > 0 {
		v := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		if v.node < 0 || v.node >= len(w.seen) {
			return broken("it refers to node %d of %d", v.node, len(w.seen))
		}
		if w.seen[v.node] {
			return broken("node %d hangs in the tree twice, or below itself", v.node)
		}
		w.seen[v.node] = true
		n := &w.f.doc.Nodes[v.node]
		own, err := n.transform()
		if err != nil {
			return broken("node %d: %v", v.node, err)
		}
		to := v.to.after(own)
		if !to.isFinite() {
			return broken("the transform of node %d overflows", v.node)
		}
		if n.Skin != nil {
			w.skins++
		}
		if n.Mesh != nil {
			if err := w.mesh(*n.Mesh, to); err != nil {
				return err
			}
		}
		for _, child := range slices.Backward(n.Children) {
			stack = append(stack, visit{child, to})
		}
	}
	return nil
}

func (w *walk) mesh(i int, to affine) error {
	if i < 0 || i >= len(w.shown) {
		return broken("it refers to mesh %d of %d", i, len(w.shown))
	}
	w.shown[i] = true
	for k := range w.f.doc.Meshes[i].Primitives {
		if err := w.primitive(&w.f.doc.Meshes[i].Primitives[k], to); err != nil {
			return fmt.Errorf("mesh %d, part %d: %w", i, k, err)
		}
	}
	return nil
}

func (w *walk) primitive(p *primitive, to affine) error {
	mode := int64(modeTriangles)
	if p.Mode != nil {
		mode = *p.Mode
	}
	w.unfolded += unfoldItem
	switch {
	case p.Attributes.Position == nil:
		w.bodiless++
		return nil
	case mode != modePoints && (mode < modeTriangles || mode > modeFan):
		w.lines++
		return nil
	}
	one, err := w.f.open(p, mode)
	if err != nil {
		return err
	}
	w.unfolded += unfoldItem * (one.points + one.triangles)
	if w.unfolded > w.f.limit || w.unfolded < 0 {
		return broken("the scene unfolds to more than %d bytes from a file of a fraction of that", w.f.limit)
	}
	one.to, one.mirrored, one.first = to, to.det() < 0, w.f.points
	w.f.points += one.points
	w.f.triangles += one.triangles
	w.f.columns.normals = w.f.columns.normals && one.normals != nil
	w.f.columns.colours = w.f.columns.colours && one.colours != nil
	w.f.parts = append(w.f.parts, one)
	return nil
}

// open checks the accessors of a primitive against each other and the file.
func (f *File) open(p *primitive, mode int64) (one part, err error) {
	one.mode = mode
	if one.positions, err = f.reader(*p.Attributes.Position, "VEC3"); err != nil {
		return one, fmt.Errorf("positions: %w", err)
	}
	one.points = one.positions.count
	if one.normals, err = f.attribute(p.Attributes.Normal, one.points, "VEC3"); err != nil {
		return one, fmt.Errorf("normals: %w", err)
	}
	if one.colours, err = f.attribute(p.Attributes.Colour, one.points, "VEC3", "VEC4"); err != nil {
		return one, fmt.Errorf("colours: %w", err)
	}
	corners := one.points
	if p.Indices != nil {
		if one.indices, err = f.reader(*p.Indices, "SCALAR"); err != nil {
			return one, fmt.Errorf("indices: %w", err)
		}
		if k := one.indices.kind; k == kindFloat || k == kindByte || k == kindShort || one.indices.normalized {
			return one, broken("the indices are no unsigned integers")
		}
		corners = one.indices.count
	}
	switch mode {
	case modeTriangles:
		if corners%3 != 0 {
			return one, broken("%d corners make no whole triangles", corners)
		}
		one.triangles = corners / 3
	case modeStrip, modeFan:
		one.triangles = max(0, corners-2)
	}
	return one, nil
}

// attribute opens an accessor that a primitive may have; it must be as long as
// the positions.
func (f *File) attribute(i *int, count int64, types ...string) (*reader, error) {
	if i == nil {
		return nil, nil
	}
	r, err := f.reader(*i, types...)
	if err != nil {
		return nil, err
	}
	if r.count != count {
		return nil, broken("%d for %d points", r.count, count)
	}
	return r, nil
}

func (w *walk) note() {
	hidden := 0
	for _, s := range w.shown {
		if !s {
			hidden++
		}
	}
	for _, n := range []struct {
		count int
		text  string
	}{
		{hidden, "%d meshes are in no node of the scene and are left out."},
		{w.lines, "%d parts are lines and are left out."},
		{w.bodiless, "%d parts have no positions and are left out."},
		{w.skins, "%d nodes are moved by a skin, which is passed over: they are read at rest."},
	} {
		if n.count > 0 {
			w.f.notes = append(w.f.notes, fmt.Sprintf(n.text, n.count))
		}
	}
}

// affine is a 3×4 matrix, row-major: x' = m·(x, 1).
type affine [12]float64

func identity() affine { return affine{0: 1, 5: 1, 10: 1} }

// after returns the transform that does n first and then m.
func (m affine) after(n affine) affine {
	var p affine
	for i := range 3 {
		for j := range 4 {
			p[4*i+j] = m[4*i]*n[j] + m[4*i+1]*n[4+j] + m[4*i+2]*n[8+j]
		}
		p[4*i+3] += m[4*i+3]
	}
	return p
}

func (m affine) isFinite() bool {
	for _, x := range m {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

func (m affine) isIdentity() bool { return m == identity() }

// cofactors returns what normals are turned by: the cofactors of the linear
// part, the inverse transpose up to the determinant.
func (m affine) cofactors() [9]float64 {
	return [9]float64{
		m[5]*m[10] - m[6]*m[9], m[6]*m[8] - m[4]*m[10], m[4]*m[9] - m[5]*m[8],
		m[2]*m[9] - m[1]*m[10], m[0]*m[10] - m[2]*m[8], m[1]*m[8] - m[0]*m[9],
		m[1]*m[6] - m[2]*m[5], m[2]*m[4] - m[0]*m[6], m[0]*m[5] - m[1]*m[4],
	}
}

func (m affine) det() float64 {
	c := m.cofactors()
	return m[0]*c[0] + m[1]*c[1] + m[2]*c[2]
}

// transformError is a plain sentence; the caller adds the node.
type transformError string

func (e transformError) Error() string { return string(e) }

// transform returns a node's matrix, or T·R·S.
func (n *node) transform() (affine, error) {
	if n.Matrix != nil {
		return affineOf(n.Matrix)
	}
	t, s, q := [3]float64{}, [3]float64{1, 1, 1}, [4]float64{0, 0, 0, 1}
	for _, v := range []struct{ to, from []float64 }{{t[:], n.Translation}, {s[:], n.Scale}, {q[:], n.Rotation}} {
		if v.from != nil && len(v.from) != len(v.to) {
			return affine{}, transformError(fmt.Sprintf("a vector of %d numbers where %d belong", len(v.from), len(v.to)))
		}
		copy(v.to, v.from)
	}
	norm := math.Sqrt(q[0]*q[0] + q[1]*q[1] + q[2]*q[2] + q[3]*q[3])
	if !(norm > 0) || math.IsInf(norm, 0) {
		return affine{}, transformError("its rotation is no unit quaternion")
	}
	x, y, z, w := q[0]/norm, q[1]/norm, q[2]/norm, q[3]/norm
	return affine{
		(1 - 2*(y*y+z*z)) * s[0], 2 * (x*y - z*w) * s[1], 2 * (x*z + y*w) * s[2], t[0],
		2 * (x*y + z*w) * s[0], (1 - 2*(x*x+z*z)) * s[1], 2 * (y*z - x*w) * s[2], t[1],
		2 * (x*z - y*w) * s[0], 2 * (y*z + x*w) * s[1], (1 - 2*(x*x+y*y)) * s[2], t[2],
	}, nil
}

// affineOf turns the column-major 4×4 matrix of a file around.
func affineOf(m []float64) (affine, error) {
	if len(m) != 16 {
		return affine{}, transformError(fmt.Sprintf("a matrix of %d numbers where 16 belong", len(m)))
	}
	if m[3] != 0 || m[7] != 0 || m[11] != 0 || m[15] != 1 {
		return affine{}, transformError("the last row of its matrix is not 0 0 0 1")
	}
	var a affine
	for i := range 3 {
		for j := range 4 {
			a[4*i+j] = m[4*j+i]
		}
	}
	return a, nil
}
