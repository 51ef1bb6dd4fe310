package alerting

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

// bench is an engine under test with shorthands.
type bench struct {
	*Engine
	t *testing.T
}

func engine(t *testing.T, specs ...plant.AlarmSpec) *bench {
	t.Helper()
	e, err := New(specs)
	if err != nil {
		t.Fatal(err)
	}
	return &bench{e, t}
}

// spec is a medium alarm called name, changed by the functions.
func spec(name string, change ...func(*plant.AlarmSpec)) plant.AlarmSpec {
	s := caseSpec(name)
	for _, c := range change {
		c(&s)
	}
	return s
}

func consequenceOf(names ...string) func(*plant.AlarmSpec) {
	return func(s *plant.AlarmSpec) { s.ConsequenceOf = names }
}

func inGroup(g string) func(*plant.AlarmSpec) { return func(s *plant.AlarmSpec) { s.Group = g } }

func priority(p plant.Priority) func(*plant.AlarmSpec) {
	return func(s *plant.AlarmSpec) { s.Priority = p }
}

func (b *bench) set(name string, is bool, s float64) {
	b.t.Helper()
	b.input(name, plant.TruthOf(is), plant.Good, s)
}

func (b *bench) input(name string, is plant.Truth, q plant.Quality, s float64) {
	b.t.Helper()
	i, ok := b.Index(name)
	if !ok {
		b.t.Fatalf("no alarm %s", name)
	}
	b.Feed(i, plant.AlarmInput{Time: at(s), Raise: is, Hold: is, Quality: q, Value: math.NaN()})
}

func (b *bench) do(a Action, name string, s float64, change ...func(*Command)) error {
	c := Command{Action: a, Alarm: name, User: "op"}
	for _, f := range change {
		f(&c)
	}
	return b.Do(c, at(s))
}

// must does a command that is not to be refused.
func (b *bench) must(a Action, name string, s float64, change ...func(*Command)) {
	b.t.Helper()
	if err := b.do(a, name, s, change...); err != nil {
		b.t.Fatal(err)
	}
}

// refused does a command that is to be refused with a code.
func (b *bench) refused(code string, a Action, name string, s float64, change ...func(*Command)) {
	b.t.Helper()
	var r *Refusal
	if err := b.do(a, name, s, change...); !errors.As(err, &r) || r.Code != code {
		b.t.Errorf("%s %s: %v, want %s", a, name, err, code)
	}
}

// events gives what was recorded since the last call: "ALARM B; SUPPRESS C".
func (b *bench) events() string {
	var out []string
	for _, ev := range b.Drain() {
		s := string(ev.Kind) + " " + ev.Alarm
		if ev.Kind == plant.EventAlarm && !ev.Annunciated {
			s += " hidden"
		}
		if ev.FirstUp {
			s += " first"
		}
		out = append(out, s)
	}
	return strings.Join(out, "; ")
}

func (b *bench) want(events string, states ...string) {
	b.t.Helper()
	if got := b.events(); got != events {
		b.t.Errorf("recorded %q, want %q", got, events)
	}
	for _, s := range states {
		name, state, _ := strings.Cut(s, "=")
		i, _ := b.Index(name)
		if st := b.Status(i); st.Code != state {
			b.t.Errorf("%s is %s, want %s", name, st.Code, state)
		}
	}
}

