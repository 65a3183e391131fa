package distance

// distances2 writes the squared distances from the query to the eight boxes of n,
// and returns a bit for each that is not above most. It is the same as
// distances2Plain, four boxes at a time, with what every amd64 has (SSE).
//
//go:noescape
func distances2(n *node, q *query, most float32, d *[fan]float32) uint32
