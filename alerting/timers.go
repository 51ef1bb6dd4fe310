package alerting

import "time"

// timerHeap keeps the earliest timer of each owner (an alarm or a first-up
// group) with the next one due on top; owners due at the same time come in
// order of their number. It is a plain binary heap, written out because
// container/heap would allocate on every change.
type timerHeap struct {
	heap []int       // owners
	at   []int       // place of each owner in heap, -1 if it has no timer
	due  []time.Time // by owner
}

func (h *timerHeap) resize(n int) {
	h.heap = make([]int, 0, n)
	h.at = make([]int, n)
	h.due = make([]time.Time, n)
	for i := range h.at {
		h.at[i] = -1
	}
}

func (h *timerHeap) first() (owner int, due time.Time, ok bool) {
	if len(h.heap) == 0 {
		return 0, time.Time{}, false
	}
	owner = h.heap[0]
	return owner, h.due[owner], true
}

// set gives an owner a timer, or takes it away with the zero time.
func (h *timerHeap) set(owner int, due time.Time) {
	place := h.at[owner]
	switch {
	case due.IsZero() && place < 0:
	case due.IsZero():
		last := len(h.heap) - 1
		h.swap(place, last)
		h.heap = h.heap[:last]
		h.at[owner] = -1
		if place < last {
			h.fix(place)
		}
	case place < 0:
		h.due[owner] = due
		h.heap = append(h.heap, owner)
		h.at[owner] = len(h.heap) - 1
		h.fix(len(h.heap) - 1)
	case !h.due[owner].Equal(due):
		h.due[owner] = due
		h.fix(place)
	}
}

func (h *timerHeap) before(i, j int) bool {
	a, b := h.heap[i], h.heap[j]
	if h.due[a].Equal(h.due[b]) {
		return a < b
	}
	return h.due[a].Before(h.due[b])
}

func (h *timerHeap) swap(i, j int) {
	h.heap[i], h.heap[j] = h.heap[j], h.heap[i]
	h.at[h.heap[i]], h.at[h.heap[j]] = i, j
}

func (h *timerHeap) fix(i int) {
	for i > 0 && h.before(i, (i-1)/2) {
		h.swap(i, (i-1)/2)
		i = (i - 1) / 2
	}
	for {
		least := i
		for _, child := range [2]int{2*i + 1, 2*i + 2} {
			if child < len(h.heap) && h.before(child, least) {
				least = child
			}
		}
		if least == i {
			return
		}
		h.swap(i, least)
		i = least
	}
}
