package alerting

import (
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"strings"
	"testing"
	"time"

	"calandria/plant"

	"pgregory.net/rapid"
)

// plantSpecs is a small plant that uses every feature of the engine.
func plantSpecs(t *rapid.T) []plant.AlarmSpec {
	delays := []time.Duration{0, 0, 5 * time.Second, 30 * time.Second}
	specs := make([]plant.AlarmSpec, 4)
	for i := range specs {
		s := caseSpec(fmt.Sprint("A", i))
		s.OnDelay = rapid.SampledFrom(delays).Draw(t, "on")
		s.OffDelay = rapid.SampledFrom(delays).Draw(t, "off")
		s.Realarm = rapid.SampledFrom([]time.Duration{0, time.Minute}).Draw(t, "realarm")
		s.MaxShelve = rapid.SampledFrom([]time.Duration{0, time.Minute}).Draw(t, "max")
		s.Latching = rapid.Bool().Draw(t, "latching")
		s.Confirm = rapid.Bool().Draw(t, "confirm")
		s.NoShelving = rapid.IntRange(0, 4).Draw(t, "shelving") == 0
		s.HighlyManaged = rapid.IntRange(0, 4).Draw(t, "managed") == 0
		s.Priority = plant.Priority(rapid.IntRange(1, 4).Draw(t, "priority"))
		if rapid.Bool().Draw(t, "grouped") {
			s.Group = "G"
		}
		for j := range i {
			if rapid.IntRange(0, 2).Draw(t, "consequence") == 0 {
				s.ConsequenceOf = append(s.ConsequenceOf, fmt.Sprint("A", j))
			}
		}
		specs[i] = s
	}
	return specs
}

// move is one call of the engine, so that a sequence can be played again.
type move struct {
	at      float64
	feed    int // index, -1 for none
	in      plant.AlarmInput
	command *Command
	while   plant.Truth // with feed -2: SuppressWhile
}

func drawMove(t *rapid.T, now float64, n int) move {
	m := move{at: now + float64(rapid.IntRange(0, 40).Draw(t, "dt"))/2, feed: -1}
	i := rapid.IntRange(0, n-1).Draw(t, "alarm")
	name := fmt.Sprint("A", i)
	switch rapid.IntRange(0, 6).Draw(t, "kind") {
	case 0, 1, 2:
		m.feed = i
		q := rapid.SampledFrom([]plant.Quality{plant.Good, plant.Good, plant.Good, plant.Uncertain, plant.BadNoCommunication}).Draw(t, "quality")
		limit := plant.Limit{Setpoint: 80, Deadband: 4, High: true}
		m.in = limit.Input(plant.Point{Time: at(m.at), Value: rapid.SampledFrom([]float64{70, 76, 78, 80, 81, 95}).Draw(t, "value"), Quality: q})
	case 3, 4, 5:
		m.command = &Command{
			Alarm: name, User: "op", Authorised: rapid.Bool().Draw(t, "authorised"),
			Action: rapid.SampledFrom([]Action{Acknowledge, Acknowledge, Confirm, Reset, TimedShelve, OneShotShelve, Unshelve,
				Suppress, Unsuppress, RemoveFromService, PlaceInService, Comment}).Draw(t, "action"),
			Occurrence: uint64(rapid.SampledFrom([]int{0, 0, 0, 1, 2}).Draw(t, "occurrence")),
			By:         rapid.SampledFrom([]string{"", "phase"}).Draw(t, "by"),
			Reason:     rapid.SampledFrom([]string{"", "stopped"}).Draw(t, "reason"),
			Comment:    rapid.SampledFrom([]string{"", "seen"}).Draw(t, "comment"),
			Duration:   time.Duration(rapid.SampledFrom([]int{-1, 0, 20, 60, 90}).Draw(t, "duration")) * time.Second,
		}
	case 6:
		m.feed = -2
		m.while = plant.Truth(rapid.IntRange(-1, 1).Draw(t, "while"))
		m.in.Value = float64(i)
	}
	return m
}

