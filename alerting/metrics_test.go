package alerting

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

type metricExample struct {
	ID     string
	Metric string
	Params struct {
		Operator       string
		From, To       *float64
		At             *float64
		LimitS         float64 `json:"limit_s"`
		MaxActiveS     float64 `json:"max_active_s"`
		MinOccurrences int     `json:"min_occurrences"`
		WindowS        float64 `json:"window_s"`
		StartOver      int     `json:"start_over"`
		EndBelow       int     `json:"end_below"`
		N              int
	}
	Events []struct {
		Burst       int
		T, Step     float64
		Alarm       string
		Op          string
		Event       string
		Annunciated *bool
		Prio        string
	}
	Expect map[string]any
}

func at(s float64) time.Time { return time.Unix(0, int64(s*1e9)).UTC() }

func (x *metricExample) events() (events []plant.Event, last float64) {
	for _, ev := range x.Events {
		prio, _ := casePriority(ev.Prio)
		for i := range max(ev.Burst, 1) {
			t := ev.T + float64(i)*ev.Step
			last = max(last, t)
			kind := plant.EventKind(ev.Event)
			if kind == "" {
				kind = plant.EventAlarm
			}
			events = append(events, plant.Event{
				Time: at(t), Kind: kind, Alarm: strings.ReplaceAll(ev.Alarm, "*", fmt.Sprint(i)), Area: ev.Op, Priority: prio,
				Annunciated: kind == plant.EventAlarm && (ev.Annunciated == nil || *ev.Annunciated) || kind == plant.EventRealarm,
			})
		}
	}
	return events, last
}

func names(list []AlarmCount) []any {
	out := []any{}
	for _, c := range list {
		out = append(out, c.Alarm)
	}
	return out
}

func standing(list []Standing) []any {
	out := []any{}
	for _, s := range list {
		out = append(out, s.Alarm)
	}
	return out
}

// found gives the result in the words of the examples.
func (x *metricExample) found(m Metrics) map[string]any {
	sec := func(d time.Duration) float64 { return d.Seconds() }
	switch x.Metric {
	case "average_rate":
		return map[string]any{"count": float64(m.Alarms), "per_10min": m.Per10Min, "per_hour": m.PerHour, "per_day": m.PerDay}
	case "percent_10min_over_10":
		return map[string]any{"intervals": float64(m.Intervals), "over": float64(m.IntervalsOver10), "percent": m.PercentOver10}
	case "percent_hours_over_30":
		return map[string]any{"hours": float64(m.Hours), "over": float64(m.HoursOver30), "percent": m.PercentOver30}
	case "floods":
		floods := []any{}
		for _, f := range m.Floods {
			var to any
			if !f.To.IsZero() {
				to = float64(f.To.Unix())
			}
			floods = append(floods, map[string]any{"from": float64(f.From.Unix()), "to": to, "alarms": float64(f.Alarms), "peak_10min": float64(f.Peak)})
		}
		return map[string]any{"floods": floods, "time_in_flood_s": sec(m.TimeInFlood), "percent_time_in_flood": m.PercentInFlood}
	case "chattering":
		return map[string]any{"chattering": names(m.Chattering)}
	case "fleeting":
		f := map[string]any{}
		for _, c := range m.Fleeting {
			f[c.Alarm] = float64(c.Count)
		}
		return map[string]any{"fleeting": f}
	case "stale":
		return map[string]any{"stale": standing(m.Stale), "standing": standing(m.Standing)}
	case "top10":
		return map[string]any{"total": float64(m.Alarms), "top_sum": float64(m.TopSum), "percent": m.TopPercent, "order": names(m.Top)}
	case "priority_distribution":
		out := map[string]any{}
		for _, p := range m.ByPriority {
			out[p.Priority.String()] = p.Percent
		}
		return out
	case "peak":
		return map[string]any{"peak": float64(m.Peak), "at": float64(m.PeakAt.Unix())}
	case "durations":
		each := []any{}
		for _, d := range m.TimeToAck.Each {
			each = append(each, sec(d))
		}
		return map[string]any{"time_to_ack_s": each, "mean_time_to_ack_s": sec(m.TimeToAck.Mean), "max_active_s": sec(m.MaxActive),
			"max_unack_s": sec(m.MaxUnack), "alarm_count": float64(m.Alarms - m.Reminders)}
	case "suppression_counts":
		return map[string]any{"shelved": float64(len(m.Shelved)), "suppressed_by_design": float64(len(m.SuppressedDesign)),
			"out_of_service": float64(len(m.OutOfService)), "hidden_alarms": float64(len(m.HiddenByAny))}
	}
	return nil
}

