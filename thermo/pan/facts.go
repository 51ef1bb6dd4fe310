package pan

import (
	"time"

	"calandria/thermo/steam"
)

// tri is a fact that may be unknown.
type tri int8

const (
	unknown tri = iota
	no
	yes
)

func known(b bool) tri {
	if b {
		return yes
	}
	return no
}

// facts are what the readings say at one moment.
type facts struct {
	vac, steam, feed, discharge, hot, seed tri
	level                                  Reading // mean of the last 30 s
	inputs                                 Inputs
	offsetK                                float64 // of the thermometer, as learned; 0 without
}

const levelMean = 30 * time.Second

// plausible takes out what no instrument of a pan reads.
func (in *Inputs) plausible() {
	for _, x := range []struct {
		r        *Reading
		low, top float64
	}{
		{&in.PressureKPa, 1, 200}, {&in.MassecuiteC, 0, 150}, {&in.LevelPct, -20, 150}, {&in.SteamValvePct, -10, 110},
		{&in.SteamTH, -5, 500}, {&in.ChestKPa, 1, 1000}, {&in.FeedValvePct, -10, 110}, {&in.FeedTH, -20, 1000},
		{&in.DischargePct, -10, 110}, {&in.SeedPct, -10, 110}, {&in.MassecuiteBrix, 0, 100}, {&in.ConsistencyPct, -20, 200},
		{&in.LiquorPurityPct, 1, 100}, {&in.LiquorBrix, 0, 96}, {&in.FeedBrix, 0, 96}, {&in.MassecuitePurityPct, 1, 100},
	} {
		*x.r = x.r.checked(x.low, x.top)
	}
}

// steam is its flow, or else the opening of its valve.
func (in *Inputs) steam() Reading {
	if in.SteamTH.OK {
		return in.SteamTH
	}
	return in.SteamValvePct
}

func (t *Tracker) facts(at time.Time, in Inputs) facts {
	in.plausible()
	l := &t.d.Limits
	f := facts{inputs: in, offsetK: t.offset.Value}
	if in.PressureKPa.OK {
		switch p := in.PressureKPa.Value; {
		case p < l[VacuumBelow]:
			t.vac = yes
		case p > l[VacuumBroken]:
			t.vac = no
		case t.vac == unknown:
			t.vac = no
		}
		f.vac = t.vac
	}
	flows := func(valve, flow Reading, least float64) tri {
		if !valve.OK && !flow.OK {
			return unknown
		}
		return known(valve.OK && valve.Value > l[ValveOpen] || flow.OK && flow.Value > least)
	}
	f.steam = flows(in.SteamValvePct, in.SteamTH, t.d.least(SteamLeast))
	f.feed = flows(in.FeedValvePct, in.FeedTH, t.d.least(FeedLeast))
	f.discharge = flows(in.DischargePct, Reading{}, 0)
	if in.SeedPct.OK {
		f.seed = known(in.SeedPct.Value > l[SeedOn])
	}
	if in.MassecuiteC.OK {
		f.hot = known(in.MassecuiteC.Value > l[MassecuiteHot])
	}
	t.meanLevel(at, in.LevelPct)
	f.level = t.recent(at, levelMean)
	return f
}

// elevation of the massecuite over boiling water, K, the learned offset taken off.
func (f *facts) elevation() Reading {
	e := elevation(f.inputs.MassecuiteC, f.inputs.PressureKPa)
	e.Value -= f.offsetK
	return e
}

func elevation(massecuiteC, pressureKPa Reading) Reading {
	if !massecuiteC.OK || !pressureKPa.OK {
		return Reading{}
	}
	ts, err := steam.Tsat(steam.KPa(pressureKPa.Value))
	return Reading{massecuiteC.Value - float64(ts), err == nil}
}

// levelPoint is a mean level of ten seconds.
type levelPoint struct {
	at time.Time
	v  float64
}

// meanLevel gathers the level into means of ten seconds: it sloshes.
func (t *Tracker) meanLevel(at time.Time, l Reading) {
	if l.OK {
		if t.n == 0 {
			t.begin = at
		}
		t.sum += l.Value
		t.n++
	}
	if t.n > 0 && (at.Sub(t.begin) >= bucket || at.Before(t.begin)) {
		t.levels = append(t.levels, levelPoint{t.begin.Add(at.Sub(t.begin) / 2), t.sum / float64(t.n)})
		t.sum, t.n = 0, 0
		cut := 0
		for cut < len(t.levels) && at.Sub(t.levels[cut].at) > history {
			cut++
		}
		if cut > len(t.levels)/2 {
			t.levels = append(t.levels[:0], t.levels[cut:]...)
		}
	}
}

func (t *Tracker) recent(at time.Time, window time.Duration) Reading {
	var s float64
	n := 0
	for i := len(t.levels) - 1; i >= 0 && at.Sub(t.levels[i].at) <= max(window, 2*bucket); i-- {
		s += t.levels[i].v
		n++
	}
	if t.n > 0 {
		s += t.sum / float64(t.n)
		n++
	}
	if n == 0 {
		// Slow scans: the last mean serves for two minutes.
		if k := len(t.levels); k > 0 && at.Sub(t.levels[k-1].at) < 2*time.Minute {
			return Use(t.levels[k-1].v)
		}
		return Reading{}
	}
	return Use(s / float64(n))
}

// slope of the level over the window, %/min, and false without enough of it.
func (t *Tracker) slope(at time.Time, window time.Duration) (float64, bool) {
	var n, sx, sy, sxx, sxy float64
	first := time.Duration(0)
	for i := len(t.levels) - 1; i >= 0; i-- {
		age := at.Sub(t.levels[i].at)
		if age > window {
			break
		}
		x := -age.Minutes()
		y := t.levels[i].v
		n++
		sx += x
		sy += y
		sxx += x * x
		sxy += x * y
		first = age
	}
	if n < 4 || first < window*6/10 {
		return 0, false
	}
	den := n*sxx - sx*sx
	if !(den > 1e-9) {
		return 0, false
	}
	return (n*sxy - sx*sy) / den, true
}
