package engine

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/steam"
)

// stillReadings is how many readings tell that a value stands still: ours.
const stillReadings = 20

// sight is a measured tag with its readings; value is the median in the tag's
// unit, as the plant file or an already found mend reads it.
type sight struct {
	t          *plant.Tag
	r          plant.Reading
	raw, value float64
	moves      bool
	named      bool // a finding names it: no other check leans on it, unless mended
}

type bindings struct {
	h     *plant.House
	by    map[plant.TagID]*sight
	all   []*sight
	found plant.Faults
	later []func() // what is named unless the comparison with others explains it
}

// Bindings compares the signals of a house with what a server says of them and
// with one another: order of the temperature ladder, Brix that rises from body
// to body, flows that close, set points and doubled nodes. Margins are ours and
// wide: an instrument within its accuracy gives no finding. What belongs to a
// set that is cold is not compared. It returns the signals that read as if another
// instrument, unit or reference were behind them, in the order of the plant file, and
// the names of sets that were cold.
func Bindings(h *plant.House, readings []plant.Reading) (found plant.Faults, cold []string) {
	b := &bindings{h: h, by: map[plant.TagID]*sight{}}
	for _, r := range readings {
		t := &h.Tags[r.Tag]
		s := &sight{t: t, r: r, raw: math.NaN(), value: math.NaN()}
		usable := slices.DeleteFunc(slices.Clone(r.Raw), math.IsNaN)
		if len(usable) > 0 {
			s.moves = slices.Max(usable) > slices.Min(usable)
			slices.Sort(usable)
			s.raw = usable[len(usable)/2]
			s.value = s.raw*t.Scale + t.Offset
		}
		b.by[t.ID], b.all = s, append(b.all, s)
	}
	b.doubled()
	for _, s := range b.all {
		b.unit(s)
		b.normalRange(s)
		b.setPoint(s)
		b.plausible(s)
	}
	b.still()
	for _, e := range h.Of(plant.ClassSet) {
		if b.isCold(e) {
			cold = append(cold, e.Path)
			continue
		}
		b.set(e)
	}
	for _, e := range h.Of(plant.ClassCondenser) {
		b.condenser(e)
	}
	for _, e := range h.Of(plant.ClassPan) {
		b.saturated(b.at(e, "vapour_pressure"), b.at(e, "vapour_temperature"), -3, 12)
		b.saturated(b.at(e, "vapour_pressure"), b.at(e, "massecuite_temperature"), -3, 35)
	}
	for _, f := range b.later {
		f()
	}
	slices.SortStableFunc(b.found, func(x, y plant.Fault) int { return x.Line - y.Line })
	return b.found, cold
}

// BoundTwice finds nodes that two signals read: that needs no server.
func BoundTwice(h *plant.House) plant.Faults {
	var bare []plant.Reading
	for t := range h.Measured() {
		bare = append(bare, plant.Reading{Tag: t.ID, Low: math.NaN(), High: math.NaN()})
	}
	found, _ := Bindings(h, bare)
	return found
}

func (b *bindings) name(s *sight, problem, evidence, fix string) {
	s.named = true
	b.found = append(b.found, plant.Fault{File: s.t.File, Line: s.t.Line, Field: s.t.Path, Problem: words.Verbatim(problem + ": " + evidence), Fix: words.Verbatim(fix)})
}

// at is a signal of a piece of equipment that read something no finding spoils.
func (b *bindings) at(e *plant.Equipment, name string) *sight {
	s := b.by[e.Tag(name)]
	if s == nil || s.named || math.IsNaN(s.value) {
		return nil
	}
	return s
}

func (s *sight) String() string { return fmt.Sprintf("%s %.4g %s", s.t.Path, s.value, s.t.Unit) }

// mend is another way to read a tag.
type mend struct {
	value float64
	fix   string
}

