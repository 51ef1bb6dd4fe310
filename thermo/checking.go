package thermo

import (
	"math"
	"slices"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/evaporator"
	"calandria/thermo/steam"
)

// Tests of the instruments of a set against each other. Means over three
// residence times of the juice in a body, while the set is steady, go into
// [evaporator.Set.ReconcileInto] once a minute. What is shown as a gross error has
// stood in two of the last three windows that do not overlap; an instrument whose test
// is below [surely] is named after three of four, as disturbances of the juice come to that.
const (
	testEvery  = time.Minute
	testLeast  = 10 // shortest and longest window, minutes
	testMost   = 60
	testHold   = 2 * time.Hour // a result is shown this long after the set was last steady
	testMemory = 240           // verdicts kept
	surely     = 4.5           // a suspect of a smaller test is named after three of four windows
)

// Limits of steadiness over one window: the change by the fitted straight line.
// Figures of ours, about three times what a well-run set does.
const (
	steadyFlow     = 0.04 // of the juice flow
	steadyPressure = 0.05 // of a pressure
	steadyBrix     = 1.5
	steadyLevel    = 12.0 // % of the tube
)

// checking is the state of these tests for one set.
type checking struct {
	s       *setView
	house   *plant.House
	list    []*series
	minute  time.Time                  // being gathered
	filled  int                        // minutes in the rings
	layout  uint32                     // bodies in service
	window  int                        // minutes
	room    evaporator.Reconciliation  // used again each minute
	last    *evaporator.Reconciliation // room, or nil while it holds nothing
	at      time.Time                  // of last
	why     words.Text                 // why there is no newer one
	verdict []verdict                  // one a minute while steady, oldest first

	storedIn, storedOut float64 // t/h taken out of juice flow and added to syrup flow, see level

	usual          habit                // of ratio
	ratio, gross   evaporator.Result    // by the balances
	grossWithPeers evaporator.Result    // gross, with what instruments that read one thing say
	reconciled     [5]evaporator.Result // in the order of reconciledOf
	flash          evaporator.Reconciliation
	departures     departures
	stale          bool      // last is older than this minute
	balanced       []Suspect // by the balances
	suspects       []Suspect // all of them
	shared         *sharing  // instruments that read one thing
	condenser      *condenserView
	m              evaporator.Measurement

	// Texts of the last result and what they were made of.
	ratioText, grossText, meanText words.Text
	texts                          struct {
		degrees, window int
		left            words.Text
	}
}

// reconciledOf are the instruments whose reconciled values are quantities.
var reconciledOf = [5]words.Text{"juice flow", "feed Brix", "syrup flow", "syrup Brix", "steam flow"}

// series is one reading by the minute.
type series struct {
	of          string
	what        words.Text
	dst         *evaporator.Reading // in the set's measurement
	inputs      []*input            // what it comes from
	body        int
	sum         float64
	n, lost     int
	sigma       float64
	unmetered   *unmetered          // a bleed's, or a figure of the model
	used        *evaporator.Reading // where the balances take it from
	place       int                 // of both among those of [readingsOf]
	off, weight float64             // reconciled less read: the mean, and of how many windows, 0 to 1
	ring        [testMost]float64   // minute means, NaN without; next is the place of the coming one
	next        int
}

// verdict is what one window said.
type verdict struct {
	at    time.Time
	gross bool
	named []int // instruments under suspicion, by series
}

// Suspect is an instrument that contradicts the others.
type Suspect struct {
	Set   string     // path
	What  words.Text // e.g. "EV3 vapour pressure"
	Tags  []string   // its tag, or those that it is worked out from
	Bias  float64    // by how much it seems to read too high, in Unit
	Sigma float64    // one standard deviation of Bias
	Unit  string
	Z     float64 // test statistic: its adjustment, or its difference from the others, over that one's standard deviation
	Rough bool    // Bias says no more than the direction: it is badly determined
	// Alike are the tags that would explain the contradiction nearly as well:
	// the balances cannot tell them apart.
	Alike []string
	Since time.Time  // it has been named in every steady window
	Text  words.Text // all of it in one sentence
}

