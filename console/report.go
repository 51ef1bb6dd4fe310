package console

import (
	"bytes"
	"cmp"
	"context"
	"encoding/csv"
	"fmt"
	"maps"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/console/catalog"
	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo"
	"calandria/thermo/fouling"
)

// A report of a shift, a day, a week or a season: the same tables as a page, as CSV and as PDF.

// reportSpan is a length of report. Flows are summed in steps; a step is short
// against what a shift changes, and few enough for a season.
type reportSpan struct {
	Key  string
	Text words.Text
	days int // 0: from the 1st of the month that a season begins with
	step time.Duration
}

var reportSpans = []reportSpan{{"shift", "Shift", 0, 5 * time.Minute}, {"day", "Day", 1, 10 * time.Minute}, {"week", "Week", 7, time.Hour}, {"season", "Season", 0, 6 * time.Hour}}

// seasonDays is the longest season a report looks back on, ours.
const seasonDays = 240

// reportTable is one table of a report. The first column names the row, the others
// are figures.
type reportTable struct {
	Title, Note words.Text
	Columns     []words.Text
	Rows        [][]words.Text
}

type textRow = []words.Text // a row of it

type report struct {
	Span             reportSpan
	Title            words.Text
	From, To, Made   string
	Running          bool
	Tables           []reportTable
	Spans            []reportSpan
	Before, Next     string // addresses
	CSV, PDF, At     string
	Orders           []ReportOrder
	begin, end, upto time.Time
}

// parseReport reads span and at: a day of the report that is asked for.
func (s *Server) parseReport(q url.Values, now time.Time) (*report, error) {
	d := &report{Spans: reportSpans, Orders: s.opt.Reports}
	for _, x := range reportSpans {
		if x.Key == cmp.Or(q.Get("span"), "week") {
			d.Span = x
		}
	}
	if d.Span.Key == "" {
		return nil, badQuery("span: write shift, day, week or season.")
	}
	at := now.In(s.site)
	if v := q.Get("at"); v != "" && d.Span.Key != "shift" {
		t, err := time.ParseInLocation("2006-01-02", v, s.site)
		if err != nil || t.Year() < 1970 || t.Year() > 2200 {
			return nil, badQuery("at: write a day of the report as 2026-03-01.")
		}
		at = t
	}
	day := time.Date(at.Year(), at.Month(), at.Day(), 6, 0, 0, 0, s.site) // as shifts begin
	if at.Before(day) && q.Get("at") == "" {
		day = day.AddDate(0, 0, -1)
	}
	layout, length := "2006-01-02", ""
	switch d.Span.Key {
	case "shift":
		var err error
		var hours int
		if d.begin, d.end, _, hours, err = s.parseShift(q, now); err != nil {
			return nil, err
		}
		day, layout, length = d.begin, "2006-01-02T15:04", fmt.Sprintf("&hours=%d", hours)
	case "day":
		d.begin, d.end = day, day.AddDate(0, 0, 1)
	case "week": // from Monday
		d.begin = day.AddDate(0, 0, -(int(day.Weekday())+6)%7)
		d.end = d.begin.AddDate(0, 0, 7)
	default:
		d.end = day.AddDate(0, 0, 1)
		d.begin = day.AddDate(0, 0, -seasonDays)
	}
	if d.begin.After(now) {
		return nil, badQuery("That time has not begun.")
	}
	d.upto = d.end
	if d.end.After(now) {
		d.upto, d.Running = now, true
	}
	href := func(t time.Time, format string) string {
		h := "/record/report?span=" + d.Span.Key + "&at=" + t.In(s.site).Format(layout) + length
		if format != "" {
			h += "&format=" + format
		}
		return h
	}
	before := d.begin.AddDate(0, 0, -1)
	if d.Span.Key == "shift" {
		before = d.begin.Add(-time.Minute)
	}
	d.Before = href(before, "")
	if !d.Running {
		d.Next = href(d.end, "")
	}
	d.At = day.In(s.site).Format(layout)
	d.CSV, d.PDF = href(day, "csv"), href(day, "pdf")
	d.From, d.To, d.Made = s.stamp(d.begin)[:16].String(), s.stamp(d.upto)[:16].String(), s.stamp(now)[:16].String()
	d.Title = map[string]words.Text{"shift": "Shift report", "day": "Day report", "week": "Week report", "season": "Season report"}[d.Span.Key]
	return d, nil
}

// overview is what the archive has of a tag over a stretch: mean weighted by time, least
// and greatest, and how much of the time has a usable value.
type overview struct{ mean, low, high, hours, percentGood float64 }

