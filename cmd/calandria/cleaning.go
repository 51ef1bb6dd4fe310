package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"calandria/cmd/service"
	"calandria/cmd/table"
	"calandria/console"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/fouling"
)

type cleaningCmd struct {
	ruleSource
	Data     string   `help:"The data folder." default:"data" type:"path"`
	Set      string   `help:"Name of the evaporator set; needed if there are several."`
	Days     int      `help:"Days to plan." default:"21"`
	Stops    []string `help:"Days on which the mill stops anyway: 2026-12-24 or 2026-12-24/2026-12-26."`
	NoCrew   []string `help:"Weekdays without a cleaning crew: sat,sun."`
	Hours    *float64 `help:"How long a cleaning takes, h. Default: that of the site, or 10."`
	How      string   `help:"usual (as the house was seen to do), bodies (one on a day) or stops (all at one stop)." default:"usual" enum:"usual,bodies,stops"`
	LossCost float64  `help:"Cost of 1 % less U for a day. Default: from the prices of the site."`
	Cost     float64  `help:"Cost of a cleaning of one body. Default: that of the site, or 1500."`
	OffCost  float64  `help:"Cost of an hour without one body. Default: from the prices of the site."`
	StopCost float64  `help:"Cost of an hour without the set. Default: from the prices of the site."`
	Format   string   `help:"text, csv or ics (calendar)." default:"text" enum:"text,csv,ics"`
	Out      string   `help:"File to write; default standard output." type:"path"`
}

func (c *cleaningCmd) Run(a *app) error {
	// In a plan 0 stands for the usual; what somebody has typed is not replaced.
	if c.Days < 1 {
		return fmt.Errorf("--days %d: give 1 or more", c.Days)
	}
	var hours float64
	if c.Hours != nil {
		if hours = *c.Hours; !(hours >= 0.5 && hours <= 24) {
			return fmt.Errorf("--hours %g: a cleaning takes 0.5 to 24", hours)
		}
	}
	h, calc, now, done, err := c.standing(a, &c.Set, c.Data)
	if err != nil {
		return err
	}
	defer done()
	zone, err := time.LoadLocation(h.Config.Site.TimeZone)
	if err != nil {
		return err
	}
	wish := thermo.CleaningWish{Set: c.Set, Days: c.Days, Hours: hours, LossCost: c.LossCost, Cost: c.Cost, OffCost: c.OffCost, StopCost: c.StopCost,
		How: map[string]thermo.How{"bodies": thermo.BodyByBody, "stops": thermo.ByStops}[c.How]}
	if wish.Stops, err = console.ParseStops(c.Stops, zone); err != nil {
		return fmt.Errorf("--stops: %w", err)
	}
	if wish.NoCrew, err = console.ParseWeekdays(c.NoCrew); err != nil {
		return fmt.Errorf("--no-crew: %w", err)
	}
	plan, err := calc.ProposeCleanings(wish, now, zone)
	if err != nil {
		return err
	}
	return a.into(c.Out, func(w io.Writer) error {
		switch c.Format {
		case "csv":
			return console.WritePlanCSV(w, &plan.Plan)
		case "ics":
			return console.WritePlanCalendar(w, &plan.Plan, time.Now().UTC(), "calandria.invalid")
		}
		writeScales(w, calc.Scales(c.Set))
		return writePlan(w, &plan)
	})
}

// dayText writes a day; there may be none.
func dayText(t time.Time, layout string) string {
	if t.IsZero() {
		return "–"
	}
	return t.Format(layout)
}

// standing follows the archive of a plant to its end, and gives what was calculated of
// it and the moment. The set's name is filled in where there is only one. done closes
// the files.
func (c *ruleSource) standing(a *app, set *string, data string) (h *plant.House, calc *thermo.Calculator, now time.Time, done func(), err error) {
	h, files, err := c.load()
	if err != nil {
		return nil, nil, now, nil, err
	}
	sets := h.Of(plant.ClassSet)
	if *set == "" && len(sets) == 1 {
		*set = sets[0].Path
	}
	if e, ok := h.Equip(*set); !ok || e.Class != plant.ClassSet {
		var names []string
		for _, s := range sets {
			names = append(names, s.Path)
		}
		if len(names) == 0 {
			return nil, nil, now, nil, fmt.Errorf("the plant has no evaporator set")
		}
		return nil, nil, now, nil, fmt.Errorf("--set %q: give one of the plant's sets: %s", *set, strings.Join(names, ", "))
	}
	ar, err := service.OpenArchive(service.ArchiveDir(h, data))
	if err != nil {
		return nil, nil, now, nil, err
	}
	j, err := journal.Open(filepath.Join(data, "journal.db"))
	if err != nil {
		return nil, nil, now, nil, errors.Join(err, ar.Close())
	}
	done = func() { _, _ = j.Close(), ar.Close() }
	if now = service.Newest(a.ctx, h, service.Past{Archive: ar}); now.IsZero() {
		done()
		return nil, nil, now, nil, fmt.Errorf("the archive holds no measured value of this plant")
	}
	core, err := service.NewCore(h, files)
	if err != nil {
		done()
		return nil, nil, now, nil, err
	}
	b, err := service.Begin(a.ctx, core, files, service.Past{Archive: ar}, j, data, time.Now(), a.log, a.progress("reading the past"))
	if err != nil {
		done()
		return nil, nil, now, nil, err
	}
	return h, b.Core.Calc, now, done, nil
}

