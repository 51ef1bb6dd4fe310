package simulator

import (
	"fmt"
	"strings"
	"time"
)

// Upset is a disturbance that can be started and cleared by name.
type Upset struct {
	Name  string // as the command line takes it
	Title string
	What  string // what is seen, and what it is easily taken for
	// Ramp is the time from nothing to the full effect, Recovery the time back
	// after it is cleared. Lasts is how long it stays before it clears itself; 0
	// means until cleared.
	Ramp, Recovery, Lasts time.Duration
}

// Places in the table of upsets.
const (
	upScaling5 = iota
	upScaling4
	upAirLeak
	upWaterLoss
	upSteamDip
	upBrixDrift
	upFlooding3
	upGas4
	upLowLevel2
	upEntrainment3
	upBleed2
	upPumpTrip
	upsetCount
)

// Upsets lists the upsets of the mill. The slice is the caller's.
func Upsets() []Upset {
	return []Upset{
		{"scaling-ev5", "Scaling of EV5", "U of EV5 falls over days, the pressures before it creep up, the steam pressure follows; the approach of the condenser moves only because less vapour comes at constant water: no air leak", 7 * 24 * time.Hour, 0, 0},
		{"scaling-ev4", "Scaling of EV4", "U of EV4 falls over days, EV3 rises, EV4 falls; gas in the calandria looks the same in the pressures but is quicker and shows at the chest thermometer", 7 * 24 * time.Hour, 0, 0},
		{"air-leak", "Air leak into the last vapour space", "pressure of EV5 up, approach far up, tail water cooler: no shortage of water and no scale", 5 * time.Minute, 5 * time.Minute, 0},
		{"water-loss", "Loss of condenser water", "tail water hotter, its rise up, approach as ever, pressure of EV5 up: no air leak", 90 * time.Second, 90 * time.Second, 0},
		{"steam-dip", "Dip of the exhaust pressure", "all pressures fall together, U stays, Brix falls some ten minutes later: no scale", 2 * time.Minute, 2 * time.Minute, 20 * time.Minute},
		{"brix-drift", "Syrup refractometer drifts up", "solids out exceed solids in, the laboratory disagrees, the pressures do not move; with the Brix loop closed the true Brix falls", 5 * 24 * time.Hour, 0, 0},
		{"flooding-ev3", "Condensate floods calandria 3", "U of EV3 falls within minutes, condensate pot high, drain sub-cooled: too quick for scale", 5 * time.Minute, 5 * time.Minute, 0},
		{"gas-ev4", "Incondensable gas in calandria 4", "U of EV4 falls over hours, chest thermometer under saturation, condensate pot normal", 3 * time.Hour, 10 * time.Minute, 0},
		{"low-level-ev2", "Low juice level in EV2", "level under 15 %, U of EV2 down, pressures after it fall: no scale", 2 * time.Minute, 3 * time.Minute, 0},
		{"entrainment-ev3", "Juice carried over from EV3", "conductivity of the condensate of calandria 4 in bursts; temperatures and pressures do not move", 5 * time.Second, 5 * time.Second, 0},
		{"bleed-ev2", "Bleed valve of vapour 2 stuck open", "pressure of EV2 down, steam up, economy down, heater outlet hot: no better evaporation", 20 * time.Second, 20 * time.Second, 0},
		{"pump-trip", "Vacuum pump of CD5 trips", "the pump reports that it stopped, the air that comes in anyway stays: pressure of EV5 and approach climb over minutes, all vapours before follow", 12 * time.Minute, 5 * time.Minute, 0},
	}
}

// CheckUpset is nil if there is an upset of that name; otherwise the error names
// those there are.
func CheckUpset(name string) error {
	_, err := upsetIndex(name)
	return err
}

// upsetState is how far an upset has come.
type upsetState struct {
	on       bool
	fraction float64 // 0 none, 1 full
	age      time.Duration
}

func upsetIndex(name string) (int, error) {
	var names []string
	for i, u := range Upsets() {
		if u.Name == name {
			return i, nil
		}
		names = append(names, u.Name)
	}
	return 0, fmt.Errorf("simulator: no upset %q; there are %s", name, strings.Join(names, ", "))
}

// Start begins an upset with its own course in time. Starting one that is
// active changes nothing. The error names the upsets there are.
func (m *Model) Start(name string) error {
	i, err := upsetIndex(name)
	if err == nil && !m.upsets[i].on {
		m.upsets[i].on, m.upsets[i].age = true, 0
	}
	return err
}

// StartFull begins an upset at its full extent, for tests and for showing the
// slow ones (scaling, drift, gas) at once.
func (m *Model) StartFull(name string) error {
	i, err := upsetIndex(name)
	if err == nil {
		m.upsets[i] = upsetState{on: true, fraction: 1}
	}
	return err
}

// Clear ends an upset; its effect goes with its own course in time. Scaling
// and drift end at once: the body was cleaned, the prism washed.
func (m *Model) Clear(name string) error {
	i, err := upsetIndex(name)
	if err == nil {
		m.upsets[i].on = false
	}
	return err
}

// Active lists the names of the upsets that have any effect.
func (m *Model) Active() []string {
	var names []string
	for i, u := range Upsets() {
		if m.upsets[i].on || m.upsets[i].fraction > 0 {
			names = append(names, u.Name)
		}
	}
	return names
}

func (m *Model) stepUpsets(dt time.Duration) {
	for i := range m.upsets {
		u := &m.upsets[i]
		if !u.on && u.fraction == 0 {
			continue
		}
		d := &m.upsetTable[i]
		if u.on {
			u.age += dt
			if d.Lasts > 0 && u.age > d.Lasts {
				u.on = false
			}
		}
		switch {
		case u.on && d.Ramp > 0:
			u.fraction = min(1, u.fraction+dt.Seconds()/d.Ramp.Seconds())
		case u.on:
			u.fraction = 1
		case d.Recovery > 0:
			u.fraction = max(0, u.fraction-dt.Seconds()/d.Recovery.Seconds())
		default:
			u.fraction = 0
		}
	}
}

// up is the fraction of an upset that is in effect.
func (m *Model) up(i int) float64 { return m.upsets[i].fraction }

// levelFactor is the part of a coefficient left at a juice level (% of the
// tube): best near a third, less with dry tubes or a high head. Choice of the
// simulator after common practice, no source.
func levelFactor(pct float64) float64 {
	x := []float64{0, 10, 20, 30, 40, 60, 100}
	y := []float64{0.40, 0.72, 0.90, 1, 1, 0.93, 0.85}
	for i := 1; i < len(x); i++ {
		if pct <= x[i] {
			f := (max(pct, 0) - x[i-1]) / (x[i] - x[i-1])
			return y[i-1] + f*(y[i]-y[i-1])
		}
	}
	return y[len(y)-1]
}
