package console

import (
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"calandria/alerting"
	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/pan"
)

// Bounds of reading the journal for measures, reports and exports.
const (
	journalPage  = 5000
	journalMost  = 200_000            // entries of one measure
	exportMost   = 20_000             // entries of one export
	reportMost   = 200                // entries a shift report lists
	reportWait   = 15 * time.Second   // for the averages of a report
	measureFresh = time.Minute        //
	measureLead  = 3 * 24 * time.Hour // read before a period, for states at its beginning
	topShown     = 10
	fewAlarms    = 100 // below this the share of the most frequent says nothing
)

// measureSpans are the periods of the measures page.
var measureSpans = []choice{{"24h", "24 h", 24 * time.Hour}, {"7d", "7 days", 7 * 24 * time.Hour}, {"30d", "30 days", 30 * 24 * time.Hour}}

// journal reads the entries of [from, to), oldest first, at most most of them,
// the newest. It waits its turn like every heavy question.
func (s *Server) journal(ctx context.Context, f plant.EventFilter, most int) ([]plant.Event, error) {
	if err := s.turn(ctx); err != nil {
		return nil, err
	}
	defer s.done()
	var out []plant.Event
	for len(out) < most {
		f.Limit = min(journalPage, most-len(out))
		got, err := s.b.Events(ctx, f)
		if err != nil {
			return nil, err
		}
		out = append(out, got...)
		if len(got) < f.Limit {
			break
		}
		f.BeforeSeq = got[len(got)-1].Seq
	}
	slices.Reverse(out)
	return out, nil
}

// measure works out the measures of the alarm system over a period.
func (s *Server) measure(ctx context.Context, from, to time.Time) (alerting.Metrics, error) {
	events, err := s.journal(ctx, plant.EventFilter{From: from.Add(-measureLead), To: to}, journalMost)
	if err != nil {
		return alerting.Metrics{}, fmt.Errorf("read the journal: %w", err)
	}
	p := alerting.DefaultMetrics(from, to)
	if len(events) > 0 {
		// What was before the journal began was not watched.
		if first := events[0]; len(events) < journalMost && first.Time.After(from) && first.Time.Before(to) {
			p.Down = append(p.Down, alerting.Span{From: from, To: first.Time})
		}
		p.Down = append(p.Down, alerting.Downtime(events, to)...)
	}
	return alerting.Measure(events, p), nil
}

type measureRow struct {
	Name, Note, Target words.Text
	Cells              []measureCell
}

type measureCell struct {
	Text string
	Over bool // beyond what is commonly quoted
}

type topRow struct {
	Title, Href, Source string
	Mark                *markData
	Count               int
	Share               string
}

type floodRow struct {
	From, Length string
	Alarms, Peak int
}

// title is what an alarm is called, and its mark.
func (s *Server) title(name string) topRow {
	r := topRow{Title: name}
	if a := s.spec(name); a != nil {
		r.Href, r.Source, r.Mark, r.Title = "/alarms/"+escapeSegment(name), a.Source, markOf(int(a.Priority), false), cmp.Or(a.Title, name)
	}
	return r
}

func (s *Server) topRows(list []alerting.AlarmCount, of int) []topRow {
	var out []topRow
	for i, c := range list {
		if i == topShown {
			break
		}
		r := s.title(c.Alarm)
		r.Count = c.Count
		if of > 0 {
			r.Share = (decimals(100*float64(c.Count)/float64(of), 0) + " %").String()
		}
		out = append(out, r)
	}
	return out
}

// measuresData is what the page of the measures shows.
type measuresData struct {
	Spans                     []link
	Heads                     []choice
	Chosen                    words.Text
	Rows                      []measureRow
	Top, Chattering, Fleeting []topRow
	Floods                    []floodRow
	Standing                  []alarmRow
	StandingN, Stale          int
}

