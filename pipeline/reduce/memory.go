package reduce

import "trammel/pipeline/scan"

// What things take, in bytes: of pieces a triangle, of those that set the pace a triangle, of a surface a triangle, of the
// edges in the queue a triangle, of a mesh, of an index besides, of the numbers that
// follow a vertex of the input, and of samples.
const (
	piecesBytes  = 8
	paceBytes    = 130
	surfaceBytes = 62
	queueBytes   = 24
	meshBytes    = 18
	indexBytes   = 34
	inputBytes   = 9
	sampleBytes  = 32e6
)

// Holds returns about how many bytes the reduction of m holds beside m at most, before it is
// measured.
func (o *Options) Holds(m *scan.Mesh) int64 {
	n := int64(m.Triangles())
	goal, ok := levelGoal(m.Triangles(), o.Triangles)
	if !ok {
		return (surfaceBytes + queueBytes + piecesBytes) * n
	}
	return piecesBytes*n + (surfaceBytes+queueBytes)*int64(goal) + paceBytes*min(n, pacemakers*partition)
}

// measuring returns how many bytes are held while the surface is measured against m, the
// index of m apart: the surface, two meshes of it, and an index of one.
func (s *surface) measuring(m *scan.Mesh) int64 {
	return (surfaceBytes+2*meshBytes+indexBytes)*int64(s.triangles()) + inputBytes*int64(m.Vertices()) + sampleBytes
}
