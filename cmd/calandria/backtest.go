package main

import (
	"fmt"
	"io"
	"slices"
	"time"

	"calandria/engine"
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
	h, inUse, ar, err := c.open(c.Data)
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
	r, err := engine.RunBacktest(a.ctx, h, inUse, tried, past{ar}, from, to, c.Step)
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
