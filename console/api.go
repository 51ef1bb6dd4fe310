package console

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// staleAfter is the age of a picture from which the program counts as
// standing still.
const staleAfter = 10 * time.Second

func writeJSON(w http.ResponseWriter, code int, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		code, body = http.StatusInternalServerError, []byte(`{"error":"the answer could not be written"}`)
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.WriteHeader(code)
	w.Write(append(body, '\n'))
}

// reply answers a question of a program.
func reply(w http.ResponseWriter, v any) error {
	writeJSON(w, http.StatusOK, v)
	return nil
}

// jsonNumber is a float that JSON can carry: NaN and infinity become null.
type jsonNumber float64

func (n jsonNumber) MarshalJSON() ([]byte, error) {
	if math.IsNaN(float64(n)) || math.IsInf(float64(n), 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

type apiValue struct {
	Path    string     `json:"path"`
	Value   jsonNumber `json:"value"`
	Unit    string     `json:"unit"`
	Quality string     `json:"quality"`
	Code    uint32     `json:"code"`
	Time    *time.Time `json:"time"`
	Sigma   float64    `json:"sigma,omitempty"`
	How     words.Text `json:"how,omitempty"`
	Reason  words.Text `json:"reason,omitempty"`
}

type apiAlarm struct {
	Name       string     `json:"name"`
	Title      string     `json:"title"`
	Source     string     `json:"source"`
	Priority   int        `json:"priority"`
	State      string     `json:"state"`
	Active     bool       `json:"active"`
	Acked      bool       `json:"acknowledged"`
	Called     bool       `json:"annunciated"`
	Occurrence uint64     `json:"occurrence"`
	Since      *time.Time `json:"since"`
	Value      jsonNumber `json:"value"`
	Unit       string     `json:"unit,omitempty"`
	Quality    string     `json:"quality"`
}

func timeOrNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

// apiPicture is the latest picture: every value and every alarm that is not
// normal.
func (s *Server) apiPicture(w http.ResponseWriter, r *http.Request) error {
	p := s.b.Picture()
	if p == nil {
		return &failed{http.StatusServiceUnavailable, "There is no picture yet."}
	}
	h := s.b.House()
	values := make([]apiValue, 0, len(h.Tags))
	for i := range h.Tags {
		t := &h.Tags[i]
		pt := p.Frame.Point(t.ID)
		v := apiValue{Path: t.Path, Value: jsonNumber(math.NaN()), Unit: t.Unit, Quality: pt.Quality.String(), Code: pt.Quality.Code(),
			Time: timeOrNull(pt.Time), How: p.How[t.ID].Words(), Reason: p.Reasons[t.ID]}
		if pt.Usable() {
			v.Value = jsonNumber(pt.Value)
			if v.Sigma = p.Sigma[t.ID]; v.Sigma == 0 {
				v.Sigma = t.Sigma(pt.Value)
			}
			if math.IsNaN(v.Sigma) || math.IsInf(v.Sigma, 0) {
				v.Sigma = 0
			}
		}
		values = append(values, v)
	}
	alarms := []apiAlarm{}
	for i := range p.Alarms {
		a := &p.Alarms[i]
		if a.Spec == nil || a.State == 0 {
			continue
		}
		alarms = append(alarms, apiAlarm{Name: a.Name, Title: a.Spec.Title, Source: a.Spec.Source, Priority: int(a.Spec.Priority), State: a.State.String(),
			Active: a.Active, Acked: a.Acked, Called: a.Annunciated, Occurrence: a.Occurrence, Since: timeOrNull(a.ActiveSince),
			Value: jsonNumber(a.Value), Unit: a.Spec.Unit, Quality: a.Quality.String()})
	}
	type source struct {
		Name      string     `json:"name"`
		Connected bool       `json:"connected"`
		Since     *time.Time `json:"since"`
		Text      string     `json:"text,omitempty"`
	}
	sources := []source{}
	for _, x := range p.Sources {
		sources = append(sources, source{x.Name, x.Connected, timeOrNull(x.Since), sourceText(&x).String()})
	}
	suspects, vacuum := apiInsights(p)
	writeJSON(w, http.StatusOK, map[string]any{
		"at": p.At.UTC(), "seq": p.Seq, "site": h.Config.Site.Name, "note": h.Config.Site.Note,
		"values": values, "alarms": alarms, "sources": sources, "suspects": suspects, "checks": apiChecks(p), "vacuum": vacuum,
	})
	return nil
}

type apiTag struct {
	Path      string      `json:"path"`
	Owner     string      `json:"owner"`
	Class     plant.Class `json:"class"`
	Dimension string      `json:"dimension"`
	Unit      string      `json:"unit"`
	Meaning   string      `json:"meaning"`
	Source    string      `json:"source"`
	Low       jsonNumber  `json:"low"`
	High      jsonNumber  `json:"high"`
	// What the pages show: a name in words, and unit and factor from Unit.
	Label       string  `json:"label"`
	ShownUnit   string  `json:"shown_unit"`
	ShownScale  float64 `json:"shown_scale"`
	ShownOffset float64 `json:"shown_offset"`
}

// apiTags lists every tag.
func (s *Server) apiTags(w http.ResponseWriter, r *http.Request) error {
	h := s.b.House()
	tags := make([]apiTag, 0, len(h.Tags))
	for i := range h.Tags {
		t := &h.Tags[i]
		tags = append(tags, apiTag{t.Path, t.Owner, t.Class, string(t.Dimension), t.Unit, t.Meaning.String(), string(t.Source), jsonNumber(t.Low), jsonNumber(t.High),
			tagLabel(t).String(), s.unit(t).text.String(), s.unit(t).scale, s.unit(t).offset})
	}
	return reply(w, map[string]any{"tags": tags})
}

// apiEvents is the journal, newest first: kind, match, before, after, from,
// to, limit.
func (s *Server) apiEvents(w http.ResponseWriter, r *http.Request) error {
	q, err := parseRecord(r.URL.Query(), s.zone)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(r.Context(), trendTimeout)
	defer cancel()
	events, err := s.b.Events(ctx, q.Filter)
	if err != nil {
		return fmt.Errorf("read the journal: %w", err)
	}
	type apiEvent struct {
		Seq         uint64    `json:"seq"`
		Time        time.Time `json:"time"`
		Kind        string    `json:"kind"`
		Alarm       string    `json:"alarm,omitempty"`
		Source      string    `json:"source,omitempty"`
		Occurrence  uint64    `json:"occurrence,omitempty"`
		Priority    int       `json:"priority,omitempty"`
		State       string    `json:"state,omitempty"`
		Value       *float64  `json:"value,omitempty"`
		Unit        string    `json:"unit,omitempty"`
		Quality     string    `json:"quality,omitempty"`
		Annunciated bool      `json:"annunciated"`
		User        string    `json:"user,omitempty"`
		Station     string    `json:"station,omitempty"`
		Comment     string    `json:"comment,omitempty"`
		Reason      string    `json:"reason,omitempty"`
		Code        string    `json:"code,omitempty"`
		Text        string    `json:"text,omitempty"`
	}
	out := make([]apiEvent, 0, len(events))
	for _, e := range events {
		if e.Value != nil && (math.IsNaN(*e.Value) || math.IsInf(*e.Value, 0)) {
			e.Value = nil
		}
		out = append(out, apiEvent{e.Seq, e.Time.UTC(), string(e.Kind), e.Alarm, e.Source, e.Occurrence, int(e.Priority), e.State, e.Value, e.Unit,
			e.Quality, e.Annunciated, e.User, e.Station, e.Comment, e.Reason, e.Code, e.Text})
	}
	return reply(w, map[string]any{"events": out})
}

// healthz is 200 while pictures are fresh, 503 otherwise.
func (s *Server) healthz(w http.ResponseWriter, r *http.Request) {
	p := s.b.Picture()
	if p == nil {
		writeJSON(w, http.StatusServiceUnavailable, map[string]any{"status": "starting"})
		return
	}
	old := time.Since(p.At)
	code, word := http.StatusOK, "ok"
	if old > staleAfter {
		code, word = http.StatusServiceUnavailable, "standing still"
	}
	writeJSON(w, code, map[string]any{"status": word, "picture_age_s": math.Round(old.Seconds()*10) / 10, "version": s.opt.Version})
}