// Suppression by consequence: ISA-18.2 clause 12; rules R-N1, R-S5, R-S7.
func TestConsequences(t *testing.T) {
	plantOf := func(t *testing.T) *bench {
		return engine(t,
			spec("VACUUM"),
			spec("LEVEL", consequenceOf("VACUUM")),
			spec("BRIX", consequenceOf("LEVEL")),
			spec("STEAM", consequenceOf("VACUUM"), priority(plant.PriorityHigh)),
			spec("SAFETY", consequenceOf("VACUUM"), func(s *plant.AlarmSpec) { s.HighlyManaged = true }),
		)
	}
	t.Run("hidden, then called when the reason ends", func(t *testing.T) {
		b := plantOf(t)
		b.set("VACUUM", true, 1)
		b.want("ALARM VACUUM; SUPPRESS LEVEL", "LEVEL=DSUPR", "STEAM=NORM", "SAFETY=NORM", "BRIX=NORM")
		b.set("LEVEL", true, 2)
		b.set("STEAM", true, 3)
		b.set("SAFETY", true, 4)
		b.want("ALARM LEVEL hidden; ALARM STEAM; ALARM SAFETY", "LEVEL=DSUPR", "STEAM=UNACK", "SAFETY=UNACK")
		b.set("VACUUM", false, 5)
		b.want("RETURN VACUUM; UNSUPPRESS LEVEL; ALARM LEVEL; SUPPRESS BRIX", "LEVEL=UNACK", "BRIX=DSUPR")
	})
	t.Run("what is shown already is not taken away", func(t *testing.T) {
		b := plantOf(t)
		b.set("LEVEL", true, 1)
		b.set("VACUUM", true, 2)
		b.want("ALARM LEVEL; SUPPRESS BRIX; ALARM VACUUM", "LEVEL=UNACK")
		b.must(Acknowledge, "LEVEL", 3)
		b.set("LEVEL", false, 4)
		b.want("ACK LEVEL; RETURN LEVEL; SUPPRESS LEVEL; UNSUPPRESS BRIX", "LEVEL=DSUPR")
	})
	t.Run("a bad input of the reason brings the alarm back", func(t *testing.T) {
		b := plantOf(t)
		b.set("VACUUM", true, 1)
		b.set("LEVEL", true, 2)
		b.events()
		b.input("VACUUM", plant.Unknown, plant.BadNoCommunication, 3)
		b.want("QUALITY VACUUM; UNSUPPRESS LEVEL; ALARM LEVEL; SUPPRESS BRIX", "VACUUM=UNACK", "LEVEL=UNACK")
	})
	t.Run("a hidden alarm explains nothing", func(t *testing.T) {
		b := plantOf(t)
		b.set("VACUUM", true, 1)
		b.set("LEVEL", true, 2)
		b.events()
		b.must(OneShotShelve, "VACUUM", 3)
		b.want("SHELVE VACUUM; UNSUPPRESS LEVEL; ALARM LEVEL; SUPPRESS BRIX")
	})
	t.Run("not while it cannot be recorded", func(t *testing.T) {
		b := plantOf(t)
		b.RecordLost(true, at(0))
		b.set("VACUUM", true, 1)
		b.want("ALARM VACUUM", "LEVEL=NORM")
		b.RecordLost(false, at(2))
		b.want("SUPPRESS LEVEL")
	})
	t.Run("by name of a group", func(t *testing.T) {
		b := engine(t, spec("PUMP", inGroup("WATER")), spec("VALVE", inGroup("WATER")), spec("TEMP", consequenceOf("WATER")))
		b.set("VALVE", true, 1)
		b.want("ALARM VALVE first; SUPPRESS TEMP")
	})
	t.Run("cycles are refused", func(t *testing.T) {
		_, err := New([]plant.AlarmSpec{spec("A", consequenceOf("C")), spec("B", consequenceOf("A")), spec("C", consequenceOf("B"))})
		if err == nil || !strings.Contains(err.Error(), "A <- C <- B <- A") {
			t.Errorf("got %v", err)
		}
	})
}

// Suppression by logic: rules R-S1, R-S2, R-S5, R-N1.
func TestSuppressWhile(t *testing.T) {
	b := engine(t, spec("A"), spec("SYS", func(s *plant.AlarmSpec) { s.Class = "system" }))
	b.SuppressWhile(0, "phase", plant.True, "pan stopped", at(1))
	b.SuppressWhile(0, "cleaning", plant.True, "body being cleaned", at(1))
	b.SuppressWhile(0, "phase", plant.True, "pan stopped", at(2))
	b.SuppressWhile(1, "phase", plant.True, "pan stopped", at(2))
	b.want("SUPPRESS A; SUPPRESS A", "A=DSUPR", "SYS=NORM")
	b.set("A", true, 3)
	b.SuppressWhile(0, "phase", plant.False, "pan boiling", at(4))
	b.want("ALARM A hidden; UNSUPPRESS A", "A=DSUPR")
	if got := b.Status(0).Suppressed; len(got) != 1 || got[0].Reason != "body being cleaned" {
		t.Errorf("reasons %v", got)
	}
	b.SuppressWhile(0, "cleaning", plant.Unknown, "state not known", at(5))
	b.want("UNSUPPRESS A; ALARM A", "A=UNACK")
	b.refused(BadUserAccessDenied, Suppress, "SYS", 6)
}

