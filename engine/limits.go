package engine

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/plant"
	"calandria/rules"
	"calandria/thermo"
)

// FittedLimit is what a site's own past says of an alarm's limit.
type FittedLimit struct {
	Alarm   string
	Rule    string
	Vessel  string // "" for a rule that stands for one alarm only
	Limit   rules.Limit
	Text    string  // of the limit, as the files state it
	Present float64 // calls a week
	// WorstUsual is the worst value that lasted for the delay of the alarm in a usual
	// hour: what was worse came no more often than is aimed at. WorstAt is its hour.
	WorstUsual float64
	WorstAt    time.Time
	Hours      int     // with a value, the plant state of the alarm holding
	Proposed   float64 // NaN: none
	Says       string  // Proposed as the files would state it
	Calls      float64 // a week, at the proposed limits
	Why        string
}

// Distance is how far the limit stands from the worst usual hour; negative where
// it lies within what is usual.
func (f *FittedLimit) Distance() float64 {
	if f.Limit.Above {
		return f.Limit.Value - f.WorstUsual
	}
	return f.WorstUsual - f.Limit.Value
}

// limitWatch gathers for one alarm the worst lasting value of each hour. It is a
// window of the delay's length; its first value is the mildest.
type limitWatch struct {
	index  int
	limit  rules.Limit
	delay  time.Duration
	window []plant.Point // each worse than the one before
	since  time.Time     // the values are without a gap from then on
	hours  map[time.Time]float64
}

// worse is a above b in the direction of the limit.
func (w *limitWatch) worse(a, b float64) bool {
	if w.limit.Above {
		return a > b
	}
	return a < b
}

func (w *limitWatch) see(c *Core, at time.Time) {
	v, ok := c.Rules.Margin(w.index, c.Frame, at)
	if !ok {
		w.window, w.since = w.window[:0], time.Time{}
		return
	}
	if w.since.IsZero() {
		w.since = at
	}
	for n := len(w.window); n > 0 && !w.worse(v, w.window[n-1].Value); n-- {
		w.window = w.window[:n-1]
	}
	w.window = append(w.window, plant.Point{Time: at, Value: v})
	for w.window[0].Time.Before(at.Add(-w.delay)) {
		w.window = w.window[1:]
	}
	if at.Sub(w.since) < w.delay {
		return
	}
	hour := at.Truncate(time.Hour)
	if old, there := w.hours[hour]; !there || w.worse(w.window[0].Value, old) {
		w.hours[hour] = w.window[0].Value
	}
}

// LimitFit watches the limits of a judge's alarms through a replay.
type LimitFit struct {
	judge      *Judge
	watches    []*limitWatch
	Elevations *thermo.ElevationFit // what the juice thermometers read meanwhile
}

// FitLimits lets a judge note what its alarms' limits are compared with. It is to
// be called before the replay.
func FitLimits(j *Judge) *LimitFit {
	f := &LimitFit{judge: j, Elevations: thermo.NewElevationFit(j.Core.House)}
	for i, spec := range j.Core.Rules.Alarms() {
		if l, ok := j.Core.Rules.Limit(i); ok {
			f.watches = append(f.watches, &limitWatch{index: i, limit: l, delay: spec.OnDelay, hours: map[time.Time]float64{}})
		}
	}
	j.Behind = func(at time.Time) {
		if at.Before(j.Result.From) {
			return
		}
		for _, w := range f.watches {
			w.see(j.Core, at)
		}
		f.Elevations.See(j.Core.Frame, at)
	}
	return f
}

// apart is how far two episodes of the same trouble lie apart at least.
const apart = 6 * time.Hour

