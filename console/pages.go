package console

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"html/template"
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
)

// view is one page before it is put into its frame.
type view struct {
	Template string
	Title    words.Text
	Section  string // which entry of the navigation is marked
	Live     string // query of its stream: what the page asks to be kept up to date
	Reload   bool   // with scripts off, load again by itself
	Data     any
	Parts    parts
}

// parts are the live parts of a page, by the id of their element: what the template
// "part-..." of that id shows.
type parts map[string]any

// section is one entry of the navigation.
type section struct {
	Key, Href string
	Text      words.Text
}

var sections = []section{
	{"house", "/", "House"}, {"alarms", "/alarms", "Alarms"}, {"trends", "/trends", "Trends"}, {"cleaning", "/cleaning", "Cleaning"},
	{"pans", "/pans", "Pans"}, {"record", "/record", "Record"}, {"instruments", "/instruments", "Instruments"}, {"rules", "/rules", "Rules"},
}

// link is one of several choices of a page.
type link struct {
	Text words.Text
	Href string
	Now  bool // the one that is shown
}

type pageFunc func(r *http.Request, p *engine.Picture, now time.Time) (*view, error)

// frame is what every page's template gets.
type frame struct {
	*view
	Site, Note, Version, Zone string
	Theme                     string // "" follows the system
	Who, Back                 string
	Actor                     *actor // who is signed in
	Accounts                  bool   // there is sign-in
	Empty                     bool   // there is no equipment yet
	Done, Problem             words.Text
	Field                     string // where the problem stands, "" for the top of the page
	Seq                       uint64
	Calls                     string
	HTML                      map[string]template.HTML
	Nav                       []section
	Languages                 []*catalog.Language
}

func (s *Server) page(f pageFunc) http.HandlerFunc {
	return s.handle(func(w http.ResponseWriter, r *http.Request) error { return s.render(w, r, http.StatusOK, "", f) })
}

// tell has the backend put something on record for the user and goes on to then. With a
// problem, or where the backend refuses, the page comes back and says so.
func (s *Server) tell(w http.ResponseWriter, r *http.Request, problem words.Text, page pageFunc, record func(context.Context) error, user, then string) error {
	if problem == "" {
		ctx, cancel := context.WithTimeout(r.Context(), commandTimeout)
		defer cancel()
		err := record(ctx)
		if no, ok := errors.AsType[*engine.Refused](err); ok {
			problem = no.Why
		} else if err != nil {
			return err
		}
	}
	if problem != "" {
		return s.render(w, r, http.StatusUnprocessableEntity, problem, page)
	}
	s.answers.forget()
	s.keep(w, r, nameCookie, user, nameKept)
	return seeOther(w, r, then)
}

func (s *Server) render(w http.ResponseWriter, r *http.Request, code int, problem words.Text, f pageFunc) error {
	p := s.b.Picture()
	now := p.Clock(time.Now())
	shown := p
	if shown == nil { // before the first scan: pages stand, without values
		shown = &engine.Picture{Frame: plant.NewFrame(0)}
	}
	v, err := f(r, shown, now)
	if err != nil {
		return err
	}
	body, err := s.compose(r, v, p, now, problem)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	w.Write(body)
	return nil
}

// compose puts a page into its frame.
func (s *Server) compose(r *http.Request, v *view, p *engine.Picture, now time.Time, problem words.Text) ([]byte, error) {
	site := s.b.House().Config.Site
	fr := frame{view: v, Site: site.Name, Note: site.Note, Version: s.opt.Version, Zone: s.zoneTag + now.In(s.zone).Format(", UTC-07:00"),
		Theme: themeOf(r), Who: nameOf(r), Actor: actorOf(r), Accounts: s.gate.path != "", Empty: v.Section != "setup" && !s.b.House().Equipped(), Back: localPath(r.URL.RequestURI()), Problem: problem,
		Done: doneText(r.URL.Query()), Nav: sections, Languages: s.languages}
	if r.Method == http.MethodPost { // a form that was refused: its own address shows nothing
		fr.Back = "/" + v.Section
	}
	if p != nil {
		fr.Seq, fr.Calls = p.Seq, strings.Join(callKeys(s.calls(p)), "\n")
	}
	fr.Field, _ = r.Context().Value(fieldKey{}).(string)
	var err error
	l := s.languageOf(r)
	if fr.HTML, err = s.parts(l, v, p, now); err != nil {
		return nil, err
	}
	var buf bytes.Buffer
	if err := s.execute(&buf, l, v.Template, fr); err != nil {
		return nil, fmt.Errorf("page %s: %w", v.Template, err)
	}
	return buf.Bytes(), nil
}

// parts renders the live parts of a page and the alarm strip in a language. The id of a part
// is the name of its template, with anything after a colon left out.
func (s *Server) parts(l *catalog.Language, v *view, p *engine.Picture, now time.Time) (map[string]template.HTML, error) {
	out := map[string]template.HTML{}
	var buf bytes.Buffer
	all := parts{"strip": s.strip(p, now)}
	maps.Copy(all, v.Parts)
	for id, data := range all {
		name, _, _ := strings.Cut(id, ":")
		buf.Reset()
		if err := s.execute(&buf, l, "part-"+name, data); err != nil {
			return nil, fmt.Errorf("part %s: %w", id, err)
		}
		out[id] = template.HTML(buf.String()) //nolint:gosec // made by html/template just now
	}
	return out, nil
}

