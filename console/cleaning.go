package console

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"calandria/engine"
	"calandria/plant"
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

// statusWords say in words how a forecast stands.
var statusWords = map[string]string{
	"expected":         "",
	"reached":          "limit reached now",
	"beyond horizon":   "not in sight",
	"too early to say": "too early to say",
	"no data":          "no values of U yet",
}

// scaleView is one body on the cleaning page.
type scaleView struct {
	Name, Href, Path string
	Mark             *markData
	U, Ratio, Resist reading
	Rate, RateSigma  string
	Days, Since      string
	Due, In, Band    string
	Status           string
	Reached, Suspect bool
	Below            string // % that U lies below its trend, where that is a lot
	Rests, Note      string
	Limit            string
	Chart            drawing
}

func (s *Server) day(t time.Time) string {
	if t.IsZero() {
		return dash
	}
	return t.In(s.zone).Format("2 Jan")
}

// inDays says how far off a day is.
func inDays(now, t time.Time) string {
	d := t.Sub(now).Hours() / 24
	switch {
	case t.IsZero():
		return ""
	case d <= 0:
		return "now"
	case d < 1.5:
		return fmt.Sprintf("in %d h", int(math.Ceil(d*24)))
	}
	return fmt.Sprintf("in %.0f d", d)
}

// inNights says how far off a day of the calendar is.
func (s *Server) inNights(now, day time.Time) string {
	y, m, d := now.In(s.zone).Date()
	Y, M, D := day.In(s.zone).Date()
	switch n := int(time.Date(Y, M, D, 0, 0, 0, 0, time.UTC).Sub(time.Date(y, m, d, 0, 0, 0, 0, time.UTC)).Hours() / 24); {
	case n <= 0:
		return "today"
	case n == 1:
		return "tomorrow"
	default:
		return fmt.Sprintf("in %d d", n)
	}
}

func (s *Server) scaleViews(ctx context.Context, p *engine.Picture, set *plant.Equipment, now time.Time) ([]scaleView, error) {
	scales, err := kept(&s.answers, "scales "+set.Path, now, tailFresh, func() ([]Scale, error) {
		ctx, cancel := context.WithTimeout(ctx, commandTimeout)
		defer cancel()
		return s.b.Scales(ctx, set.Path)
	})
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
		v := scaleView{Name: e.Name, Href: vesselHref(e.Path), Path: e.Path, Mark: s.worst(p, e.Path), U: s.read(p, e.Tag("u"), now),
			Ratio: s.read(p, e.Tag("u_ratio"), now), Resist: s.read(p, e.Tag("scale_resistance"), now),
			Rate: dash, Due: s.day(x.Due), In: inDays(now, x.Due), Status: statusWords[x.Status], Reached: x.Status == "reached",
			Suspect: x.Suspect, Note: x.Note, Limit: decimals(100*x.Limit, 0)}
		if _, known := statusWords[x.Status]; !known {
			v.Status = x.Status
		}
		if v.Reached {
			v.In = ""
		}
		if x.Status != "no data" {
			v.Rate, v.RateSigma = decimals(x.RatePct, 2), "± "+sigmaText(x.SigmaPct)
			if x.SigmaPct <= 0 {
				v.RateSigma = ""
			}
		}
		switch {
		case x.Early.IsZero() || v.Reached:
		case x.Late.IsZero():
			v.Band = "not before " + s.day(x.Early)
		default:
			v.Band = fmt.Sprintf("%s to %s", s.day(x.Early), s.day(x.Late))
			if x.Confidence > 0 {
				v.Band += fmt.Sprintf(", %s %%", decimals(100*x.Confidence, 0))
			}
		}
		// Until the trend itself has noticed: what fell within hours is not scale.
		if now := v.Ratio.Value * x.CleanU; v.Ratio.OK && x.U > 0 && now < (1-belowTrend)*x.U {
			v.Below = decimals(100*(1-now/x.U), 0)
		}
		switch {
		case x.Started.IsZero():
			v.Days, v.Since = dash, "nothing known"
		case x.Cleaned:
			v.Days, v.Since = decimals(now.Sub(x.Started).Hours()/24, 0)+" d", "cleaned "+s.day(x.Started)
		default:
			v.Days, v.Since = "over "+decimals(math.Floor(now.Sub(x.Started).Hours()/24), 0)+" d", "no cleaning known since "+s.day(x.Started)
		}
		if x.Values > 0 || x.Cycles > 0 {
			v.Rests = fmt.Sprintf("%d h of U, %s, %s law", x.Values, counted(x.Cycles, "earlier cycle", "earlier cycles"), x.Law)
			if x.FromEarlierPct >= 1 {
				v.Rests += fmt.Sprintf("; %s %% from earlier cycles", decimals(x.FromEarlierPct, 0))
			}
			if x.Follows != "" {
				v.Rests += "; " + x.Follows
			}
		}
		v.Chart = s.scaleChart(ctx, e, x, done, now)
		out = append(out, v)
	}
	return out, nil
}

