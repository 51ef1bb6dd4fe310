package plant_test

import (
	"slices"
	"strings"
	"testing"

	"calandria/plant"
)

// Every fault of a juice order names its line, its field and the fix.
func TestJuiceOrder(t *testing.T) {
	const file = `site: {name: T}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
sets:
  - name: Q
    juice_order: ORDER
    bodies:
      - {name: A, heating_surface_m2: 100}
      - {name: B, heating_surface_m2: 100}
      - {name: B2, effect: 2, juice: beside, heating_surface_m2: 100}
      - {name: C, heating_surface_m2: 100}
`
	for _, x := range []struct {
		order, fault string
		want         []int
	}{
		{"[C, B, B2, A]", "", []int{3, 1, 2, 0}},
		{"[B, B2, C, A]", "", []int{1, 2, 3, 0}},
		{"[]", "", []int{0, 1, 2, 3}},
		{"[C, B, A]", "p.yaml:5:", nil},
		{"[C, B, B2]", "A is not in the juice order", nil},
		{"[C, B, B2, A, C]", "sets[0].juice_order[4]: C is there twice", nil},
		{"[C, B, B2, A, D]", `sets[0].juice_order[4]: the set has no body "D"`, nil},
		{"[C, B2, B, A]", "sets[0].juice_order[1]: B2 is fed beside another body of effect 2, but does not follow one", nil},
		{"backward", "sets[0].juice_order", nil},
	} {
		h, err := plant.Load("p.yaml", []byte(strings.Replace(file, "ORDER", x.order, 1)))
		switch {
		case x.fault == "" && err != nil:
			t.Errorf("%s: %v", x.order, err)
		case x.fault == "":
			if got := h.Config.Sets[0].Juice(); !slices.Equal(got, x.want) {
				t.Errorf("%s: %v, want %v", x.order, got, x.want)
			}
		case err == nil || !strings.Contains(err.Error(), x.fault) || !strings.Contains(err.Error(), "p.yaml:5:"):
			t.Errorf("%s: %v, want %q", x.order, err, x.fault)
		}
	}
}

// Scale grows worst where the juice is thickest: the limits left out follow the juice, not
// the steam. For forward feed they are 0.8 in bodies 1 to 3 and 0.65 after. Common
// practice, no source.
func TestCleaningLimitFollowsTheJuice(t *testing.T) {
	const file = `site: {name: T}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
sets:
  - name: Q
    juice_order: ORDER
    bodies:
      - {name: A, heating_surface_m2: 100}
      - {name: B, heating_surface_m2: 100}
      - {name: B2, effect: 2, juice: beside, heating_surface_m2: 100}
      - {name: C, heating_surface_m2: 100}
      - {name: D, heating_surface_m2: 100, cleaning_limit: 0.7}
      - {name: E, heating_surface_m2: 100}
`
	for _, x := range []struct {
		order string
		want  []float64 // in the order of the bodies
	}{
		{"[]", []float64{0.8, 0.8, 0.8, 0.8, 0.7, 0.65}},
		{"[E, D, C, B, B2, A]", []float64{0.65, 0.65, 0.65, 0.8, 0.7, 0.8}},
		{"[C, D, E, B, B2, A]", []float64{0.65, 0.65, 0.65, 0.8, 0.7, 0.8}},
	} {
		h, err := plant.Load("p.yaml", []byte(strings.Replace(file, "ORDER", x.order, 1)))
		if err != nil {
			t.Fatal(err)
		}
		var got []float64
		for _, b := range h.Config.Sets[0].Bodies {
			got = append(got, b.CleaningLimit)
		}
		if !slices.Equal(got, x.want) {
			t.Errorf("%s: %v, want %v", x.order, got, x.want)
		}
	}
}
