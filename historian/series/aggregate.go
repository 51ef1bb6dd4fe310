// Package series answers what somebody asks of many values: the aggregates of
// OPC 10000-13, condensed trends and stored values, written as CSV, JSON, Parquet or
// OpenMetrics; and it takes values in from CSV.
package series

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"calandria/plant"
)

// Aggregate is the name of an aggregate of OPC 10000-13 (v1.05.07, 5.4.3).
type Aggregate string

// aggregates are those that this package computes. The unit is that of the
// result: # stands for the unit of the values.
var aggregates = []struct {
	name Aggregate
	unit string
	of   func(*stretchOf) plant.Point
}{
	{"Interpolative", "#", (*stretchOf).interpolative},
	{"Average", "#", bySamples(false, (*stretchOf).mean)}, // never Partial
	{"TimeAverage", "#", (*stretchOf).timeAverage},
	{"TimeAverage2", "#", (*stretchOf).timeAverage2},
	{"Total", "#*s", overTime((*stretchOf).timeAverage)},
	{"Total2", "#*s", overTime((*stretchOf).timeAverage2)},
	{"Minimum", "#", extreme((*stretchOf).ofGood, -1, false)},
	{"Maximum", "#", extreme((*stretchOf).ofGood, +1, false)},
	{"MinimumActualTime", "#", extreme((*stretchOf).ofGood, -1, true)},
	{"MaximumActualTime", "#", extreme((*stretchOf).ofGood, +1, true)},
	{"Range", "#", extreme((*stretchOf).ofGood, 0, false)},
	{"Minimum2", "#", extreme((*stretchOf).ofBounded, -1, false)},
	{"Maximum2", "#", extreme((*stretchOf).ofBounded, +1, false)},
	{"MinimumActualTime2", "#", extreme((*stretchOf).ofBounded, -1, true)},
	{"MaximumActualTime2", "#", extreme((*stretchOf).ofBounded, +1, true)},
	{"Range2", "#", extreme((*stretchOf).ofBounded, 0, false)},
	{"Count", "", bySamples(true, (*stretchOf).count)},
	{"NumberOfTransitions", "", bySamples(true, (*stretchOf).transitions)},
	{"StandardDeviationSample", "#", bySamples(true, func(x *stretchOf) float64 { return math.Sqrt(x.variance(1)) })},
	{"VarianceSample", "(#)^2", bySamples(true, func(x *stretchOf) float64 { return x.variance(1) })},
	{"StandardDeviationPopulation", "#", bySamples(true, func(x *stretchOf) float64 { return math.Sqrt(x.variance(0)) })},
	{"VariancePopulation", "(#)^2", bySamples(true, func(x *stretchOf) float64 { return x.variance(0) })},
	{"Start", "#", func(x *stretchOf) plant.Point { return x.sampleAt(0) }},
	{"End", "#", func(x *stretchOf) plant.Point { return x.sampleAt(len(x.in) - 1) }},
	{"Delta", "#", (*stretchOf).delta},
	{"StartBound", "#", func(x *stretchOf) plant.Point { b := x.simple(x.s); return x.result(b.v, b.code, b.bits) }},
	{"EndBound", "#", func(x *stretchOf) plant.Point { b := x.simple(x.e); return x.result(b.v, b.code, bitCalculated) }},
	{"DeltaBounds", "#", (*stretchOf).deltaBounds},
	{"DurationGood", "ms", duration(stateGood, false)},
	{"DurationBad", "ms", duration(stateBad, false)},
	{"PercentGood", "%", duration(stateGood, true)},
	{"PercentBad", "%", duration(stateBad, true)},
	{"DurationInStateZero", "ms", inState(true)},
	{"DurationInStateNonZero", "ms", inState(false)},
	{"AnnotationCount", "", (*stretchOf).annotations},
	{"WorstQuality", "", worst(false)},
	{"WorstQuality2", "", worst(true)},
}

// AggregateNames lists them all, sorted.
func AggregateNames() []string {
	var names []string
	for _, a := range aggregates {
		names = append(names, string(a.name))
	}
	slices.Sort(names)
	return names
}

// find gives the place of an aggregate in the table.
func (a Aggregate) find() (int, error) {
	for i := range aggregates {
		if aggregates[i].name == a {
			return i, nil
		}
	}
	return 0, fmt.Errorf("aggregate %q is not known; take one of %s", string(a), strings.Join(AggregateNames(), ", "))
}

