package console

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"path/filepath"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
)

// truthView is one condition and how it stands.
type truthView struct {
	Words, Word, Left, Right words.Text
	Class                    string
	Against                  bool
}

type inputView struct {
	Words, Value, Age words.Text
	Href, Quality     string
	Bad               bool
}

type branchView struct {
	Words, Word words.Text
	Class       string
	Parts       []truthView
}

// ruleView is a condition as it stands.
type ruleView struct {
	branchView
	At             string
	Reads          []inputView
	Only, Suppress branchView
	Waits          []words.Text
	Fault, State   words.Text // State of its alarm
	Mark           *markData
}

// ruleData is what stands on the page of a rule.
type ruleData struct {
	Spec  *plant.AlarmSpec
	Href  string
	Where words.Text
	Mark  *markData
	Try   *trialForm // nil on a live page
}

// truthWord says a truth in words. Unknown is neither true nor false: an input
// that decides is bad.
func truthWord(t plant.Truth) (word words.Text, class string) {
	switch t {
	case plant.True:
		return "true", "yes"
	case plant.False:
		return "false", "no"
	}
	return "not evaluated", "unknown"
}

func truthViews(parts []rules.Part) []truthView {
	var out []truthView
	for _, p := range parts {
		v := truthView{Words: p.Words, Left: side(p.Left, p.Unit), Right: side(p.Right, p.Unit), Against: p.Against}
		v.Word, v.Class = truthWord(p.Truth)
		out = append(out, v)
	}
	return out
}

func side(v float64, unit string) words.Text {
	if math.IsNaN(v) {
		return "bad"
	}
	return valueUnit(specNumber(v), unitWord(unit))
}

// inputText is a value that a condition reads, as its tag is shown.
func (s *Server) inputText(x rules.Input) words.Text {
	if math.IsNaN(x.Value) {
		return "bad"
	}
	u := s.unitNamed(x.Path, x.Unit)
	return valueUnit(specNumber(u.of(x.Value)), u.text)
}

func branch(text words.Text, t plant.Truth, parts []rules.Part) branchView {
	v := branchView{Words: text, Parts: truthViews(parts)}
	v.Word, v.Class = truthWord(t)
	return v
}

// rulePage is the live page of a rule, with the form to try another limit.
func (s *Server) rulePage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	v, err := s.ruleLive(r, p, now)
	if err != nil {
		return nil, err
	}
	d := v.Data.(ruleData)
	d.Try, err = s.trialForm(r, r.PathValue("name"))
	v.Data = d
	return v, err
}

func (s *Server) ruleLive(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	name := r.PathValue("name")
	spec := s.spec(name)
	if spec == nil {
		return nil, notFound("There is no such alarm.")
	}
	ctx, cancel := context.WithTimeout(r.Context(), commandTimeout)
	defer cancel()
	e, err := s.b.Explain(ctx, name)
	if no, ok := errors.AsType[*engine.Refused](err); ok {
		return nil, notFound(no.Why)
	}
	if err != nil {
		return nil, fmt.Errorf("explain %s: %w", name, err)
	}
	v := ruleView{branchView: branch(e.Words, e.Raise, e.Parts), At: s.clock(p.Frame.At).String(), Only: branch(e.OnlyWords, e.Only, e.OnlyParts),
		Suppress: branch(e.SuppressWords, e.Suppress, e.SuppressParts), Waits: e.Waits}
	if e.Fault.Count > 0 {
		v.Fault = words.Say("%s (%s)", e.Fault.Reason, times(e.Fault.Count))
	}
	var reads []string
	for _, x := range e.Reads {
		reads = append(reads, x.Path)
		in := inputView{Words: x.Words, Value: s.inputText(x), Quality: x.Quality.String(), Age: "no value yet", Bad: math.IsNaN(x.Value) || x.Quality.IsBad()}
		if x.Age >= 0 {
			in.Age = age(now, now.Add(-x.Age))
		}
		if _, ok := s.b.House().Find(x.Path); ok {
			in.Href = "/trends?tag=" + url.QueryEscape(x.Path)
		}
		v.Reads = append(v.Reads, in)
	}
	for i := range p.Alarms {
		if p.Alarms[i].Name == name {
			v.State, v.Mark = words.Text(p.Alarms[i].State.Word()), markOf(int(spec.Priority), p.Alarms[i].Annunciated)
		}
	}
	var where words.Text
	if spec.File != "" {
		where = words.Say("%s, line %d", filepath.Base(spec.File), spec.Line)
	}
	return &view{Template: "rule.html", Title: spec.Said(spec.Title), Section: "rules", Reload: true, Live: "view=rule&name=" + url.QueryEscape(name),
		Parts: parts{"rule-truth": v, "rule-trial": s.trialPart(name, reads)},
		Data:  ruleData{Spec: spec, Href: "/alarms/" + escapeSegment(name), Where: where, Mark: markOf(int(spec.Priority), false)}}, nil
}
