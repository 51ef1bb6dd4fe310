package engine

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// Whatever the clocks do, before an alarm, while its delay runs and while it stands,
// it comes and returns within one scan of when it should.
func TestClocksUnderARunningAlarm(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: three hundred scenarios")
	}
	type jump struct{ at, clock string }
	cases := map[string][]jump{}
	for _, d := range []string{"1s", "5s", "1m", "1h", "24h"} {
		for _, side := range []string{"ahead", "behind"} {
			for _, whose := range []string{"s", "EV.B1.level", "own", "*"} {
				c := whose + ": " + d + " " + side
				cases[c+", always"] = []jump{{"0s", c}}
				for moment, at := range map[string]string{"in the delay": "150s", "while it stands": "200s", "in the delay of the return": "330s"} {
					cases[c+", "+moment] = []jump{{at, c}}
					cases[c+", set right "+moment] = []jump{{"0s", c}, {at, whose + ": right"}}
				}
				cases[c+", over ten minutes"] = []jump{{"0s", c + " over 10m"}}
			}
		}
		other := "s: " + d + " behind"
		cases["s: "+d+" from one side to the other"] = []jump{{"0s", "s: " + d + " ahead"}, {"150s", other}}
	}
	for name, jumps := range cases {
		var happens strings.Builder
		steps := append([]jump{{"120s", ""}, {"300s", ""}}, jumps...)
		for s := time.Duration(0); s <= 10*time.Minute; s += 10 * time.Second {
			for _, j := range steps {
				d, _ := time.ParseDuration(j.at)
				if d != s {
					continue
				}
				if j.clock != "" {
					whose, phrase, _ := strings.Cut(j.clock, ": ")
					fmt.Fprintf(&happens, "      - {at: %s, clocks: {%q: %s}}\n", j.at, whose, phrase)
				} else {
					fmt.Fprintf(&happens, "      - {at: %s, signals: {EV.B1.level: %d}}\n", j.at, map[string]int{"120s": 80, "300s": 40}[j.at])
				}
			}
		}
		// What is older than a moment by no more than sampling and publishing explain is
		// believed: a value alone may be early by that.
		early := 0
		if strings.Contains(name, "behind, over") && !strings.HasPrefix(name, "s") {
			early = 3
		}
		text := strings.Replace(head, "scenarios:", "scan: 1s\nscenarios:", 1) + "    happens:\n" + happens.String() +
			fmt.Sprintf(`    expect:
      only: true
      calls: [{alarm: level_high, from: %ds, to: 181s, times: 1}]
      returns: [{alarm: level_high, from: %ds, to: 303s}]
`, 179-early, 299-early)
		if _, failed := runSmall(t, text); failed != "" {
			t.Errorf("%s:\n%s", name, failed)
		}
	}
}

// What the rules may know of clocks is set, and names are checked.
func TestClocksOfAScenario(t *testing.T) {
	out, failed := runSmall(t, head+`    happens:
      - {at: 1m, clocks: {s: 1h ahead, own: 1m behind}}
      - {at: 5m, clocks: {s: right, EV.B1.level: 10s behind}}
    expect:
      values:
        - {tag: calandria.clock_offset, at: 2m, above: 3599, below: 3601}
        - {tag: calandria.server_s_clock_offset, at: 2m, above: 3599, below: 3601}
        - {tag: calandria.misstamped_tags, at: 2m, above: 0, below: 3}
        - {tag: calandria.own_clock_offset, at: 2m, above: -61, below: -59}
        - {tag: calandria.clock_offset, at: 6m, above: -0.1, below: 0.1}
        - {tag: calandria.misstamped_tags, at: 6m, above: 0, below: 2}
`)
	if failed != "" {
		t.Errorf("%s %+v", failed, out)
	}
	for _, bad := range []string{"s: 1h", "s: ahead", "s: 1h ahead over", "s: 1h ahead for 1m", "nobody: 1h ahead", "s: -1h ahead"} {
		f, err := LoadScenarios("a.yaml", smallFiles(head+"    happens: [{at: 1m, clocks: {"+bad+"}}]\n    expect: {only: true}\n"))
		if err == nil {
			_, err = f.Scenarios[0].Run(nil)
		}
		if err == nil || !strings.Contains(err.Error(), "clocks") {
			t.Errorf("%s: %v", bad, err)
		}
	}
}
