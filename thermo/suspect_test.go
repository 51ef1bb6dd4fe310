package thermo

import (
	"strings"
	"testing"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/evaporator"
)

// An instrument is not named with a size that cannot be, or that is hardly known. The
// limits are definitions of ours.
func TestSuspectOfImplausibleSize(t *testing.T) {
	const yaml = `site: {name: Test House (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
sets:
  - name: Q
    tags:
      steam_pressure: {node: "nsu=u;s=p0", unit: kPa, reference: absolute, range: [0, 400], accuracy: 0.5}
      juice_flow:     {node: "nsu=u;s=f", unit: t/h, accuracy_pct: 0.5}
      juice_brix:     {node: "nsu=u;s=x0", accuracy: 0.1}
      syrup_brix:     {node: "nsu=u;s=xn", accuracy: 0.2}
    bodies:
      - {name: A, heating_surface_m2: 500, tags: {vapour_pressure: {node: "nsu=u;s=p1", unit: kPa, reference: absolute, range: [0, 200], accuracy: 0.5}}}
      - {name: B, heating_surface_m2: 500, tags: {vapour_pressure: {node: "nsu=u;s=p2", unit: kPa, reference: absolute, accuracy: 0.5}}}
`
	h, err := plant.Load("plant.yaml", []byte(yaml))
	if err != nil {
		t.Fatal(err)
	}
	c, err := New(h)
	if err != nil {
		t.Fatal(err)
	}
	const single = "no single instrument explains it"
	for _, x := range []struct {
		name, of, what string
		value, bias, z float64
		says           string
		named, rough   bool
	}{
		{"sure", "", "juice flow", 60, 4, 8, "Q.juice_flow seems to read 4 t/h high (± 0.5 t/h)", true, false},
		{"an absolute pressure below zero", "", "steam pressure", 198, 220, 6, single, false, false},
		{"more than its range", "A", "vapour pressure", 120, -210, -9, single, false, false},
		{"a flow below zero", "", "juice flow", 60, 70, 9, single, false, false},
		{"a syrup of over 95 Brix", "", "syrup Brix", 65, -40, -9, single, false, false},
		{"3 sigma, a sigma of a sixth of the value", "B", "vapour pressure", 30, -15, -3, "Q.B.vapour_pressure seems to read low, by how much cannot be said", true, true},
		{"3 sigma, a sigma of a ninth of the range", "A", "vapour pressure", 240, 66, 3, "Q.A.vapour_pressure seems to read high, by how much cannot be said", true, true},
		{"3 sigma, a small sigma", "", "juice flow", 60, 6, 3, "Q.juice_flow seems to read 6 t/h high (± 2 t/h)", true, false},
		{"5 sigma, a large sigma", "B", "vapour pressure", 30, -25, -5, "Q.B.vapour_pressure seems to read 25 kPa low (± 5 kPa)", true, false},
	} {
		t.Run(x.name, func(t *testing.T) {
			k := newChecking(c, c.sets[0])
			r := &evaporator.Reconciliation{Global: 30, Critical: 10, GrossError: true,
				Instruments: []evaporator.Instrument{{Of: x.of, What: words.Text(x.what), Reading: evaporator.Reading{Value: x.value, Sigma: 1, OK: true}}},
				Suspects:    []evaporator.Suspicion{{Instrument: 0, Bias: x.bias, Z: x.z}}}
			at := time.Date(2025, 11, 3, 0, 0, 0, 0, time.UTC)
			for i := range 3 {
				k.last, k.at = r, at.Add(time.Duration(i)*time.Hour)
				k.judge(r, k.at)
				k.publish("")
			}
			if !strings.Contains(k.gross.Reason.Text.String(), x.says) || k.gross.Value != 1 {
				t.Errorf("gross error %g: %q, want %q", k.gross.Value, k.gross.Reason.Text, x.says)
			}
			if (len(k.balanced) > 0) != x.named {
				t.Errorf("named: %v", k.balanced)
			}
			if len(k.balanced) > 0 && k.balanced[0].Rough != x.rough {
				t.Errorf("rough: %v", k.balanced[0].Rough)
			}
		})
	}
}
