package historian

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"

	"calandria/plant/files"
)

// FileLayer is what the archive needs of the file system for its Parquet
// files. Tests put one in that fails; nil in Options means the real one.
type FileLayer interface {
	MkdirAll(dir string) error
	Create(name string) (WriteFile, error) // truncates
	Open(name string) (ReadFile, int64, error)
	Rename(from, to string) error
	Remove(name string) error
	List(dir string) ([]string, error) // plain names
	SyncDir(dir string) error
	FreePct(dir string) float64 // of the disk; NaN if the system does not tell
}

// WriteFile is a file being written.
type WriteFile interface {
	io.WriteCloser
	Sync() error
}

// ReadFile is a file being read.
type ReadFile interface {
	io.ReaderAt
	io.Closer
}

// Disk is the real file system.
type Disk struct{}

func (Disk) MkdirAll(dir string) error    { return os.MkdirAll(dir, 0o750) }
func (Disk) Rename(from, to string) error { return os.Rename(from, to) }
func (Disk) Remove(name string) error     { return os.Remove(name) }

// Create does not wait: a pipe in place of the file would hold it up.
func (Disk) Create(name string) (WriteFile, error) {
	return os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_TRUNC|syscall.O_NONBLOCK, 0o666)
}

func (Disk) Open(name string) (ReadFile, int64, error) {
	f, err := os.OpenFile(name, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, 0, err
	}
	st, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, 0, err
	}
	if !st.Mode().IsRegular() {
		f.Close()
		return nil, 0, fmt.Errorf("%s is no regular file but %s", name, files.Kind(st.Mode()))
	}
	return f, st.Size(), nil
}

func (Disk) List(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	names := make([]string, 0, len(entries))
	for _, e := range entries {
		if e.Type().IsRegular() {
			names = append(names, e.Name())
		}
	}
	return names, nil
}

func (Disk) SyncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

// writeWhole writes a file so that it is either there completely or not at
// all: temporary name, sync, rename, sync of the folder. Its name is asked for when
// it is filled. If the last step fails the file is visible, but perhaps not durable.
func writeWhole(fl FileLayer, tmp string, name func() string, fill func(io.Writer) error) (err error) {
	tmp += ".tmp"
	f, err := fl.Create(tmp)
	if err != nil {
		return fmt.Errorf("create %s: %w", tmp, err)
	}
	renamed := false
	defer func() {
		if err != nil && !renamed {
			f.Close()
			fl.Remove(tmp) // best effort: Open sweeps what is left
		}
	}()
	if err = fill(f); err != nil {
		return fmt.Errorf("write %s: %w", tmp, err)
	}
	if err = f.Sync(); err != nil {
		return fmt.Errorf("sync %s: %w", tmp, err)
	}
	if err = f.Close(); err != nil {
		return fmt.Errorf("close %s: %w", tmp, err)
	}
	if err = fl.Rename(tmp, name()); err != nil {
		return fmt.Errorf("rename %s: %w", tmp, err)
	}
	renamed = true
	if serr := fl.SyncDir(filepath.Dir(tmp)); serr != nil {
		return fmt.Errorf("sync folder of %s: %w", name(), serr)
	}
	return nil
}
