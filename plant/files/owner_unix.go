//go:build unix

package files

import (
	"os"
	"syscall"
)

// giveTo gives a file the owner of another.
func giveTo(f *os.File, was os.FileInfo) error {
	owner, ok := was.Sys().(*syscall.Stat_t)
	if !ok {
		return nil
	}
	return f.Chown(int(owner.Uid), int(owner.Gid))
}
