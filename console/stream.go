package console

import (
	"context"
	"encoding/json"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"sync"
	"time"

	"calandria/engine"
)

// call is an alarm that waits for someone, for the announcement.
type call struct {
	Key      string `json:"key"` // name and occurrence
	Priority int    `json:"priority"`
	Text     string `json:"text"`
}

func (s *Server) calls(p *engine.Picture) []call {
	out := []call{}
	for i := range p.Alarms {
		a := &p.Alarms[i]
		if !a.Annunciated || a.Spec == nil {
			continue
		}
		out = append(out, call{Key: fmt.Sprintf("%s#%d.%d", a.Name, a.Occurrence, a.RealarmCount), Priority: rank(a.Spec.Priority),
			Text: fmt.Sprintf("Priority %d, %s: %s, %s", int(a.Spec.Priority), a.Spec.Priority, a.Spec.Title, a.Spec.Source)})
	}
	slices.SortStableFunc(out, func(a, b call) int { return a.Priority - b.Priority })
	return out
}

func callKeys(cs []call) []string {
	keys := []string{}
	for _, c := range cs {
		keys = append(keys, c.Key)
	}
	return keys
}

// message is one "picture" event of the stream.
type message struct {
	At    time.Time                `json:"at"`
	Seq   uint64                   `json:"seq"`
	Calls []call                   `json:"calls"`
	Parts map[string]template.HTML `json:"parts"`
}

// beat is the heartbeat. AgeMs is how old the picture is by the server's own
// clock, so that a loop that stands still is seen although the stream lives.
type beat struct {
	Now   time.Time `json:"now"`
	AgeMs int64     `json:"age_ms"`
	// LimitMs is the age from which the picture counts as standing still: a
	// little over two scans.
	LimitMs int64 `json:"limit_ms"`
}

// liveView finds the page that a stream keeps up to date, and sets what the page takes from
// its path.
func (s *Server) liveView(r *http.Request) (page pageFunc, ok bool) {
	q := r.URL.Query()
	known := map[string]struct {
		page pageFunc
		key  string
	}{
		"house": {s.housePage, ""}, "vessel": {s.vesselPage, "path"}, "wall": {s.wallPage, ""}, "alarms": {s.alarmsPage, ""},
		"alarm": {s.alarmPage, "name"}, "instruments": {s.instrumentsPage, ""}, "cleaning": {s.cleaningPage, ""}, "pans": {s.pansPage, ""},
		"rule": {s.ruleLive, "name"}, "record": {s.recordNews, ""},
		"": {func(*http.Request, *engine.Picture, time.Time) (*view, error) { return &view{}, nil }, ""},
	}
	x, ok := known[q.Get("view")]
	if x.key != "" {
		r.SetPathValue(x.key, q.Get(x.key))
	}
	return x.page, ok
}

// stream sends the parts of one page as they change: all of them at first,
// then only those that differ, at most twice a second, and a heartbeat each
// second. What is in the journal since then, such as an alarm, does not wait for
// that. The id of a message is the number of the last journal entry in its
// picture. As every connection begins with the whole picture, one that comes
// back has missed nothing; the page itself knows which alarms it has announced.
func (s *Server) stream(w http.ResponseWriter, r *http.Request) {
	f, ok := s.liveView(r)
	if !ok {
		s.fail(w, r, http.StatusBadRequest, "There is no such live page.")
		return
	}
	person := ""
	if a := actorOf(r); a != nil && !a.Token {
		person = a.Name
	}
	place := s.streams.take(station(r), person)
	if place == nil {
		w.Header().Set("Retry-After", "5")
		s.fail(w, r, http.StatusServiceUnavailable, "Too many live pages are open. Close some, or raise console.streams in the plant file.")
		return
	}
	defer s.streams.leave(place)
	send, ok := s.opened(w)
	if !ok {
		return
	}
	s.beaten.note(w, s.b.Picture().Clock(time.Now()))
	defer s.beaten.forget(w)
	sent := map[string]template.HTML{}
	var lastCalls []string
	var shown *engine.Picture
	full := true
	ticker := time.NewTicker(beatEvery)
	defer ticker.Stop()
	pause := time.NewTimer(0)
	defer pause.Stop()
	<-pause.C
	for {
		changed := s.b.Changed()
		if p := s.b.Picture(); p != nil && p != shown {
			m, err := s.changes(f, r, p, sent)
			if err != nil {
				s.log.Error("console: live page", "view", r.URL.Query().Get("view"), "err", err)
				return
			}
			keys := callKeys(m.Calls)
			if full || len(m.Parts) > 0 || !slices.Equal(keys, lastCalls) {
				if !send("picture", p.Seq, m) {
					return
				}
			}
			full, lastCalls, shown = false, keys, p
		}
		// Not before the next repaint is due, or there is something in the journal.
		for waiting, done := true, time.Now(); waiting; {
			select {
			case <-r.Context().Done():
				return
			case <-s.stopping:
				return
			case <-place.gone:
				return
			case <-pause.C:
				waiting = false
			case <-changed:
				changed = s.b.Changed()
				gap := repaintEvery
				if p := s.b.Picture(); p != nil && shown != nil && p.Seq != shown.Seq {
					gap = urgentEvery
				}
				pause.Reset(gap - time.Since(done))
			case now := <-ticker.C:
				if !s.gate.still(r, now) {
					return
				}
				b := beat{Now: now.UTC(), AgeMs: -1, LimitMs: (2*s.b.House().Config.Scan + 1500*time.Millisecond).Milliseconds()}
				if p := s.b.Picture(); p != nil {
					b.AgeMs = max(0, p.Clock(now).Sub(p.At).Milliseconds())
				}
				if !send("beat", 0, b) {
					return
				}
				s.beaten.note(w, s.b.Picture().Clock(now))
			}
		}
	}
}