// --- House ---

type houseData struct {
	Sets             []string // ids of their parts
	Pans, Condensers bool     // there are any
}

type condensers struct {
	Rows   []condView
	Units  []words.Text // of the cells
	Vacuum []vacuumView
	Calm   []calmLine
	Dashes []calmLine
}

type condView struct {
	Name, Title, Href string
	Mark              *markData
	Cells             []reading
}

func (s *Server) housePage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	h := s.b.House()
	v := &view{Template: "house.html", Title: "House", Section: "house", Live: "view=house", Reload: true, Parts: parts{}}
	var sets []string
	for _, e := range h.Of(plant.ClassSet) {
		id := "set:" + e.Path
		v.Parts[id] = s.setView(r.Context(), p, e, now)
		sets = append(sets, id)
	}
	var pans []panView
	for _, e := range h.Of(plant.ClassPan) {
		var trace []plant.Bucket
		if st, ok := strikeOf(p, e.Path); ok {
			trace = s.strikeTrace(r.Context(), st, e.Path+".supersaturation", now)
		}
		pans = append(pans, s.panView(p, e, now, trace, slimStrike, nil))
	}
	var conds []condView
	var shown []figure
	units := make([]words.Text, 4) // of the four figures below
	for _, e := range h.Of(plant.ClassCondenser) {
		c := condView{Name: e.Name, Title: e.Title, Href: vesselHref(e.Path), Mark: s.worst(p, e.Path)}
		for _, n := range []string{"vapour_pressure", "water_inlet_temperature", "water_outlet_temperature", "approach"} {
			x := s.read(p, e.Tag(n), now)
			if n == "vapour_pressure" && !x.OK {
				x = s.ownerPressure(p, e, now, x)
			}
			units[len(c.Cells)] = cmp.Or(units[len(c.Cells)], x.Unit)
			c.Cells = append(c.Cells, x)
			shown = append(shown, figure{Label: words.Say("%s, %s", plant.Label(n), e.Name), Value: x})
		}
		conds = append(conds, c)
	}
	var vacuum []vacuumView
	for i := range p.Vacuum {
		vacuum = append(vacuum, s.vacuumView(&p.Vacuum[i]))
	}
	v.Parts["pans"], v.Parts["condensers"] = pans, condensers{conds, units, vacuum, calmVacuum(vacuum), dashes(shown)}
	v.Parts["health"] = s.health(p, now)
	v.Data = houseData{sets, len(pans) > 0, len(conds) > 0}
	return v, nil
}

// ownerPressure takes the vapour pressure of the vessel before a condenser
// that has no gauge of its own.
func (s *Server) ownerPressure(p *engine.Picture, cond *plant.Equipment, now time.Time, absent reading) reading {
	for _, e := range s.b.House().Equipment {
		if s.condenserOf(e) != cond {
			continue
		}
		if e.Set != nil {
			e = e.LastBody()
		}
		if r := s.read(p, e.Tag("vapour_pressure"), now); r.OK {
			return r
		}
	}
	return absent
}

type healthView struct {
	Sources []sourceView
	Lines   []engine.Health
}

func (s *Server) health(p *engine.Picture, now time.Time) healthView {
	return healthView{Sources: s.sources(p, now), Lines: p.Health}
}

// --- Vessel ---

type readingGroup struct {
	Title    words.Text
	Readings []reading
}

type vesselData struct {
	Path, Trends          string
	Class                 words.Text
	Facts                 []words.Text
	Parts                 []bodyHead
	Parent, Before, After *bodyHead
	Set                   string // id of its part
	Pan                   bool
}

type vesselAlarms struct {
	Rows  []alarmRow
	Total int // defined
}

func headOf(e *plant.Equipment) *bodyHead {
	return &bodyHead{Name: e.Name, Title: e.Title, Href: vesselHref(e.Path)}
}

