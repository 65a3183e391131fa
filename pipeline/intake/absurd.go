package intake

import (
	"math"
	"slices"

	"trammel/pipeline/geom"
	"trammel/pipeline/scan"
)

const (
	// absurdFactor is how many times farther from the middle than nine tenths of the
	// points a point must lie to be impossible: a scanner that sees from half a metre
	// to hundreds of metres has a ratio below a thousand.
	absurdFactor = 1000
	// middleSample is how many points the middle is judged by: a quantile of 0.9 from
	// ten thousand is good to a third of a percent.
	middleSample = 10_000
	// leastMiddle is how many points it takes to say where the middle is; fewer are
	// never judged.
	leastMiddle = 100
)

// DropAbsurd takes points out of the cloud that lie impossibly far from the rest,
// in place, and returns how many. The order of the others stays.
func DropAbsurd(c *scan.Cloud) int64 {
	middle, reach := extent(c.X, c.Y, c.Z)
	if reach == 0 {
		return 0
	}
	left := int64(0)
	keep := make([]bool, c.Len())
	for i := range c.X {
		keep[i] = near(middle, reach, c.X[i], c.Y[i], c.Z[i])
		if !keep[i] {
			left++
		}
	}
	if left > 0 {
		c.Keep(0, keep)
	}
	return left
}

// DropAbsurdVertices is DropAbsurd for a mesh: the vertices and every triangle
// that has one.
func DropAbsurdVertices(m *scan.Mesh) int64 {
	middle, reach := extent(m.X, m.Y, m.Z)
	if reach == 0 {
		return 0
	}
	number := make([]int32, len(m.X))
	kept := int32(0)
	for i := range m.X {
		number[i] = -1
		if near(middle, reach, m.X[i], m.Y[i], m.Z[i]) {
			m.X[kept], m.Y[kept], m.Z[kept] = m.X[i], m.Y[i], m.Z[i]
			number[i] = kept
			kept++
		}
	}
	left := len(m.X) - int(kept)
	if left == 0 {
		return 0
	}
	m.X, m.Y, m.Z = m.X[:kept], m.Y[:kept], m.Z[:kept]
	tri := m.Tri[:0]
	for t := 0; t+2 < len(m.Tri); t += 3 {
		a, b, c := number[m.Tri[t]], number[m.Tri[t+1]], number[m.Tri[t+2]]
		if a >= 0 && b >= 0 && c >= 0 {
			tri = append(tri, a, b, c)
		}
	}
	m.Tri = tri
	return int64(left)
}

// extent returns the median place of the points and how far nine tenths of them
// lie from it, along the worst axis; 0 with too few points to say.
func extent(x, y, z []float32) (middle geom.Vec, reach float64) {
	step := max(1, len(x)/middleSample)
	median := func(v []float32) float64 {
		var s []float32
		for i := 0; i < len(v); i += step {
			s = append(s, v[i])
		}
		if len(s) == 0 {
			return 0
		}
		slices.Sort(s)
		return float64(s[len(s)/2])
	}
	middle = geom.Vec{X: median(x), Y: median(y), Z: median(z)}
	var far []float64
	for i := 0; i < len(x); i += step {
		far = append(far, largest(middle, x[i], y[i], z[i]))
	}
	if len(far) < leastMiddle {
		return middle, 0
	}
	slices.Sort(far)
	return middle, far[len(far)*9/10]
}

func near(middle geom.Vec, reach float64, x, y, z float32) bool {
	return largest(middle, x, y, z) <= absurdFactor*reach
}

func largest(m geom.Vec, x, y, z float32) float64 {
	return max(math.Abs(float64(x)-m.X), math.Abs(float64(y)-m.Y), math.Abs(float64(z)-m.Z))
}
