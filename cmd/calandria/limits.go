package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"calandria/cmd/service"
	"calandria/cmd/table"
	"calandria/engine"
	"calandria/rules"
	"calandria/thermo"
)

type limitsCmd struct {
	ruleSource
	From    string        `help:"Start: a date, a time, or an age such as 30d." default:"30d"`
	To      string        `help:"End, not included; default now."`
	Step    time.Duration `help:"Time between scans." default:"10s"`
	Data    string        `help:"The data folder." default:"data" type:"path"`
	PerWeek float64       `help:"Calls of one alarm in a week that are aimed at, at most." default:"0.5"`
	Write   string        `help:"Write the proposed limits into this new file: overrides for the rules of the site." type:"path"`
	Tighter bool          `help:"Propose tighter limits too, where usual running never comes near the present one."`
	All     bool          `help:"List also the limits that fit."`
}

// Help is what --help prints below the flags.
func (limitsCmd) Help() string {
	return `The past is replayed. For each alarm with one fixed limit the worst usual hour is found: the worst value that lasted for the alarm's delay, once as many troubles are left out as there may be calls. For a limit that calls in usual running one just beyond it is proposed. The proposed limits are replayed too: their calls are counted, and what is of no use is taken back.

No limit is made tighter unless --tighter asks for it: what a limit is there to prevent is not in the past. Then one that usual running never comes near is proposed a quarter of the way from the worst usual hour to where it is, and at least as far beyond that hour as it lies from the median. No limit is proposed that protects people or pressure equipment. Read every proposal before you take it over: a past with a fault in it proposes a limit that hides the fault.

Last it compares the equations for the boiling-point elevation with the juice thermometers of each set, and proposes one with its purity factor. A change is proposed only where it is better by two standard deviations.`
}

func (c *limitsCmd) Run(a *app) error {
	from, to, err := parseSpan(c.From, c.To, time.UTC)
	if err != nil {
		return err
	}
	if c.Step < time.Second || c.PerWeek < 0 {
		return fmt.Errorf("--step %s, --per-week %g: give a step of 1s or more and no fewer calls than 0", c.Step, c.PerWeek)
	}
	h, files, ar, err := c.open(c.Data)
	if err != nil {
		return err
	}
	defer ar.Close()
	replay := func(with []rules.File) (*engine.Judge, *engine.LimitFit, error) {
		run, err := engine.Judged(h, [][]rules.File{with}, service.Past{Archive: ar}, from, to, c.Step)
		if err != nil {
			return nil, nil, err
		}
		fit := engine.FitLimits(run.Judges[0])
		if err := run.Spread(a.ctx); err != nil {
			return nil, nil, err
		}
		if run.Samples == 0 {
			return nil, nil, nothingIn(c.Data, from, to)
		}
		// Weeks without data call nobody.
		run.Judges[0].Result.From, run.Judges[0].Result.To = run.First, run.Last
		return run.Judges[0], fit, nil
	}
	judge, fit, err := replay(files)
	if err != nil {
		return err
	}
	fits := fit.Fit(judge.Core.House, files, c.PerWeek, c.Tighter)
	yaml := engine.LimitsYAML(fits)
	from, to = judge.Result.From, judge.Result.To
	if yaml != "" {
		judge, _, err := replay(append(files[:len(files):len(files)], rules.File{Name: "proposed.yaml", Data: []byte(yaml)}))
		if err != nil {
			return fmt.Errorf("the proposed limits cannot be replayed: %w", err)
		}
		engine.Check(fits, judge.Result, c.PerWeek)
		yaml = engine.LimitsYAML(fits)
	}
	fmt.Fprintf(a.out, "%s to %s, %.1f weeks\n\n", from.Format(time.RFC3339), to.Format(time.RFC3339), to.Sub(from).Hours()/(24*7))
	t := table.New("alarm", "limit", "calls a week", "worst usual hour", "distance", "proposed", "calls a week", "why")
	fitting := 0
	for _, x := range fits {
		if math.IsNaN(x.Proposed) && x.Present <= c.PerWeek && !c.All {
			fitting++
			continue
		}
		worst, proposed, calls := "", "–", ""
		if !x.WorstAt.IsZero() {
			worst = fmt.Sprintf("%s %s, %s", number(x.WorstUsual), x.Limit.Unit, x.WorstAt.Format("2006-01-02 15h"))
		}
		if !math.IsNaN(x.Proposed) {
			proposed, calls = x.Says, fmt.Sprintf("%.2f", x.Calls)
		}
		t.Row(x.Alarm, x.Text, fmt.Sprintf("%.2f", x.Present), worst, number(x.Distance()), proposed, calls, x.Why)
	}
	if t.Len() > 0 {
		t.Write(a.out)
	} else {
		fmt.Fprintf(a.out, "no alarm calls more than %g times a week\n", c.PerWeek)
	}
	fmt.Fprintf(a.out, "\n%d further limits fit, or nothing can be said of them (--all lists them)\n", fitting)
	writeElevations(a.out, fit.Elevations.Fit())
	switch {
	case yaml == "":
		return nil
	case c.Write == "":
		fmt.Fprintf(a.out, "\n%s", yaml)
		return nil
	}
	if err := service.WriteNew(c.Write, "title: Limits proposed from the past\n"+yaml); err != nil {
		return fmt.Errorf("write the proposed limits: %w", err)
	}
	fmt.Fprintf(a.out, "\nwritten into %s: read it, then name it under rules: in the plant file\n", c.Write)
	return nil
}

// writeElevations says which equation for the boiling-point elevation, and which purity
// factor, fit what the juice thermometers read.
func writeElevations(w io.Writer, fits []thermo.FittedElevation) {
	fmt.Fprintln(w, "\nBoiling-point elevation by the juice thermometers")
	if len(fits) == 0 {
		fmt.Fprintln(w, "nothing can be said: it takes two bodies of a set with juice thermometers, and a day of settled running")
		return
	}
	t := table.New("set", "equation", "left over as configured", "purity factor that fits", "left over with it", "")
	var says []string
	for len(fits) > 0 {
		n := 1
		for n < len(fits) && fits[n].Set == fits[0].Set {
			n++
		}
		pick := thermo.ProposedElevation(fits[:n])
		for i, f := range fits[:n] {
			note := ""
			if f.InUse {
				note = "in use"
			}
			if i == pick {
				note = strings.TrimPrefix(note+", proposed", ", ")
				says = append(says, fmt.Sprintf("%s, by %d juice thermometers: properties: {boiling_point: %s, purity_factor: %.2f}", f.Set, f.Bodies, f.Model, f.Factor))
			}
			t.Row(f.Set, string(f.Model), fmt.Sprintf("%.2f K", f.PlainK), fmt.Sprintf("%.2f (± %.2f)", f.Factor, f.Sigma), fmt.Sprintf("%.2f K", f.LeftK), note)
		}
		if pick < 0 {
			says = append(says, fits[0].Set+": what is in use fits as well as any, within the thermometers' accuracy")
		}
		fits = fits[n:]
	}
	t.Write(w)
	fmt.Fprintln(w, strings.Join(says, "\n"))
}
