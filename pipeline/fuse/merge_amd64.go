package fuse

import "golang.org/x/sys/cpu"

// hasAVX2 is whether mergeRowsAVX2 can run; the tests turn it off.
var hasAVX2 = cpu.X86.HasAVX2 && cpu.X86.HasPOPCNT

func mergeRows(a *sums, b *block, m *merging) {
	if hasAVX2 {
		mergeRowsAVX2(a, b, m, a.touched)
		return
	}
	mergeRowsPlain(a, b, m)
}

// mergeRowsAVX2 does what mergeRowsPlain does, a row of eight places at a time. rows is a
// bit for each that is touched.
//
//go:noescape
func mergeRowsAVX2(a *sums, b *block, m *merging, rows uint64)
