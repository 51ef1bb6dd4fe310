package historian

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"slices"
	"time"

	"calandria/plant"
)

// A segment is a file of the hot log, docs/formats/log.md describes it: the line
// segmentMagic, then frames, two at most for each commit. A frame is
//
//	"CLF" | kind, 1 byte | length of the body, 4 bytes | CRC-32C of kind, length and body, 4 bytes | body
//
// A frame of kind 2 names tags: for each its number, path and unit. One of kind 1
// holds samples: the base time (ns since 1970, zigzag), then for each tag the
// distance of its number from the tag before, its samples times 16 plus the
// decimals of its values, and the samples. Numbers are varints, text has its
// length in front. A sample is what coder makes of it.

const (
	segmentMagic = "calandria segment 1\n"
	frameMagic   = "CLF"
	frameHead    = 12
	maxFrame     = 64 << 20
	maxTags      = 4 << 20 // numbers of tags are below

	frameSamples = 1
	frameTags    = 2
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// exactDecimals says that the values of a tag have no step: they are kept as
// float64. Others are whole numbers of 10^-decimals.
const exactDecimals = 15

// decimalsOf is the fewest decimals whose step is not above the resolution.
func decimalsOf(resolution float64) int {
	if resolution <= 0 {
		return exactDecimals
	}
	return min(max(int(math.Ceil(-math.Log10(resolution)-1e-9)), 0), exactDecimals-1)
}

var powersOf10 = func() (p [exactDecimals]float64) {
	for i := range p {
		p[i] = math.Pow10(i)
	}
	return p
}()

// roundTo rounds to a number of decimals: to the float64 next to that decimal
// number. What is too big to have that many decimals stays as it is.
func roundTo(v float64, decimals int) float64 {
	if decimals >= exactDecimals {
		return v
	}
	n := math.Round(v * powersOf10[decimals])
	if math.Abs(n) >= 1<<53 {
		return v
	}
	return n / powersOf10[decimals]
}

// coder writes and reads samples of one tag, each against the one before. A
// sample is a varint of the zigzag distance in time, whole ms, times 8 plus
// flags; with flagNano the ns beyond; the distance of the value: zigzag of whole
// steps, or with flagRaw the bits of the float64 exclusive-or those of the raw
// value before; with flagStatus the status code, which otherwise is that of the
// sample before.
type coder struct {
	decimals int
	t        int64
	n        int64
	bits     uint64
	status   uint32
}

const (
	flagStatus = 1
	flagRaw    = 2
	flagNano   = 4
)

func zigzag(v int64) uint64   { return uint64(v)<<1 ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

func (c *coder) put(b []byte, t int64, v float64, status uint32) []byte {
	dt, flags := floorTo(t-c.t, 1e6), uint64(0)
	nano := t - c.t - dt
	if nano != 0 {
		flags |= flagNano
	}
	n, whole := int64(0), false
	if c.decimals < exactDecimals {
		if f := math.Round(v * powersOf10[c.decimals]); math.Abs(f) < 1<<53 && f/powersOf10[c.decimals] == v {
			n, whole = int64(f), true
		}
	}
	if !whole {
		flags |= flagRaw
	}
	if status != c.status {
		flags |= flagStatus
	}
	b = binary.AppendUvarint(b, zigzag(dt/1e6)<<3|flags)
	if nano != 0 {
		b = binary.AppendUvarint(b, uint64(nano))
	}
	if whole {
		b = binary.AppendUvarint(b, zigzag(n-c.n))
		c.n = n
	} else {
		bits := math.Float64bits(v)
		b = binary.AppendUvarint(b, bits^c.bits)
		c.bits = bits
	}
	if flags&flagStatus != 0 {
		b = binary.AppendUvarint(b, uint64(status))
	}
	c.t, c.status = t, status
	return b
}

var errFrame = errors.New("the frame makes no sense")

// reader takes varints off a slice; bad when it runs out.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) next() uint64 {
	if len(r.b) > 0 && r.b[0] < 0x80 {
		u := uint64(r.b[0])
		r.b = r.b[1:]
		return u
	}
	u, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.bad, r.b = true, nil
		return 0
	}
	r.b = r.b[n:]
	return u
}