func (s *Server) measuresPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	key := cmp.Or(r.URL.Query().Get("span"), "7d")
	chosen := slices.IndexFunc(measureSpans, func(c choice) bool { return c.Key == key })
	if chosen < 0 {
		return nil, badQuery("span: use 24h, 7d or 30d.")
	}
	ctx, cancel := context.WithTimeout(r.Context(), trendTimeout)
	defer cancel()
	data := measuresData{Heads: measureSpans, Chosen: measureSpans[chosen].Text}
	var ms []alerting.Metrics
	for i, sp := range measureSpans {
		m, err := kept(s.answers, "measure "+sp.Key, now, measureFresh, func() (alerting.Metrics, error) { return s.measure(ctx, now.Add(-sp.Length), now) })
		if err != nil {
			return nil, err
		}
		ms = append(ms, m)
		data.Spans = append(data.Spans, link{sp.Text, "/record/measures?span=" + sp.Key, i == chosen})
	}
	for _, x := range measures {
		row := measureRow{Name: x.name, Note: x.note, Target: x.target}
		for i := range ms {
			cell := measureCell{Text: dash}
			if ms[i].Up > 0 {
				cell.Text, cell.Over = x.of(&ms[i])
			}
			row.Cells = append(row.Cells, cell)
		}
		data.Rows = append(data.Rows, row)
	}
	m := &ms[chosen]
	data.Top, data.Chattering, data.Fleeting = s.topRows(m.Top, m.Alarms), s.topRows(m.Chattering, 0), s.topRows(m.Fleeting, 0)
	for i := len(m.Floods) - 1; i >= 0 && len(data.Floods) < topShown; i-- {
		f := m.Floods[i]
		x := floodRow{From: s.stamp(f.From).String(), Alarms: f.Alarms, Peak: f.Peak, Length: "still running"}
		if !f.To.IsZero() {
			x.Length = span(f.To.Sub(f.From)).String()
		}
		data.Floods = append(data.Floods, x)
	}
	// What stands now is known from the picture, however long ago it began.
	for _, row := range s.lists(p, now).Active {
		if row.Active {
			data.Standing = append(data.Standing, row)
			if now.Sub(row.Since) > 24*time.Hour {
				data.Stale++
			}
		}
	}
	slices.SortStableFunc(data.Standing, func(a, b alarmRow) int { return a.Since.Compare(b.Since) })
	data.StandingN = len(data.Standing)
	data.Standing = data.Standing[:min(data.StandingN, 2*topShown)]
	return &view{Template: "measures.html", Title: "Measures of the alarm system", Section: "record", Data: data}, nil
}

// measures are the rows of the table: how a measure is called, what is commonly quoted for it, how it is
// written, and whether it is beyond that.
var measures = []struct {
	name, note, target words.Text
	of                 func(m *alerting.Metrics) (text string, over bool)
}{
	{"alarms", "that called the operator", "", func(m *alerting.Metrics) (string, bool) { return strconv.Itoa(m.Alarms), false }},
	{"average rate", "alarms an hour", "about 6; 12 at most", func(m *alerting.Metrics) (string, bool) { return decimals(m.PerHour, 1).String(), m.PerHour > 12 }},
	{"peak", "most in one 10-minute period", "10 or fewer", func(m *alerting.Metrics) (string, bool) { return strconv.Itoa(m.Peak), m.Peak > 10 }},
	{"periods over 10", "share of 10-minute periods, %", "under 1", percent(func(m *alerting.Metrics) float64 { return m.PercentOver10 })},
	{"hours over 30", "share of hours, %", "under 1", percent(func(m *alerting.Metrics) float64 { return m.PercentOver30 })},
	{"floods", "from over 10 to under 5 in 10 minutes", "", func(m *alerting.Metrics) (string, bool) { return strconv.Itoa(len(m.Floods)), false }},
	{"time in flood", "%", "under 1", percent(func(m *alerting.Metrics) float64 { return m.PercentInFlood })},
	{"ten most frequent", "their share, %", "1 to 5", func(m *alerting.Metrics) (string, bool) {
		return decimals(m.TopPercent, 0).String(), m.TopPercent > 5 && m.Alarms >= fewAlarms
	}},
	{"chattering", "alarms with 3 or more within a minute", "none", some(func(m *alerting.Metrics) int { return len(m.Chattering) })},
	{"fleeting", "alarms gone within 10 s", "none", some(func(m *alerting.Metrics) int { return len(m.Fleeting) })},
	{"low priority", "share of the alarms, %", "about 80", ofPriority(plant.PriorityLow)},
	{"medium priority", "share of the alarms, %", "about 15", ofPriority(plant.PriorityMedium)},
	{"high priority", "share of the alarms, %", "about 5", ofPriority(plant.PriorityHigh)},
	{"urgent priority", "share of the alarms, %", "under 1", ofPriority(plant.PriorityUrgent)},
	{"to acknowledge", "median", "", toAck(func(d alerting.Durations) time.Duration { return d.Median })},
	{"to acknowledge", "nine of ten within", "", toAck(func(d alerting.Durations) time.Duration { return d.P90 })},
	{"hidden alarms", "that would have called", "", func(m *alerting.Metrics) (string, bool) { return strconv.Itoa(m.HiddenAlarms), false }},
	{"not watched", "time the program or its journal was down", "", func(m *alerting.Metrics) (string, bool) {
		if m.Down <= 0 {
			return "0", false
		}
		return span(m.Down).String(), false
	}},
}

