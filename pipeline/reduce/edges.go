package reduce

import (
	"slices"

	"trammel/pipeline/scan"
)

// Edges counts the edges of m that belong to one triangle (border) and to more
// than two (complex). An edge between a vertex and itself is not counted.
func Edges(m *scan.Mesh) (border, complex int) {
	keys := make([]uint64, 0, len(m.Tri))
	for t := 0; t+2 < len(m.Tri); t += 3 {
		for i := range 3 {
			a, b := m.Tri[t+i], m.Tri[t+(i+1)%3]
			if a != b {
				keys = append(keys, uint64(uint32(min(a, b)))<<32|uint64(uint32(max(a, b))))
			}
		}
	}
	slices.Sort(keys)
	for i := 0; i < len(keys); {
		j := i + 1
		for j < len(keys) && keys[j] == keys[i] {
			j++
		}
		switch {
		case j-i == 1:
			border++
		case j-i > 2:
			complex++
		}
		i = j
	}
	return border, complex
}
