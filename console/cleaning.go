package console

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo"
	"calandria/thermo/fouling"
)

// The cleaning page: where each body stands between two cleanings, when its
// limit is met, a proposal for the set, and the record of what was done. All of
// it is planning information.

// scaleBack and scaleAhead are the stretch of the small charts.
const (
	scaleBack  = 90 * 24 * time.Hour
	scaleAhead = 30 * 24 * time.Hour
	scaleFresh = 5 * time.Minute
	// belowTrend is how far U may lie below its trend, as a share of it, before
	// the page says that this is not like scale. Common practice, no source.
	belowTrend = 0.12
)

// statusWords say in words how a forecast stands; one with a day needs none.
var statusWords = map[fouling.Status]words.Text{
	fouling.NoData:       "no values of U yet",
	fouling.CleanUnknown: "clean U not known yet",
	fouling.Reached:      "limit reached now",
	fouling.FarOff:       "not in sight",
	fouling.TooEarly:     "too early to say",
}

// scaleView is one body on the cleaning page.
type scaleView struct {
	Name, Href, Path string
	Mark             *markData
	U, Ratio, Resist reading
	Rate, RateSigma  words.Text
	Days, Since      words.Text
	Due, In, Band    words.Text
	Status           words.Text
	Reached, Suspect bool
	Below            words.Text // % that U lies below its trend, where that is a lot
	Rests, Note      words.Text
	Limit, Restored  words.Text
	Chart            drawing
}

func (s *Server) day(t time.Time) words.Text {
	if t.IsZero() {
		return dash
	}
	return dateText(t.In(s.zone))
}

// inDays says how far off a day is.
func inDays(now, t time.Time) words.Text {
	d := t.Sub(now).Hours() / 24
	switch {
	case t.IsZero():
		return ""
	case d <= 0:
		return "now"
	case d < 1.5:
		return words.Say("in %d h", int(math.Ceil(d*24)))
	}
	return words.Say("in %.0f d", d)
}

// inNights says how far off a day of the calendar is.
func (s *Server) inNights(now, day time.Time) words.Text {
	y, m, d := now.In(s.zone).Date()
	Y, M, D := day.In(s.zone).Date()
	switch n := int(time.Date(Y, M, D, 0, 0, 0, 0, time.UTC).Sub(time.Date(y, m, d, 0, 0, 0, 0, time.UTC)).Hours() / 24); {
	case n <= 0:
		return "today"
	case n == 1:
		return "tomorrow"
	default:
		return words.Say("in %d d", n)
	}
}

func (s *Server) scales(ctx context.Context, set string, now time.Time) ([]thermo.Scale, error) {
	return kept(s.answers, "scales "+set, now, tailFresh, func() ([]thermo.Scale, error) {
		ctx, cancel := context.WithTimeout(ctx, commandTimeout)
		defer cancel()
		return s.b.Scales(ctx, set)
	})
}

func (s *Server) scaleViews(ctx context.Context, p *engine.Picture, set *plant.Equipment, now time.Time) ([]scaleView, error) {
	scales, err := s.scales(ctx, set.Path, now)
	if err != nil {
		return nil, fmt.Errorf("ask for the scale: %w", err)
	}
	done, err := s.cleanings(ctx, now)
	if err != nil {
		s.log.Warn("console: recorded cleanings", "err", err)
	}
	var out []scaleView
	for i := range scales {
		x := &scales[i]
		e, ok := s.b.House().Equip(x.Body)
		if !ok {
			continue
		}
		v := s.scaleView(p, e, x, now)
		v.Chart = s.scaleChart(ctx, e, x, done, now)
		out = append(out, v)
	}
	return out, nil
}