// writePlan writes a plan for reading, the notice first and last.
func writePlan(w io.Writer, p *thermo.CleaningProposal) error {
	how := "one body on a day"
	if p.Together {
		how = "all bodies at one stop"
	}
	fmt.Fprintf(w, "Cleaning plan, %d days from %s, %s\n%s\n\n", p.Days, p.Start.Format(time.DateOnly), how, fouling.Notice)
	day := func(t time.Time) string { return dayText(t, "Mon "+time.DateOnly) }
	if len(p.Cleanings) == 0 {
		fmt.Fprintln(w, "No cleaning pays in these days.")
	} else {
		t := table.New("day", "body", "hours", "of clean", "may move", "last day before limit", "one day later", "band", "in stop")
		for _, c := range p.Cleanings {
			t.Row(day(c.Day), c.Body, fmt.Sprintf("%.3g", c.Hours), fmt.Sprintf("%.0f %%", 100*c.Ratio), c.First.Format("01-02")+" to "+c.Last.Format("01-02"), day(c.Latest),
				fmt.Sprintf("%+.0f", c.WaitCost), fmt.Sprintf("%+.0f to %+.0f", c.WaitLow, c.WaitHigh), c.Stop)
		}
		t.Write(w)
	}
	fmt.Fprintf(w, "\nCost with this plan %.0f, without cleaning %.0f %s.\n%s\n\n", p.Cost, p.CostNone, p.CostUnit, console.HabitText(p))
	best := table.New("best boiling time", "most throughput", "least cost")
	best.Row("all at one stop", console.BoilingText(p.Whole.Throughput).String(), console.BoilingText(p.Whole.Cost).String())
	for _, b := range p.Bodies {
		best.Row(b.Body, console.BoilingText(b.Throughput).String(), console.BoilingText(b.Cost).String())
	}
	best.Write(w)
	fmt.Fprintln(w)
	if len(p.Intervals) > 0 {
		t := table.New("cleaned every, d", "scale costs a day", "hours away in 30 d", "mean U, % of clean", "lowest U, % of clean")
		for _, i := range p.Intervals {
			x := console.IntervalTexts(i)
			t.Row(x[0].String(), x[1].String(), x[2].String(), x[3].String(), x[4].String())
		}
		t.Write(w)
		fmt.Fprintln(w)
	}
	for _, o := range console.OverdueTexts(p) {
		fmt.Fprintf(w, "Cannot be kept: %s.\n", o)
	}
	for _, a := range console.AssumedTexts(p) {
		fmt.Fprintf(w, "Assumed: %s.\n", a)
	}
	_, err := fmt.Fprintln(w, fouling.Notice)
	return err
}

// writeScales says where each body stands.
func writeScales(w io.Writer, scales []thermo.Scale) {
	day := func(t time.Time) string { return dayText(t, time.DateOnly) }
	t := table.New("body", "last cleaned", "restored to", "U now", "of clean", "limit", "scale a day", "limit met", "early", "late", "rests on")
	for _, s := range scales {
		f := s.Forecast
		since := day(s.Started)
		if !s.Cleaned {
			since = "before " + since
		}
		ratio, restored := "–", "–"
		if f.Ratio > 0 {
			ratio = fmt.Sprintf("%.0f ± %.0f %%", 100*f.Ratio, 100*f.RatioSigma)
		}
		if f.Restored > 0 {
			restored = fmt.Sprintf("%.0f ± %.0f %%", 100*f.Restored, 100*f.RestoredSigma)
		}
		t.Row(s.Body, since, restored, fmt.Sprintf("%.0f W/(m2.K)", 1000*f.U), ratio, fmt.Sprintf("%.0f %%", 100*f.Limit), fmt.Sprintf("%.2f %%", f.RatePct), day(f.Due), day(f.Early), day(f.Late),
			fmt.Sprintf("%d hours, %d earlier cycles, %s", f.Values, f.Cycles, f.Kind))
	}
	t.Write(w)
	fmt.Fprintln(w)
}
