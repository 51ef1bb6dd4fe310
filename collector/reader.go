package collector

import (
	"bufio"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"calandria/plant"
)

// Serve is the reader's side: it reads one server as the settings from in say, and
// writes what comes to out, until it is told to stop, in ends or ctx does.
func Serve(ctx context.Context, in io.Reader, out io.Writer, log *slog.Logger) error {
	r, w := bufio.NewReader(in), bufio.NewWriterSize(out, 1<<16)
	kind, body, err := readFrame(r, nil)
	if err == nil && kind == frameLook {
		return serveLook(ctx, r, w, body, log)
	}
	var s settings
	if err == nil && kind == frameSettings {
		err = json.Unmarshal(body, &s)
	}
	if err != nil {
		return fmt.Errorf("read the settings: %w", err)
	}
	// Our clock is the program's: what it says, and since then the counter of this
	// process.
	var ahead atomic.Int64
	start := time.Now()
	set := func(now int64) { ahead.Store(now - start.Add(time.Since(start)).UnixNano()) }
	set(s.Now)
	cfg := s.config(log)
	cfg.Now = func() time.Time { return start.Add(time.Since(start) + time.Duration(ahead.Load())).Round(0) }
	c, err := New(cfg)
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	go func() { // ends with the pipe, at the latest with the process
		defer stop()
		for {
			kind, b, err := readFrame(r, body)
			if err != nil || kind == frameStop {
				return
			}
			if kind == frameStored && len(b) == 16 {
				c.Stored(binary.LittleEndian.Uint64(b))
				set(int64(binary.LittleEndian.Uint64(b[8:])))
			}
		}
	}()
	var g errgroup.Group
	g.Go(func() error { return c.Run(ctx) })
	g.Go(func() error {
		defer stop()
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		var buf []byte
		for batches, changes := c.Batches(), c.Changes(); batches != nil || changes != nil; {
			var err error
			select {
			case b, ok := <-batches:
				if !ok {
					batches = nil
					continue
				}
				buf = appendBatch(buf[:0], &b)
				err = writeFrame(w, frameBatch, buf)
			case h, ok := <-changes:
				if !ok {
					changes = nil
					continue
				}
				err = writeJSON(w, frameChange, &h)
			case <-tick.C:
				h := c.Health()
				err = writeJSON(w, frameHealth, &h)
			}
			if err != nil {
				return fmt.Errorf("hand values on: %w", err)
			}
		}
		return nil
	})
	return g.Wait()
}

func (s *settings) config(log *slog.Logger) Config {
	cfg := Config{Server: s.Server, DataDir: s.DataDir, Queue: s.Queue, Until: s.Until, Logger: log,
		Archived: func(id plant.TagID) (plant.Point, time.Duration, bool) {
			a, ok := s.Archived[id]
			return plant.Point{Time: a.Time, Quality: plant.QualityOf(a.Status)}, a.Offset, ok
		}}
	for i := range s.Tags {
		cfg.Tags = append(cfg.Tags, s.Tags[i].tag())
	}
	return cfg
}

const (
	readerMemory = 192 << 20 // of data: bytes that a process may write
	tagMemory    = 8 << 10   // more for each tag; 20,000 tags were seen to take 60 MiB beyond readerMemory
	readerStack  = 16 << 20
)

// softMemory is where a reader of so many tags begins to collect garbage more often,
// in bytes: half of what it may have.
func softMemory(tags int) int64 { return (readerMemory + int64(tags)*tagMemory) / 2 }