func percent(of func(m *alerting.Metrics) float64) func(*alerting.Metrics) (string, bool) {
	return func(m *alerting.Metrics) (string, bool) { return decimals(of(m), 1).String(), of(m) >= 1 }
}

func some(of func(m *alerting.Metrics) int) func(*alerting.Metrics) (string, bool) {
	return func(m *alerting.Metrics) (string, bool) { return strconv.Itoa(of(m)), of(m) > 0 }
}

func ofPriority(pr plant.Priority) func(*alerting.Metrics) (string, bool) {
	return func(m *alerting.Metrics) (string, bool) {
		for _, x := range m.ByPriority {
			if x.Priority == pr {
				return decimals(x.Percent, 0).String(), false
			}
		}
		if m.Alarms == 0 {
			return dash, false
		}
		return "0", false
	}
}

func toAck(of func(d alerting.Durations) time.Duration) func(*alerting.Metrics) (string, bool) {
	return func(m *alerting.Metrics) (string, bool) {
		if m.TimeToAck.Count == 0 {
			return dash, false
		}
		return span(of(m.TimeToAck)).String(), false
	}
}

// --- Shift report ---

// shiftHours are the lengths of shift the report knows, with the hour at which
// the first of a day begins.
var shiftHours = map[int]int{8: 6, 12: 6}

// shiftAt is the shift of so many hours that a moment lies in, by the site's
// clock.
func shiftAt(t time.Time, hours int, zone *time.Location) (from, to time.Time, number int) {
	l := t.In(zone)
	begin := shiftHours[hours]
	day := l
	if l.Hour() < begin {
		day = l.AddDate(0, 0, -1)
	}
	n := ((l.Hour() - begin + 24) % 24) / hours
	at := func(k int) time.Time {
		return time.Date(day.Year(), day.Month(), day.Day(), begin+k*hours, 0, 0, 0, zone)
	}
	return at(n), at(n + 1), n + 1
}

type averageRow struct {
	Label, Mean, Low, High, Unit, Good words.Text
	Source                             string
}

// reportTags are the main quantities of a house, by path.
func (s *Server) reportTags() []string {
	var out []string
	add := func(e *plant.Equipment, names ...string) {
		if path, ok := first(e, names...); ok {
			out = append(out, path)
		}
	}
	for _, e := range s.b.House().Of(plant.ClassSet) {
		add(e, "juice_in_flow", "juice_flow")
		add(e, "juice_brix")
		add(e, "syrup_brix")
		add(e, "evaporation")
		add(e, "steam_flow", "steam_calculated")
		add(e, "economy_measured", "economy")
		add(e, "header_pressure", "steam_pressure")
		add(e.LastBody(), "vapour_pressure")
	}
	for _, e := range s.b.House().Of(plant.ClassCondenser) {
		add(e, "approach")
	}
	for _, e := range s.b.House().Of(plant.ClassPan) {
		add(e, "evaporation")
	}
	return out
}