// First-up: OPC 10000-9 5.8.2 FirstInGroupFlag; rules R-F1, R-F2.
func TestFirstUp(t *testing.T) {
	g := inGroup("VACUUM")
	t.Run("by source time within the hold", func(t *testing.T) {
		b := engine(t, spec("A", g), spec("B", g), spec("C", g))
		b.HoldFirstUp(2 * time.Second)
		b.set("A", true, 10.5)
		b.set("B", true, 10) // published later, happened earlier
		b.set("C", true, 10)
		b.want("ALARM A; ALARM B; ALARM C")
		if b.FirstUp("VACUUM") != "" {
			t.Error("decided before the hold is over")
		}
		b.Advance(at(20))
		b.want("FIRST_UP B first")
		if b.FirstUp("VACUUM") != "B" {
			t.Errorf("first-up is %q", b.FirstUp("VACUUM"))
		}
	})
	t.Run("never suppressed automatically", func(t *testing.T) {
		b := engine(t, spec("A", g), spec("B", g))
		b.set("A", true, 1)
		b.events()
		b.refused(BadUserAccessDenied, Suppress, "A", 2)
		b.must(Suppress, "B", 3)
	})
	t.Run("a hidden member does not take the mark", func(t *testing.T) {
		b := engine(t, spec("A", g), spec("B", g))
		b.must(TimedShelve, "A", 0, func(c *Command) { c.Duration = time.Minute })
		b.set("A", true, 1)
		b.set("B", true, 2)
		b.want("SHELVE A; ALARM A hidden; ALARM B first")
	})
	t.Run("a member out of service is not waited for", func(t *testing.T) {
		b := engine(t, spec("A", g), spec("B", g))
		b.set("A", true, 1)
		b.must(RemoveFromService, "A", 2)
		if b.FirstUp("VACUUM") != "" {
			t.Error("the mark stays on an alarm out of service")
		}
		b.set("B", true, 3)
		b.want("ALARM A first; OUT_OF_SERVICE A; ALARM B first")
	})
}

// Acknowledging acts on an occurrence (OPC 10000-9, 5.7.3).
func TestAcknowledgeOccurrence(t *testing.T) {
	b := engine(t, spec("A"), spec("B"))
	b.set("A", true, 1)
	b.set("A", false, 2)
	b.set("A", true, 3)
	b.set("B", true, 3)
	if n := b.Status(0).Occurrence; n != 2 {
		t.Fatalf("occurrence %d, want 2", n)
	}
	number := func(n uint64) func(*Command) { return func(c *Command) { c.Occurrence = n } }
	b.refused(BadEventIDUnknown, Acknowledge, "A", 4, number(1))
	b.refused(BadEventIDUnknown, Acknowledge, "A", 4, number(7))
	b.refused(BadNodeIDUnknown, Acknowledge, "NONE", 4)
	b.refused(BadInvalidArgument, "paint", "A", 4)
	b.want("ALARM A; RETURN A; ALARM A; ALARM B; REJECTED A; REJECTED A; REJECTED NONE; REJECTED A", "A=UNACK")
	err := b.Do(Command{Action: Acknowledge, User: "op", Many: []Target{{"A", 2}, {"B", 9}}}, at(5))
	var r *Refusal
	if !errors.As(err, &r) || r.Alarm != "B" {
		t.Errorf("many: %v", err)
	}
	b.want("ACK A; REJECTED B", "A=ACKED", "B=UNACK")
}

// Shelving of highly managed alarms and its bounds (ISA-18.2 clauses 11, 12).
func TestShelvingBounds(t *testing.T) {
	b := engine(t,
		spec("SAFETY", func(s *plant.AlarmSpec) { s.HighlyManaged, s.MaxShelve = true, 10*time.Minute }),
		spec("A", func(s *plant.AlarmSpec) { s.MaxShelve = time.Minute }),
		spec("L", func(s *plant.AlarmSpec) { s.Latching = true }),
	)
	minutes := func(n int) func(*Command) {
		return func(c *Command) { c.Duration = time.Duration(n) * time.Minute }
	}
	b.refused(BadUserAccessDenied, TimedShelve, "SAFETY", 1, minutes(5))
	b.refused(BadUserAccessDenied, TimedShelve, "SAFETY", 1, minutes(5), func(c *Command) { c.Authorised = true })
	b.must(TimedShelve, "SAFETY", 1, minutes(5), func(c *Command) { c.Authorised, c.Reason = true, "transmitter being calibrated" })
	// A one-shot shelving ends by the clock too where there is a longest one.
	b.set("A", true, 2)
	b.must(OneShotShelve, "A", 3)
	b.events()
	b.Advance(at(63))
	b.want("UNSHELVE A; ALARM A", "A=UNACK")
	// A latch is not shelved, and outlives a shelving that began before it.
	b.set("L", true, 64)
	b.must(OneShotShelve, "L", 65)
	b.set("L", false, 66)
	b.want("ALARM L; SHELVE L; RETURN L; UNSHELVE L", "L=LTUNK")
	b.refused(BadInvalidState, OneShotShelve, "L", 67)
}

