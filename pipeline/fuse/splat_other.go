//go:build !amd64

package fuse

func splatRows(a *sums, s *splat) { splatRowsPlain(a, s) }