// scaleView is one row without its chart.
func (s *Server) scaleView(p *engine.Picture, e *plant.Equipment, x *thermo.Scale, now time.Time) scaleView {
	f := &x.Forecast
	v := scaleView{Name: e.Name, Href: vesselHref(e.Path), Path: e.Path, Mark: s.worst(p, e.Path), U: s.read(p, e.Tag("u"), now),
		Ratio: s.read(p, e.Tag("u_ratio"), now), Resist: s.read(p, e.Tag("scale_resistance"), now),
		Rate: dash, Due: s.day(f.Due), In: inDays(now, f.Due), Status: statusWords[f.Status], Reached: f.Status == fouling.Reached,
		Suspect: f.Suspect, Limit: decimals(100*f.Limit, 0)}
	if v.Reached {
		v.In = ""
	}
	var weak []words.Text
	for _, w := range f.Weak {
		weak = append(weak, w.Words())
	}
	v.Note = words.Join(weak, "; ")
	if f.Status != fouling.NoData {
		v.Rate, v.RateSigma = decimals(f.RatePct, 2), "± "+sigmaText(f.RateSigmaPct)
		if f.RateSigmaPct <= 0 {
			v.RateSigma = ""
		}
	}
	if f.Restored > 0 {
		v.Restored = words.Say("%s ± %s %%", decimals(100*f.Restored, 0), decimals(100*f.RestoredSigma, 0))
	}
	switch {
	case f.Early.IsZero() || v.Reached:
	case f.Late.IsZero():
		v.Band = words.Say("not before %s", s.day(f.Early))
	default:
		v.Band = words.Say("%s to %s, %s %%", s.day(f.Early), s.day(f.Late), decimals(100*f.Confidence, 0))
	}
	// Until the trend itself has noticed: what fell within hours is not scale.
	if u := s.read(p, e.Tag("u_normalised"), now); u.OK && f.U > 0 && u.Value < (1-belowTrend)*f.U {
		v.Below = decimals(100*(1-u.Value/f.U), 0)
	}
	switch {
	case x.Started.IsZero():
		v.Days, v.Since = dash, "nothing known"
	case x.Cleaned:
		v.Days, v.Since = words.Say("%.0f d", now.Sub(x.Started).Hours()/24), words.Say("cleaned %s", s.day(x.Started))
	default:
		v.Days, v.Since = words.Say("over %.0f d", math.Floor(now.Sub(x.Started).Hours()/24)), words.Say("no cleaning known since %s", s.day(x.Started))
	}
	if f.Values > 0 || f.Cycles > 0 {
		v.Rests = words.Say("%d h of U, %s, %s law", f.Values, counted(f.Cycles, "earlier cycle", "earlier cycles"), words.Text(f.Kind.String()))
		if f.FromEarlierPct >= 1 {
			v.Rests += "; " + words.Say("%s %% from earlier cycles", decimals(f.FromEarlierPct, 0))
		}
		if d := x.Depends; d.Reference != (fouling.Shape{}) {
			v.Rests += "; " + words.Say("U follows %.0f ± %.0f %% of the formula in temperature, %.0f ± %.0f %% in Brix, %.0f ± %.0f %% in heat flux",
				100*d.Share[0], 100*d.Sigma[0], 100*d.Share[1], 100*d.Sigma[1], 100*d.Share[2], 100*d.Sigma[2])
		}
	}
	return v
}

func counted(n int, one, more words.Text) words.Text {
	if n == 1 {
		return words.Say("%d %s", n, one)
	}
	return words.Say("%d %s", n, more)
}

func (s *Server) cleanings(ctx context.Context, now time.Time) ([]plant.Cleaning, error) {
	return kept(s.answers, "cleanings", now, tailFresh, func() ([]plant.Cleaning, error) {
		ctx, cancel := context.WithTimeout(ctx, trendTimeout)
		defer cancel()
		return s.b.Cleanings(ctx, "", now.Add(-scaleBack), now.Add(time.Hour))
	})
}

