package collector

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"calandria/plant"
)

// A server is read in a process of its own, because what it sends is decoded
// there: see [Remote] and [Serve]. The two talk over pipes in frames: a letter, the
// length of the rest (32 bits, least byte first), and the rest.
//
//	to the reader    s  settings, JSON, once
//	                 a  batches stored up to (64 bits), and our clock (ns, 64 bits)
//	                 q  stop in order
//	                 l  a look, JSON, in place of settings
//	from the reader  b  a batch
//	                 h  a Health, JSON; H if it is a change
//	                 p  how long the look has lasted, JSON; r its answer
//
// The reader has seen what the server sent. So nothing that it says is trusted:
// lengths are bounded, and tags must be those of the server.
const (
	frameSettings, frameStored, frameStop = 's', 'a', 'q'
	frameBatch, frameHealth, frameChange  = 'b', 'h', 'H'
	frameLook, frameProgress, frameAnswer = 'l', 'p', 'r'

	longestFrame = 64 << 20
	// sampleSize is a sample in a batch: tag, time, value, status, offset.
	sampleSize = 4 + 8 + 8 + 4 + 8
	batchHead  = 8 + 8
)

// settings are what a reader needs.
type settings struct {
	Server   plant.ServerConfig
	Tags     []readTag
	DataDir  string
	Queue    int
	Until    time.Time
	Now      int64 // our clock, ns
	Archived map[plant.TagID]archivedAt
}

// readTag is a tag with its limits, which JSON cannot write where there are none.
type readTag struct {
	plant.Tag
	Low, High, Value *float64
}

type archivedAt struct {
	Time   time.Time
	Status uint32
	Offset time.Duration
}

func number64(f float64) *float64 {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return nil
	}
	return &f
}

func (t *readTag) tag() plant.Tag {
	x := t.Tag
	x.Low, x.High, x.Value = math.NaN(), math.NaN(), math.NaN()
	for _, p := range []struct {
		from *float64
		to   *float64
	}{{t.Low, &x.Low}, {t.High, &x.High}, {t.Value, &x.Value}} {
		if p.from != nil {
			*p.to = *p.from
		}
	}
	return x
}

func writeFrame(w *bufio.Writer, kind byte, body []byte) error {
	var head [5]byte
	head[0] = kind
	binary.LittleEndian.PutUint32(head[1:], uint32(len(body)))
	w.Write(head[:])
	w.Write(body)
	return w.Flush()
}

func writeJSON(w *bufio.Writer, kind byte, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return writeFrame(w, kind, body)
}

// readFrame reads the next frame; body is reused where it is long enough.
func readFrame(r *bufio.Reader, body []byte) (kind byte, _ []byte, err error) {
	var head [5]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		return 0, body, err
	}
	n := binary.LittleEndian.Uint32(head[1:])
	if n > longestFrame {
		return 0, body, fmt.Errorf("a frame of %d bytes", n)
	}
	if int(n) > cap(body) {
		body = make([]byte, n)
	}
	body = body[:n]
	_, err = io.ReadFull(r, body)
	return head[0], body, err
}

// appendBatch writes a batch.
func appendBatch(b []byte, x *Batch) []byte {
	b = binary.LittleEndian.AppendUint64(b, x.Number)
	b = binary.LittleEndian.AppendUint64(b, uint64(x.Received.UnixNano()))
	for i := range x.Samples {
		s := &x.Samples[i]
		b = binary.LittleEndian.AppendUint32(b, uint32(s.Tag))
		b = binary.LittleEndian.AppendUint64(b, uint64(s.Point.Time.UnixNano()))
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(s.Point.Value))
		b = binary.LittleEndian.AppendUint32(b, s.Point.Quality.Code())
		b = binary.LittleEndian.AppendUint64(b, uint64(s.Offset))
	}
	return b
}

// readBatch reads one of the tags that known reports.
func readBatch(b []byte, known func(plant.TagID) bool) (Batch, error) {
	var x Batch
	if len(b) < batchHead || (len(b)-batchHead)%sampleSize != 0 {
		return x, errors.New("a batch that is cut")
	}
	x.Number = binary.LittleEndian.Uint64(b)
	x.Received = time.Unix(0, int64(binary.LittleEndian.Uint64(b[8:]))).UTC()
	b = b[batchHead:]
	x.Samples = make([]plant.Sample, len(b)/sampleSize)
	for i := range x.Samples {
		s := &x.Samples[i]
		s.Tag = plant.TagID(binary.LittleEndian.Uint32(b))
		s.Point = plant.Point{Time: time.Unix(0, int64(binary.LittleEndian.Uint64(b[4:]))).UTC(), Value: math.Float64frombits(binary.LittleEndian.Uint64(b[12:])),
			Quality: plant.QualityOf(binary.LittleEndian.Uint32(b[20:]))}
		s.Offset = time.Duration(binary.LittleEndian.Uint64(b[24:]))
		b = b[sampleSize:]
		if !known(s.Tag) {
			return x, fmt.Errorf("a value of tag %d, which is not of this server", s.Tag)
		}
		if !s.Point.Usable() {
			s.Point.Value = math.NaN()
		}
	}
	return x, nil
}