// AggregateConfig is the AggregateConfiguration of 4.2.1.2.
type AggregateConfig struct {
	TreatUncertainAsBad    bool
	PercentDataBad         float64 // %; Bad from this share of Bad data on
	PercentDataGood        float64 // %; else Good from this share of Good data on
	UseSlopedExtrapolation bool    // after the last sample go on along the last two
	Stepped                bool    // a value holds until the next
	// Annotations are the times of the values that somebody has annotated, one
	// for each annotation, for AnnotationCount.
	Annotations []time.Time
}

// DefaultAggregateConfig has the defaults of v1.05.07.
func DefaultAggregateConfig() AggregateConfig {
	return AggregateConfig{TreatUncertainAsBad: true, PercentDataBad: 100, PercentDataGood: 100}
}

// Historian bits of a status code (OPC 10000-4, 7.39); infoDataValue makes
// them valid.
const (
	infoDataValue   = 0x0400
	bitCalculated   = 0x01
	bitInterpolated = 0x02
	bitPartial      = 0x04
	bitMultiple     = 0x10
)

const (
	codeGood       = 0x00000000
	codeSubNormal  = 0x40A40000 // Uncertain_DataSubNormal
	codeBadNoData  = 0x809B0000
	codeBad        = 0x80000000
	highBits       = 0xFFFF0000
	oneMillisecond = time.Millisecond // weight of the last sample of the archive
)

// Aggregates computes one result for each interval of [start, end). points are
// the samples of one tag in order of time; they have to reach beyond the range
// on both sides as far as bounds are to be found, and their first and last
// count as the ends of the archive. Samples with Bad_NoData carry no data and
// are left out. interval 0 means one result for all; the last interval may be
// shorter. Results carry the status of the standard, a NaN value where it is
// Bad.
func Aggregates(agg Aggregate, cfg AggregateConfig, points []plant.Point, start, end time.Time, interval time.Duration) ([]plant.Point, error) {
	if cfg.PercentDataBad < 0 || cfg.PercentDataBad > 100 || cfg.PercentDataGood < 0 || cfg.PercentDataGood > 100 ||
		cfg.PercentDataGood < 100-cfg.PercentDataBad {
		return nil, fmt.Errorf("aggregate %s: percentages Good %v and Bad %v; each has to be 0..100 and their sum at least 100", agg, cfg.PercentDataGood, cfg.PercentDataBad)
	}
	if !start.Before(end) || interval < 0 {
		return nil, fmt.Errorf("aggregate %s: the range has to end after it starts, and the interval not be negative", agg)
	}
	row, err := agg.find()
	if err != nil {
		return nil, err
	}
	if interval == 0 {
		interval = end.Sub(start)
	}
	w := &aggregator{cfg: cfg}
	for _, p := range points {
		code := p.Quality.Code()
		r := reading{t: p.Time, v: p.Value, code: code & highBits, state: min(code>>30, stateBad)}
		if math.IsNaN(p.Value) || math.IsInf(p.Value, 0) || cfg.TreatUncertainAsBad && r.state == stateUncertain {
			r.state = stateBad
		}
		if r.code != codeBadNoData {
			w.pts = append(w.pts, r)
		}
	}
	var out []plant.Point
	for s := start; s.Before(end); s = s.Add(interval) {
		x := &stretchOf{aggregator: w, s: s, e: s.Add(interval)}
		if x.e.After(end) {
			x.e, x.partial = end, bitPartial
		}
		out = append(out, x.compute(agg, aggregates[row].of))
	}
	return out, nil
}

// States of a reading, as bounds and percentages take it.
const (
	stateGood = iota
	stateUncertain
	stateBad
)

type reading struct {
	t     time.Time
	v     float64
	code  uint32 // severity and code, without the info bits
	state uint32
}

type aggregator struct {
	cfg AggregateConfig
	pts []reading
}

// from is the index of the first reading at or after t, and whether it is at t.
func (w *aggregator) from(t time.Time) (i int, at bool) {
	i = sort.Search(len(w.pts), func(i int) bool { return !w.pts[i].t.Before(t) })
	return i, i < len(w.pts) && w.pts[i].t.Equal(t)
}

// bound is a value at a time, found or made.
type bound struct {
	v    float64
	code uint32
	bits uint32 // interpolated, or none: a sample is there
}