// The comment stays unless cleared (OPC 10000-9, 5.7.3).
func TestComment(t *testing.T) {
	b := engine(t, spec("A"))
	b.set("A", true, 1)
	b.must(Comment, "A", 2, func(c *Command) { c.Comment = "valve stuck" })
	b.must(Acknowledge, "A", 3)
	if got := b.Status(0).Comment; got != "valve stuck" {
		t.Errorf("comment %q", got)
	}
	b.must(Comment, "A", 4)
	if got := b.Status(0).Comment; got != "" {
		t.Errorf("comment %q, want it cleared", got)
	}
	b.want("ALARM A; COMMENT A; ACK A; COMMENT A")
}

// Rule R-R4: one reminder for any number that fell due while down.
func TestReminderAfterDowntime(t *testing.T) {
	s := spec("A", func(s *plant.AlarmSpec) { s.Realarm = 100 * time.Second })
	b := engine(t, s)
	b.set("A", true, 0)
	b.must(Acknowledge, "A", 10)
	saved := b.Save()
	b = engine(t, s)
	if err := b.Restore(saved, at(450)); err != nil {
		t.Fatal(err)
	}
	b.want("REALARM A", "A=UNACK")
	b.Advance(at(549))
	b.want("")
	b.Advance(at(550))
	b.want("REALARM A")
	if n := b.Status(0).RealarmCount; n != 2 {
		t.Errorf("count %d, want 2", n)
	}
}

// Stored state that cannot be trusted: the side that shows more.
func TestRestoreDamaged(t *testing.T) {
	b := engine(t, spec("A"), spec("B"), spec("C"))
	b.set("A", true, 1)
	b.must(Acknowledge, "A", 2)
	b.must(OneShotShelve, "A", 3)
	b.must(RemoveFromService, "B", 3)
	saved := b.Save()
	saved.Alarms[0].State = "NORM"
	saved.Alarms[1].Shelving = "for ever"
	saved.Alarms = append(saved.Alarms, SavedAlarm{Name: "GONE", State: "UNACK", Occurrence: 4})
	b = engine(t, spec("A"), spec("B"), spec("C"))
	err := b.Restore(saved, at(10))
	if err == nil || !strings.Contains(err.Error(), "2 alarms") {
		t.Errorf("error %v", err)
	}
	b.want("CHANGE GONE; RECORD ", "A=UNACK", "B=RTNUN", "C=NORM")

	b = engine(t, spec("A"))
	if err := b.RestoreParts(Parts{"": []byte("{")}, at(10)); err == nil {
		t.Error("no error for state that cannot be read")
	}
	b.set("A", true, 5) // a value that has not changed since before the restart
	b.want("RECORD ; ALARM A", "A=UNACK")
	if n := b.Status(0).Occurrence; n != 11 {
		t.Errorf("occurrence %d was used before", n)
	}
	if st := b.Status(0); !st.ActiveSince.Equal(at(10)) {
		t.Errorf("active since %v, before the start", st.ActiveSince)
	}
}