// Suspects lists the instruments that contradict the others, of each set first those
// that read something else than others beside them, then those that the balances
// contradict in two of the last three windows, the worst first. It is a hint where to send
// somebody with a calibrator, never a reason to correct a reading.
func (c *Calculator) Suspects() []Suspect {
	var out []Suspect
	for _, s := range c.sets {
		out = append(out, s.check.suspects...)
	}
	return out
}

func newChecking(c *Calculator, s *setView) *checking {
	k := &checking{s: s, house: c.house, window: 20, verdict: make([]verdict, 0, testMemory)}
	m := &s.m
	from := func(dsts ...*evaporator.Reading) []*input {
		var list []*input
		for _, i := range s.in.list {
			if slices.Contains(dsts, i.dst) {
				list = append(list, i)
			}
		}
		return list
	}
	k.condenser = ownCondenser(c, s)
	used := readingsOf(&s.used, len(s.bodies))
	at := 0
	m.Each(len(s.bodies), func(dst *evaporator.Reading, what words.Text, body int) {
		x := &series{what: what, dst: dst, used: used[at], place: at, body: body, inputs: from(dst)}
		at++
		switch {
		case body >= 0:
			x.of = s.bodies[body].equip.Name
		case dst == &m.SteamTH:
			x.inputs = from(&s.steam, &s.makeUp)
		case dst == &m.CondenserTH && k.condenser != nil:
			x.inputs = k.condenser.waterInputs()
		case dst == &m.LossPct:
			x.unmetered = &s.loss
		case dst == &m.ElevationPct:
			x.unmetered = &s.elevation
		case dst == &m.HeatPct:
			x.unmetered = &s.specificHeat
		}
		if e := slices.Index(evaporator.PipeNames[:], what); e >= 0 {
			x.unmetered = &s.pipe[e]
		}
		effect := slices.Index(evaporator.BleedNames[:], what)
		for _, l := range s.bleeds {
			if l.effect == effect { // it may be assumed
				x.unmetered = &s.unmetered[effect]
				x.inputs = append(x.inputs, from(&l.flow, &l.liquid, &l.tin, &l.tout)...)
			}
		}
		if len(x.inputs) > 0 || x.unmetered != nil {
			k.list = append(k.list, x)
		}
	})
	k.shared = newSharing(k, &c.air)
	k.nothing(noWindow)
	return k
}

// readingsOf are the readings of a measurement, in the order of [evaporator.Measurement.Each].
func readingsOf(m *evaporator.Measurement, bodies int) (all []*evaporator.Reading) {
	m.Each(bodies, func(r *evaporator.Reading, _ words.Text, _ int) { all = append(all, r) })
	return all
}

// ownCondenser is the condenser that serves this set and nothing else, and has
// a water balance.
func ownCondenser(c *Calculator, s *setView) *condenserView {
	var own *condenserView
	for _, d := range c.conds {
		if d.equip.Name == s.equip.Set.Condenser && len(d.waterInputs()) == 3 {
			own = d
		}
	}
	if own == nil {
		return nil
	}
	for _, o := range c.sets {
		if o != s && o.equip.Set.Condenser == own.equip.Name {
			return nil
		}
	}
	for _, p := range c.pans {
		if p.equip.Pan.Condenser == own.equip.Name {
			return nil
		}
	}
	return own
}

// nothing leaves the quantities without value.
func (k *checking) nothing(why words.Text) {
	k.last, k.balanced, k.suspects, k.departures.found = nil, nil, nil, nil
	k.ratio, k.gross, k.grossWithPeers = absent(why), absent(why), absent(why)
	for i := range k.reconciled {
		k.reconciled[i] = absent(why)
	}
}

// step gathers one scan. It allocates nothing but at the end of a minute.
func (k *checking) step(at time.Time, balances bool) {
	// The condenser's view steps after the set: its readings are of the scan
	// before, which a mean of minutes does not notice.
	if d := k.condenser; d != nil {
		k.s.m.CondenserTH = d.vapourByWater()
	}
	if minute := at.Truncate(testEvery); !minute.Equal(k.minute) {
		if !k.minute.IsZero() {
			gap := int(minute.Sub(k.minute) / testEvery)
			if gap < 0 || gap > testMost {
				k.filled = 0
				gap = 1
			}
			k.close(gap)
			if balances {
				k.test(minute)
			}
			k.shared.minute(minute)
			k.join()
		}
		k.minute = minute
	}
	for _, x := range k.list {
		x.take()
	}
	for _, x := range k.shared.more {
		x.take()
	}
}