func (m *move) play(e *Engine) {
	switch {
	case m.feed >= 0:
		e.Feed(m.feed, m.in)
	case m.feed == -2:
		e.SuppressWhile(int(m.in.Value), "state", m.while, "pan stopped", at(m.at))
	case m.command != nil:
		_ = e.Do(*m.command, at(m.at))
	default:
		e.Advance(at(m.at))
	}
}

// tableAllows reports whether the state table has a row for what an event says.
func tableAllows(ev *plant.Event) bool {
	before, _ := stateNamed(ev.Before)
	after, _ := stateNamed(ev.State)
	for i := range table {
		r := &table[i]
		if r.From&(1<<before) == 0 || r.Journal != ev.Kind && r.Then != ev.Kind || r.Code != ev.Code {
			continue
		}
		if r.To == after || r.To == stay && before == after {
			return true
		}
	}
	return false
}

func checkInvariants(t *rapid.T, e *Engine) {
	for i := range e.alarms {
		a := &e.alarms[i]
		st := e.Status(i)
		if a.state >= stateCount || a.state != a.derived() {
			t.Fatalf("%s: state %v does not follow from its flags (%v)", st.Name, a.state, a.derived())
		}
		// A raised alarm is never lost: what is active, or unacknowledged, or
		// latched stays to be seen, or is on a list of hidden alarms.
		if !st.Retain && st.State != Normal && !st.State.Hidden() {
			t.Fatalf("%s: %v but not retained", st.Name, st.Code)
		}
		if a.active && a.state == Normal || a.latched && a.state == Normal {
			t.Fatalf("%s: active %v, latched %v, yet NORM", st.Name, a.active, a.latched)
		}
		if a.state.Hidden() && !a.realarmDue.IsZero() {
			t.Fatalf("%s: reminder while hidden (R-A1)", st.Name)
		}
		if a.suppressedBy(ByConsequence) {
			if a.spec.HighlyManaged || a.spec.Priority <= plant.PriorityHigh || a.firstUp {
				t.Fatalf("%s is suppressed automatically (R-N1)", st.Name)
			}
			explained := false
			for _, p := range a.parents {
				explained = explained || e.alarms[p].active && !e.alarms[p].state.Hidden()
			}
			if !explained {
				t.Fatalf("%s is suppressed and nothing shown explains it", st.Name)
			}
		}
		if due := a.due(); !due.IsZero() && !due.After(e.now) {
			t.Fatalf("%s: timer of %v not handled at %v", st.Name, due, e.now)
		}
	}
	for gi := range e.groups {
		marked := 0
		for _, m := range e.groups[gi].members {
			if e.alarms[m].firstUp {
				marked++
			}
		}
		if marked > 1 || (marked == 1) != (e.groups[gi].mark != none) {
			t.Fatalf("group has %d first-up marks", marked)
		}
	}
}

