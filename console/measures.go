package console

import (
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
	"calandria/plant"
)

// Bounds of reading the journal for measures, reports and exports.
const (
	journalPage  = 5000
	journalMost  = 200_000            // entries of one measure
	exportMost   = 20_000             // entries of one export
	reportMost   = 400                // entries a shift report lists
	reportWait   = 15 * time.Second   // for the averages of a report
	measureFresh = time.Minute        //
	measureLead  = 3 * 24 * time.Hour // read before a period, for states at its beginning
	topShown     = 10
	fewAlarms    = 100 // below this the share of the most frequent says nothing
)

// measureSpans are the periods of the measures page.
var measureSpans = []struct {
	Key, Text string
	Length    time.Duration
}{{"24h", "24 h", 24 * time.Hour}, {"7d", "7 days", 7 * 24 * time.Hour}, {"30d", "30 days", 30 * 24 * time.Hour}}

// journal reads the entries of [from, to), oldest first, at most most of them,
// the newest. It waits its turn like every heavy question.
func (s *Server) journal(ctx context.Context, f EventFilter, most int) ([]plant.Event, error) {
	select {
	case s.trends <- struct{}{}:
		defer func() { <-s.trends }()
	case <-ctx.Done():
		return nil, fmt.Errorf("wait for the journal: %w", ctx.Err())
	}
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
		f.Before = got[len(got)-1].Seq
	}
	slices.Reverse(out)
	return out, nil
}

// measure works out the measures of the alarm system over a period.
func (s *Server) measure(ctx context.Context, from, to time.Time) (alerting.Metrics, error) {
	events, err := s.journal(ctx, EventFilter{From: from.Add(-measureLead), To: to}, journalMost)
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
	Name, Note, Target string
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
	for _, a := range s.b.Specs() {
		if a.Name == name {
			r.Href, r.Source, r.Mark = "/alarms/"+escapeSegment(name), a.Source, markOf(int(a.Priority), false)
			if a.Title != "" {
				r.Title = a.Title
			}
		}
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
			r.Share = decimals(100*float64(c.Count)/float64(of), 0) + " %"
		}
		out = append(out, r)
	}
	return out
}