var noBound = bound{v: nan, code: codeBadNoData}

func (b bound) state() uint32 { return min(b.code>>30, stateBad) }

// simple is the simple bound at t (3.1.9): the adjacent samples even if Bad.
func (w *aggregator) simple(t time.Time) bound {
	i, at := w.from(t)
	switch {
	case at && w.pts[i].state < stateBad:
		return bound{w.pts[i].v, w.pts[i].code, 0}
	case at, i == 0, i == len(w.pts), w.pts[i-1].state == stateBad:
		return noBound
	}
	a, b, code := w.pts[i-1], w.pts[i], uint32(codeGood)
	if a.state != stateGood || !w.cfg.Stepped && b.state != stateGood {
		code = codeSubNormal
	}
	if w.cfg.Stepped || b.state == stateBad {
		return bound{a.v, code, bitInterpolated}
	}
	return bound{between(a, b, t), code, bitInterpolated}
}

func between(a, b reading, t time.Time) float64 {
	return a.v + (b.v-a.v)*float64(t.Sub(a.t))/float64(b.t.Sub(a.t))
}

// interpolated is the interpolated bound at t (3.1.8): the nearest samples that
// are not Bad.
func (w *aggregator) interpolated(t time.Time, stepped bool) bound {
	i, at := w.from(t)
	if at && w.pts[i].state < stateBad {
		return bound{w.pts[i].v, w.pts[i].code, 0}
	}
	before := func(i int) int {
		for i--; i >= 0 && w.pts[i].state == stateBad; i-- {
		}
		return i
	}
	a, b := before(i), i
	if a < 0 {
		return noBound
	}
	for b < len(w.pts) && w.pts[b].state == stateBad {
		b++
	}
	code := uint32(codeGood)
	if w.pts[a].state != stateGood || a != i-1 || at { // a Bad sample exactly at t counts as skipped
		code = codeSubNormal
	}
	switch {
	case b == len(w.pts):
		v := w.pts[a].v
		if z := before(a); w.cfg.UseSlopedExtrapolation && !stepped && z >= 0 {
			v = between(w.pts[z], w.pts[a], t)
		}
		return bound{v, codeSubNormal, bitInterpolated}
	case stepped:
		return bound{w.pts[a].v, code, bitInterpolated}
	case w.pts[b].state != stateGood || b != i:
		code = codeSubNormal
	}
	return bound{between(w.pts[a], w.pts[b], t), code, bitInterpolated}
}

// byShare is the status of 5.4.3.2.1 from the shares of Good and Bad data, %.
func (w *aggregator) byShare(goodPct, badPct float64, anyUncertain bool) uint32 {
	equal := w.cfg.PercentDataGood == w.cfg.PercentDataBad // then Good decides
	isGood := badPct == 0 || equal && goodPct >= w.cfg.PercentDataGood
	switch {
	case !isGood && badPct >= w.cfg.PercentDataBad:
		return codeBad
	case !anyUncertain && (isGood || goodPct >= w.cfg.PercentDataGood):
		return codeGood
	}
	return codeSubNormal
}

// stretchOf is an interval and what there is in it.
type stretchOf struct {
	*aggregator
	s, e    time.Time
	last    time.Time // of the archive
	in      []reading
	n       [3]int // of each state
	partial uint32
}

func (x *stretchOf) compute(agg Aggregate, of func(*stretchOf) plant.Point) plant.Point {
	if agg == "AnnotationCount" { // whatever values there are
		return of(x)
	}
	if len(x.pts) == 0 {
		return x.noData()
	}
	first := x.pts[0].t
	x.last = x.pts[len(x.pts)-1].t
	if agg == "Interpolative" { // goes on after the end, and is never Partial
		return of(x)
	}
	if !x.e.After(first) || x.s.After(x.last) {
		return x.noData()
	}
	if x.s.Before(first) || x.e.After(x.last) {
		x.partial = bitPartial
	}
	i, _ := x.from(x.s)
	j, _ := x.from(x.e)
	x.in = x.pts[i:j]
	for _, p := range x.in {
		x.n[p.state]++
	}
	return of(x)
}

func resultAt(t time.Time, v float64, code, bits uint32) plant.Point {
	if bits != 0 {
		code |= infoDataValue | bits
	}
	return plant.Point{Time: t, Value: v, Quality: plant.QualityOf(code)}
}

