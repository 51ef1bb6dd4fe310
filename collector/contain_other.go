//go:build !linux || race

package collector

import "runtime/debug"

// Contain bounds the stack. The memory of a reader has no hard limit here: the
// race detector needs more than any reader may have.
func Contain(tags int) error {
	debug.SetMaxStack(readerStack)
	debug.SetMemoryLimit(softMemory(tags))
	return nil
}
