package alerting

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"time"

	"calandria/plant"
)

// MetricsParams says what is measured. The zero values of the limits mean
// those of [DefaultMetrics].
type MetricsParams struct {
	From, To time.Time // half-open: From belongs to the period, To does not
	Area     string    // operating position; "" for the whole plant
	// Down is time in which the engine or the journal did not run. It is left
	// out of every denominator. See [Downtime].
	Down []Span

	FloodOver      int           // a flood starts with more than this in 10 min
	FloodBelow     int           // and ends with fewer than this
	ChatterCount   int           // occurrences ...
	ChatterWindow  time.Duration // ... within this time, sliding
	FleetingWithin time.Duration // returned in less than or exactly this
	StaleAfter     time.Duration // in alarm for more than this
	TopN           int
}

// DefaultMetrics gives the limits of ISA-18.2 clause 16 and EEMUA 191 (both
// from memory); no standard names a limit for fleeting alarms.
func DefaultMetrics(from, to time.Time) MetricsParams {
	return MetricsParams{
		From: from, To: to,
		FloodOver: 10, FloodBelow: 5,
		ChatterCount: 3, ChatterWindow: time.Minute,
		FleetingWithin: 10 * time.Second,
		StaleAfter:     24 * time.Hour,
		TopN:           10,
	}
}

// Span is a stretch of time, half-open.
type Span struct{ From, To time.Time }

// AlarmCount is how often one alarm did something.
type AlarmCount struct {
	Alarm string
	Count int
}

// Standing is an alarm that is in the alarm state and in view.
type Standing struct {
	Alarm string
	Since time.Time
}

// Flood is a stretch of 10-minute periods with too many alarms to deal with.
type Flood struct {
	From   time.Time
	To     time.Time // zero: still running at the end of the period
	Alarms int
	Peak   int // in one 10-minute period
	First  int // in its first 10-minute period
}

// PriorityShare is the share of one priority in the annunciated alarms.
type PriorityShare struct {
	Priority plant.Priority
	Count    int
	Percent  float64
}

// Durations sums up how long something took. All are zero if Count is.
type Durations struct {
	Count             int
	Each              []time.Duration // ascending
	Mean, Median, P90 time.Duration
	Longest           time.Duration
}

// Metrics is the performance of the alarm system over a period, as ISA-18.2
// and IEC 62682 clause 16 and EEMUA 191 define it. Percentages of nothing are
// zero.
type Metrics struct {
	From, To time.Time
	Area     string
	Up, Down time.Duration // of the period

	// Annunciated alarms: ALARM records that called the operator, and
	// reminders, which are part of Alarms and also counted by themselves.
	Alarms    int
	Reminders int
	// HiddenAlarms arose while shelved, suppressed or out of service. They are
	// in no other count of load.
	HiddenAlarms int

	Per10Min, PerHour, PerDay float64

	Intervals, IntervalsOver10 int // regular 10-minute periods, and those with more than 10
	PercentOver10              float64
	Hours, HoursOver30         int
	PercentOver30              float64
	Peak                       int // most in one 10-minute period
	PeakAt                     time.Time
	Last10Min                  int // in the 10 minutes up to To, sliding

	Floods          []Flood
	TimeInFlood     time.Duration
	PercentInFlood  float64
	Top             []AlarmCount // by count, then by name
	TopSum          int
	TopPercent      float64
	Chattering      []AlarmCount // most occurrences within the window
	Fleeting        []AlarmCount // fleeting occurrences
	ByPriority      []PriorityShare
	MaxRealarmCount int
	TimeToAck       Durations // annunciation to acknowledgement
	MaxActive       time.Duration
	MaxUnack        time.Duration
	Occurrences     int          // transitions into the alarm state, hidden ones too
	BulkAcks        int          // acknowledgements by one user within the same second, from the second on
	Refused         int          // commands refused
	ChangesNoReason int          // CHANGE records without a reason or number of the change
	HidingNoReason  int          // suppressed or out of service without a reason
	HiddenTop       []AlarmCount // shelved alarms that would have annunciated, as Top

	// At To:
	Standing          []Standing
	Stale             []Standing
	Shelved           []string
	SuppressedDesign  []string
	OutOfService      []string
	HiddenByAny       []string
	PeriodEndsInFlood bool
}