// errIncomplete says that the archive answered for some quantities only.
var errIncomplete = errors.New("the archive did not answer in time for all")

// boilingNote stands beside averages.
const boilingNote = "Averages of a batch pan and of its condenser count only while a strike ran in it."

// boiledUntil is when a strike's boiling ended: its drop, else the end that is given.
func boiledUntil(x *Strike, end time.Time) time.Time {
	for _, p := range x.Phases {
		if p.Phase >= pan.Drop {
			return p.Start
		}
	}
	return end
}

// boiling reports whether a strike boiled in a pan at a moment; a continuous pan always boils.
func (s *Server) boiling(ctx context.Context, from, to, now time.Time) func(pan string, at time.Time) bool {
	type span struct{ from, to time.Time }
	ran := map[string][]span{}
	records, err := s.strikeRecords(ctx, now, plant.StrikeFilter{From: from, To: to.Add(24 * time.Hour), Limit: 5000})
	known, err2 := s.strikes(ctx, now)
	if err := errors.Join(err, err2); err != nil {
		s.log.Warn("console: strikes behind averages", "err", err)
	}
	for i := range records {
		ran[records[i].Pan] = append(ran[records[i].Pan], span{records[i].Start, boiledUntil(&records[i], records[i].End)})
	}
	for _, p := range known {
		if p.Running != nil {
			ran[p.Pan] = append(ran[p.Pan], span{p.Running.Start, boiledUntil(p.Running, now)})
		}
	}
	return func(pan string, at time.Time) bool {
		e, ok := s.b.House().Equip(pan)
		return ok && e.Pan != nil && len(e.Pan.Compartments) > 0 ||
			slices.ContainsFunc(ran[pan], func(x span) bool { return !at.Before(x.from) && at.Before(x.to) })
	}
}

// pansBehind are the pans that have to boil for a figure to count: its own, or those that
// its condenser serves and nothing else.
func (s *Server) pansBehind(t *plant.Tag) (pans []string) {
	h := s.b.House()
	switch t.Class {
	case plant.ClassPan:
		return []string{t.Owner}
	case plant.ClassCondenser:
		for _, set := range h.Of(plant.ClassSet) {
			if set.Set.Condenser == t.Owner {
				return nil
			}
		}
		for _, pan := range h.Of(plant.ClassPan) {
			if pan.Pan.Condenser == t.Owner {
				pans = append(pans, pan.Path)
			}
		}
	}
	return pans
}

// averages gives what it could; the error is errIncomplete if that is not all.
func (s *Server) averages(ctx context.Context, from, to, now time.Time) ([]averageRow, error) {
	boiling := s.boiling(ctx, from, to, now)
	ctx, cancel := context.WithTimeout(ctx, reportWait)
	defer cancel()
	tags := s.reportTags()
	out := make([]averageRow, len(tags))
	var missing atomic.Bool
	var all sync.WaitGroup
	for i, path := range tags { // the archive takes a few at a time
		all.Go(func() {
			defer func() { // no fault of a report may end the program
				if p := recover(); p != nil {
					s.log.Error("console: averages of a shift", "tag", path, "panic", p)
					missing.Store(true)
				}
			}()
			t, _ := s.b.House().Find(path)
			r := averageRow{Label: plant.Label(t.Name), Source: t.Owner, Mean: dash, Low: dash, High: dash, Unit: s.unit(t).text}
			var counts func(time.Time) bool
			if pans := s.pansBehind(t); len(pans) > 0 {
				r.Label = words.Say("%s while boiling", r.Label)
				counts = func(at time.Time) bool {
					return slices.ContainsFunc(pans, func(pan string) bool { return boiling(pan, at) })
				}
			}
			o, err := s.over(ctx, path, from, to, 240, counts)
			if err != nil {
				s.log.Warn("console: averages of a shift", "tag", path, "err", err)
				missing.Store(true)
			}
			if r.Good = decimals(o.percentGood, 0); o.hours > 0 {
				r.Mean = s.number(t, o.mean)
				r.Low, r.High = s.extremes(t, o.low, o.high)
			}
			out[i] = r
		})
	}
	all.Wait()
	if missing.Load() {
		return out, errIncomplete
	}
	return out, nil
}