func (x *stretchOf) result(v float64, code, bits uint32) plant.Point {
	return resultAt(x.s, v, code, bits|x.partial)
}

func (x *stretchOf) noData() plant.Point { return resultAt(x.s, nan, codeBadNoData, 0) }

func (x *stretchOf) interpolative() plant.Point {
	b := x.interpolated(x.s, x.cfg.Stepped)
	return resultAt(x.s, b.v, b.code, b.bits)
}

// bySamples makes an aggregate of a value over the samples, NaN for no data, with
// the status by their number.
func bySamples(partial bool, value func(*stretchOf) float64) func(*stretchOf) plant.Point {
	return func(x *stretchOf) plant.Point {
		v, n := value(x), float64(len(x.in))
		if math.IsNaN(v) || n == 0 {
			return x.noData()
		}
		bits := uint32(bitCalculated)
		if partial {
			bits |= x.partial
		}
		code := x.byShare(100*(n-float64(x.n[stateBad]))/n, 100*float64(x.n[stateBad])/n, x.n[stateUncertain] > 0)
		if code == codeBad {
			return resultAt(x.s, nan, codeBad, 0)
		}
		return resultAt(x.s, v, code, bits)
	}
}

func (x *stretchOf) count() float64 { return float64(x.n[stateGood]) }

func (x *stretchOf) mean() float64 {
	var sum float64
	for _, p := range x.in {
		if p.state == stateGood {
			sum += p.v
		}
	}
	return sum / float64(x.n[stateGood])
}

// variance divides by the number of values less so many.
func (x *stretchOf) variance(less int) float64 {
	mean, sum := x.mean(), 0.0
	for _, p := range x.in {
		if p.state == stateGood {
			sum += (p.v - mean) * (p.v - mean)
		}
	}
	if x.n[stateGood] > 0 && x.n[stateGood] == less {
		return 0
	}
	return sum / float64(x.n[stateGood]-less)
}

// transitions is 5.4.3.24: changes between samples that are not Bad, the first
// one compared with the last before the interval; none there is a change.
func (x *stretchOf) transitions() (n float64) {
	i, _ := x.from(x.s)
	for i--; i >= 0 && x.pts[i].state == stateBad; i-- {
	}
	before := nan
	if i >= 0 {
		before = x.pts[i].v
	}
	for _, p := range x.in {
		if p.state < stateBad {
			if p.v != before {
				n++
			}
			before = p.v
		}
	}
	return n
}

// sampleAt is a sample of the interval as it is.
func (x *stretchOf) sampleAt(i int) plant.Point {
	if len(x.in) == 0 {
		return x.noData()
	}
	p := x.in[i]
	if p.code>>30 >= stateBad {
		p.v = nan
	}
	return resultAt(p.t, p.v, p.code, x.partial)
}

func (x *stretchOf) delta() plant.Point {
	if x.n[stateGood] == 0 {
		return x.noData()
	}
	isGood := func(p reading) bool { return p.state == stateGood }
	i := slices.IndexFunc(x.in, isGood)
	j := len(x.in) - 1
	for !isGood(x.in[j]) {
		j--
	}
	code := uint32(codeGood)
	if i > 0 || j < len(x.in)-1 {
		code = codeSubNormal
	}
	return x.result(x.in[j].v-x.in[i].v, code, bitCalculated)
}

func (x *stretchOf) deltaBounds() plant.Point {
	a, b := x.simple(x.s), x.simple(x.e)
	switch max(a.state(), b.state()) {
	case stateBad:
		return x.result(nan, codeBadNoData, 0)
	case stateUncertain:
		return x.result(b.v-a.v, codeSubNormal, bitCalculated)
	}
	return x.result(b.v-a.v, codeGood, bitCalculated)
}

// candidate is what may be the smallest or greatest.
type candidate struct {
	t    time.Time
	v    float64
	bits uint32
}