const (
	interval  = 10 * time.Minute
	overCount = 10
	hour      = time.Hour
	overHour  = 30
)

// Measure computes the metrics of a period from the journal's events. The
// events should begin early enough to contain the state at From; those of one
// alarm must be in order.
func Measure(events []plant.Event, p MetricsParams) Metrics {
	m := NewMeter(p)
	for i := range events {
		m.Add(&events[i])
	}
	return m.Result()
}

// Meter computes metrics from events that come one by one, so that a long
// journal need not be in memory.
type Meter struct {
	p        MetricsParams
	out      Metrics
	byTen    map[int64]int // annunciated alarms by number of the 10-minute period
	earlier  map[int64]int // the same before the period: a flood may have begun there
	byHour   map[int64]int
	calls    map[string]int
	hidden   map[string]int
	fleeting map[string]int
	priority map[plant.Priority]int
	alarms   map[string]*metered
	acks     map[ackMoment]int
	toAck    []time.Duration
}

type ackMoment struct {
	user string
	at   int64 // s
}

// metered is what is known of one alarm.
type metered struct {
	active       bool
	since        time.Time // of the occurrence
	unackSince   time.Time // zero: acknowledged
	calledSince  time.Time // first call of an occurrence not yet acknowledged
	recent       []time.Time
	mostInWindow int

	shelved, suppressed, outOfService bool
}

// NewMeter makes a meter for a period.
func NewMeter(p MetricsParams) *Meter {
	d := DefaultMetrics(p.From, p.To)
	p.FloodOver = cmp.Or(p.FloodOver, d.FloodOver)
	p.FloodBelow = cmp.Or(p.FloodBelow, d.FloodBelow)
	p.ChatterCount = cmp.Or(p.ChatterCount, d.ChatterCount)
	p.ChatterWindow = cmp.Or(p.ChatterWindow, d.ChatterWindow)
	p.FleetingWithin = cmp.Or(p.FleetingWithin, d.FleetingWithin)
	p.StaleAfter = cmp.Or(p.StaleAfter, d.StaleAfter)
	p.TopN = cmp.Or(p.TopN, d.TopN)
	return &Meter{
		p:     p,
		byTen: map[int64]int{}, earlier: map[int64]int{}, byHour: map[int64]int{},
		calls: map[string]int{}, hidden: map[string]int{}, fleeting: map[string]int{},
		priority: map[plant.Priority]int{}, alarms: map[string]*metered{}, acks: map[ackMoment]int{},
	}
}

// Add takes one event. Events at or after the end of the period, of other
// operating positions or not of an alarm are left out.
//
// Branches: one case for each kind of event, most of one line.
func (m *Meter) Add(ev *plant.Event) {
	t := ev.Time
	if ev.Alarm == "" || !t.Before(m.p.To) || m.p.Area != "" && ev.Area != m.p.Area {
		return
	}
	counts := !t.Before(m.p.From)
	a := m.alarms[ev.Alarm]
	if a == nil {
		a = &metered{}
		m.alarms[ev.Alarm] = a
	}
	switch ev.Kind {
	case plant.EventAlarm:
		m.alarm(a, ev, counts)
	case plant.EventRealarm:
		if counts {
			m.call(ev)
			m.out.Reminders++
			m.out.MaxRealarmCount = max(m.out.MaxRealarmCount, ev.Count)
		}
		if a.unackSince.IsZero() {
			a.unackSince = t
		}
		if !counts {
			m.earlier[number(t, interval)]++
		}
	case plant.EventReturn:
		if a.active && counts {
			took := t.Sub(a.since)
			m.out.MaxActive = max(m.out.MaxActive, took)
			if took <= m.p.FleetingWithin {
				m.fleeting[ev.Alarm]++
			}
		}
		a.active = false
	case plant.EventAck:
		m.ack(a, ev, counts)
	case plant.EventShelve:
		a.shelved = true
		m.endUnack(a, t, counts)
	case plant.EventUnshelve:
		a.shelved = false
	case plant.EventSuppress:
		a.suppressed = true
		m.endUnack(a, t, counts)
		if counts && ev.Reason == "" {
			m.out.HidingNoReason++
		}
	case plant.EventUnsuppress:
		// Another logic may suppress it still; the state tells.
		a.suppressed = ev.State == SuppressedByDesign.String()
	case plant.EventOutOfService:
		a.outOfService = true
		m.endUnack(a, t, counts)
		if counts && ev.Reason == "" {
			m.out.HidingNoReason++
		}
	case plant.EventInService:
		a.outOfService = false
	case plant.EventRejected:
		if counts {
			m.out.Refused++
		}
	case plant.EventChange:
		if counts && ev.Reason == "" {
			m.out.ChangesNoReason++
		}
	}
	if ev.State == Normal.String() && !a.unackSince.IsZero() {
		// Left suppression with the condition gone: nothing to acknowledge.
		m.endUnack(a, t, counts)
	}
}