// worstUsual leaves out the worst hours, as many episodes of them as there may be
// calls, and gives the worst hour that is left.
func (w *limitWatch) worstUsual(calls int) (v float64, at time.Time, median float64) {
	type hour struct {
		at time.Time
		v  float64
	}
	var all []hour
	for t, x := range w.hours {
		all = append(all, hour{t, x})
	}
	slices.SortFunc(all, func(a, b hour) int {
		if w.limit.Above {
			return cmp.Or(cmp.Compare(b.v, a.v), a.at.Compare(b.at))
		}
		return cmp.Or(cmp.Compare(a.v, b.v), a.at.Compare(b.at))
	})
	median = all[len(all)/2].v
	var episodes []time.Time
	for _, h := range all {
		near := slices.ContainsFunc(episodes, func(t time.Time) bool { return h.at.Sub(t).Abs() < apart })
		if !near {
			episodes = append(episodes, h.at)
		}
		if len(episodes) > calls {
			return h.v, h.at, median
		}
	}
	last := all[len(all)-1]
	return last.v, last.at, median
}

// leastHours is how many hours a limit is fitted to at least.
const leastHours = 48

// Fit gives what the replay says of each limit, aiming at no more than perWeek
// calls of one alarm. files are those that the judge runs.
// With tighter, a limit that usual running never comes near is proposed tighter too: a
// quarter of the way from the worst usual hour, at least as far as that lies from the median.
func (f *LimitFit) Fit(house *plant.House, files []rules.File, perWeek float64, tighter bool) []FittedLimit {
	b := f.judge.Result
	weeks := b.To.Sub(b.From).Hours() / (24 * 7)
	var out []FittedLimit
	for _, w := range f.watches {
		r := &b.Rules[w.index]
		x := FittedLimit{Alarm: r.Spec.Name, Limit: w.limit, Present: float64(r.Alarms) / weeks, Hours: len(w.hours), Proposed: math.NaN(), WorstUsual: math.NaN()}
		written, ok := rules.ReadWritten(files, house, x.Alarm)
		if !ok {
			continue
		}
		x.Rule, x.Vessel = written.Rule, written.Vessel
		for _, g := range written.Figures {
			if g.Key == w.limit.Key {
				x.Text = g.Text
			}
		}
		aimed := max(1, int(perWeek*weeks)) // one trouble is none too many
		f.propose(&x, w, aimed, r.Alarms > aimed, tighter, written.Unit)
		out = append(out, x)
	}
	return out
}

func (f *LimitFit) propose(x *FittedLimit, w *limitWatch, calls int, often, tighter bool, unit string) {
	if x.Hours == 0 {
		x.Why = "its value was never known while it applies"
		return
	}
	var median float64
	x.WorstUsual, x.WorstAt, median = w.worstUsual(calls)
	margin := math.Max(0.15*math.Abs(x.WorstUsual-median), 0.002*math.Abs(x.WorstUsual))
	switch {
	case x.Limit.Danger:
		x.Why = "it protects people or pressure equipment: the site states it"
		return
	case x.Hours < leastHours:
		x.Why = fmt.Sprintf("%d hours are too few, it takes %d", x.Hours, leastHours)
		return
	case !often && x.Distance() < 0:
		x.Why = "usual hours reach it, and it calls seldom: look at its delay and deadband"
		return
	case !often && !(x.Distance() > 3*math.Abs(x.WorstUsual-median)+margin):
		x.Why = "it fits"
		return
	case !often && !tighter:
		x.Why = "it fits; usual running never comes near it"
		return
	case !often && x.WorstUsual == median:
		x.Why = "it fits; usual running does not move what it looks at"
		return
	case !often:
		// What a limit is there to prevent is not in the past: somebody has to want it.
		x.Why = "tighter: usual running never comes near it"
		margin = math.Max(margin, math.Max(math.Abs(x.WorstUsual-median), x.Distance()/4))
	default:
		x.Why = "it calls in usual running"
	}
	if !w.limit.Above {
		margin = -margin
	}
	x.Proposed = x.WorstUsual + margin
	x.Says, x.Proposed = restated(x.Text, unit, &w.limit, x.Proposed)
	if x.Says == "" {
		x.Proposed, x.Why = math.NaN(), x.Why+"; its limit is an expression, change it by hand"
	} else if often != w.worse(x.Proposed, x.Limit.Value) {
		x.Proposed, x.Says = math.NaN(), ""
		if x.Why = "it fits"; often {
			x.Why = "it calls in bursts, not by its limit: look at its delay and deadband"
		}
	}
}

