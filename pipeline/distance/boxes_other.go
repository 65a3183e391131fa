//go:build !amd64

package distance

func distances2(n *node, q *query, most float32, d *[fan]float32) uint32 {
	return distances2Plain(n, q, most, d)
}
