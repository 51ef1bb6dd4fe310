package console

import (
	"cmp"
	"math"
	"net/url"
	"slices"
	"strings"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo"
)

// suspectView is one instrument that contradicts the others.
type suspectView struct {
	Title       words.Text
	Text        words.Text
	Tags, Alike []tagLink
	Bias, Sigma words.Text
	Unit        words.Text
	Since       words.Text
	Trends      string // all of them on one page
}

type tagLink struct{ Path, Href string }

// contradictions is one set's part of the list.
type contradictions struct {
	Title, Href string
	State       words.Text // what the tests say, or why they say nothing
	Checks      []checkView
	Suspects    []suspectView
}

// checkView is how far one reading is checked.
type checkView struct {
	What, Smallest, By, State words.Text
	Tags                      []tagLink
}

// checked lists how far each reading of a set is checked.
func (s *Server) checked(p *engine.Picture, set string) (out []checkView) {
	for i := range p.Checks {
		x := &p.Checks[i]
		if x.Set != set {
			continue
		}
		v := checkView{What: x.What, Smallest: s.spread(x.Smallest, x.Unit), By: x.By, State: x.State()}
		for _, t := range x.Tags {
			v.Tags = append(v.Tags, tagLink{t, "/trends?" + url.Values{"tag": {t}, "span": {"1d"}}.Encode()})
		}
		if math.IsInf(x.Smallest, 1) {
			v.Smallest = ""
		}
		out = append(out, v)
	}
	return out
}

// contradicts makes the list of the Instruments page: every set that is tested,
// with the instruments named and, without any, what the tests say.
func (s *Server) contradicts(p *engine.Picture, now time.Time) []contradictions {
	var out []contradictions
	for _, e := range s.b.House().Of(plant.ClassSet) {
		c := contradictions{Title: e.Title, Href: vesselHref(e.Path), Checks: s.checked(p, e.Path)}
		for i := range p.Suspects {
			if x := &p.Suspects[i]; x.Set == e.Path {
				c.Suspects = append(c.Suspects, s.suspectView(x, now))
			}
		}
		if len(c.Suspects) == 0 {
			c.State = s.testState(p, e.Tag("gross_error"), now)
		}
		out = append(out, c)
	}
	return out
}

// testState is what the tests of a set's instruments say, or why they say
// nothing.
func (s *Server) testState(p *engine.Picture, id plant.TagID, now time.Time) words.Text {
	if id == plant.NoTag {
		return "not tested here"
	}
	r := s.read(p, id, now)
	if !r.OK {
		return words.Say("not tested now: %s", r.Why)
	}
	return cmp.Or(p.How[id].Note, "the readings agree")
}

func (s *Server) suspectView(x *thermo.Suspect, now time.Time) suspectView {
	v := suspectView{Title: x.What, Text: x.Text, Bias: s.apparent(x), Since: s.moment(now, x.Since)}
	unit, scale := s.change(x.Unit)
	if v.Sigma, v.Unit = sigmaText(x.Sigma*scale), unit; x.Rough {
		v.Sigma = ""
	}
	q := url.Values{}
	link := func(paths []string) (out []tagLink) {
		for _, path := range paths {
			l := tagLink{Path: path}
			if _, ok := s.b.House().Find(path); ok {
				l.Href = "/trends?" + url.Values{"tag": {path}, "span": {"1d"}}.Encode()
				if len(q["tag"]) < maxTraces && !slices.Contains(q["tag"], path) {
					q.Add("tag", path)
				}
			}
			out = append(out, l)
		}
		return out
	}
	v.Tags, v.Alike = link(x.Tags), link(x.Alike)
	if len(q["tag"]) > 1 {
		q.Set("span", "1d")
		v.Trends = "/trends?" + q.Encode()
	}
	return v
}

// apparent says by how much an instrument seems to be wrong.
func (s *Server) apparent(x *thermo.Suspect) words.Text {
	way, bias := words.Text("high"), x.Bias
	if bias < 0 {
		way, bias = "low", -bias
	}
	if x.Rough {
		return words.Say("%s, by how much cannot be said", way)
	}
	return words.Say("%s %s", s.spread(bias, x.Unit), way)
}

// suspicion says of a tag that it contradicts the others, or might be the one
// that does; "" of one that nothing is held against.
func (s *Server) suspicion(p *engine.Picture, path string) words.Text {
	for i := range p.Suspects {
		x := &p.Suspects[i]
		switch {
		case slices.Contains(x.Tags, path):
			return words.Say("contradicts the other instruments: seems to read %s", s.apparent(x))
		case slices.Contains(x.Alike, path):
			return words.Say("one of several that may contradict the others: %s or this", x.What)
		}
	}
	return ""
}

