package collector

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"calandria/plant"
)

// Remote reads one server in a process of its own. Nothing that the server sends
// is decoded here, so nothing that it sends can end this program or take its
// memory: the reader's end is an error of the source, and another reader begins.
type Remote struct {
	cfg     Config
	command []string
	known   map[plant.TagID]bool
	out     chan Batch
	changes chan Health
	health  atomic.Pointer[Health]
	stored  atomic.Uint64
	last    map[plant.TagID]archivedAt // newest point of each tag that was handed on
	top     uint64                     // number of the last batch
	crashes uint64
	process atomic.Pointer[os.Process] // the reader
}

const (
	// restartPause is between two readers; it does not grow.
	restartPause = time.Second
	// soonAfter: a reader that ends so soon has met again what ended the one before.
	soonAfter = 30 * time.Second
	// silentFor is how long a reader may say nothing: it does each second.
	silentFor = 15 * time.Second
	// stopWithin is how long it may take leave.
	stopWithin = 4 * time.Second
)

// NewRemote checks the configuration as [New] does. command starts the reader: a
// program that calls [Serve] on its standard input and output.
func NewRemote(cfg Config, command []string) (*Remote, error) {
	c, err := New(cfg)
	if err != nil {
		return nil, err
	}
	r := &Remote{cfg: c.cfg, command: command, known: c.known(), out: c.out, changes: c.changes, last: map[plant.TagID]archivedAt{}}
	h := c.Health()
	r.health.Store(&h)
	return r, nil
}

// known are the tags of the server.
func (c *Client) known() map[plant.TagID]bool {
	known := map[plant.TagID]bool{}
	for _, it := range c.items {
		known[it.tag.ID] = true
	}
	return known
}

// Name is the server's name in the configuration.
func (r *Remote) Name() string { return r.cfg.Server.Name }

// Batches is as in [Client].
func (r *Remote) Batches() <-chan Batch { return r.out }

// Changes is as in [Client].
func (r *Remote) Changes() <-chan Health { return r.changes }

// Health is as in [Client]. Crashes counts the readers that ended by themselves.
func (r *Remote) Health() Health { return *r.health.Load() }

// Stored is as in [Client].
func (r *Remote) Stored(number uint64) { r.stored.Store(max(number, r.stored.Load())) }

// Run starts readers, one after the other, until ctx ends.
func (r *Remote) Run(ctx context.Context) error {
	defer close(r.out)
	defer close(r.changes)
	if r.cfg.Archived != nil {
		for id := range r.known {
			if p, offset, ok := r.cfg.Archived(id); ok {
				r.last[id] = archivedAt{p.Time, p.Quality.Code(), offset}
			}
		}
	}
	for {
		began := time.Now()
		err := r.read(ctx)
		if ctx.Err() != nil {
			h := r.Health()
			h.State = Stopped
			r.health.Store(&h)
			return nil
		}
		r.crashes++
		if time.Since(began) < soonAfter {
			// What the server keeps for us may be what ended it.
			os.Remove(filepath.Join(r.cfg.DataDir, "session-"+r.cfg.Server.Name+".json"))
		}
		r.crashed(err)
		r.cfg.Until = time.Time{} // the states that it gave mark the gap
		select {
		case <-ctx.Done():
		case <-time.After(restartPause):
		}
	}
}

// crashed makes the source lost: its values are Bad from now on, and its health
// says why.
func (r *Remote) crashed(err error) {
	now := r.cfg.Now().UTC()
	h := r.Health()
	h.State, h.Since, h.Confirmed = Connecting, now, time.Time{}
	h.LastError = "the process that reads it has ended: " + err.Error() + "; another is started"
	h.Crashes = r.crashes
	r.cfg.Logger.Error("the reader of a server has ended", "server", h.Server, "err", err)
	r.health.Store(&h)
	r.top++
	b := Batch{Server: h.Server, Received: now, Number: r.top}
	for id := range r.known {
		b.Samples = append(b.Samples, plant.Sample{Tag: id, Point: plant.BadPoint(now, plant.BadNoCommunication)})
		r.last[id] = archivedAt{now, plant.BadNoCommunication.Code(), r.last[id].Offset}
	}
	r.changes <- h
	r.out <- b
}

// lastWords logs what a reader logs, and keeps the beginning of what it says
// otherwise: that is said at its end.
type lastWords struct {
	log  *slog.Logger
	line bytes.Buffer
	kept []string
}