// take adds the reading of one scan.
func (x *series) take() {
	r := *x.dst
	if !r.OK {
		x.lost++
		return
	}
	if u := x.unmetered; u != nil && u.assumed.OK {
		// As assumed: what was learned of it must not confirm itself.
		r.Value, r.Sigma = u.metered.Value+u.assumed.Value, math.Hypot(u.metered.Sigma, u.assumed.Sigma)
	}
	x.sum += r.Value
	x.sigma = r.Sigma
	x.n++
}

// close puts the minute into the rings, and emptiness for minutes without scan.
func (k *checking) close(minutes int) {
	for _, x := range k.list {
		x.close(minutes)
	}
	for _, x := range k.shared.more {
		x.close(minutes)
	}
	k.filled = min(testMost, k.filled+minutes)
}

func (x *series) close(minutes int) {
	mean := math.NaN()
	if x.n > 0 && x.lost*4 <= x.n {
		mean = x.sum / float64(x.n)
	}
	for j := range minutes {
		x.ring[x.next] = mean
		x.next = (x.next + 1) % testMost
		if j == 0 {
			mean = math.NaN()
		}
	}
	x.sum, x.n, x.lost = 0, 0, 0
}

// join puts the suspects of the balances and of [sharing] together.
func (k *checking) join() {
	var instrument bool
	k.grossWithPeers = k.gross
	k.suspects, instrument = k.shared.suspects(k.balanced)
	if len(k.suspects) == 0 {
		return
	}
	switch first := &k.suspects[0]; {
	case len(k.balanced) > 0 && first.What == k.balanced[0].What: // it says so already
	case instrument:
		k.grossWithPeers = value(1, 0)
		k.grossWithPeers.Reason.Text = first.Text
	case k.grossWithPeers.OK() && k.grossWithPeers.Value == 0:
		k.grossWithPeers.Reason.Text = first.Text
	}
}

// stats fits a line to the last minutes: mean, change over the window, and the
// scatter about it. It reports false with too many gaps.
func (x *series) stats(minutes int) (mean, change, scatter float64, ok bool) {
	var n, sx, sy, sxx, sxy, syy float64
	for j := range minutes {
		y := x.ring[(x.next-1-j+2*testMost)%testMost]
		if math.IsNaN(y) {
			continue
		}
		t := float64(-j)
		n++
		sx += t
		sy += y
		sxx += t * t
		sxy += t * y
		syy += y * y
	}
	if n < 0.8*float64(minutes) || n < 3 {
		return 0, 0, 0, false
	}
	mean = sy / n
	d := sxx - sx*sx/n
	slope := (sxy - sx*sy/n) / d
	rest := max(0, syy-sy*sy/n-slope*slope*d)
	return mean, slope * float64(minutes), math.Sqrt(rest / n), true
}

// residence is the mean time of the juice in a body, in minutes: tubes 35 %
// full and as much again beside them, tubes of 36 mm. Figures of ours; only the
// length of the window depends on them.
func (k *checking) residence() float64 {
	var minutes, n float64
	for _, b := range k.s.bodies {
		if b.m.OutOfService || !b.b.JuiceOutTH.OK() || b.b.JuiceOutTH.Value <= 0 {
			continue
		}
		minutes += 60 * hold(b) / b.b.JuiceOutTH.Value
		n++
	}
	if n == 0 {
		return 7
	}
	return minutes / n
}

// tubesTonnes is the juice in the tubes of a body were they full, in t: tubes of
// 36 mm, a figure of ours.
func tubesTonnes(b *bodyView) float64 { return 1.1 * b.areaM2 * 0.036 / 4 }

