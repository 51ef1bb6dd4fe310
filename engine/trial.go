package engine

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
)

// Refused is the error of a request that cannot be carried out as it was made.
// Why is shown to the person, at the field if one is named.
type Refused struct {
	Why   words.Text
	Field string
	Mark  string // the place in an expression, in lines of equal width
}

func (r *Refused) Error() string { return r.Why.String() }

// TrialWish is what is to be tried.
type TrialWish struct {
	Alarm string
	Texts map[string]string // by key of the figure
	Span  time.Duration     // up to now
}

// Trial is what an alarm would have done with other figures.
type Trial struct {
	Alarm    string
	Asked    time.Time
	From, To time.Time // half-open
	Step     time.Duration
	Changes  []TrialChange

	Running bool
	Done    float64 // while it runs: 0 to 1
	Stopped bool
	Failed  string // why there is no result
	Took    time.Duration

	Samples        int       // of the instruments concerned, within the time
	First          time.Time // of these
	Present, Tried TrialSide

	Kept     bool // the rule files can be changed: they are not part of the program
	Reloaded bool // rules have been reloaded since: Present may be another by now
	Lines    []TrialLine
}

// TrialChange is one figure that was tried. Unit is that of a plain number.
type TrialChange struct{ Key, Was, Is, Unit string }

// TrialSide is what one of the two rules does.
type TrialSide struct {
	RuleRecord
	Fault string // what went wrong with the rule
}

// TrialLine is what to write into a rule file: Text in place of Line to
// Through, or after Line if Through is 0.
type TrialLine = rules.Line

const trialStrip = 720 // parts of the strip

// trialRun is a trial with the cores that work it out.
type trialRun struct {
	Trial
	replay *Replay
	files  []rules.File // in force when it was asked for
}

// newTrial checks what is to be tried. The error is a [*Refused] where the wish is
// at fault.
func newTrial(house *plant.House, files []rules.File, past Past, wish TrialWish, now time.Time) (*trialRun, error) {
	w, ok := rules.ReadWritten(files, house, wish.Alarm)
	if !ok {
		return nil, &Refused{Why: "There is no such alarm."}
	}
	x := &trialRun{files: files, Trial: Trial{Alarm: wish.Alarm, Asked: now, From: now.Add(-wish.Span), To: now, Running: true, Step: trialStep(wish.Span)}}
	changes := map[string]string{}
	for _, f := range w.Figures {
		text, ok := wish.Texts[f.Key]
		if text = strings.TrimSpace(text); ok && text != f.Text {
			changes[f.Key] = text
			x.Changes = append(x.Changes, TrialChange{Key: f.Key, Was: f.Text, Is: text, Unit: w.Unit})
		}
	}
	if len(changes) == 0 {
		return nil, &Refused{Why: "Nothing differs from the present rule: change a figure first."}
	}
	core := func(try map[string]string) (*Core, error) {
		return New(house, files, rules.Options{Only: wish.Alarm, Try: try})
	}
	tried, err := core(changes)
	if err != nil {
		return nil, trialRefusal(err, changes)
	}
	present, err := core(nil)
	if err != nil {
		return nil, fmt.Errorf("load the rules in force: %w", err)
	}
	reader, err := core(nil)
	if err != nil {
		return nil, fmt.Errorf("load the rules in force: %w", err)
	}
	x.replay = &Replay{Past: past, From: x.From, To: x.To, Warm: x.From.Add(-warmth(tried.Rules, present.Rules)), Step: x.Step, Reader: reader}
	for _, c := range []*Core{present, tried} {
		i, ok := c.Alarms.Index(wish.Alarm)
		if !ok {
			return nil, &Refused{Why: "With this the house has no such alarm any more."}
		}
		j := NewJudge(c, x.From, x.To)
		r := &j.Result.Rules[i]
		r.Strip, r.part = make([]bool, trialStrip), (wish.Span+trialStrip-1)/trialStrip
		x.replay.Judges = append(x.replay.Judges, j)
	}
	x.replay.lighten(wish.Alarm)
	for _, l := range w.Lines(changes) {
		l.File = filepath.Base(l.File)
		x.Lines = append(x.Lines, l)
	}
	return x, nil
}

// run works it out in the caller's goroutine.
func (x *trialRun) run(ctx context.Context) error {
	if err := x.replay.Run(ctx); err != nil {
		return err
	}
	x.Samples, x.First = x.replay.Within, x.replay.First
	x.Present, x.Tried = trialSide(x.replay.Judges[0].Result, x.Alarm), trialSide(x.replay.Judges[1].Result, x.Alarm)
	return nil
}

// trialStep is the time between scans: a person does not wait for a month in
// steps of seconds. What instruments sent is seen in full in any case.
func trialStep(span time.Duration) time.Duration {
	switch {
	case span <= 25*time.Hour:
		return 10 * time.Second
	case span <= 8*24*time.Hour:
		return 30 * time.Second
	}
	return time.Minute
}

// trialRefusal words what the loader says to what was typed.
func trialRefusal(err error, changes map[string]string) error {
	var faults plant.Faults
	if !errors.As(err, &faults) || len(faults) == 0 {
		return err
	}
	f := faults[0]
	no := &Refused{Why: f.Says(), Mark: f.Mark}
	key, ours := strings.CutPrefix(f.Field, rules.TryField)
	if !ours {
		// A limit is read where the condition uses it.
		for k := range changes {
			if len(changes) == 1 || strings.HasPrefix(k, "limits.") {
				key = k
			}
		}
	}
	if _, ok := changes[key]; ok {
		no.Field = key
	}
	return no
}

func trialSide(b *Backtest, alarm string) TrialSide {
	var s TrialSide
	for _, r := range b.Rules {
		if r.Spec.Name == alarm {
			s.RuleRecord = r
		}
	}
	for _, f := range b.Faults {
		if f.Rule == alarm {
			s.Fault = fmt.Sprintf("could not be evaluated %d times: %s", f.Count, f.Reason)
		}
	}
	return s
}