// extreme makes an aggregate of the candidates: the smallest (-1), the greatest
// (+1), or the distance between them (0). status is that of the extreme on a side.
func extreme(candidates func(*stretchOf) (all []candidate, status func(sign, v float64) uint32), side float64, actualTime bool) func(*stretchOf) plant.Point {
	return func(x *stretchOf) plant.Point {
		all, status := candidates(x)
		if len(all) == 0 {
			return x.noData()
		}
		find := func(sign float64) (at candidate) {
			n := 0
			for _, c := range all {
				if n == 0 || sign*c.v > sign*at.v {
					at, n = c, 1
				} else if c.v == at.v {
					n++
				}
			}
			if n > 1 {
				at.bits |= bitMultiple
			}
			return at
		}
		lo, hi := find(-1), find(+1)
		c, code := lo, max(status(-1, lo.v), status(+1, hi.v))
		switch {
		case code == codeBad:
			return x.result(nan, codeBad, bitCalculated)
		case side == 0:
			return x.result(hi.v-lo.v, code, bitCalculated)
		case side > 0:
			c = hi
		}
		if code = status(side, c.v); actualTime {
			return resultAt(c.t, c.v, code, c.bits&^bitCalculated|x.partial)
		}
		return x.result(c.v, code, c.bits)
	}
}

// ofGood is 5.4.3.10 to .14: Good samples only.
func (x *stretchOf) ofGood() (all []candidate, status func(sign, v float64) uint32) {
	for _, p := range x.in {
		if p.state == stateGood {
			c := candidate{p.t, p.v, bitCalculated}
			if p.t.Equal(x.s) { // Raw only if it sits on the start
				c.bits = 0
			}
			all = append(all, c)
		}
	}
	return all, func(sign, v float64) uint32 {
		for _, p := range x.in {
			if p.state == stateBad || p.state == stateUncertain && sign*p.v > sign*v {
				return codeSubNormal
			}
		}
		return codeGood
	}
}

// ofBounded is 5.4.3.15 to .19: samples that are not Bad, and simple bounds. The
// bound at the end counts for sloped tags only and is stamped 1 ms before it.
func (x *stretchOf) ofBounded() (all []candidate, status func(sign, v float64) uint32) {
	if b := x.simple(x.s); b.state() < stateBad {
		all = append(all, candidate{x.s, b.v, b.bits})
	}
	for _, p := range x.in {
		if p.state < stateBad && !p.t.Equal(x.s) {
			all = append(all, candidate{p.t, p.v, bitCalculated})
		}
	}
	if b := x.simple(x.e); !x.cfg.Stepped && b.state() < stateBad {
		all = append(all, candidate{x.e.Add(-oneMillisecond), b.v, bitInterpolated})
	}
	code := x.byTime()
	return all, func(float64, float64) uint32 { return code }
}

// overTime makes a total of an average (5.4.3.8, .9): it times the length of the
// interval in s, so over the time without data the mean of the rest is taken.
func overTime(average func(*stretchOf) plant.Point) func(*stretchOf) plant.Point {
	return func(x *stretchOf) plant.Point {
		p := average(x)
		p.Value *= x.e.Sub(x.s).Seconds()
		return p
	}
}

// timeAverage is 5.4.3.6: the area under straight lines, also for stepped tags.
func (x *stretchOf) timeAverage() plant.Point {
	var ks []reading // what lines go through
	begin, end := x.interpolated(x.s, false), x.interpolated(x.e, false)
	worst := max(begin.state(), x.worstState()) // without a begin only the time with data counts
	if begin.state() < stateBad {
		ks = append(ks, reading{t: x.s, v: begin.v})
	}
	for _, p := range x.in {
		if p.state < stateBad && !p.t.Equal(x.s) {
			ks = append(ks, p)
		}
	}
	if end.state() < stateBad {
		ks = append(ks, reading{t: x.e, v: end.v})
		worst = max(worst, end.state())
	}
	var area, length float64
	for i := 1; i < len(ks); i++ {
		d := ks[i].t.Sub(ks[i-1].t).Seconds()
		area += d * (ks[i].v + ks[i-1].v) / 2
		length += d
	}
	if length == 0 {
		return x.noData()
	}
	code := uint32(codeGood)
	if worst > stateGood {
		code = codeSubNormal
	}
	return x.result(area/length, code, bitCalculated)
}

// worstState is that of the worst sample.
func (x *stretchOf) worstState() (worst uint32) {
	for _, p := range x.in {
		worst = max(worst, p.state)
	}
	return worst
}

// region is a piece of an interval between samples, bounds counting as such.
type region struct {
	length float64 // s
	a, b   float64 // values at its ends
	state  uint32
	begun  uint32 // state of the sample that begins it
}