func (m *Meter) alarm(a *metered, ev *plant.Event, counts bool) {
	t := ev.Time
	if !a.active {
		a.active, a.since = true, t
		a.calledSince = time.Time{}
		// A second call on leaving suppression is no new occurrence, even if
		// the first one is older than the events given.
		before, _ := stateNamed(ev.Before)
		shownLater := before.Hidden() && ev.Annunciated
		if counts && !shownLater {
			m.out.Occurrences++
			m.chatter(a, t)
		}
	}
	if !ev.Annunciated {
		if counts {
			m.out.HiddenAlarms++
			m.hidden[ev.Alarm]++
		}
		return
	}
	if a.unackSince.IsZero() {
		a.unackSince = t
	}
	if a.calledSince.IsZero() {
		a.calledSince = t
	}
	if counts {
		m.call(ev)
	} else {
		m.earlier[number(t, interval)]++
	}
}

// call counts one annunciated alarm.
func (m *Meter) call(ev *plant.Event) {
	m.out.Alarms++
	m.calls[ev.Alarm]++
	m.priority[ev.Priority]++
	m.byTen[number(ev.Time, interval)]++
	m.byHour[number(ev.Time, hour)]++
	if m.p.To.Sub(ev.Time) <= interval {
		m.out.Last10Min++
	}
}

func (m *Meter) ack(a *metered, ev *plant.Event, counts bool) {
	if counts {
		at := ackMoment{ev.User, ev.Time.Unix()}
		if m.acks[at]++; m.acks[at] > 1 {
			m.out.BulkAcks++
		}
		if !a.calledSince.IsZero() {
			m.toAck = append(m.toAck, ev.Time.Sub(a.calledSince))
		}
	}
	a.calledSince = time.Time{}
	m.endUnack(a, ev.Time, counts)
}

func (m *Meter) endUnack(a *metered, t time.Time, counts bool) {
	if counts && !a.unackSince.IsZero() {
		m.out.MaxUnack = max(m.out.MaxUnack, t.Sub(a.unackSince))
	}
	a.unackSince, a.calledSince = time.Time{}, time.Time{}
}

// chatter keeps the occurrences of the last window.
func (m *Meter) chatter(a *metered, t time.Time) {
	first := 0
	for first < len(a.recent) && t.Sub(a.recent[first]) > m.p.ChatterWindow {
		first++
	}
	a.recent = append(slices.Delete(a.recent, 0, first), t)
	a.mostInWindow = max(a.mostInWindow, len(a.recent))
}

// number is which regular interval, counted from 1970 in UTC, holds t.
func number(t time.Time, length time.Duration) int64 {
	s, n := t.Unix(), int64(length/time.Second)
	if s < 0 {
		return (s - n + 1) / n
	}
	return s / n
}

func startOf(number int64, length time.Duration) time.Time {
	return time.Unix(number*int64(length/time.Second), 0).UTC()
}