// level takes what the bodies stored out of the flows, so that the balances of a
// steady state hold for them: juice of the feed's Brix out of the feed, and the
// solids beyond out of the syrup. How much a per cent of level holds is known to a
// third: that part goes into the standard deviations.
func (k *checking) level() {
	juice, solids := k.stored()
	k.storedIn, k.storedOut = 0, 0
	feed, syrup := &k.m.JuiceTH, &k.m.SyrupTH
	if x0, x := k.m.FeedBrix, k.m.SyrupBrix; x0.OK && x.OK && x.Value > 0 {
		k.storedOut = (100*solids - juice*x0.Value) / x.Value
	}
	k.storedIn = juice
	for _, r := range []struct {
		r    *evaporator.Reading
		take float64
	}{{feed, k.storedIn}, {syrup, -k.storedOut}} {
		if r.r.OK && r.r.Sigma > 0 {
			r.r.Value -= r.take
			r.r.Sigma = math.Hypot(r.r.Sigma, r.take/3)
		}
	}
}

// stored is the juice and the solids, t/h, that the bodies took in over the window
// beyond what they gave, by the levels that are measured. Balances over the window
// are wrong by as much: a set of 10 000 m2 whose levels fall by 5 % of the tubes in
// 17 min gives 17 t/h more than it gets.
func (k *checking) stored() (juice, solids float64) {
	for _, x := range k.list {
		if x.what != "level" {
			continue
		}
		if _, change, _, ok := x.stats(k.window); ok {
			b := k.s.bodies[x.body]
			rate := tubesTonnes(b) * change / 100 * 60 / float64(k.window)
			juice += rate
			if brix := b.b.BrixOut; brix.OK() {
				solids += rate * brix.Value / 100
			}
		}
	}
	return juice, solids
}

// steady reports whether the set stood still over the window, or what moved.
func (k *checking) steady() (words.Text, bool) {
	for _, x := range k.list {
		var limit float64
		switch x.what {
		case "juice flow":
			limit = steadyFlow
		case "steam pressure", "vapour pressure":
			limit = steadyPressure
		case "syrup Brix":
			limit = steadyBrix
		case "level":
			limit = steadyLevel
		default:
			continue
		}
		mean, change, _, ok := x.stats(k.window)
		if !ok || !x.dst.OK {
			continue
		}
		if limit < 1 { // relative
			limit *= math.Abs(mean)
		}
		if math.Abs(change) > limit {
			return words.Say(notSteady, x.name(), change, k.window), false
		}
	}
	return "", true
}

func (x *series) name() words.Text { return evaporator.Name(x.of, x.what) }

// test works the window out.
func (k *checking) test(at time.Time) {
	layout := uint32(0)
	for i, b := range k.s.bodies {
		if !b.m.OutOfService {
			layout |= 1 << i
		}
	}
	if layout != k.layout {
		k.layout, k.filled, k.verdict = layout, 0, k.verdict[:0]
		k.nothing(bodiesChanged)
	}
	k.window = min(testMost, max(testLeast, int(math.Ceil(3*k.residence()))))
	k.stale = true
	k.why = ""
	switch {
	case k.filled < k.window:
		k.why = words.Say(gathering, k.window)
	default:
		if why, ok := k.steady(); !ok {
			k.why = why
		}
	}
	if k.why == "" {
		left := k.measure()
		r := &k.room
		if err := k.s.set.ReconcileInto(&k.m, r); err != nil {
			k.why = join(words.Of(err), left)
			k.nothing(k.why)
			return
		}
		k.last, k.at, k.stale = r, at, false
		k.departed(at)
		k.judge(r, at)
		k.learn(r)
		k.publish(left)
		return
	}
	switch {
	case k.last == nil:
		k.nothing(k.why)
	case at.Sub(k.at) > testHold:
		k.nothing(words.Say(forLong, k.why))
	default:
		k.note(&k.ratio, k.ratioText)
		k.note(&k.gross, k.grossText)
		for i := range k.reconciled {
			if k.reconciled[i].OK() {
				k.reconciled[i] = absent(k.why)
			}
		}
	}
}