// No sequence of calls reaches a state outside the table, loses an alarm, or
// makes a record that the table does not have.
func TestNoSequenceLeavesTheTable(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e, err := New(plantSpecs(t))
		if err != nil {
			t.Fatal(err)
		}
		e.HoldFirstUp(rapid.SampledFrom([]time.Duration{0, 0, 3 * time.Second}).Draw(t, "hold"))
		state := map[string]string{}
		raised := map[string]bool{} // called the operator and not yet acknowledged
		now := 0.0
		for range rapid.IntRange(1, 60).Draw(t, "moves") {
			m := drawMove(t, now, e.Len())
			now = m.at
			m.play(e)
			checkInvariants(t, e)
			for _, ev := range e.Drain() {
				if ev.Kind == plant.EventFirstUp {
					continue
				}
				if !tableAllows(&ev) {
					t.Fatalf("no row for %s: %s -> %s (%s)", ev.Kind, ev.Before, ev.State, ev.Code)
				}
				// Records join on to each other without a gap; the call after
				// leaving suppression repeats where it came from.
				if last := state[ev.Alarm]; last != "" && last != ev.Before && !(ev.Kind == plant.EventAlarm && last == ev.State) {
					t.Fatalf("%s %s begins at %s, the record before ended at %s", ev.Alarm, ev.Kind, ev.Before, last)
				}
				state[ev.Alarm] = ev.State
				switch ev.Kind {
				case plant.EventAlarm, plant.EventRealarm:
					if ev.Annunciated {
						raised[ev.Alarm] = true
					}
				case plant.EventAck, plant.EventShelve, plant.EventSuppress, plant.EventOutOfService:
					raised[ev.Alarm] = false
				}
			}
			for name, is := range raised {
				i, _ := e.Index(name)
				if st := e.Status(i); is && !st.Annunciated {
					t.Fatalf("%s called the operator and is %s without an acknowledgement", name, st.Code)
				}
			}
		}
	})
}

// A restart at any point changes nothing, apart from running delays (R-R1).
func TestRestartChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		specs := plantSpecs(t)
		for i := range specs {
			specs[i].OnDelay, specs[i].OffDelay = 0, 0
		}
		hold := rapid.SampledFrom([]time.Duration{0, 3 * time.Second}).Draw(t, "hold")
		straight, err := New(specs)
		if err != nil {
			t.Fatal(err)
		}
		cut, _ := New(specs)
		straight.HoldFirstUp(hold)
		cut.HoldFirstUp(hold)
		now := 0.0
		for range rapid.IntRange(1, 40).Draw(t, "moves") {
			m := drawMove(t, now, straight.Len())
			now = m.at
			m.play(straight)
			m.play(cut)
			want, got := straight.Drain(), cut.Drain()
			for _, evs := range [][]plant.Event{want, got} {
				for i := range evs {
					if evs[i].Occurrence == 0 { // R-R6
						evs[i].Value, evs[i].Quality = nil, ""
					}
				}
			}
			if !reflect.DeepEqual(want, got) {
				t.Fatalf("after a restart:\n%v\nwithout:\n%v", got, want)
			}
			if rapid.IntRange(0, 2).Draw(t, "restart") == 0 {
				before, _ := json.Marshal(cut.Save())
				stored, _, err := cut.SaveParts(true)
				if err != nil {
					t.Fatal(err)
				}
				cut, _ = New(specs)
				cut.HoldFirstUp(hold)
				if err := cut.RestoreParts(stored, at(now)); err != nil {
					t.Fatal(err)
				}
				if evs := cut.Drain(); len(evs) > 0 {
					t.Fatalf("the restart itself recorded %v", evs)
				}
				again, _ := json.Marshal(cut.Save())
				if string(again) != string(before) {
					t.Fatalf("stored again:\n%s\nbefore:\n%s", again, before)
				}
			}
		}
	})
}

// What is stored piece by piece after every call amounts to the whole state,
// but for the inputs, which are as they were at the alarm's own last change.
func TestPartsAmountToTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		specs := plantSpecs(t)
		e, err := New(specs)
		if err != nil {
			t.Fatal(err)
		}
		e.HoldFirstUp(time.Duration(rapid.IntRange(0, 3).Draw(t, "hold")) * time.Second)
		stored := Parts{}
		now := 0.0
		for range rapid.IntRange(1, 40).Draw(t, "moves") {
			m := drawMove(t, now, e.Len())
			now = m.at
			m.play(e)
			switch rapid.IntRange(0, 9).Draw(t, "beside") {
			case 0:
				if err := e.Reload(specs, Change{}, at(now)); err != nil {
					t.Fatal(err)
				}
			case 1, 2:
				continue // several calls between two writes
			}
			parts, whole, err := e.SaveParts(false)
			if err != nil {
				t.Fatal(err)
			}
			if whole {
				clear(stored)
			}
			maps.Copy(stored, parts)
		}
		parts, whole, _ := e.SaveParts(false)
		if whole {
			clear(stored)
		}
		maps.Copy(stored, parts)
		r, _ := New(specs)
		_ = r.RestoreParts(stored, at(now))
		r.startedAt = e.startedAt
		masked := func(e *Engine) string {
			s := e.Save()
			s.At = time.Time{}
			var kept []SavedAlarm
			for _, a := range s.Alarms {
				a.Value, a.Quality, a.InputTime = nil, nil, time.Time{}
				if a.Occurrence > 0 || !a.LastChange.IsZero() || a.State != "NORM" || a.Comment != "" {
					kept = append(kept, a)
				}
			}
			s.Alarms = kept
			b, _ := json.Marshal(s)
			return string(b)
		}
		if got, want := masked(r), masked(e); got != want {
			t.Fatalf("from parts:\n%s\nwhole:\n%s", got, want)
		}
	})
}

