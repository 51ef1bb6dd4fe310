package main

import (
	"fmt"
	"io"
	"os"

	"calandria/plant"
)

// readBounded reads a plant, rule or scenario file: a regular file of bounded
// size and nothing else. A pipe would never end, a device never be full.
func readBounded(name string) ([]byte, error) {
	info, err := os.Stat(name)
	if err == nil {
		err = bounded(name, info)
	}
	if err != nil {
		return nil, err
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info, err = f.Stat(); err == nil { // it may be another by now
		err = bounded(name, info)
	}
	if err != nil {
		return nil, err
	}
	data, err := io.ReadAll(io.LimitReader(f, plant.MaxFileBytes+1))
	if err == nil && len(data) > plant.MaxFileBytes {
		err = fmt.Errorf("%s is larger than %d bytes; split it", name, plant.MaxFileBytes)
	}
	return data, err
}

func bounded(name string, info os.FileInfo) error {
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%s is no regular file but %s; name a file", name, kindOfFile(info.Mode()))
	}
	if info.Size() > plant.MaxFileBytes {
		return fmt.Errorf("%s is larger than %d bytes; split it", name, plant.MaxFileBytes)
	}
	return nil
}

func kindOfFile(m os.FileMode) string {
	switch {
	case m.IsDir():
		return "a folder"
	case m&os.ModeNamedPipe != 0:
		return "a pipe"
	case m&os.ModeDevice != 0:
		return "a device"
	case m&os.ModeSocket != 0:
		return "a socket"
	}
	return "of another kind"
}
