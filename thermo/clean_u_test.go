package thermo_test

import (
	"math"
	"strings"
	"testing"

	"calandria/plant"
	"calandria/thermo"
)

// The formula of the site stands in for a clean U nobody knows: U = 0.465 Tj/B kW/(m2.K)
// with k = 400 (Hugot, from memory: 400 x 1.163 = 465), Dessin's divided by its divisor.
func TestCleanUFormula(t *testing.T) {
	run := func(keys string) (map[string]thermo.Value, error) {
		t.Helper()
		text := strings.Replace(beetYAML, "  - name: Q\n", "  - name: Q\n"+keys, 1)
		if keys != "" && text == beetYAML {
			t.Fatal("no set Q in the plant file")
		}
		text = strings.Replace(text, "        clean_u_w_m2k: 850\n", "", 1)
		house, err := plant.Load("p.yaml", []byte(text))
		if err != nil {
			return nil, err
		}
		c, err := thermo.New(house)
		if err != nil {
			return nil, err
		}
		f := plant.NewFrame(len(house.Tags))
		h := newHouse4(2)
		for range 1000 {
			h.step(5, false)
		}
		h.read(t, house, f, 5, false)
		return byPath(house, c.Step(f, h.now)), nil
	}
	must := func(keys string) map[string]thermo.Value {
		t.Helper()
		got, err := run(keys)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	plain, divided, swedish := must(""), must("    clean_u_constant: 20000\n"), must("    clean_u_formula: swedish\n    clean_u_constant: 400\n")
	a, b, c := plain["Q.D.u_clean"], divided["Q.D.u_clean"], swedish["Q.D.u_clean"]
	if !a.Point.Usable() || a.How != "assumed" || !strings.Contains(a.Reason.String(), "Dessin") || math.Abs(b.Point.Value/a.Point.Value-0.8) > 1e-12 {
		t.Errorf("Dessin %v (%s, %s), divided by 20000 %v", a.Point.Value, a.How, a.Reason, b.Point.Value)
	}
	want := 0.4652 * swedish["Q.D.boiling_temperature"].Point.Value / swedish["Q.D.brix_out"].Point.Value
	if !c.Point.Usable() || c.How != "assumed" || !strings.Contains(c.Reason.String(), "Swedish") || math.Abs(c.Point.Value/want-1) > 1e-12 {
		t.Errorf("Swedish %v (%s, %s), by hand %v", c.Point.Value, c.How, c.Reason, want)
	}
	for _, bad := range []struct{ keys, want string }{
		{"    clean_u_formula: hugot\n", `p.yaml:LINE: sets[0].clean_u_formula: no formula "hugot"`},
		{"    clean_u_constant: 425\n", "sets[0].clean_u_constant: 425 is no constant of the formula dessin"},
		{"    clean_u_formula: swedish\n    clean_u_constant: 16000\n", "give 100 to 1000"},
	} {
		_, err := run(bad.keys)
		if err == nil || !strings.Contains(err.Error(), strings.TrimPrefix(bad.want, "p.yaml:LINE: ")) || !strings.HasPrefix(err.Error(), "p.yaml:") {
			t.Errorf("%q: %v", bad.keys, err)
		}
	}
}