func (s *Server) measuresPage(r *http.Request, p *Picture, now time.Time) (*view, error) {
	key := r.URL.Query().Get("span")
	if key == "" {
		key = "7d"
	}
	chosen := -1
	for i, sp := range measureSpans {
		if sp.Key == key {
			chosen = i
		}
	}
	if chosen < 0 {
		return nil, badQuery("span: use 24h, 7d or 30d.")
	}
	ctx, cancel := context.WithTimeout(r.Context(), trendTimeout)
	defer cancel()
	var ms []alerting.Metrics
	type link struct {
		Text, Href string
		Now        bool
	}
	var links []link
	for i, sp := range measureSpans {
		m, err := kept(&s.answers, "measure "+sp.Key, now, measureFresh, func() (alerting.Metrics, error) { return s.measure(ctx, now.Add(-sp.Length), now) })
		if err != nil {
			return nil, err
		}
		ms = append(ms, m)
		links = append(links, link{sp.Text, "/record/measures?span=" + sp.Key, i == chosen})
	}
	var rows []measureRow
	add := func(name, note, target string, f func(m *alerting.Metrics) (string, bool)) {
		row := measureRow{Name: name, Note: note, Target: target}
		for i := range ms {
			text, over := f(&ms[i])
			if ms[i].Up <= 0 {
				text, over = dash, false
			}
			row.Cells = append(row.Cells, measureCell{text, over})
		}
		rows = append(rows, row)
	}
	num := func(v float64, n int, over bool) (string, bool) { return decimals(v, n), over }
	add("alarms", "that called the operator", "", func(m *alerting.Metrics) (string, bool) { return strconv.Itoa(m.Alarms), false })
	add("average rate", "alarms an hour", "about 6; 12 at most", func(m *alerting.Metrics) (string, bool) { return num(m.PerHour, 1, m.PerHour > 12) })
	add("peak", "most in one 10-minute period", "10 or fewer", func(m *alerting.Metrics) (string, bool) { return strconv.Itoa(m.Peak), m.Peak > 10 })
	add("periods over 10", "share of 10-minute periods, %", "under 1", func(m *alerting.Metrics) (string, bool) { return num(m.PercentOver10, 1, m.PercentOver10 >= 1) })
	add("hours over 30", "share of hours, %", "under 1", func(m *alerting.Metrics) (string, bool) { return num(m.PercentOver30, 1, m.PercentOver30 >= 1) })
	add("floods", "from over 10 to under 5 in 10 minutes", "", func(m *alerting.Metrics) (string, bool) { return strconv.Itoa(len(m.Floods)), false })
	add("time in flood", "%", "under 1", func(m *alerting.Metrics) (string, bool) { return num(m.PercentInFlood, 1, m.PercentInFlood >= 1) })
	add("ten most frequent", "their share, %", "1 to 5", func(m *alerting.Metrics) (string, bool) {
		return num(m.TopPercent, 0, m.TopPercent > 5 && m.Alarms >= fewAlarms)
	})
	add("chattering", "alarms with 3 or more within a minute", "none", func(m *alerting.Metrics) (string, bool) {
		return strconv.Itoa(len(m.Chattering)), len(m.Chattering) > 0
	})
	add("fleeting", "alarms gone within 10 s", "none", func(m *alerting.Metrics) (string, bool) { return strconv.Itoa(len(m.Fleeting)), len(m.Fleeting) > 0 })
	for pr := plant.PriorityLow; pr >= plant.PriorityUrgent; pr-- {
		target := map[plant.Priority]string{plant.PriorityLow: "about 80", plant.PriorityMedium: "about 15", plant.PriorityHigh: "about 5", plant.PriorityUrgent: "under 1"}[pr]
		add(pr.String()+" priority", "share of the alarms, %", target, func(m *alerting.Metrics) (string, bool) {
			for _, x := range m.ByPriority {
				if x.Priority == pr {
					return decimals(x.Percent, 0), false
				}
			}
			if m.Alarms == 0 {
				return dash, false
			}
			return "0", false
		})
	}
	for _, x := range []struct {
		note string
		of   func(d alerting.Durations) time.Duration
	}{{"median", func(d alerting.Durations) time.Duration { return d.Median }}, {"nine of ten within", func(d alerting.Durations) time.Duration { return d.P90 }}} {
		add("to acknowledge", x.note, "", func(m *alerting.Metrics) (string, bool) {
			if m.TimeToAck.Count == 0 {
				return dash, false
			}
			return span(x.of(m.TimeToAck)), false
		})
	}
	add("hidden alarms", "that would have called", "", func(m *alerting.Metrics) (string, bool) { return strconv.Itoa(m.HiddenAlarms), false })
	add("not watched", "time the program or its journal was down", "", func(m *alerting.Metrics) (string, bool) {
		if m.Down <= 0 {
			return "0", false
		}
		return span(m.Down), false
	})
	m := &ms[chosen]
	var floods []floodRow
	for i := len(m.Floods) - 1; i >= 0 && len(floods) < topShown; i-- {
		f := m.Floods[i]
		x := floodRow{From: s.stamp(f.From), Alarms: f.Alarms, Peak: f.Peak, Length: "still running"}
		if !f.To.IsZero() {
			x.Length = span(f.To.Sub(f.From))
		}
		floods = append(floods, x)
	}
	// What stands now is known from the picture, however long ago it began.
	var standing []alarmRow
	stale := 0
	for _, row := range s.lists(p, now).Active {
		if row.Active {
			standing = append(standing, row)
			if now.Sub(row.Since) > 24*time.Hour {
				stale++
			}
		}
	}
	slices.SortStableFunc(standing, func(a, b alarmRow) int { return a.Since.Compare(b.Since) })
	shown := standing
	if len(shown) > 2*topShown {
		shown = shown[:2*topShown]
	}
	data := map[string]any{"Spans": links, "Rows": rows, "Heads": measureSpans, "Chosen": measureSpans[chosen].Text, "Top": s.topRows(m.Top, m.Alarms), "Chattering": s.topRows(m.Chattering, 0),
		"Fleeting": s.topRows(m.Fleeting, 0), "Floods": floods, "Standing": shown, "StandingN": len(standing), "Stale": stale, "Down": m.Down > 0 && m.Up <= 0}
	return &view{Template: "measures.html", Title: "Measures of the alarm system", Section: "record", Data: data}, nil
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
	Label, Source, Mean, Low, High, Unit string
}

