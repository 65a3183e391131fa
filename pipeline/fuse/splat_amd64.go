package fuse

import "golang.org/x/sys/cpu"

// hasAVX is whether splatRowsAVX can run; the tests turn it off.
var hasAVX = cpu.X86.HasAVX

func splatRows(a *sums, s *splat) {
	if hasAVX {
		splatRowsAVX(a, s)
		return
	}
	splatRowsPlain(a, s)
}

// splatRowsAVX does what splatRowsPlain does, two rows of a window at a time.
//
//go:noescape
func splatRowsAVX(a *sums, s *splat)