// regions divides an interval by the rules of simple bounds. The last sample of
// the archive weighs one millisecond.
func (x *stretchOf) regions() (rs []region) {
	e := x.e
	if e.After(x.last) {
		e = x.last.Add(oneMillisecond)
	}
	begin, end := x.simple(x.s), x.simple(e)
	at := reading{t: x.s, v: begin.v, state: begin.state()}
	if len(x.in) > 0 && x.in[0].t.Equal(x.s) {
		at.state = x.in[0].state
	}
	for _, next := range append(slices.Clone(x.in), reading{t: e, v: end.v, state: end.state()}) {
		r := region{length: next.t.Sub(at.t).Seconds(), a: at.v, b: next.v, state: at.state, begun: at.state}
		switch {
		case r.length <= 0:
			continue
		case r.state == stateBad:
		case x.cfg.Stepped:
			r.b = r.a
		case next.state == stateBad: // it holds, Uncertain
			r.b, r.state = r.a, stateUncertain
		case next.state == stateUncertain:
			r.state = stateUncertain
		}
		rs, at = append(rs, r), next
	}
	return rs
}

// byTime is the status by the time of regions.
func (x *stretchOf) byTime() uint32 {
	var of [3]float64
	for _, r := range x.regions() {
		of[r.state] += r.length
	}
	all := of[stateGood] + of[stateUncertain] + of[stateBad]
	return x.byShare(100*of[stateGood]/all, 100*of[stateBad]/all, of[stateUncertain] > 0)
}

// byRegions is a value with the status by the time of regions.
func (x *stretchOf) byRegions(v float64) plant.Point {
	code := x.byTime()
	if code == codeBad {
		v = nan
	}
	return x.result(v, code, bitCalculated)
}

// timeAverage2 is 5.4.3.7: the area over the regions that have a value.
func (x *stretchOf) timeAverage2() plant.Point {
	var area, length float64
	for _, r := range x.regions() {
		if r.state < stateBad {
			area += r.length * (r.a + r.b) / 2
			length += r.length
		}
	}
	if length == 0 {
		return x.noData()
	}
	return x.byRegions(area / length)
}

// inState is 5.4.3.22 and .23: the time in which a value that is not Bad was
// zero, or was not.
func inState(zero bool) func(*stretchOf) plant.Point {
	return func(x *stretchOf) plant.Point {
		var ms float64
		for _, r := range x.regions() {
			if r.state < stateBad && (r.a == 0) == zero {
				ms += r.length * 1000
			}
		}
		return x.byRegions(ms)
	}
}

// duration is 5.4.3.31 to .34: each region has the state of the sample that
// begins it, the first one that of the simple bound; Uncertain counts in neither.
func duration(state uint32, percent bool) func(*stretchOf) plant.Point {
	return func(x *stretchOf) plant.Point {
		var s, all float64
		for _, r := range x.regions() {
			all += r.length
			if r.begun == state {
				s += r.length
			}
		}
		if percent {
			return x.result(100*s/all, codeGood, bitCalculated)
		}
		return x.result(1000*s, codeGood, bitCalculated)
	}
}

func (x *stretchOf) annotations() plant.Point {
	n := 0
	for _, t := range x.cfg.Annotations {
		if !t.Before(x.s) && t.Before(x.e) {
			n++
		}
	}
	return resultAt(x.s, float64(n), codeGood, bitCalculated)
}

// worst is 5.4.3.35 and .36: the status code of the worst sample, of several the
// first; the second one takes the simple bound at the start too.
func worst(bounded bool) func(*stretchOf) plant.Point {
	return func(x *stretchOf) plant.Point {
		var codes []uint32
		if bounded {
			codes = append(codes, x.simple(x.s).code)
		}
		for _, p := range x.in {
			if !bounded || !p.t.Equal(x.s) {
				codes = append(codes, p.code)
			}
		}
		if len(codes) == 0 {
			return x.noData()
		}
		severity := func(a, b uint32) int { return int(min(a>>30, stateBad)) - int(min(b>>30, stateBad)) }
		worst, bits := slices.MaxFunc(codes, severity), uint32(bitCalculated)
		for i, n := 0, 0; i < len(codes) && severity(worst, 0) > 0; i++ {
			if severity(codes[i], worst) == 0 {
				if n++; n > 1 {
					bits |= bitMultiple
				}
			}
		}
		return x.result(float64(worst), codeGood, bits)
	}
}