func counted(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}

func (s *Server) cleanings(ctx context.Context, now time.Time) ([]Cleaning, error) {
	return kept(&s.answers, "cleanings", now, tailFresh, func() ([]Cleaning, error) {
		ctx, cancel := context.WithTimeout(ctx, trendTimeout)
		defer cancel()
		return s.b.Cleanings(ctx, "", now.Add(-scaleBack), now.Add(time.Hour))
	})
}

// scaleChart draws U over its clean value: the last ninety days, the limit, and
// where the forecast sees them meet.
func (s *Server) scaleChart(ctx context.Context, e *plant.Equipment, x *Scale, done []Cleaning, now time.Time) drawing {
	const (
		w, h                = 520.0, 104.0
		left, right         = 34.0, 512.0
		top, bottom         = 6.0, 84.0
		low, high           = 0.4, 1.1
		points              = 180
		gap                 = 2 * scaleBack / points
		labelEvery, minText = 30 * 24 * time.Hour, 26.0
	)
	d := drawing{ID: "scale-" + e.Name, W: w, H: h, Title: fmt.Sprintf("U of %s in percent of clean, the last 90 days, the limit of %s percent and the forecast.", e.Name, decimals(100*x.Limit, 0))}
	from := now.Add(-scaleBack)
	px := func(t time.Time) float64 {
		f := float64(t.Sub(from)) / float64(scaleBack+scaleAhead)
		return round1(left + math.Max(0, math.Min(1, f))*(right-left))
	}
	py := func(r float64) float64 {
		return round1(top + (high-math.Max(low, math.Min(high, r)))/(high-low)*(bottom-top))
	}
	text := func(x, y float64, anchor, t string) {
		d.Captions = append(d.Captions, caption{X: x, Y: y, Anchor: anchor, Class: "st-scale", Text: t})
	}
	for _, r := range []float64{0.4, 0.6, 0.8, 1} {
		if math.Abs(r-x.Limit) < 0.1 && r < 1 {
			continue // gives way to the limit's own figure
		}
		d.Lines = append(d.Lines, line{X1: left, Y1: py(r), X2: right, Y2: py(r), Class: "lt-grid"})
		text(left-5, py(r)+4, "end", decimals(100*r, 0))
	}
	if x.Limit > 0 {
		d.Lines = append(d.Lines, line{X1: left, Y1: py(x.Limit), X2: right, Y2: py(x.Limit), Class: "sc-limit"})
		text(left-5, py(x.Limit)+4, "end", decimals(100*x.Limit, 0))
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
	path, scale := e.Path+".u_ratio", 1.0
	if x.CleanU > 0 {
		path, scale = e.Path+".u", 1/x.CleanU
	}
	if _, ok := s.b.House().Find(path); ok {
		ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
		defer cancel()
		series, err := kept(&s.answers, "scale "+path, now, scaleFresh, func() (Series, error) { return s.trend(ctx, path, from, now, points) })
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
		for _, b := range series.Buckets {
			if math.IsNaN(b.Mean) {
				continue
			}
			if !last.IsZero() && b.Time.Sub(last) > gap {
				flush()
			}
			last = b.Time
			fmt.Fprintf(&pts, "%s,%s ", fmtCoord(px(b.Time)), fmtCoord(py(b.Mean*scale)))
		}
		flush()
	}
	if x.CleanU > 0 && x.U > 0 && x.Limit > 0 && !x.Early.IsZero() && x.Status != "reached" {
		r := x.U / x.CleanU
		// Where a day lies beyond the chart, the line is cut at its edge.
		end := now.Add(scaleAhead)
		to := func(t time.Time) (float64, float64) {
			if t.IsZero() {
				return px(end), py(r)
			}
			if t.After(end) {
				f := float64(scaleAhead) / float64(t.Sub(now))
				return px(end), py(r + (x.Limit-r)*f)
			}
			return px(t), py(x.Limit)
		}
		ex, ey := to(x.Early)
		lx, ly := to(x.Late)
		band := fmt.Sprintf("%s,%s %s,%s ", fmtCoord(px(now)), fmtCoord(py(r)), fmtCoord(ex), fmtCoord(ey))
		if lx > ex && ly < py(x.Limit) {
			band += fmt.Sprintf("%s,%s ", fmtCoord(px(end)), fmtCoord(math.Max(ey, py(x.Limit))))
		}
		band += fmt.Sprintf("%s,%s", fmtCoord(lx), fmtCoord(ly))
		d.Paths = append(d.Paths, shape{Points: band, Class: "sc-band"})
		if !x.Due.IsZero() && x.Status == "expected" {
			mx, my := to(x.Due)
			d.Paths = append(d.Paths, shape{Points: fmt.Sprintf("%s,%s %s,%s", fmtCoord(px(now)), fmtCoord(py(r)), fmtCoord(mx), fmtCoord(my)), Class: "sc-due"})
		}
	}
	return d
}

// planLine is one proposed cleaning as the page shows it.
type planLine struct {
	Day, In, Body, Href, Ratio, Move, Latest, Binding, Wait, Stop string
	Stays                                                         bool
}

type planView struct {
	CleaningPlan
	Lines           []planLine
	Refused         string
	CostText, None  string
	CSVHref, ICSRef string
	Form            url.Values
	StartText       string
}

// parsePlan reads set, days, hours, loss, cost, off, stops and nocrew.
func (s *Server) parsePlan(q url.Values) (PlanWish, error) {
	w := PlanWish{Set: q.Get("set")}
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
	}{{"hours", &w.Hours, 24}, {"loss", &w.LossCost, 1e9}, {"cost", &w.Cost, 1e9}, {"off", &w.OffCost, 1e9}} {
		v := strings.TrimSpace(q.Get(f.key))
		if v == "" {
			continue
		}
		n, err := strconv.ParseFloat(v, 64)
		if err != nil || !(n > 0 && n <= f.high) {
			return w, badQuery("%s: give a number above 0, at most %g.", f.key, f.high)
		}
		*f.to = n
	}
	for _, f := range []struct {
		key string
		to  *[]string
	}{{"stops", &w.Stops}, {"nocrew", &w.NoCrew}} {
		text, err := cleanText(f.key, strings.Join(q[f.key], ","), 300)
		if err != nil {
			return w, err
		}
		*f.to = append(*f.to, strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ' ' || r == ';' })...)
	}
	return w, nil
}

