package console

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/plant"
)

// trendMark is something that happened, as trends show it.
type trendMark struct {
	Kind   string    `json:"kind"` // alarm, cleaning, correction, strike, note, gap
	Source string    `json:"source"`
	From   time.Time `json:"from"`
	To     time.Time `json:"to,omitzero"` // absent: a moment, or it goes on
	Open   bool      `json:"open"`        // it goes on
	Text   string    `json:"text"`
	Href   string    `json:"href"`
}

// maxMarks is how many of each kind one answer has, the newest.
const maxMarks = 500

// apiMarks lists what happened to the equipment of some tags over a span, by time.
func (s *Server) apiMarks(w http.ResponseWriter, r *http.Request) error {
	v := r.URL.Query()
	span, err := parseSpan(v, s.zone, s.b.Picture().Clock(time.Now()), time.Hour)
	tags := []string{}
	if err == nil {
		tags, err = s.tagsOf(v["tag"])
	}
	var marks []trendMark
	if err == nil {
		ctx, cancel := context.WithTimeout(r.Context(), trendTimeout)
		defer cancel()
		marks, err = s.marks(ctx, tags, span.From, span.To)
	}
	if err != nil {
		return err
	}
	slices.SortStableFunc(marks, func(a, b trendMark) int { return a.From.Compare(b.From) })
	return reply(w, map[string]any{"from": span.From.UTC(), "to": span.To.UTC(), "marks": marks})
}

// marks collects them; without tags those of the whole house.
func (s *Server) marks(ctx context.Context, tags []string, from, to time.Time) ([]trendMark, error) {
	var owners []string
	for _, path := range tags {
		if t, ok := s.b.House().Find(path); ok {
			owners = append(owners, t.Owner)
		}
	}
	// What concerns a vessel concerns its set, and the other way round.
	concerns := func(source string) bool {
		return len(tags) == 0 || source == "" || slices.ContainsFunc(owners, func(o string) bool {
			return o == source || strings.HasPrefix(o, source+".") || o != "" && strings.HasPrefix(source, o+".")
		})
	}
	marks := []trendMark{}
	add := func(m trendMark) {
		if m.From.Before(to) && (m.Open || !m.To.Before(from) || !m.From.Before(from)) {
			marks = append(marks, m)
		}
	}
	events, err := s.b.Events(ctx, plant.EventFilter{From: from, To: to, Limit: maxMarks,
		Kinds: []plant.EventKind{plant.EventAlarm, plant.EventReturn, plant.EventNote, plant.EventStart, plant.EventStop, plant.EventSource}})
	if err != nil {
		return nil, err
	}
	back := map[string]time.Time{} // of alarms, and of what was cut; events come newest first
	for _, e := range events {
		key := string(e.Kind) + e.Alarm + e.Source
		m := trendMark{Source: e.Source, From: e.Time, Text: e.Text}
		switch e.Kind {
		case plant.EventReturn:
			back["alarm "+e.Alarm] = e.Time
		case plant.EventAlarm:
			m.Kind, m.Href = "alarm", "/alarms/"+url.PathEscape(e.Alarm)
			m.To, m.Open = back["alarm "+e.Alarm], back["alarm "+e.Alarm].IsZero()
			m.Text = cmp.Or(m.Text, e.Alarm)
			delete(back, "alarm "+e.Alarm)
			if concerns(e.Source) {
				add(m)
			}
		case plant.EventNote:
			m.Kind, m.Href = "note", recordHref(url.Values{"kind": {"actions"}})
			if e.Comment != "" {
				m.Text = e.Comment
			}
			if concerns(e.Source) {
				add(m)
			}
		case plant.EventStart:
			back[key] = e.Time
		case plant.EventStop:
			start := back[string(plant.EventStart)+e.Alarm+e.Source]
			m.Kind, m.Text, m.Href, m.To, m.Open = "gap", "the program did not run", "/record?kind=program", start, start.IsZero()
			add(m)
		}
	}
	cleanings, err := s.cleaningMarks(ctx, concerns, from, to)
	if err != nil {
		return nil, err
	}
	for _, m := range cleanings {
		add(m)
	}
	strikes, err := s.b.StrikeRecords(ctx, plant.StrikeFilter{From: from, Limit: maxMarks})
	if err != nil {
		return nil, err
	}
	for i := range strikes {
		if x := &strikes[i]; concerns(x.Pan) {
			add(trendMark{Kind: "strike", Source: x.Pan, From: x.Start, To: x.End, Text: "strike " + strconv.Itoa(x.Number) + " of " + x.Pan, Href: "/strikes/" + strconv.FormatInt(x.ID, 10)})
		}
	}
	corrections, err := s.corrected(ctx, tags, from, to)
	for _, c := range corrections {
		add(trendMark{Kind: "correction", Source: c.Tag, From: c.From, To: c.To, Open: c.To.IsZero(), Href: "/past?tag=" + url.QueryEscape(c.Tag),
			Text: c.Tag + " is read " + c.Reads + " (" + c.By + ": " + c.Reason + "); the line is the raw value"})
	}
	return marks, err
}

