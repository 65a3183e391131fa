package main

import (
	"runtime"
	"testing"
)

// Half of the machine is the default; what is set stays.
func TestMemoryDefault(t *testing.T) {
	if got := orHalf(5); got != 5 {
		t.Errorf("5 bytes set: %d", got)
	}
	got := orHalf(0)
	switch runtime.GOOS {
	case "linux", "darwin", "windows":
		if got < 64<<20 || got > 1<<50 {
			t.Errorf("half the machine is %d bytes", got)
		}
	default:
		if got != 0 {
			t.Errorf("%d bytes of a machine that cannot be asked", got)
		}
	}
}
