//go:build linux || darwin

package main

import "syscall"

// freeBytes is the room that is left for us on the disk of a folder.
func freeBytes(dir string) (uint64, bool) {
	var disk syscall.Statfs_t
	if err := syscall.Statfs(dir, &disk); err != nil {
		return 0, false
	}
	return uint64(disk.Bavail) * uint64(disk.Bsize), true
}