func (l *lastWords) Write(p []byte) (int, error) {
	for _, c := range p {
		if c != '\n' {
			if l.line.Len() < 4096 {
				l.line.WriteByte(c)
			}
			continue
		}
		var e map[string]any
		if json.Unmarshal(l.line.Bytes(), &e) == nil {
			var level slog.Level
			_ = level.UnmarshalText(fmt.Append(nil, e["level"]))
			var more []any
			for _, k := range slices.Sorted(maps.Keys(e)) {
				if k != "time" && k != "level" && k != "msg" {
					more = append(more, k, e[k])
				}
			}
			l.log.Log(context.Background(), level, fmt.Sprint(e["msg"]), more...)
		} else if len(l.kept) < 50 {
			l.kept = append(l.kept, strings.TrimSpace(l.line.String()))
		}
		l.line.Reset()
	}
	return len(p), nil
}

// cause finds the line that says why.
func (l *lastWords) cause(err error) error {
	for _, line := range l.kept {
		for _, sign := range []string{"panic: ", "fatal error: ", "runtime: goroutine stack exceeds"} {
			if strings.HasPrefix(line, sign) {
				return errors.New(printable(line))
			}
		}
	}
	return err
}

// read runs one reader to its end.
func (r *Remote) read(ctx context.Context) error {
	cmd, words := readerCommand(r.command, r.cfg.Logger)
	s, base := r.settings(), r.top
	in, err := cmd.StdinPipe()
	if err != nil {
		return err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("start the reader: %w", err)
	}
	r.process.Store(cmd.Process)
	alive := time.AfterFunc(silentFor, func() { cmd.Process.Kill() })
	defer alive.Stop()
	told := make(chan struct{})
	ended := make(chan struct{})
	go func() { // ends when the pipe does
		defer close(told)
		r.tell(ctx, bufio.NewWriter(in), s, base, ended)
		in.Close()
		select {
		case <-ended:
		case <-time.After(stopWithin):
			cmd.Process.Kill()
		}
	}()
	err = r.listen(bufio.NewReaderSize(out, 1<<16), base, alive)
	if !errors.Is(err, io.EOF) {
		cmd.Process.Kill()
	}
	close(ended)
	<-told
	wait := cmd.Wait()
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		err = wait
	}
	if err == nil {
		err = errors.New("it ended without a word")
	}
	return words.cause(err)
}

func (r *Remote) settings() *settings {
	s := &settings{Server: r.cfg.Server, DataDir: r.cfg.DataDir, Queue: r.cfg.Queue, Until: r.cfg.Until, Now: r.cfg.Now().UnixNano(), Archived: maps.Clone(r.last)}
	for _, t := range r.cfg.Tags {
		if r.known[t.ID] {
			x := readTag{Tag: t, Low: number64(t.Low), High: number64(t.High), Value: number64(t.Value)}
			x.Tag.Low, x.Tag.High, x.Tag.Value = 0, 0, 0
			s.Tags = append(s.Tags, x)
		}
	}
	return s
}

// tell sends the settings, then each half second what is stored and what time it
// is, and at the end the wish to stop. The reader counts its batches from base on.
func (r *Remote) tell(ctx context.Context, w *bufio.Writer, s *settings, base uint64, ended <-chan struct{}) {
	if err := writeJSON(w, frameSettings, s); err != nil {
		return
	}
	tick := time.NewTicker(500 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ended:
			return
		case <-ctx.Done():
			_ = writeFrame(w, frameStop, nil) // else it sees the pipe end
			return
		case <-tick.C:
			b := binary.LittleEndian.AppendUint64(nil, max(r.stored.Load(), base)-base)
			if writeFrame(w, frameStored, binary.LittleEndian.AppendUint64(b, uint64(r.cfg.Now().UnixNano()))) != nil {
				return
			}
		}
	}
}

// listen takes what the reader says until it ends: always with an error.
func (r *Remote) listen(in *bufio.Reader, base uint64, alive *time.Timer) error {
	var body []byte
	for {
		kind, b, err := readFrame(in, body)
		if err != nil {
			return err
		}
		body = b
		alive.Reset(silentFor)
		switch kind {
		case frameBatch:
			x, err := readBatch(b, func(id plant.TagID) bool { return r.known[id] })
			if err != nil {
				return err
			}
			x.Server = r.cfg.Server.Name
			x.Number += base
			r.top = max(r.top, x.Number)
			for i := range x.Samples {
				s := &x.Samples[i]
				if !s.Point.Time.Before(r.last[s.Tag].Time) {
					r.last[s.Tag] = archivedAt{s.Point.Time, s.Point.Quality.Code(), s.Offset}
				}
			}
			alive.Stop() // a receiver that stalls is no fault of the reader
			r.out <- x
			alive.Reset(silentFor)
		case frameHealth, frameChange:
			var h Health
			if err := json.Unmarshal(b, &h); err != nil {
				return fmt.Errorf("its health: %w", err)
			}
			h.Server, h.Endpoint, h.Crashes = r.cfg.Server.Name, r.cfg.Server.Endpoint, r.crashes
			r.health.Store(&h)
			if kind == frameChange {
				r.changes <- h
			}
		}
	}
}
