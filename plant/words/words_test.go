package words

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// What package fmt makes of the same format and values is what a Text says in English.
func TestSayIsSprintf(t *testing.T) {
	inner := Say("%s reads %.2g K too high", "EV3", 1.234)
	if got, want := inner.String(), fmt.Sprintf("%s reads %.2g K too high", "EV3", 1.234); got != want {
		t.Errorf("%q, want %q", got, want)
	}
	whole := Say("suspect: %s, for %d min", inner, 12) + "; " + "frozen?"
	if got, want := fmt.Sprint(whole), "suspect: EV3 reads 1.2 K too high, for 12 min; frozen?"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if b, err := json.Marshal(map[string]Text{"why": whole}); err != nil || string(b) != `{"why":"suspect: EV3 reads 1.2 K too high, for 12 min; frozen?"}` {
		t.Errorf("%s, %v", b, err)
	}
	var asked []string
	whole.In(func(format string, values []any) string {
		asked = append(asked, fmt.Sprint(format, len(values)))
		return format
	})
	if got, want := strings.Join(asked, "|"), "%s reads %.2g K too high2|suspect: %s, for %d min2|; frozen?0"; got != want {
		t.Errorf("asked for %s, want %s", got, want)
	}
}

// No name of a site can bring a text out of its form.
func TestNamesStayWithinTheirPlace(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.String().Draw(t, "name")
		got := Say("<%s> %d", name, 7).String()
		if want := "<" + verbatim(name) + "> 7"; got != want {
			t.Fatalf("%q, want %q", got, want)
		}
		Text(name).In(func(f string, _ []any) string { return f }) // whatever stands there: no panic
	})
}
