package plant

import (
	"math"
	"time"
)

// TagID is the place of a tag in [House.Tags] and of its point in a [Frame].
type TagID int

// NoTag is the ID of a tag that is not there.
const NoTag TagID = -1

// Point is one value of one tag: when, what, how good. Value is meaningless
// (and by convention NaN) while Quality is Bad.
type Point struct {
	Time    time.Time // source time by our own clock, UTC
	Value   float64   // in the tag's unit
	Quality Quality   // zero: no data yet
}

// Flag is the value of a signal of dimension [State]: 1 on, 0 off.
func Flag(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

// SameWithin is the share by which a gauge reading that stands still may change because
// the air pressure was put on it and taken off again.
const SameWithin = 1e-9

// Usable reports whether the value may be computed with.
func (p Point) Usable() bool { return p.Quality.Usable() && !math.IsNaN(p.Value) }

// BadPoint is a point without a value, for the reason q.
func BadPoint(t time.Time, q Quality) Point {
	return Point{Time: t, Value: math.NaN(), Quality: q}
}

// Sample is a point together with its tag: what collectors deliver and the
// archive keeps.
type Sample struct {
	Tag   TagID
	Point Point
	// Offset is the source's own time less Point.Time: not 0 where the source's
	// clock is wrong and the point stands at the time of our own.
	Offset time.Duration
}

// Record is a point under the path of its tag: what goes into the archive.
type Record struct {
	Path  string
	Point Point
}

// Frame is the latest point of every tag at one moment. Only its owner
// changes it; others get copies.
type Frame struct {
	At     time.Time
	Points []Point // indexed by TagID
}

// NewFrame makes an empty frame for n tags; every point has no data.
func NewFrame(n int) *Frame { return &Frame{Points: make([]Point, n)} }

// Point returns the latest point of a tag, and one without data for an ID the
// frame does not have ([NoTag] included).
func (f *Frame) Point(id TagID) Point {
	if id < 0 || int(id) >= len(f.Points) {
		return Point{}
	}
	return f.Points[id]
}

// Clone returns an independent copy.
func (f *Frame) Clone() *Frame {
	return &Frame{At: f.At, Points: append([]Point(nil), f.Points...)}
}