func (s *Server) vesselPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	e, ok := s.b.House().Equip(r.PathValue("path"))
	if !ok {
		return nil, notFound("There is no vessel of that name.")
	}
	v := &view{Template: "vessel.html", Title: words.Text(e.Title), Section: "house", Reload: true,
		Live: "view=vessel&path=" + url.QueryEscape(e.Path), Parts: parts{}}
	var groups []readingGroup
	add := func(eq *plant.Equipment, of string) {
		by := map[plant.Source][]reading{}
		for _, id := range slices.Sorted(maps.Values(eq.Tags)) {
			from := s.b.House().Tags[id].Source
			by[from] = append(by[from], s.read(p, id, now))
		}
		for _, g := range tagGroups {
			if len(by[g.of]) > 0 {
				title := g.text
				if of != "" {
					title = words.Say("Vapour to %s: %s", of, g.text)
				}
				groups = append(groups, readingGroup{Title: title, Readings: by[g.of]})
			}
		}
	}
	add(e, "")
	for _, part := range e.Parts {
		if part.Class == plant.ClassBleed {
			add(part, part.Title)
		}
	}
	s.addTails(r.Context(), groups, now)
	v.Parts["readings"] = groups
	var rows []alarmRow
	l := s.lists(p, now)
	for _, list := range [][]alarmRow{l.Active, l.Shelved, l.Suppressed, l.OutOfService} {
		for _, row := range list {
			if row.Source == e.Path || strings.HasPrefix(row.Source, e.Path+".") {
				rows = append(rows, row)
			}
		}
	}
	v.Parts["vessel-alarms"] = vesselAlarms{rows, s.specsOf(e.Path)}
	data := vesselData{Path: e.Path, Class: classWord(e.Class), Facts: s.facts(e, now), Trends: strings.TrimSuffix(trendsHref(mainTags(e), ""), "?"), Pan: e.Class == plant.ClassPan}
	for _, part := range e.Parts {
		if part.Class != plant.ClassBleed {
			data.Parts = append(data.Parts, *headOf(part))
		}
	}
	if data.Pan {
		var trace []plant.Bucket
		if st, ok := strikeOf(p, e.Path); ok {
			trace = s.strikeTrace(r.Context(), st, e.Path+".supersaturation", now)
		}
		v.Parts["strike"] = []panView{s.panView(p, e, now, trace, wideStrike, nil)}
	}
	if c := s.servedBy(e); c != nil && e.Class != plant.ClassSet {
		if vac, ok := s.vacuumOf(p, c.Path); ok {
			v.Parts["vacuum"] = vac
		}
	}
	if e.Class == plant.ClassSet {
		data.Set = "set:" + e.Path
		v.Parts[data.Set] = s.setView(r.Context(), p, e, now)
	}
	if e.Parent != nil {
		data.Parent = headOf(e.Parent)
		alike := e.Parent.Parts
		i := slices.Index(alike, e)
		if i > 0 && alike[i-1].Class == e.Class {
			data.Before = headOf(alike[i-1])
		}
		if i+1 < len(alike) && alike[i+1].Class == e.Class {
			data.After = headOf(alike[i+1])
		}
	}
	v.Data = data
	return v, nil
}

// tagGroups are the groups of readings on the page of a vessel, in order.
var tagGroups = []struct {
	of   plant.Source
	text words.Text
}{{plant.Measured, "Measured"}, {plant.Derived, "Calculated"}, {plant.Ruled, "By the site's rules"}, {plant.Fixed, "Fixed by the configuration"}, {plant.System, "About the program"}}

var classWords = map[plant.Class]words.Text{
	plant.ClassSet: "evaporator set", plant.ClassBody: "evaporator body", plant.ClassBleed: "vapour bleed", plant.ClassCondenser: "condenser",
	plant.ClassPan: "vacuum pan", plant.ClassSystem: "the program", plant.ClassSite: "the site",
}

func classWord(c plant.Class) words.Text { return cmp.Or(classWords[c], words.Text(c)) }

// facts are what the configuration says of a vessel.
func (s *Server) facts(e *plant.Equipment, now time.Time) []words.Text {
	var f []words.Text
	dated := func(format words.Text, d *plant.Dated) {
		if v := d.At(now); v != 0 {
			text := words.Say(format, v)
			if since := d.Since(now); !since.IsZero() {
				text += " " + words.Say("since %s", since.In(s.zone).Format(time.DateOnly))
			}
			f = append(f, text)
		}
	}
	num := func(format words.Text, v float64) {
		if v != 0 {
			f = append(f, words.Say(format, v))
		}
	}
	switch {
	case e.Body != nil:
		f = append(f, words.Say("effect %d", e.Body.Effect))
		dated("%g m² heating surface", &e.Body.HeatingSurfaceM2)
		dated("tubes %g m", &e.Body.TubeLengthM)
		dated("%g m across", &e.Body.DiameterM)
		if e.Body.CleanUWM2K > 0 {
			f = append(f, words.Say("%s kW/(m²·K) when clean", decimals(e.Body.CleanUWM2K/1000, 2)))
		}
		f = append(f, words.Say("cleaning due at %s %% of clean U", decimals(e.Body.CleaningLimit*100, 0)))
	case e.Pan != nil:
		if e.Pan.Grade != "" {
			f = append(f, words.Say("grade %s", e.Pan.Grade))
		}
		dated("%g m³", &e.Pan.VolumeM3)
		dated("%g m² heating surface", &e.Pan.HeatingSurfaceM2)
		if e.Pan.HeatedBy != "" {
			f = append(f, words.Say("heated by vapour of %s", e.Pan.HeatedBy))
		}
		if e.Pan.Condenser != "" {
			f = append(f, words.Say("condenser %s", e.Pan.Condenser))
		}
		num("usual strike %g h", e.Pan.StrikeHours)
	}
	return f
}

// mainTags are up to four tags that say most of a vessel.
func mainTags(e *plant.Equipment) (paths []string) {
	for _, n := range []string{"vapour_pressure", "u", "u_ratio", "brix", "brix_out", "supersaturation", "massecuite_temperature", "level", "approach", "water_outlet_temperature", "evaporation", "steam_flow", "syrup_brix"} {
		if id := e.Tag(n); id != plant.NoTag && len(paths) < 4 {
			paths = append(paths, e.Path+"."+n)
		}
	}
	return paths
}

func (s *Server) specsOf(path string) int {
	n := 0
	for _, a := range s.b.Specs() {
		if a.Source == path || strings.HasPrefix(a.Source, path+".") {
			n++
		}
	}
	return n
}

// --- Alarms ---

type activeAlarms struct {
	Active   []alarmRow // folded
	N, Unack int
}

func (s *Server) alarmsPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	l := s.lists(p, now)
	n := len(l.Active)
	l.Active = fold(l.Active)
	return &view{Template: "alarms.html", Title: "Alarms", Section: "alarms", Live: "view=alarms", Reload: true,
		Parts: parts{"alarm-active": activeAlarms{l.Active, n, l.Unack}, "alarm-hidden": l.hidden()}}, nil
}

