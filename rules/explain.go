package rules

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"calandria/plant"
)

// Explanation is one alarm's condition at one moment, for a person.
type Explanation struct {
	Alarm string
	Words string      // the condition in words, with its delays
	Raise plant.Truth // as [plant.AlarmInput]
	Hold  plant.Truth
	Parts []Part  // the comparisons of the condition, in order
	Reads []Input // what the condition reads
	// Only is what only_when says, OnlyWords and OnlyParts what it is made of;
	// all empty without one. While it is False the condition is false.
	Only      plant.Truth
	OnlyWords string
	OnlyParts []Part
	// Suppress is what suppress_when says, SuppressWords and SuppressParts what
	// it is made of; all empty without one.
	Suppress      plant.Truth
	SuppressWords string
	SuppressParts []Part
	Waits         []string // what stands between now and the alarm, or keeps it from being evaluated
	Fault         RuleFault
}

// Part is one comparison.
type Part struct {
	Words       string
	Truth       plant.Truth
	Left, Right float64 // NaN where bad
	Unit        string
	// Against: the comparison stands under a not, so being true keeps the
	// condition from being so.
	Against bool
	choice  bool // it only chooses between others
}

// Input is one value a condition reads.
type Input struct {
	Words   string // the tag's path, or the window in words
	Path    string // the tag
	Value   float64
	Unit    string
	Quality plant.Quality
	Age     time.Duration // of the tag's latest point; -1 if there is none
}

// Explain says what an alarm's condition is made of and how each part stands.
func (s *Set) Explain(index int, f *plant.Frame, at time.Time) Explanation {
	a, spec := &s.alarms[index], &s.specs[index]
	in := s.Input(index, f, at)
	e := Explanation{Alarm: spec.Name, Words: a.words, Raise: in.Raise, Hold: in.Hold, Fault: s.faults[index]}
	if spec.OnDelay > 0 {
		e.Words += ", for " + plant.ShortDuration(spec.OnDelay)
	}
	if a.holdWords != "" {
		e.Words += ", " + a.holdWords
	}
	if spec.OffDelay > 0 {
		e.Words += ", returned for " + plant.ShortDuration(spec.OffDelay)
	}
	e.Parts = s.parts(a.raise, f, at, false, nil)
	for _, id := range a.inputs {
		e.Reads = append(e.Reads, s.explainInput(id, f, at))
	}
	if a.only.test != nil {
		var ta tally
		e.Only = s.truth(a.only.test, f, at, &ta, &RuleFault{})
		e.OnlyWords = a.only.words
		e.OnlyParts = s.parts(a.only.test, f, at, false, nil)
	}
	if a.suppress.test != nil {
		var ta tally
		e.Suppress = s.truth(a.suppress.test, f, at, &ta, &RuleFault{})
		e.SuppressWords = a.suppress.words
		e.SuppressParts = s.parts(a.suppress.test, f, at, false, nil)
	}
	e.Waits = waits(&e, spec)
	return e
}

func waits(e *Explanation, spec *plant.AlarmSpec) []string {
	var out []string
	if e.Suppress == plant.True {
		out = append(out, "suppressed while "+e.SuppressWords)
	}
	if e.OnlyWords != "" && e.Only == plant.False {
		return append(out, "does not apply: it does only while "+e.OnlyWords)
	}
	switch e.Raise {
	case plant.True:
		if spec.OnDelay > 0 {
			out = append(out, "true: is raised once it has been so for "+plant.ShortDuration(spec.OnDelay))
		}
	case plant.Unknown:
		for _, r := range e.Reads {
			if r.Quality.IsBad() {
				out = append(out, fmt.Sprintf("not evaluated: %s is %s", r.Words, r.Quality))
			}
		}
		if len(out) == 0 && e.Fault.Count > 0 {
			out = append(out, "not evaluated: "+e.Fault.Reason)
		}
	case plant.False:
		for _, p := range e.Parts {
			if p.choice || math.IsNaN(p.Left) {
				continue
			}
			if p.Truth == plant.False && !p.Against {
				out = append(out, fmt.Sprintf("waits until %s (now %s)", p.Words, withUnit(p.Left, p.Unit)))
			}
			if p.Truth == plant.True && p.Against {
				out = append(out, fmt.Sprintf("waits while %s (now %s)", p.Words, withUnit(p.Left, p.Unit)))
			}
		}
	}
	return out
}

func withUnit(v float64, unit string) string {
	s := strconv.FormatFloat(v, 'g', 5, 64)
	if unit != "" && unit != "1" {
		s += " " + unit
	}
	return s
}

func (s *Set) parts(t *test, f *plant.Frame, at time.Time, against bool, out []Part) []Part {
	switch t.op {
	case logCompare:
		var ta tally
		p := Part{Words: t.words(s), Truth: s.truth(t, f, at, &ta, &RuleFault{}), Unit: t.l.dim.unit(), Against: against}
		if p.Unit == "" {
			p.Unit = t.r.dim.unit()
		}
		p.Left, _ = s.eval(&t.l, f, at, &RuleFault{})
		p.Right, _ = s.eval(&t.r, f, at, &RuleFault{})
		return append(out, p)
	case logIsBad, logIsGood:
		var ta tally
		return append(out, Part{Words: t.words(s), Truth: s.truth(t, f, at, &ta, &RuleFault{}), Left: math.NaN(), Right: math.NaN(), Against: against})
	}
	if t.op == logNot {
		against = !against
	}
	for i, k := range t.kids {
		from := len(out)
		out = s.parts(k, f, at, against, out)
		if t.op == logIf && i == 0 {
			for j := range out[from:] {
				out[from+j].choice = true
			}
		}
	}
	return out
}

func (s *Set) explainInput(id int32, f *plant.Frame, at time.Time) Input {
	in := &s.inputs[id]
	v, q := s.read(id, f, at)
	x := Input{Words: in.words, Path: in.path, Value: v, Unit: in.dim.unit(), Quality: q, Age: -1}
	if x.Unit == "" && in.kind == inputTag {
		x.Unit = s.house.Tags[in.tag].Unit
	}
	if p := f.Point(in.tag); p.Quality.Seen() {
		x.Age = max(0, at.Sub(p.Time))
	}
	return x
}