// mends are the other units and references a reading may have, likeliest first.
func (b *bindings) mends(s *sight) (list []mend) {
	d := s.t.Dimension
	if d == plant.Pressure {
		for _, ref := range []plant.Reference{plant.Gauge, plant.Vacuum, plant.Absolute} {
			if ref != s.t.Reference {
				kPa := s.t.Reference.FromAbsolute(s.value, b.h.Config.Site.BarometerKPa)
				list = append(list, mend{ref.ToAbsolute(kPa, b.h.Config.Site.BarometerKPa), fmt.Sprintf("write reference: %s", ref)})
			}
		}
	}
	for _, u := range plant.UnitsOf(d) {
		if _, _, known := plant.ReadUnit(s.r.Unit); known {
			break // the server says it
		}
		v, err := plant.ToCanonical(d, u, s.raw)
		if err != nil || u == "fraction" {
			continue
		}
		refs := []plant.Reference{""}
		if d == plant.Pressure {
			refs = []plant.Reference{s.t.Reference, plant.Absolute, plant.Gauge, plant.Vacuum}
		}
		for _, ref := range refs {
			fix := fmt.Sprintf("write unit: %s", u)
			if ref != s.t.Reference {
				fix += fmt.Sprintf(" and reference: %s", ref)
			}
			if x := ref.ToAbsolute(v, b.h.Config.Site.BarometerKPa); x != s.value {
				list = append(list, mend{x, fix})
			}
		}
	}
	return slices.DeleteFunc(list, func(m mend) bool { lo, hi := UsualRange(s.t.Name, s.t.Dimension); return m.value < lo || m.value > hi })
}

// accept names a signal with its mend, and goes on with the mended value.
func (b *bindings) accept(s *sight, m mend, problem, evidence string) {
	b.name(s, problem, evidence, fmt.Sprintf("%s: it is then %.4g %s", m.fix, m.value, s.t.Unit))
	s.value, s.named = m.value, false
}

// doubled finds nodes that two signals read, and two nodes that read the same.
func (b *bindings) doubled() {
	for i, s := range b.all {
		for _, o := range b.all[:i] {
			if o.named || s.named || oneVapour(o.t, s.t) {
				continue
			}
			switch {
			case o.t.Server == s.t.Server && o.t.Node == s.t.Node:
				b.name(s, "the node is bound twice", fmt.Sprintf("%s reads it too, at line %d", o.t.Path, o.t.Line), "name the node of this signal, or delete the line")
			case s.moves && len(s.r.Raw) >= stillReadings && slices.Equal(o.r.Raw, s.r.Raw):
				b.name(s, "the node repeats another node", fmt.Sprintf("all %d readings equal those of %s at line %d", len(s.r.Raw), o.t.Path, o.t.Line), "name the node of this signal's own instrument")
			}
		}
	}
}

// oneVapour reports whether one instrument may serve both signals: a condenser
// and the vessel over it, a chest and the vapour space that feeds it.
func oneVapour(x, y *plant.Tag) bool {
	if x.Dimension != y.Dimension || x.Owner == y.Owner {
		return false
	}
	chest := func(t *plant.Tag) bool { return strings.HasPrefix(t.Name, "chest_") }
	source := func(t *plant.Tag) bool {
		return strings.HasPrefix(t.Name, "vapour_") || strings.HasPrefix(t.Name, "steam_")
	}
	return x.Class != y.Class && x.Name == y.Name || chest(x) && source(y) || chest(y) && source(x)
}

// unit compares the unit of the plant file with the server's own.
func (b *bindings) unit(s *sight) {
	u, ref, known := plant.ReadUnit(s.r.Unit)
	if !known || s.named || s.t.Dimension == plant.AnyDimension || s.t.Dimension == plant.State {
		return
	}
	says := fmt.Sprintf("the server states %q", s.r.Unit)
	scale, offset, err := plant.CanonicalFactor(s.t.Dimension, u)
	if err != nil {
		b.name(s, "the server's unit is none of "+string(s.t.Dimension), says, "name the node of an instrument that measures this, or another signal for this node")
		return
	}
	v := s.raw*scale + offset
	ref = cmp.Or(ref, s.t.Reference)
	if s.t.Dimension == plant.Pressure {
		v = ref.ToAbsolute(v, b.h.Config.Site.BarometerKPa)
	}
	sameRef := ref == s.t.Reference || ref == plant.Absolute && s.t.Reference == ""
	if sameRef && (!unscaled(s.t) || math.Abs(math.Abs(s.t.Scale)-scale) <= 1e-3*scale) {
		return
	}
	fix := fmt.Sprintf("write unit: %s", u)
	if !sameRef {
		fix += fmt.Sprintf(" and reference: %s", ref)
	}
	b.accept(s, mend{v, fix}, "the unit is not the server's own", says)
}

