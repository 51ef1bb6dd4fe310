package rules

import (
	"strings"
	"testing"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// A rule that takes long in five scans one after the other is named; one long
// evaluation is not.
func TestSlowRuleIsNamed(t *testing.T) {
	b := newBench(t, "derived:\n  - name: x\n    dimension: level\n    meaning: m\n    expr: avg(EV.EV1.level, \"1m\") + pct(1)\n"+
		"alarms:\n  - name: a\n   "+texts+"    when: x > pct(50)\n  - name: b\n   "+texts+"    when: avg(EV.EV2.level, \"1m\") > pct(50)\n")
	// The clock is read before the derived tags and after each, then before
	// the alarms and after each: five readings a scan.
	var took [5]time.Duration
	n, clock := 0, t0
	b.Watch(func() time.Time {
		clock = clock.Add(took[n%len(took)])
		n++
		return clock
	})
	scan := func(second int) {
		at := t0.Add(time.Duration(second) * time.Second)
		b.Scan(b.f, at, func(plant.TagID, plant.Point) {}, func(int, plant.AlarmInput) {}, func(int, plant.Truth, words.Text) {})
	}
	took[4] = 80 * time.Millisecond // alarm b
	for i := range 4 {
		scan(i)
	}
	took[4] = time.Millisecond
	scan(4)
	if fs := b.Faults(); len(fs) > 0 {
		t.Fatalf("four times only: %+v", fs)
	}
	took[1], took[4] = 12*time.Millisecond, 80*time.Millisecond // derived x too
	for i := range 5 {
		scan(5 + i)
	}
	fs := b.Faults()
	if len(fs) != 2 || fs[0].Rule != "b" || fs[1].Rule != "x" {
		t.Fatalf("%+v", fs)
	}
	for _, f := range fs {
		if !f.Slow || !strings.Contains(f.Reason.String(), "slow: ") || !f.Last.Equal(t0.Add(9*time.Second)) {
			t.Errorf("%+v", f)
		}
	}
}
