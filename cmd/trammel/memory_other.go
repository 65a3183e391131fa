//go:build !linux && !darwin && !windows

package main

// machineMemory returns 0: the machine's memory is not known here.
func machineMemory() int64 { return 0 }