// unscaled reports whether a tag is read in a unit that has a name, without a
// factor of the site's own.
func unscaled(t *plant.Tag) bool {
	return slices.ContainsFunc(plant.UnitsOf(t.Dimension), func(u string) bool {
		scale, _, _ := plant.CanonicalFactor(t.Dimension, u)
		return math.Abs(math.Abs(t.Scale)-scale) <= 1e-9*scale
	})
}

// normalRange compares with the server's normal range.
func (b *bindings) normalRange(s *sight) {
	if math.IsNaN(s.r.Low) || math.IsNaN(s.r.High) || s.named || s.r.Low >= s.r.High {
		return
	}
	lo, hi := s.r.Low*s.t.Scale+s.t.Offset, s.r.High*s.t.Scale+s.t.Offset
	lo, hi = min(lo, hi), max(lo, hi)
	says := fmt.Sprintf("the server's normal range is %g to %g %s", s.r.Low, s.r.High, s.r.Unit)
	// A vacuum gauge to 760 mm has less than nothing at its end wherever the house is high up.
	if s.t.Dimension == plant.Pressure && lo < -0.5 && s.t.Reference != plant.Vacuum {
		for _, m := range b.mends(s) {
			if strings.HasPrefix(m.fix, "write reference: gauge") {
				b.accept(s, m, "an absolute pressure is never below zero", says)
				return
			}
		}
	}
	if span := s.t.High - s.t.Low; span > 0 && (hi-lo > 3*span || span > 3*(hi-lo) || lo > s.t.High || hi < s.t.Low) {
		b.name(s, fmt.Sprintf("the range %.4g to %.4g %s is not the server's", s.t.Low, s.t.High, s.t.Unit), says, "correct range: or unit:")
	}
}

var setPointWords = []string{"setpoint", "sp", "spt", "consigna", "sollwert", "reference", "target"}

// SetPoint reports whether a server's names of a node say that it is a set point.
func SetPoint(names string) bool {
	words := strings.FieldsFunc(strings.ToLower(strings.NewReplacer("SetPoint", "setpoint", "set point", "setpoint").Replace(names)),
		func(r rune) bool { return !(r >= 'a' && r <= 'z') })
	return slices.ContainsFunc(words, func(w string) bool { return slices.Contains(setPointWords, w) })
}

// setPoint finds nodes that the server calls a set point.
func (b *bindings) setPoint(s *sight) {
	if s.named || !SetPoint(s.r.Title) {
		return
	}
	still := ""
	if !s.moves && len(s.r.Raw) >= stillReadings {
		still = fmt.Sprintf(", and %d readings are alike", len(s.r.Raw))
	}
	b.name(s, "the node is a set point by its name", fmt.Sprintf("the server calls it %q%s", s.r.Title, still), "name the node of the measured value")
}

// still finds signals that stand still to the last digit while most others move.
func (b *bindings) still() {
	measures := func(s *sight) bool {
		return len(s.r.Raw) >= stillReadings && !math.IsNaN(s.raw) && s.raw != 0 && s.t.Dimension != plant.State && s.t.Dimension != plant.Percent && s.t.Dimension != plant.AnyDimension
	}
	moving, of := 0, 0
	for _, s := range b.all {
		if measures(s) {
			of++
			if s.moves {
				moving++
			}
		}
	}
	for _, s := range b.all {
		if measures(s) && !s.moves && !s.named && 3*moving > 2*of {
			b.name(s, "the value stands still", fmt.Sprintf("%d readings of %g are alike to the last digit, while %d of %d signals moved", len(s.r.Raw), s.raw, moving, of),
				"it may be a set point, a frozen instrument or a laboratory value: name the node of the measured value")
		}
	}
}

