package main

import (
	"sync"
	"sync/atomic"

	"calandria/console"
	"calandria/plant"
)

// snapshot is the immutable picture that the loop hands to everyone else.
type snapshot struct {
	console.Picture
	house *plant.House
	specs []plant.AlarmSpec // definitions in force
}

// board holds the newest snapshot and tells who waits for it.
type board struct {
	now   atomic.Pointer[snapshot]
	start snapshot // house and definitions until there is a picture

	mu      sync.Mutex
	changed chan struct{}
}

func newBoard(h *plant.House, specs []plant.AlarmSpec) *board {
	return &board{start: snapshot{house: h, specs: specs}, changed: make(chan struct{})}
}

// house is the plant as it is in force: a reload of rules makes another.
func (b *board) house() *plant.House {
	if s := b.latest(); s != nil {
		return s.house
	}
	return b.start.house
}

// specs are the alarm definitions in force.
func (b *board) specs() []plant.AlarmSpec {
	if s := b.latest(); s != nil {
		return s.specs
	}
	return b.start.specs
}

// post puts up a new picture.
func (b *board) post(s *snapshot) {
	b.now.Store(s)
	b.mu.Lock()
	close(b.changed)
	b.changed = make(chan struct{})
	b.mu.Unlock()
}

func (b *board) latest() *snapshot { return b.now.Load() }

// next returns a channel that is closed when there is a newer picture.
func (b *board) next() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.changed
}