// With delays a restart may put off an alarm, but the state at the restart is
// the same, and a condition that stays is raised in the end.
func TestRestartKeepsStateWithDelays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		specs := plantSpecs(t)
		e, err := New(specs)
		if err != nil {
			t.Fatal(err)
		}
		now := 0.0
		for range rapid.IntRange(1, 40).Draw(t, "moves") {
			m := drawMove(t, now, e.Len())
			now = m.at
			m.play(e)
		}
		r, _ := New(specs)
		if err := r.Restore(e.Save(), at(now)); err != nil {
			t.Fatal(err)
		}
		for i := range specs {
			a, b := e.Status(i), r.Status(i)
			if a.State != b.State || a.Active != b.Active || a.Acked != b.Acked || a.Confirmed != b.Confirmed || a.Latched != b.Latched ||
				a.Occurrence != b.Occurrence || a.FirstUp != b.FirstUp || a.Shelving != b.Shelving || !a.ShelvedUntil.Equal(b.ShelvedUntil) {
				t.Fatalf("%s before %+v, after %+v", a.Name, a, b)
			}
			if !b.PendingUntil.IsZero() {
				t.Fatalf("%s: a delay was restored (R-R1)", a.Name)
			}
		}
		for i := range specs {
			r.Feed(i, plant.AlarmInput{Time: at(now), Raise: plant.True, Hold: plant.True, Quality: plant.Good})
		}
		r.Advance(at(now + 3600))
		for i := range specs {
			if st := r.Status(i); !st.Active || !st.Annunciated && st.State != Acknowledged && !st.State.Hidden() {
				t.Fatalf("%s in alarm for an hour and %s", st.Name, st.Code)
			}
		}
	})
}

// Every trigger has an answer in every state, apart from those that cannot
// happen there, and the last row of each is not guarded away by accident.
func TestTableIsComplete(t *testing.T) {
	commands := in2(acknowledge, confirm, reset, shelveTimed, shelveOneShot, unshelve, suppress, unsuppress, removeService, placeService, commented, edited, qualityMoved)
	for s := range State(stateCount) {
		for on := range trigger(triggerCount) {
			rows := byStateAndTrigger[s][on]
			if commands[on] && len(rows) == 0 {
				t.Errorf("%v has no row for trigger %d", s, on)
			}
			for _, r := range rows {
				if r.To != stay && r.To >= stateCount {
					t.Errorf("%v: row %d leads nowhere", s, r.No)
				}
				if (r.Code != "") != (r.Journal == plant.EventRejected) {
					t.Errorf("%v: row %d: a refusal needs a code and a REJECTED record", s, r.No)
				}
				if r.Code != "" && whyRefused[r.Code] == "" {
					t.Errorf("%s has no words", r.Code)
				}
			}
		}
	}
	// Rows 1 to 32 of the standard's table are all here.
	have := map[int]bool{}
	for _, r := range table {
		have[r.No] = true
	}
	for n := 1; n <= 32; n++ {
		if !have[n] {
			t.Errorf("row %d of the table is missing", n)
		}
	}
}