// cleaningMarks are those on record, and those that nobody recorded: found by a signal, or by U.
func (s *Server) cleaningMarks(ctx context.Context, concerns func(body string) bool, from, to time.Time) (out []trendMark, err error) {
	recorded, err := s.b.Cleanings(ctx, "", from, to)
	if err != nil {
		return nil, err
	}
	for _, c := range recorded {
		if concerns(c.Body) {
			out = append(out, trendMark{Kind: "cleaning", Source: c.Body, From: c.Start, To: c.End, Open: c.End.IsZero(), Text: strings.TrimSpace("cleaning of " + c.Body + " " + c.Method), Href: "/cleaning"})
		}
	}
	for _, set := range s.b.House().Of(plant.ClassSet) {
		scales, err := s.scales(ctx, set.Path, s.b.Picture().Clock(time.Now()))
		if err != nil {
			return nil, err
		}
		for i := range scales {
			x := &scales[i]
			for _, c := range cyclesOf(x) {
				if !concerns(x.Body) || slices.ContainsFunc(recorded, func(k plant.Cleaning) bool { return k.Body == x.Body && k.End.Sub(c.Start).Abs() < 12*time.Hour }) {
					continue
				}
				text := "cleaning of " + x.Body + ", found by its signal or by U"
				if c.Restored > 0 {
					text += fmt.Sprintf("; restored to %.0f %% of clean", 100*c.Restored)
				}
				out = append(out, trendMark{Kind: "cleaning", Source: x.Body, From: c.Start, Text: text, Href: "/cleaning"})
			}
		}
	}
	return out, nil
}

// TrendView is a choice of tags and time that somebody has kept under a name.
type TrendView struct {
	Name  string `json:"name"`
	Query string `json:"query"`           // of the address of the page
	Owner string `json:"owner,omitempty"` // whose it is; "": everybody's
	By    string `json:"by"`              // who kept it
}

// trendView is one as the page lists it.
type trendView struct {
	TrendView
	Href string
	Mine bool // not everybody's
}

// maxViews is how many are kept altogether.
const maxViews = 500

// views are those of everybody and of the person who asks.
func (s *Server) views(r *http.Request) ([]trendView, error) {
	all, err := s.b.Views(r.Context())
	out := []trendView{}
	for _, v := range all {
		if v.Owner == "" || v.Owner == nameOf(r) {
			out = append(out, trendView{v, "/trends?" + v.Query, v.Owner != ""})
		}
	}
	return out, err
}

func (s *Server) apiViews(w http.ResponseWriter, r *http.Request) error {
	views, err := s.views(r)
	if err != nil {
		return err
	}
	out := []TrendView{}
	for _, v := range views {
		out = append(out, v.TrendView)
	}
	return reply(w, map[string]any{"views": out})
}

// keepView takes the form of a view to keep, or to drop.
func (s *Server) keepView(w http.ResponseWriter, r *http.Request) error {
	f := r.PostForm
	v := TrendView{Query: f.Get("query")}
	var err error
	if v.Name, err = cleanText("Name of the view", f.Get("view"), 80); err == nil {
		v.By, err = cleanText("Name", f.Get("name"), maxName)
	}
	q, bad := url.ParseQuery(v.Query)
	if v.By == "" {
		v.By = nameOf(r)
	}
	switch {
	case err != nil:
	case v.Name == "":
		err = badQuery("Give the view a name.")
	case v.By == "":
		err = badQuery("Say who you are first: a view belongs to somebody.")
	case bad != nil || len(v.Query) > 2000:
		err = badQuery("The view is not an address of this page.")
	default:
		_, err = parseTrend(q, s.zone, time.Now())
	}
	if f.Get("whose") == "me" {
		v.Owner = v.By
	}
	if err == nil {
		v.Query = q.Encode()
		err = s.b.KeepView(r.Context(), v, f.Get("drop") != "")
	}
	if err != nil {
		return err
	}
	s.keep(w, r, nameCookie, v.By, nameKept)
	return seeOther(w, r, "/trends?"+v.Query)
}

// ChangeViews gives the list with one more, or one less; a name is kept once for
// everybody and once for each person. It is the JSON that the program stores.
func ChangeViews(stored string, v TrendView, drop bool) (string, error) {
	views, err := ReadViews(stored)
	if err != nil {
		return "", err
	}
	views = slices.DeleteFunc(views, func(x TrendView) bool { return x.Name == v.Name && x.Owner == v.Owner })
	if !drop {
		views = append(views, v)
	}
	if len(views) > maxViews {
		return "", badQuery("There are %d saved views: drop one first.", maxViews)
	}
	slices.SortFunc(views, func(a, b TrendView) int { return strings.Compare(a.Name+a.Owner, b.Name+b.Owner) })
	b, err := json.Marshal(views)
	return string(b), err
}

// ReadViews reads what ChangeViews gave; "" is none.
func ReadViews(stored string) (views []TrendView, err error) {
	if stored != "" {
		err = json.Unmarshal([]byte(stored), &views)
	}
	return views, err
}