// alarmData is what stands on the page of an alarm and does not change with its state.
type alarmData struct {
	Spec               *plant.AlarmSpec
	Row                alarmRow
	Mark               *markData
	Source, Rule       string
	Respond, MaxShelve words.Text // "" if there is no such time
	Times              []choice
	History            []eventRow
	LastTime           words.Text // what was done when it called before
	Given              url.Values // of a form that was refused
	Document           string     // of the procedure
	Trends             []smallTrend
}

type alarmView struct {
	Row                          alarmRow
	CanAck, CanConfirm, CanReset bool
	Pending, Realarm             words.Text
}

func (s *Server) alarmPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	name := r.PathValue("name")
	for i := range p.Alarms {
		a := &p.Alarms[i]
		if a.Name != name || a.Spec == nil {
			continue
		}
		row := s.alarmRow(a, now)
		av := alarmView{Row: row, CanAck: !a.Acked && a.Occurrence > 0, CanConfirm: a.Spec.Confirm && a.Acked && !a.Confirmed,
			CanReset: a.Latched && !a.Active && a.Acked && a.Confirmed}
		if !a.PendingUntil.IsZero() {
			av.Pending = s.clock(a.PendingUntil)
		}
		if a.RealarmCount > 0 {
			av.Realarm = words.Say("called again %d times", a.RealarmCount)
		}
		data := alarmData{Spec: a.Spec, Row: row, Mark: markOf(int(a.Spec.Priority), false), Rule: "/rules/" + escapeSegment(name),
			Given: r.PostForm}
		if a.Spec.Respond > 0 {
			data.Respond = span(a.Spec.Respond)
		}
		if a.Spec.MaxShelve > 0 {
			data.MaxShelve = span(a.Spec.MaxShelve)
		}
		for _, t := range shelveTimes {
			if a.Spec.MaxShelve == 0 || t.Length <= a.Spec.MaxShelve {
				data.Times = append(data.Times, t)
			}
		}
		if e, ok := s.b.House().Equip(a.Spec.Source); ok {
			data.Source = e.Title
			if e.Title != e.Name {
				data.Source = e.Name + ", " + e.Title
			}
		}
		ctx, cancel := context.WithTimeout(r.Context(), 2*time.Second)
		defer cancel()
		data.Document = documentHref(a.Spec)
		// The live page asks with every repaint, and the loop is not to be asked each time.
		data.Trends, _ = kept(s.answers, s.lookKey+"alarm trends "+name, now, tailFresh, func() ([]smallTrend, error) { return s.alarmTrends(ctx, a.Spec, now), nil })
		events, err := s.b.Events(ctx, plant.EventFilter{Match: name, Kinds: append(slices.Clone(notable), plant.EventSuppress, plant.EventUnsuppress), Limit: 60})
		if err != nil {
			s.log.Warn("console: journal of an alarm", "alarm", name, "err", err)
		}
		events = slices.DeleteFunc(events, func(ev plant.Event) bool { return ev.Alarm != name })
		present := now
		if a.Active {
			present = a.ActiveSince
		}
		data.LastTime = s.lastTime(events, present, now)
		for _, ev := range events[:min(12, len(events))] {
			data.History = append(data.History, s.eventRow(ev))
		}
		live := parts{"alarm-state": av, "alarm-acts": av}
		if c := s.vacuumAlarm(a.Spec); c != nil {
			if vac, ok := s.vacuumOf(p, c.Path); ok {
				live["vacuum"] = vac
			}
		}
		return &view{Template: "alarm.html", Title: row.Title, Section: "alarms", Live: "view=alarm&name=" + url.QueryEscape(name),
			Parts: live, Data: data}, nil
	}
	return nil, notFound("There is no such alarm.")
}

// lastTime tells of the newest call of an alarm before a moment, from its events, newest first.
func (s *Server) lastTime(events []plant.Event, before, now time.Time) words.Text {
	var told []words.Text
	end := before
	for i := range events {
		e := &events[i]
		if e.Kind != plant.EventAlarm || !e.Annunciated || !e.Time.Before(end) {
			continue
		}
		for _, x := range slices.Backward(events[:i]) {
			after := span(x.Time.Sub(e.Time))
			switch {
			case !x.Time.Before(end):
			case x.Kind == plant.EventAck:
				told = append(told, words.Say("acknowledged by %s after %s", x.User, after))
			case x.Kind == plant.EventShelve:
				told = append(told, words.Say("shelved by %s after %s", x.User, after))
			case x.Kind == plant.EventReturn:
				told = append(told, words.Say("gone after %s", after))
			}
			if text := strings.TrimSpace(x.Reason + " " + x.Comment); x.User != "" && text != "" && x.Time.Before(end) {
				told = append(told, words.Verbatim("“"+text+"”"))
			}
		}
		if len(told) == 0 {
			told = append(told, "nothing is on record")
		}
		return words.Say("Last time, %s: %s.", s.moment(now, e.Time), words.Join(told, "; "))
	}
	return ""
}

// --- Trends ---

// trace is one tag that the trends page draws.
type trace struct {
	Path                 string
	Label, Unit, Meaning words.Text
	Drop                 string  // address without it
	Scale, Offset        float64 // from the archive's number to the one shown
	Stepped              bool    // the value holds until the next
	Now                  reading
}

