package historian

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"calandria/plant/words"
)

// hotDir holds the log of the samples that are not in Parquet files yet.
const hotDir = "hot"

// segmentSamples is how many samples a segment takes before it is full. In
// memory they are 4 to 10 bytes each.
const segmentSamples = 8_000_000

// hotStore is the log, and its samples in memory by tag. Only the archive's
// flush appends, only its maintenance drops.
type hotStore struct {
	dir string
	fl  FileLayer
	log *slog.Logger

	mu   sync.RWMutex
	segs []*segment // oldest first
	w    WriteFile  // of the last one; nil: the next commit begins another
	next uint64     // number of the next segment
	buf  []byte
	// tag gives the archive's number of a tag, which becomes known by it; named
	// the path and unit of a number, false if there is none.
	tag   func(path, unit string) int64
	aside func(path string, why error) error
	named func(id int64) (path, unit string, ok bool)
}

// segment is one file of the log.
type segment struct {
	n       uint64
	path    string
	opened  int64            // ns, the archive's clock at its first commit
	chunks  numbered[*chunk] // by the archive's number of the tag; nil for none
	samples int
	size    int64
	min     int64
	max     int64
	// damaged says what of the file could not be read, "" for nothing.
	damaged words.Text
	// ids are the archive's numbers, plus one, of the tags that the file has named, by
	// the number that the file gives them.
	ids numbered[int64]
}

// numbered has a value for each of some small numbers; the others have none, the
// zero value.
type numbered[T any] []T

func (n numbered[T]) at(i int64) (v T) {
	if uint64(i) < uint64(len(n)) {
		v = n[i]
	}
	return v
}

func (n *numbered[T]) set(i int64, v T) {
	if short := i + 1 - int64(len(*n)); short > 0 {
		*n = append(*n, make([]T, short)...)
	}
	(*n)[i] = v
}

func (s *segment) add(r *hotRow) {
	c := s.chunks.at(r.tag)
	if c == nil {
		c = newChunk(int(r.decimals))
		s.chunks.set(r.tag, c)
	}
	c.add(r)
	s.samples++
	s.min, s.max = min(s.min, r.time), max(s.max, r.time)
}

func (h *hotStore) file(n uint64) string {
	return filepath.Join(h.dir, fmt.Sprintf("segment_%08d.log", n))
}

func newSegment(n uint64, path string) *segment {
	return &segment{n: n, path: path, min: math.MaxInt64, max: math.MinInt64}
}

// open reads the segments that are there; again, it reads what has come since.
func (h *hotStore) open() error {
	if err := h.fl.MkdirAll(h.dir); err != nil {
		if err = errors.Join(h.aside(h.dir, err), h.fl.MkdirAll(h.dir)); err != nil {
			return err
		}
	}
	names, err := h.fl.List(h.dir)
	if err != nil {
		return err
	}
	var numbers []uint64
	for _, name := range names {
		var n uint64
		if _, err := fmt.Sscanf(name, "segment_%d.log", &n); err == nil && name == filepath.Base(h.file(n)) {
			numbers = append(numbers, n)
			h.next = max(h.next, n)
		}
	}
	slices.Sort(numbers)
	h.mu.Lock()
	defer h.mu.Unlock()
	var segs []*segment
	for _, n := range numbers {
		i := slices.IndexFunc(h.segs, func(s *segment) bool { return s.n == n })
		s := newSegment(n, h.file(n))
		if i >= 0 {
			s = h.segs[i]
		}
		err := h.load(s)
		if errors.Is(err, fs.ErrNotExist) { // moved meanwhile by the program that writes
			continue
		}
		if err != nil {
			if err := h.aside(s.path, err); err != nil {
				return err
			}
			continue
		}
		segs = append(segs, s)
	}
	h.segs = segs
	return nil
}

