package thermo_test

import (
	"strings"
	"testing"

	"calandria/plant"
	"calandria/thermo"
)

// Limits of the phases are the site's to set; what cannot be is refused with its line, its
// range and the cure.
func TestStrikeLimitsOfASite(t *testing.T) {
	const yaml = `site: {name: Test House (invented)}
pans:
  - name: P1
    strike_limits:
      vacuum_below_kpa: 55
      full_pct: 300
      ful_pct: 80
    tags:
      vapour_pressure: {value: 16}
`
	h, err := plant.Load("plant.yaml", []byte(yaml))
	if err != nil {
		t.Fatal(err)
	}
	_, err = thermo.New(h)
	if err == nil {
		t.Fatal("taken")
	}
	for _, want := range []string{"plant.yaml:6", "pans[0].strike_limits.full_pct", "30 to 110 %", "plant.yaml:7", `did you mean "full_pct"?`} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("no %q in:\n%v", want, err)
		}
	}
	h, err = plant.Load("plant.yaml", []byte(strings.NewReplacer("full_pct: 300", "vacuum_broken_kpa: 50", "      ful_pct: 80\n", "").Replace(yaml)))
	if err != nil {
		t.Fatal(err)
	}
	if _, err = thermo.New(h); err == nil || !strings.Contains(err.Error(), "vacuum_below_kpa (55) must be below vacuum_broken_kpa (50)") {
		t.Errorf("%v", err)
	}
}
