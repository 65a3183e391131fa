package main

import "golang.org/x/sys/unix"

// machineMemory returns the bytes of memory of the machine, 0 when it cannot be
// told.
func machineMemory() int64 {
	size, err := unix.SysctlUint64("hw.memsize")
	if err != nil {
		return 0
	}
	return int64(size)
}