// shiftData is what the report of a shift shows.
type shiftData struct {
	From, To, Made, Head      string
	Day                       words.Text
	Running                   bool
	Number, Hours, OtherHours int
	Before, Next, Other       string // addresses
	Averages                  []averageRow
	Incomplete                bool // the archive did not answer for all of them
	Alarms, Peak              int
	PerHour                   string
	Shares                    []share
	Top                       []topRow
	Standing                  []standingRow
	Rows, Notes               []eventRow
	Left                      int // events that are not listed
	Cleanings                 []doneRow
	Strikes                   []strikeRow
	Note                      noteForm
	Tables                    []reportTable // totals, strikes of the pans, targets
	Tasks                     []task
	PDF, CSV                  string
}

type standingRow struct {
	topRow
	Since string
}

// reported are the kinds of journal entry that a report lists, besides alarms that called.
var reported = []plant.EventKind{plant.EventAck, plant.EventShelve, plant.EventUnshelve, plant.EventOutOfService, plant.EventInService, plant.EventComment,
	plant.EventReset, plant.EventChange, plant.EventStart, plant.EventStop, plant.EventSource, plant.EventRecord, plant.EventConfig}

// parseShift reads hours and at: the shift that is asked for.
func (s *Server) parseShift(q url.Values, now time.Time) (from, to time.Time, n, length int, err error) {
	length = 8
	if v := q.Get("hours"); v != "" {
		length, err = strconv.Atoi(v)
		if _, ok := shiftHours[length]; err != nil || !ok {
			return from, to, 0, 0, badQuery("hours: a shift has 8 or 12.")
		}
	}
	at := now
	if v := q.Get("at"); v != "" {
		if at, err = time.ParseInLocation("2006-01-02T15:04", v, s.zone); err != nil || at.Year() < 1970 || at.Year() > 2200 {
			return from, to, 0, 0, badQuery("at: write a moment of the shift as 2026-03-01T06:00.")
		}
	}
	if from, to, n = shiftAt(at, length, s.site); from.After(now) {
		return from, to, 0, 0, badQuery("That shift has not begun.")
	}
	return from, to, n, length, nil
}

