package main

import "golang.org/x/sys/unix"

// machineMemory returns the bytes of memory of the machine, 0 when it cannot be
// told.
func machineMemory() int64 {
	var info unix.Sysinfo_t
	if err := unix.Sysinfo(&info); err != nil {
		return 0
	}
	return int64(info.Totalram) * int64(info.Unit)
}
