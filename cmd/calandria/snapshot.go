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
}

// board holds the newest snapshot and tells who waits for it.
type board struct {
	now atomic.Pointer[snapshot]

	mu      sync.Mutex
	changed chan struct{}
}

func newBoard() *board { return &board{changed: make(chan struct{})} }

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
