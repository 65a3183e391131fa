package fuse

// splatRows does what splatRowsPlain does, four places at a time, with what every amd64
// has (SSE).
//
//go:noescape
func splatRows(a *sums, s *splat)
