//go:build detection

package deploy

import (
	"bytes"
	"cmp"
	"fmt"
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
	above := func(p, p0 float64) float64 { // kelvin that water boils hotter than at p0
		t, err := steam.Tsat(steam.KPa(p))
		t0, err0 := steam.Tsat(steam.KPa(p0))
		if err != nil || err0 != nil {
			return 0
		}
		return float64(t - t0)
	}
	hotter := func(p float64) float64 { return above(p, 16) }
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
		case "EV.EV4.vapour_temperature", "EV.EV4.juice_temperature", "EV.EV5.chest_temperature":
			return v + above(44+(ceiling-16)*0.6*rise(), 44) // pressures of the mill in good order
		case "EV.EV3.vapour_temperature", "EV.EV3.juice_temperature", "EV.EV4.chest_temperature":
			return v + above(74+(ceiling-16)*0.3*rise(), 74)
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

// flooding is an upset that strikes many instruments at once.
type flooding struct {
	name  string
	upset string
	begin func(m *mill, at time.Time) // sets alter, lost, system
	end   func(m *mill)
	first string // what must be first up
}

// every alters the instruments whose path ends so.
func every(m *mill, at time.Time, to map[string]func(min, v float64) float64) {
	m.alter = func(path string, v float64) float64 {
		if age := m.now.Sub(at); age >= 0 {
			for end, f := range to {
				if strings.HasSuffix(path, end) {
					return f(age.Minutes(), v)
				}
			}
		}
		return v
	}
}

func fixed(x float64) func(float64, float64) float64 {
	return func(float64, float64) float64 { return x }
}

// towards goes from what is read to x with a time constant, in minutes.
func towards(x, tau float64) func(float64, float64) float64 {
	return func(min, v float64) float64 { return v + (x-v)*(1-math.Exp(-min/tau)) }
}

// The courses are ours; common practice, no source.
var floodings = []flooding{
	{name: "vacuum pump trips", first: "vacuum_pump_stopped.EV.EV5", begin: func(m *mill, at time.Time) {
		m.alter = lostVacuum(func() time.Duration { return m.now.Sub(at) }, 60, 3, map[string]float64{"CD5.pump_running": 0})
	}},
	{name: "cooling water short by a quarter", upset: "water-loss", first: "pan_vacuum_low.PC1"},
	{name: "injection pump trips", upset: "water-loss", first: "injection_pump_stopped.EV.EV5", begin: func(m *mill, at time.Time) {
		m.alter = lostVacuum(func() time.Duration { return m.now.Sub(at) }, 80, 2, map[string]float64{"CD5.water_pump_running": 0, "CD5.water_pressure": 101.3, "CD5.water_flow": 0})
	}},
	{name: "exhaust steam dips", upset: "steam-dip", first: "steam_pressure_dip.EV"},
	{name: "the OPC UA server is gone", first: "mill_server_lost", begin: func(m *mill, at time.Time) {
		m.system["server_mill_connected"] = 0
		m.lost = func(string) bool { return true }
		m.each = func() { m.system["sample_age"] = max(0, m.now.Sub(at).Seconds()) }
	}, end: func(m *mill) { m.system["server_mill_connected"], m.system["sample_age"] = 1, 0 }},
	{name: "pressure and level of all five bodies unreadable", first: "body_instrument_lost.EV.EV1", begin: func(m *mill, at time.Time) {
		m.lost = func(path string) bool {
			return strings.HasPrefix(path, "EV.EV") && (strings.HasSuffix(path, ".vapour_pressure") || strings.HasSuffix(path, ".level"))
		}
	}},
	{name: "five bodies at once: levels, condensate and conductivity", first: "condensate_sugar.EV.EV5", begin: func(m *mill, at time.Time) {
		every(m, at, map[string]func(float64, float64) float64{
			"EV1.level": towards(112, 2), "EV2.level": towards(112, 3), "EV3.level": towards(109, 4), "EV4.level": towards(107, 5), "EV5.level": towards(105, 6),
			".condensate_level": towards(96, 3), ".condensate_conductivity": towards(95, 2)})
	}},
	{name: "power dip: all pumps, juice and steam gone", first: "injection_pump_stopped.EV.EV5", begin: func(m *mill, at time.Time) {
		vac := lostVacuum(func() time.Duration { return m.now.Sub(at) }, 85, 2, map[string]float64{"CD5.pump_running": 0, "CD5.water_pump_running": 0,
			"CD5.water_pressure": 101.3, "CD5.water_flow": 0, "EV.juice_flow": 0, "EV.syrup_flow": 0})
		every(m, at, map[string]func(float64, float64) float64{
			"EV.header_pressure": towards(150, 2), "EV.steam_pressure": towards(125, 3), "CDA.pump_running": fixed(0), "CDB.pump_running": fixed(0), "CDC.pump_running": fixed(0),
			"PA1.vapour_pressure": towards(70, 4), "PB1.vapour_pressure": towards(70, 4), "PC1.vapour_pressure": towards(70, 4),
			".feed_flow": fixed(0), ".condensate_level": towards(97, 4), "EV1.level": towards(5, 3), "EV2.level": towards(5, 5), "EV3.level": towards(8, 8)})
		pumps := m.alter
		m.alter = func(path string, v float64) float64 { return pumps(path, vac(path, v)) }
	}},
}

// counted is what one of them brought.
type counted struct {
	flooding
	ten, hour, active, lines int
	firstUp                  string
	hidden                   []string
	burst                    bool
}

// activeList is the list as the page of alarms orders it.
func (m *mill) activeList() (list []*alerting.Status) {
	for i := range m.Rules.Alarms() {
		if s := m.Alarms.Status(i); s.State != alerting.Normal && !s.State.Hidden() {
			list = append(list, &s)
		}
	}
	slices.SortStableFunc(list, func(a, b *alerting.Status) int {
		return cmp.Or(cmp.Compare(a.Spec.Priority, b.Spec.Priority), b.ActiveSince.Compare(a.ActiveSince), cmp.Compare(a.Name, b.Name))
	})
	return list
}

// However many alarms an upset brings, the operator can read the page: what came
// first is marked, what follows stands under it, and nothing urgent or high is
// hidden or folded away at any moment.
func TestFloods(t *testing.T) {
	var all []counted
	for _, f := range floodings {
		t.Run(f.name, func(t *testing.T) {
			m := newMill(t, 7, start, 3)
			m.settle(9 * time.Hour)
			at := m.now.Add(time.Second)
			m.seen, m.events = nil, nil
			if f.begin != nil {
				f.begin(m, at)
			}
			if f.upset != "" {
				if err := m.model.Start(f.upset); err != nil {
					t.Fatal(err)
				}
			}
			c := counted{flooding: f}
			also := m.each
			m.each = func() {
				if also != nil {
					also()
				}
				list := m.activeList()
				lines := alerting.Fold(list)
				c.active, c.lines = max(c.active, len(list)), max(c.lines, len(lines))
				for _, l := range lines {
					c.burst = c.burst || l.Burst
					for _, i := range l.Members {
						if p := list[i].Spec.Priority; p == plant.PriorityUrgent || p == plant.PriorityHigh {
							t.Errorf("%s is %s and folded away", list[i].Name, p)
						}
					}
				}
			}
			m.run(time.Hour, time.Second)
			if len(m.seen) == 0 {
				t.Fatal("nothing came")
			}
			c.firstUp = m.seen[0].Alarm
			var lines []string
			for _, e := range m.seen {
				if e.Time.Sub(at) <= 10*time.Minute {
					c.ten++
				}
				lines = append(lines, e.Time.Sub(at).Round(time.Second).String()+" "+e.Alarm+" "+e.Priority.String())
			}
			c.hour = len(m.seen)
			for _, e := range m.events {
				if e.Kind != plant.EventAlarm || e.Annunciated {
					continue
				}
				if e.Priority == plant.PriorityUrgent || e.Priority == plant.PriorityHigh {
					t.Errorf("%s is %s and was hidden", e.Alarm, e.Priority)
				}
				if !slices.Contains(c.hidden, e.Alarm) {
					c.hidden = append(c.hidden, e.Alarm)
				}
			}
			t.Logf("%d in ten minutes, %d in the hour, at most %d active in %d lines, burst %v, hidden %v\n%s", c.ten, c.hour, c.active, c.lines, c.burst, c.hidden, strings.Join(lines, "\n"))
			if c.firstUp != f.first {
				t.Errorf("first is %s, want %s", c.firstUp, f.first)
			}
			// When it is over, no burst of its own comes.
			m.alter, m.lost, m.each = nil, nil, nil
			if f.end != nil {
				f.end(m)
			}
			if f.upset != "" {
				if err := m.model.Clear(f.upset); err != nil {
					t.Fatal(err)
				}
			}
			m.seen = nil
			m.run(10*time.Minute, time.Second)
			if len(m.seen) > 10 {
				t.Errorf("%d alarms in the ten minutes after", len(m.seen))
			}
			all = append(all, c)
		})
	}
	section(t, "floods", floodTable(all))
}

func floodTable(all []counted) []byte {
	var b bytes.Buffer
	fmt.Fprint(&b, `## Floods

Measured by `+"`make detection`"+`: what the operator sees of upsets that strike many
instruments at once. It counts the hour from their beginning, and nobody acknowledges
anything. *Lines* is the most lines on the page of alarms at any second, with groups and
bursts folded. *Active* is the number of lines without folding. Nothing urgent or high was
hidden or folded away at any second.

| upset | calls in 10 min | in the hour | active | lines | first up | hidden as consequences |
| --- | --- | --- | --- | --- | --- | --- |
`)
	for _, c := range all {
		lines := fmt.Sprint(c.lines)
		if c.burst {
			lines += ", a burst folded"
		}
		fmt.Fprintf(&b, "| %s | %d | %d | %d | %s | %s | %s |\n", c.name, c.ten, c.hour, c.active, lines, c.firstUp, cmp.Or(strings.Join(c.hidden, ", "), "–"))
	}
	return b.Bytes()
}
