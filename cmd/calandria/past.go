package main

import (
	"context"
	"iter"
	"time"

	"calandria/engine"
	"calandria/historian"
	"calandria/plant"
)

// past is the archive as the engine replays it.
type past struct{ ar *historian.Archive }

var _ engine.Past = past{}

// Last implements engine.Past.
func (p past) Last(ctx context.Context, path string, before time.Time) (plant.Point, bool, error) {
	newest, ok, err := p.ar.Last(ctx, path)
	if err != nil || !ok || newest.Time.Before(before) {
		return newest, ok, err
	}
	for _, back := range []time.Duration{time.Hour, 24 * time.Hour, 31 * 24 * time.Hour} {
		var last plant.Point
		for v, err := range p.ar.Query(ctx, path, before.Add(-back), before) {
			if err != nil {
				return last, false, err
			}
			last, ok = v.Point, true
		}
		if !last.Time.IsZero() {
			return last, true, nil
		}
	}
	return plant.Point{}, false, nil
}

// Merged implements engine.Past.
func (p past) Merged(ctx context.Context, paths []string, from, to time.Time, f func([]plant.Sample) error) error {
	m := newMerge(ctx, p.ar, paths, from, to)
	defer m.stop()
	block := make([]plant.Sample, 0, 4096)
	for {
		s, ok, err := m.next()
		if err != nil {
			return err
		}
		if ok {
			block = append(block, s)
		}
		if len(block) == cap(block) || !ok && len(block) > 0 {
			if err := f(block); err != nil {
				return err
			}
			block = block[:0]
		}
		if !ok {
			return ctx.Err()
		}
	}
}

// merge gives the archived samples of several tags in order of time.
type merge struct {
	heads []head
	heap  []int // indexes of heads, a binary heap by time
}

type head struct {
	tag  plant.TagID
	next func() (historian.Value, error, bool)
	stop func()
	cur  plant.Point
}

func newMerge(ctx context.Context, ar *historian.Archive, paths []string, from, to time.Time) *merge {
	m := &merge{}
	for i, path := range paths {
		next, stop := iter.Pull2(inParts(ctx, ar, path, from, to))
		m.heads = append(m.heads, head{tag: plant.TagID(i), next: next, stop: stop})
	}
	return m
}

// inParts reads a tag half a day at a time, so that memory stays bounded
// however long the time and dense the samples.
func inParts(ctx context.Context, ar *historian.Archive, path string, from, to time.Time) iter.Seq2[historian.Value, error] {
	const part = 12 * time.Hour
	return func(yield func(historian.Value, error) bool) {
		for at := from; at.Before(to); at = at.Add(part) {
			end := at.Add(part)
			if end.After(to) {
				end = to
			}
			for v, err := range ar.Query(ctx, path, at, end) {
				if !yield(v, err) || err != nil {
					return
				}
			}
		}
	}
}

// next returns the next sample.
func (m *merge) next() (plant.Sample, bool, error) {
	if m.heap == nil {
		m.heap = make([]int, 0, len(m.heads))
		for i := range m.heads {
			if ok, err := m.advance(i); err != nil {
				return plant.Sample{}, false, err
			} else if ok {
				m.heap = append(m.heap, i)
				m.up(len(m.heap) - 1)
			}
		}
	}
	if len(m.heap) == 0 {
		return plant.Sample{}, false, nil
	}
	i := m.heap[0]
	s := plant.Sample{Tag: m.heads[i].tag, Point: m.heads[i].cur}
	ok, err := m.advance(i)
	if err != nil {
		return s, false, err
	}
	if !ok {
		last := len(m.heap) - 1
		m.heap[0] = m.heap[last]
		m.heap = m.heap[:last]
	}
	m.down(0)
	return s, true, nil
}

func (m *merge) advance(i int) (bool, error) {
	v, err, ok := m.heads[i].next()
	if err != nil {
		return false, err
	}
	m.heads[i].cur = v.Point
	return ok, nil
}

func (m *merge) less(a, b int) bool {
	x, y := &m.heads[m.heap[a]], &m.heads[m.heap[b]]
	if c := x.cur.Time.Compare(y.cur.Time); c != 0 {
		return c < 0
	}
	return x.tag < y.tag
}

func (m *merge) up(i int) {
	for i > 0 {
		p := (i - 1) / 2
		if !m.less(i, p) {
			return
		}
		m.heap[i], m.heap[p] = m.heap[p], m.heap[i]
		i = p
	}
}

func (m *merge) down(i int) {
	for {
		c := 2*i + 1
		if c >= len(m.heap) {
			return
		}
		if c+1 < len(m.heap) && m.less(c+1, c) {
			c++
		}
		if !m.less(c, i) {
			return
		}
		m.heap[i], m.heap[c] = m.heap[c], m.heap[i]
		i = c
	}
}

func (m *merge) stop() {
	for i := range m.heads {
		m.heads[i].stop()
	}
}
