package console

import (
	"context"
	"fmt"
	"math"
	"strings"
	"sync"
	"time"

	"calandria/plant"
	"calandria/thermo/pan"
)

const (
	tailSpan   = 10 * time.Minute
	tailPoints = 30
	tailFresh  = 10 * time.Second // a tail is read again after this
	tailsKept  = 4000             // then the cache starts anew

	strikeFresh = time.Minute // hours of a strike change slowly
)

// tailCache keeps short stretches of history between repaints, so that ten
// open pages ask the archive no more than one does.
type tailCache struct {
	mu    sync.Mutex
	tails map[string]tail
}

type tail struct {
	read    time.Time
	buckets []plant.Bucket
}

func (c *tailCache) get(key string, now time.Time, fresh time.Duration) ([]plant.Bucket, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	t, ok := c.tails[key]
	return t.buckets, ok && now.Sub(t.read) < fresh
}

func (c *tailCache) put(key string, now time.Time, b []plant.Bucket) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.tails == nil || len(c.tails) > tailsKept {
		c.tails = map[string]tail{}
	}
	c.tails[key] = tail{read: now, buckets: b}
}

// history reads a stretch through the cache. An archive that does not answer
// leaves the line out; the value itself does not depend on it.
func (s *Server) history(ctx context.Context, key, path string, from, to time.Time, points int, fresh time.Duration) []plant.Bucket {
	if b, ok := s.tails.get(key, to, fresh); ok {
		return b
	}
	series, err := s.trend(ctx, path, from, to, points)
	read := to
	if err != nil {
		s.log.Debug("console: tail", "tag", path, "err", err)
		read = to.Add(min(fresh, tailFresh) - fresh) // try again soon
	}
	s.tails.put(key, read, series)
	return series
}

// strikeTrace is the supersaturation of a running strike: as the program that
// follows the strike keeps it, else from the archive.
func (s *Server) strikeTrace(ctx context.Context, st ribbon, path string, now time.Time) []plant.Bucket {
	if len(st.Profile) > 0 {
		return traceOf(st.Profile)
	}
	from := st.Started
	if _, ok := s.b.House().Find(path); !ok || !now.After(from) {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	return s.history(ctx, "strike "+path, path, from, now, 120, strikeFresh)
}

// traceOf is the supersaturation of a profile.
func traceOf(profile []pan.ProfilePoint) []plant.Bucket {
	var out []plant.Bucket
	for _, p := range profile {
		if v := p.Supersaturation; v.OK {
			out = append(out, plant.Bucket{Start: p.At, Min: v.Value, Max: v.Value, Mean: v.Value})
		}
	}
	return out
}

// addTails puts the last ten minutes behind each reading of a page.
func (s *Server) addTails(ctx context.Context, groups []readingGroup, now time.Time) {
	ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
	defer cancel()
	for i := range groups {
		for j := range groups[i].Readings {
			r := &groups[i].Readings[j]
			t, ok := s.b.House().Find(r.Path)
			if !ok || t.Dimension == plant.State {
				continue
			}
			b := s.history(ctx, "tail "+r.Path, r.Path, now.Add(-tailSpan), now, tailPoints, tailFresh)
			low, high, ok := extent(b)
			if !ok {
				continue
			}
			r.Tail = tailLine(b, now, low, high)
			r.TailMin, r.TailMax = s.extremes(t, low, high)
		}
	}
}

// extent is the smallest and the largest of what buckets hold; false if there is no
// line to draw.
func extent(b []plant.Bucket) (low, high float64, ok bool) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, x := range b {
		if !math.IsNaN(x.Mean) {
			low, high = math.Min(low, x.Min), math.Max(high, x.Max)
		}
	}
	return low, high, len(b) >= 2 && !math.IsInf(low, 0) && !math.IsInf(high, 0)
}

// polyline is the means of buckets as points of a line, over the width of a span.
func polyline(b []plant.Bucket, from time.Time, span time.Duration, width float64, y func(float64) float64) string {
	var sb strings.Builder
	for _, x := range b {
		if !math.IsNaN(x.Mean) {
			px := float64(x.Start.Sub(from)) / float64(span) * width
			fmt.Fprintf(&sb, "%s,%s ", fmtCoord(math.Max(0, math.Min(width, px))), fmtCoord(y(x.Mean)))
		}
	}
	return strings.TrimSpace(sb.String())
}

// tailLine draws buckets into a box of 100 by 20.
func tailLine(b []plant.Bucket, now time.Time, low, high float64) string {
	return polyline(b, now.Add(-tailSpan), tailSpan, 100, func(v float64) float64 {
		if high > low {
			return 18 - (v-low)/(high-low)*16
		}
		return 10
	})
}
