package engine

import (
	"sync"
	"sync/atomic"

	"calandria/plant"
)

// board holds the newest picture and tells who waits for it.
type board struct {
	now   atomic.Pointer[Picture]
	start Picture // house and definitions until there is a picture

	mu      sync.Mutex
	changed chan struct{}
}

// post puts up a new picture.
func (b *board) post(p *Picture) {
	b.now.Store(p)
	b.mu.Lock()
	close(b.changed)
	b.changed = make(chan struct{})
	b.mu.Unlock()
}

// House is the plant as it is in force: a reload of rules makes another.
func (l *Loop) House() *plant.House {
	if p := l.Picture(); p != nil {
		return p.House
	}
	return l.board.start.House
}

// Specs are the alarm definitions in force.
func (l *Loop) Specs() []plant.AlarmSpec {
	if p := l.Picture(); p != nil {
		return p.Specs
	}
	return l.board.start.Specs
}

// Picture is the newest one, nil before the first scan.
func (l *Loop) Picture() *Picture { return l.board.now.Load() }

// Changed returns a channel that is closed when there is a newer picture than
// the one that Picture returns now. Take the channel first, then the picture,
// and none is missed.
func (l *Loop) Changed() <-chan struct{} {
	l.board.mu.Lock()
	defer l.board.mu.Unlock()
	return l.board.changed
}
