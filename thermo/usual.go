package thermo

import (
	"math"
	"slices"
	"time"

	"calandria/plant"
	"calandria/thermo/pan"
)

// bandSignals are the figures whose usual band for the present load is learned,
// by class. Levels and valves are left out: a controller holds them or moves them.
var bandSignals = map[plant.Class][]string{
	plant.ClassSet:       {"header_pressure", "steam_pressure", "steam_flow", "juice_temperature", "juice_brix", "syrup_brix", "syrup_temperature", "evaporation", "economy", "economy_measured"},
	plant.ClassBody:      {"vapour_pressure", "vapour_temperature", "chest_pressure", "chest_temperature", "juice_temperature", "brix", "brix_out", "evaporation"},
	plant.ClassCondenser: {"vapour_pressure", "vapour_temperature", "water_inlet_temperature", "water_outlet_temperature", "water_flow", "approach"},
	// Of continuous pans; those of batch pans go by the point of the strike.
	plant.ClassPan: {"vapour_pressure", "chest_pressure", "massecuite_temperature", "boiling_point_elevation", "massecuite_brix", "steam_flow", "seed_ratio"},
	plant.ClassCompartment: {"vapour_pressure", "massecuite_temperature", "boiling_point_elevation", "massecuite_brix", "mother_liquor_brix", "supersaturation", "crystal_content",
		"massecuite_conductivity", "feed_flow", "evaporation", "u"},
}

// Figures of the usual band, ours.
const (
	bandMemory  = 7 * 24 * time.Hour // of running: what is older counts for less and less
	bandKnown   = 12 * 60            // minutes of running before a band is given
	bandSigmas  = 3.0                // half the width of the band, in standard deviations of a minute's mean
	bandRunning = 0.5                // of the mean load: below it a set is run down, and nothing is learned or judged
	bandLate    = 3 * time.Minute    // a mean that is older says nothing
)

// usual is one figure against a load, the juice to its set or the vapour of its pans: a
// straight line with forgetting (exponentially weighted least squares), and how far
// minutes stray from it.
type usual struct {
	tag  plant.TagID
	load func(f *plant.Frame) (float64, bool) `state:"-"`

	n, x, y, xx, xy float64 // weighted sums of minutes
	stray           float64 // mean square of a minute's distance from the line

	sumX, sumY, count float64 // of the running minute
	minute            time.Time
	mean              float64 // of the last whole minute
	at                time.Time
}

// Band is where a figure usually lies at the present load, or at this point of a strike, in
// the tag's unit.
type Band struct {
	Low, High float64 // Low is -Inf where only too much is unusual
	Mean      float64 // of the last minute; of a pan, now
	Strike    bool    // by the point of the strike
}

// Departs says whether the last minute lies outside: -1 below, 1 above, 0 not.
func (b Band) Departs() int {
	switch {
	case b.Mean < b.Low:
		return -1
	case b.Mean > b.High:
		return 1
	}
	return 0
}

// Far is how far the last minute lies from the middle of the band, in halves of its width: 1
// is an edge. A band without a lower edge begins at nought.
func (b Band) Far() float64 {
	low := b.Low
	if math.IsInf(low, -1) {
		low = 0
	}
	return math.Abs(2*b.Mean-low-b.High) / (b.High - low)
}

// newUsuals lists what is learned of a house: figures of sets, of their bodies and
// of their condensers against the juice to the set, those of continuous pans and of the
// condensers of pans against the vapour of these.
func newUsuals(c *Calculator) (list []*usual) {
	add := func(e *plant.Equipment, of plant.TagID, load func(f *plant.Frame) (float64, bool)) {
		for _, name := range bandSignals[e.Class] {
			if id := e.Tag(name); id != plant.NoTag && id != of && c.house.Tags[id].Source != plant.Fixed {
				list = append(list, &usual{tag: id, load: load})
			}
		}
	}
	served := map[string]bool{}
	for _, set := range c.house.Of(plant.ClassSet) {
		juice := set.Tag("juice_in_flow")
		if juice == plant.NoTag {
			continue
		}
		load := func(f *plant.Frame) (float64, bool) { p := f.Point(juice); return p.Value, p.Usable() }
		add(set, juice, load)
		for _, b := range set.Parts {
			add(b, juice, load)
		}
		if e, ok := c.house.Equip(set.Set.Condenser); ok {
			served[e.Path] = true
			add(e, juice, load)
		}
	}
	for _, d := range c.conds {
		if len(d.pans) > 0 && !served[d.equip.Path] {
			add(d.equip, plant.NoTag, func(*plant.Frame) (float64, bool) { return d.vapourOfPans() })
		}
	}
	for _, p := range c.pans {
		if len(p.parts) > 0 {
			metered := p.metered()
			load := func(*plant.Frame) (float64, bool) { return p.vapour(metered) }
			for _, e := range append([]*plant.Equipment{p.equip}, p.equip.Parts...) {
				add(e, plant.NoTag, load)
			}
		}
	}
	return list
}