// Row 30 of the table: changes of the definitions.
func TestReload(t *testing.T) {
	sp := 80.0
	b := engine(t, spec("A", func(s *plant.AlarmSpec) { s.Setpoint = &sp; s.OnDelay = time.Minute }), spec("B", inGroup("G")), spec("C"), spec("D"))
	b.set("B", true, 1)
	b.must(Acknowledge, "B", 2)
	b.set("A", true, 10)
	b.must(OneShotShelve, "C", 11)
	b.events()

	if err := b.Reload([]plant.AlarmSpec{spec("A"), spec("A")}, Change{}, at(12)); err == nil {
		t.Error("faulty definitions were taken")
	}
	b.want("", "A=NORM", "B=ACKED", "C=SHLVD")

	moved := 85.0
	err := b.Reload([]plant.AlarmSpec{
		spec("NEW"),
		spec("C", func(s *plant.AlarmSpec) { s.Line = 12 }),
		spec("B", inGroup("G"), priority(plant.PriorityHigh)),
		spec("A", func(s *plant.AlarmSpec) { s.Setpoint = &moved; s.OnDelay = 5 * time.Second }),
	}, Change{User: "engineer", Reason: "MOC 7"}, at(20))
	if err != nil {
		t.Fatal(err)
	}
	evs := b.Drain()
	var got []string
	for _, ev := range evs {
		if ev.Kind == plant.EventChange && (ev.User != "engineer" || ev.Reason != "MOC 7") {
			t.Errorf("change without its author: %v", ev)
		}
		got = append(got, fmt.Sprintf("%s %s %s", ev.Kind, ev.Alarm, ev.Text))
	}
	want := []string{
		`CHANGE D removed; it was normal`,
		`CHANGE NEW added`,
		`CHANGE B Priority medium -> high`,
		`REALARM B alarm case`,
		`CHANGE A Setpoint 80 -> 85; OnDelay 1m0s -> 5s`,
		`ALARM A alarm case`,
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("recorded\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if at20 := evs[len(evs)-1].Time; !at20.Equal(at(20)) {
		t.Errorf("a shortened delay ended in the past: %v", at20)
	}
	b.want("", "B=UNACK", "C=SHLVD", "A=UNACK", "NEW=NORM")
	if b.FirstUp("G") != "B" {
		t.Error("the first-up mark was lost")
	}
	// What the new definition forbids ends.
	if err := b.Reload([]plant.AlarmSpec{spec("C", func(s *plant.AlarmSpec) { s.NoShelving = true })}, Change{}, at(21)); err != nil {
		t.Fatal(err)
	}
	if st := b.Status(0); st.State != Normal {
		t.Errorf("C is %v, but may not be shelved", st.Code)
	}
}

// Every fault is reported at once, with file, line, field and fix.
func TestNewReportsAllFaults(t *testing.T) {
	nan := math.NaN()
	_, err := New([]plant.AlarmSpec{
		{Name: "A", File: "rules/a.yaml", Line: 3, Priority: 9, OnDelay: -1, Setpoint: &nan},
		spec("A", consequenceOf("A", "NOBODY")),
		spec(""),
	})
	if err == nil {
		t.Fatal("no error")
	}
	for _, want := range []string{
		`rules/a.yaml:3: alarm "A": cause: missing`, `consequence: missing`, `response: missing`, `priority: must be`,
		`on-delay: must not be negative`, `setpoint: must be a finite number`, `used twice`, `cannot explain itself`,
		`there is no alarm or group "NOBODY"`, `name: missing`,
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not among the faults:\n%v", want, err)
		}
	}
}

// A sample older than the alarm's last one is not evaluated.
func TestLateSample(t *testing.T) {
	b := engine(t, spec("A"))
	b.set("A", true, 10)
	b.set("A", false, 9)
	b.want("ALARM A", "A=UNACK")
}

// Condition without an answer though the input is good: held, delays dropped.
func TestUnknownConditionIsHeld(t *testing.T) {
	b := engine(t, spec("A", func(s *plant.AlarmSpec) { s.OnDelay = 10 * time.Second }))
	b.set("A", true, 0)
	b.input("A", plant.Unknown, plant.Good, 5)
	b.Advance(at(60))
	b.want("", "A=NORM")
	b.set("A", true, 61)
	b.Advance(at(70))
	b.want("", "A=NORM")
	b.Advance(at(100))
	b.input("A", plant.Unknown, plant.Good, 101)
	b.want("ALARM A", "A=UNACK")
}

