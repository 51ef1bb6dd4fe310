package thermo_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/deploy"
	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/condenser"
)

// Normal running is learned in two hours; then each way of losing vacuum is put
// first. The patterns are those of the condenser's balance: air raises the
// approach, little water the rise, warm water the inlet.
func TestVacuumCauses(t *testing.T) {
	for _, x := range []struct {
		upset string
		cause condenser.Cause
		tag   string
		least float64 // K it must explain
	}{
		{"air-leak", condenser.Air, "CD5.cause_air", 5},
		{"water-loss", condenser.LittleWater, "CD5.cause_water", 3},
		{"pump-trip", condenser.Air, "CD5.cause_air", 5},
	} {
		t.Run(x.upset, func(t *testing.T) {
			h, c, m, f := demo(t, simulator.Settings{Noise: true, Disturbances: true, BrixLoop: true})
			c.NoUncertainty()
			c.NoReconciliation()
			got := run(t, h, c, m, f, time.Hour, 10*time.Second, nil)
			if v := got[x.tag]; v.Point.Usable() || !strings.Contains(v.Reason.String(), "learned") {
				t.Errorf("a cause before normal running is known: %+v", v)
			}
			got = run(t, h, c, m, f, 3*time.Hour, 10*time.Second, nil)
			for _, name := range []string{"cause_air", "cause_water", "cause_load", "cause_warm_water"} {
				if v := got["CD5."+name]; !v.Point.Usable() || v.Point.Value > 2.5 {
					t.Errorf("in good order %s is %.2f K: %s", name, v.Point.Value, v.Reason)
				}
			}
			before := c.Vacuum()[0].Normal
			if err := m.Start(x.upset); err != nil {
				t.Fatal(err)
			}
			got = run(t, h, c, m, f, 40*time.Minute, 10*time.Second, nil)
			v := c.Vacuum()[0]
			if !v.OK || len(v.Diagnosis.Findings) == 0 || v.Diagnosis.Findings[0].Cause != x.cause {
				t.Fatalf("first finding %+v, want %s: %s", v.Diagnosis.Findings, x.cause, v.Reason)
			}
			if q := got[x.tag]; !q.Point.Usable() || q.Point.Value < x.least || !strings.Contains(q.Reason.String(), string(x.cause)) {
				t.Errorf("%s = %.2f K: %q", x.tag, q.Point.Value, q.Reason)
			}
			if loss := got["CD5.vacuum_loss"]; !loss.Point.Usable() || loss.Point.Value < x.least {
				t.Errorf("vacuum_loss %.2f K", loss.Point.Value)
			}
			if d := math.Abs(v.Normal.PressureKPa.Value - before.PressureKPa.Value); d > 0.3 {
				t.Errorf("normal pressure moved by %.2f kPa while the vacuum was lost", d)
			}
			t.Log(v.Text)
		})
	}
}

// With a configured normal there is a diagnosis from the first minute.
func TestVacuumConfigured(t *testing.T) {
	text := strings.Replace(string(deploy.Demo()), "  - name: CD5\n", "  - name: CD5\n    normal: {vapour_pressure_kpa: 16, water_inlet_c: 27, water_outlet_c: 45, water_t_h: 356}\n", 1)
	h, err := plant.Load("plant.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	c, err := thermo.New(h)
	if err != nil {
		t.Fatal(err)
	}
	f := plant.NewFrame(len(h.Tags))
	m := simulator.NewWith(1, start, simulator.Settings{})
	got := run(t, h, c, m, f, 5*time.Minute, 5*time.Second, nil)
	// The quiet mill's injection water is at 30 degC: 3 K warmer than that normal.
	if v := got["CD5.cause_warm_water"]; !v.Point.Usable() || math.Abs(v.Point.Value-3) > 0.1 {
		t.Errorf("cause_warm_water %.2f K (%s), want 3", v.Point.Value, v.Reason)
	}
	if v := c.Vacuum()[0]; v.Learned != 0 {
		t.Errorf("a configured normal counts as learned over %s", v.Learned)
	}
	bad := strings.Replace(text, "water_outlet_c: 45", "water_outlet_c: 20", 1)
	if _, err := plant.Load("plant.yaml", []byte(bad)); err == nil || !strings.Contains(err.Error(), "not warmer") {
		t.Errorf("a normal that cannot be: %v", err)
	}
}