type trendsData struct {
	Tags           []trace
	Spans, Presets []link
	Vessels        []link // Href is the path
	Span           string
	From, To       string // of the form
	Full           bool   // no more can be added
	Stamp          words.Text
	Zone           string // Zone is its name, as browsers know it
	Views          []trendView
	Aggregates     []string
	MayKeep        bool
	Table          *trendTable
	TableFailed    bool
}

func trendsHref(tags []string, span string) string {
	v := url.Values{"tag": tags}
	if span != "" {
		v.Set("span", span)
	}
	return "/trends?" + v.Encode()
}

func (s *Server) trendsPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	q := r.URL.Query()
	t, err := parseTrend(q, s.zone, now)
	if err != nil {
		return nil, err
	}
	h := s.b.House()
	if add := q.Get("add"); add != "" && !slices.Contains(t.Tags, add) && len(t.Tags) < maxTraces {
		t.Tags = append(t.Tags, add)
	}
	if t.Live && t.Span == "" && q.Get("from") == "" {
		t.Span = "8h"
	}
	data := trendsData{Span: t.Span, Full: len(t.Tags) >= maxTraces, Stamp: words.Say("%s to %s", s.stamp(t.From), s.stamp(t.To)), Zone: s.zone.String(), Presets: s.presets(),
		From: t.From.In(s.zone).Format(formTime), To: t.To.In(s.zone).Format(formTime), Aggregates: s.b.Aggregates(), MayKeep: s.gate.allowed(actorOf(r), toAct)}
	for i, path := range t.Tags {
		tag, ok := h.Find(path)
		if !ok {
			return nil, s.noTag(path)
		}
		rest := slices.Delete(slices.Clone(t.Tags), i, i+1)
		data.Tags = append(data.Tags, trace{Path: path, Label: tagLabel(tag), Unit: s.unit(tag).text, Meaning: tag.Meaning, Stepped: tag.Dimension == plant.State,
			Drop: trendsHref(rest, data.Span), Scale: s.unit(tag).scale, Offset: s.unit(tag).offset, Now: s.read(p, tag.ID, now)})
	}
	for _, sp := range spans {
		data.Spans = append(data.Spans, link{sp.Text, trendsHref(t.Tags, sp.Key), sp.Key == t.Span})
	}
	for i := range h.Tags {
		owner := h.Tags[i].Owner
		if slices.ContainsFunc(data.Vessels, func(l link) bool { return l.Href == owner }) || owner == "" {
			continue
		}
		text := owner
		if e, ok := h.Equip(owner); ok && e.Title != "" {
			text += ": " + e.Title
		}
		data.Vessels = append(data.Vessels, link{Text: words.Verbatim(text), Href: owner})
	}
	if data.Views, err = s.views(r); err != nil {
		s.log.Warn("console: saved views", "err", err)
	}
	if len(t.Tags) > 0 {
		if data.Table, err = s.trendTable(r.Context(), t); err != nil {
			s.log.Warn("console: trend table", "err", err)
			data.TableFailed = true
		}
	}
	return &view{Template: "trends.html", Title: "Trends", Section: "trends", Data: data}, nil
}

// formTime is a time as a form field has it, by the site's clock.
const formTime = "2006-01-02 15:04"

// tagLabel names a tag in words.
func tagLabel(t *plant.Tag) words.Text { return words.Say("%s %s", t.Owner, plant.Label(t.Name)) }

// presets are ready-made choices of tags for this house.
func (s *Server) presets() []link {
	var out []link
	add := func(text words.Text, paths []string) {
		if len(paths) == 0 {
			return
		}
		if len(paths) > maxTraces {
			paths = paths[:maxTraces]
		}
		out = append(out, link{Text: text, Href: trendsHref(paths, "")})
	}
	for _, set := range s.b.House().Of(plant.ClassSet) {
		for _, k := range []struct {
			text      words.Text
			name, alt string
		}{
			{"pressures of the bodies", "vapour_pressure", ""}, {"Brix of the bodies", "brix", "brix_out"},
			{"U of the bodies", "u", ""}, {"U against clean", "u_ratio", ""}} {
			var paths []string
			for _, b := range set.Parts {
				if path, ok := first(b, k.name, k.alt); ok {
					paths = append(paths, path)
				}
			}
			add(words.Say("%s: %s", set.Name, k.text), paths)
		}
		var paths []string
		for _, names := range [][]string{{"steam_flow", "steam_calculated"}, {"evaporation"}, {"economy_measured", "economy"}, {"syrup_brix"}} {
			if path, ok := first(set, names...); ok {
				paths = append(paths, path)
			}
		}
		add(words.Say("%s: steam and evaporation", set.Name), paths)
	}
	var s1, p1 []string
	for _, pan := range s.b.House().Of(plant.ClassPan) {
		if pan.Tag("supersaturation") != plant.NoTag {
			s1 = append(s1, pan.Path+".supersaturation")
		}
		if pan.Tag("vapour_pressure") != plant.NoTag {
			p1 = append(p1, pan.Path+".vapour_pressure")
		}
	}
	add("pans: supersaturation", s1)
	add("pans: vacuum", p1)
	return out
}

type trendRow struct {
	Time  words.Text
	Cells []words.Text
}

type trendTable struct {
	Heads []words.Text
	Rows  []trendRow
}