// usualRange is what a signal reads in a house that runs. The figures are
// common practice, no source, and wide.
var usualRange = map[string][2]float64{
	"steam_pressure": {70, 500}, "steam_temperature": {85, 200}, "header_pressure": {90, 4500}, "chest_pressure": {8, 500}, "chest_temperature": {40, 200},
	"vapour_pressure": {3, 350}, "vapour_temperature": {25, 150}, "juice_temperature": {35, 150}, "syrup_temperature": {30, 120},
	"juice_brix": {4, 40}, "syrup_brix": {30, 85}, "brix": {4, 85}, "feed_brix": {30, 92}, "massecuite_brix": {50, 99}, "liquor_brix": {50, 95},
	"massecuite_temperature": {30, 110}, "water_inlet_temperature": {1, 60}, "water_outlet_temperature": {5, 75}, "gas_temperature": {1, 80},
	"inlet_temperature": {5, 130}, "outlet_temperature": {15, 140}, "water_pressure": {90, 1500}, "condensate_temperature": {30, 180},
	"juice_purity": {50, 100}, "liquor_purity": {20, 100}, "massecuite_purity": {20, 100},
}

// UsualRange is what a signal reads in a house that runs, in its canonical unit;
// it is wide.
func UsualRange(signal string, d plant.Dimension) (lo, hi float64) {
	if r, ok := usualRange[signal]; ok {
		return r[0], r[1]
	}
	switch d {
	case plant.Level, plant.Percent:
		return -5, 130
	case plant.BrixDim:
		return 0, 100
	case plant.MassFlow, plant.VolumeFlow:
		return -5, 3000
	case plant.Pressure:
		return 0.5, 10000
	}
	return math.Inf(-1), math.Inf(1)
}

// plausible compares with what a running house reads.
func (b *bindings) plausible(s *sight) {
	lo, hi := UsualRange(s.t.Name, s.t.Dimension)
	if math.IsNaN(s.value) || s.named {
		return
	}
	d := s.t.Dimension
	says := fmt.Sprintf("it reads %.4g, taken as %.4g %s", s.raw, s.value, s.t.Unit)
	if fraction := d == plant.Level || d == plant.BrixDim || d == plant.Percent; fraction && s.moves && len(s.r.Raw) >= stillReadings && s.value > 0 && slices.Max(s.r.Raw) <= 1 {
		for _, m := range b.mends(s) {
			b.accept(s, m, "the reading is a fraction, not a percentage", says)
			return
		}
	}
	if s.value >= lo && s.value <= hi {
		return
	}
	problem := fmt.Sprintf("%.4g to %.4g %s is usual for a running house", lo, hi, s.t.Unit)
	if d == plant.Temperature && s.value < hi { // cold, not wrong
		return
	}
	if ms := b.mends(s); len(ms) > 0 {
		b.accept(s, ms[0], problem, says)
		return
	}
	b.later = append(b.later, func() {
		if !s.named {
			b.name(s, problem, says, "check the node, unit: and reference:")
		}
	})
}

// isCold says that nothing in a set is as hot as boiling juice.
func (b *bindings) isCold(set *plant.Equipment) bool {
	hottest := math.NaN()
	look := func(e *plant.Equipment) {
		for _, n := range []string{"steam_temperature", "juice_temperature", "vapour_temperature", "chest_temperature"} {
			if s := b.at(e, n); s != nil && !(s.value <= hottest) {
				hottest = s.value
			}
		}
	}
	look(set)
	for _, e := range set.Parts {
		look(e)
	}
	return hottest < 70
}

func kelvin(p *sight) float64 {
	t, err := steam.Tsat(steam.KPa(p.value))
	if err != nil {
		return math.NaN()
	}
	return float64(t)
}

