package thermo

import (
	"math"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/condenser"
	"calandria/thermo/evaporator"
)

// Diagnosis of lost vacuum. Normal is configured, or learned: the slow mean
// of running in good order. Figures of ours.
const (
	vacuumEvery = 10 * time.Second
	nowTau      = time.Minute         // of what is compared
	learnFirst  = 2 * time.Hour       // of running before there is a normal
	learnTau    = 24 * time.Hour      // of the mean while the vacuum is normal
	learnSlow   = 20 * 24 * time.Hour // while it is not: seasons pass, faults are mended before
	learnWithin = 2.0                 // K of vapour temperature about normal
	workingKPa  = 45.0                // a condenser in good order is under this
	vacuumKPa   = 85.0                // above it there is no vacuum to speak of
	workingRise = 2.0                 // K: below it condenses next to nothing
	leastCause  = 0.05                // K: what a cause must explain to be counted
	worthSaying = 1.0                 // K: and to be spoken of
)

// slow is a mean of first order that starts as a plain one.
type slow struct {
	value, weight float64 // weight: seconds gathered
}

func (s *slow) step(x evaporator.Reading, dt, tau float64) {
	if !x.OK || dt <= 0 {
		return
	}
	if s.weight == 0 {
		s.value = x.Value
	}
	if s.weight += dt; s.weight < learnFirst.Seconds() || tau <= learnTau.Seconds() {
		tau = min(tau, s.weight)
	}
	s.value += (x.Value - s.value) * -math.Expm1(-dt/tau)
}

func (s *slow) reading() condenser.Reading {
	return condenser.Reading{Value: s.value, OK: s.weight > 0}
}

// running is what a condenser shows, as means.
type running struct{ pressure, in, out, gas, vapour, water slow }

func (r *running) step(v *condenserView, dt, tau float64) {
	r.pressure.step(v.pressure, dt, tau)
	r.in.step(v.tin, dt, tau)
	r.out.step(v.tout, dt, tau)
	r.gas.step(v.gas, dt, tau)
	r.vapour.step(v.vapour, dt, tau)
	r.water.step(v.water, dt, tau)
}

func (r *running) observation() condenser.Observation {
	return condenser.Observation{PressureKPa: r.pressure.reading(), InC: r.in.reading(), OutC: r.out.reading(),
		GasC: r.gas.reading(), VapourTH: r.vapour.reading(), WaterTH: r.water.reading()}
}

// vacuum is the state of the diagnosis of one condenser.
type vacuum struct {
	fixed      *condenser.Observation // configured normal
	now, usual running
	learned    time.Duration // of running in usual
	last       time.Time
	due        time.Time
	minute     time.Time // in which low and high of the tail water are gathered
	low, high  float64
	swing      condenser.Reading // of the minute before
	found      condenser.Diagnosis
	ok         bool       // found is of now
	why        words.Text // why not
	text       words.Text // the first finding, in words
	at         time.Time
}

func newVacuum(n *plant.NormalConfig) vacuum {
	v := vacuum{why: noNormal}
	if n != nil {
		read := func(x float64) condenser.Reading { return condenser.Reading{Value: x, OK: x > 0} }
		v.fixed = &condenser.Observation{PressureKPa: read(n.VapourPressureKPa), InC: read(n.WaterInletC), OutC: read(n.WaterOutletC),
			GasC: read(n.GasC), VapourTH: read(n.VapourTH), WaterTH: read(n.WaterTH)}
	}
	return v
}

// step follows the condenser; it allocates only when there is something to say.
func (u *vacuum) step(v *condenserView, at time.Time) {
	dt := at.Sub(u.last)
	if u.last.IsZero() || dt < 0 || dt > 10*time.Minute {
		dt = 0
		u.now = running{}
	}
	u.last = at
	u.tail(v.tout, at)
	switch {
	case v.resting:
		u.none(noVapour)
		return
	case !v.pressure.OK || !v.tin.OK || !v.tout.OK:
		u.none(vacuumNeeds)
		return
	case v.pressure.Value > vacuumKPa || v.tout.Value-v.tin.Value < workingRise:
		u.none(condenserIdle)
		return
	}
	u.now.step(v, dt.Seconds(), nowTau.Seconds())
	normal, known := u.normal()
	if u.fixed == nil && v.pressure.Value < workingKPa {
		tau := learnTau
		if known && u.ok && math.Abs(u.found.RiseK) > learnWithin {
			tau = learnSlow
		}
		u.usual.step(v, dt.Seconds(), tau.Seconds())
		u.learned += dt
	}
	if at.Before(u.due) && u.due.Sub(at) <= vacuumEvery && u.ok {
		return
	}
	u.due = at.Add(vacuumEvery)
	if !known {
		u.none(normalLearning)
		return
	}
	now := u.now.observation()
	now.SwingK, now.PumpStopped = u.swing, v.pump.OK && v.pump.Value < 0.5
	var err error
	if u.found, err = condenser.Diagnose(now, normal, leastCause); err != nil {
		u.none(words.Of(err))
		return
	}
	u.ok, u.why, u.at, u.text = true, "", at, ""
	if f := u.found.Findings; len(f) > 0 && (f[0].ExplainsK >= worthSaying && u.found.RiseK >= worthSaying || f[0].ExplainsK < 0) {
		u.text = sayFinding(&u.found, v.equip.Path)
	}
}