// learn takes from a window without contradiction what the balances say of bleeds and
// losses that no meter shows. What is assumed of them enters with its own uncertainty,
// so that they move only as far as meters that check them are better.
func (k *checking) learn(r *evaporator.Reconciliation) {
	if r.GrossError || len(r.Suspects) > 0 || len(k.departures.found) > 0 {
		return
	}
	for _, in := range r.Instruments {
		at := k.find(in)
		if !in.Checked || at < 0 {
			continue
		}
		x := k.list[at]
		off, weight, memory := x.learned()
		if u := x.unmetered; u != nil && u.assumed.OK {
			u.learned.Sigma, u.learned.OK = in.ReconciledSigma, true
		}
		share := -math.Expm1(-testEvery.Minutes() / memory.Minutes())
		*weight += share * (1 - *weight)
		*off += share / *weight * (in.Reconciled - in.Reading.Value - *off)
	}
}

// learned is what a reading, or the figure that is assumed in it, is off by for good, of
// how many windows, 0 to 1, and how long a window counts.
func (x *series) learned() (off, weight *float64, memory time.Duration) {
	if u := x.unmetered; u != nil && u.assumed.OK {
		return &u.learned.Value, &u.weight, u.memory
	}
	return &x.off, &x.weight, meterMemory
}

// meterMemory is how long a window counts for what a meter is off by for good: a figure
// of ours, longer than what moves by itself, shorter than a drift.
const meterMemory = 48 * time.Hour

// correct takes what the instruments together say of each reading into what the
// balances use. It is a mean of many windows: a window by itself scatters more than it
// helps. The tests of the instruments see the readings as they are.
func (k *checking) correct() {
	for _, x := range k.list {
		if x.weight > 0 && x.used.OK {
			x.used.Value += x.off
		}
	}
}

// note says that a result, and what was said of it, are of an earlier moment.
func (k *checking) note(r *evaporator.Result, said words.Text) {
	if r.OK() {
		r.Reason.Text = words.Say(sinceThen, k.at.UTC().Format("15:04 UTC"), k.why, said)
	}
}

// measure makes the measurement of the window. Frozen and saturated inputs are
// left out; the names of these are returned. Unsteadiness that is left goes
// into the standard deviations.
func (k *checking) measure() (left words.Text) {
	k.m = k.s.m
	all := readingsOf(&k.m, len(k.s.bodies))
	for _, x := range k.list {
		r := all[x.place]
		mean, change, scatter, ok := x.stats(k.window)
		if !ok {
			*r = evaporator.Reading{}
			continue
		}
		if bad := k.unfit(x); bad != "" {
			left = join(left, bad)
			*r = evaporator.Reading{}
			continue
		}
		r.Value, r.Sigma, r.OK = mean, x.sigma, true
		if r.Sigma == 0 {
			continue // taken as exact, as configured
		}
		switch {
		case strings.Contains(string(x.what), "flow"), strings.Contains(string(x.what), "Brix"), strings.Contains(string(x.what), "bleed"), x.what == "vapour to the condenser":
			// What enters a body leaves it later: the mean of a moving value is
			// uncertain by a part of the movement.
			r.Sigma = math.Hypot(r.Sigma, math.Hypot(change/3, scatter*math.Sqrt(3/float64(k.window))))
		}
		b := x.body
		switch x.what {
		case "steam flow": // the superheat is known to about half a percent of the heat
			r.Sigma = math.Hypot(r.Sigma, 0.004*mean)
		case "vapour to the condenser", "condensate flow":
			r.Sigma = math.Hypot(r.Sigma, 0.01*mean)
		case "juice temperature": // the pocket may stand under a part of the head, and the equation bends otherwise
			body := k.s.bodies[b].b
			r.Sigma = math.Hypot(math.Hypot(r.Sigma, 0.25), math.Hypot(0.05*body.BPEK.Value, 0.3*body.HeadK.Value))
		case "vapour temperature": // the vapour may be superheated by the elevation
			if e := k.s.bodies[b].b.BPEK; e.OK() {
				r.Sigma = math.Hypot(r.Sigma, 0.25*e.Value)
			}
		}
	}
	k.level()
	return left
}