// beaten is when each open page was sent its last heartbeat, by the program's own
// clock.
type beaten struct {
	mu sync.Mutex
	at map[http.ResponseWriter]time.Time
}

func (b *beaten) note(w http.ResponseWriter, at time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.at == nil {
		b.at = map[http.ResponseWriter]time.Time{}
	}
	b.at[w] = at
}

func (b *beaten) forget(w http.ResponseWriter) {
	b.mu.Lock()
	defer b.mu.Unlock()
	delete(b.at, w)
}

// Streams tells how many pages are open, and when the one that has waited longest
// was sent its last heartbeat.
func (s *Server) Streams() (open int, oldest time.Time) {
	s.beaten.mu.Lock()
	defer s.beaten.mu.Unlock()
	for _, at := range s.beaten.at {
		if oldest.IsZero() || at.Before(oldest) {
			oldest = at
		}
	}
	return len(s.beaten.at), oldest
}

// opened begins a stream. What it gives sends one message and reports whether the
// client can still be written to.
func (s *Server) opened(w http.ResponseWriter) (send func(name string, id uint64, v any) bool, ok bool) {
	h := w.Header()
	h.Set("Content-Type", "text/event-stream; charset=utf-8")
	h.Set("X-Accel-Buffering", "no")
	rc := http.NewResponseController(w)
	// The server's read deadline is for requests, not for a page that stays
	// open for a shift.
	rc.SetReadDeadline(time.Time{})
	send = func(name string, id uint64, v any) bool {
		body, err := json.Marshal(v)
		if err != nil {
			s.log.Error("console: stream", "err", err)
			return false
		}
		rc.SetWriteDeadline(time.Now().Add(streamWrite))
		if id > 0 {
			_, err = fmt.Fprintf(w, "id: %d\nevent: %s\ndata: %s\n\n", id, name, body)
		} else {
			_, err = fmt.Fprintf(w, "event: %s\ndata: %s\n\n", name, body)
		}
		return err == nil && rc.Flush() == nil
	}
	_, err := fmt.Fprint(w, "retry: 2000\n\n")
	return send, err == nil
}

// drawnParts keeps the parts of the present picture, so that a page open at
// ten stations is drawn once. Streams are few, and so are its entries.
type drawnParts struct {
	mu    sync.Mutex
	of    *engine.Picture
	pages map[string]*drawnPage
}

type drawnPage struct {
	once  sync.Once
	parts map[string]template.HTML
	err   error
}

func (d *drawnParts) get(p *engine.Picture, page string, draw func() (map[string]template.HTML, error)) (map[string]template.HTML, error) {
	d.mu.Lock()
	if d.of != p {
		d.of, d.pages = p, map[string]*drawnPage{}
	}
	e := d.pages[page]
	if e == nil {
		e = &drawnPage{}
		d.pages[page] = e
	}
	d.mu.Unlock()
	e.once.Do(func() { e.parts, e.err = draw() })
	return e.parts, e.err
}

// changes renders a page's live parts and keeps those that differ from what
// was sent.
func (s *Server) changes(f pageFunc, r *http.Request, p *engine.Picture, sent map[string]template.HTML) (message, error) {
	l := s.languageOf(r)
	parts, err := s.drawn.get(p, l.Tag+" "+s.lookKey+r.URL.RawQuery, func() (map[string]template.HTML, error) {
		now := p.Clock(time.Now())
		// Others share what is drawn here: it must not depend on one client
		// staying.
		v, err := f(r.WithContext(context.WithoutCancel(r.Context())), p, now)
		if err != nil {
			return nil, err
		}
		return s.parts(l, v, p, now)
	})
	if err != nil {
		return message{}, err
	}
	m := message{At: p.At, Seq: p.Seq, Calls: s.calls(p), Parts: map[string]template.HTML{}}
	for id, html := range parts {
		if sent[id] != html {
			sent[id] = html
			m.Parts[id] = html
		}
	}
	return m, nil
}
