package historian

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
)

// A checkpoint file is the line checkpointMagic, the length of the data (8
// bytes, big endian), their SHA-256, and the data.
const checkpointMagic = "calandria checkpoint 1\n"

const checkpointHead = len(checkpointMagic) + 8 + sha256.Size

// maxCheckpoint bounds what a damaged length can ask for.
const maxCheckpoint = 1 << 30

// CheckpointError says that a checkpoint is there and cannot be used: cut,
// changed, or of a format that this program does not know.
type CheckpointError struct {
	File    string
	Problem string
}

func (e *CheckpointError) Error() string {
	return fmt.Sprintf("checkpoint %s cannot be used: %s", e.File, e.Problem)
}

// WriteCheckpoint stores data as dir/name in place of what was there. After
// nil it is durable; after an error, or a kill at any moment, the file is as
// before or complete. dir must exist.
func WriteCheckpoint(dir, name string, data []byte) error {
	return writeCheckpoint(Disk{}, dir, name, data)
}

func writeCheckpoint(fl FileLayer, dir, name string, data []byte) error {
	if len(data) > maxCheckpoint {
		return fmt.Errorf("write checkpoint %s: %d bytes; at most %d", name, len(data), maxCheckpoint)
	}
	head := binary.BigEndian.AppendUint64([]byte(checkpointMagic), uint64(len(data)))
	sum := sha256.Sum256(data)
	file := filepath.Join(dir, name)
	err := writeWhole(fl, file, func() string { return file }, func(w io.Writer) error {
		if _, err := w.Write(append(head, sum[:]...)); err != nil {
			return err
		}
		_, err := w.Write(data)
		return err
	})
	if err != nil {
		return fmt.Errorf("write checkpoint: %w", err)
	}
	return nil
}

// ReadCheckpoint returns the data stored last. Errors: fs.ErrNotExist if there is
// none, *CheckpointError if it cannot be used, others of the disk.
func ReadCheckpoint(dir, name string) ([]byte, error) {
	return readCheckpoint(Disk{}, dir, name)
}

func readCheckpoint(fl FileLayer, dir, name string) ([]byte, error) {
	file := filepath.Join(dir, name)
	f, size, err := fl.Open(file)
	if err != nil {
		return nil, fmt.Errorf("read checkpoint: %w", err)
	}
	defer f.Close()
	bad := func(format string, args ...any) ([]byte, error) {
		return nil, &CheckpointError{File: file, Problem: fmt.Sprintf(format, args...)}
	}
	if size < int64(checkpointHead) || size > int64(checkpointHead+maxCheckpoint) {
		return bad("it has %d bytes", size)
	}
	b := make([]byte, size)
	if _, err := f.ReadAt(b, 0); err != nil && !errors.Is(err, io.EOF) {
		return nil, fmt.Errorf("read checkpoint: %w", err)
	}
	n := len(checkpointMagic)
	if string(b[:n]) != checkpointMagic {
		return bad("it begins with %.30q, not with %q: damaged, or of another version of the program", b[:n], checkpointMagic)
	}
	if want := binary.BigEndian.Uint64(b[n:]); want != uint64(len(b)-checkpointHead) {
		return bad("it holds %d bytes of data, not %d", len(b)-checkpointHead, want)
	}
	data := b[checkpointHead:]
	if sum := sha256.Sum256(data); !bytes.Equal(sum[:], b[n+8:checkpointHead]) {
		return bad("its checksum is wrong: it was damaged or changed")
	}
	return data, nil
}

// storeJSON keeps v in a checkpoint.
func storeJSON(fl FileLayer, dir, name string, v any) error {
	js, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return writeCheckpoint(fl, dir, name, js)
}

func loadJSON(fl FileLayer, dir, name string, v any) error {
	data, err := readCheckpoint(fl, dir, name)
	if err == nil {
		err = json.Unmarshal(data, v)
	}
	return err
}