func (s *Server) plan(ctx context.Context, w PlanWish, now time.Time) (CleaningPlan, error) {
	return kept(&s.answers, fmt.Sprintf("plan %+v", w), now, time.Minute, func() (CleaningPlan, error) {
		ctx, cancel := context.WithTimeout(ctx, trendTimeout)
		defer cancel()
		return s.b.PlanCleanings(ctx, w)
	})
}

// planOf reads the wish for a plan from a page's address. A form that was sent
// and refused has none: the page shows the usual one.
func (s *Server) planOf(r *http.Request) (url.Values, PlanWish, error) {
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
	Given        url.Values // of a form that was refused
	Now, Notice  string
	Plan         planView
}

func (s *Server) cleaningPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	_, wish, err := s.planOf(r)
	if err != nil {
		return nil, err
	}
	set, _ := s.b.House().Equip(wish.Set)
	v := &view{Template: "cleaning.html", Title: "Cleaning", Section: "cleaning", Live: "view=cleaning&set=" + url.QueryEscape(wish.Set), Parts: parts{}}
	scales, err := s.scaleViews(r.Context(), p, set, now)
	if err != nil {
		return nil, err
	}
	v.Parts["scales"] = scales
	data := cleaningData{Set: set.Title, SetPath: set.Path, Notice: cleaningNotice, Now: now.In(s.zone).Format("2006-01-02 15:04"), Given: r.PostForm}
	for _, e := range s.b.House().Of(plant.ClassSet) {
		data.Sets = append(data.Sets, link{e.Title, "/cleaning?set=" + url.QueryEscape(e.Path), e == set})
	}
	for _, e := range set.Parts {
		if e.Class == plant.ClassBody {
			data.Bodies = append(data.Bodies, noteSource{e.Path, e.Name + ", " + e.Title})
		}
	}
	done, err := s.cleanings(r.Context(), now)
	if err != nil {
		s.log.Warn("console: recorded cleanings", "err", err)
	}
	data.Done = s.doneRows(done)
	v.Data = data
	return v, nil
}