func in2(list ...trigger) map[trigger]bool {
	m := map[trigger]bool{}
	for _, t := range list {
		m[t] = true
	}
	return m
}

func FuzzReplayCases(f *testing.F) {
	f.Add(`{"id":"X","kind":"alarm","title":"t","basis":[],"config":{"setpoint":1,"direction":"low","deadband":0,"on_delay_s":1,"off_delay_s":0,"latching":true,"priority":"low"},"steps":[{"t":0,"input":{"quality":"Good","value":0},"expect":{"state":"NORM"},"journal":[]},{"t":2.5,"op":{"action":"engine_stop"},"expect":{"state":"UNACK"},"journal":[{"t":1,"event":"ALARM"}]},{"t":3,"op":{"action":"engine_start"},"expect":{"state":"UNACK"}}]}`)
	f.Add(`{"id":"F","kind":"first_up","config":{"group":["A","B"]},"steps":[{"t":1,"events":[["A","alarm"],["B","ack"]],"expect":{"first_up":"A"}}]}`)
	f.Add(`{"id":"S","kind":"alarm","config":{"setpoint":1,"direction":"high","max_shelve_s":5},"steps":[{"t":-1,"op":{"action":"timed_shelve","duration_s":3},"expect":{"state":"SHLVD","quality":null}}]}`)
	f.Add("\n{}")
	f.Add(`{"id":1e999}`)
	f.Fuzz(func(t *testing.T, text string) {
		results, err := ReplayCases(strings.NewReader(text))
		if err != nil && !strings.Contains(err.Error(), "line ") && !strings.Contains(err.Error(), "empty") {
			t.Errorf("an error without its line: %v", err)
		}
		again, _ := ReplayCases(strings.NewReader(text))
		if !reflect.DeepEqual(results, again) {
			t.Error("the same cases gave other results")
		}
	})
}

func FuzzRestore(f *testing.F) {
	e, _ := New([]plant.AlarmSpec{caseSpec("A0")})
	e.Feed(0, plant.AlarmInput{Time: at(1), Raise: plant.True, Hold: plant.True, Quality: plant.Good})
	stored, _, _ := e.SaveParts(true)
	f.Add(stored[""], stored["A0"])
	f.Add([]byte(`{"version":1,"alarms":[{"name":"A0","state":"SHLVD","shelving":"timed"}]}`), []byte(`{}`))
	f.Add([]byte(`{"version":2}`), []byte(`{"name":"A0","state":"SHLVD","shelving":"timed"}`))
	f.Add([]byte(``), []byte(``))
	f.Fuzz(func(t *testing.T, head, part []byte) {
		e, _ := New([]plant.AlarmSpec{caseSpec("A0")})
		_ = e.RestoreParts(Parts{"": head, "A0": part}, at(100))
		if a := &e.alarms[0]; a.state != a.derived() {
			t.Errorf("state %v, flags say %v", a.state, a.derived())
		}
		e.Feed(0, plant.AlarmInput{Time: at(101), Raise: plant.True, Hold: plant.True, Quality: plant.Good})
		if !e.Status(0).Active {
			t.Error("a condition that is true was not taken")
		}
	})
}

// A broken line is named, with what it should have been.
func TestReplayCasesRefuses(t *testing.T) {
	good := `{"id":"A","kind":"alarm","config":{"setpoint":80,"direction":"high"},"steps":[{"t":0,"input":{"quality":"Good","value":70},"expect":{"state":"NORM"}}]}` + "\n"
	for text, want := range map[string]string{
		good + `{"id": "x", `: "line 2: not a case as one JSON object",
		good + "[]":           "line 2: not a case as one JSON object",
		good + "{}":           "line 2: id: missing; give",
		good + good:           "line 2: case A is on line 1 already",
	} {
		if _, err := ReplayCases(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
}