// spread writes an uncertainty or an error in a unit of the program.
func (s *Server) spread(v float64, unit string) words.Text {
	text, scale := s.change(unit)
	return valueUnit(sigmaText(v*scale), text)
}

// vacuumView is why a vacuum is not as it usually is.
type vacuumView struct {
	Name, Title, Href string
	OK, Unusual       bool
	Reason            words.Text
	Above             words.Text // how far above normal
	Normal            words.Text // where normal is from
	Causes            []causeView
	First             []causeView // those for a short list
	Rest              words.Text
}

type causeView struct {
	N            int
	Cause, Share words.Text
	Percent      float64 // 0 to 100, of what there is to explain
	Evidence     []evidenceView
	CheckFirst   words.Text
	Doubt        words.Text
}

type evidenceView struct{ What, Now, Normal, Unit words.Text }

// vacuumOf is the view of a condenser; false: nothing is said of it.
func (s *Server) vacuumOf(p *engine.Picture, condenser string) (vacuumView, bool) {
	for i := range p.Vacuum {
		if p.Vacuum[i].Condenser == condenser {
			return s.vacuumView(&p.Vacuum[i]), true
		}
	}
	return vacuumView{}, false
}

func (s *Server) vacuumView(x *thermo.Vacuum) vacuumView {
	v := vacuumView{Name: x.Condenser, OK: x.OK, Unusual: x.Text != "", Reason: x.Reason}
	if e, ok := s.b.House().Equip(x.Condenser); ok {
		v.Name, v.Title, v.Href = e.Name, e.Title, vesselHref(e.Path)
	}
	if !x.OK {
		return v
	}
	way := words.Text("above")
	kpa, k := x.Diagnosis.RiseKPa, x.Diagnosis.RiseK
	if kpa < 0 {
		way, kpa, k = "below", -kpa, -k
	}
	pressure, perKPa := s.change("kPa")
	degrees, perK := s.change("K")
	v.Above = words.Say("vapour %s %s (%s %s) %s normal", decimals(kpa*perKPa, max(1, s.units[kindPressure].digits)), pressure, decimals(k*perK, 1), degrees, way)
	v.Normal = "normal as configured"
	if x.Learned > 0 {
		v.Normal = words.Say("normal learned from %s of running", span(x.Learned))
	}
	if !v.Unusual {
		return v
	}
	for i := range x.Diagnosis.Findings {
		f := &x.Diagnosis.Findings[i]
		c := causeView{N: i + 1, Cause: f.Cause, CheckFirst: f.CheckFirst, Doubt: f.Doubt, Share: decimals(f.ExplainsK*perK, 1) + " " + degrees}
		if rise := x.Diagnosis.RiseK; rise > 0 && f.ExplainsK > 0 {
			c.Percent = min(100, 100*f.ExplainsK/rise)
		}
		for _, e := range f.Evidence {
			u := s.unitNamed(x.Condenser, e.Unit)
			c.Evidence = append(c.Evidence, evidenceView{e.What, decimals(u.of(e.Now), 1), decimals(u.of(e.Normal), 1), u.text})
		}
		v.Causes = append(v.Causes, c)
	}
	v.First = v.Causes[:min(2, len(v.Causes))]
	if over := x.Diagnosis.UnexplainedK; len(v.Causes) > 1 && over > 0.05 {
		v.Rest = words.Say("%s is beyond what the first explains", decimals(over*perK, 1)+" "+degrees)
	}
	return v
}

// calmLine says the same of several condensers.
type calmLine struct{ Names, Text words.Text }

// calmVacuum gathers the condensers of which there is nothing to tell.
func calmVacuum(vs []vacuumView) []calmLine {
	var out []calmLine
	for _, v := range vs {
		text := words.Say("not judged, %s", v.Reason)
		if v.Unusual {
			continue
		} else if v.OK {
			text = "nothing unusual"
		}
		if i := slices.IndexFunc(out, func(l calmLine) bool { return l.Text == text }); i >= 0 {
			out[i].Names += words.Text(", " + v.Name)
			continue
		}
		out = append(out, calmLine{words.Text(v.Name), text})
	}
	return out
}

// servedBy is the condenser that makes a vessel's vacuum: of a set, its last
// body and a pan; a condenser's is itself.
func (s *Server) servedBy(e *plant.Equipment) *plant.Equipment {
	switch e.Class {
	case plant.ClassCondenser:
		return e
	case plant.ClassBody:
		if e != e.Parent.LastBody() {
			return nil
		}
		return s.condenserOf(e.Parent)
	}
	return s.condenserOf(e)
}