// The events of one occurrence tie together, and a picture survives storage.
func TestOccurrenceTiesEvents(t *testing.T) {
	b := engine(t, spec("A"))
	for range 2 {
		now := float64(b.Status(0).Occurrence) * 10
		b.set("A", true, now+1)
		b.must(Acknowledge, "A", now+2)
		b.set("A", false, now+3)
	}
	var got []string
	for _, ev := range b.Drain() {
		got = append(got, fmt.Sprint(ev.Kind, ev.Occurrence))
	}
	if s := strings.Join(got, " "); s != "ALARM1 ACK1 RETURN1 ALARM2 ACK2 RETURN2" {
		t.Errorf("got %s", s)
	}
	if _, err := json.Marshal(b.Save()); err != nil {
		t.Error(err)
	}
}

func manyAlarms(t testing.TB, n int) *Engine {
	specs := make([]plant.AlarmSpec, n)
	for i := range specs {
		specs[i] = spec(fmt.Sprint("A", i), func(s *plant.AlarmSpec) { s.OnDelay = 10 * time.Second; s.Realarm = time.Hour })
	}
	e, err := New(specs)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// A sample that changes nothing allocates nothing, whether the alarm is normal,
// waiting or active.
func TestFeedDoesNotAllocate(t *testing.T) {
	e := manyAlarms(t, 100)
	now := at(0)
	for i := range 50 {
		e.Feed(i, plant.AlarmInput{Time: now, Raise: plant.True, Hold: plant.True, Quality: plant.Good, Value: 1})
	}
	e.Advance(now.Add(time.Minute))
	e.Drain()
	n := testing.AllocsPerRun(100, func() {
		now = now.Add(2 * time.Minute / 100)
		for i := range 100 {
			is := plant.TruthOf(i < 50)
			e.Feed(i, plant.AlarmInput{Time: now, Raise: is, Hold: is, Quality: plant.Good, Value: 1})
		}
		e.Advance(now)
	})
	if n != 0 {
		t.Errorf("%v allocations a scan, want 0", n)
	}
}

// One scan of 10,000 alarms in which nothing changes.
func BenchmarkScan10000(b *testing.B) {
	e := manyAlarms(b, 10000)
	now := at(0)
	b.ReportAllocs()
	for b.Loop() {
		now = now.Add(time.Second)
		for i := range 10000 {
			e.Feed(i, plant.AlarmInput{Time: now, Raise: plant.False, Hold: plant.False, Quality: plant.Good, Value: 1})
		}
		e.Advance(now)
	}
}

// One scan in which every one of 10,000 alarms changes: the worst flood.
func BenchmarkFlood10000(b *testing.B) {
	e := manyAlarms(b, 10000)
	now := at(0)
	b.ReportAllocs()
	is := plant.True
	for b.Loop() {
		now = now.Add(time.Minute)
		for i := range 10000 {
			e.Feed(i, plant.AlarmInput{Time: now, Raise: is, Hold: is, Quality: plant.Good, Value: 1})
		}
		e.Advance(now.Add(30 * time.Second))
		e.Drain()
		is = is.Not()
	}
}

// R-S5 by time: a cause that is bad for a moment still explains what it hides; one
// that stays bad does not.
func TestBadCause(t *testing.T) {
	b := engine(t, spec("CAUSE"), spec("A", consequenceOf("CAUSE")), spec("B", consequenceOf("CAUSE")))
	b.BearBadCause(time.Minute)
	b.set("CAUSE", true, 0)
	b.set("A", true, 1)
	b.set("B", true, 1)
	b.events()
	b.input("CAUSE", plant.Unknown, plant.BadNoData, 10)
	b.input("CAUSE", plant.True, plant.Good, 20)
	b.Advance(at(200))
	b.want("QUALITY CAUSE; QUALITY CAUSE", "CAUSE=UNACK", "A=DSUPR", "B=DSUPR")
	b.input("CAUSE", plant.Unknown, plant.BadNoData, 210)
	b.Advance(at(269))
	b.want("QUALITY CAUSE")
	b.Advance(at(271))
	said := b.Drain()
	if why := said[0].Reason; why != "CAUSE explains it no longer: its input is Bad_NoData" {
		t.Errorf("shown with the reason %q", why)
	}
	if len(said) != 4 || said[0].Kind != plant.EventUnsuppress || said[1].Kind != plant.EventAlarm || said[3].Alarm != "B" {
		t.Errorf("%+v", said)
	}
	b.want("", "A=UNACK", "B=UNACK")
	// What is saved and restored meanwhile is judged anew from its first input on.
	b.input("CAUSE", plant.True, plant.Good, 300)
	b.want("QUALITY CAUSE")
}