func (c *coder) get(r *reader) (t int64, v float64, status uint32) {
	head := r.next()
	c.t += unzigzag(head>>3) * 1e6
	if head&flagNano != 0 {
		c.t += int64(r.next())
	}
	if head&flagRaw != 0 {
		c.bits ^= r.next()
		v = math.Float64frombits(c.bits)
	} else {
		c.n += unzigzag(r.next())
		v = float64(c.n) / powersOf10[min(c.decimals, exactDecimals-1)]
	}
	if head&flagStatus != 0 {
		c.status = uint32(r.next())
	}
	return c.t, v, c.status
}

// appendFrame writes a frame; fill appends its body.
func appendFrame(b []byte, kind byte, fill func([]byte) []byte) []byte {
	at := len(b)
	b = append(append(b, frameMagic...), kind, 0, 0, 0, 0, 0, 0, 0, 0)
	b = fill(b)
	binary.BigEndian.PutUint32(b[at+4:], uint32(len(b)-at-frameHead))
	binary.BigEndian.PutUint32(b[at+8:], frameSum(b[at:]))
	return b
}

func frameSum(frame []byte) uint32 {
	return crc32.Update(crc32.Checksum(frame[3:8], castagnoli), castagnoli, frame[frameHead:])
}

// samplesBody writes rows, sorted by tag and, within one, in order of arrival.
func samplesBody(b []byte, rows []hotRow) []byte {
	base := int64(math.MaxInt64)
	for i := range rows {
		base = min(base, rows[i].time)
	}
	base = floorTo(base, int64(time.Millisecond))
	b = binary.AppendVarint(b, base)
	tag := int64(0)
	for i := 0; i < len(rows); {
		j := i + 1
		for j < len(rows) && rows[j].tag == rows[i].tag {
			j++
		}
		b = binary.AppendUvarint(b, uint64(rows[i].tag-tag))
		tag = rows[i].tag
		b = binary.AppendUvarint(b, uint64(j-i)<<4|uint64(rows[i].decimals))
		c := coder{decimals: int(rows[i].decimals), t: base}
		for ; i < j; i++ {
			b = c.put(b, rows[i].time, rows[i].value, rows[i].status)
		}
	}
	return b
}

func tagBody(b []byte, id int64, path, unit string) []byte {
	b = binary.AppendUvarint(b, uint64(id))
	b = append(binary.AppendUvarint(b, uint64(len(path))), path...)
	return append(binary.AppendUvarint(b, uint64(len(unit))), unit...)
}

// decodeTags hands out the tags that a frame names.
func decodeTags(frame []byte, f func(id int64, path, unit string)) error {
	r := reader{b: frame[frameHead:]}
	text := func() string {
		n := r.next()
		if n > uint64(len(r.b)) {
			r.bad, r.b = true, nil
			return ""
		}
		s := string(r.b[:n])
		r.b = r.b[n:]
		return s
	}
	for len(r.b) > 0 {
		id := int64(r.next())
		path := text()
		unit := text()
		if r.bad || id < 0 || id >= maxTags {
			return errFrame
		}
		f(id, path, unit)
	}
	return nil
}

// frameAt is the frame at the start of b; false if there is none that is whole
// and right.
func frameAt(b []byte) (frame []byte, ok bool) {
	if len(b) < frameHead || string(b[:3]) != frameMagic {
		return nil, false
	}
	n := int(binary.BigEndian.Uint32(b[4:]))
	if n > maxFrame || n > len(b)-frameHead {
		return nil, false
	}
	frame = b[:frameHead+n]
	return frame, frameSum(frame) == binary.BigEndian.Uint32(b[8:])
}

// decodeFrame hands out the samples of a frame.
func decodeFrame(frame []byte, f func(hotRow)) error {
	r := reader{b: frame[frameHead:]}
	base := unzigzag(r.next())
	tag := int64(0)
	for len(r.b) > 0 {
		tag += int64(r.next())
		head := r.next()
		c := coder{decimals: int(head & 15), t: base}
		for range head >> 4 {
			t, v, st := c.get(&r)
			if r.bad {
				return errFrame
			}
			f(hotRow{tag: tag, decimals: uint8(c.decimals), time: t, value: v, status: st})
		}
	}
	if r.bad {
		return errFrame
	}
	return nil
}

