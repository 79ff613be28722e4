//go:build !linux

package main

// monotonicMicros is for a service manager that is on Linux only.
func monotonicMicros() string { return "" }
