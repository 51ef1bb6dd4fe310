package thermo

import (
	"fmt"
	"math"
	"slices"
	"time"

	"calandria/plant"
	"calandria/thermo/evaporator"
	"calandria/thermo/fouling"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// normal knows where the normalised U of a body is quoted: as configured, or
// the medians of the hours 6 to 30 after its last cleaning.
type normal struct {
	ref            evaporator.Condition
	known          bool
	configured     bool
	levels         evaporator.LevelTable
	hour           time.Time // being gathered
	brix, chest, n float64
	cycle          time.Time // beginning of the cycle that the hours are of
	hours          [2][]float64
}

// settledFrom and settledTo bound the hours after a cleaning that stand for a
// clean body at full rate.
const settledFrom, settledTo, settledLeast = 6 * time.Hour, 30 * time.Hour, 6

func newNormal(b *plant.BodyConfig) *normal {
	n := &normal{}
	if b.ReferenceBrix > 0 && b.ReferenceChestC > 0 {
		n.ref = evaporator.Condition{Brix: liquor.Brix(b.ReferenceBrix), HeatingC: steam.Celsius(b.ReferenceChestC)}
		n.known, n.configured = true, true
	}
	switch {
	case len(b.LevelFactor) > 0:
		for _, p := range b.LevelFactor {
			n.levels = append(n.levels, evaporator.LevelPoint{LevelPct: p[0], Factor: p[1]})
		}
	case b.Kind == "robert":
		n.levels = evaporator.DefaultLevels()
	}
	return n
}

// learn gathers Brix and calandria temperature by the hour. started is the
// beginning of the running cycle, and cleaned whether that was a cleaning.
func (n *normal) learn(brix, chest evaporator.Result, started time.Time, cleaned bool, at time.Time) {
	if n.configured {
		return
	}
	if hour := at.Truncate(time.Hour); !hour.Equal(n.hour) {
		if n.n >= 5 && cleaned {
			n.observe(n.hour.Add(time.Hour), n.brix/n.n, n.chest/n.n, started)
		}
		n.hour, n.brix, n.chest, n.n = hour, 0, 0, 0
	}
	if brix.OK() && chest.OK() {
		n.brix += brix.Value
		n.chest += chest.Value
		n.n++
	}
}

// observe takes the means of an hour that ended at the time end.
func (n *normal) observe(end time.Time, brix, chest float64, started time.Time) {
	if !started.Equal(n.cycle) {
		n.cycle = started
		n.hours[0], n.hours[1] = n.hours[0][:0], n.hours[1][:0]
	}
	if age := end.Sub(started); age < settledFrom || age > settledTo {
		return
	}
	n.hours[0], n.hours[1] = append(n.hours[0], brix), append(n.hours[1], chest)
	if len(n.hours[0]) >= settledLeast {
		n.ref = evaporator.Condition{Brix: liquor.Brix(median(n.hours[0])), HeatingC: steam.Celsius(median(n.hours[1]))}
		n.known = true
	}
}

func median(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	return s[len(s)/2]
}

// coefficients works out U in its forms for this moment.
func (v *bodyView) coefficients(at time.Time) {
	started, cleaned := v.scaling.track.Started()
	if v.rest.state == isSettled {
		v.normal.learn(v.b.BrixOut, v.b.ChestC, started, cleaned, at)
	}
	v.u, v.uApparent = v.b.U, v.b.UApparent
	if dt, least := v.b.DTK, *v.equip.Body.MinDifferenceK; v.u.OK() && dt.OK() && dt.Value < least {
		if v.small == "" {
			v.small = fmt.Sprintf("the temperature difference is below %g K: U would be little but the error of its instruments", least)
		}
		v.u = absent(v.small)
		v.uApparent = v.u
	}
	if v.rest.state == upset && v.u.OK() {
		v.u = absent(v.rest.text)
		v.uApparent = v.u
	}
	v.uNormal = v.normalised()
	v.uClean = v.clean()
}

// normalised is U at the reference.
func (v *bodyView) normalised() evaporator.Result {
	n := v.normal
	switch {
	case !v.u.OK():
		return v.u
	case !n.known:
		return absent("no reference yet: give reference_brix and reference_chest_c, or it is learned in hours 6 to 30 after a cleaning")
	case !v.b.BrixOut.OK():
		return v.b.BrixOut
	case !v.b.ChestC.OK():
		return v.b.ChestC
	}
	factor := 1.0
	if v.m.LevelPct.OK {
		factor = n.levels.At(v.m.LevelPct.Value)
	}
	here := evaporator.Condition{Brix: liquor.Brix(v.b.BrixOut.Value), HeatingC: steam.Celsius(v.b.ChestC.Value)}
	ref := n.ref
	if v.b.DTK.OK() { // the same difference at the reference
		here.JuiceC, ref.JuiceC = here.HeatingC-steam.Celsius(v.b.DTK.Value), ref.HeatingC-steam.Celsius(v.b.DTK.Value)
	}
	u, err := evaporator.Normalise(v.u.Value, v.formula(), here, ref, factor)
	if err != nil {
		return absent(err.Error())
	}
	r := v.u
	r.Value, r.Sigma = u, v.u.Sigma*u/v.u.Value
	return r
}

// trended is the U that is followed for scale: normalised where the site has
// said what for.
func (v *bodyView) trended() evaporator.Result {
	if v.normal.configured {
		return v.uNormal
	}
	return v.u
}

// clean is U of the clean body: the site's record, else what was learned after
// cleanings, else the formula of the set.
func (v *bodyView) clean() evaporator.Result {
	if u := v.equip.Body.CleanUWM2K; u > 0 {
		return value(u/1000, 0)
	}
	if u, ok := v.learnedClean(); ok {
		r := value(u, 0.03*u) // cleanings leave it alike within about 3 %: a figure of ours
		r.Reason.Text = "learned in hours 6 to 30 after cleanings"
		return r
	}
	brix, chest := v.b.BrixOut, v.b.ChestC
	if v.normal.configured {
		brix, chest = value(float64(v.normal.ref.Brix), 0), value(float64(v.normal.ref.HeatingC), 0)
	}
	if !brix.OK() || !chest.OK() {
		return absent("no clean_u_w_m2k in the configuration, no cleaning seen, and no Brix or calandria temperature for a formula")
	}
	return v.byFormula(brix, chest)
}

// learnedClean is the median over the cycles that began with a cleaning.
func (v *bodyView) learnedClean() (float64, bool) {
	t := v.scaling.track
	// CleanU sorts the cycles: once an hour is often enough.
	if v.learnedAt.Equal(v.scaling.hour) && !v.learnedAt.IsZero() {
		return v.learned, v.learned > 0
	}
	v.learnedAt, v.learned = v.scaling.hour, 0
	if _, cleaned := t.Started(); cleaned {
		v.learned = t.CleanU()
	}
	return v.learned, v.learned > 0
}

// against is a U with the clean one beside it, or the reason why not.
func (v *bodyView) against() (u evaporator.Result, ok bool) {
	u = v.trended()
	switch {
	case !u.OK():
		return u, false
	case !v.uClean.OK():
		return v.uClean, false
	case u.Value <= 0:
		return absent("U is not positive"), false
	}
	if v.uClean.How == evaporator.Assumed {
		u.How, u.Reason = v.uClean.How, v.uClean.Reason
	}
	return u, true
}

func (v *bodyView) ratio() evaporator.Result {
	u, ok := v.against()
	if !ok {
		return u
	}
	r := u
	r.Value /= v.uClean.Value
	r.Sigma = r.Value * math.Hypot(u.Sigma/u.Value, v.uClean.Sigma/v.uClean.Value)
	return r
}

func (v *bodyView) scale() evaporator.Result {
	u, ok := v.against()
	if !ok {
		return u
	}
	r := u
	var err error
	if r.Value, err = fouling.Resistance(u.Value, v.uClean.Value); err != nil {
		return absent(err.Error())
	}
	r.Sigma = math.Hypot(u.Sigma/(u.Value*u.Value), v.uClean.Sigma/(v.uClean.Value*v.uClean.Value))
	return r
}

// ScaleTag is the path of the quantity that the scale of a body is followed by:
// its U, or normalised U where a reference is configured; "" for no body.
func (c *Calculator) ScaleTag(body string) string {
	for _, s := range c.sets {
		for _, b := range s.bodies {
			if b.equip.Path == body {
				if b.normal.configured {
					return body + ".u_normalised"
				}
				return body + ".u"
			}
		}
	}
	return ""
}

// ReferenceWindow bounds the hours after the last cleaning of a body that its
// reference is learned from; zero times if it is configured or there was none.
func (c *Calculator) ReferenceWindow(body string) (from, to time.Time) {
	for _, s := range c.sets {
		for _, b := range s.bodies {
			started, cleaned := b.scaling.track.Started()
			if b.equip.Path == body && cleaned && !b.normal.configured {
				return started.Add(settledFrom), started.Add(settledTo)
			}
		}
	}
	return from, to
}

// ObserveReference gives a body the means of Brix leaving and calandria
// temperature, degC, of an hour that ended at the time end, in the order of time:
// for a start on an archive that knows the past.
func (c *Calculator) ObserveReference(body string, end time.Time, brix, chestC float64) {
	for _, s := range c.sets {
		for _, b := range s.bodies {
			if started, cleaned := b.scaling.track.Started(); b.equip.Path == body && cleaned && !b.normal.configured {
				b.normal.observe(end, brix, chestC, started)
			}
		}
	}
}
