package plant

import (
	"strings"
	"testing"
	"time"
)

// A figure with dates holds from each date on, in the time zone of the site; before
// the first date the first figure holds. A plain number needs no date.
func TestDatedFigure(t *testing.T) {
	text := strings.Replace(small, "heating_surface_m2: 1000", "heating_surface_m2: [{is: 1250}, {from: 2026-08-01, is: 1210}, {from: \"2026-09-01 06:00\", is: 1190}]", 1)
	text = strings.Replace(text, "site:\n", "site:\n  time_zone: Africa/Johannesburg\n", 1)
	h, err := Load("plant.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	e, _ := h.Equip("EV.E1")
	area := &e.Body.HeatingSurfaceM2
	for _, c := range []struct {
		at    string // UTC; the site is two hours ahead
		want  float64
		since string
	}{
		{"2020-01-01T00:00:00Z", 1250, "0001-01-01T00:00:00Z"},
		{"2026-07-31T21:59:59Z", 1250, "0001-01-01T00:00:00Z"},
		{"2026-07-31T22:00:00Z", 1210, "2026-07-31T22:00:00Z"},
		{"2026-09-01T03:59:59Z", 1210, "2026-07-31T22:00:00Z"},
		{"2030-01-01T00:00:00Z", 1190, "2026-09-01T04:00:00Z"},
	} {
		at, _ := time.Parse(time.RFC3339, c.at)
		if got, since := area.At(at), area.Since(at).UTC().Format(time.RFC3339); got != c.want || since != c.since {
			t.Errorf("at %s: %g since %s, want %g since %s", c.at, got, since, c.want, c.since)
		}
	}
	if e, _ = h.Equip("EV.E2"); e.Body.HeatingSurfaceM2.At(time.Now()) != e.Body.HeatingSurfaceM2.First {
		t.Error("a plain number has changed")
	}
}

func TestDatedFaults(t *testing.T) {
	for given, want := range map[string]string{
		`[{from: soon, is: 1210}]`:                                    `plant.yaml:15:31: sets[0].bodies[0].heating_surface_m2[0].from: "soon" is not a date; write 2026-08-01`,
		`[{is: 1000}, {is: 900}]`:                                     `heating_surface_m2[1].from: "" is not a date`,
		`[{from: 2026-08-01, is: 1210}, {from: 2026-07-01, is: 900}]`: `heating_surface_m2[1].from: this date is not after the one before it`,
		`[{from: 2026-08-01}]`:                                        `heating_surface_m2[0].is: the value is missing`,
		`[{from: 2026-08-01, is: 0}]`:                                 `heating_surface_m2[0].is: 0 is out of bounds for a heating surface in m2; give 1 to 20000`,
		`[{from: 2026-08-01, ist: 1210}]`:                             `heating_surface_m2[0].ist: unknown key; did you mean "is"?`,
		`[1000]`:                                                      `heating_surface_m2[0]: a section of 'key: value' lines is expected here`,
		`[]`:                                                          `heating_surface_m2: the body has no heating surface`,
	} {
		_, err := Load("plant.yaml", []byte(strings.Replace(small, "heating_surface_m2: 1000", "heating_surface_m2: "+given, 1)))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: want %q in:\n%v", given, want, err)
		}
	}
}

// The range of an instrument may change at a date: each value is judged by the range of
// its time.
func TestDatedRange(t *testing.T) {
	load := func(given string) (*House, error) {
		text := strings.Replace(small, "site:\n", "site:\n  time_zone: Africa/Johannesburg\n", 1)
		return Load("plant.yaml", []byte(strings.Replace(text, "range: [-1, 3]", "range: "+given, 1)))
	}
	h, err := load("[{is: [-1, 1]}, {from: 2026-08-01 12:00, is: [-1, 3]}]")
	if err != nil {
		t.Fatal(err)
	}
	tag, _ := h.Find("EV.E1.vapour_pressure")
	change := time.Date(2026, 8, 1, 10, 0, 0, 0, time.UTC) // noon in Johannesburg
	for at, good := range map[time.Time]bool{change.Add(-time.Second): false, change: true} {
		if _, q := tag.ConvertAt(2, Good, at); q.IsGood() != good {
			t.Errorf("2 bar at %s is %s", at, q)
		}
	}
	if _, q := tag.Convert(2, Good); !q.IsGood() {
		t.Errorf("2 bar now is %s", q)
	}
	for given, want := range map[string]string{
		"[5]":                      "range: a range is [low, high] with low < high",
		"[{is: [3, -1]}]":          "range[0].is: a range is [low, high] with low < high",
		"[{is: [-1, 1]}, {is: 3}]": "range[1].is: a list is expected here",
	} {
		if _, err := load(given); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", given, err)
		}
	}
}