// unfit says what is wrong with the inputs of a reading, or "".
func (k *checking) unfit(x *series) words.Text {
	for _, i := range x.inputs {
		t := &k.house.Tags[i.tag]
		if i.frozen {
			return words.Say(leftOutFrozen, t.Path)
		}
		least, most := t.RangeAt(k.minute)
		edge := 0.002 * (most - least) // NaN without a range
		low := t.Dimension == plant.Pressure || t.Dimension == plant.Temperature || t.Dimension == plant.BrixDim
		mean := i.mean
		if t.Gauged() {
			mean -= k.s.air.shift
		}
		if i.full && (mean >= most-edge || low && mean <= least+edge) {
			return words.Say(leftOutAtEnd, t.Path)
		}
	}
	return ""
}

// find returns the series of an instrument of a reconciliation, or -1.
func (k *checking) find(i evaporator.Instrument) int {
	return slices.IndexFunc(k.list, func(x *series) bool { return x.of == i.Of && x.what == i.What })
}

// unnamedFrom is how far above its usual the sum of all contradictions counts where it
// names nobody: errors that stand within the stated accuracies keep it near its limit for
// good. Figures of ours: the usual is known after usualAfter hours, and is the limit before.
const unnamedFrom, usualAfter = 1.5, 6.0

func (k *checking) judge(r *evaporator.Reconciliation, at time.Time) {
	limit := unnamedFrom
	if k.usual.hours >= usualAfter {
		limit *= k.usual.value
	}
	v := verdict{at: at, gross: r.Global > max(1, limit)*r.Critical}
	k.usual.step(value(r.Global/r.Critical, 0), testEvery.Hours(), habitMemory)
	for _, s := range k.accused(r) {
		for _, i := range append([]int{s.Instrument}, s.Alike...) {
			v.named = append(v.named, k.find(s.Instruments[i]))
		}
	}
	if len(k.verdict) == testMemory {
		k.verdict = slices.Delete(k.verdict, 0, 1)
	}
	k.verdict = append(k.verdict, v)
}

// windows picks the newest verdict and up to three before it whose windows do
// not overlap.
func (k *checking) windows() (list [4]*verdict, n int) {
	apart := time.Duration(k.window) * time.Minute
	for i := len(k.verdict) - 1; i >= 0 && n < len(list); i-- {
		v := &k.verdict[i]
		if n == 0 || list[n-1].at.Sub(v.at) >= apart {
			list[n] = v
			n++
		}
	}
	return list, n
}

// publish turns the last reconciliation into quantities and suspects.
func (k *checking) publish(left words.Text) {
	r := k.last
	k.ratio = value(r.Global/r.Critical, 0)
	if t := &k.texts; t.degrees != r.Degrees || t.window != k.window || t.left != left {
		t.degrees, t.window, t.left = r.Degrees, k.window, left
		k.ratioText = join(words.Say(checksOver, r.Degrees, k.window), left)
		k.meanText = words.Say(meanOver, k.window)
	}
	k.ratio.Reason.Text = k.ratioText
	gross := k.nameBalanced(r)
	_, there := k.windows()
	k.gross = value(0, 0)
	if gross {
		k.gross.Value = 1
	}
	switch {
	case there < 2:
		k.gross = absent(oneWindow)
	case gross && len(k.balanced) == 0 && len(r.Suspects) > 0 && k.credible(r, r.Suspects[0]):
		k.gross.Reason.Text = words.Say(lastWindowSays, k.suspect(r, r.Suspects[0]).Text)
	case gross && len(k.balanced) == 0:
		k.gross.Reason.Text = nobodyExplains
	case gross:
		k.gross.Reason.Text = k.balanced[0].Text
	default:
		k.gross.Reason.Text = allAgree
	}
	if gross && k.gross.OK() {
		if way, fits := k.flashFits(r); fits {
			k.gross.Reason.Text = join(k.gross.Reason.Text, words.Say(flashOtherwise, way.Vapour, way.Exhaust))
		}
	}
	if k.gross.OK() {
		k.gross.Reason.Text = join(k.gross.Reason.Text, left)
		k.grossText = k.gross.Reason.Text
	}
	k.publishValues(r)
}