// trendTable is the trend in words: about thirty rows of smallest to largest.
func (s *Server) trendTable(ctx context.Context, t trendQuery) (*trendTable, error) {
	const rows = 30
	table := &trendTable{}
	index := map[int64]int{}
	for i, path := range t.Tags {
		tag, _ := s.b.House().Find(path)
		table.Heads = append(table.Heads, words.Say("%s %s, %s", tag.Owner, plant.Label(tag.Name), s.unit(tag).text))
		series, err := s.trend(ctx, path, t.From, t.To, rows)
		if err != nil {
			return table, err
		}
		for _, b := range series {
			// Buckets of the same query line up to the second.
			k := b.Start.Unix()
			j, ok := index[k]
			if !ok {
				j = len(table.Rows)
				index[k] = j
				row := trendRow{Time: s.stamp(b.Start), Cells: make([]words.Text, len(t.Tags))}
				for c := range row.Cells {
					row.Cells[c] = dash
				}
				table.Rows = append(table.Rows, row)
			}
			cell, high := s.extremes(tag, b.Min, b.Max)
			if high != cell {
				cell = words.Say("%s to %s", cell, high)
			}
			if b.PercentGood < 99.95 {
				cell = words.Say("%s, %s %% good", cell, decimals(b.PercentGood, 0))
			}
			table.Rows[j].Cells[i] = cell
		}
	}
	slices.SortFunc(table.Rows, func(a, b trendRow) int { return strings.Compare(string(b.Time), string(a.Time)) })
	return table, nil
}

// trend asks the archive, a few at a time, so that a heavy page cannot starve
// the rest of the program.
func (s *Server) trend(ctx context.Context, path string, from, to time.Time, points int) ([]plant.Bucket, error) {
	ctx, cancel := context.WithTimeout(ctx, trendTimeout)
	defer cancel()
	if err := s.turn(ctx); err != nil {
		return nil, err
	}
	defer s.done()
	return s.b.Trend(ctx, path, from, to, points)
}

// turn waits until a heavy question may be put to the archive or the journal; done ends
// it.
func (s *Server) turn(ctx context.Context) error {
	select {
	case s.trends <- struct{}{}:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("wait for the archive: %w", ctx.Err())
	}
}

func (s *Server) done() { <-s.trends }

// --- Record ---

type eventRow struct {
	Seq                uint64
	Time, Kind         string
	Word               words.Text
	Mark               *markData
	Called             bool // it called the operator
	Alarm, AlarmHref   string
	Source, SourceHref string
	Text               words.Text
	Who, Code          string
	Value, Note        words.Text
	NewDay             string // the date, of the first row of a day
}

// kindWords are the plant's words for kinds of journal entry.
var kindWords = map[plant.EventKind]words.Text{
	plant.EventAlarm: "alarm", plant.EventReturn: "returned", plant.EventAck: "acknowledged", plant.EventConfirm: "confirmed",
	plant.EventReset: "reset", plant.EventShelve: "shelved", plant.EventUnshelve: "unshelved", plant.EventSuppress: "suppressed",
	plant.EventUnsuppress: "no longer suppressed", plant.EventOutOfService: "out of service", plant.EventInService: "back in service",
	plant.EventRealarm: "called again", plant.EventQuality: "quality", plant.EventRejected: "refused", plant.EventComment: "comment",
	plant.EventChange: "changed", plant.EventFirstUp: "first up", plant.EventStart: "program started", plant.EventStop: "program stopped",
	plant.EventSource: "source", plant.EventRecord: "recording", plant.EventConfig: "configuration", plant.EventNote: "note", plant.EventTask: "task", plant.EventDone: "task done", plant.EventAccess: "access", plant.EventNotify: "notices",
	plant.EventCorrection: "correction",
}

// spec is the definition of an alarm; nil if there is none any more.
func (s *Server) spec(name string) *plant.AlarmSpec {
	for _, a := range s.b.Specs() {
		if a.Name == name {
			return &a
		}
	}
	return nil
}

func (s *Server) eventRow(e plant.Event) eventRow {
	r := eventRow{Seq: e.Seq, Time: s.stamp(e.Time).String(), Kind: string(e.Kind), Word: kindWords[e.Kind], Alarm: e.Alarm, Source: e.Source, Text: words.Verbatim(e.Text), Who: e.User, Code: e.Code}
	if r.Word == "" {
		r.Word = words.Text(strings.ToLower(string(e.Kind)))
	}
	if e.Kind == plant.EventRejected {
		r.Text = ""
	}
	if e.Alarm != "" {
		r.AlarmHref = "/alarms/" + escapeSegment(e.Alarm)
		if e.Priority != plant.PriorityNone {
			r.Called = (e.Kind == plant.EventAlarm || e.Kind == plant.EventRealarm) && e.Annunciated
			r.Mark = markOf(int(e.Priority), e.Kind == plant.EventAlarm && e.Annunciated)
		}
		if r.Text == "" {
			r.Text = words.Verbatim(e.Alarm)
			if a := s.spec(e.Alarm); a != nil && a.Title != "" {
				r.Text = a.Said(a.Title)
			}
		}
	}
	if _, ok := s.b.House().Equip(e.Source); ok {
		r.SourceHref = vesselHref(e.Source)
	}
	if e.Value != nil && !math.IsNaN(*e.Value) {
		limited := ""
		if a := s.spec(e.Alarm); a != nil {
			limited = a.Limited
		}
		r.Value = s.alarmValue(limited, e.Unit, *e.Value, e.Setpoint)
		if e.Setpoint != nil {
			u := s.unitNamed(limited, e.Unit)
			r.Value = words.Say("%s (limit %s)", r.Value, specNumber(u.of(*e.Setpoint)))
		}
	}
	var notes []words.Text
	for _, n := range []string{e.Reason, e.Comment} {
		if n != "" {
			notes = append(notes, words.Verbatim(n))
		}
	}
	if e.DurationS > 0 {
		notes = append(notes, words.Say("for %s", span(time.Duration(e.DurationS*float64(time.Second)))))
	}
	if e.Kind == plant.EventQuality && e.Quality != "" {
		notes = append(notes, words.Verbatim(e.Quality))
	}
	if e.FirstUp {
		notes = append(notes, "first of its group")
	}
	if e.Kind == plant.EventRejected {
		notes = append(notes, refusedAs(&e))
	}
	r.Note = words.Join(notes, "; ")
	return r
}

