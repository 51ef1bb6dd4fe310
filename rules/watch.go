package rules

import (
	"time"

	"calandria/plant/words"
)

// A rule is slow when one evaluation took longer than slowRule in slowScans
// scans one after the other: one long evaluation may be the machine's doing.
// What a rule may cost is bounded when it is loaded, some hundred microseconds
// at the most; this finds what was not thought of. Figures of ours.
const (
	slowRule  = 10 * time.Millisecond
	slowScans = 5
)

// watch times the rules that are worked out at each scan.
type watch struct {
	now  func() time.Time
	last time.Time
	slow []uint8 // scans in a row, as faults
}

// Watch times every rule at each scan by the given clock and notes those that
// are slow among the [Set.Faults]. Without it, as in a replay, nothing is timed
// and no clock is read. Nothing else follows from it: a slow rule is worked out
// all the same.
func (s *Set) Watch(now func() time.Time) {
	s.watch = watch{now: now, slow: make([]uint8, len(s.faults))}
}

// begin starts timing; lap ends it for one rule and starts the next.
func (w *watch) begin() {
	if w.now != nil {
		w.last = w.now()
	}
}

func (w *watch) lap(i int, at time.Time, rf *RuleFault) {
	if w.now == nil {
		return
	}
	now := w.now()
	took := now.Sub(w.last)
	w.last = now
	if took <= slowRule {
		w.slow[i] = 0
		return
	}
	if w.slow[i]++; w.slow[i] >= slowScans {
		w.slow[i] = slowScans
		rf.note(at, words.Say("slow: %s for one evaluation, %d times in a row", took.Round(time.Millisecond), slowScans))
		rf.Slow = true
	}
}
