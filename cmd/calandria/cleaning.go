package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"calandria/historian"
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
	Hours    float64  `help:"How long a cleaning takes, h." default:"10"`
	LossCost float64  `help:"Cost of 1 % less U for a day, in the money of the site." default:"50"`
	Cost     float64  `help:"Cost of a cleaning." default:"1500"`
	OffCost  float64  `help:"Cost of an hour without the body." default:"150"`
	Money    string   `help:"Name of the money, for showing."`
	Format   string   `help:"text, csv or ics (calendar)." default:"text" enum:"text,csv,ics"`
	Out      string   `help:"File to write; default standard output." type:"path"`
}

func (c *cleaningCmd) Run(a *app) error {
	// In a plan 0 stands for the usual; what somebody has typed is not replaced.
	if c.Days < 1 {
		return fmt.Errorf("--days %d: give 1 or more", c.Days)
	}
	if !(c.Hours >= 0.5 && c.Hours <= 24) {
		return fmt.Errorf("--hours %g: a cleaning takes 0.5 to 24", c.Hours)
	}
	h, files, err := c.load()
	if err != nil {
		return err
	}
	sets := h.Of(plant.ClassSet)
	if c.Set == "" && len(sets) == 1 {
		c.Set = sets[0].Path
	}
	if e, ok := h.Equip(c.Set); !ok || e.Class != plant.ClassSet {
		var names []string
		for _, s := range sets {
			names = append(names, s.Path)
		}
		if len(names) == 0 {
			return fmt.Errorf("the plant has no evaporator set to plan for")
		}
		return fmt.Errorf("--set %q: give one of the plant's sets: %s", c.Set, strings.Join(names, ", "))
	}
	ar, err := openArchive(archiveDir(h, c.Data))
	if err != nil {
		return err
	}
	defer ar.Close()
	now := newest(a.ctx, h, past{ar})
	if now.IsZero() {
		return fmt.Errorf("the archive holds no measured value of this plant")
	}
	j, err := historian.OpenJournal(filepath.Join(c.Data, "journal.db"), historian.JournalOptions{})
	if err != nil {
		return err
	}
	defer j.Close()
	b, err := begin(a.ctx, h, files, past{ar}, j, c.Data, time.Now(), a.log, a.progress("reading the past"))
	if err != nil {
		return err
	}
	zone, err := time.LoadLocation(h.Config.Site.TimeZone)
	if err != nil {
		return err
	}
	scales := b.core.Calc.Scales(c.Set)
	plan, err := c.costs().plan(scales, now, zone)
	if err != nil {
		return err
	}
	w := a.out
	if c.Out != "" {
		f, err := os.Create(c.Out)
		if err != nil {
			return err
		}
		defer f.Close()
		w = f
	}
	switch c.Format {
	case "csv":
		return plan.WriteCSV(w)
	case "ics":
		return plan.WriteCalendar(w, time.Now().UTC(), "calandria.invalid")
	}
	writeScales(w, scales)
	return plan.WriteText(w)
}

func (c *cleaningCmd) costs() planWish {
	return planWish{Days: c.Days, Stops: c.Stops, NoCrew: c.NoCrew, Hours: c.Hours, LossCost: c.LossCost, Cost: c.Cost, OffCost: c.OffCost, Money: c.Money}
}

// planWish is what a plan of cleanings is asked for with.
type planWish struct {
	Days                           int
	Stops, NoCrew                  []string // as on the command line
	Hours, LossCost, Cost, OffCost float64
	Money                          string
}

// plan proposes the cleanings of the days after now, from what the trackers
// know.
func (w planWish) plan(scales []thermo.Scale, now time.Time, zone *time.Location) (fouling.Plan, error) {
	y, m, d := now.In(zone).Date()
	settings := fouling.PlanSettings{Start: time.Date(y, m, d+1, 0, 0, 0, 0, zone), Days: w.Days, CostUnit: w.Money}
	var err error
	if settings.Stops, err = parseStops(w.Stops, zone); err != nil {
		return fouling.Plan{}, fmt.Errorf("stops: %w", err)
	}
	if settings.NoCrew, err = parseWeekdays(w.NoCrew); err != nil {
		return fouling.Plan{}, fmt.Errorf("days without a crew: %w", err)
	}
	var bodies []fouling.PlanBody
	var unknown []string
	for _, s := range scales {
		if !s.Known {
			unknown = append(unknown, s.Body)
			continue
		}
		bodies = append(bodies, fouling.PlanBody{Name: s.Body, Model: s.Model, Days: max(0, settings.Start.Sub(s.Started).Hours()/24),
			ReferenceU: s.CleanU, LimitRatio: s.Config.CleaningLimit, LimitBy: s.Forecast.Early, OffHours: w.Hours,
			LossPerPctDay: w.LossCost, CleaningCost: w.Cost, OffCostPerHour: w.OffCost})
	}
	if len(bodies) == 0 {
		return fouling.Plan{}, fmt.Errorf("the archive knows too little of U: a plan needs some hours of it for each body")
	}
	plan, err := fouling.MakePlan(bodies, settings)
	if err != nil {
		return plan, err
	}
	for _, u := range unknown {
		plan.Assumed = append(plan.Assumed, u+" is left out: its U is not known")
	}
	return plan, nil
}

// writeScales says where each body stands.
func writeScales(w io.Writer, scales []thermo.Scale) {
	day := func(t time.Time) string {
		if t.IsZero() {
			return "–"
		}
		return t.Format("2006-01-02")
	}
	t := newTable("body", "last cleaned", "U now", "of clean", "scale a day", "limit met", "early", "late", "rests on")
	for _, s := range scales {
		f := s.Forecast
		since := day(s.Started)
		if !s.Cleaned {
			since = "before " + since
		}
		ratio := "–"
		if s.CleanU > 0 {
			ratio = fmt.Sprintf("%.0f %%", 100*f.U/s.CleanU)
		}
		t.row(s.Body, since, fmt.Sprintf("%.0f W/(m2.K)", 1000*f.U), ratio, fmt.Sprintf("%.2f %%", f.RatePct), day(f.Due), day(f.Early), day(f.Late),
			fmt.Sprintf("%d hours, %d earlier cycles, %s", f.Values, f.Cycles, f.Kind))
	}
	t.write(w)
	fmt.Fprintln(w)
}

func parseStops(list []string, zone *time.Location) ([]fouling.Stop, error) {
	var stops []fouling.Stop
	for _, s := range list {
		from, to, ranged := strings.Cut(s, "/")
		a, err := time.ParseInLocation("2006-01-02", from, zone)
		if err != nil {
			return nil, fmt.Errorf("%q is not a day such as 2026-12-24", s)
		}
		b := a
		if ranged {
			if b, err = time.ParseInLocation("2006-01-02", to, zone); err != nil || b.Before(a) {
				return nil, fmt.Errorf("%q is not a span such as 2026-12-24/2026-12-26", s)
			}
		}
		stops = append(stops, fouling.Stop{From: a, To: b.Add(24 * time.Hour), Reason: "mill stop"})
	}
	return stops, nil
}

func parseWeekdays(list []string) ([]time.Weekday, error) {
	var days []time.Weekday
next:
	for _, s := range list {
		for d := time.Sunday; d <= time.Saturday; d++ {
			if len(s) >= 3 && len(s) <= len(d.String()) && strings.EqualFold(d.String()[:len(s)], s) {
				days = append(days, d)
				continue next
			}
		}
		return nil, fmt.Errorf("%q is not a weekday", s)
	}
	return days, nil
}
