package console

import "sync"

// seats are the places of live pages. While there are free ones everybody gets
// one. When all are taken a newcomer gets the oldest of the station that has the
// most, if it has at least two more than the newcomer's.
type seats struct {
	mu    sync.Mutex
	most  int
	taken []*seat // oldest first
}

type seat struct {
	station string
	gone    chan struct{} // closed when it goes to another station
}

// take gives a seat; nil if there is none.
func (s *seats) take(station string) *seat {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.taken) >= s.most {
		n, oldest := map[string]int{}, -1
		for _, x := range s.taken {
			n[x.station]++
		}
		for i, x := range s.taken {
			if n[x.station] > n[station]+1 && (oldest < 0 || n[x.station] > n[s.taken[oldest].station]) {
				oldest = i
			}
		}
		if oldest < 0 {
			return nil
		}
		close(s.taken[oldest].gone)
		s.taken = append(s.taken[:oldest], s.taken[oldest+1:]...)
	}
	x := &seat{station, make(chan struct{})}
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
