package rules

import (
	"math"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// Explanation is one alarm's condition at one moment, for a person.
type Explanation struct {
	Alarm string
	Words words.Text  // the condition in words, with its delays
	Raise plant.Truth // as [plant.AlarmInput]
	Hold  plant.Truth
	Parts []Part  // the comparisons of the condition, in order
	Reads []Input // what the condition reads
	// Only is what only_when says, OnlyWords and OnlyParts what it is made of;
	// all empty without one. While it is False the condition is false.
	Only      plant.Truth
	OnlyWords words.Text
	OnlyParts []Part
	// Suppress is what suppress_when says, SuppressWords and SuppressParts what
	// it is made of; all empty without one.
	Suppress      plant.Truth
	SuppressWords words.Text
	SuppressParts []Part
	Waits         []words.Text // what stands between now and the alarm, or keeps it from being evaluated
	Fault         RuleFault
}

// Part is one comparison.
type Part struct {
	Words       words.Text
	Truth       plant.Truth
	Left, Right float64 // NaN where bad
	Unit        string
	// Against: the comparison stands under a not, so being true keeps the
	// condition from being so.
	Against bool
	of      string // the tag that is compared
	choice  bool   // it only chooses between others
}

// Input is one value a condition reads.
type Input struct {
	Words   words.Text // the tag's path, or the window in words
	Path    string     // the tag
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
		e.Words += ", " + words.Say("for %s", plant.ShortDuration(spec.OnDelay))
	}
	if a.holdWords != "" {
		e.Words += ", " + a.holdWords
	}
	if spec.OffDelay > 0 {
		e.Words += ", " + words.Say("returned for %s", plant.ShortDuration(spec.OffDelay))
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

func waits(e *Explanation, spec *plant.AlarmSpec) (out []words.Text) {
	if e.Suppress == plant.True {
		out = append(out, words.Say("suppressed while %s", e.SuppressWords))
	}
	if e.OnlyWords != "" && e.Only == plant.False {
		return append(out, words.Say("does not apply: it does only while %s", e.OnlyWords))
	}
	switch e.Raise {
	case plant.True:
		if spec.OnDelay > 0 {
			out = append(out, words.Say("true: is raised once it has been so for %s", plant.ShortDuration(spec.OnDelay)))
		}
	case plant.Unknown:
		for _, r := range e.Reads {
			if r.Quality.IsBad() {
				out = append(out, words.Say("not evaluated: %s is %s", r.Words, words.Verbatim(r.Quality.String())))
			}
		}
		if len(out) == 0 && e.Fault.Count > 0 {
			out = append(out, words.Say("not evaluated: %s", e.Fault.Reason))
		}
	case plant.False:
		for _, p := range e.Parts {
			if p.choice || math.IsNaN(p.Left) {
				continue
			}
			if p.Truth == plant.False && !p.Against {
				out = append(out, words.Say("waits until %s (now %s)", p.Words, amountOf(p.Left, p.Unit, p.of)))
			}
			if p.Truth == plant.True && p.Against {
				out = append(out, words.Say("waits while %s (now %s)", p.Words, amountOf(p.Left, p.Unit, p.of)))
			}
		}
	}
	return out
}

func (s *Set) parts(t *test, f *plant.Frame, at time.Time, against bool, out []Part) []Part {
	switch t.op {
	case logCompare:
		var ta tally
		p := Part{Words: t.words(s), Truth: s.truth(t, f, at, &ta, &RuleFault{}), Unit: t.l.dim.unit(), Against: against}
		if p.Unit == "" {
			p.Unit = t.r.dim.unit()
		}
		if t.l.kind == operandInput {
			p.of = s.inputs[t.l.in].path
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
