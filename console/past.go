package console

import (
	"context"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
)

// The page of the past: instruments that read wrong are corrected, and a stretch
// is calculated again. Raw values stay as they are.

// Past is what is on record of corrections and of calculating again.
type Past struct {
	Corrections []plant.Correction
	Jobs        []plant.Job
}

// pastData is the page.
type pastData struct {
	Corrections []correctionRow
	Jobs        []jobRow
	Tags        []string // measured
	Tag         string   // chosen
	Equipment   []noteSource
	Given       url.Values
}

type correctionRow struct {
	ID              int64
	Tag             string
	From, To, Reads words.Text
	By, Why         string
	Withdrawn       string // by whom, empty while it is in force
}

type jobRow struct {
	ID                  int64
	By, Why             string
	From, To, State, At words.Text
	Words               []string
	Open                bool
}

func (s *Server) pastPage(r *http.Request, _ *engine.Picture, _ time.Time) (*view, error) {
	past, err := s.b.Past(r.Context())
	if err != nil {
		return nil, err
	}
	d := pastData{Tag: r.FormValue("tag"), Given: r.PostForm}
	h := s.b.House()
	stamp := func(t time.Time) words.Text {
		if t.IsZero() {
			return "goes on"
		}
		return words.Text(t.In(s.zone).Format(formTime))
	}
	for i := range h.Tags {
		if h.Tags[i].Source == plant.Measured {
			d.Tags = append(d.Tags, h.Tags[i].Path)
		}
	}
	for _, class := range []plant.Class{plant.ClassSet, plant.ClassCondenser, plant.ClassPan} {
		for _, e := range h.Of(class) {
			d.Equipment = append(d.Equipment, noteSource{e.Path, e.Title})
		}
	}
	for _, c := range slices.Backward(past.Corrections) {
		reads := c.ReadAs("")
		if t, ok := h.Find(c.Tag); ok {
			reads = s.readsAs(c, t)
		}
		d.Corrections = append(d.Corrections, correctionRow{ID: c.ID, Tag: c.Tag, From: stamp(c.From), To: stamp(c.To), Reads: reads,
			By: c.By, Why: c.Reason, Withdrawn: c.WithdrawnBy})
	}
	for _, j := range slices.Backward(past.Jobs) {
		d.Jobs = append(d.Jobs, jobRow{ID: j.ID, From: stamp(j.From), To: stamp(j.To), By: j.By, Why: j.Why, State: words.Text(j.State), At: stamp(j.Asked),
			Words: strings.Split(strings.TrimSpace(j.Text), "\n"), Open: j.Ended.IsZero()})
	}
	return &view{Template: "past.html", Title: "Corrections and the past", Section: "record", Data: d}, nil
}

// correctionMark is a correction in force as trends show it. Trends draw the raw value.
type correctionMark struct {
	ID     int64     `json:"id"`
	Tag    string    `json:"path"`
	From   time.Time `json:"from"`
	To     time.Time `json:"to,omitzero"` // absent while it goes on
	Reads  string    `json:"reads"`       // how calculations read the values
	By     string    `json:"by"`
	Reason string    `json:"reason"`
}

// corrected lists the corrections of some tags in force over a span, the oldest first.
func (s *Server) corrected(ctx context.Context, tags []string, from, to time.Time) ([]correctionMark, error) {
	past, err := s.b.Past(ctx)
	marks := []correctionMark{}
	for _, c := range past.Corrections {
		t, ok := s.b.House().Find(c.Tag)
		if ok && slices.Contains(tags, c.Tag) && c.Withdrawn.IsZero() && c.From.Before(to) && (c.To.IsZero() || c.To.After(from)) {
			marks = append(marks, correctionMark{c.ID, c.Tag, c.From, c.To, s.readsAs(c, t).String(), c.By, c.Reason})
		}
	}
	return marks, err
}

// readsAs says how a corrected tag is read, in the unit that it is shown in.
func (s *Server) readsAs(c plant.Correction, t *plant.Tag) words.Text {
	u := s.unit(t)
	if c.Value != nil {
		v := six(u.of(*c.Value))
		c.Value = &v
	}
	c.Offset = six(c.Offset*u.scale - (c.Factor-1)*u.offset)
	return c.ReadAs(u.text)
}