// walkFrames hands out the good frames of a segment, with where each begins and
// ends. It returns where the last good one ends, and the
// stretches of bytes before it that are damaged. What comes behind the last good
// frame is a torn tail: a commit that was never confirmed. The first line of the
// file has to be cut off before.
func walkFrames(b []byte, f func(frame []byte, from, to int) error) (end int, damaged [][2]int, err error) {
	for at := 0; at < len(b); {
		frame, ok := frameAt(b[at:])
		if !ok {
			i := bytes.Index(b[at+1:], []byte(frameMagic))
			if i < 0 {
				break
			}
			at += 1 + i
			continue
		}
		if at > end {
			damaged = append(damaged, [2]int{end, at})
		}
		end = at + len(frame)
		if err := f(frame, at, end); err != nil {
			return end, damaged, err
		}
		at = end
	}
	return end, damaged, nil
}

// chunk is the samples of one tag in one segment, encoded, in order of arrival.
type chunk struct {
	coder
	buf      []byte
	samples  int
	min, max int64
}

func newChunk(decimals int) *chunk {
	return &chunk{coder: coder{decimals: decimals}, min: math.MaxInt64, max: math.MinInt64}
}

func (c *chunk) add(r *hotRow) {
	c.buf = c.coder.put(c.buf, r.time, r.value, r.status)
	c.samples++
	c.min, c.max = min(c.min, r.time), max(c.max, r.time)
}

// read appends the samples with from <= time < to.
func (c *chunk) read(from, to int64, out *series) {
	if c.samples == 0 || c.max < from || c.min >= to {
		return
	}
	if c.min >= from && c.max < to {
		out.grow(c.samples)
	}
	r := reader{b: c.buf}
	d := coder{decimals: c.decimals}
	for range c.samples {
		if t, v, st := d.get(&r); t >= from && t < to {
			out.add(t, v, st)
		}
	}
}

func stampOf(ns int64) string { return time.Unix(0, ns).UTC().Format("2006-01-02T15:04:05.000000000Z") }

// DumpSegment prints a segment for a person: a line for each frame, and with
// samples set one for each tag and sample.
func DumpSegment(w io.Writer, data []byte, samples bool) error {
	names := map[int64]string{}
	if !bytes.HasPrefix(data, []byte(segmentMagic)) {
		return fmt.Errorf("not a segment: it does not begin with %q", segmentMagic)
	}
	data = data[len(segmentMagic):]
	fmt.Fprintf(w, "%s(bytes are counted behind this line)\n", segmentMagic)
	end, damaged, err := walkFrames(data, func(frame []byte, from, to int) error {
		if frame[3] == frameTags {
			before := len(names)
			err := decodeTags(frame, func(id int64, path, unit string) {
				names[id] = path
				if samples {
					fmt.Fprintf(w, "  tag %d is %s, in %q\n", id, path, unit)
				}
			})
			fmt.Fprintf(w, "bytes %d to %d name %d tags\n", from, to, len(names)-before)
			return err
		}
		var rows []hotRow
		if err := decodeFrame(frame, func(r hotRow) { rows = append(rows, r) }); err != nil {
			return err
		}
		lo, hi := int64(math.MaxInt64), int64(math.MinInt64)
		for _, r := range rows {
			lo, hi = min(lo, r.time), max(hi, r.time)
		}
		fmt.Fprintf(w, "bytes %d to %d hold %d samples from %s to %s\n", from, to, len(rows), stampOf(lo), stampOf(hi))
		for _, r := range rows {
			if samples {
				fmt.Fprintf(w, "  %s %s %v %v\n", stampOf(r.time), names[r.tag], r.value, plant.QualityOf(r.status))
			}
		}
		return nil
	})
	for _, d := range damaged {
		fmt.Fprintf(w, "bytes %d to %d are DAMAGED\n", d[0], d[1])
	}
	if end < len(data) {
		fmt.Fprintf(w, "bytes %d to %d are a torn tail: a commit that was never confirmed\n", end, len(data))
	}
	return err
}

// sortRows brings rows into the order of appendFrame.
func sortRows(rows []hotRow) {
	slices.SortStableFunc(rows, func(a, b hotRow) int { return int(a.tag - b.tag) })
}
