//go:build linux && !race

package collector

import (
	"errors"
	"runtime/debug"
	"syscall"
)

// Contain takes from this process what a reader does not need: memory beyond
// readerMemory and what its tags take, core dumps, files beyond a few, and every way to
// gain rights. It cannot be undone.
func Contain(tags int) error {
	const noNewPrivs = 38 // PR_SET_NO_NEW_PRIVS, prctl(2)
	debug.SetMaxStack(readerStack)
	debug.SetMemoryLimit(softMemory(tags))
	limit := func(what int, most uint64) error {
		return syscall.Setrlimit(what, &syscall.Rlimit{Cur: most, Max: most})
	}
	_, _, errno := syscall.AllThreadsSyscall(syscall.SYS_PRCTL, noNewPrivs, 1, 0)
	var err error
	if errno != 0 && errno != syscall.ENOTSUP { // a build with cgo cannot; a release is without
		err = errno
	}
	return errors.Join(err, limit(syscall.RLIMIT_DATA, readerMemory+uint64(tags)*tagMemory), limit(syscall.RLIMIT_CORE, 0), limit(syscall.RLIMIT_NOFILE, 64))
}