// load reads what the file of a segment has behind what is known of it.
func (h *hotStore) load(s *segment) error {
	b, err := readFrom(h.fl, s.path, s.size)
	if err != nil {
		return fmt.Errorf("read the hot log: %w", err)
	}
	odd, start := false, b
	if s.size == 0 {
		odd = !strings.HasPrefix(segmentMagic, string(b[:min(len(b), len(segmentMagic))]))
		s.size = int64(min(len(b), len(segmentMagic)))
		b = b[s.size:]
	}
	unnamed := 0
	end, damaged, err := walkFrames(b, func(frame []byte, _, _ int) error {
		if frame[3] == frameTags {
			return decodeTags(frame, func(id int64, path, unit string) { s.ids.set(id, h.tag(path, unit)+1) })
		}
		return decodeFrame(frame, func(r hotRow) {
			id := s.ids.at(r.tag) - 1
			if id < 0 { // the frame that names it is damaged: the dictionary knows it too
				if _, _, ok := h.named(r.tag); !ok {
					unnamed++
					return
				}
				id = r.tag
			}
			r.tag = id
			s.add(&r)
		})
	})
	if err != nil {
		return fmt.Errorf("read %s: %w", s.path, err)
	}
	if odd && len(s.ids) == 0 && s.samples == 0 {
		return fmt.Errorf("read %s: it begins with %.20q, and nothing in it is a part of the log", s.path, start)
	}
	if unnamed > 0 {
		h.log.Error("samples of the hot log belong to no tag that is known", "file", s.path, "samples", unnamed)
	}
	if len(damaged) > 0 {
		s.damaged = words.Say("bytes %d to %d are damaged", s.size+int64(damaged[0][0]), s.size+int64(damaged[len(damaged)-1][1]))
		h.log.Error("part of the hot log is damaged; what is behind it is used", "file", s.path, "damaged", s.damaged)
	}
	s.size += int64(end)
	return nil
}

// readFrom reads a file from an offset to its end.
func readFrom(fl FileLayer, name string, offset int64) ([]byte, error) {
	f, size, err := fl.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b := make([]byte, max(0, size-offset))
	n, err := f.ReadAt(b, offset)
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return b[:n], err
}

// commit writes rows as one durable frame. rows are sorted in place. After an
// error the segment is closed: what stands behind a torn frame would be lost.
func (h *hotStore) commit(rows []hotRow, now int64) (err error) {
	sortRows(rows)
	if h.w == nil {
		if err := h.begin(now); err != nil {
			return err
		}
	}
	s := h.segs[len(h.segs)-1]
	var fresh []int64
	for i := range rows {
		if id := rows[i].tag; i == 0 || rows[i-1].tag != id {
			if s.ids.at(id) == 0 {
				fresh = append(fresh, id)
			}
		}
	}
	h.buf = h.buf[:0]
	if len(fresh) > 0 {
		h.buf = appendFrame(h.buf, frameTags, func(b []byte) []byte {
			for _, id := range fresh {
				path, unit, _ := h.named(id)
				b = tagBody(b, id, path, unit)
			}
			return b
		})
	}
	h.buf = appendFrame(h.buf, frameSamples, func(b []byte) []byte { return samplesBody(b, rows) })
	if _, err = h.w.Write(h.buf); err == nil {
		err = h.w.Sync()
	}
	if err != nil {
		h.seal()
		return err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, id := range fresh {
		s.ids.set(id, id+1)
	}
	for i := range rows {
		s.add(&rows[i])
	}
	s.size += int64(len(h.buf))
	return nil
}

// begin starts another segment.
func (h *hotStore) begin(now int64) error {
	s := newSegment(h.next+1, h.file(h.next+1))
	w, err := h.fl.Create(s.path)
	if err != nil && h.aside(s.path, err) == nil { // something stood in its place
		w, err = h.fl.Create(s.path)
	}
	if err != nil {
		return err
	}
	if _, err = w.Write([]byte(segmentMagic)); err == nil {
		err = w.Sync()
	}
	if err == nil {
		err = h.fl.SyncDir(h.dir)
	}
	if err != nil {
		w.Close()
		return err
	}
	s.opened, s.size = now, int64(len(segmentMagic))
	h.mu.Lock()
	h.next++
	h.segs, h.w = append(h.segs, s), w
	h.mu.Unlock()
	return nil
}

// seal ends the segment that is written to.
func (h *hotStore) seal() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.w != nil {
		h.w.Close()
		h.w = nil
	}
}

// full reports whether the segment that is written to has enough, or is so old.
func (h *hotStore) full(opened int64) bool {
	h.mu.RLock()
	defer h.mu.RUnlock()
	if h.w == nil {
		return false
	}
	s := h.segs[len(h.segs)-1]
	return s.samples >= segmentSamples || s.opened <= opened
}

// sealed lists the segments that nothing is added to.
func (h *hotStore) sealed() []*segment {
	h.mu.RLock()
	defer h.mu.RUnlock()
	n := len(h.segs)
	if h.w != nil {
		n--
	}
	return slices.Clone(h.segs[:n])
}

// drop removes a segment whose samples are in Parquet files.
func (h *hotStore) drop(s *segment) error {
	if err := h.fl.Remove(s.path); err != nil {
		return err
	}
	h.mu.Lock()
	h.segs = slices.DeleteFunc(slices.Clone(h.segs), func(o *segment) bool { return o == s })
	h.mu.Unlock()
	return nil
}