// total is the integral of a flow in t/h over the hours with a value, t.
func (o overview) total() float64 { return o.mean * o.hours }

// over asks for n stretches, so that no spike is lost and the archive answers from its
// roll-ups. Only stretches whose middle counts are in; nil: all do.
func (s *Server) over(ctx context.Context, path string, from, to time.Time, n int, counts func(time.Time) bool) (o overview, err error) {
	b, err := s.trend(ctx, path, from, to, n)
	o.low, o.high = math.Inf(1), math.Inf(-1)
	step := to.Sub(from).Hours() / float64(n)
	for _, x := range b {
		if h := step * x.PercentGood / 100; !math.IsNaN(x.Mean) && (counts == nil || counts(x.Start.Add(to.Sub(from)/time.Duration(2*n)))) {
			o.mean, o.hours = o.mean+x.Mean*h, o.hours+h
			o.low, o.high = min(o.low, x.Min), max(o.high, x.Max)
		}
	}
	if o.hours > 0 {
		o.mean /= o.hours
	}
	o.percentGood = min(100, 100*o.hours/to.Sub(from).Hours())
	return o, err
}

func (s *Server) reported(ctx context.Context, d *report, path string) (overview, error) {
	return s.over(ctx, path, d.begin, d.upto, max(1, int(d.upto.Sub(d.begin)/d.Span.step)), nil)
}

// first is the first signal or quantity of a list that a vessel has.
func first(e *plant.Equipment, names ...string) (string, bool) {
	for _, n := range names {
		if e.Tag(n) != plant.NoTag {
			return e.Path + "." + n, true
		}
	}
	return "", false
}

func (s *Server) totals(ctx context.Context, d *report, set *plant.Equipment) (reportTable, error) {
	u := s.units[kindMass]
	t := reportTable{Title: words.Say("%s: totals", set.Title), Columns: textRow{"flow", "total, t", words.Say("mean, %s", u.text), "hours with a value"},
		Note: "Only hours with a usable value are in a total."}
	sums := map[words.Text]overview{}
	for _, f := range []struct {
		name  words.Text
		paths []string
	}{
		{"cane", []string{"cane_rate"}}, {"juice", []string{"juice_in_flow", "juice_flow"}}, {"water evaporated", []string{"evaporation"}},
		{"syrup", []string{"syrup_flow", "syrup_calculated"}}, {"steam", []string{"steam_flow", "steam_calculated"}},
	} {
		path, ok := first(set, f.paths...)
		if !ok {
			continue
		}
		x, err := s.reported(ctx, d, path)
		if err != nil {
			return t, err
		}
		sums[f.name] = x
		row := textRow{f.name, dash, dash, decimals(x.hours, 1)}
		if x.hours > 0 {
			row[1], row[2] = decimals(x.total(), 0), decimals(u.of(x.mean), u.digits)
		}
		t.Rows = append(t.Rows, row)
	}
	ratio := func(name, a, b words.Text, digits int, by float64) {
		if x, y := sums[a], sums[b]; x.hours > 0 && y.mean > 0 {
			t.Rows = append(t.Rows, textRow{name, decimals(by*x.mean/y.mean, digits), dash, dash})
		}
	}
	ratio("economy: water by steam", "water evaporated", "steam", 2, 1)
	ratio("steam, % on cane", "steam", "cane", 1, 100)
	return t, nil
}

func (s *Server) bodies(ctx context.Context, d *report, set *plant.Equipment, now time.Time) (reportTable, error) {
	t := reportTable{Title: words.Say("%s: bodies", set.Title), Columns: textRow{"body", "U, kW/(m2 K)", "hours with U", "% clean, begin", "% clean, end", "cleanings", "restored to, %"},
		Note: "U is the mean; % clean is U against clean U, with its share of good time where that is not whole. Restored: U after a cleaning against clean U, for the cleanings in this time."}
	scales, err := s.scales(ctx, set.Path, now)
	if err != nil {
		return t, err
	}
	for _, e := range set.Parts {
		row := textRow{words.Verbatim(e.Name), dash, dash, dash, dash, "0", dash}
		if u, err := s.reported(ctx, d, e.Path+".u"); err != nil {
			return t, err
		} else if u.hours > 0 {
			row[1], row[2] = decimals(u.mean, 3), decimals(u.hours, 1)
		}
		b, err := s.trend(ctx, e.Path+".u_ratio", d.begin, d.upto, 28)
		if err != nil {
			return t, err
		}
		for _, x := range b {
			if !math.IsNaN(x.Mean) {
				row[4] = decimals(100*x.Mean, 0)
				if x.PercentGood < 99.5 {
					row[4] = words.Say("%s (%s %% good)", row[4], decimals(x.PercentGood, 0))
				}
				if row[3] == dash {
					row[3] = row[4]
				}
			}
		}
		row[5], row[6] = cleaningsOf(scales, e.Path, d)
		t.Rows = append(t.Rows, row)
	}
	return t, nil
}