// saturated compares a pressure with a temperature of the same place, which may
// lie from low to high K over saturation.
func (b *bindings) saturated(p, t *sight, low, high float64) {
	if p == nil || t == nil {
		return
	}
	over := t.value - kelvin(p)
	if over >= low && over <= high {
		return
	}
	says := fmt.Sprintf("%s boils at %.1f degC, and %s", p, kelvin(p), t)
	kept, best := p.value, mend{}
	for _, m := range b.mends(p) {
		p.value = m.value
		if o := t.value - kelvin(p); o >= low && o <= high && best.fix == "" {
			best = m
		}
	}
	p.value = kept
	if best.fix != "" {
		b.accept(p, best, "pressure and temperature of one vapour do not agree", says)
		return
	}
	for _, m := range b.mends(t) {
		if o := m.value - kelvin(p); o >= low && o <= high {
			b.accept(t, m, "pressure and temperature of one vapour do not agree", says)
			return
		}
	}
	b.name(p, "pressure and temperature of one vapour do not agree", says, "one of the two is another instrument's: compare the nodes of both")
	t.named = true
}

// falling compares signals that fall from rung to rung, by at least step each;
// signals of one rung are not compared. what says what falls.
func (b *bindings) falling(what string, step float64, rungs ...[]*sight) {
	value := func(s *sight) float64 {
		if s.t.Dimension == plant.Pressure {
			return kelvin(s)
		}
		return s.value
	}
	type place struct {
		s    *sight
		rung int
	}
	var list []place
	for i, r := range rungs {
		for _, s := range r {
			if s != nil && !s.named && !math.IsNaN(value(s)) {
				list = append(list, place{s, i})
			}
		}
	}
	bad := func() (n int, x, y *sight) {
		for i, p := range list {
			for _, q := range list[i+1:] {
				if q.rung > p.rung && !(value(q.s) <= value(p.s)-step) {
					if n++; n == 1 {
						x, y = p.s, q.s
					}
				}
			}
		}
		return n, x, y
	}
	for range list {
		n, x, y := bad()
		if n == 0 {
			return
		}
		problem, says := what, fmt.Sprintf("%s stands before %s", x, y)
		// One signal whose other reading puts everything in order?
		mended := false
		for _, p := range list {
			kept := p.s.value
			for _, m := range b.mends(p.s) {
				p.s.value = m.value
				left, _, _ := bad()
				p.s.value = kept
				if left == 0 {
					b.accept(p.s, m, problem, says)
					mended = true
					break
				}
			}
			if mended {
				break
			}
		}
		if mended {
			return
		}
		// Two signals that were taken for one another?
		for i, p := range list {
			for _, q := range list[i+1:] {
				if p.rung == q.rung || p.s.t.Dimension != q.s.t.Dimension {
					continue
				}
				p.s.value, q.s.value = q.s.value, p.s.value
				left, _, _ := bad()
				p.s.value, q.s.value = q.s.value, p.s.value
				if left == 0 {
					fix := fmt.Sprintf("the nodes of %s and %s look exchanged: exchange them", p.s.t.Path, q.s.t.Path)
					b.name(p.s, problem, fmt.Sprintf("%s, and %s: exchanged, all is in order", p.s, q.s), fix)
					q.s.named = true
					return
				}
			}
		}
		// One signal without which the others are in order, else the first pair.
		worst, fewest := x, n
		for i, p := range list {
			kept := list[i]
			list = slices.Delete(list, i, i+1)
			if left, _, _ := bad(); left < fewest {
				worst, fewest = p.s, left
			}
			list = slices.Insert(list, i, kept)
		}
		b.name(worst, problem, says, "check the node, unit: and reference: of this signal first")
		list = slices.DeleteFunc(list, func(p place) bool { return p.s == worst })
	}
}

