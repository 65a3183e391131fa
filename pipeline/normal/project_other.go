//go:build !amd64

package normal

func projectFours(l *lens, b *lanes, us, vs, x, y, z []float32) { projectPlain(l, b, us, vs, x, y, z) }
