package alerting

import (
	"testing"
	"time"

	"calandria/plant"
)

// A renamed alarm keeps its state over a reload and over a restart; a name that
// both definitions have is not taken over. The patience with bad causes outlives
// a reload.
func TestRenamed(t *testing.T) {
	at := time.Date(2026, 3, 27, 12, 0, 0, 0, time.UTC)
	spec := func(name, formerly string) plant.AlarmSpec {
		return plant.AlarmSpec{Name: name, Formerly: formerly, Priority: plant.PriorityHigh, Cause: "c", Consequence: "c", Response: "r"}
	}
	begun := func() *Engine {
		t.Helper()
		e, err := New([]plant.AlarmSpec{spec("old", "")})
		if err != nil {
			t.Fatal(err)
		}
		e.BearBadCause(time.Minute)
		e.Feed(0, plant.AlarmInput{Time: at, Raise: plant.True, Hold: plant.True, Quality: plant.Good})
		if err := e.Do(Command{Action: Acknowledge, Alarm: "old", User: "u"}, at); err != nil {
			t.Fatal(err)
		}
		e.Drain()
		return e
	}
	e := begun()
	if err := e.Reload([]plant.AlarmSpec{spec("new", "old")}, Change{}, at.Add(time.Second)); err != nil {
		t.Fatal(err)
	}
	if s := e.Status(0); s.State != Acknowledged || s.Occurrence != 1 || e.patience != time.Minute {
		t.Errorf("after a reload: %+v, patience %s", s, e.patience)
	}
	for _, ev := range e.Drain() {
		if ev.Alarm == "old" || ev.Text == "added" {
			t.Errorf("%+v", ev)
		}
	}
	e = begun()
	if err := e.Reload([]plant.AlarmSpec{spec("old", ""), spec("new", "old")}, Change{}, at.Add(time.Second)); err != nil {
		t.Fatal(err)
	}
	if a, b := e.Status(0), e.Status(1); a.State != Acknowledged || b.State != Normal {
		t.Errorf("both names: %s, %s", a.State, b.State)
	}
	saved := begun().Save()
	r, err := New([]plant.AlarmSpec{spec("new", "old")})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Restore(saved, at.Add(time.Minute)); err != nil || r.Status(0).State != Acknowledged {
		t.Errorf("after a restart: %+v %v", r.Status(0), err)
	}
}