var oneFigure = regexp.MustCompile(`^([A-Za-z_0-9]+\()?(-?[0-9.]+)(\))?$`)

// restated writes a limit as the files state it, rounded to three figures away
// from what is usual; "" where the text is more than one figure.
func restated(text, unit string, limit *rules.Limit, wanted float64) (string, float64) {
	m := oneFigure.FindStringSubmatch(text)
	if m == nil || (m[1] == "") != (m[3] == "") {
		return "", wanted
	}
	n, err := strconv.ParseFloat(m[2], 64)
	if err != nil {
		return "", wanted
	}
	// The scale of the text's unit: of a function by its own figure, of a plain
	// number by the unit of the rule.
	scale := 1.0
	switch words := strings.Fields(unit); {
	case m[1] != "":
		if n == 0 || limit.Value == 0 {
			return "", wanted
		}
		scale = limit.Value / n
		if m[1] == "degC(" {
			scale = 1
		}
	case len(words) > 0:
		if s, _, err := plant.CanonicalFactor(limit.Dimension, words[0]); err == nil {
			scale = s
		}
		if len(words) > 1 && words[1] == string(plant.Vacuum) {
			scale = -scale
		}
	}
	to := n + (wanted-limit.Value)/scale
	digits := math.Pow(10, math.Floor(math.Log10(math.Max(math.Abs(to), 1e-9)))-2)
	if up := limit.Above == (scale > 0); up {
		to = math.Ceil(to/digits-1e-9) * digits
	} else {
		to = math.Floor(to/digits+1e-9) * digits
	}
	said := strconv.FormatFloat(to, 'g', 6, 64)
	return m[1] + said + m[3], limit.Value + (to-n)*scale
}

// Check takes back the proposals that a replay with them has shown to be of no
// use. result is that of the replay.
func Check(fits []FittedLimit, result *Backtest, perWeek float64) {
	weeks := result.To.Sub(result.From).Hours() / (24 * 7)
	aimed := max(1, int(perWeek*weeks))
	for i := range fits {
		x := &fits[i]
		for _, r := range result.Rules {
			if r.Spec.Name == x.Alarm {
				x.Calls = float64(r.Alarms) / weeks
				if r.Alarms > aimed && !math.IsNaN(x.Proposed) {
					x.Why = fmt.Sprintf("%s; another limit (%s, %.1f calls a week) is no cure: look at its plant state and delay", x.Why, x.Says, x.Calls)
					x.Proposed, x.Says = math.NaN(), ""
				}
			}
		}
	}
}

// LimitsYAML writes the proposed limits as overrides that a site can take over.
func LimitsYAML(fits []FittedLimit) string {
	byRule := map[string]string{}
	var names []string
	for _, x := range fits {
		if math.IsNaN(x.Proposed) {
			continue
		}
		entry := x.Limit.Key + ": " + x.Says
		if name, ok := strings.CutPrefix(x.Limit.Key, "limits."); ok {
			entry = "limits: {" + name + `: "` + x.Says + `"}`
		}
		if byRule[x.Rule] == "" {
			names = append(names, x.Rule)
		}
		byRule[x.Rule] += fmt.Sprintf("    %s: {%s} # was %s; %s\n", cmp.Or(x.Vessel, `"*"`), entry, x.Text, x.Why)
	}
	if len(names) == 0 {
		return ""
	}
	var out strings.Builder
	out.WriteString("override:\n")
	for _, n := range names {
		out.WriteString("  " + n + ":\n" + byRule[n])
	}
	return out.String()
}
