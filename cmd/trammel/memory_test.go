package main

import (
	"math"
	"runtime"
	"runtime/debug"
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

// The collector holds to the setting, and not to less than the program needs.
func TestMemoryIsHeld(t *testing.T) {
	t.Setenv("GOMEMLIMIT", "")
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(-1))
	debug.SetMemoryLimit(math.MaxInt64)
	for _, c := range []struct{ set, want int64 }{{0, math.MaxInt64}, {3e9, 3e9 - outsideMemory}, {1, leastMemory}, {0, leastMemory}} {
		holdMemory(c.set)
		if got := debug.SetMemoryLimit(-1); got != c.want {
			t.Errorf("memory %d: the collector's limit is %d, want %d", c.set, got, c.want)
		}
	}
}