// vacuumAlarm is the condenser whose vacuum an alarm is about: the one that its
// rule names to explain it, else that of its vessel if it speaks of vacuum.
func (s *Server) vacuumAlarm(spec *plant.AlarmSpec) *plant.Equipment {
	if t, ok := s.b.House().Find(spec.Explain); ok && t.Class == plant.ClassCondenser {
		e, _ := s.b.House().Equip(t.Owner)
		return e
	}
	for _, text := range []string{spec.Name, spec.Group, spec.Title} {
		if strings.Contains(strings.ToLower(text), "vacuum") {
			if e, ok := s.b.House().Equip(spec.Source); ok {
				return s.servedBy(e)
			}
		}
	}
	return nil
}

type apiCheck struct {
	Set      string     `json:"set"`
	What     words.Text `json:"what"`
	Tags     []string   `json:"tags"`
	State    words.Text `json:"state"`
	Smallest jsonNumber `json:"smallest"` // null: not checked
	Unit     string     `json:"unit"`
	By       words.Text `json:"by,omitempty"`
}

// apiChecks says how far each reading of the sets is checked.
func apiChecks(p *engine.Picture) []apiCheck {
	out := []apiCheck{}
	for i := range p.Checks {
		x := &p.Checks[i]
		out = append(out, apiCheck{x.Set, x.What, x.Tags, x.State(), jsonNumber(x.Smallest), x.Unit, x.By})
	}
	return out
}

type apiSuspect struct {
	Set   string     `json:"set"`
	What  words.Text `json:"what"`
	Tags  []string   `json:"tags"`
	Bias  jsonNumber `json:"bias"`
	Sigma jsonNumber `json:"sigma"`
	Z     jsonNumber `json:"z"`
	Unit  string     `json:"unit"`
	Alike []string   `json:"alike"`
	Since *time.Time `json:"since"`
	Text  words.Text `json:"text"`
}

type apiEvidence struct {
	What   words.Text `json:"what"`
	Now    jsonNumber `json:"now"`
	Normal jsonNumber `json:"normal"`
	Unit   string     `json:"unit"`
}

type apiCause struct {
	Cause       words.Text    `json:"cause"`
	ExplainsK   jsonNumber    `json:"explains_k"`
	ExplainsKPa jsonNumber    `json:"explains_kpa"`
	Evidence    []apiEvidence `json:"evidence"`
	CheckFirst  words.Text    `json:"check_first"`
	Doubt       words.Text    `json:"doubt,omitempty"`
}

type apiVacuum struct {
	Condenser    string     `json:"condenser"`
	At           *time.Time `json:"at"`
	Known        bool       `json:"known"`
	Unusual      bool       `json:"unusual"`
	Reason       words.Text `json:"reason,omitempty"`
	RiseKPa      jsonNumber `json:"rise_kpa"`
	RiseK        jsonNumber `json:"rise_k"`
	UnexplainedK jsonNumber `json:"unexplained_k"`
	Causes       []apiCause `json:"causes"`
}

// apiInsights are the suspects and the vacuum of a picture.
func apiInsights(p *engine.Picture) ([]apiSuspect, []apiVacuum) {
	list := func(in []string) []string { return append([]string{}, in...) }
	suspects, vacuum := []apiSuspect{}, []apiVacuum{}
	for i := range p.Suspects {
		x := &p.Suspects[i]
		suspects = append(suspects, apiSuspect{x.Set, x.What, list(x.Tags), jsonNumber(x.Bias), jsonNumber(x.Sigma), jsonNumber(x.Z), x.Unit, list(x.Alike), timeOrNull(x.Since), x.Text})
	}
	for i := range p.Vacuum {
		x := &p.Vacuum[i]
		v := apiVacuum{Condenser: x.Condenser, At: timeOrNull(x.At), Known: x.OK, Unusual: x.Text != "", Reason: x.Reason,
			RiseKPa: jsonNumber(x.Diagnosis.RiseKPa), RiseK: jsonNumber(x.Diagnosis.RiseK), UnexplainedK: jsonNumber(x.Diagnosis.UnexplainedK), Causes: []apiCause{}}
		for _, f := range x.Diagnosis.Findings {
			c := apiCause{Cause: f.Cause, ExplainsK: jsonNumber(f.ExplainsK), ExplainsKPa: jsonNumber(f.ExplainKPa), Evidence: []apiEvidence{}, CheckFirst: f.CheckFirst, Doubt: f.Doubt}
			for _, e := range f.Evidence {
				c.Evidence = append(c.Evidence, apiEvidence{e.What, jsonNumber(e.Now), jsonNumber(e.Normal), e.Unit})
			}
			v.Causes = append(v.Causes, c)
		}
		vacuum = append(vacuum, v)
	}
	return suspects, vacuum
}