// cleaningsOf counts the cycles of a body that a cleaning began in the time of a
// report, and says what each restored.
func cleaningsOf(scales []thermo.Scale, body string, d *report) (n, restored words.Text) {
	count := 0
	for i := range scales {
		x := &scales[i]
		if x.Body != body {
			continue
		}
		for _, c := range cyclesOf(x) {
			if c.Start.Before(d.begin) || !c.Start.Before(d.upto) {
				continue
			}
			count++
			if c.Restored > 0 {
				if restored != "" {
					restored += ", "
				}
				restored += decimals(100*c.Restored, 0)
			}
		}
	}
	return whole(count), cmp.Or(restored, dash)
}

// cyclesOf are those that a cleaning began, the running one too: the first begins with the
// first value unless its cleaning is on record.
func cyclesOf(x *thermo.Scale) []fouling.Cycle {
	list := slices.Clone(x.Cycles)
	if x.Cleaned {
		list = append(list, fouling.Cycle{Start: x.Started})
	}
	if len(x.Cycles) > 0 && !list[0].Recorded {
		list = list[1:]
	}
	return list
}

func (s *Server) strikeTotals(ctx context.Context, d *report, now time.Time) (reportTable, error) {
	t := reportTable{Title: "Pans: strikes that ended", Columns: textRow{"pan", "strikes", "mean h:mm", "water, t", "water a strike, t"}}
	list, err := s.strikeRecords(ctx, now, plant.StrikeFilter{From: d.begin, To: d.upto, Limit: 5000})
	if err != nil {
		return t, err
	}
	for _, e := range s.b.House().Of(plant.ClassPan) {
		n, watered := 0, 0
		var length time.Duration
		water := 0.0
		for i := range list {
			if r := &list[i]; r.Pan == e.Path {
				n++
				length += r.End.Sub(r.Start)
				if r.WaterT.OK {
					watered++
					water += r.WaterT.Value
				}
			}
		}
		row := textRow{words.Verbatim(e.Name), whole(n), dash, dash, dash}
		if n > 0 {
			row[2] = hours(length / time.Duration(n))
		}
		if watered > 0 {
			row[3], row[4] = decimals(water, 0), decimals(water/float64(watered), 1)
		}
		t.Rows = append(t.Rows, row)
	}
	return t, nil
}

// gaps lists what the archive lacks for good, and when the program was down.
func (s *Server) gaps(ctx context.Context, d *report) (reportTable, error) {
	t := reportTable{Title: "Times without data", Columns: textRow{"what", "from", "to", "tags"}, Note: "What was read back later is not among them."}
	events, err := s.b.Events(ctx, plant.EventFilter{From: d.begin, To: d.upto, Kinds: []plant.EventKind{plant.EventSource, plant.EventStart}, Limit: 5000})
	t.Rows = gapRows(events, s.stamp)
	return t, err
}

func gapRows(events []plant.Event, stamp func(time.Time) words.Text) (rows []textRow) {
	for i := range events {
		e := &events[i]
		var tags int
		var from, to time.Time
		if said, text, _ := strings.Cut(e.Text, " tags from "); e.Kind == plant.EventSource && strings.HasPrefix(said, "no data of ") {
			_, _ = fmt.Sscanf(said, "no data of %d", &tags)
			span, _, _ := strings.Cut(text, ": ")
			a, b, _ := strings.Cut(span, " to ")
			from, _ = time.Parse(time.RFC3339, a)
			to, _ = time.Parse(time.RFC3339, b)
			rows = append(rows, textRow{words.Say("%s: the server has no history", e.Source), stamp(from), stamp(to), whole(tags)})
		} else if e.Kind == plant.EventStart && e.DurationS >= 60 {
			down := time.Duration(e.DurationS * float64(time.Second))
			rows = append(rows, textRow{"the program was down", stamp(e.Time.Add(-down)), stamp(e.Time), dash})
		}
	}
	return rows
}

