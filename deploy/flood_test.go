package deploy

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/plant"
	"calandria/thermo/steam"
)

// lostVacuum is what the instruments of a set read when the vacuum of its last
// body goes: the pressure climbs to a ceiling, the bodies before follow, the
// levels surge, syrup gets thin and juice is carried over. The course is
// common practice, no source; the figures are invented.
func lostVacuum(age func() time.Duration, ceiling, tau float64, more map[string]float64) func(string, float64) float64 {
	rise := func() float64 { return 1 - math.Exp(-age().Minutes()/tau) }
	hotter := func(p float64) float64 { // kelvin that water boils hotter than at 16 kPa
		t, err := steam.Tsat(steam.KPa(p))
		t0, err0 := steam.Tsat(16)
		if err != nil || err0 != nil {
			return 0
		}
		return float64(t - t0)
	}
	return func(path string, v float64) float64 {
		if age() < 0 {
			return v
		}
		if x, ok := more[path]; ok {
			return x
		}
		p5 := 16 + (ceiling-16)*rise()
		surge := math.Sin(2 * math.Pi * age().Minutes() / 4)
		switch path {
		case "EV.EV5.vapour_pressure", "CD5.vapour_pressure":
			return p5
		case "EV.EV5.vapour_temperature", "CD5.vapour_temperature", "EV.EV5.juice_temperature":
			return v + hotter(p5)
		case "EV.EV4.vapour_pressure", "EV.EV5.chest_pressure":
			return v + (ceiling-16)*0.6*rise()
		case "EV.EV3.vapour_pressure", "EV.EV4.chest_pressure":
			return v + (ceiling-16)*0.3*rise()
		case "EV.EV5.level":
			return v + 45*rise()*max(0, surge)
		case "EV.EV4.level":
			return v - 22*rise()*max(0, surge)
		case "EV.syrup_brix":
			return v - 14*rise()*min(1, age().Minutes()/15)
		case "EV.EV5.condensate_conductivity":
			return v + 90*rise()*max(0, surge)
		}
		return v
	}
}

// When the vacuum goes, the operator sees one group with what came first in
// it, fewer than ten lines in ten minutes, and everything urgent or high.
func TestLostVacuumIsNoFlood(t *testing.T) {
	for _, c := range []struct {
		name    string
		ceiling float64
		tau     float64 // min
		upset   string
		more    map[string]float64
		first   string
	}{
		{"vacuum pump trips", 60, 3, "", map[string]float64{"CD5.pump_running": 0}, "vacuum_pump_stopped.EV.EV5"},
		{"injection pump trips", 80, 2, "water-loss", map[string]float64{"CD5.water_pump_running": 0, "CD5.water_pressure": 101.3, "CD5.water_flow": 0}, "injection_pump_stopped.EV.EV5"},
		{"a manhole opens", 80, 0.8, "", nil, "vacuum_lost.EV.EV5"},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := newMill(t, start, 3)
			m.quiet = true
			m.settle(9 * time.Hour)
			at := m.now.Add(time.Second)
			m.alter = lostVacuum(func() time.Duration { return m.now.Sub(at) }, c.ceiling, c.tau, c.more)
			if c.upset != "" {
				if err := m.model.Start(c.upset); err != nil {
					t.Fatal(err)
				}
			}
			m.seen, m.events = nil, nil
			m.run(time.Hour, time.Second)
			if len(m.seen) == 0 {
				t.Fatal("nothing came")
			}
			var lines []string
			ten, firstUps := 0, 0
			for _, e := range m.seen {
				d := e.Time.Sub(at)
				lines = append(lines, d.Round(time.Second).String()+" "+e.Alarm+" "+e.Priority.String())
				if d <= 10*time.Minute {
					ten++
				}
				if e.FirstUp && m.spec(e.Alarm).Group == "vacuum.CD5" {
					firstUps++
				}
			}
			t.Logf("%d in ten minutes, %d in the first hour:\n%s", ten, len(m.seen), strings.Join(lines, "\n"))
			if ten >= 10 {
				t.Errorf("%d alarms in the first ten minutes", ten)
			}
			if m.seen[0].Alarm != c.first || !m.seen[0].FirstUp || firstUps != 1 {
				t.Errorf("first up is %s (mark %v, %d marks), want %s", m.seen[0].Alarm, m.seen[0].FirstUp, firstUps, c.first)
			}
			// What is about the vacuum stands in one group.
			for _, e := range m.seen {
				if about := strings.HasPrefix(e.Alarm, "vacuum_") || strings.HasPrefix(e.Alarm, "injection_p"); about && m.spec(e.Alarm).Group != "vacuum.CD5" {
					t.Errorf("%s stands in group %q", e.Alarm, m.spec(e.Alarm).Group)
				}
			}
			var hidden []string
			for _, e := range m.events {
				s := m.spec(e.Alarm)
				if e.Kind == plant.EventSuppress && s.Priority <= plant.PriorityHigh || e.Kind == plant.EventAlarm && !e.Annunciated && s.Priority <= plant.PriorityHigh {
					t.Errorf("%s is %s and was hidden: %s", e.Alarm, s.Priority, e.Reason)
				}
				if e.Kind == plant.EventAlarm && !e.Annunciated && !slices.Contains(hidden, e.Alarm) {
					hidden = append(hidden, e.Alarm)
				}
			}
			t.Logf("hidden as consequences: %v", hidden)
			if !slices.Contains(hidden, "syrup_brix_low.EV") {
				t.Error("thin syrup was not taken as a consequence")
			}
			// When it is over, what was hidden is weighed again.
			m.alter = nil
			if c.upset != "" {
				if err := m.model.Clear(c.upset); err != nil {
					t.Fatal(err)
				}
			}
			m.settle(2 * time.Hour)
			for i, s := range m.set.Alarms() {
				if st := m.engine.Status(i); slices.ContainsFunc(st.Suppressed, func(x alerting.Suppression) bool { return x.By == "consequence" }) {
					t.Errorf("%s is still hidden as a consequence", s.Name)
				}
			}
		})
	}
}