// Result gives the metrics of what has been added so far.
func (m *Meter) Result() Metrics {
	out := m.out
	p := m.p
	out.From, out.To, out.Area = p.From, p.To, p.Area
	down := clip(p.Down, p.From, p.To)
	for _, d := range down {
		out.Down += d.To.Sub(d.From)
	}
	out.Up = max(p.To.Sub(p.From)-out.Down, 0)
	if out.Up > 0 {
		rate := float64(out.Alarms) / out.Up.Hours()
		out.Per10Min, out.PerHour, out.PerDay = rate/6, rate, rate*24
	}
	m.regular(&out, down)

	out.Top, out.TopSum = top(m.calls, p.TopN)
	out.TopPercent = percent(float64(out.TopSum), float64(out.Alarms))
	out.HiddenTop, _ = top(m.hidden, p.TopN)
	out.Fleeting, _ = top(m.fleeting, len(m.fleeting))
	chattering := map[string]int{}
	for name, a := range m.alarms {
		if a.mostInWindow >= p.ChatterCount {
			chattering[name] = a.mostInWindow
		}
	}
	out.Chattering, _ = top(chattering, len(chattering))
	for _, pr := range slices.Sorted(maps.Keys(m.priority)) {
		n := m.priority[pr]
		out.ByPriority = append(out.ByPriority, PriorityShare{pr, n, percent(float64(n), float64(out.Alarms))})
	}
	out.TimeToAck = durations(m.toAck)

	for _, name := range slices.Sorted(maps.Keys(m.alarms)) {
		a := m.alarms[name]
		if a.active {
			out.MaxActive = max(out.MaxActive, p.To.Sub(a.since))
		}
		if !a.unackSince.IsZero() {
			out.MaxUnack = max(out.MaxUnack, p.To.Sub(a.unackSince))
		}
		if a.shelved {
			out.Shelved = append(out.Shelved, name)
		}
		if a.suppressed {
			out.SuppressedDesign = append(out.SuppressedDesign, name)
		}
		if a.outOfService {
			out.OutOfService = append(out.OutOfService, name)
		}
		switch {
		case a.shelved || a.suppressed || a.outOfService:
			out.HiddenByAny = append(out.HiddenByAny, name)
		case a.active:
			out.Standing = append(out.Standing, Standing{name, a.since})
			if p.To.Sub(a.since) > p.StaleAfter {
				out.Stale = append(out.Stale, Standing{name, a.since})
			}
		}
	}
	return out
}

// regular computes what rests on the regular 10-minute periods and hours. A
// period that the edges of the report cut counts with the part inside; one
// that was down throughout is left out, and ends a flood.
func (m *Meter) regular(out *Metrics, down []Span) {
	p := m.p
	if !p.From.Before(p.To) {
		return
	}
	// A flood that began before the period is not one of its floods, but its
	// time is time in flood.
	var flood *Flood
	if m.floodBefore(number(p.From, interval)) {
		flood = &Flood{}
	}
	var inFlood time.Duration
	for n := number(p.From, interval); startOf(n, interval).Before(p.To); n++ {
		from, to := later(startOf(n, interval), p.From), sooner(startOf(n+1, interval), p.To)
		up := to.Sub(from) - overlap(down, from, to)
		if up <= 0 {
			if flood != nil {
				flood.To = from
				flood = nil
			}
			continue
		}
		count := m.byTen[n]
		out.Intervals++
		if count > overCount {
			out.IntervalsOver10++
		}
		if count > out.Peak {
			out.Peak, out.PeakAt = count, startOf(n, interval)
		}
		switch {
		case flood == nil && count > p.FloodOver:
			out.Floods = append(out.Floods, Flood{From: from, First: count})
			flood = &out.Floods[len(out.Floods)-1]
		case flood != nil && count < p.FloodBelow:
			flood.To = from
			flood = nil
		}
		if flood != nil {
			flood.Alarms += count
			flood.Peak = max(flood.Peak, count)
			inFlood += up
		}
	}
	out.PeriodEndsInFlood = flood != nil
	out.TimeInFlood = inFlood
	out.PercentOver10 = percent(float64(out.IntervalsOver10), float64(out.Intervals))
	out.PercentInFlood = percent(inFlood.Seconds(), out.Up.Seconds())
	for n := number(p.From, hour); startOf(n, hour).Before(p.To); n++ {
		from, to := later(startOf(n, hour), p.From), sooner(startOf(n+1, hour), p.To)
		if to.Sub(from) <= overlap(down, from, to) {
			continue
		}
		out.Hours++
		if m.byHour[n] > overHour {
			out.HoursOver30++
		}
	}
	out.PercentOver30 = percent(float64(out.HoursOver30), float64(out.Hours))
}

