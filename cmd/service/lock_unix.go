//go:build unix

package service

import (
	"errors"
	"fmt"
	"os"
	"syscall"
)

// Lock makes sure that one program only works on a data folder. The system
// lets go of it when the process ends, however it ends.
func Lock(name string) (unlock func(), err error) {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return nil, fmt.Errorf("lock the data folder: %w", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, &busyError{}
		}
		return nil, fmt.Errorf("lock the data folder: %w", err)
	}
	return func() { f.Close() }, nil
}