// scaleChart draws U over its clean value: the last ninety days, the limit, and
// where the forecast sees them meet.
func (s *Server) scaleChart(ctx context.Context, e *plant.Equipment, x *thermo.Scale, done []plant.Cleaning, now time.Time) drawing {
	const (
		w, h                = 520.0, 104.0
		left, right         = 34.0, 512.0
		top, bottom         = 6.0, 84.0
		low, high           = 0.4, 1.1
		points              = 180
		gap                 = 2 * scaleBack / points
		labelEvery, minText = 30 * 24 * time.Hour, 26.0
	)
	f := &x.Forecast
	d := drawing{ID: "scale-" + e.Name, W: w, H: h, Title: words.Say("U of %s in percent of clean, the last 90 days, the limit of %s percent and the forecast.", e.Name, decimals(100*f.Limit, 0))}
	from := now.Add(-scaleBack)
	px := func(t time.Time) float64 {
		part := float64(t.Sub(from)) / float64(scaleBack+scaleAhead)
		return round1(left + math.Max(0, math.Min(1, part))*(right-left))
	}
	py := func(r float64) float64 {
		return round1(top + (high-math.Max(low, math.Min(high, r)))/(high-low)*(bottom-top))
	}
	text := func(x, y float64, anchor string, t words.Text) {
		d.Captions = append(d.Captions, caption{X: x, Y: y, Anchor: anchor, Class: "st-scale", Text: t})
	}
	for _, r := range []float64{0.4, 0.6, 0.8, 1} {
		if math.Abs(r-f.Limit) < 0.1 && r < 1 {
			continue // gives way to the limit's own figure
		}
		d.Lines = append(d.Lines, line{X1: left, Y1: py(r), X2: right, Y2: py(r), Class: "lt-grid"})
		text(left-5, py(r)+4, "end", decimals(100*r, 0))
	}
	if f.Limit > 0 {
		d.Lines = append(d.Lines, line{X1: left, Y1: py(f.Limit), X2: right, Y2: py(f.Limit), Class: "sc-limit"})
		text(left-5, py(f.Limit)+4, "end", decimals(100*f.Limit, 0))
	}
	for at := -scaleBack; at <= scaleAhead; at += labelEvery {
		t := now.Add(at)
		word := s.day(t)
		if at == 0 {
			word = "now"
		}
		anchor := "middle"
		switch {
		case px(t) < left+minText/2:
			anchor = "start"
		case px(t) > right-minText/2:
			anchor = "end"
		}
		text(px(t), h-5, anchor, word)
		d.Lines = append(d.Lines, line{X1: px(t), Y1: bottom, X2: px(t), Y2: bottom + 3, Class: "sz-line"})
	}
	for _, c := range done {
		if c.Body == e.Path && c.End.After(from) {
			d.Lines = append(d.Lines, line{X1: px(c.End), Y1: top, X2: px(c.End), Y2: bottom, Class: "sc-done"})
		}
	}
	d.Lines = append(d.Lines, line{X1: px(now), Y1: 0, X2: px(now), Y2: bottom, Class: "st-now"})
	path := e.Path + ".u_ratio"
	if _, ok := s.b.House().Find(path); ok {
		ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
		defer cancel()
		series, err := kept(s.answers, "scale "+path, now, scaleFresh, func() ([]plant.Bucket, error) { return s.trend(ctx, path, from, now, points) })
		if err != nil {
			s.log.Debug("console: history of U", "tag", path, "err", err)
		}
		var pts strings.Builder
		var last time.Time
		flush := func() {
			if pts.Len() > 0 {
				d.Paths = append(d.Paths, shape{Points: strings.TrimSpace(pts.String()), Class: "st-trace"})
			}
			pts.Reset()
		}
		for _, b := range series {
			if math.IsNaN(b.Mean) {
				continue
			}
			if !last.IsZero() && b.Start.Sub(last) > gap {
				flush()
			}
			last = b.Start
			fmt.Fprintf(&pts, "%s,%s ", fmtCoord(px(b.Start)), fmtCoord(py(b.Mean)))
		}
		flush()
	}
	foretold(&d, f, now, px, py)
	return d
}

