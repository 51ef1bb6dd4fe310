//go:build !linux

package collector

import "runtime/debug"

// Contain bounds the stack. The memory of a reader has no hard limit here.
func Contain() error {
	debug.SetMaxStack(readerStack)
	return nil
}