// read returns the samples of one tag with from <= time < to, in order of
// arrival.
func (h *hotStore) read(tag, from, to int64) (out series) {
	h.mu.RLock()
	defer h.mu.RUnlock()
	for _, s := range h.segs {
		if c := s.chunks.at(tag); c != nil {
			c.read(from, to, &out)
		}
	}
	return out
}

// after returns the samples of the first frames behind a place in the log, and
// the place behind them.
func (h *hotStore) after(n uint64, offset int64) (rows []hotRow, _ uint64, _ int64, err error) {
	h.mu.RLock()
	defer h.mu.RUnlock()
	for _, s := range h.segs {
		if s.n < n || s.n == n && s.size <= offset {
			continue
		}
		from := max(offset, int64(len(segmentMagic)))
		if s.n > n {
			from = int64(len(segmentMagic))
		}
		f, _, err := h.fl.Open(s.path)
		if err != nil {
			return nil, 0, 0, err
		}
		defer f.Close()
		for size := int64(256 << 10); ; size *= 4 {
			b := make([]byte, min(size, s.size-from))
			if _, err := f.ReadAt(b, from); err != nil && !errors.Is(err, io.EOF) {
				return nil, 0, 0, err
			}
			end, _, err := walkFrames(b, func(frame []byte, _, _ int) error {
				if frame[3] != frameSamples {
					return nil
				}
				return decodeFrame(frame, func(r hotRow) {
					if id := s.ids.at(r.tag); id > 0 {
						r.tag = id - 1
						rows = append(rows, r)
					}
				})
			})
			if err != nil || len(rows) > 0 {
				return rows, s.n, from + int64(end), err
			}
			if int64(len(b)) == s.size-from { // nothing good to the end
				n, offset = s.n, s.size
				break
			}
		}
	}
	return nil, n, offset, nil
}

// extent says how many samples of a tag there are, and their first and last
// time.
func (h *hotStore) extent(tag int64) (n int, first, last int64) {
	first, last = math.MaxInt64, math.MinInt64
	h.mu.RLock()
	defer h.mu.RUnlock()
	for _, s := range h.segs {
		if c := s.chunks.at(tag); c != nil {
			n += c.samples
			first, last = min(first, c.min), max(last, c.max)
		}
	}
	return n, first, last
}

// damaged lists what could not be read of the log.
func (h *hotStore) damaged() (out []Damage) {
	h.mu.RLock()
	defer h.mu.RUnlock()
	for _, s := range h.segs {
		if s.damaged != "" {
			out = append(out, Damage{File: s.path, From: time.Unix(0, s.min).UTC(), To: time.Unix(0, s.max).UTC(), Problem: s.damaged})
		}
	}
	return out
}

// samples counts all.
func (h *hotStore) samples() (n int64) {
	h.mu.RLock()
	defer h.mu.RUnlock()
	for _, s := range h.segs {
		n += int64(s.samples)
	}
	return n
}

// move writes the samples of sealed segments as one file a UTC day and drops
// the segments. A crash in between leaves samples in both places, which reads
// merge and the next move settles: the file says which segment it is of.
func (a *Archive) move() error {
	for _, s := range a.hot.sealed() {
		for day := floorTo(s.min, nsDay); day <= s.max; day += nsDay {
			if err := errors.Join(a.moveDay(s, day, true), a.moveDay(s, day, false)); err != nil {
				return err
			}
		}
		if err := a.forwarding.leaves(s); err != nil {
			return err
		}
		if err := a.hot.drop(s); err != nil {
			return err
		}
	}
	return nil
}

func (a *Archive) moveDay(s *segment, day int64, decimal bool) error {
	end := day + nsDay
	there := a.cold.list(kindRaw, day, end)
	for _, f := range there {
		if f.head.Segment == s.n && f.head.Decimal == decimal && floorTo(f.head.From, nsDay) == day {
			return nil // before a crash
		}
	}
	var tags []*tagEntry
	a.mu.Lock()
	for id, c := range s.chunks {
		if c != nil && (c.decimals < exactDecimals) == decimal {
			tags = append(tags, a.byID[id])
		}
	}
	a.mu.Unlock()
	slices.SortFunc(tags, func(x, y *tagEntry) int { return cmp.Or(cmp.Compare(x.path, y.path), cmp.Compare(x.unit, y.unit)) })
	head := rawHead(decimal)
	head.Segment = s.n
	_, err := a.cold.add(kindRaw, head, nil, fillRaw(func(put func(*taggedSeries) error) error {
		var ts taggedSeries
		for _, e := range tags {
			ts.path, ts.unit, ts.decimals = e.path, e.unit, s.chunks[e.id].decimals
			ts.cut(0)
			s.chunks[e.id].read(day, end, &ts.series)
			ts.tidy()
			if err := put(&ts); err != nil {
				return err
			}
		}
		return nil
	}))
	return err
}