// foretold draws where the trend and the limit may meet.
func foretold(d *drawing, f *fouling.Forecast, now time.Time, px func(time.Time) float64, py func(float64) float64) {
	if !(f.Ratio > 0) || f.Limit == 0 || f.Early.IsZero() || f.Status == fouling.Reached {
		return
	}
	r := f.Ratio
	// Where a day lies beyond the chart, the line is cut at its edge.
	end := now.Add(scaleAhead)
	to := func(t time.Time) (float64, float64) {
		if t.IsZero() {
			return px(end), py(r)
		}
		if t.After(end) {
			part := float64(scaleAhead) / float64(t.Sub(now))
			return px(end), py(r + (f.Limit-r)*part)
		}
		return px(t), py(f.Limit)
	}
	ex, ey := to(f.Early)
	lx, ly := to(f.Late)
	band := fmt.Sprintf("%s,%s %s,%s ", fmtCoord(px(now)), fmtCoord(py(r)), fmtCoord(ex), fmtCoord(ey))
	if lx > ex && ly < py(f.Limit) {
		band += fmt.Sprintf("%s,%s ", fmtCoord(px(end)), fmtCoord(math.Max(ey, py(f.Limit))))
	}
	band += fmt.Sprintf("%s,%s", fmtCoord(lx), fmtCoord(ly))
	d.Paths = append(d.Paths, shape{Points: band, Class: "sc-band"})
	if !f.Due.IsZero() && f.Status == fouling.Expected {
		mx, my := to(f.Due)
		d.Paths = append(d.Paths, shape{Points: fmt.Sprintf("%s,%s %s,%s", fmtCoord(px(now)), fmtCoord(py(r)), fmtCoord(mx), fmtCoord(my)), Class: "sc-due"})
	}
}

// planLine is one proposed cleaning as the page shows it.
type planLine struct {
	Body, Href                                         string
	Day, In, Ratio, Move, Latest, Wait, WaitBand, Stop words.Text
	Stays                                              bool
}

// bestLine is the best boiling time of a body, or of all together.
type bestLine struct {
	Body, Throughput, Cost words.Text
	Href                   string
}

type planView struct {
	thermo.CleaningProposal
	Lines                                     []planLine
	Best                                      []bestLine
	Trade                                     [][5]words.Text // Intervals
	Habit, Refused, CostText, None, StartText words.Text
	Money                                     words.Text
	CSVHref, ICSRef                           string
	Form                                      url.Values
	OverdueText, AssumedText                  []words.Text
}

// thousands is a cost that may be meant as one with a mark for thousands.
var thousands = regexp.MustCompile(`^[1-9][0-9]{0,2}([,.][0-9]{3})+$`)

// parsePlan reads set, days, hours, loss, cost, off, stop, how, stops and nocrew.
func (s *Server) parsePlan(q url.Values) (thermo.CleaningWish, error) {
	w := thermo.CleaningWish{Set: q.Get("set")}
	sets := s.b.House().Of(plant.ClassSet)
	if w.Set == "" && len(sets) > 0 {
		w.Set = sets[0].Path
	}
	if e, ok := s.b.House().Equip(w.Set); !ok || e.Class != plant.ClassSet {
		return w, notFound("There is no evaporator set of that name.")
	}
	if v := q.Get("days"); v != "" {
		n, err := strconv.Atoi(v)
		if err != nil || n < 1 || n > 45 {
			return w, badQuery("days: give a whole number from 1 to 45.")
		}
		w.Days = n
	}
	for _, f := range []struct {
		key  string
		to   *float64
		high float64
	}{{"hours", &w.Hours, 24}, {"loss", &w.LossCost, 1e9}, {"cost", &w.Cost, 1e9}, {"off", &w.OffCost, 1e9}, {"stop", &w.StopCost, 1e9}} {
		v := strings.TrimSpace(q.Get(f.key))
		if v == "" {
			continue
		}
		if thousands.MatchString(v) {
			return w, badQuery("%s: write %s without a mark for thousands; a comma is a decimal sign.", f.key, v)
		}
		n, err := decimal(v)
		if err != nil || !(n > 0 && n <= f.high) {
			return w, badQuery("%s: give a number above 0, at most %g.", f.key, f.high)
		}
		*f.to = n
	}
	how, ok := ways[q.Get("how")]
	if !ok {
		return w, badQuery("how: give usual, bodies or stops.")
	}
	w.How = how
	list := func(key string) ([]string, error) {
		text, err := cleanText(words.Text(key), strings.Join(q[key], ","), 300)
		return strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ' ' || r == ';' }), err
	}
	stops, err := list("stops")
	if err == nil {
		w.Stops, err = ParseStops(stops, s.zone)
	}
	if err != nil {
		return w, &engine.Refused{Why: words.Of(err)}
	}
	noCrew, err := list("nocrew")
	if err == nil {
		w.NoCrew, err = ParseWeekdays(noCrew)
	}
	if err != nil {
		return w, &engine.Refused{Why: words.Of(err)}
	}
	return w, nil
}

