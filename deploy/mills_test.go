package deploy

import (
	"slices"
	"strings"
	"testing"
	"time"
)

// Whole mills of another making, from the plant file on, over three days. It asserts what holds of
// any house; how near the figures come to an ideal estimator is printed by make detection.
func TestMills(t *testing.T) {
	if testing.Short() {
		t.Skip("six days of two mills: make test runs it")
	}
	for _, name := range []string{"A", "C"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := blindHouses[name](1, 20)
			m := newMillRun(t, h)
			m.until(h.begin.Add(3*24*time.Hour), 30*time.Second)
			f := m.figures()
			t.Log(strings.Join(f.lines, "\n"))
			// Instruments of these accuracies carry an ideal estimator to 5 %.
			if f.worstU > 10 || f.leastShare < 0.9 {
				t.Errorf("U of a body is %.1f %% off by the median, and has a value %.0f %% of the time", f.worstU, 100*f.leastShare)
			}
			if e, _ := spread(f.steam); !(e < 4) {
				t.Errorf("economy is %.1f %% off", e)
			}
			if f.strikesFound < f.strikes*9/10 {
				t.Errorf("%d of %d strikes are found at their time", f.strikesFound, f.strikes)
			}
		})
	}
}

// A vessel without a level keeps the alarm on its other instruments.
func TestVesselsWithoutLevelKeepTheirAlarm(t *testing.T) {
	h := blindHouses["B"](1, 3)
	var names []string
	for _, a := range newMillRun(t, h).core.Rules.Alarms() {
		names = append(names, a.Name)
	}
	for _, b := range h.set.bodies {
		if want := "body_instrument_lost." + setName + "." + b.name; !slices.Contains(names, want) {
			t.Errorf("%s is left out", want)
		}
	}
}