// vapourOfPans is what a condenser takes from its pans, t/h; where one has no meter of its
// steam, how many of them boil.
func (v *condenserView) vapourOfPans() (sum float64, ok bool) {
	metered := !slices.ContainsFunc(v.pans, func(p *panView) bool { return !p.metered() })
	for _, p := range v.pans {
		x, ok := p.vapour(metered)
		if !ok {
			return 0, false
		}
		sum += x
	}
	return sum, true
}

// metered reports whether a meter tells the steam of a pan, or of compartments.
func (v *panView) metered() bool {
	return v.equip.Tag("steam_flow") != plant.NoTag || slices.ContainsFunc(v.parts, (*panView).metered)
}

// vapour is what a pan gives, t/h; without a meter 1 while it boils.
func (v *panView) vapour(metered bool) (float64, bool) {
	switch {
	case v.idle || v.atRest():
		return 0, true
	case !metered:
		return 1, true
	}
	return v.evaporation.Value, v.evaporation.OK()
}

// step takes one scan; a minute that is over is learned.
func (u *usual) step(f *plant.Frame, at time.Time) {
	if m := at.Truncate(time.Minute); !m.Equal(u.minute) {
		u.close()
		u.minute = m
	}
	y := f.Point(u.tag)
	if x, ok := u.load(f); ok && y.Quality.IsGood() {
		u.sumX, u.sumY, u.count = u.sumX+x, u.sumY+y.Value, u.count+1
	}
}

func (u *usual) close() {
	if u.count == 0 {
		return
	}
	x, y := u.sumX/u.count, u.sumY/u.count
	u.sumX, u.sumY, u.count = 0, 0, 0
	u.mean, u.at = y, u.minute
	if u.n > 0 && x < bandRunning*u.x/u.n || x <= 0 {
		u.at = time.Time{}
		return
	}
	if u.n > 60 {
		// An upset pulls the line by no more than the edge of the band.
		want, edge := u.line(x), bandSigmas*math.Sqrt(u.stray)
		y = min(max(y, want-edge), want+edge)
		u.stray += (sq(y-want) - u.stray) / min(u.n, bandMemory.Minutes())
	} else if u.n > 1 {
		u.stray += (sq(y-u.line(x)) - u.stray) / u.n
	}
	keep := 1 - 1/bandMemory.Minutes()
	u.n, u.x, u.y, u.xx, u.xy = u.n*keep+1, u.x*keep+x, u.y*keep+y, u.xx*keep+x*x, u.xy*keep+x*y
}

func sq(x float64) float64 { return x * x }

// line is what the figure usually is at a load. A load that hardly moves has no
// slope: the mean then.
func (u *usual) line(x float64) float64 {
	mx, my := u.x/u.n, u.y/u.n
	spread := u.xx/u.n - mx*mx
	if spread < sq(0.005*mx) {
		return my
	}
	return my + (u.xy/u.n-mx*my)/spread*(x-mx)
}

// Usual gives the bands that are known and can be judged at a moment, by tag.
func (c *Calculator) Usual(f *plant.Frame, at time.Time) map[plant.TagID]Band {
	bands := map[plant.TagID]Band{}
	for _, u := range c.usuals {
		x, ok := u.load(f)
		if u.n < bandKnown || !ok || at.Sub(u.at) > bandLate || x < bandRunning*u.x/u.n {
			continue
		}
		// The instrument's own error is in the stray but for its steady part, which
		// the line has learned.
		want, half := u.line(x), bandSigmas*math.Sqrt(u.stray)
		half = max(half, 0.002*math.Abs(want))
		bands[u.tag] = Band{Low: want - half, High: want + half, Mean: u.mean}
	}
	for _, p := range c.pans {
		p.bands(bands)
	}
	return bands
}

// bands adds the bands of a batch pan, by what its strikes were at this point.
func (v *panView) bands(bands map[plant.TagID]Band) {
	if v.track == nil {
		return
	}
	x := v.track.Expected()
	add := func(name string, n pan.Norm, now float64, ok, most bool) {
		id := v.equip.Tag(name)
		if id == plant.NoTag || !n.Known() || !ok {
			return
		}
		b := Band{Low: n.Value - bandSigmas*n.Spread, High: n.Value + bandSigmas*n.Spread, Mean: now, Strike: true}
		if most {
			b.Low = math.Inf(-1)
		}
		bands[id] = b
	}
	add("supersaturation", x.S, v.supersaturation.Value, v.supersaturation.OK(), x.SeedS)
	warm := x.C
	warm.Value += v.cfg.ThermometerOffsetK
	add("massecuite_temperature", warm, v.temperature.Value, v.temperature.OK, false)
	add("vapour_pressure", x.KPa, v.pressure.Value, v.pressure.OK, false)
	add("massecuite_brix", x.Brix, v.massecuite.Value, v.massecuite.OK, false)
}
