package historian

import (
	"math"
	"slices"
	"sort"
)

// series is samples of one tag as columns: time in ns since 1970 UTC, value
// (NaN: none), status code.
type series struct {
	time   []int64
	value  []float64
	status []uint32
}

func (s *series) add(t int64, v float64, status uint32) {
	s.time = append(s.time, t)
	s.value = append(s.value, v)
	s.status = append(s.status, status)
}

func (s *series) grow(n int) {
	s.time, s.value, s.status = slices.Grow(s.time, n), slices.Grow(s.value, n), slices.Grow(s.status, n)
}

func (s *series) cut(n int) {
	s.time, s.value, s.status = s.time[:n], s.value[:n], s.status[:n]
}

func (s *series) len() int { return len(s.time) }

func (s *series) appendSeries(o series) {
	s.time = append(s.time, o.time...)
	s.value = append(s.value, o.value...)
	s.status = append(s.status, o.status...)
}

func (s series) slice(i, j int) series {
	return series{s.time[i:j], s.value[i:j], s.status[i:j]}
}

// ordered reports whether times rise strictly: nothing to sort or merge.
func (s *series) ordered() bool {
	for i := 1; i < len(s.time); i++ {
		if s.time[i] <= s.time[i-1] {
			return false
		}
	}
	return true
}

// tidy sorts by time, keeping the order of arrival within one time, and makes
// one sample of several that are the same; the first arrival keeps its place.
func (s *series) tidy() {
	if s.ordered() {
		return
	}
	sort.Stable((*byTime)(s))
	n := 0
next:
	for i := range s.time {
		for j := n - 1; j >= 0 && s.time[j] == s.time[i]; j-- {
			if s.status[j] == s.status[i] && math.Float64bits(s.value[j]) == math.Float64bits(s.value[i]) {
				continue next
			}
		}
		s.time[n], s.value[n], s.status[n] = s.time[i], s.value[i], s.status[i]
		n++
	}
	s.cut(n)
}

// extraData marks a sample whose time has other samples: InfoType DataValue
// and the ExtraData bit (OPC 10000-4, 7.39).
const extraData = 0x0400 | 0x08

// primaries keeps of each time only the last arrival, marked with extraData
// if there were others. The series must be tidy.
func (s *series) primaries() {
	if s.ordered() {
		return
	}
	n := 0
	for i := range s.time {
		if n > 0 && s.time[n-1] == s.time[i] {
			n--
			s.status[i] |= extraData
		}
		s.time[n], s.value[n], s.status[n] = s.time[i], s.value[i], s.status[i]
		n++
	}
	s.cut(n)
}

type byTime series

func (b *byTime) Len() int           { return len(b.time) }
func (b *byTime) Less(i, j int) bool { return b.time[i] < b.time[j] }
func (b *byTime) Swap(i, j int) {
	b.time[i], b.time[j] = b.time[j], b.time[i]
	b.value[i], b.value[j] = b.value[j], b.value[i]
	b.status[i], b.status[j] = b.status[j], b.status[i]
}

// within gives the samples from lo to hi that have from <= time < to.
func (s *series) within(from, to int64) (lo, hi int) {
	lo, _ = slices.BinarySearch(s.time, from)
	hi, _ = slices.BinarySearch(s.time, to)
	return lo, hi
}
