package thermo

import (
	"fmt"
	"math"
	"slices"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// Value is one calculated value: the point, and how much it can be trusted.
type Value struct {
	Tag    plant.TagID
	Point  plant.Point
	Sigma  float64    // one standard deviation from the instruments; 0 if not worked out
	How    words.Text // measured, balanced, assumed, absent
	Reason words.Text // why it is absent, or what was assumed
}

// Calculator works out the quantities of one house. It holds the state of the
// smoothing filters and scratch space, has no clock, and the same frames give
// the same values. It is not safe for concurrent use.
type Calculator struct {
	house   *plant.House
	sets    []*setView
	conds   []*condenserView
	pans    []*panView
	air     air
	usuals  []*usual
	values  []Value // one for each calculated tag, in order of work
	said    []said  // beside values
	noSigma bool    `state:"-"`
	noTests bool    `state:"-"`
}

// said keeps the words of a reason and a note, so that they are put together only
// when one of them changes.
type said struct {
	reason evaporator.Reason
	note   words.Text
	text   words.Text
}

func (s *said) words(r evaporator.Reason, note words.Text) words.Text {
	if r != s.reason || note != s.note {
		s.reason, s.note, s.text = r, note, join(r.Words(), note)
	}
	return s.text
}

// row is one quantity of one piece of equipment.
type row struct {
	q     *Quantity `state:"-"` // of the table
	value int       // in Calculator.values
	mark  marks
}

// New adds a Derived tag to the house for every quantity that its equipment
// may have, and returns the calculator for them. The error is a
// [plant.Faults]: correlations that do not exist, designs that cannot be.
func New(h *plant.House) (*Calculator, error) {
	c := &Calculator{house: h}
	var faults plant.Faults
	for i, e := range h.Of(plant.ClassSet) {
		f := fmt.Sprintf("sets[%d]", i)
		faults = append(faults, checkModels(h, f, e.Set.Properties)...)
		faults = append(faults, checkCleanU(h, f, e.Set)...)
		s, err := newSetView(c, e)
		if err != nil {
			faults = append(faults, h.Document.Fault(f, words.Of(err), "see the description of the set"))
			continue
		}
		c.sets = append(c.sets, s)
	}
	for _, e := range h.Of(plant.ClassCondenser) {
		c.conds = append(c.conds, newCondenserView(c, e))
	}
	for i, e := range h.Of(plant.ClassPan) {
		f := fmt.Sprintf("pans[%d]", i)
		faults = append(faults, checkModels(h, f, e.Pan.Properties)...)
		if !contains(liquor.SolubilityModels(), liquor.SolubilityModel(e.Pan.Solubility)) {
			faults = append(faults, h.Document.Fault(f+".solubility", words.Say("no equation %q", e.Pan.Solubility), words.Say("use one of %v", liquor.SolubilityModels())))
		}
		limits, wrong := strikeLimits(h, f, e.Pan)
		faults = append(faults, wrong...)
		c.pans = append(c.pans, newPanView(c, e, limits))
	}
	for _, d := range c.conds {
		d.serve(c)
	}
	c.air.begin(c)
	c.usuals = newUsuals(c)
	for _, s := range c.sets {
		s.check = newChecking(c, s)
	}
	return c, faults.Err()
}

func checkModels(h *plant.House, f string, p plant.Properties) plant.Faults {
	var faults plant.Faults
	if !contains(liquor.BPEModels(), liquor.BPEModel(p.BoilingPoint)) {
		faults = append(faults, h.Document.Fault(f+".properties.boiling_point", words.Say("no equation %q", p.BoilingPoint), words.Say("use one of %v", liquor.BPEModels())))
	}
	if !contains(liquor.HeatModels(), liquor.HeatModel(p.Heat)) {
		faults = append(faults, h.Document.Fault(f+".properties.heat", words.Say("no equation %q", p.Heat), words.Say("use one of %v", liquor.HeatModels())))
	}
	return faults
}

func contains[T comparable](list []T, x T) bool {
	for _, y := range list {
		if x == y {
			return true
		}
	}
	return false
}

// rows adds the tags of one piece of equipment.
func (c *Calculator) rows(e *plant.Equipment) []row {
	var rs []row
	for i := range Quantities {
		q := &Quantities[i]
		if q.Class != e.Class || q.batch && continuousPan(e) || q.only != nil && !q.only(e) {
			continue
		}
		id, err := c.house.AddTag(plant.Tag{Path: e.Path + "." + q.Name, Owner: e.Path, Class: e.Class, Name: q.Name,
			Dimension: q.Dimension, Meaning: q.Meaning, Source: plant.Derived})
		if err != nil {
			// A bleed of the same name as a quantity: the quantity gives way.
			continue
		}
		rs = append(rs, row{q: q, value: len(c.values), mark: markOf(q)})
		c.values = append(c.values, Value{Tag: id})
		c.said = append(c.said, said{})
	}
	return rs
}

// Step works out everything from a frame at one moment and returns the values,
// which are valid until the next call. Quality: Good if every input was, else
// Uncertain_DataSubNormal; a value that cannot be worked out is Bad_NoData
// with its reason.
func (c *Calculator) Step(f *plant.Frame, at time.Time) []Value {
	c.air.step(c, f, at)
	for _, s := range c.sets {
		s.step(c, f, at)
	}
	for _, p := range c.pans {
		p.step(c, f, at)
	}
	for _, d := range c.conds {
		d.step(c, f, at)
	}
	for _, u := range c.usuals {
		u.step(f, at)
	}
	return c.values
}

// Words says in words what stands behind a calculated value, "" if there is
// nothing to say or no value. It costs a search: it is for messages.
func (c *Calculator) Words(tag plant.TagID) words.Text {
	for i := range c.values {
		if v := &c.values[i]; v.Tag == tag && v.Point.Usable() {
			return v.Reason
		}
	}
	return ""
}

// store turns a result into a value.
func (c *Calculator) store(r row, res evaporator.Result, at time.Time, worst plant.Quality, note words.Text) {
	v := &c.values[r.value]
	v.Sigma, v.How = res.Sigma, res.How.Words()
	if !res.OK() {
		note = ""
	}
	v.Reason = c.said[r.value].words(res.Reason, note)
	switch {
	case !res.OK():
		v.Point, v.Sigma = plant.BadPoint(at, plant.BadNoData), 0
		return
	case math.IsNaN(res.Value) || math.IsInf(res.Value, 0) || !(res.Sigma >= 0) || math.IsInf(res.Sigma, 0):
		v.Sigma = 0
		v.Point, v.How, v.Reason = plant.BadPoint(at, plant.BadNoData), evaporator.Absent.Words(), noNumber
		return
	case res.Value < r.q.Low || res.Value > r.q.High:
		v.Point, v.How, v.Sigma = plant.BadPoint(at, plant.BadOutOfRange), evaporator.Absent.Words(), 0
		v.Reason = words.Say(implausible, res.Value, r.q.Low, r.q.High, r.q.Inputs)
		return
	}
	q := plant.Good
	if worst.IsUncertain() || res.Reason.Why == evaporator.Shared { // of its effect, and not of this body
		q = plant.UncertainDataSubNormal
	}
	v.Point = plant.Point{Time: at, Value: res.Value, Quality: q}
}

// filter is an averaging filter of first order on one tag, in event time. A
// bad reading empties it: nothing old is carried over a gap.
type filter struct {
	tag  plant.TagID
	tau  time.Duration
	mean float64
	last time.Time
	full bool
}

func (f *filter) step(p plant.Point, at time.Time) (float64, bool) {
	if !p.Usable() {
		f.full = false
		return math.NaN(), false
	}
	dt := at.Sub(f.last)
	f.last = at
	if !f.full || f.tau <= 0 || dt < 0 {
		f.mean, f.full = p.Value, true
		return f.mean, true
	}
	f.mean += (p.Value - f.mean) * -math.Expm1(-dt.Seconds()/f.tau.Seconds())
	return f.mean, true
}

// input ties a tag to a reading of the measurement.
type input struct {
	filter
	movement
	dst   *evaporator.Reading
	scale func(v float64) (float64, bool) // volume to mass, say; nil for none
}

// inputs are the tags that one view reads.
type inputs struct {
	house   *plant.House
	tau     time.Duration
	list    []*input
	live    int  // of them measured
	gauged  bool // some of them are read against the air
	air     *air
	airOnce bool          // its sigma is not in theirs: whoever takes them counts it once for all
	batch   bool          // of a vessel that stands still between batches: its readings do too
	worst   plant.Quality // of the usable inputs at the last step
	stuck   int           // inputs that are frozen
	note    words.Text    // which
}

// Reads reports whether a quantity, or what is learned for one, may go by a tag.
func (c *Calculator) Reads(tag plant.TagID) bool {
	var all []*input
	for _, s := range c.sets {
		all = append(append(all, s.in.list...), s.cane.in.list...)
	}
	for _, v := range c.conds {
		all = append(append(all, v.in.list...), v.ofPans.list...)
	}
	for _, p := range c.pans {
		all = append(all, p.in.list...)
		for _, k := range p.parts {
			all = append(all, k.in.list...)
		}
	}
	return slices.ContainsFunc(all, func(i *input) bool { return i.tag == tag })
}

// bind ties a signal of e to dst if there is such a tag.
func (in *inputs) bind(e *plant.Equipment, signal string, dst *evaporator.Reading) *input {
	id := e.Tag(signal)
	if id == plant.NoTag {
		return nil
	}
	i := &input{filter: filter{tag: id, tau: in.tau}, dst: dst}
	in.list = append(in.list, i)
	in.gauged = in.gauged || in.house.Tags[id].Gauged()
	if in.house.Tags[id].Source == plant.Measured {
		in.live++
	}
	return i
}

func (in *inputs) step(f *plant.Frame, at time.Time) {
	in.worst = plant.Good
	moving, stuck := 0, 0
	for _, i := range in.list {
		if i.recent(at) {
			moving++
		}
		if i.frozen {
			stuck++
			in.worst = plant.Worse(in.worst, plant.UncertainLastUsable)
		}
	}
	for _, i := range in.list {
		i.peersMove = 2*moving > in.live
		in.read(i, f, at)
	}
	if stuck != in.stuck {
		in.stuck, in.note = stuck, ""
		for _, i := range in.list {
			if i.frozen {
				in.note = join(in.note, words.Say(frozenWords, in.house.Tags[i.tag].Path))
			}
		}
	}
}

func join(a, b words.Text) words.Text {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}

// usable counts the readings there are.
func (in *inputs) usable() int {
	n := 0
	for _, i := range in.list {
		if i.dst.OK {
			n++
		}
	}
	return n
}

func (in *inputs) read(i *input, f *plant.Frame, at time.Time) {
	p := f.Point(i.tag)
	t := &in.house.Tags[i.tag]
	raw := p
	if t.Gauged() {
		raw.Value -= in.air.shift // the weather is no movement of it
	}
	i.watch(raw, !in.batch && in.house.Tags[i.tag].Source == plant.Measured, at)
	v, ok := i.filter.step(p, at)
	if ok && i.scale != nil {
		v, ok = i.scale(v)
	}
	if !ok {
		*i.dst = evaporator.Reading{}
		return
	}
	in.worst = plant.Worse(in.worst, p.Quality)
	sigma := t.Sigma(p.Value)
	if p.Value != 0 && i.scale != nil {
		sigma *= math.Abs(v / p.Value)
	}
	if t.Gauged() && !in.airOnce && sigma > 0 {
		sigma = math.Hypot(sigma, in.air.sigma())
	}
	*i.dst = evaporator.Reading{Value: v, Sigma: sigma, OK: true, Gauge: t.Gauged()}
}

// value makes a result that was calculated here.
func value(v, sigma float64) evaporator.Result {
	return evaporator.Result{Value: v, Sigma: sigma, How: evaporator.Balanced}
}

func absent(why words.Text) evaporator.Result {
	return evaporator.Result{Reason: evaporator.Reason{Text: why}}
}

func tsat(p float64) (float64, bool) {
	t, err := steam.Tsat(steam.KPa(p))
	return float64(t), err == nil
}

// NoReconciliation leaves the tests of the instruments against each other out,
// for filling long stretches of the past.
func (c *Calculator) NoReconciliation() { c.noTests = true }

// Everything works everything out again, after a stretch of the past without.
func (c *Calculator) Everything() { c.noSigma, c.noTests = false, false }

// NoUncertainty leaves uncertainties and forecasts of scale out, for long
// stretches of the past: they cost many evaluations each.
func (c *Calculator) NoUncertainty() { c.noSigma = true }