// near compares values from JSON; numbers to six decimals, as the examples
// print them.
func near(got, want any) bool {
	switch w := want.(type) {
	case float64:
		g, ok := got.(float64)
		return ok && math.Abs(g-w) < 1e-6
	case []any:
		g, ok := got.([]any)
		return ok && slices.EqualFunc(g, w, near)
	case map[string]any:
		g, ok := got.(map[string]any)
		if !ok || len(g) != len(w) {
			return false
		}
		for k := range w {
			if !near(g[k], w[k]) {
				return false
			}
		}
		return true
	}
	return reflect.DeepEqual(got, want)
}

// Worked examples M-01 to M-18 of testdata/alarms: definitions of ISA-18.2 and
// IEC 62682 clause 16 and EEMUA 191, worked by hand.
func TestMetricExamples(t *testing.T) {
	data, err := os.ReadFile("../testdata/alarms/metrics-examples.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Examples []metricExample }
	if err := json.Unmarshal(data, &file); err != nil {
		t.Fatal(err)
	}
	if len(file.Examples) != 18 {
		t.Errorf("%d examples, want 18", len(file.Examples))
	}
	for _, x := range file.Examples {
		t.Run(x.ID, func(t *testing.T) {
			events, last := x.events()
			p := MetricsParams{From: at(0), To: at(last + 1), Area: x.Params.Operator}
			for _, end := range []*float64{x.Params.To, x.Params.At} {
				if end != nil {
					p.To = at(*end)
				}
			}
			if x.Params.From != nil {
				p.From = at(*x.Params.From)
			}
			p.StaleAfter = seconds(x.Params.LimitS)
			p.FleetingWithin = seconds(x.Params.MaxActiveS)
			p.ChatterCount, p.ChatterWindow = x.Params.MinOccurrences, seconds(x.Params.WindowS)
			p.FloodOver, p.FloodBelow, p.TopN = x.Params.StartOver, x.Params.EndBelow, x.Params.N
			if got := x.found(Measure(events, p)); !near(got, x.Expect) {
				t.Errorf("%s: got %v, want %v", x.Metric, got, x.Expect)
			}
		})
	}
}

func burst(n int, from, step float64) (events []plant.Event) {
	for i := range n {
		events = append(events, plant.Event{Time: at(from + float64(i)*step), Kind: plant.EventAlarm,
			Alarm: fmt.Sprint("A", i), Area: "house", Priority: plant.PriorityLow, Annunciated: true})
	}
	return events
}

// A period without alarms: zeroes and no data, never NaN.
func TestMetricsOfNothing(t *testing.T) {
	for _, p := range []MetricsParams{
		{From: at(0), To: at(86400)},
		{From: at(0), To: at(0)},
		{From: at(0), To: at(3600), Down: []Span{{at(0), at(3600)}}},
	} {
		m := Measure(nil, p)
		for _, v := range []float64{m.Per10Min, m.PerHour, m.PerDay, m.PercentOver10, m.PercentOver30, m.PercentInFlood, m.TopPercent} {
			if v != 0 {
				t.Errorf("%v..%v: %v, want 0", p.From, p.To, v)
			}
		}
		if m.ByPriority != nil || m.TimeToAck.Count != 0 {
			t.Errorf("shares of nothing: %v", m)
		}
	}
}

// Days of plant local time: a change-of-clock day has 138 or 150 ten-minute
// periods (ISA-18.2 clause 16 with days in local time). The dates are those of
// the European Union in 2026, directive 2000/84/EC: last Sundays of March and
// October.
func TestMetricsChangeOfClock(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		day              time.Time
		intervals, hours int
	}{
		{time.Date(2026, 3, 29, 12, 0, 0, 0, berlin), 138, 23},
		{time.Date(2026, 3, 30, 12, 0, 0, 0, berlin), 144, 24},
		{time.Date(2026, 10, 25, 12, 0, 0, 0, berlin), 150, 25},
	} {
		y, month, day := c.day.Date()
		from, to := time.Date(y, month, day, 0, 0, 0, 0, berlin), time.Date(y, month, day+1, 0, 0, 0, 0, berlin)
		m := Measure(nil, MetricsParams{From: from, To: to})
		if m.Intervals != c.intervals || m.Hours != c.hours {
			t.Errorf("%s: %d periods and %d hours, want %d and %d", c.day.Format(time.DateOnly), m.Intervals, m.Hours, c.intervals, c.hours)
		}
	}
}