func (s *Server) alarmTotals(ctx context.Context, d *report) ([]reportTable, error) {
	m, err := s.measure(ctx, d.begin, d.upto)
	if err != nil {
		return nil, err
	}
	t := reportTable{Title: "Alarms", Columns: textRow{"measure", "value"}, Rows: []textRow{
		{"calls", whole(m.Alarms)}, {"calls an hour", decimals(m.PerHour, 1)}, {"most in ten minutes", whole(m.Peak)},
		{"time in flood, %", decimals(m.PercentInFlood, 1)}, {"hidden calls", whole(m.HiddenAlarms)},
	}}
	top := reportTable{Title: "Most frequent alarms", Columns: textRow{"alarm", "calls"}}
	for _, r := range s.topRows(m.Top, m.Alarms) {
		top.Rows = append(top.Rows, textRow{words.Say("%s, %s", r.Title, r.Source), whole(r.Count)})
	}
	return []reportTable{t, top}, nil
}

func (s *Server) report(ctx context.Context, q url.Values, now time.Time) (*report, error) {
	d, err := s.parseReport(q, now)
	if err != nil {
		return nil, err
	}
	var parts []func() (reportTable, error)
	for _, set := range s.b.House().Of(plant.ClassSet) {
		parts = append(parts, func() (reportTable, error) { return s.totals(ctx, d, set) },
			func() (reportTable, error) { return s.bodies(ctx, d, set, now) })
	}
	parts = append(parts, func() (reportTable, error) { return s.strikeTotals(ctx, d, now) },
		func() (reportTable, error) { return s.gaps(ctx, d) },
		func() (reportTable, error) { return s.averageTable(ctx, d, now) }, func() (reportTable, error) { return s.targetTable(ctx, d) },
		func() (reportTable, error) { return s.taskTable(ctx, now) })
	for _, part := range parts {
		t, err := part()
		if err != nil {
			return nil, err
		}
		d.Tables = append(d.Tables, t)
	}
	alarms, err := s.alarmTotals(ctx, d)
	d.Tables = slices.DeleteFunc(append(d.Tables, alarms...), func(t reportTable) bool { return len(t.Rows) == 0 })
	return d, err
}

// averageTable is the averages of the main quantities.
func (s *Server) averageTable(ctx context.Context, d *report, now time.Time) (reportTable, error) {
	t := reportTable{Title: "Averages", Columns: textRow{"quantity", "mean", "lowest", "highest", "unit"}, Note: boilingNote}
	rows, err := s.averages(ctx, d.begin, d.upto, now)
	for _, r := range rows {
		t.Rows = append(t.Rows, textRow{words.Say("%s %s", r.Source, r.Label), r.Mean, r.Low, r.High, r.Unit})
	}
	return t, err
}

// Target is what the site wants the mean of a tag to be over a shift, a day or more, in the
// unit of the program; either bound may be left out.
type Target struct {
	Least *float64 `yaml:"least"`
	Most  *float64 `yaml:"most"`
}

// targetTable sets the means against the targets of the site.
func (s *Server) targetTable(ctx context.Context, d *report) (reportTable, error) {
	t := reportTable{Title: "Targets of the site", Columns: textRow{"quantity", "target", "mean", "unit", "met"}}
	for _, path := range slices.Sorted(maps.Keys(s.opt.Targets)) {
		tag, ok := s.b.House().Find(path)
		if !ok {
			t.Rows = append(t.Rows, textRow{words.Verbatim(path), dash, dash, "", "there is no such tag"})
			continue
		}
		x, err := s.reported(ctx, d, path)
		if err != nil {
			return t, err
		}
		want, u := s.opt.Targets[path], s.unit(tag)
		low, high, met := want.Least, want.Most, words.Text("yes")
		if low != nil && x.mean < *low || high != nil && x.mean > *high {
			met = "no"
		}
		if u.scale < 0 { // a vacuum counts the other way
			low, high = high, low
		}
		var text words.Text
		switch {
		case low != nil && high != nil:
			text = words.Say("from %s to %s", s.number(tag, *low), s.number(tag, *high))
		case low != nil:
			text = words.Say("from %s", s.number(tag, *low))
		case high != nil:
			text = words.Say("up to %s", s.number(tag, *high))
		}
		row := textRow{tagLabel(tag), text, s.number(tag, x.mean), u.text, met}
		if x.hours == 0 {
			row[2], row[4] = dash, "no value"
		}
		t.Rows = append(t.Rows, row)
	}
	return t, nil
}

