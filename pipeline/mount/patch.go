package mount

import (
	"math"
	"slices"
	"strings"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

// PatchRadius is how far around a result's centre its detail patch reaches: over
// the whole feature and a rim of its size, at least 25 mm.
func PatchRadius(r *Result) float64 {
	size := r.Diameter
	for _, s := range r.Sizes {
		if !s.Angle && s.Name != "depth" {
			size = math.Max(size, s.Value)
		}
	}
	return math.Max(25, 1.5*size)
}

// PatchFile turns a mount's name into that of a file: letters, digits, - _ and .
// stay, anything else becomes _; a name that is taken gets a number.
func PatchFile(name string, taken map[string]bool) string {
	clean := strings.Map(func(c rune) rune {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || strings.ContainsRune("-_.", c) {
			return c
		}
		return '_'
	}, name)
	clean = strings.Trim(clean, ".")
	if clean == "" {
		clean = "mount"
	}
	out := clean
	for n := '2'; taken[strings.ToLower(out)]; n++ {
		out = clean + "_" + string(n)
	}
	taken[strings.ToLower(out)] = true
	return out + ".ply"
}

// CutMesh adds to a patch the triangles of a scan that lie within a radius of a
// centre, moved into the datum's frame: the surface as the instrument gave it.
func CutMesh(into *scan.Mesh, m *scan.Mesh, toFrame geom.Pose, center geom.Vec, radius float64) {
	home := toFrame.Inverse().Apply(center)
	within := make(map[int32]int32) // vertex of m → vertex of into, -1 for one that is too far
	at := func(v int32) (int32, bool) {
		n, known := within[v]
		if known {
			return n, n >= 0
		}
		p := m.At(v)
		if p.Sub(home).Norm2() > radius*radius {
			within[v] = -1
			return -1, false
		}
		n = into.Append(toFrame.Apply(p))
		within[v] = n
		return n, true
	}
	for t := 0; t < len(m.Tri); t += 3 {
		if m.At(m.Tri[t]).Sub(home).Norm2() > radius*radius { // most triangles of a scan, without a look into the map
			continue
		}
		a, okA := at(m.Tri[t])
		b, okB := at(m.Tri[t+1])
		c, okC := at(m.Tri[t+2])
		if okA && okB && okC {
			into.Tri = append(into.Tri, a, b, c)
		}
	}
}

// longestEdge is how much longer than the usual edge one of a patch may be: longer
// ones span holes and steps.
const longestEdge = 3

// MeshPoints adds to a patch a triangulation of one scan's points within a radius
// of a centre. The points are in the datum's frame. They are laid flat as the
// scanner sees them, or onto the face where its place is not known, and joined by
// their Delaunay triangulation without its long edges: no triangle closes a hole.
func MeshPoints(into *scan.Mesh, points []geom.Vec, eye *geom.Vec, center, normal geom.Vec, radius float64) {
	near := gather(points, center, radius)
	if len(near) < 3 {
		return
	}
	sight := normal
	if eye != nil && center.Dist(*eye) > 2*radius {
		sight = center.Sub(*eye).Unit()
	}
	u := sight.Perpendicular()
	v := sight.Cross(u)
	x, y := make([]float64, len(near)), make([]float64, len(near))
	for i, p := range near {
		d := p.Sub(center)
		scale := 1.0
		if eye != nil {
			scale = 1 / math.Max(1e-9, p.Sub(*eye).Dot(sight)) // perspective: what one sight passes lies on one spot
		}
		x[i], y[i] = d.Dot(u)*scale, d.Dot(v)*scale
	}
	tri := delaunay(x, y)
	limit := longestEdge * usualEdge(near, tri)
	number := make([]int32, len(near))
	for t := 0; t < len(tri); t += 3 {
		a, b, c := tri[t], tri[t+1], tri[t+2]
		if near[a].Dist(near[b]) > limit || near[b].Dist(near[c]) > limit || near[c].Dist(near[a]) > limit {
			continue
		}
		if n := near[b].Sub(near[a]).Cross(near[c].Sub(near[a])); n.Dot(facing(eye, near[a], normal)) < 0 {
			b, c = c, b
		}
		for _, k := range [...]int32{a, b, c} {
			if number[k] == 0 {
				number[k] = into.Append(near[k]) + 1
			}
			into.Tri = append(into.Tri, number[k]-1)
		}
	}
}

// facing is the direction that the front of a triangle looks in: to the scanner, or
// along the face's normal.
func facing(eye *geom.Vec, p, normal geom.Vec) geom.Vec {
	if eye == nil {
		return normal
	}
	return eye.Sub(p)
}

// usualEdge is the median length of a triangulation's edges.
func usualEdge(points []geom.Vec, tri []int32) float64 {
	if len(tri) == 0 {
		return 0
	}
	var edges []float64
	for t := 0; t < len(tri); t += 3 {
		for k := range 3 {
			edges = append(edges, points[tri[t+k]].Dist(points[tri[t+(k+1)%3]]))
		}
	}
	slices.Sort(edges)
	return edges[len(edges)/2]
}