// ways are the words for how a house cleans.
var ways = map[string]thermo.How{"": thermo.AsUsual, "usual": thermo.AsUsual, "bodies": thermo.BodyByBody, "stops": thermo.ByStops}

func (s *Server) plan(ctx context.Context, w thermo.CleaningWish, now time.Time) (thermo.CleaningProposal, error) {
	return kept(s.answers, fmt.Sprintf("plan %+v", w), now, time.Minute, func() (thermo.CleaningProposal, error) {
		ctx, cancel := context.WithTimeout(ctx, trendTimeout)
		defer cancel()
		return s.b.PlanCleanings(ctx, w)
	})
}

// planOf reads the wish for a plan from a page's address. A form that was sent
// and refused has none: the page shows the usual one.
func (s *Server) planOf(r *http.Request) (url.Values, thermo.CleaningWish, error) {
	q := r.URL.Query()
	if r.Method == http.MethodPost {
		q = url.Values{}
	}
	wish, err := s.parsePlan(q)
	return q, wish, err
}

type cleaningData struct {
	Set, SetPath string
	Sets         []link
	Bodies       []noteSource
	Done         []doneRow
	Vessels      []noteSource // set and bodies
	Planned      []plannedRow
	Given        url.Values // of a form that was refused
	Now          string
	Notice       words.Text
	Plan         planView
}

func (s *Server) cleaningPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	_, wish, err := s.planOf(r)
	if _, no := errors.AsType[*engine.Refused](err); err != nil && !no {
		return nil, err
	}
	set, _ := s.b.House().Equip(wish.Set)
	v := &view{Template: "cleaning.html", Title: "Cleaning", Section: "cleaning", Live: "view=cleaning&set=" + url.QueryEscape(wish.Set), Parts: parts{}}
	scales, err := s.scaleViews(r.Context(), p, set, now)
	if err != nil {
		return nil, err
	}
	v.Parts["scales"] = scales
	data := cleaningData{Set: set.Title, SetPath: set.Path, Notice: fouling.Notice, Now: now.In(s.zone).Format("2006-01-02 15:04"), Given: r.PostForm}
	for _, e := range s.b.House().Of(plant.ClassSet) {
		data.Sets = append(data.Sets, link{words.Verbatim(e.Title), "/cleaning?set=" + url.QueryEscape(e.Path), e == set})
	}
	data.Planned = s.plannedRows(r.Context())
	data.Vessels = []noteSource{{set.Path, set.Title}}
	for _, e := range set.Parts {
		data.Bodies = append(data.Bodies, noteSource{e.Path, e.Name + ", " + e.Title})
	}
	data.Vessels = append(data.Vessels, data.Bodies...)
	done, err := s.cleanings(r.Context(), now)
	if err != nil {
		s.log.Warn("console: recorded cleanings", "err", err)
	}
	data.Done = s.doneRows(done)
	v.Data = data
	return v, nil
}

