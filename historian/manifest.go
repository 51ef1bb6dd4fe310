package historian

import (
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// manifestFile is a checkpoint with a line for each Parquet file. A file that is
// not in it came in just before a crash, or from the first format: it is added by
// the next scrub.
const manifestFile = "manifest"

type manifestLine struct {
	File string `json:"file"` // folder and name
	Size int64  `json:"size"`
	Sum  string `json:"crc32c,omitempty"`
}

// Damage says what of the archive cannot be read, and which time that concerns.
// Reads go on beside it: each tag has a Bad_DataLost sample where it begins.
type Damage struct {
	File     string
	From, To time.Time
	Problem  words.Text
}

func (d Damage) String() string { return d.Words().String() }

// Words is the same for who reads it in another language.
func (d Damage) Words() words.Text {
	return words.Say("%s, %s to %s: %s", d.File, d.From.UTC().Format(time.RFC3339), d.To.UTC().Format(time.RFC3339), d.Problem)
}

// DamageError says that a reading was complete but for the damage.
type DamageError struct{ Damage []Damage }

func (e *DamageError) Error() string {
	var lines []string
	for _, d := range e.Damage {
		lines = append(lines, d.String())
	}
	return "parts of the archive are damaged and missing here; restore the files from a backup: " + strings.Join(lines, "; ")
}

func (s *coldStore) aside(name string, why error) error {
	return asideLayer(s.fl, s.log, s.readOnly, filepath.Join(s.dir, name), time.Now(), why)
}

func (s *coldStore) readManifest() error {
	s.listed = map[string]manifestLine{}
	var lines []manifestLine
	err := loadJSON(s.fl, s.dir, manifestFile, &lines)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil { // it is made anew from the files
		return s.aside(manifestFile, err)
	}
	for _, l := range lines {
		s.listed[l.File] = l
	}
	return nil
}

// writeManifest stores what files there are to be; needs s.mu. If that fails the
// next change tries again, and meanwhile a file is merely not listed.
func (s *coldStore) writeManifest() {
	if s.readOnly {
		return
	}
	var lines []manifestLine
	for _, kind := range coldKinds {
		for _, c := range s.files[kind] {
			l := manifestLine{File: kind + "/" + c.name, Size: c.size, Sum: c.sum}
			if c.lost != "" { // as it should be
				l = s.listed[l.File]
				l.File = kind + "/" + c.name
			}
			lines = append(lines, l)
		}
	}
	if err := storeJSON(s.fl, s.dir, manifestFile, lines); err != nil {
		s.log.Warn("manifest of the archive not stored", "err", err)
	}
}

// missing makes place holders for raw files that are listed and gone. Roll-ups
// are made anew.
func (s *coldStore) missing(kind string, names []string, replaced map[string]bool) (lost []*coldFile) {
	if kind != kindRaw {
		return nil
	}
	gone := func() (files []string) {
		for file := range s.listed {
			if k, name, _ := strings.Cut(file, "/"); k == kind && !slices.Contains(names, name) && !replaced[name] {
				files = append(files, name)
			}
		}
		return files
	}
	files := gone()
	if len(files) > 0 && s.readOnly { // removed meanwhile by the program that writes?
		if err := s.readManifest(); err != nil {
			return nil
		}
		files = gone()
	}
	for _, name := range files {
		v, ok := versionOf(name)
		c := &coldFile{store: s, kind: kind, name: name, path: filepath.Join(s.dir, kind, name), version: v}
		if ok && c.lose("it is gone") {
			lost = append(lost, c)
		}
	}
	return lost
}

// lose makes c a place holder: of the file only the times in its name are known.
// False for a roll-up, which is left out.
func (c *coldFile) lose(problem words.Text) bool {
	from, to, ok := timesOf(c.name)
	if c.kind != kindRaw || !ok {
		c.store.log.Error("archive file cannot be read and is left out", "file", c.path, "problem", problem)
		return false
	}
	c.lost = problem
	c.head = fileHead{From: from, To: to, Tick: 1}
	c.note(from, to, problem)
	return true
}

// timesOf reads the stretch from a file's name, which has whole seconds.
func timesOf(name string) (from, to int64, ok bool) {
	parts := strings.Split(name, "_")
	if len(parts) != 4 {
		return 0, 0, false
	}
	f, err1 := time.Parse(nameStamp, parts[1])
	t, err2 := time.Parse(nameStamp, parts[2])
	return f.UnixNano(), t.Add(time.Second).UnixNano(), err1 == nil && err2 == nil
}

// note keeps a damage that was met.
func (c *coldFile) note(from, to int64, problem words.Text) {
	s := c.store
	s.knows.Lock()
	defer s.knows.Unlock()
	d, ok := s.damage[c.path]
	if !ok {
		s.log.Error("archive file is damaged; its stretch is shown as lost", "file", c.path, "problem", problem)
		d = Damage{File: c.path, From: time.Unix(0, from).UTC(), To: time.Unix(0, to).UTC(), Problem: problem}
	}
	if t := time.Unix(0, from).UTC(); t.Before(d.From) {
		d.From = t
	}
	if t := time.Unix(0, to).UTC(); t.After(d.To) {
		d.To = t
	}
	s.damage[c.path] = d
}

// damaged lists what is known to be damaged in [from, to).
func (s *coldStore) damaged(from, to int64) (out []Damage) {
	s.knows.Lock()
	defer s.knows.Unlock()
	for _, d := range s.damage {
		if d.From.UnixNano() < to && from < d.To.UnixNano() {
			out = append(out, d)
		}
	}
	slices.SortFunc(out, func(x, y Damage) int { return x.From.Compare(y.From) })
	return out
}

// sound reports whether nothing is known against a file.
func (c *coldFile) sound() bool {
	c.store.knows.Lock()
	defer c.store.knows.Unlock()
	_, bad := c.store.damage[c.path]
	return !bad
}

// Damage lists what of [from, to) is known to be damaged or gone.
func (a *Archive) Damage(from, to time.Time) []Damage {
	return append(a.hot.damaged(), a.cold.damaged(plant.Nanos(from), plant.Nanos(to))...)
}

// scanPart appends what a file has of an entry in [lo, hi). A part that is damaged
// becomes one Bad_DataLost sample; it is looked for day by day, so that no more is
// lost than has to be.
func (c *coldFile) scanPart(ctx context.Context, e fileEntry, lo, hi int64, out *series) error {
	n := out.len()
	err := c.scan(ctx, e, lo, hi, out)
	if err == nil || ctx.Err() != nil {
		return ctx.Err()
	}
	out.cut(n)
	if hi-lo > nsDay {
		for lo < hi {
			end := min(floorTo(lo, nsDay)+nsDay, hi)
			if err := c.scanPart(ctx, e, lo, end, out); err != nil {
				return err
			}
			lo = end
		}
		return nil
	}
	c.note(lo, hi, words.Of(err))
	out.add(max(lo, e.Min), nan, plant.BadDataLost.Code())
	return nil
}

// scrubRate is how fast files are read to prove them, B/s: slow beside the rest.
const scrubRate = 20 << 20

// scrubEvery is how often all files are proven.
const scrubEvery = 7 * 24 * time.Hour

// Scrub reads every Parquet file and compares its checksum, and adds the
// checksums of files that have none. wait, if not nil, is called with the bytes of
// each piece read, to slow it down. What it finds is in Health and Damage.
func (a *Archive) Scrub(ctx context.Context, wait func(context.Context, int)) error {
	buf := make([]byte, 1<<20)
	fresh := false
	for _, kind := range coldKinds {
		for _, c := range a.cold.list(kind, plant.MinTime.UnixNano(), plant.MaxTime.UnixNano()) {
			if c.lost != "" {
				continue
			}
			sum, err := c.checksum(ctx, buf, wait)
			if ctx.Err() != nil {
				return ctx.Err()
			}
			switch {
			case err == nil && c.sum == "":
				a.cold.mu.Lock()
				c.sum = sum
				a.cold.mu.Unlock()
				fresh = true
			case err == nil && c.sum != sum:
				err = words.Errorf("its checksum is %s, not %s: it was changed", sum, c.sum)
			}
			if err != nil {
				a.cold.mu.RLock()
				// One that was replaced meanwhile is gone because it was.
				if slices.Contains(a.cold.files[kind], c) {
					c.note(c.head.From, c.head.To, words.Of(err))
				}
				a.cold.mu.RUnlock()
			}
		}
	}
	if fresh {
		a.cold.mu.Lock()
		a.cold.writeManifest()
		a.cold.mu.Unlock()
	}
	return nil
}

func (c *coldFile) checksum(ctx context.Context, buf []byte, wait func(context.Context, int)) (string, error) {
	f, size, err := c.store.fl.Open(c.path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	sum := uint32(0)
	for at := int64(0); at < size && ctx.Err() == nil; {
		n, err := f.ReadAt(buf[:min(int64(len(buf)), size-at)], at)
		if err != nil && !errors.Is(err, io.EOF) {
			return "", err
		}
		sum = crc32.Update(sum, castagnoli, buf[:n])
		at += int64(n)
		if wait != nil {
			wait(ctx, n)
		}
	}
	return fmt.Sprintf("%08x", sum), nil
}

// scrubbing proves all files, slowly.
func (a *Archive) scrubbing(ctx context.Context) {
	err := a.Scrub(ctx, func(ctx context.Context, n int) {
		select {
		case <-ctx.Done():
		case <-time.After(time.Duration(n) * time.Second / scrubRate):
		}
	})
	if err != nil && ctx.Err() == nil {
		a.log.Error("archive files could not be proven; tried again in a week", "err", err)
	}
}
