package console

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strings"
	"time"

	"calandria/plant"
)

// truthView is one condition and how it stands.
type truthView struct {
	Words, Word, Left, Right, Class string
	Against                         bool
}

type inputView struct {
	Words, Href, Value, Quality, Age string
	Bad                              bool
}

type branchView struct {
	Words, Word, Class string
	Parts              []truthView
}

type ruleView struct {
	Name, At, Words, Word, Class string
	Parts                        []truthView
	Reads                        []inputView
	Only, Suppress               branchView
	Waits                        []string
	Fault                        string
}

// truthWord says a truth in words. Unknown is neither true nor false: an input
// that decides is bad.
func truthWord(t plant.Truth) (word, class string) {
	switch t {
	case plant.True:
		return "true", "yes"
	case plant.False:
		return "false", "no"
	}
	return "not evaluated", "unknown"
}

func truthViews(parts []ExplainPart) []truthView {
	var out []truthView
	for _, p := range parts {
		v := truthView{Words: p.Words, Left: side(p.Left, p.Unit), Right: side(p.Right, p.Unit), Against: p.Against}
		v.Word, v.Class = truthWord(p.Truth)
		out = append(out, v)
	}
	return out
}

func side(v float64, unit string) string {
	if math.IsNaN(v) {
		return "bad"
	}
	return strings.TrimSpace(specNumber(v) + " " + unitWord(unit))
}

func branch(b ExplainBranch) branchView {
	v := branchView{Words: b.Words, Parts: truthViews(b.Parts)}
	v.Word, v.Class = truthWord(b.Truth)
	return v
}

// rulePage is the live page of a rule, with the form to try another limit.
func (s *Server) rulePage(r *http.Request, p *Picture, now time.Time) (*view, error) {
	v, err := s.ruleLive(r, p, now)
	if err != nil {
		return nil, err
	}
	v.Data.(map[string]any)["Try"], err = s.trialForm(r, r.PathValue("name"))
	return v, err
}

func (s *Server) ruleLive(r *http.Request, p *Picture, now time.Time) (*view, error) {
	name := r.PathValue("name")
	var spec *plant.AlarmSpec
	for _, a := range s.b.Specs() {
		if a.Name == name {
			spec = &a
			break
		}
	}
	if spec == nil {
		return nil, notFound("There is no such alarm.")
	}
	ctx, cancel := context.WithTimeout(r.Context(), commandTimeout)
	defer cancel()
	e, err := s.b.Explain(ctx, name)
	if no, ok := errors.AsType[*Refused](err); ok {
		return nil, notFound(no.Why)
	}
	if err != nil {
		return nil, fmt.Errorf("explain %s: %w", name, err)
	}
	v := ruleView{Name: name, At: s.clock(e.At), Words: e.Words, Parts: truthViews(e.Parts), Only: branch(e.Only), Suppress: branch(e.Suppress), Waits: e.Waits, Fault: e.Fault}
	v.Word, v.Class = truthWord(e.Truth)
	var reads []string
	for _, x := range e.Reads {
		reads = append(reads, x.Path)
		in := inputView{Words: x.Words, Value: side(x.Value, x.Unit), Quality: x.Quality.String(), Age: "no value yet", Bad: math.IsNaN(x.Value) || x.Quality.IsBad()}
		if x.Age >= 0 {
			in.Age = age(now, now.Add(-x.Age))
		}
		if _, ok := s.b.House().Find(x.Path); ok {
			in.Href = "/trends?tag=" + url.QueryEscape(x.Path)
		}
		v.Reads = append(v.Reads, in)
	}
	state := ""
	var mark *markData
	for i := range p.Alarms {
		if p.Alarms[i].Name == name {
			state, mark = p.Alarms[i].State.Word(), markOf(int(spec.Priority), p.Alarms[i].Annunciated)
		}
	}
	where := ""
	if e.File != "" {
		where = fmt.Sprintf("%s, line %d", e.File, e.Line)
	}
	return &view{Template: "rule.html", Title: spec.Title, Section: "rules", Reload: true, Live: "view=rule&name=" + url.QueryEscape(name),
		Parts: map[string]any{"rule-truth": map[string]any{"Rule": v, "State": state, "Mark": mark}, "rule-trial": s.trialPart(name, reads)},
		Data:  map[string]any{"Spec": spec, "Href": "/alarms/" + escapeSegment(name), "Where": where, "Mark": markOf(int(spec.Priority), false)}}, nil
}
