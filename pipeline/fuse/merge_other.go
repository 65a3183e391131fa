//go:build !amd64

package fuse

func mergeRows(a *sums, b *block, m *merging) { mergeRowsPlain(a, b, m) }
