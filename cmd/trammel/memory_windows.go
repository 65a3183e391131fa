package main

import (
	"unsafe"

	"golang.org/x/sys/windows"
)

// machineMemory returns the bytes of memory of the machine, 0 when it cannot be
// told.
func machineMemory() int64 {
	var status struct { // MEMORYSTATUSEX
		length, load                                                                      uint32
		total, available, totalPage, availablePage, totalVirtual, availableVirtual, extra uint64
	}
	status.length = uint32(unsafe.Sizeof(status))
	ok, _, _ := windows.NewLazySystemDLL("kernel32.dll").NewProc("GlobalMemoryStatusEx").Call(uintptr(unsafe.Pointer(&status)))
	if ok == 0 {
		return 0
	}
	return int64(status.total)
}