func (s *Server) shiftPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	from, to, n, length, err := s.parseShift(r.URL.Query(), now)
	if err != nil {
		return nil, err
	}
	href := func(t time.Time) string {
		return fmt.Sprintf("/record/shift?hours=%d&at=%s", length, url.QueryEscape(t.In(s.zone).Format("2006-01-02T15:04")))
	}
	head := ""
	if seq, hash := s.b.Head(); len(hash) >= 16 {
		head = fmt.Sprintf("%d:%s", seq, hash[:16])
	}
	d := shiftData{Head: head, From: s.minute(from).String(), To: s.stamp(to)[11:16].String(), Day: dayText(from.In(s.zone)), Made: s.minute(now).String(),
		Running: to.After(now), Number: n, Hours: length, OtherHours: 20 - length, Before: href(from.Add(-time.Minute)),
		Other: fmt.Sprintf("/record/shift?hours=%d", 20-length), Note: s.noteForm(r, "shift")}
	end := to
	if d.Running {
		end = now
	} else {
		d.Next = href(to.Add(time.Minute))
	}
	key := fmt.Sprintf("%d %d", from.Unix(), length)
	d.Averages, err = kept(s.answers, s.lookKey+"shift averages "+key, now, measureFresh, func() ([]averageRow, error) { return s.averages(r.Context(), from, end, now) })
	if d.Incomplete = errors.Is(err, errIncomplete); err != nil && !d.Incomplete {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(r.Context(), trendTimeout)
	defer cancel()
	m, err := kept(s.answers, "shift measure "+key, now, measureFresh, func() (alerting.Metrics, error) { return s.measure(ctx, from, end) })
	if err != nil {
		return nil, err
	}
	d.Alarms, d.Peak, d.PerHour, d.Top = m.Alarms, m.Peak, decimals(m.PerHour, 1).String(), s.topRows(m.Top, m.Alarms)
	for pr := plant.PriorityUrgent; pr <= plant.PriorityLow; pr++ {
		sh := share{Mark: markOf(int(pr), false)}
		for _, x := range m.ByPriority {
			if x.Priority == pr {
				sh.N = x.Count
			}
		}
		d.Shares = append(d.Shares, sh)
	}
	for _, x := range m.Standing {
		d.Standing = append(d.Standing, standingRow{s.title(x.Alarm), s.stamp(x.Since).String()})
	}
	slices.SortStableFunc(d.Standing, func(a, b standingRow) int { return markRank(a.Mark) - markRank(b.Mark) })
	if err := s.shiftEvents(ctx, &d, from, end); err != nil {
		return nil, err
	}
	done, err := s.b.Cleanings(ctx, "", from, end)
	if err != nil {
		s.log.Warn("console: cleanings of a shift", "err", err)
	}
	d.Cleanings = s.doneRows(done)
	d.Strikes = s.shiftStrikes(ctx, from, end, now)
	if d.Tasks, err = s.tasks(ctx, now); err != nil {
		return nil, fmt.Errorf("read the journal: %w", err)
	}
	rep := &report{Span: reportSpans[0], begin: from, end: to, upto: end}
	for _, set := range s.b.House().Of(plant.ClassSet) {
		t, err := kept(s.answers, s.lookKey+"shift totals "+set.Path+key, now, measureFresh, func() (reportTable, error) { return s.totals(ctx, rep, set) })
		if err != nil {
			return nil, err
		}
		d.Tables = append(d.Tables, t)
	}
	pans, err := s.strikeTotals(ctx, rep, now)
	targets, err2 := s.targetTable(ctx, rep)
	if err := errors.Join(err, err2); err != nil {
		return nil, err
	}
	d.Tables = slices.DeleteFunc(append(d.Tables, pans, targets), func(t reportTable) bool { return len(t.Rows) == 0 })
	at := fmt.Sprintf("/record/report?span=shift&hours=%d&at=%s&format=", length, url.QueryEscape(from.In(s.site).Format("2006-01-02T15:04")))
	d.PDF, d.CSV = at+"pdf", at+"csv"
	return &view{Template: "shift.html", Title: "Shift report", Section: "record", Data: d}, nil
}

// shiftEvents puts the journal of a shift into its report.
func (s *Server) shiftEvents(ctx context.Context, d *shiftData, from, end time.Time) error {
	events, err := s.journal(ctx, plant.EventFilter{From: from, To: end.Add(time.Nanosecond)}, journalMost)
	if err != nil {
		return fmt.Errorf("read the journal: %w", err)
	}
	for i := range events {
		e := &events[i]
		called := (e.Kind == plant.EventAlarm || e.Kind == plant.EventRealarm) && e.Annunciated
		switch {
		case e.Kind == plant.EventNote:
			d.Notes = append(d.Notes, s.eventRow(*e))
		case !called && !slices.Contains(reported, e.Kind):
		case len(d.Rows) == reportMost:
			d.Left++
		default:
			d.Rows = append(d.Rows, s.eventRow(*e))
		}
	}
	return nil
}

// shiftStrikes are the strikes that ended in a shift, in order of time.
func (s *Server) shiftStrikes(ctx context.Context, from, end, now time.Time) []strikeRow {
	known, err := s.strikes(ctx, now)
	ended, err2 := s.strikeRecords(ctx, now, plant.StrikeFilter{From: from, To: end, Limit: reportMost})
	if err := errors.Join(err, err2); err != nil {
		s.log.Warn("console: strikes of a shift", "err", err)
	}
	var out []strikeRow
	for i := range slices.Backward(ended) {
		var usual *Strike
		for _, ps := range known {
			if ps.Pan == ended[i].Pan {
				usual = ps.Usual
			}
		}
		out = append(out, s.strikeRow(&ended[i], usual, now))
	}
	return out
}

func markRank(m *markData) int {
	if m == nil {
		return 99
	}
	return rank(plant.Priority(m.Priority))
}

