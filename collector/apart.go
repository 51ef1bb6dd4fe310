package collector

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"os/exec"
	"time"

	"calandria/plant"
)

// What the commands look at is decoded apart too: a look is one question to a reader
// process, and its answer.

// lookWish asks for one of two things.
type lookWish struct {
	Browse     *BrowseOptions
	Look       *settings
	For, Every time.Duration
}

type lookAnswer struct {
	Variables []Variable
	Truncated bool
	Readings  []wireReading
	Faults    []TagFault
	Err       string
}

// wireReading is a reading with null where there is no number.
type wireReading struct {
	plant.Reading
	Low, High *float64
	Raw       []*float64
}

func orNaN(p *float64) float64 {
	if p == nil {
		return math.NaN()
	}
	return *p
}

// readerCommand is a reader process that is not started yet; it logs to log.
func readerCommand(command []string, log *slog.Logger) (*exec.Cmd, *lastWords) {
	cmd := exec.Command(command[0], command[1:]...)
	words := &lastWords{log: log}
	cmd.Stderr = words
	cmd.Env = []string{"GOGC=200", "GOTRACEBACK=none", "PATH=/nonexistent"}
	if root := os.Getenv("SYSTEMROOT"); root != "" {
		cmd.Env = append(cmd.Env, "SYSTEMROOT="+root) // Windows finds its network by it
	}
	return cmd, words
}

// BrowseApart is [Browse] in a process of its own, started by command as for
// [NewRemote].
func BrowseApart(ctx context.Context, command []string, o BrowseOptions, log *slog.Logger) ([]Variable, error) {
	a, err := apart(ctx, command, log, &lookWish{Browse: &o}, nil)
	if err != nil {
		return nil, fmt.Errorf("browse server %s: %w", o.Server.Name, err)
	}
	if a.Err != "" {
		err = errors.New(a.Err)
	} else if a.Truncated {
		err = fmt.Errorf("server %s: %w", o.Server.Name, ErrTruncated)
	}
	return a.Variables, err
}

// LookApart is [Look] in a process of its own.
func LookApart(ctx context.Context, command []string, cfg Config, o LookOptions) (readings []plant.Reading, faults []TagFault, err error) {
	c, err := New(cfg)
	if err != nil {
		return nil, nil, err
	}
	s := (&Remote{cfg: c.cfg, known: c.known()}).settings()
	a, err := apart(ctx, command, c.cfg.Logger, &lookWish{Look: s, For: o.For, Every: o.Every}, o.Progress)
	if err != nil {
		return nil, nil, fmt.Errorf("read the tags of server %s: %w", cfg.Server.Name, err)
	}
	for _, r := range a.Readings {
		x := r.Reading
		x.Low, x.High = orNaN(r.Low), orNaN(r.High)
		for _, v := range r.Raw {
			x.Raw = append(x.Raw, orNaN(v))
		}
		readings = append(readings, x)
	}
	if a.Err != "" {
		err = errors.New(a.Err)
	}
	return readings, a.Faults, err
}

// apart asks a reader process once.
func apart(ctx context.Context, command []string, log *slog.Logger, wish *lookWish, progress func(time.Duration)) (*lookAnswer, error) {
	cmd, words := readerCommand(command, log)
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		return nil, fmt.Errorf("start the reader: %w", err)
	}
	stop := context.AfterFunc(ctx, func() {
		in.Close() // it takes leave of the server
		time.AfterFunc(stopWithin, func() { cmd.Process.Kill() })
	})
	defer stop()
	answer, err := ask(bufio.NewReader(out), bufio.NewWriter(in), wish, progress)
	if err != nil && !errors.Is(err, io.EOF) {
		cmd.Process.Kill()
	}
	in.Close()
	wait := cmd.Wait()
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
		if wait == nil {
			wait = err
		}
		return nil, fmt.Errorf("what it sent ended the process that reads it: %w", words.cause(wait))
	}
	return answer, err
}

func ask(r *bufio.Reader, w *bufio.Writer, wish *lookWish, progress func(time.Duration)) (*lookAnswer, error) {
	if err := writeJSON(w, frameLook, wish); err != nil {
		return nil, err
	}
	for {
		kind, body, err := readFrame(r, nil)
		if err != nil {
			return nil, err
		}
		switch kind {
		case frameProgress:
			var d time.Duration
			if err := json.Unmarshal(body, &d); err == nil && progress != nil {
				progress(d)
			}
		case frameAnswer:
			var a lookAnswer
			return &a, json.Unmarshal(body, &a)
		}
	}
}

// serveLook is the reader's side.
func serveLook(ctx context.Context, r *bufio.Reader, w *bufio.Writer, body []byte, log *slog.Logger) error {
	var wish lookWish
	if err := json.Unmarshal(body, &wish); err != nil {
		return fmt.Errorf("read what to look at: %w", err)
	}
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	go func() { // ends with the pipe
		defer stop()
		_, _ = r.WriteTo(io.Discard)
	}()
	var a lookAnswer
	var err error
	switch {
	case wish.Browse != nil:
		a.Variables, err = Browse(ctx, *wish.Browse)
		if a.Truncated = errors.Is(err, ErrTruncated); a.Truncated {
			err = nil
		}
	case wish.Look != nil:
		cfg := wish.Look.config(log)
		var readings []plant.Reading
		readings, a.Faults, err = Look(ctx, cfg, LookOptions{For: wish.For, Every: wish.Every,
			Progress: func(d time.Duration) { _ = writeJSON(w, frameProgress, d) }})
		for _, x := range readings {
			r := wireReading{Reading: x, Low: number64(x.Low), High: number64(x.High)}
			for _, v := range x.Raw {
				r.Raw = append(r.Raw, number64(v))
			}
			r.Reading.Low, r.Reading.High, r.Reading.Raw = 0, 0, nil
			a.Readings = append(a.Readings, r)
		}
	}
	if err != nil {
		a.Err = err.Error()
	}
	return writeJSON(w, frameAnswer, &a)
}