// cleaningWithPlan puts the proposal on the page; the live parts do without it.
func (s *Server) cleaningWithPlan(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	v, err := s.cleaningPage(r, p, now)
	if err != nil {
		return nil, err
	}
	pv := planView{}
	q, wish, err := s.planOf(r)
	pv.Form = q
	var plan thermo.CleaningProposal
	if err == nil {
		plan, err = s.plan(r.Context(), wish, now)
	}
	if no, ok := errors.AsType[*engine.Refused](err); ok {
		pv.Wish = wish
		pv.Refused = no.Why
	} else if err != nil {
		return nil, fmt.Errorf("plan the cleanings: %w", err)
	}
	if pv.Refused == "" {
		s.showPlan(&pv, &plan, now)
		get := url.Values{"set": {wish.Set}}
		for _, k := range []string{"days", "hours", "loss", "cost", "off", "stop", "how", "stops", "nocrew"} {
			if v := strings.TrimSpace(strings.Join(q[k], ",")); v != "" {
				get.Set(k, v)
			}
		}
		pv.CSVHref, pv.ICSRef = "/cleaning/plan.csv?"+get.Encode(), "/cleaning/plan.ics?"+get.Encode()
	}
	d := v.Data.(cleaningData)
	d.Plan = pv
	v.Data = d
	return v, nil
}

// showPlan puts a proposal into words.
func (s *Server) showPlan(pv *planView, plan *thermo.CleaningProposal, now time.Time) {
	pv.CleaningProposal = *plan
	pv.StartText, pv.Money = s.weekday(plan.Start), words.Verbatim(plan.CostUnit)
	if plan.CostUnit == string(thermo.SteamUnit) {
		pv.Money = thermo.SteamUnit
	}
	for _, i := range plan.Intervals {
		pv.Trade = append(pv.Trade, IntervalTexts(i))
	}
	pv.CostText, pv.None = decimals(plan.Cost, 0), decimals(plan.CostNone, 0)
	pv.Habit, pv.OverdueText, pv.AssumedText = HabitText(plan), OverdueTexts(plan), AssumedTexts(plan)
	name := func(path string) (string, string) {
		if e, ok := s.b.House().Equip(path); ok {
			return e.Name, vesselHref(e.Path)
		}
		return path, ""
	}
	for _, l := range plan.Cleanings {
		x := planLine{Day: s.weekday(l.Day), In: s.inNights(now, l.Day), Ratio: decimals(100*l.Ratio, 0), Latest: s.weekday(l.Latest), Stop: words.Text(l.Stop),
			Wait: signed(l.WaitCost), Move: words.Say("%s to %s", s.day(l.First), s.day(l.Last))}
		if l.WaitHigh > l.WaitLow {
			x.WaitBand = words.Say("%s to %s", signed(l.WaitLow), signed(l.WaitHigh))
		}
		if x.Stays = l.First.Equal(l.Last); x.Stays {
			x.Move = "that day only"
		}
		x.Body, x.Href = name(l.Body)
		pv.Lines = append(pv.Lines, x)
	}
	if len(plan.Bodies) > 0 {
		pv.Best = append(pv.Best, bestLine{Body: "all at one stop", Throughput: BoilingText(plan.Whole.Throughput), Cost: BoilingText(plan.Whole.Cost)})
	}
	for _, b := range plan.Bodies {
		x := bestLine{Throughput: BoilingText(b.Throughput), Cost: BoilingText(b.Cost)}
		body, href := name(b.Body)
		x.Body, x.Href = words.Verbatim(body), href
		pv.Best = append(pv.Best, x)
	}
}

func signed(v float64) words.Text {
	if v >= 0 {
		return "+" + decimals(v, 0)
	}
	return decimals(v, 0)
}

func (s *Server) weekday(t time.Time) words.Text {
	if t.IsZero() {
		return dash
	}
	t = t.In(s.zone)
	return words.Say("%s %s", weekdays[t.Weekday()][1], dateText(t))
}

type doneRow struct {
	When                          words.Text
	Body, Href, Method, Who, Note string
}