// nameBalanced lists the suspects of the balances, and says whether the readings
// contradict each other for long.
func (k *checking) nameBalanced(r *evaporator.Reconciliation) (gross bool) {
	list, there := k.windows()
	count := func(last int, of func(*verdict) bool) int {
		n := 0
		for _, w := range list[:min(last, there)] {
			if of(w) {
				n++
			}
		}
		return n
	}
	old := k.balanced
	k.balanced = nil
	for _, s := range k.accused(r) {
		id := k.find(s.Instruments[s.Instrument])
		named := func(v *verdict) bool { return slices.Contains(v.named, id) }
		if count(3, named) < 2 || (math.Abs(s.Z) < surely || s.Reconciliation != r) && count(4, named) < 3 || !k.credible(s.Reconciliation, s.Suspicion) {
			continue
		}
		x := k.suspect(s.Reconciliation, s.Suspicion)
		x.Since = k.at
		for _, o := range old {
			if o.What == x.What {
				x.Since = o.Since
			}
		}
		k.balanced = append(k.balanced, x)
	}
	return len(k.balanced) > 0 || count(3, func(v *verdict) bool { return v.gross }) >= 2
}

// publishValues turns the reconciled values into quantities.
func (k *checking) publishValues(r *evaporator.Reconciliation) {
	for i, what := range reconciledOf {
		k.reconciled[i] = absent(noReadingOrAccuracy)
		for _, in := range r.Instruments {
			if in.Of != "" || in.What != what {
				continue
			}
			switch {
			case r.GrossError || len(r.Suspects) > 0:
				k.reconciled[i] = absent(grossError)
			case !in.Checked:
				k.reconciled[i] = absent(nothingChecks)
			default:
				v := in.Reconciled
				switch what {
				case "juice flow":
					v += k.storedIn
				case "syrup flow":
					v -= k.storedOut
				}
				k.reconciled[i] = value(v, in.ReconciledSigma)
				k.reconciled[i].Reason.Text = k.meanText
			}
		}
	}
}

// flashBetter is by how much the other way of the condensate must fit better, in
// chi-squared: 12 is as likely as three and a half standard deviations. A figure of ours.
const flashBetter = 12

// flashFits reports whether the contradiction is one of the configured condensate flash,
// and the way that fits.
func (k *checking) flashFits(r *evaporator.Reconciliation) (way evaporator.Flash, fits bool) {
	way, err := k.s.set.OtherFlash(&k.m, &k.flash)
	return way, err == nil && !k.flash.GrossError && r.Global-k.flash.Global > flashBetter
}

func (k *checking) suspect(r *evaporator.Reconciliation, s evaporator.Suspicion) Suspect {
	in := r.Instruments[s.Instrument]
	x := k.list[k.find(in)]
	out := Suspect{Set: k.s.equip.Path, What: in.Name(), Tags: k.tags(x), Bias: s.Bias, Z: s.Z, Unit: unitOf(x.what)}
	if s.Z != 0 {
		out.Sigma = math.Abs(s.Bias / s.Z)
	}
	tenth := 0.1 * math.Abs(in.Reading.Value)
	if span := k.span(x); span > 0 {
		tenth = min(tenth, 0.1*span)
	}
	out.Rough = math.Abs(s.Bias) < 4*out.Sigma && out.Sigma > tenth
	var alike []words.Text
	for _, a := range s.Alike {
		alike = k.orElse(alike, &out, k.list[k.find(r.Instruments[a])])
	}
	out.Text = notApart(k.reads(&out, x), alike)
	return out
}

// reads says how a suspect seems to read.
func (k *checking) reads(s *Suspect, x *series) words.Text {
	direction := words.Text("high")
	if s.Bias < 0 {
		direction = "low"
	}
	if s.Rough {
		return words.Say(readsSome, k.short(x), direction)
	}
	off := words.Measure{Value: math.Abs(s.Bias), Unit: s.Unit, Form: "%.2g"}
	return words.Say(readsBy, k.short(x), off, direction, words.Measure{Value: s.Sigma, Unit: s.Unit, Form: "%.2g"})
}

// orElse adds what would explain a contradiction nearly as well.
func (k *checking) orElse(alike []words.Text, s *Suspect, x *series) []words.Text {
	s.Alike = append(s.Alike, k.tags(x)...)
	return append(alike, k.short(x))
}