// Downtime is left out of every denominator.
func TestMetricsDowntime(t *testing.T) {
	events := []plant.Event{
		{Time: at(3600), Kind: plant.EventStop},
		{Time: at(7200), Kind: plant.EventStart},
		{Time: at(9000), Kind: plant.EventRecord, Action: "lost"},
		{Time: at(9600), Kind: plant.EventRecord, Action: "recovered"},
		{Time: at(10800), Kind: plant.EventStart, DurationS: 600},
	}
	down := Downtime(events, at(14400))
	want := []Span{{at(3600), at(7200)}, {at(9000), at(9600)}, {at(10200), at(10800)}}
	if !reflect.DeepEqual(down, want) {
		t.Fatalf("downtime %v, want %v", down, want)
	}
	events = append(events, burst(11, 0, 1)...)
	m := Measure(events, MetricsParams{From: at(0), To: at(14400), Down: down})
	if m.Up != 9600*time.Second || m.Down != 4800*time.Second {
		t.Errorf("up %v, down %v", m.Up, m.Down)
	}
	if m.Intervals != 16 || m.IntervalsOver10 != 1 || m.PercentOver10 != 6.25 {
		t.Errorf("%d periods, %d over, %v %%; want 16, 1, 6.25", m.Intervals, m.IntervalsOver10, m.PercentOver10)
	}
	if m.Hours != 3 {
		t.Errorf("%d hours, want 3", m.Hours)
	}
	if got, want := m.PerHour, 11/(9600.0/3600); math.Abs(got-want) > 1e-9 {
		t.Errorf("%v an hour, want %v", got, want)
	}
	if open := Downtime(events[:1], at(5000)); !reflect.DeepEqual(open, []Span{{at(3600), at(5000)}}) {
		t.Errorf("open downtime %v", open)
	}
}

// Floods across the border of the report: those that start inside are counted
// (alarm-system practice; the time of the other is time in flood).
func TestFloodAcrossBorder(t *testing.T) {
	events := append(burst(12, 0, 1), burst(6, 600, 1)...)
	events = append(events, burst(11, 1200, 1)...)
	events = append(events, burst(1, 1800, 1)...)
	m := Measure(events, MetricsParams{From: at(600), To: at(2400)})
	if len(m.Floods) != 0 || m.TimeInFlood != 1200*time.Second || m.PeriodEndsInFlood {
		t.Errorf("floods %v, %v in flood, open %v", m.Floods, m.TimeInFlood, m.PeriodEndsInFlood)
	}
	// A second report joins on: nothing is counted twice.
	m = Measure(events, MetricsParams{From: at(0), To: at(600)})
	if len(m.Floods) != 1 || !m.PeriodEndsInFlood {
		t.Errorf("floods %v, open %v", m.Floods, m.PeriodEndsInFlood)
	}
}

// A shelved alarm that chatters is no load on the operator, but is in the list
// of what would have called.
func TestMetricsShelvedChatterer(t *testing.T) {
	e, err := New([]plant.AlarmSpec{caseSpec("X")})
	if err != nil {
		t.Fatal(err)
	}
	if err := e.Do(Command{Action: TimedShelve, Alarm: "X", Duration: time.Hour, Reason: "instrument"}, at(0)); err != nil {
		t.Fatal(err)
	}
	for i := range 10 {
		is := plant.TruthOf(i%2 == 0)
		e.Feed(0, plant.AlarmInput{Time: at(float64(10 + i)), Raise: is, Hold: is, Quality: plant.Good})
	}
	e.Feed(0, plant.AlarmInput{Time: at(60), Raise: plant.True, Hold: plant.True, Quality: plant.Good})
	m := Measure(e.Drain(), MetricsParams{From: at(0), To: at(1800)})
	if m.Alarms != 0 || m.HiddenAlarms != 6 || len(m.HiddenTop) != 1 || len(m.Shelved) != 1 || len(m.Standing) != 0 || len(m.Chattering) != 1 {
		t.Errorf("alarms %d, hidden %d %v, shelved %v, standing %v, chattering %v", m.Alarms, m.HiddenAlarms, m.HiddenTop, m.Shelved, m.Standing, m.Chattering)
	}
	// Leaving the shelf calls the operator once; it is no new occurrence.
	e.Advance(at(3600))
	m = Measure(e.Drain(), MetricsParams{From: at(1800), To: at(7200)})
	if m.Alarms != 1 || m.Occurrences != 0 {
		t.Errorf("after the shelf: %d alarms, %d occurrences, want 1 and 0", m.Alarms, m.Occurrences)
	}
}