// --- Notes ---

type noteSource struct{ Path, Name string }

// noteForm is the form of a note.
type noteForm struct {
	From    string // which page it stands on
	Sources []noteSource
	Who     string
	Fixed   bool // who is signed in cannot be another
}

func (s *Server) noteForm(r *http.Request, from string) noteForm {
	return noteForm{from, s.noteSources(), nameOf(r), actorOf(r) != nil}
}

func (s *Server) noteSources() []noteSource {
	var out []noteSource
	for _, e := range s.b.House().Equipment {
		if e.Class != plant.ClassBleed {
			out = append(out, noteSource{e.Path, e.Name + ", " + e.Title})
		}
	}
	return out
}

// addNote journals an operator's note.
func (s *Server) addNote(w http.ResponseWriter, r *http.Request) error {
	f := r.PostForm
	n, said := plant.Event{Source: f.Get("source"), Station: station(r)}, "note"
	if f.Get("task") != "" {
		n.Kind, said = plant.EventTask, "handed"
	}
	var problem words.Text
	var err error
	n.User, problem = who(r)
	if n.Text, err = cleanText("Note", f.Get("text"), maxText); err != nil {
		return err
	}
	if _, ok := s.b.House().Equip(n.Source); n.Source != "" && !ok {
		problem = "There is no vessel of that name."
	}
	if n.Text == "" {
		problem = "Write the note first."
	}
	back := "/record"
	if f.Get("from") == "shift" {
		back = "/record/shift"
	}
	return s.tell(w, r, problem, s.recordPage, func(ctx context.Context) error { return s.b.Note(ctx, n) }, n.User, back+"?done="+said)
}

// --- Export ---

// plainCell keeps a spreadsheet from taking a text for a formula.
func plainCell(v string) string {
	if v != "" && strings.ContainsRune("=+-@\t\r\n", rune(v[0])) {
		return "'" + v
	}
	return v
}

// journalCSV is the record page's list as a table (RFC 4180), newest first.
func (s *Server) journalCSV(w http.ResponseWriter, r *http.Request) error {
	rec, err := parseRecord(r.URL.Query(), s.zone)
	if err != nil {
		return err
	}
	rec.shown()
	ctx, cancel := context.WithTimeout(r.Context(), trendTimeout)
	defer cancel()
	events, err := s.journal(ctx, rec.Filter, exportMost)
	if err != nil {
		return fmt.Errorf("read the journal: %w", err)
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="journal.csv"`)
	c := csv.NewWriter(w)
	c.UseCRLF = true
	c.Write([]string{"number", "time", "kind", "alarm", "title", "source", "priority", "occurrence", "value", "limit", "unit", "quality", "called", "user", "station", "reason", "comment", "code", "text"})
	titles := map[string]string{}
	for _, a := range s.b.Specs() {
		titles[a.Name] = a.Title
	}
	num := func(v *float64) string {
		if v == nil || math.IsNaN(*v) || math.IsInf(*v, 0) {
			return ""
		}
		return strconv.FormatFloat(*v, 'g', 8, 64)
	}
	for i := len(events) - 1; i >= 0; i-- {
		e := &events[i]
		row := []string{strconv.FormatUint(e.Seq, 10), e.Time.UTC().Format("2006-01-02T15:04:05.000Z"), plainCell(string(e.Kind)), plainCell(e.Alarm), plainCell(titles[e.Alarm]), plainCell(e.Source),
			"", "", num(e.Value), num(e.Setpoint), plainCell(e.Unit), plainCell(e.Quality), strconv.FormatBool(e.Annunciated), plainCell(e.User), plainCell(e.Station),
			plainCell(e.Reason), plainCell(e.Comment), plainCell(e.Code), plainCell(e.Text)}
		if e.Alarm != "" {
			row[6], row[7] = strconv.Itoa(int(e.Priority)), strconv.FormatUint(e.Occurrence, 10)
		}
		if err := c.Write(row); err != nil {
			return nil // the reader has gone
		}
	}
	c.Flush()
	return nil
}
