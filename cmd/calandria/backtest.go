package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"calandria/engine"
	"calandria/historian"
	"calandria/plant"
	"calandria/rules"
)

type backtestCmd struct {
	ruleSource
	From  string        `help:"Start: a date, a time, or an age such as 30d." default:"7d"`
	To    string        `help:"End, not included; default now."`
	Rules []string      `help:"Rule files to try in place of those of the plant file. Give all files that belong together: a rule may need a derived tag of another file." type:"existingfile"`
	Step  time.Duration `help:"Time between scans." default:"10s"`
	Data  string        `help:"The data folder." default:"data" type:"path"`
}

func (c *backtestCmd) Run(a *app) error {
	from, to, err := parseSpan(c.From, c.To, time.UTC)
	if err != nil {
		return err
	}
	if c.Step < 100*time.Millisecond {
		return fmt.Errorf("--step %s: give 100ms or more", c.Step)
	}
	_, _, ar, err := c.open(c.Data)
	if err != nil {
		return err
	}
	defer ar.Close()
	var tried []rules.File
	for _, n := range c.Rules {
		data, err := readConfig(n)
		if err != nil {
			return err
		}
		tried = append(tried, rules.File{Name: n, Data: data})
	}
	r, err := runBacktest(a.ctx, c.load, tried, ar, from, to, c.Step)
	if err != nil {
		return err
	}
	if r.Samples == 0 {
		return nothingIn(c.Data, from, to)
	}
	writeBacktest(a.out, r)
	return nil
}

func nothingIn(data string, from, to time.Time) error {
	return fmt.Errorf("the archive in %s holds no value of this plant's tags from %s to %s: check --data, --config and --from", data, from.Format(time.RFC3339), to.Format(time.RFC3339))
}

// runBacktest replays the archive through rule files and, where they are given,
// through those in use beside them. load gives a fresh house and the rules in
// use; tried may be empty, then these are taken. Nothing is written.
//
// One goroutine reads the archive and works out the quantities, which no rule
// can change; each set of rules follows in its own.
func runBacktest(ctx context.Context, load func() (*plant.House, []rules.File, error), tried []rules.File, ar *historian.Archive, from, to time.Time, step time.Duration) (*engine.Backtest, error) {
	_, files, err := load()
	if err != nil {
		return nil, err
	}
	sets := [][]rules.File{files}
	if len(tried) > 0 {
		sets = [][]rules.File{tried, files}
	}
	run, err := judged(load, sets, ar, from, to, step)
	if err != nil {
		return nil, err
	}
	if err := spread(ctx, run); err != nil {
		return nil, err
	}
	r := run.Judges[0].Result
	r.Samples, r.Scans = run.Samples, run.Scans
	if len(tried) > 0 {
		r.Compare(run.Judges[1].Result)
	}
	return r, nil
}

// judged prepares a replay with a judge for each set of rules; a second set is
// that in use.
func judged(load func() (*plant.House, []rules.File, error), sets [][]rules.File, ar *historian.Archive, from, to time.Time, step time.Duration) (*engine.Replay, error) {
	h, _, err := load()
	if err != nil {
		return nil, err
	}
	reader, err := engine.New(h, nil, rules.Options{})
	if err != nil {
		return nil, err
	}
	run := &engine.Replay{Past: past{ar}, From: from, To: to, Step: step, Reader: reader}
	for i, s := range sets {
		h, _, err := load()
		if err != nil {
			return nil, err
		}
		c, err := engine.New(h, s, rules.Options{})
		if err != nil {
			if i == 1 {
				err = fmt.Errorf("rules in use: %w", err)
			}
			return nil, err
		}
		run.Judges = append(run.Judges, engine.NewJudge(c, from, to))
	}
	run.Warmed()
	run.Lighten("")
	return run, nil
}

// spread runs a replay with the reader and each judge in a goroutine of its own.
// A stretch goes back to the reader when the last judge is done with it.
func spread(ctx context.Context, run *engine.Replay) error {
	type shared struct {
		*engine.Stretch
		using atomic.Int32 // judges that still read it
	}
	const underWay = 4
	free := make(chan *shared, underWay)
	for range underWay {
		free <- &shared{Stretch: &engine.Stretch{}}
	}
	run.Begin()
	g, ctx := errgroup.WithContext(ctx)
	var in []chan *shared
	for _, j := range run.Judges {
		to := make(chan *shared, underWay)
		in = append(in, to)
		g.Go(func() error {
			for s := range to {
				j.Take(s.Stretch)
				if s.using.Add(-1) == 0 {
					free <- s
				}
			}
			j.End()
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
		return run.Read(ctx, now.Stretch, func(*engine.Stretch) (*engine.Stretch, error) {
			now.using.Store(int32(len(in)))
			for _, to := range in {
				to <- now
			}
			select {
			case now = <-free:
				return now.Stretch, nil
			case <-ctx.Done():
				return nil, ctx.Err()
			}
		})
	})
	return g.Wait()
}

func writeBacktest(w io.Writer, b *engine.Backtest) {
	days := b.To.Sub(b.From).Hours() / 24
	fmt.Fprintf(w, "%s to %s, %.1f days, %d samples, %d scans\n\n", b.From.Format(time.RFC3339), b.To.Format(time.RFC3339), days, b.Samples, b.Scans)
	head := []string{"alarm", "priority", "alarms", "a day", "hidden", "in alarm", "share", "longest", "chattering", "worst hour"}
	if b.Against {
		head = append(head, "rules in use")
	}
	t := newTable(head...)
	rows := slices.SortedStableFunc(slices.Values(b.Rules), func(x, y engine.RuleRecord) int { return y.Alarms - x.Alarms })
	total, was, silent := 0, 0, 0
	for _, r := range rows {
		total += r.Alarms
		was += max(0, r.Present)
		if r.Alarms == 0 && r.Hidden == 0 && r.Active == 0 && r.Present <= 0 {
			silent++
			continue
		}
		worst := ""
		if r.Worst > 0 {
			worst = fmt.Sprintf("%s: %d", r.WorstHour.Format("2006-01-02 15:04"), r.Worst)
		}
		cells := []string{r.Spec.Name, r.Spec.Priority.String(), fmt.Sprint(r.Alarms), fmt.Sprintf("%.2f", float64(r.Alarms)/days), fmt.Sprint(r.Hidden),
			r.Active.Round(time.Second).String(), fmt.Sprintf("%.1f %%", 100*r.Share), r.Longest.Round(time.Second).String(), fmt.Sprint(r.Chattering), worst}
		if b.Against {
			present := "no such alarm"
			if r.Present >= 0 {
				present = fmt.Sprint(r.Present)
			}
			cells = append(cells, present)
		}
		t.row(cells...)
	}
	t.write(w)
	for _, r := range b.Gone {
		was += r.Present
		if r.Present > 0 {
			fmt.Fprintf(w, "\n%s is not among the rules tried; under those in use it came %d times", r.Spec.Name, r.Present)
		}
	}
	fmt.Fprintf(w, "\n%d alarms, %.2f a day", total, float64(total)/days)
	if b.Against {
		fmt.Fprintf(w, "; with the rules in use %d, %.2f a day", was, float64(was)/days)
	}
	fmt.Fprintf(w, "\n%d further alarms did not come\n", silent)
	for _, f := range b.Faults {
		fmt.Fprintf(w, "%s could not be evaluated %d times: %s\n", f.Rule, f.Count, f.Reason)
	}
}
