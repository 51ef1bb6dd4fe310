package thermo

import (
	"cmp"
	"math"
	"slices"
	"time"

	"calandria/plant"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// FittedElevation is what the juice thermometers of a set say of one equation for the
// boiling-point elevation.
type FittedElevation struct {
	Set     string // path
	Bodies  int    // that have a juice thermometer and ran settled
	Model   liquor.BPEModel
	InUse   bool
	Factor  float64 // purity factor that fits best
	Sigma   float64 // one standard deviation of Factor
	LeftK   float64 // root mean square of what is left with it, K
	PlainK  float64 // and with the factor that is in use
	ChiSq   float64 // what is left, over the thermometers' standard deviations, squared and added
	Present float64 // the same with the factor that is in use
}

// boiled is what one body with a juice thermometer showed in its settled hours: sums.
type boiled struct {
	set                                         *plant.Equipment
	rise, brix, purity, boils, head, settled    plant.TagID
	juice, vapour                               plant.TagID // the instruments
	n, sumK, sumBrix, sumPurity, sumKPa, sumHed float64
	variance                                    float64 // of thermometer and vapour gauge, K2
}

// ElevationFit gathers what the juice thermometers of a house read in settled hours.
type ElevationFit struct {
	house  *plant.House
	bodies []*boiled
	newest time.Time
}

// NewElevationFit begins with nothing read.
func NewElevationFit(h *plant.House) *ElevationFit {
	x := &ElevationFit{house: h}
	for _, s := range h.Of(plant.ClassSet) {
		for _, b := range s.Parts {
			if b.Class == plant.ClassBody && b.Tag("juice_temperature") != plant.NoTag {
				x.bodies = append(x.bodies, &boiled{set: s, rise: b.Tag("boiling_point_elevation_measured"), brix: b.Tag("brix_out"), purity: s.Tag("juice_purity"), boils: b.Tag("vapour_saturation_temperature"),
					head: b.Tag("head_elevation"), settled: b.Tag("settled"), juice: b.Tag("juice_temperature"), vapour: b.Tag("vapour_pressure")})
			}
		}
	}
	return x
}

// See takes a frame; one each ten minutes counts.
func (x *ElevationFit) See(f *plant.Frame, at time.Time) {
	if at = at.Truncate(10 * time.Minute); at.After(x.newest) {
		x.newest = at
		for _, b := range x.bodies {
			b.see(x.house, f)
		}
	}
}

func (b *boiled) see(h *plant.House, f *plant.Frame) {
	read := func(id plant.TagID) (float64, bool) {
		if id == plant.NoTag {
			return math.NaN(), false
		}
		p := f.Point(id)
		return p.Value, p.Usable()
	}
	rise, ok1 := read(b.rise)
	brix, ok2 := read(b.brix)
	boils, ok3 := read(b.boils)
	settled, _ := read(b.settled)
	kPa, err := steam.Psat(steam.Celsius(boils))
	if !ok1 || !ok2 || !ok3 || settled != 1 || !(brix > 0) || err != nil {
		return
	}
	purity, ok := read(b.purity)
	if !ok {
		purity = b.set.Set.PurityPct
	}
	if head, ok := read(b.head); ok {
		b.sumHed += head
	}
	juice, _ := read(b.juice)
	b.variance = math.Pow(h.Tags[b.juice].Sigma(juice), 2)
	if vapour, ok := read(b.vapour); ok {
		if up, err := steam.Tsat(kPa + steam.KPa(h.Tags[b.vapour].Sigma(vapour))); err == nil {
			b.variance += math.Pow(float64(up)-boils, 2)
		}
	}
	b.n, b.sumK, b.sumBrix, b.sumPurity, b.sumKPa = b.n+1, b.sumK+rise, b.sumBrix+brix, b.sumPurity+purity, b.sumKPa+float64(kPa)
}

// Standard deviations of a measured elevation beside the thermometer's own, as the tests of
// the instruments take them: the pocket may stand under a part of the head.
const pocketK, pocketOfHead = 0.25, 0.3

// leastBoiled is how many settled hours a body is believed after.
const leastBoiled = 24

// Fit gives each equation of each set, the one that fits best first. A set with fewer than
// two such bodies has none: any equation fits one body.
func (x *ElevationFit) Fit() (out []FittedElevation) {
	bySet := map[*plant.Equipment][]*boiled{}
	var sets []*plant.Equipment
	for _, b := range x.bodies {
		if b.n < leastBoiled*6 {
			continue
		}
		if bySet[b.set] == nil {
			sets = append(sets, b.set)
		}
		bySet[b.set] = append(bySet[b.set], b)
	}
	for _, s := range sets {
		bodies := bySet[s]
		if len(bodies) < 2 {
			continue
		}
		var list []FittedElevation
		for _, m := range liquor.BPEModels() {
			if f, ok := fitElevation(m, bodies, s.Set.Properties.PurityFactor); ok {
				f.Set, f.InUse = s.Path, m == cmp.Or(liquor.BPEModel(s.Set.Properties.BoilingPoint), liquor.BPEModels()[0])
				list = append(list, f)
			}
		}
		slices.SortStableFunc(list, func(a, b FittedElevation) int { return cmp.Compare(a.ChiSq, b.ChiSq) })
		out = append(out, list...)
	}
	return out
}

// fitElevation fits the purity factor of one equation by weighted least squares:
// rise = base (1 + k (1 - purity/100)).
func fitElevation(m liquor.BPEModel, bodies []*boiled, present float64) (f FittedElevation, ok bool) {
	type pair struct{ base, lever, rise, w float64 }
	var pairs []pair
	var xx, xy float64
	for _, b := range bodies {
		purity := liquor.Purity(b.sumPurity / b.n)
		base, _, err := m.ElevationFlagged(liquor.Brix(b.sumBrix/b.n), purity, steam.KPa(b.sumKPa/b.n), 0)
		if err != nil {
			continue
		}
		p := pair{base: base, lever: base * (1 - float64(purity)/100), rise: b.sumK / b.n}
		p.w = 1 / (b.variance + pocketK*pocketK + math.Pow(pocketOfHead*b.sumHed/b.n, 2))
		xx, xy = xx+p.w*p.lever*p.lever, xy+p.w*p.lever*(p.rise-base)
		pairs = append(pairs, p)
	}
	if len(pairs) < 2 || xx == 0 {
		return f, false
	}
	f = FittedElevation{Bodies: len(pairs), Model: m, Factor: xy / xx, Sigma: 1 / math.Sqrt(xx)}
	left := func(k float64) (rms, chi float64) {
		for _, p := range pairs {
			d := p.rise - p.base - k*p.lever
			rms, chi = rms+d*d, chi+p.w*d*d
		}
		return math.Sqrt(rms / float64(len(pairs))), chi
	}
	f.LeftK, f.ChiSq = left(f.Factor)
	f.PlainK, f.Present = left(present)
	return f, true
}

// fitsAsWell is by how much a fit must be better, in chi-squared, before an equation is
// proposed in place of another: two standard deviations.
const fitsAsWell = 4

// ProposedElevation gives, of the fits of one set, the index of the one to change to, or -1
// where what is in use fits as well as any.
func ProposedElevation(fits []FittedElevation) int {
	in := slices.IndexFunc(fits, func(f FittedElevation) bool { return f.InUse })
	switch {
	case in < 0 || len(fits) == 0:
		return -1
	case fits[in].Present-fits[0].ChiSq < fitsAsWell:
		return -1
	case fits[in].ChiSq-fits[0].ChiSq < fitsAsWell: // the equation stays, its factor changes
		return in
	}
	return 0
}