// task is something that a shift hands over until it is done.
type task struct {
	Seq               uint64
	Text, Source, Who string
	Age, Given        words.Text
}

// tasksMost is how many entries of tasks are looked through.
const tasksMost = 50_000

// tasks are those that are not done, the oldest first.
func (s *Server) tasks(ctx context.Context, now time.Time) (open []task, err error) {
	events, err := s.journal(ctx, plant.EventFilter{Kinds: []plant.EventKind{plant.EventTask, plant.EventDone}}, tasksMost)
	done := map[uint64]bool{}
	for _, e := range events {
		if e.Kind == plant.EventDone {
			done[e.Occurrence] = true
		}
	}
	for _, e := range events {
		if e.Kind == plant.EventTask && !done[e.Seq] {
			open = append(open, task{e.Seq, e.Text, e.Source, e.User, age(now, e.Time), s.minute(e.Time)})
		}
	}
	slices.SortFunc(open, func(a, b task) int { return cmp.Compare(a.Seq, b.Seq) })
	return open, err
}

func (s *Server) taskTable(ctx context.Context, now time.Time) (reportTable, error) {
	t := reportTable{Title: "To do", Columns: textRow{"task", "about", "given by", "since"}}
	open, err := s.tasks(ctx, now)
	for _, x := range open {
		t.Rows = append(t.Rows, textRow{words.Verbatim(x.Text), words.Verbatim(x.Source), words.Verbatim(x.Who), x.Given})
	}
	return t, err
}

// taskDone journals that a task is done.
func (s *Server) taskDone(w http.ResponseWriter, r *http.Request) error {
	seq, _ := strconv.ParseUint(r.PathValue("seq"), 10, 63)
	open, err := s.tasks(r.Context(), time.Now())
	if err != nil {
		return err
	}
	name, problem := who(r)
	i := slices.IndexFunc(open, func(t task) bool { return t.Seq == seq })
	e := plant.Event{Kind: plant.EventDone, Occurrence: seq, User: name, Station: station(r)}
	if i < 0 {
		problem = "There is no such task, or somebody was quicker."
	} else {
		e.Source, e.Text = open[i].Source, open[i].Text
	}
	return s.tell(w, r, problem, s.shiftPage, func(ctx context.Context) error { return s.b.Note(ctx, e) }, e.User, "/record/shift?done=task")
}

// reportPage shows a report; with format=csv or format=pdf it is a file.
func (s *Server) reportPage(r *http.Request, _ *engine.Picture, now time.Time) (*view, error) {
	d, err := s.report(r.Context(), r.URL.Query(), now)
	if err != nil {
		return nil, err
	}
	return &view{Template: "report.html", Title: d.Title, Section: "record", Data: d}, nil
}

func (s *Server) reportFile(w http.ResponseWriter, r *http.Request) error {
	format := r.URL.Query().Get("format")
	if format == "" {
		return s.render(w, r, http.StatusOK, "", s.reportPage)
	}
	now := s.b.Picture().Clock(time.Now())
	d, err := s.parseReport(r.URL.Query(), now)
	var data []byte
	if format != "csv" && format != "pdf" {
		err = badQuery("format: write csv or pdf.")
	}
	if err == nil {
		data, err = s.reportData(r.Context(), r.URL.Query(), format, now, s.languageOf(r))
	}
	if err != nil {
		return err
	}
	if format == "csv" {
		csvHead(w, d.fileName()+".csv")
	} else {
		w.Header().Set("Content-Type", "application/pdf")
		w.Header().Set("Content-Disposition", fmt.Sprintf("inline; filename=%q", d.fileName()+".pdf"))
	}
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(data))
	return nil
}

// reportCSV writes all tables, one row a figure: table, row, column, value. Numbers have a
// point in every language.
func (s *Server) reportCSV(c *csv.Writer, d *report, l *catalog.Language) error {
	l = l.For(".", s.measureWords)
	say := func(t words.Text) string { return plainCell(l.Say(t)) }
	c.Write([]string{"report", "from", "to", "table", "row", "column", "value"})
	for _, t := range d.Tables {
		for _, row := range t.Rows {
			for i := 1; i < len(row); i++ {
				if row[i] != dash {
					c.Write([]string{d.Span.Key, csvTime(d.begin), csvTime(d.upto), say(t.Title), say(row[0]), say(t.Columns[i]), say(row[i])})
				}
			}
		}
	}
	c.Flush()
	return c.Error()
}

// whole writes a count.
func whole(n int) words.Text { return words.Text(strconv.Itoa(n)) }
