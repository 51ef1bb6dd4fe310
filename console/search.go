package console

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
)

// One field finds alarms, vessels, tags and what stands in the journal.

const (
	foundMost = 12  // of each kind
	foundAll  = 300 // tags and vessels, when asked for: no page is too heavy
)

// hit is one thing that was found.
type hit struct {
	Href       string
	Text, Note words.Text
	Mark       *markData
}

// hits are those of one kind.
type hits struct {
	Title words.Text
	More  string // More is the address with all of them, "" if there are no more
	Rows  []hit
	Total int
}

type searchData struct {
	Query string
	Found []hits
}

func (s *Server) searchPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	q, err := cleanText("q", r.URL.Query().Get("q"), 100)
	if err != nil {
		return nil, err
	}
	d := searchData{Query: q}
	if q != "" {
		most := foundMost
		if r.URL.Query().Has("all") {
			most = foundAll
		}
		if d.Found, err = s.find(r.Context(), p, q, most, s.languageOf(r).Say); err != nil {
			return nil, err
		}
	}
	return &view{Template: "search.html", Title: "Search", Data: d}, nil
}

// hasWords reports whether texts have all the words of a query, without regard to case.
func hasWords(query string, text ...string) bool {
	all := strings.ToLower(strings.Join(text, "\n"))
	return !slices.ContainsFunc(strings.Fields(strings.ToLower(query)), func(w string) bool { return !strings.Contains(all, w) })
}

// fitsAlarm reports whether an alarm has the words of a query, in the language of who asks.
func fitsAlarm(query string, a *plant.AlarmSpec, say func(words.Text) string) bool {
	return hasWords(query, a.Name, a.Title, say(a.Said(a.Title)), a.Source, a.Area, a.Class, a.Group, a.Cause, a.Consequence, a.Response, a.Topic, a.Procedure)
}

// find looks for all the words of a query, without regard to case, in the language of who
// asks; most is of tags, and of vessels.
func (s *Server) find(ctx context.Context, p *engine.Picture, q string, most int, say func(words.Text) string) ([]hits, error) {
	fits := func(text ...string) bool { return hasWords(q, text...) }
	var alarms, vessels, tags, journal hits
	alarms.Title, vessels.Title, tags.Title, journal.Title = "Alarms and their rules", "Vessels", "Tags", "Journal, last 30 days"
	all := ""
	if most == foundMost {
		all = "/search?all=1&q=" + url.QueryEscape(q)
	}
	add := func(to *hits, h hit, most int, more string) {
		if to.Total++; len(to.Rows) == most {
			to.More = more
			return
		}
		to.Rows = append(to.Rows, h)
	}
	states := map[string]words.Text{}
	for i := range p.Alarms {
		states[p.Alarms[i].Name] = words.Text(p.Alarms[i].State.Word())
	}
	for _, a := range s.b.Specs() {
		if fitsAlarm(q, &a, say) {
			add(&alarms, hit{Href: "/alarms/" + escapeSegment(a.Name), Text: a.Said(a.Title), Note: words.Say("%s · %s", a.Source, states[a.Name]), Mark: markOf(int(a.Priority), false)},
				foundMost, "/rules?match="+url.QueryEscape(q))
		}
	}
	for _, e := range s.b.House().Equipment {
		if e.Class != plant.ClassBleed && fits(e.Path, e.Name, e.Title) {
			add(&vessels, hit{Href: vesselHref(e.Path), Text: words.Say("%s, %s", e.Name, e.Title), Note: classWord(e.Class)}, most, all)
		}
	}
	for i := range s.b.House().Tags {
		if t := &s.b.House().Tags[i]; fits(t.Path, say(plant.Label(t.Name)), say(t.Meaning), t.Node) {
			add(&tags, hit{Href: "/trends?tag=" + url.QueryEscape(t.Path), Text: words.Verbatim(t.Path), Note: t.Meaning}, most, all)
		}
	}
	ctx, cancel := context.WithTimeout(ctx, trendTimeout)
	defer cancel()
	// The journal looks for the whole text as it stands.
	events, err := s.b.Events(ctx, plant.EventFilter{Match: q, From: time.Now().Add(-30 * 24 * time.Hour), Kinds: notable, Limit: foundMost + 1})
	if err != nil {
		return nil, fmt.Errorf("read the journal: %w", err)
	}
	for _, e := range events {
		row := s.eventRow(e)
		to := "/record?match=" + url.QueryEscape(q)
		add(&journal, hit{Href: to, Text: words.Say("%s: %s", row.Word, row.Text), Note: words.Say("%s %s", row.Time, row.Who)}, foundMost, to)
	}
	return []hits{alarms, vessels, tags, journal}, nil
}
