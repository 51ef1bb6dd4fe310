package engine

import (
	"context"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"calandria/plant"
	"calandria/rules"
)

// RunBacktest replays the archive through rule files and, where they are given,
// through those in use beside them; tried may be empty, then only these are taken.
// Nothing is written.
//
// One goroutine reads the archive and works out the quantities, which no rule
// can change; each set of rules follows in its own.
func RunBacktest(ctx context.Context, h *plant.House, inUse, tried []rules.File, past Past, from, to time.Time, step time.Duration) (*Backtest, error) {
	sets := [][]rules.File{inUse}
	if len(tried) > 0 {
		sets = [][]rules.File{tried, inUse}
	}
	run, err := Judged(h, sets, past, from, to, step)
	if err != nil {
		return nil, err
	}
	if err := run.Spread(ctx); err != nil {
		return nil, err
	}
	r := run.Judges[0].Result
	r.Samples, r.Scans = run.Samples, run.Scans
	if len(tried) > 0 {
		r.Compare(run.Judges[1].Result)
	}
	return r, nil
}

// Spread is Run with the reader and each judge in a goroutine of its own.
// A stretch goes back to the reader when the last judge is done with it.
func (r *Replay) Spread(ctx context.Context) error {
	type shared struct {
		*stretch
		using atomic.Int32 // judges that still read it
	}
	const underWay = 4
	free := make(chan *shared, underWay)
	for range underWay {
		free <- &shared{stretch: &stretch{}}
	}
	r.begin()
	g, ctx := errgroup.WithContext(ctx)
	var in []chan *shared
	for _, j := range r.Judges {
		to := make(chan *shared, underWay)
		in = append(in, to)
		g.Go(func() error {
			for s := range to {
				j.take(s.stretch)
				if s.using.Add(-1) == 0 {
					free <- s
				}
			}
			j.end()
			return nil
		})
	}
	g.Go(func() error {
		defer func() {
			for _, to := range in {
				close(to)
			}
		}()
		now := <-free
		return r.read(ctx, now.stretch, func(*stretch) (*stretch, error) {
			now.using.Store(int32(len(in)))
			for _, to := range in {
				to <- now
			}
			select {
			case now = <-free:
				return now.stretch, nil
			case <-ctx.Done():
				return nil, ctx.Err()
			}
		})
	})
	return g.Wait()
}
