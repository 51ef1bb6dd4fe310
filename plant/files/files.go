// Package files reads and writes small files of the site: plant and rule files,
// accounts, secrets, certificates. It is an edge; all edges may use it.
package files

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"reflect"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// Read reads a regular file of at most so many bytes and nothing else: a pipe
// would never end, a device never be full. A link counts as what it leads to.
func Read(name string, most int64) ([]byte, error) {
	data, _, err := read(name, most)
	return data, err
}

func read(name string, most int64) ([]byte, os.FileInfo, error) {
	// Without waiting: opening a pipe that nobody writes to would hang.
	f, err := os.OpenFile(name, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, nil, fmt.Errorf("%s is no regular file but %s; name a file", name, Kind(info.Mode()))
	}
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && int64(len(data)) > most {
		err = fmt.Errorf("%s is larger than %d bytes; split it", name, most)
	}
	return data, info, err
}

// Write writes a file whole or not at all, durably: a new one with this mode, another
// with the mode and the owner that it has.
func Write(name string, data []byte, mode fs.FileMode) error {
	f, err := os.CreateTemp(filepath.Dir(name), ".new-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // in vain once renamed
	was, known := os.Stat(name)
	if known == nil {
		mode = was.Mode().Perm()
	}
	_, err = f.Write(data)
	if err = errors.Join(err, f.Chmod(mode)); err == nil && known == nil {
		err = giveTo(f, was)
	}
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	return os.Rename(f.Name(), name)
}

// Secret reads a secret of one line, up to 4 kB, without the line break at its
// end. A file that everybody on the machine may read is refused.
func Secret(name string) (string, error) {
	b, info, err := read(name, 4096)
	if err != nil {
		return "", fmt.Errorf("read secret: %w", err)
	}
	if runtime.GOOS != "windows" && info.Mode().Perm()&0o007 != 0 {
		return "", fmt.Errorf("secret file %s can be read by everyone: chmod 600 it", name)
	}
	text := strings.TrimRight(string(b), "\r\n")
	if text == "" {
		return "", fmt.Errorf("secret file %s is empty", name)
	}
	return text, nil
}

// Writer tells when a file was written last and, where the system knows it, whose it
// is: a name, or the number of one without.
func Writer(name string) (owner string, written time.Time) {
	info, err := os.Stat(name)
	if err != nil {
		return "", written
	}
	if id := reflect.Indirect(reflect.ValueOf(info.Sys())).FieldByName("Uid"); id.IsValid() {
		owner = strconv.FormatUint(id.Uint(), 10)
		if u, err := user.LookupId(owner); err == nil {
			owner = u.Username
		}
	}
	return owner, info.ModTime()
}

// Kind says in words what a file that is not regular is.
func Kind(m fs.FileMode) string {
	switch {
	case m.IsDir():
		return "a folder"
	case m&fs.ModeNamedPipe != 0:
		return "a pipe"
	case m&fs.ModeDevice != 0:
		return "a device"
	case m&fs.ModeSocket != 0:
		return "a socket"
	}
	return "of another kind"
}

// AsideMark stands in the name of a file that was set aside.
const AsideMark = ".damaged-"

// SetAside gives a file or folder another name beside its own, with the time in
// it, and returns that name; "" if it is not there.
func SetAside(name string, now time.Time) (string, error) {
	to := AsideName(name, now)
	switch err := os.Rename(name, to); {
	case errors.Is(err, fs.ErrNotExist):
		return "", nil
	case err != nil:
		return "", fmt.Errorf("set aside %s: %w", name, err)
	}
	return to, nil
}

// AsideName is a name for a file that is set aside; nothing has it yet.
func AsideName(name string, now time.Time) string {
	base := name + AsideMark + now.UTC().Format("20060102T150405Z")
	to := base
	for i := 1; ; i++ {
		if _, err := os.Lstat(to); err != nil {
			return to
		}
		to = fmt.Sprintf("%s-%d", base, i)
	}
}

// Aside lists what was set aside in a folder and the folders in it.
func Aside(dir string) (names []string) {
	_ = filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err == nil && strings.Contains(d.Name(), AsideMark) {
			names = append(names, p)
			if d.IsDir() {
				return fs.SkipDir
			}
		}
		return nil
	})
	return names
}
