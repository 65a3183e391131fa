package normal

// projectFours does what projectPlain does for a station, four points at a time, with
// what every amd64 has (SSE). The number of points is a multiple of four.
//
//go:noescape
func projectFours(l *lens, b *lanes, us, vs, x, y, z []float32)