type recordData struct {
	Groups                        []kindGroup
	Group, Match                  string
	All, Paged                    bool
	Newest, Export, With, Without string // addresses
	Older                         string
	Rows                          []eventRow
	Note                          noteForm
}

func (s *Server) recordPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	q := r.URL.Query()
	rec, err := parseRecord(q, s.zone)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(r.Context(), trendTimeout)
	defer cancel()
	rec.shown()
	if !q.Has("limit") {
		rec.Filter.Limit = listMost
	}
	events, err := s.b.Events(ctx, rec.Filter)
	if err != nil {
		return nil, fmt.Errorf("read the journal: %w", err)
	}
	here := rec.query()
	data := recordData{Groups: kindGroups, Group: rec.Group, Match: rec.Match, All: rec.All, Paged: rec.Filter.BeforeSeq > 0,
		Newest: recordHref(here), Export: "/record/journal.csv?" + here.Encode(), Note: s.noteForm(r, "record")}
	other := rec
	other.All = false
	data.Without = recordHref(other.query())
	other.All = true
	data.With = recordHref(other.query())
	day := ""
	for _, e := range events {
		row := s.eventRow(e)
		if d, _, _ := strings.Cut(row.Time, " "); d != day {
			day, row.NewDay = d, d
		}
		data.Rows = append(data.Rows, row)
	}
	if len(events) == rec.Filter.Limit {
		next := rec.query()
		next.Set("before", fmt.Sprint(events[len(events)-1].Seq))
		data.Older = recordHref(next)
	}
	live := rec.query()
	live.Set("view", "record")
	live.Set("top", fmt.Sprint(p.Seq))
	return &view{Template: "record.html", Title: "Record", Section: "record", Data: data, Live: live.Encode(), Parts: parts{"record-news": ""}}, nil
}

// recordNews is the live part of the record page: whether there are entries
// newer than those it was made from, of the kinds it shows.
func (s *Server) recordNews(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	v := &view{Parts: parts{"record-news": ""}}
	rec, err := parseRecord(r.URL.Query(), s.zone)
	top, bad := strconv.ParseUint(r.URL.Query().Get("top"), 10, 63)
	if err != nil || bad != nil || p.Seq <= top {
		return v, nil
	}
	rec.shown()
	rec.Filter.AfterSeq, rec.Filter.Limit = top, 1
	ctx, cancel := context.WithTimeout(r.Context(), trendTimeout)
	defer cancel()
	news, err := kept(s.answers, "news "+r.URL.RawQuery, now, newsFresh, func() (bool, error) {
		events, err := s.b.Events(ctx, rec.Filter)
		return len(events) > 0, err
	})
	if err != nil {
		return nil, fmt.Errorf("read the journal: %w", err)
	}
	if news {
		v.Parts["record-news"] = recordHref(rec.query())
	}
	return v, nil
}

// newsFresh is how long an answer about newer entries stands.
const newsFresh = 2 * time.Second

// --- Instruments ---

// indexEntry leads to one part of a list that is too long for a page.
type indexEntry struct {
	Text, Title words.Text
	Href        string
	N, Bad      int // entries, and those that need a look
	Now         bool
}

// listMost is how many entries a page shows before it asks which part is meant.
const listMost = 60

// ownerTags are the tags of one piece of equipment.
type ownerTags struct {
	Path, Href string
	Title      words.Text
	Readings   []reading
}

type instrumentsView struct {
	Owners                  []*ownerTags
	Index                   []indexEntry
	Total, Faulty, Doubtful int
	Left                    int // good ones that are not listed
	Health                  healthView
}

type instrumentsData struct {
	Show, All, Faulty, Instruments string
	Setup                          bool
}