// reportTags are the main quantities of a house, by path.
func (s *Server) reportTags() []string {
	var out []string
	first := func(e *plant.Equipment, names ...string) {
		for _, n := range names {
			if e.Tag(n) != plant.NoTag {
				out = append(out, e.Path+"."+n)
				return
			}
		}
	}
	for _, e := range s.b.House().Of(plant.ClassSet) {
		first(e, "juice_in_flow", "juice_flow")
		first(e, "juice_brix")
		first(e, "syrup_brix")
		first(e, "evaporation")
		first(e, "steam_flow", "steam_calculated")
		first(e, "economy_measured", "economy")
		first(e, "header_pressure", "steam_pressure")
		for i := len(e.Parts) - 1; i >= 0; i-- {
			if e.Parts[i].Class == plant.ClassBody {
				first(e.Parts[i], "vapour_pressure")
				break
			}
		}
	}
	for _, e := range s.b.House().Of(plant.ClassCondenser) {
		first(e, "approach")
	}
	for _, e := range s.b.House().Of(plant.ClassPan) {
		first(e, "evaporation")
	}
	return out
}

// errIncomplete says that the archive answered for some quantities only.
var errIncomplete = errors.New("the archive did not answer in time for all")

// averages gives what it could; the error is errIncomplete if that is not all.
func (s *Server) averages(ctx context.Context, from, to time.Time) ([]averageRow, error) {
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
			r := averageRow{Label: label(t.Name), Source: t.Owner, Mean: dash, Low: dash, High: dash, Unit: unitText(t)}
			series, err := s.trend(ctx, path, from, to, 240)
			if err != nil {
				s.log.Warn("console: averages of a shift", "tag", path, "err", err)
				missing.Store(true)
			}
			sum, n, low, high := 0.0, 0, math.Inf(1), math.Inf(-1)
			for _, b := range series.Buckets {
				if math.IsNaN(b.Mean) {
					continue
				}
				sum, n = sum+b.Mean, n+1
				low, high = math.Min(low, b.Min), math.Max(high, b.Max)
			}
			if n > 0 {
				r.Mean, r.Low, r.High = number(t, sum/float64(n)), number(t, low), number(t, high)
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

func (s *Server) shiftPage(r *http.Request, p *Picture, now time.Time) (*view, error) {
	q := r.URL.Query()
	length := 8
	if v := q.Get("hours"); v != "" {
		n, err := strconv.Atoi(v)
		if _, ok := shiftHours[n]; err != nil || !ok {
			return nil, badQuery("hours: a shift has 8 or 12.")
		}
		length = n
	}
	at := now
	if v := q.Get("at"); v != "" {
		var err error
		if at, err = time.ParseInLocation("2006-01-02T15:04", v, s.zone); err != nil || at.Year() < 1970 || at.Year() > 2200 {
			return nil, badQuery("at: write a moment of the shift as 2026-03-01T06:00.")
		}
	}
	from, to, n := shiftAt(at, length, s.zone)
	if from.After(now) {
		return nil, badQuery("That shift has not begun.")
	}
	href := func(t time.Time) string {
		return fmt.Sprintf("/record/shift?hours=%d&at=%s", length, url.QueryEscape(t.In(s.zone).Format("2006-01-02T15:04")))
	}
	end := to
	running := to.After(now)
	if running {
		end = now
	}
	key := fmt.Sprintf("%d %d", from.Unix(), length)
	averages, err := kept(&s.answers, "shift averages "+key, now, measureFresh, func() ([]averageRow, error) { return s.averages(r.Context(), from, end) })
	if err != nil && !errors.Is(err, errIncomplete) {
		return nil, err
	}
	incomplete := err != nil
	ctx, cancel := context.WithTimeout(r.Context(), trendTimeout)
	defer cancel()
	m, err := kept(&s.answers, "shift measure "+key, now, measureFresh, func() (alerting.Metrics, error) { return s.measure(ctx, from, end) })
	if err != nil {
		return nil, err
	}
	events, err := s.journal(ctx, EventFilter{From: from, To: end.Add(time.Nanosecond)}, journalMost)
	if err != nil {
		return nil, fmt.Errorf("read the journal: %w", err)
	}
	var rows, notes []eventRow
	left := 0
	for i := range events {
		e := &events[i]
		switch e.Kind {
		case plant.EventNote:
			notes = append(notes, s.eventRow(*e))
			continue
		case plant.EventAlarm, plant.EventRealarm:
			if !e.Annunciated {
				continue
			}
		case plant.EventAck, plant.EventShelve, plant.EventUnshelve, plant.EventOutOfService, plant.EventInService, plant.EventComment, plant.EventReset,
			plant.EventChange, plant.EventStart, plant.EventStop, plant.EventSource, plant.EventRecord, plant.EventConfig:
		default:
			continue
		}
		if len(rows) == reportMost {
			left++
			continue
		}
		rows = append(rows, s.eventRow(*e))
	}
	type standing struct {
		topRow
		Since string
	}
	var stands []standing
	for _, x := range m.Standing {
		stands = append(stands, standing{s.title(x.Alarm), s.stamp(x.Since)})
	}
	slices.SortStableFunc(stands, func(a, b standing) int { return markRank(a.Mark) - markRank(b.Mark) })
	done, err := s.b.Cleanings(ctx, "", from, end)
	if err != nil {
		s.log.Warn("console: cleanings of a shift", "err", err)
	}
	var strikes []strikeRow
	known, err := s.strikes(ctx, now)
	if err != nil {
		s.log.Warn("console: strikes of a shift", "err", err)
	}
	ended, err := s.strikeRecords(ctx, now, StrikeFilter{From: from, To: end, Limit: reportMost})
	if err != nil {
		s.log.Warn("console: strikes of a shift", "err", err)
	}
	slices.Reverse(ended)
	for i := range ended {
		var usual *StrikeRecord
		for _, ps := range known {
			if ps.Pan == ended[i].Pan {
				usual = ps.Usual
			}
		}
		strikes = append(strikes, s.strikeRow(&ended[i], usual, now))
	}
	type share struct {
		Mark *markData
		N    int
	}
	var shares []share
	for pr := plant.PriorityUrgent; pr <= plant.PriorityLow; pr++ {
		sh := share{Mark: markOf(int(pr), false)}
		for _, x := range m.ByPriority {
			if x.Priority == pr {
				sh.N = x.Count
			}
		}
		shares = append(shares, sh)
	}
	data := map[string]any{"From": s.stamp(from)[:16], "To": s.stamp(to)[11:16], "Running": running, "Number": n, "Hours": length, "Day": from.In(s.zone).Format("Monday, 2 January 2006"),
		"Before": href(from.Add(-time.Minute)), "Averages": averages, "Incomplete": incomplete, "Shares": shares, "Alarms": m.Alarms, "PerHour": decimals(m.PerHour, 1), "Peak": m.Peak, "Top": s.topRows(m.Top, m.Alarms),
		"Standing": stands, "Rows": rows, "Left": left, "Notes": notes, "Cleanings": s.doneRows(done), "Strikes": strikes, "Made": s.stamp(now)[:16],
		"Other": fmt.Sprintf("/record/shift?hours=%d", 20-length), "OtherHours": 20 - length, "Sources": s.noteSources()}
	if !running {
		data["Next"] = href(to.Add(time.Minute))
	}
	return &view{Template: "shift.html", Title: "Shift report", Section: "record", Data: data}, nil
}

func markRank(m *markData) int {
	if m == nil {
		return 99
	}
	return rank(plant.Priority(m.Priority))
}

// --- Notes ---

type noteSource struct{ Path, Name string }

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
func (s *Server) addNote(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	f := r.PostForm
	n := Note{Source: f.Get("source"), Station: station(r)}
	var err error
	if n.User, err = cleanText("Name", f.Get("name"), maxName); err == nil {
		n.Text, err = cleanText("Note", f.Get("text"), maxText)
	}
	if err != nil {
		s.answer(w, r, err)
		return
	}
	if n.User == "" {
		n.User = nameOf(r)
	}
	problem := ""
	if _, ok := s.b.House().Equip(n.Source); n.Source != "" && !ok {
		problem = "There is no vessel of that name."
	}
	switch {
	case n.Text == "":
		problem = "Write the note first."
	case n.User == "":
		problem = "Say who you are first: the record needs a name."
	}
	if problem != "" {
		s.render(w, r, http.StatusUnprocessableEntity, problem, s.recordPage)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), commandTimeout)
	defer cancel()
	if err := s.b.AddNote(ctx, n); err != nil {
		s.answer(w, r, err)
		return
	}
	s.keep(w, r, nameCookie, n.User, nameKept)
	back := "/record"
	if f.Get("from") == "shift" {
		back = "/record/shift"
	}
	http.Redirect(w, r, back+"?done=note", http.StatusSeeOther)
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
func (s *Server) journalCSV(w http.ResponseWriter, r *http.Request) {
	rec, err := parseRecord(r.URL.Query())
	if err != nil {
		s.answer(w, r, err)
		return
	}
	rec.shown()
	ctx, cancel := context.WithTimeout(r.Context(), trendTimeout)
	defer cancel()
	events, err := s.journal(ctx, rec.Filter, exportMost)
	if err != nil {
		s.answer(w, r, fmt.Errorf("read the journal: %w", err))
		return
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
			return // the reader has gone
		}
	}
	c.Flush()
}
