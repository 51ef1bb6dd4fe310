package rules

import (
	"strings"
	"testing"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// only_when by ISA-18.2 clause 12, state-based alarming (from memory): outside
// its state the condition is false; a state that cannot be known hides nothing.
func TestOnlyWhen(t *testing.T) {
	const file = "tag: EV.EV1.level\nunit: \"%\"\nhigh: 70\ndeadband: 5\nonly_when: EV.EV2.level > pct(20)"
	for _, c := range []struct {
		name        string
		level       float64
		q           plant.Quality
		state       float64
		sq          plant.Quality
		raise, hold plant.Truth
	}{
		{"applies and true", 80, plant.Good, 40, plant.Good, plant.True, plant.True},
		{"applies and held", 68, plant.Good, 40, plant.Good, plant.False, plant.True},
		{"applies, bad input", 80, plant.Bad, 40, plant.Good, plant.Unknown, plant.Unknown},
		{"does not apply", 80, plant.Good, 10, plant.Good, plant.False, plant.False},
		{"does not apply, held", 68, plant.Good, 10, plant.Good, plant.False, plant.False},
		{"does not apply, bad input", 80, plant.Bad, 10, plant.Good, plant.False, plant.False},
		{"state bad", 80, plant.Good, 10, plant.Bad, plant.True, plant.True},
		{"state bad, below", 50, plant.Good, 10, plant.Bad, plant.False, plant.False},
	} {
		b := newBench(t, rule(file))
		b.set("EV.EV2.level", c.state, c.sq, t0)
		in, ok := b.sampleQ("EV.EV1.level", c.level, c.q, t0)["a"]
		if !ok || in.Raise != c.raise || in.Hold != c.hold {
			t.Errorf("%s: %v %s %s, want %s %s", c.name, ok, in.Raise, in.Hold, c.raise, c.hold)
		}
		if in.Raise != plant.Unknown && in.Quality.IsBad() {
			t.Errorf("%s: known with quality %s", c.name, in.Quality)
		}
	}
}

// A change of the state is told at the next scan, though no sample of the
// watched tag comes; while the state stays, a scan says nothing.
func TestOnlyWhenAtScan(t *testing.T) {
	b := newBench(t, "derived:\n  - {name: EV.on, meaning: m, expr: EV.EV2.level > pct(20)}\n"+
		rule("tag: EV.EV1.level\nunit: \"%\"\nhigh: 70\nonly_when: EV.on"))
	at := t0
	step := func(state float64) (plant.AlarmInput, bool) {
		at = at.Add(time.Second)
		b.set("EV.EV2.level", state, plant.Good, at)
		out, _ := b.scan(at)
		in, ok := out["a"]
		return in, ok
	}
	b.sample("EV.EV1.level", 80, at)
	if in, ok := step(10); !ok || in.Raise != plant.False {
		t.Errorf("first scan: %v %v", ok, in.Raise)
	}
	if in, ok := step(30); !ok || in.Raise != plant.True {
		t.Errorf("state on: %v %v", ok, in.Raise)
	}
	if _, ok := step(31); ok {
		t.Error("told again without a change")
	}
	if in, ok := step(10); !ok || in.Raise != plant.False || in.Hold != plant.False {
		t.Errorf("state off: %v %v", ok, in.Hold)
	}
	if e := b.Explain(0, b.f, at); e.Only != plant.False || len(e.Waits) != 1 || !strings.Contains(e.Waits[0].String(), "does not apply") {
		t.Errorf("explained as %+v", e)
	}
}

// What is to be suppressed is suppressed before its condition is told, and
// comes out of suppression only after.
func TestSuppressionComesFirst(t *testing.T) {
	for name, watched := range map[string]string{"at samples": "EV.EV1.level > pct(70)", "at scans": "avg(EV.EV1.level, \"2s\") > pct(70)"} {
		b := newBench(t, rule("when: "+watched+"\nsuppress_when: EV.EV2.level > pct(20)"))
		var order []string
		emit := func(_ int, in plant.AlarmInput) { order = append(order, "raise "+in.Raise.String()) }
		hide := func(_ int, tr plant.Truth, _ words.Text) { order = append(order, "hide "+tr.String()) }
		at := t0
		turn := func(level, state float64) string {
			order = nil
			for range 4 { // the last is what counts
				at = at.Add(time.Second)
				order = nil
				b.set("EV.EV2.level", state, plant.Good, at)
				b.Sample(b.f, b.set("EV.EV1.level", level, plant.Good, at), emit, hide)
				if name == "at scans" {
					order = nil
					b.Scan(b.f, at, func(plant.TagID, plant.Point) {}, emit, hide)
				}
			}
			return strings.Join(order, ", ")
		}
		if got := turn(80, 30); got != "hide true, raise true" {
			t.Errorf("%s: %s", name, got)
		}
		got := turn(10, 0)
		if name == "at scans" && got != "raise false, hide false" || name == "at samples" && got != "raise false" {
			t.Errorf("%s: %s", name, got)
		}
	}
}

// Warming feeds windows, derived tags and nothing else.
func TestWarming(t *testing.T) {
	b := newBench(t, "derived:\n  - {name: EV.high, dimension: any, meaning: m, expr: EV.EV1.level * 2}\n"+
		rule("when: avg(EV.EV1.level, \"1m\") > pct(70) and avg(EV.high, \"1m\") > 140"))
	at := t0
	for range 61 {
		at = at.Add(time.Second)
		b.Sample(b.f, b.set("EV.EV1.level", 80, plant.Good, at), nil, nil)
		b.Scan(b.f, at, func(id plant.TagID, p plant.Point) { b.f.Points[id] = p }, nil, nil)
	}
	if in := b.Input(0, b.f, at); in.Raise != plant.True {
		t.Errorf("after warming: %s", in.Raise)
	}
	if longest := b.LongestWindow(); longest != time.Minute {
		t.Errorf("the longest window is %s", longest)
	}
}

// A rule about a set names an alarm of its bodies: all of them are meant. The
// name of the condenser makes one group of what belongs to one vacuum.
func TestConsequencesOfASet(t *testing.T) {
	s, _ := mustLoad(t, "alarms:\n  - name: dry\n   "+texts+indent("for: body\ntag: this.level\nunit: \"%\"\nlow: 15\ngroup: \"v.{condenser}\"")+
		"  - name: thin\n   "+texts+indent("for: set\ntag: this.syrup_brix\nunit: Bx\nlow: 60\nconsequence_of: [dry]\ngroup: \"v.{condenser}\""))
	groups := map[string]string{}
	for _, a := range s.Alarms() {
		groups[a.Name] = a.Group
		if a.Name == "thin.EV" && strings.Join(a.ConsequenceOf, " ") != "dry.EV.EV1 dry.EV.EV2 dry.EV.EV3" {
			t.Errorf("thin.EV is a consequence of %v", a.ConsequenceOf)
		}
	}
	if groups["dry.EV.EV3"] != "v.CD" || groups["thin.EV"] != "v.CD" || groups["dry.EV.EV1"] != "v.EV.EV1" {
		t.Errorf("groups %v", groups)
	}
}

// An urgent alarm is not suppressed without a stated reason: common practice, no
// source. The reason stands beside the suppression.
func TestSuppressReason(t *testing.T) {
	file := func(lines string) string {
		return "alarms:\n  - {name: a, title: t, cause: c, consequence: c, response: r, tag: EV.EV1.level, unit: \"%\", high: 70, severity: danger, " + lines + "}\n"
	}
	for lines, want := range map[string]string{
		"time_to_respond: 1m, suppress_when: EV.EV2.level > pct(20)":                                         "urgent alarm is suppressed without a stated reason",
		"time_to_respond: 1m, suppress_when: EV.EV2.level > pct(20), suppress_reason: the body stands empty": "",
		"time_to_respond: 2h, suppress_when: EV.EV2.level > pct(20)":                                         "",
		"time_to_respond: 2h, suppress_reason: the body stands empty":                                        "nothing suppresses this alarm",
	} {
		s, h, err := load(t, file(lines))
		if want != "" && (err == nil || !strings.Contains(err.Error(), want)) || want == "" && err != nil {
			t.Errorf("%s: %v, want %q", lines, err, want)
		}
		if err == nil && strings.Contains(lines, "reason") {
			if x := s.Explain(0, plant.NewFrame(len(h.Tags)), t0); !strings.HasSuffix(x.SuppressWords.String(), "(the body stands empty)") {
				t.Errorf("words %q", x.SuppressWords)
			}
		}
	}
}