// set compares the signals of one evaporator set.
func (b *bindings) set(set *plant.Equipment) {
	b.saturated(b.at(set, "steam_pressure"), b.at(set, "steam_temperature"), -4, 90)
	for _, e := range set.Parts {
		b.saturated(b.at(e, "chest_pressure"), b.at(e, "chest_temperature"), -5, 60)
		b.saturated(b.at(e, "vapour_pressure"), b.at(e, "vapour_temperature"), -4, 12)
	}
	column := func(name string) (rungs [][]*sight) {
		rungs = make([][]*sight, set.LastBody().Body.Effect+1)
		for _, e := range set.Parts {
			rungs[e.Body.Effect] = append(rungs[e.Body.Effect], b.at(e, name))
		}
		return rungs
	}
	for _, name := range []string{"vapour_pressure", "vapour_temperature", "chest_pressure", "chest_temperature", "juice_temperature"} {
		rungs := column(name)
		switch name {
		case "vapour_pressure":
			rungs[0] = append(rungs[0], b.at(set, "steam_pressure"))
		case "vapour_temperature":
			rungs[0] = append(rungs[0], b.at(set, "steam_temperature"))
		}
		b.falling("from effect to effect the ladder of temperatures falls", 0.5, rungs...)
	}
	b.falling("the header stands over the steam of the first effect", -1, []*sight{b.at(set, "header_pressure")}, []*sight{b.at(set, "steam_pressure")})
	for _, e := range set.Parts {
		b.falling("the chest is hotter than the vapour", 0.5, []*sight{b.at(e, "chest_pressure")}, []*sight{b.at(e, "vapour_pressure")})
		b.falling("the chest is hotter than the juice", 0.5, []*sight{b.at(e, "chest_temperature")}, []*sight{b.at(e, "juice_temperature")})
		b.saturated(b.at(e, "vapour_pressure"), b.at(e, "juice_temperature"), -3, 25)
		for _, bleed := range e.Parts {
			b.falling("a heater's juice leaves hotter than it enters", 0.5, []*sight{b.at(bleed, "outlet_temperature")}, []*sight{b.at(bleed, "inlet_temperature")})
		}
	}
	b.brix(set)
	b.flows(set)
}

// brix: forward feed only; with another order of the juice the file says so.
func (b *bindings) brix(set *plant.Equipment) {
	rungs := [][]*sight{{b.at(set, "syrup_brix")}}
	for i := len(set.Parts) - 1; i >= 0; i-- {
		rungs = append(rungs, []*sight{b.at(set.Parts[i], "brix")})
	}
	rungs = append(rungs, []*sight{b.at(set, "juice_brix")})
	if set.Set != nil && len(set.Set.JuiceOrder) > 0 {
		rungs = [][]*sight{rungs[0], rungs[len(rungs)-1]}
	}
	b.falling("juice gains Brix from body to body", -1, rungs...)
}

// flows compares juice, syrup, steam and cane by solids and by water.
func (b *bindings) flows(set *plant.Equipment) {
	value := func(name string) float64 {
		if s := b.at(set, name); s != nil {
			return s.value
		}
		if t := set.Tag(name); t != plant.NoTag && b.h.Tags[t].Source == plant.Fixed {
			return b.h.Tags[t].Value
		}
		return math.NaN()
	}
	feed, x0, xn := value("juice_flow"), value("juice_brix"), value("syrup_brix")
	n := set.LastBody().Body.Effect
	syrup, evaporation := feed*x0/xn, feed*(1-x0/xn)
	for _, c := range []struct {
		name, against string
		low, high     float64
	}{
		{"syrup_flow", "juice and both Brix", syrup / 1.5, syrup * 1.5},
		{"steam_flow", fmt.Sprintf("%.4g t/h of water evaporated in %d effects", evaporation, n), evaporation / (1.5 * float64(n)), evaporation * 1.6},
		{"juice_flow", "the rate of crushing", value("cane_rate") * 0.5, value("cane_rate") * 2},
	} {
		s := b.at(set, c.name)
		if s == nil || !(s.value < c.low || s.value > c.high) {
			continue
		}
		problem := fmt.Sprintf("%.4g to %.4g t/h would fit %s", c.low, c.high, c.against)
		says := fmt.Sprintf("it reads %.4g t/h", s.value)
		fits := slices.DeleteFunc(b.mends(s), func(m mend) bool { return m.value < c.low || m.value > c.high })
		if len(fits) > 0 {
			b.accept(s, fits[0], problem, says)
			continue
		}
		b.name(s, problem, says, "check the node and unit:, and the juice meter's")
	}
}