// floodBefore reports whether a flood runs at the start of period n: since the
// last period below the end of floods there was one above their start.
func (m *Meter) floodBefore(n int64) bool {
	for n--; m.earlier[n] >= m.p.FloodBelow; n-- {
		if m.earlier[n] > m.p.FloodOver {
			return true
		}
	}
	return false
}

func percent(part, whole float64) float64 {
	if whole == 0 {
		return 0
	}
	return 100 * part / whole
}

// top orders by count, then by name, so that reports repeat.
func top(counts map[string]int, n int) (list []AlarmCount, sum int) {
	for name, c := range counts {
		list = append(list, AlarmCount{name, c})
	}
	slices.SortFunc(list, func(a, b AlarmCount) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Alarm, b.Alarm))
	})
	list = list[:min(n, len(list))]
	for _, c := range list {
		sum += c.Count
	}
	return list, sum
}

func durations(each []time.Duration) Durations {
	d := Durations{Count: len(each), Each: slices.Sorted(slices.Values(each))}
	if d.Count == 0 {
		return d
	}
	var sum float64
	for _, x := range d.Each {
		sum += float64(x)
	}
	d.Mean = time.Duration(math.Round(sum / float64(d.Count)))
	d.Median, d.P90 = d.rank(0.5), d.rank(0.9)
	d.Longest = d.Each[d.Count-1]
	return d
}

// rank is the nearest-rank percentile.
func (d Durations) rank(share float64) time.Duration {
	return d.Each[max(int(math.Ceil(share*float64(d.Count))), 1)-1]
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func sooner(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// clip cuts spans to the period and joins those that overlap.
func clip(spans []Span, from, to time.Time) []Span {
	var out []Span
	sorted := slices.SortedFunc(slices.Values(spans), func(a, b Span) int { return a.From.Compare(b.From) })
	for _, s := range sorted {
		s.From, s.To = later(s.From, from), sooner(s.To, to)
		if !s.From.Before(s.To) {
			continue
		}
		if n := len(out); n > 0 && !s.From.After(out[n-1].To) {
			out[n-1].To = later(out[n-1].To, s.To)
			continue
		}
		out = append(out, s)
	}
	return out
}

// overlap is how much of from..to lies in the spans.
func overlap(spans []Span, from, to time.Time) time.Duration {
	var sum time.Duration
	for _, s := range spans {
		if a, b := later(s.From, from), sooner(s.To, to); a.Before(b) {
			sum += b.Sub(a)
		}
	}
	return sum
}

// Downtime finds in the journal when the engine or the journal did not run up
// to the moment to: from STOP to the next START, and from RECORD with action
// "lost" to RECORD with action "recovered". A START after a crash, without a
// STOP before it, carries the known length of the gap in DurationS.
func Downtime(events []plant.Event, to time.Time) []Span {
	var spans []Span
	var stopped, lost time.Time
	for i := range events {
		ev := &events[i]
		switch {
		case ev.Kind == plant.EventStop && stopped.IsZero():
			stopped = ev.Time
		case ev.Kind == plant.EventStart && !stopped.IsZero():
			spans = append(spans, Span{stopped, ev.Time})
			stopped = time.Time{}
		case ev.Kind == plant.EventStart && ev.DurationS > 0:
			spans = append(spans, Span{ev.Time.Add(-time.Duration(ev.DurationS * float64(time.Second))), ev.Time})
		case ev.Kind == plant.EventRecord && ev.Action == "lost" && lost.IsZero():
			lost = ev.Time
		case ev.Kind == plant.EventRecord && ev.Action == "recovered" && !lost.IsZero():
			spans = append(spans, Span{lost, ev.Time})
			lost = time.Time{}
		}
	}
	for _, open := range []time.Time{stopped, lost} {
		if !open.IsZero() {
			spans = append(spans, Span{open, to})
		}
	}
	return spans
}
