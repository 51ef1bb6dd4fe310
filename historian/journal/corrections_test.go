package journal

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

func TestCorrections(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "journal.db")
	j := openJournal(t, path)
	held := plant.Coverage{Path: "EV.EV1.brix", Unit: "% Brix", First: at(0), Last: at(1000), Samples: 7}
	value := 12.5
	base := plant.Correction{Tag: "EV.EV1.brix", From: at(100), To: at(200), Factor: 1.04, By: "A. Engineer", Reason: "meter read 4 % low against the laboratory", At: at(2000)}
	change := func(f func(*plant.Correction)) plant.Correction { c := base; f(&c); return c }

	c1, e, err := j.PutCorrection(base, held)
	if err != nil {
		t.Fatal(err)
	}
	if c1.ID == 0 || e.Seq != 1 || e.Kind != plant.EventCorrection || e.Source != base.Tag || e.User != base.By || e.Reason != base.Reason || !strings.Contains(e.Text, "times 1.04") {
		t.Fatalf("%+v\n%+v", c1, e)
	}
	for _, c := range []struct {
		name, field string
		c           plant.Correction
	}{
		{"overlaps", "From", change(func(c *plant.Correction) { c.From, c.To = at(199), at(300) })},
		{"overlaps without an end", "From", change(func(c *plant.Correction) { c.From, c.To = at(50), time.Time{} })},
		{"inside", "From", change(func(c *plant.Correction) { c.From, c.To = at(150), at(151) })},
		{"after the archive", "From", change(func(c *plant.Correction) { c.From, c.To = at(1001), at(1100) })},
		{"before the archive", "From", change(func(c *plant.Correction) { c.From, c.To = at(-20), at(-10) })},
		{"no reason", "Reason", change(func(c *plant.Correction) { c.Reason = " " })},
		{"no name", "By", change(func(c *plant.Correction) { c.By = "" })},
		{"no tag", "Tag", change(func(c *plant.Correction) { c.Tag = "" })},
		{"no start", "From", change(func(c *plant.Correction) { c.From = time.Time{} })},
		{"no time", "At", change(func(c *plant.Correction) { c.At = time.Time{} })},
		{"backwards", "To", change(func(c *plant.Correction) { c.From, c.To = at(300), at(300) })},
		{"changes nothing", "Factor", change(func(c *plant.Correction) { c.From, c.To, c.Factor = at(300), at(400), 1 })},
		{"says nothing", "Factor", change(func(c *plant.Correction) { c.From, c.To, c.Factor = at(300), at(400), 0 })},
		{"says two things", "Factor", change(func(c *plant.Correction) { c.From, c.To, c.NotBelieved = at(300), at(400), true })},
	} {
		_, _, err := j.PutCorrection(c.c, held)
		var ce *CorrectionError
		if !errors.As(err, &ce) || ce.Field != c.field || ce.Fix == "" {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	if _, _, err := j.PutCorrection(change(func(c *plant.Correction) { c.Tag = "EV.EV2.brix" }), plant.Coverage{}); err == nil {
		t.Error("a tag the archive does not hold was taken")
	}
	// Beside it, and of another tag, there is room.
	if _, _, err := j.PutCorrection(change(func(c *plant.Correction) { c.From, c.To, c.Factor, c.Value = at(200), time.Time{}, 0, &value }), held); err != nil {
		t.Fatal(err)
	}
	if _, _, err := j.PutCorrection(change(func(c *plant.Correction) { c.Tag, c.Factor, c.NotBelieved = "EV.EV2.brix", 0, true }), held); err != nil {
		t.Fatal(err)
	}
	got, err := j.Corrections(ctx, "EV.EV1.brix", at(150), at(250))
	if err != nil || len(got) != 2 || got[0].ID != c1.ID || *got[1].Value != value {
		t.Fatalf("%+v %v", got, err)
	}
	if got, err := j.Corrections(ctx, "", at(0), at(5000)); err != nil || len(got) != 3 {
		t.Fatalf("%d %v", len(got), err)
	}

	// Taken back, its place is free again; both are in the chain.
	for _, bad := range []struct{ by, why string }{{"", "x"}, {"x", ""}} {
		if _, _, err := j.WithdrawCorrection(c1.ID, bad.by, bad.why, at(3000)); err == nil {
			t.Error("withdrawn without a name or a reason")
		}
	}
	w, e, err := j.WithdrawCorrection(c1.ID, "B. Chemist", "the laboratory was wrong", at(3000))
	if err != nil || w.Withdrawn.IsZero() || e.Seq != 4 || e.Source != base.Tag {
		t.Fatalf("%+v %+v %v", w, e, err)
	}
	if _, _, err := j.WithdrawCorrection(c1.ID, "B. Chemist", "again", at(3000)); err == nil {
		t.Error("withdrawn twice")
	}
	if _, _, err := j.WithdrawCorrection(99, "B. Chemist", "none", at(3000)); err == nil {
		t.Error("withdrawn one that is not there")
	}
	if _, _, err := j.PutCorrection(base, held); err != nil {
		t.Fatal(err)
	}
	if err := j.Verify(ctx); err != nil {
		t.Fatal(err)
	}
	j.Close()
	j = openJournal(t, path)
	if got, err := j.Corrections(ctx, base.Tag, at(0), at(5000)); err != nil || len(got) != 3 || got[0].WithdrawnBy != "B. Chemist" || !got[0].From.Equal(at(100)) {
		t.Fatalf("%+v %v", got, err)
	}
}

func good(s, v float64) plant.Point {
	return plant.Point{Time: at(s), Value: v, Quality: plant.Good}
}

func TestCorrectionApplies(t *testing.T) {
	value := 3.0
	c := plant.Correction{From: at(10), To: at(20), Factor: 2, Offset: 1}
	if c.Covers(at(9)) || !c.Covers(at(10)) || !c.Covers(at(19)) || c.Covers(at(20)) {
		t.Error("Covers is not half-open")
	}
	if p := c.Apply(good(11, 4)); p.Value != 9 || p.Quality != plant.Good {
		t.Errorf("%v", p)
	}
	if p := c.Apply(plant.BadPoint(at(11), plant.BadOutOfService)); p.Quality != plant.BadOutOfService {
		t.Errorf("a Bad value became %v", p)
	}
	c = plant.Correction{NotBelieved: true}
	if p := c.Apply(good(11, 4)); !p.Quality.IsBad() {
		t.Errorf("%v", p)
	}
	c = plant.Correction{Value: &value}
	if p := c.Apply(plant.BadPoint(at(11), plant.BadOutOfService)); p.Value != 3 || !p.Quality.IsUncertain() {
		t.Errorf("%v", p)
	}
	c.Withdrawn = at(30)
	if c.Covers(at(11)) {
		t.Error("withdrawn and in force")
	}
}

// A command writes to the journal while the program runs: the chain stays whole
// and the program's events get their true numbers.
func TestJournalOfTwoProcesses(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	program, command := openJournal(t, path), openJournal(t, path)
	c := NewCommitter(program, 0, nil)
	commit := func(want uint64) {
		t.Helper()
		ev := []plant.Event{event(1, plant.EventNote, "", "EV"), event(2, plant.EventNote, "", "EV")}
		if !c.Commit(ev, State{}) || ev[0].Seq != want || ev[1].Seq != want+1 {
			t.Fatalf("numbers %d and %d, want %d", ev[0].Seq, ev[1].Seq, want)
		}
	}
	commit(1)
	held := plant.Coverage{First: at(0), Last: at(1000), Samples: 7}
	_, e, err := command.PutCorrection(plant.Correction{Tag: "A.x", From: at(1), Factor: 2, By: "me", Reason: "why", At: at(5)}, held)
	if err != nil || e.Seq != 3 {
		t.Fatal(e.Seq, err)
	}
	commit(4)
	commit(6)
	if err := program.Verify(context.Background()); err != nil {
		t.Fatal(err)
	}
}

func TestJobs(t *testing.T) {
	ctx := context.Background()
	path := filepath.Join(t.TempDir(), "journal.db")
	program, command := openJournal(t, path), openJournal(t, path)
	if _, err := command.AskJob(plant.Job{Kind: "recalculate"}); err == nil {
		t.Error("a job without a name was taken")
	}
	id, err := command.AskJob(plant.Job{Kind: "recalculate", From: at(0), To: at(100), Args: `{"equipment":"EV"}`, By: "me", Why: "meter", Asked: at(200)})
	if err != nil {
		t.Fatal(err)
	}
	jobs, err := program.Jobs(ctx, true)
	if err != nil || len(jobs) != 1 || jobs[0].ID != id || jobs[0].State != plant.JobAsked || !jobs[0].From.Equal(at(0)) {
		t.Fatalf("%+v %v", jobs, err)
	}
	job := jobs[0]
	job.State, job.Reached = plant.JobRunning, at(50)
	if err := program.UpdateJob(job); err != nil {
		t.Fatal(err)
	}
	program.Close()
	program = openJournal(t, path) // it finds what was interrupted
	jobs, err = program.Jobs(ctx, true)
	if err != nil || len(jobs) != 1 || jobs[0].State != plant.JobRunning || !jobs[0].Reached.Equal(at(50)) {
		t.Fatalf("%+v %v", jobs, err)
	}
	cancelled := jobs[0]
	cancelled.State, cancelled.Ended = plant.JobCancelled, at(300)
	if err := command.UpdateJob(cancelled); err != nil {
		t.Fatal(err)
	}
	if err := program.UpdateJob(job); !errors.Is(err, ErrJobEnded) {
		t.Fatalf("a cancelled job goes on: %v", err)
	}
	if jobs, err := program.Jobs(ctx, false); err != nil || len(jobs) != 1 || jobs[0].State != plant.JobCancelled {
		t.Fatalf("%+v %v", jobs, err)
	}
}
