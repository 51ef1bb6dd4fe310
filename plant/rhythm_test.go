package plant

import (
	"testing"
	"time"
)

// By the definition: a source that sends only steps stands still for up to 40 min again
// and again; one that always moves and was held once for two hours does not.
func TestRhythm(t *testing.T) {
	var steps, moves Rhythm
	for i := range 200 {
		steps.Gap(time.Minute)
		if i%50 == 0 {
			steps.Gap(40 * time.Minute)
		}
		moves.Gap(time.Second)
	}
	moves.Gap(2 * time.Hour)
	if u := steps.Usual(); u < 20*time.Minute || u > 40*time.Minute {
		t.Errorf("steps: %s", u)
	}
	if u := moves.Usual(); u > 2*time.Second {
		t.Errorf("held once: %s", u)
	}
}