// cleaningNotice stands on the page, whatever else it says.
const cleaningNotice = "Planning information only. It is never a permission to isolate, open or enter a vessel, or to mix chemicals: site procedures, permits and local law decide."

// cleaningWithPlan puts the proposal on the page; the live parts do without it.
func (s *Server) cleaningWithPlan(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	v, err := s.cleaningPage(r, p, now)
	if err != nil {
		return nil, err
	}
	q, wish, err := s.planOf(r)
	if err != nil {
		return nil, err
	}
	pv := planView{Form: q}
	plan, err := s.plan(r.Context(), wish, now)
	if no, ok := errors.AsType[*engine.Refused](err); ok {
		pv.CleaningPlan.Wish = wish
		pv.Refused = no.Why
	} else if err != nil {
		return nil, fmt.Errorf("plan the cleanings: %w", err)
	}
	if pv.Refused == "" {
		pv.CleaningPlan = plan
		pv.StartText = s.weekday(plan.Start)
		pv.CostText, pv.None = decimals(plan.Cost, 0), decimals(plan.CostNone, 0)
		for _, l := range plan.Lines {
			x := planLine{Day: s.weekday(l.Day), In: s.inNights(now, l.Day), Body: l.Body, Ratio: decimals(100*l.RatioBefore, 0), Latest: s.weekday(l.Latest), Binding: l.Binding, Stop: l.Stop,
				Wait: "+" + decimals(l.WaitCost, 0), Move: s.day(l.First) + " to " + s.day(l.Last)}
			if x.Stays = l.First.Equal(l.Last); x.Stays {
				x.Move = "that day only"
			}
			if e, ok := s.b.House().Equip(l.Body); ok {
				x.Body, x.Href = e.Name, vesselHref(e.Path)
			}
			pv.Lines = append(pv.Lines, x)
		}
		get := url.Values{"set": {wish.Set}}
		for _, k := range []string{"days", "hours", "loss", "cost", "off", "stops", "nocrew"} {
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

func (s *Server) weekday(t time.Time) string {
	if t.IsZero() {
		return dash
	}
	return t.In(s.zone).Format("Mon 2 Jan")
}

type doneRow struct{ When, Body, Href, Method, Who, Note string }

func (s *Server) doneRows(done []Cleaning) []doneRow {
	var out []doneRow
	for i := len(done) - 1; i >= 0; i-- {
		c := &done[i]
		r := doneRow{When: s.stamp(c.End)[:max(0, len(s.stamp(c.End))-3)], Body: c.Body, Method: c.Method, Who: c.User, Note: c.Note}
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
		if err != nil {
			s.answer(w, r, err)
			return
		}
		plan, err := s.plan(r.Context(), wish, time.Now())
		if no, ok := errors.AsType[*engine.Refused](err); ok {
			err = badQuery("%s", no.Why)
		}
		if err != nil {
			s.answer(w, r, err)
			return
		}
		body, kind, name := plan.CSV, "text/csv; charset=utf-8", "cleaning-plan.csv"
		if calendar {
			body, kind, name = plan.Calendar, "text/calendar; charset=utf-8", "cleaning-plan.ics"
		}
		w.Header().Set("Content-Type", kind)
		w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
		w.Write(body)
	}
}

// recordCleaning takes the form of a cleaning that was done.
func (s *Server) recordCleaning(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r) {
		return
	}
	f := r.PostForm
	c := Cleaning{Body: f.Get("body"), Station: station(r)}
	var err error
	for _, x := range []struct {
		field, key string
		to         *string
		limit      int
	}{{"Name", "name", &c.User, maxName}, {"Method", "method", &c.Method, 100}, {"Note", "note", &c.Note, maxText}} {
		if *x.to, err = cleanText(x.field, f.Get(x.key), x.limit); err != nil {
			s.answer(w, r, err)
			return
		}
	}
	if c.User == "" {
		c.User = nameOf(r)
	}
	e, ok := s.b.House().Equip(c.Body)
	now := time.Now()
	problem := ""
	c.End, err = time.ParseInLocation("2006-01-02 15:04", strings.Join(strings.Fields(strings.Replace(f.Get("end"), "T", " ", 1)), " "), s.zone)
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
	case c.User == "":
		problem = "Say who you are first: the record needs a name."
	}
	s.tell(w, r, problem, s.cleaningWithPlan, func(ctx context.Context) error { return s.b.RecordCleaning(ctx, c) }, c.User, "/cleaning?done=cleaning#done")
}
