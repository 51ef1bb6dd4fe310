package console

import (
	"cmp"
	"sync"
)

// seats are the places of live pages. While there are free ones everybody gets
// one. When all are taken a newcomer gets the oldest of the person or station that
// has the most, if it has at least two more than the newcomer's. Who is signed in
// and has none gets one beyond the number.
type seats struct {
	mu    sync.Mutex
	most  int
	taken []*seat // oldest first
}

type seat struct {
	holder string        // the person who is signed in, else the station
	gone   chan struct{} // closed when it goes to another station
}

// take gives a seat; nil if there is none.
func (s *seats) take(station, person string) *seat {
	holder := cmp.Or(person, station)
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.taken) >= s.most {
		n, oldest := map[string]int{}, -1
		for _, x := range s.taken {
			n[x.holder]++
		}
		for i, x := range s.taken {
			if n[x.holder] > n[holder]+1 && (oldest < 0 || n[x.holder] > n[s.taken[oldest].holder]) {
				oldest = i
			}
		}
		switch {
		case oldest >= 0:
			close(s.taken[oldest].gone)
			s.taken = append(s.taken[:oldest], s.taken[oldest+1:]...)
		case person == "" || n[holder] > 0:
			return nil
		}
	}
	x := &seat{holder, make(chan struct{})}
	s.taken = append(s.taken, x)
	return x
}

func (s *seats) leave(x *seat) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, o := range s.taken {
		if o == x {
			s.taken = append(s.taken[:i], s.taken[i+1:]...)
			return
		}
	}
}