// instrumentsPage lists tags by equipment. Of a large house it shows what needs a look, and one vessel's in whole on request.
func (s *Server) instrumentsPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	h, q := s.b.House(), r.URL.Query()
	show, of := q.Get("show"), q.Get("of")
	if show != "" && show != "faulty" && show != "all" {
		return nil, badQuery("show: use all or faulty.")
	}
	if _, ok := h.Equip(of); of != "" && of != "site" && !ok {
		return nil, notFound("There is no vessel of that name.")
	}
	href := func(show, of string) string {
		v := url.Values{}
		if show != "" {
			v.Set("show", show)
		}
		if of != "" {
			v.Set("of", of)
		}
		if len(v) == 0 {
			return "/instruments"
		}
		return "/instruments?" + v.Encode()
	}
	var v instrumentsView
	var ids []plant.TagID
	for i := range h.Tags {
		if t := &h.Tags[i]; show != "" || t.Source == plant.Measured || t.Source == plant.Fixed {
			ids = append(ids, t.ID)
		}
	}
	v.Total = len(ids)
	entries, owners := map[string]int{}, map[string]*ownerTags{}
	for _, id := range ids {
		x, name := s.read(p, id, now), h.Tags[id].Owner
		key := cmp.Or(name, "site")
		n, ok := entries[key]
		o := owners[key]
		if !ok {
			o = &ownerTags{Path: name, Title: "Site"}
			if name != "" {
				o.Title = words.Verbatim(name)
			}
			if e, ok := h.Equip(name); ok {
				o.Title, o.Href = words.Verbatim(e.Title), vesselHref(e.Path)
			}
			n = len(v.Index)
			entries[key], owners[key] = n, o
			v.Index = append(v.Index, indexEntry{Text: words.Verbatim(key), Title: o.Title, Href: href(show, key), Now: key == of})
		}
		v.Index[n].N++
		switch x.Class {
		case "absent":
			v.Faulty++
			v.Index[n].Bad++
		case "doubt":
			v.Doubtful++
			v.Index[n].Bad++
		}
		switch {
		case of != "" && key != of, show == "faulty" && x.Class == "good":
			continue
		case of == "" && x.Class == "good" && v.Total > listMost:
			v.Left++
			continue
		}
		if len(o.Readings) == 0 {
			v.Owners = append(v.Owners, o)
		}
		o.Readings = append(o.Readings, x)
	}
	v.Health = s.health(p, now)
	live := url.Values{"view": {"instruments"}, "show": {show}, "of": {of}}
	return &view{Template: "instruments.html", Title: "Instruments", Section: "instruments", Live: live.Encode(), Reload: true,
		Parts: parts{"instruments": v, "contradicts": s.contradicts(p, now)},
		Data:  instrumentsData{show, href("all", of), href("faulty", of), href("", of), s.opt.Browse != nil && s.gate.allowed(actorOf(r), toTry)}}, nil
}

// --- Rules ---

type ruleRow struct {
	plant.AlarmSpec
	Href, RuleHref, SourceHref string
	Limit, Times               words.Text
	Mark                       *markData
}

// share is how many alarms have a priority.
type share struct {
	Mark    *markData
	N       int
	Percent string
}

type rulesData struct {
	Rows      []ruleRow
	Shares    []share
	Index     []indexEntry
	Total     int
	Match, Of string
	Left      int // that fit and are not listed
}

func (s *Server) rulesPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	match, err := cleanText("With", r.URL.Query().Get("match"), 100)
	if err != nil {
		return nil, err
	}
	specs := s.b.Specs()
	data := rulesData{Match: match, Of: r.URL.Query().Get("of"), Total: len(specs)}
	counts, entries := map[int]int{}, map[string]int{}
	for _, a := range specs {
		counts[int(a.Priority)]++
		of := cmp.Or(a.Source, "site")
		n, ok := entries[of]
		if !ok {
			n = len(data.Index)
			entries[of] = n
			data.Index = append(data.Index, indexEntry{Text: words.Verbatim(of), Href: "/rules?of=" + url.QueryEscape(of), Now: of == data.Of})
			if e, ok := s.b.House().Equip(a.Source); ok {
				data.Index[n].Title = words.Verbatim(e.Title)
			}
		}
		data.Index[n].N++
		if data.Of != "" && of != data.Of || !fitsAlarm(match, &a, s.languageOf(r).Say) {
			continue
		}
		x := ruleRow{AlarmSpec: a, Href: "/alarms/" + escapeSegment(a.Name), RuleHref: "/rules/" + escapeSegment(a.Name), Mark: markOf(int(a.Priority), false)}
		if _, ok := s.b.House().Equip(a.Source); ok {
			x.SourceHref = vesselHref(a.Source)
		}
		if a.Setpoint != nil {
			x.Limit = s.specValue(a.Limited, a.Unit, *a.Setpoint)
		}
		var times []words.Text
		for _, d := range []struct {
			text words.Text
			d    time.Duration
		}{{"on after", a.OnDelay}, {"off after", a.OffDelay}, {"again after", a.Realarm}} {
			if d.d > 0 {
				times = append(times, words.Say("%s %s", d.text, span(d.d)))
			}
		}
		x.Times = words.Join(times, ", ")
		data.Rows = append(data.Rows, x)
	}
	slices.SortStableFunc(data.Rows, func(a, b ruleRow) int {
		if c := rank(a.Priority) - rank(b.Priority); c != 0 {
			return c
		}
		return strings.Compare(a.Source+a.Name, b.Source+b.Name)
	})
	slices.SortFunc(data.Index, func(a, b indexEntry) int { return strings.Compare(string(a.Text), string(b.Text)) })
	if len(data.Rows) > listMost {
		data.Left = len(data.Rows) - listMost
		data.Rows = data.Rows[:listMost]
	}
	for pr := 1; pr <= 4 && data.Total > 0; pr++ {
		data.Shares = append(data.Shares, share{markOf(pr, false), counts[pr], decimals(100*float64(counts[pr])/float64(data.Total), 0).String()})
	}
	return &view{Template: "rules.html", Title: "Rules", Section: "rules", Data: data}, nil
}