// entered takes a correction that was typed in the unit of its tag on pages to the
// program's own.
func (s *Server) entered(c *plant.Correction) {
	t, ok := s.b.House().Find(c.Tag)
	if !ok {
		return
	}
	u := s.unit(t)
	if c.Value != nil {
		*c.Value = u.back(*c.Value)
	}
	c.Offset = (c.Offset + (c.Factor-1)*u.offset) / u.scale
}

// whoAndWhy reads name and reason of a form; both go into the journal.
func whoAndWhy(r *http.Request) (name, why string, problem words.Text) {
	name, problem = who(r)
	why, err := cleanText("Reason", r.PostForm.Get("why"), maxText)
	switch {
	case err != nil:
		problem = words.Of(err)
	case problem == "" && why == "":
		problem = "Say why: the record needs a reason."
	}
	return name, why, problem
}

// typed reads a date and time of a form in the site's time.
func (s *Server) typed(r *http.Request, key string) (time.Time, bool) {
	text := r.PostForm.Get(key)
	if t, err := s.siteTime(text, formTime, time.DateOnly); err == nil {
		return t, true
	}
	return time.Time{}, strings.TrimSpace(text) == "" // empty is no fault of form
}

// siteTime reads a time in one of the layouts by the site's clock. A browser writes a T
// between date and time.
func (s *Server) siteTime(text string, layouts ...string) (t time.Time, err error) {
	text = strings.Join(strings.Fields(strings.Replace(text, "T", " ", 1)), " ")
	for _, layout := range layouts {
		if t, err = time.ParseInLocation(layout, text, s.zone); err == nil {
			break
		}
	}
	return t, err
}

func (s *Server) correct(w http.ResponseWriter, r *http.Request) error {
	who, why, problem := whoAndWhy(r)
	c := plant.Correction{Tag: r.PostForm.Get("tag"), Factor: 1, By: who, Reason: why}
	number := func(key string, what words.Text, fallback float64) float64 {
		text := strings.TrimSpace(r.PostForm.Get(key))
		if text == "" {
			return fallback
		}
		v, err := decimal(text)
		if (err != nil || math.IsNaN(v) || math.IsInf(v, 0)) && problem == "" {
			problem = words.Say("%s: %q is no number.", what, text)
		}
		return v
	}
	switch r.PostForm.Get("how") {
	case "scaled":
		c.Factor, c.Offset = number("factor", "Factor", 1), number("offset", "Offset", 0)
	case "not":
		c.NotBelieved = true
	case "value":
		v := number("value", "Value", math.NaN())
		c.Value = &v
		if math.IsNaN(v) && problem == "" {
			problem = "Give the value that they are to be read as."
		}
	default:
		problem = "Choose how the values are to be read."
	}
	s.entered(&c)
	var from, to bool
	c.From, from = s.typed(r, "from")
	c.To, to = s.typed(r, "to")
	if problem == "" && (!from || !to || c.From.IsZero()) {
		problem = "Give the times as 2026-11-25 06:00; the end may be left open."
	}
	return s.tell(w, r, problem, s.pastPage, func(ctx context.Context) error { return s.b.Correct(ctx, c) }, who, "/past?done=correction")
}

func (s *Server) withdraw(w http.ResponseWriter, r *http.Request) error {
	who, why, problem := whoAndWhy(r)
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	if err != nil {
		problem = "There is no such correction."
	}
	return s.tell(w, r, problem, s.pastPage, func(ctx context.Context) error { return s.b.WithdrawCorrection(ctx, id, who, why) }, who, "/past?done=withdrawn")
}

func (s *Server) recalculate(w http.ResponseWriter, r *http.Request) error {
	who, why, problem := whoAndWhy(r)
	from, okFrom := s.typed(r, "from")
	to, okTo := s.typed(r, "to")
	if problem == "" && (!okFrom || !okTo || from.IsZero()) {
		problem = "Give the times as 2026-11-25 06:00; without an end it is now."
	}
	return s.tell(w, r, problem, s.pastPage, func(ctx context.Context) error {
		return s.b.Recalculate(ctx, r.PostForm.Get("equipment"), from, to, who, why)
	}, who, "/past?done=recalculation")
}

func (s *Server) cancelJob(w http.ResponseWriter, r *http.Request) error {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	var problem words.Text
	if err != nil {
		problem = "There is no such job."
	}
	return s.tell(w, r, problem, s.pastPage, func(ctx context.Context) error { return s.b.CancelJob(ctx, id, nameOf(r)) }, nameOf(r), "/past?done=cancelled")
}