func (s *Server) doneRows(done []plant.Cleaning) []doneRow {
	var out []doneRow
	for i := len(done) - 1; i >= 0; i-- {
		c := &done[i]
		r := doneRow{When: s.minute(c.End), Body: c.Body, Method: c.Method, Who: c.User, Note: c.Note}
		if c.End.IsZero() {
			r.When = "goes on"
		}
		if e, ok := s.b.House().Equip(c.Body); ok {
			r.Body, r.Href = e.Name, vesselHref(e.Path)
		}
		out = append(out, r)
	}
	return out
}

// planFile serves the proposal as a table or a calendar.
func (s *Server) planFile(calendar bool) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		wish, err := s.parsePlan(r.URL.Query())
		var plan thermo.CleaningProposal
		if err == nil {
			plan, err = s.plan(r.Context(), wish, time.Now())
		}
		if no, ok := errors.AsType[*engine.Refused](err); ok {
			err = badQuery("%s", no.Why)
		}
		if err != nil {
			s.answer(w, r, err)
			return
		}
		write, kind, name := WritePlanCSV, "text/csv; charset=utf-8", "cleaning-plan.csv"
		if calendar {
			write, kind, name = func(w io.Writer, p *fouling.Plan) error {
				return WritePlanCalendar(w, p, time.Now().UTC(), "calandria.invalid")
			}, "text/calendar; charset=utf-8", "cleaning-plan.ics"
		}
		w.Header().Set("Content-Type", kind)
		w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
		if err := write(w, &plan.Plan); err != nil {
			s.log.Debug("console: write a plan", "err", err)
		}
	}
}

// apiCleaning is where the bodies of a set stand, and the proposal; why there is none
// where it cannot be made.
func (s *Server) apiCleaning(w http.ResponseWriter, r *http.Request) error {
	now := time.Now()
	wish, err := s.parsePlan(r.URL.Query())
	if no, ok := errors.AsType[*engine.Refused](err); ok {
		err = badQuery("%s", no.Why)
	}
	var out struct {
		Bodies  []thermo.Scale           `json:"bodies"`
		Plan    *thermo.CleaningProposal `json:"plan,omitempty"`
		Refused words.Text               `json:"refused,omitempty"`
		Notice  words.Text               `json:"notice"`
	}
	out.Notice = fouling.Notice
	if err == nil {
		out.Bodies, err = s.scales(r.Context(), wish.Set, now)
	}
	if err == nil {
		var plan thermo.CleaningProposal
		plan, err = s.plan(r.Context(), wish, now)
		out.Plan = &plan
		if no, ok := errors.AsType[*engine.Refused](err); ok {
			out.Plan, out.Refused, err = nil, no.Why, nil
		}
	}
	if err != nil {
		return err
	}
	return reply(w, out)
}

// recordCleaning takes the form of a cleaning that was done.
func (s *Server) recordCleaning(w http.ResponseWriter, r *http.Request) error {
	f := r.PostForm
	c := plant.Cleaning{Body: f.Get("body"), Station: station(r)}
	var err error
	if c.Method, err = cleanText("Method", f.Get("method"), 100); err == nil {
		c.Note, err = cleanText("Note", f.Get("note"), maxText)
	}
	if err != nil {
		return err
	}
	var problem words.Text
	c.User, problem = who(r)
	e, ok := s.b.House().Equip(c.Body)
	now := time.Now()
	c.End, err = s.siteTime(f.Get("end"), formTime)
	switch {
	case !ok || e.Class != plant.ClassBody:
		problem = "Choose the body that was cleaned."
	case err != nil:
		problem = "Give the time at which the body was back in service, as 2026-11-25 06:00."
	case c.End.After(now):
		problem = "The body cannot have been back in service at a time to come."
	case now.Sub(c.End) > scaleBack:
		problem = "That is more than 90 days ago; it would change nothing any more."
	case c.Method == "":
		problem = "Say how it was cleaned."
	}
	return s.tell(w, r, problem, s.cleaningWithPlan, func(ctx context.Context) error { return s.b.RecordCleaning(ctx, c) }, c.User, "/cleaning?done=cleaning#done")
}
