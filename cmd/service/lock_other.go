//go:build !unix

package service

import (
	"fmt"
	"os"
)

// Lock makes sure that one program only works on a data folder, as far as the
// system allows: it keeps a file open.
func Lock(name string) (unlock func(), err error) {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_RDWR, 0o640)
	if err != nil {
		return nil, fmt.Errorf("lock the data folder: %w", err)
	}
	return func() { f.Close() }, nil
}
