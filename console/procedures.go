package console

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/files"
	"calandria/plant/words"
)

// maxDocumentBytes is how large a document of the site may be for a page to show it.
const maxDocumentBytes = 32 << 20

// procedureRow is one procedure, or one that the site has not given yet.
type procedureRow struct {
	Topic, Href string
	Title       words.Text
	Missing     bool
	Alarms      []hit // the most urgent
	N           int   // of all
	All         string
}

// alarmsShown is how many alarms stand beneath a procedure.
const alarmsShown = 3

type proceduresData struct{ Missing, Given []procedureRow }

// documentHref is where the procedure of an alarm can be read; "" while the site
// has given none.
func documentHref(a *plant.AlarmSpec) string {
	if strings.HasPrefix(a.Document, "http://") || strings.HasPrefix(a.Document, "https://") {
		return a.Document
	}
	if a.Document == "" {
		return ""
	}
	return "/procedures/" + escapeSegment(a.Topic)
}

func (s *Server) proceduresPage(_ *http.Request, p *engine.Picture, _ time.Time) (*view, error) {
	return &view{Template: "procedures.html", Title: "Procedures", Section: "rules", Data: s.procedures()}, nil
}

// proceduresFile is the list of those that are missing, to be filled in and kept as a rule
// file.
func (s *Server) proceduresFile(w http.ResponseWriter, r *http.Request) error {
	var out strings.Builder
	say := s.languageOf(r).Say
	out.WriteString("procedures:\n")
	for _, p := range s.procedures().Missing {
		if p.Topic != "" {
			fmt.Fprintf(&out, "  # %s, %s\n  %q:\n    title: %q\n    revision: \"\"\n    document: \"\"\n",
				say(counted(p.N, "alarm", "alarms")), strings.ReplaceAll(say(p.Alarms[0].Text), "\n", " "), p.Topic, p.Topic)
		}
	}
	w.Header().Set("Content-Type", "application/yaml; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="procedures.yaml"`)
	io.WriteString(w, out.String())
	return nil
}

// procedures lists what the alarms name: those without a document first, the most urgent
// alarms before others.
func (s *Server) procedures() (d proceduresData) {
	specs := slices.Clone(s.b.Specs())
	slices.SortStableFunc(specs, func(a, b plant.AlarmSpec) int { return cmp.Compare(a.Priority, b.Priority) })
	at := map[string]*procedureRow{}
	var order []string
	for i := range specs {
		a := &specs[i]
		key := cmp.Or(a.Topic, a.Procedure)
		r := at[key]
		if r == nil {
			r = &procedureRow{Topic: key, Title: words.Verbatim(a.Procedure), Href: documentHref(a), Missing: a.Procedure == "" || a.Topic != "" && a.Document == ""}
			if r.Missing {
				if r.Title = words.Verbatim(a.Topic); a.Topic == "" {
					r.Title = "no procedure named"
				}
			}
			at[key], order = r, append(order, key)
		}
		if r.N++; len(r.Alarms) == alarmsShown {
			r.All = "/rules?match=" + url.QueryEscape(key)
			continue
		}
		r.Alarms = append(r.Alarms, hit{Href: "/alarms/" + escapeSegment(a.Name), Text: a.Said(a.Title), Note: words.Verbatim(a.Source), Mark: markOf(int(a.Priority), false)})
	}
	for _, key := range order {
		if r := at[key]; r.Missing {
			d.Missing = append(d.Missing, *r)
		} else {
			d.Given = append(d.Given, *r)
		}
	}
	return d
}

// procedureDocument shows a document of the site. Only files that the rule files
// name can be asked for.
func (s *Server) procedureDocument(w http.ResponseWriter, r *http.Request) error {
	topic := r.PathValue("topic")
	for _, a := range s.b.Specs() {
		if a.Topic != topic || a.Document == "" {
			continue
		}
		if href := documentHref(&a); !strings.HasPrefix(href, "/") {
			return seeOther(w, r, href)
		}
		body, err := files.Read(a.Document, maxDocumentBytes)
		if err != nil {
			s.log.Warn("console: document of a procedure", "topic", topic, "err", err)
			return notFound(words.Say("The document of this procedure cannot be read: %s. Use the printed copy, and tell the engineer.", filepath.Base(a.Document)))
		}
		// A document may be of any making: no script of it runs.
		w.Header().Set("Content-Security-Policy", "default-src 'self'; script-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; frame-ancestors 'none'")
		if kind, ok := map[string]string{".md": "text/plain; charset=utf-8", ".txt": "text/plain; charset=utf-8"}[strings.ToLower(filepath.Ext(a.Document))]; ok {
			w.Header().Set("Content-Type", kind)
		}
		http.ServeContent(w, r, filepath.Base(a.Document), time.Time{}, bytes.NewReader(body))
		return nil
	}
	return notFound("The site has given no such procedure.")
}

// alarmTrendSpan is the stretch of history beside an alarm.
const alarmTrendSpan = 4 * time.Hour

// smallTrend is a line of the last hours, in a box of 400 by 90.
type smallTrend struct {
	Path, Href          string
	Label, Unit         words.Text
	Line, LimitY        string // LimitY is "" without a limit
	Low, High, From, To string
}

// alarmTrends draws what the condition of an alarm reads, the first two; states only where
// there is nothing else.
func (s *Server) alarmTrends(ctx context.Context, a *plant.AlarmSpec, now time.Time) (list []smallTrend) {
	e, err := s.b.Explain(ctx, a.Name)
	if err != nil {
		return nil
	}
	var paths, states []string
	for _, x := range e.Reads {
		if t, ok := s.b.House().Find(x.Path); ok && t.Dimension == plant.State {
			states = append(states, x.Path)
		} else if ok {
			paths = append(paths, x.Path)
		}
	}
	var vessel []string // where what it reads has no value
	if v, ok := s.b.House().Equip(a.Source); ok {
		vessel = mainTags(v)
	}
	for i, path := range slices.Concat(paths, states, vessel) {
		t, ok := s.b.House().Find(path)
		if !ok || len(list) > 0 && i >= len(paths) || slices.ContainsFunc(list, func(o smallTrend) bool { return o.Path == t.Path }) {
			continue
		}
		from := now.Add(-alarmTrendSpan)
		b := s.history(ctx, "alarm "+t.Path, t.Path, from, now, 120, tailFresh)
		low, high, ok := extent(b)
		if !ok {
			continue
		}
		st := smallTrend{Path: t.Path, Label: words.Say("%s, %s", t.Path, t.Meaning), Unit: s.unit(t).text, From: s.clock(from).String(), To: s.clock(now).String(),
			Href: "/trends?span=8h&tag=" + url.QueryEscape(t.Path)}
		limit := math.NaN()
		if a.Setpoint != nil && len(list) == 0 && i < len(paths) {
			if v, err := plant.ToCanonical(t.Dimension, cmp.Or(a.Unit, t.Unit), *a.Setpoint); err == nil {
				limit = v
				low, high = math.Min(low, v), math.Max(high, v)
			}
		}
		y := func(v float64) float64 { return 85 - 80*(v-low)/max(high-low, 1e-12) }
		if !math.IsNaN(limit) {
			st.LimitY = fmtCoord(y(limit))
		}
		st.Line, st.Low, st.High = polyline(b, from, alarmTrendSpan, 400, y), s.number(t, low).String(), s.number(t, high).String()
		if list = append(list, st); len(list) == 2 {
			break
		}
	}
	return list
}