func (b *bindings) condenser(e *plant.Equipment) {
	b.saturated(b.at(e, "vapour_pressure"), b.at(e, "vapour_temperature"), -4, 12)
	b.falling("tail water leaves warmer than injection water enters", 0.5, []*sight{b.at(e, "water_outlet_temperature")}, []*sight{b.at(e, "water_inlet_temperature")})
	b.falling("tail water is never warmer than the vapour", -2, []*sight{b.at(e, "vapour_pressure"), b.at(e, "vapour_temperature")}, []*sight{b.at(e, "water_outlet_temperature")})
}

// Lacking says, for each set, which signals are lacking for the
// balances and forecasts: not a fault, but the values will be absent.
func Lacking(h *plant.House) []string {
	var notes []string
	gauged := 0
	for _, t := range h.Tags {
		gauged += int(plant.Flag(t.Gauged()))
	}
	if gauged > 0 && h.Site.Tag("barometer") == plant.NoTag {
		notes = append(notes, fmt.Sprintf("no barometer (site.tags.barometer), and %d gauge and vacuum readings: the air pressure is estimated where absolute gauges or thermometers stand beside them, else taken as configured. 1 kPa of weather then moves U of the last bodies by 1 to 3 %%", gauged))
	}
	for _, e := range h.Of(plant.ClassSet) {
		has := func(e *plant.Equipment, names ...string) bool {
			return slices.ContainsFunc(names, func(n string) bool { return e.Tag(n) != plant.NoTag })
		}
		need := func(ok bool, what, without string) {
			if !ok {
				notes = append(notes, fmt.Sprintf("%s has no %s: %s", e.Path, what, without))
			}
		}
		need(has(e, "juice_flow", "juice_volume_flow", "syrup_flow", "syrup_volume_flow"), "juice_flow", "flows, U and economy will be absent")
		need(has(e, "juice_brix"), "juice_brix", "give a tag, or a fixed value: from the laboratory")
		need(has(e, "syrup_brix", "steam_flow"), "syrup_brix", "flows, U and economy will be absent")
		need(has(e, "juice_temperature"), "juice_temperature", "the heat balance of the first body will be absent")
		need(has(e, "steam_pressure") || len(e.Parts) > 0 && has(e.Parts[0], "chest_pressure", "chest_temperature"), "steam_pressure", "U of the first body will be absent")
		var unrecorded, unseen []string
		for _, b := range e.Parts {
			if b.Class == plant.ClassBody && !(has(b, "chest_temperature") && (has(b, "chest_pressure") || b.Body.Effect == 1 && has(e, "steam_pressure"))) {
				unseen = append(unseen, b.Path)
			}
			if !has(b, "cleaning") {
				unrecorded = append(unrecorded, b.Path)
			}
			if !has(b, "vapour_pressure", "vapour_temperature") {
				notes = append(notes, fmt.Sprintf("%s has neither vapour_pressure nor vapour_temperature: U will be absent there", b.Path))
			}
		}
		if len(unrecorded) > 0 {
			notes = append(notes, fmt.Sprintf("no cleaning signal: %s. Record each cleaning in the console: the forecasts of scale rest on it", strings.Join(unrecorded, ", ")))
		}
		if len(unseen) > 0 {
			notes = append(notes, fmt.Sprintf("no chest_temperature with a chest_pressure: %s. Gas in these calandrias shows only as a fall of U, like condensate over the tubes: u_step_down names both causes", strings.Join(unseen, ", ")))
		}
	}
	for _, p := range h.Of(plant.ClassPan) {
		if p.Tag("level") == plant.NoTag && len(p.Parts) == 0 {
			notes = append(notes, fmt.Sprintf("%s has no level: charge and concentrate count as one, and neither a missing footing nor an overfull pan can be seen", p.Path))
		}
	}
	return notes
}