// none leaves nothing standing.
func (u *vacuum) none(why words.Text) {
	u.ok, u.why, u.text, u.found = false, why, "", condenser.Diagnosis{}
	u.now = running{}
}

// tail finds the swing of the tail water in a minute.
func (u *vacuum) tail(t evaporator.Reading, at time.Time) {
	if m := at.Truncate(time.Minute); !m.Equal(u.minute) {
		u.swing = condenser.Reading{Value: u.high - u.low, OK: u.high >= u.low && !u.minute.IsZero()}
		u.minute, u.low, u.high = m, math.Inf(1), math.Inf(-1)
	}
	if t.OK {
		u.low, u.high = min(u.low, t.Value), max(u.high, t.Value)
	}
}

func (u *vacuum) normal() (condenser.Observation, bool) {
	if u.fixed != nil {
		return *u.fixed, true
	}
	return u.usual.observation(), u.learned >= learnFirst
}

// sayFinding words the first finding.
func sayFinding(d *condenser.Diagnosis, of string) words.Text {
	f := &d.Findings[0]
	var ev []words.Text
	for _, e := range f.Evidence {
		ev = append(ev, words.Say(evidenceWords, e.What, e.Measure(e.Now, of), e.Measure(e.Normal, of)))
	}
	if f.Doubt != "" {
		ev = append(ev, f.Doubt)
	}
	share := words.Text(explainsPart)
	if f.ExplainsK > d.RiseK {
		share = explainsMore // more water or less vapour than usual takes a part of it back
	}
	inK := func(v float64) words.Measure { return words.Measure{Value: v, Unit: "K", Form: "%.1f"} }
	return words.Say(causeWords, f.Cause, words.Say(share, inK(f.ExplainsK), inK(d.RiseK)), words.Measure{Value: d.RiseKPa, Unit: "kPa", Form: "%.1f"}, words.Join(ev, "; "), f.CheckFirst)
}

// Vacuum is the diagnosis of one condenser. What it says is where to look
// first; work on vessels under vacuum follows the site's procedures.
type Vacuum struct {
	Condenser string // path
	At        time.Time
	Normal    condenser.Observation
	Learned   time.Duration // running that Normal was learned from; 0 if it is configured
	Diagnosis condenser.Diagnosis
	OK        bool
	Text      words.Text // the first finding in words, if it is worth saying
	Reason    words.Text // why there is no diagnosis
}

// Vacuum gives the diagnosis of every condenser, causes ranked by how many
// kelvin of the vapour temperature each explains.
func (c *Calculator) Vacuum() []Vacuum {
	var out []Vacuum
	for _, v := range c.conds {
		u := &v.vacuum
		x := Vacuum{Condenser: v.equip.Path, At: u.at, Diagnosis: u.found, OK: u.ok, Text: u.text, Reason: u.why}
		x.Normal, _ = u.normal()
		if u.fixed == nil {
			x.Learned = u.learned
		}
		out = append(out, x)
	}
	return out
}

// loss is the vapour temperature above normal.
func (v *condenserView) loss() evaporator.Result {
	if !v.vacuum.ok {
		return absent(v.vacuum.why)
	}
	r := value(v.vacuum.found.RiseK, 0)
	r.Reason.Text = v.vacuum.text
	return r
}

// cause is what one cause explains, 0 if nothing.
func (v *condenserView) cause(c condenser.Cause) evaporator.Result {
	if !v.vacuum.ok {
		return absent(v.vacuum.why)
	}
	r := value(0, 0)
	for i := range v.vacuum.found.Findings {
		if f := &v.vacuum.found.Findings[i]; f.Cause == c {
			r.Value = f.ExplainsK
			r.Reason.Text = f.Doubt
			if i == 0 && v.vacuum.text != "" {
				r.Reason.Text = v.vacuum.text
			}
		}
	}
	return r
}
