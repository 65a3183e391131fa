package normal

// sumSpans does what sumSpansPlain does, two numbers at a time, with what every amd64 has
// (SSE2). The spans must lie within the cells.
//
//go:noescape
func sumSpans(s *neighbourhood, cells []cell, spans []span)