func notApart(text words.Text, alike []words.Text) words.Text {
	if len(alike) == 0 {
		return text
	}
	return words.Say(orItIs, text, words.Join(alike, orWord))
}

// credible reports whether an instrument can be as wrong as that: what it should
// have read must be possible, and the error no larger than its range. Otherwise it is
// the scapegoat of something that is no instrument at all.
func (k *checking) credible(r *evaporator.Reconciliation, s evaporator.Suspicion) bool {
	in := r.Instruments[s.Instrument]
	x := k.list[k.find(in)]
	if span := k.span(x); span > 0 && math.Abs(s.Bias) > span {
		return false
	}
	low, high := 0.0, math.Inf(1) // flows, absolute pressures
	switch unitOf(x.what) {
	case plant.BrixDim.Canonical():
		high = 95 // as brix_out
	case plant.TempDifference.Canonical():
		high = 220 // as the saturation temperatures
	case plant.Percent.Canonical():
		high = 100
	}
	should := in.Reading.Value - s.Bias
	return should >= low && should <= high
}

// span is the stated range of an instrument that is read as it is, or 0.
func (k *checking) span(x *series) float64 {
	if len(x.inputs) != 1 || x.inputs[0].scale != nil {
		return 0
	}
	if t := &k.house.Tags[x.inputs[0].tag]; t.High > t.Low { // false where not given
		return t.High - t.Low
	}
	return 0
}

// short names a reading by its tag, or by what it is and the first of its tags.
func (k *checking) short(x *series) words.Text {
	tags := k.tags(x)
	if len(tags) == 1 {
		return words.Verbatim(tags[0])
	}
	return words.Say(andMore, x.name(), tags[0], len(tags)-1)
}

func (k *checking) tags(x *series) []string {
	var paths []string
	for _, i := range x.inputs {
		if t := &k.house.Tags[i.tag]; !slices.Contains(paths, t.Path) {
			paths = append(paths, t.Path)
		}
	}
	if len(paths) == 0 {
		paths = append(paths, k.s.equip.Path+" "+x.what.String()+" (assumed)")
	}
	return paths
}

// unitOf is the unit of a reading of the measurement.
func unitOf(what words.Text) string {
	switch {
	case strings.HasSuffix(string(what), "Brix"):
		return plant.BrixDim.Canonical()
	case strings.HasSuffix(string(what), "pressure"):
		return plant.Pressure.Canonical()
	case strings.HasSuffix(string(what), "temperature"):
		return plant.TempDifference.Canonical()
	case what == "purity", what == "level", what == "heat loss":
		return plant.Percent.Canonical()
	}
	return plant.MassFlow.Canonical()
}

// waterInputs are the tags of the water balance, three if it is complete.
func (v *condenserView) waterInputs() []*input {
	var list []*input
	for _, i := range v.in.list {
		if i.dst == &v.water || i.dst == &v.tin || i.dst == &v.tout {
			list = append(list, i)
		}
	}
	return list
}

// vapourByWater is the vapour that the water's warming accounts for.
func (v *condenserView) vapourByWater() evaporator.Reading {
	if !v.water.OK || !v.tin.OK || !v.tout.OK || !v.pressure.OK || v.water.Sigma == 0 || v.tin.Sigma == 0 || v.tout.Sigma == 0 {
		return evaporator.Reading{}
	}
	rise := v.tout.Value - v.tin.Value
	hv, err1 := steam.SatVapourEnthalpy(steam.KPa(v.pressure.Value))
	ho, err2 := steam.LiquidEnthalpyAt(steam.Celsius(v.tout.Value))
	hi, err3 := steam.LiquidEnthalpyAt(steam.Celsius(v.tin.Value))
	if rise < 2 || err1 != nil || err2 != nil || err3 != nil {
		return evaporator.Reading{}
	}
	t := v.water.Value * float64(ho-hi) / float64(hv-ho)
	return evaporator.Reading{Value: t, Sigma: t * math.Hypot(v.water.Sigma/v.water.Value, math.Hypot(v.tin.Sigma, v.tout.Sigma)/rise), OK: t > 0}
}
