package historian

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

// The aggregates this package computes.
const (
	Interpolative               Aggregate = "Interpolative"
	Average                     Aggregate = "Average"
	TimeAverage                 Aggregate = "TimeAverage"
	Minimum                     Aggregate = "Minimum"
	Maximum                     Aggregate = "Maximum"
	MinimumActualTime           Aggregate = "MinimumActualTime"
	MaximumActualTime           Aggregate = "MaximumActualTime"
	Range                       Aggregate = "Range"
	Count                       Aggregate = "Count"
	StartValue                  Aggregate = "Start"
	EndValue                    Aggregate = "End"
	Delta                       Aggregate = "Delta"
	StartBound                  Aggregate = "StartBound"
	EndBound                    Aggregate = "EndBound"
	DeltaBounds                 Aggregate = "DeltaBounds"
	DurationGood                Aggregate = "DurationGood" // ms
	DurationBad                 Aggregate = "DurationBad"  // ms
	PercentGood                 Aggregate = "PercentGood"
	PercentBad                  Aggregate = "PercentBad"
	StandardDeviationSample     Aggregate = "StandardDeviationSample"
	VarianceSample              Aggregate = "VarianceSample"
	StandardDeviationPopulation Aggregate = "StandardDeviationPopulation"
	VariancePopulation          Aggregate = "VariancePopulation"
	TimeAverage2                Aggregate = "TimeAverage2"
	Total                       Aggregate = "Total"  // the tag's unit times seconds
	Total2                      Aggregate = "Total2" // the tag's unit times seconds
	Minimum2                    Aggregate = "Minimum2"
	Maximum2                    Aggregate = "Maximum2"
	MinimumActualTime2          Aggregate = "MinimumActualTime2"
	MaximumActualTime2          Aggregate = "MaximumActualTime2"
	Range2                      Aggregate = "Range2"
	AnnotationCount             Aggregate = "AnnotationCount"
	DurationInStateZero         Aggregate = "DurationInStateZero"    // ms
	DurationInStateNonZero      Aggregate = "DurationInStateNonZero" // ms
	NumberOfTransitions         Aggregate = "NumberOfTransitions"
	WorstQuality                Aggregate = "WorstQuality"  // a status code
	WorstQuality2               Aggregate = "WorstQuality2" // a status code
)

// aggregates is what each of them does with an interval.
var aggregates = map[Aggregate]func(*aggregator, *stretchOf) plant.Point{
	Average:                     (*aggregator).average,
	Count:                       (*aggregator).count,
	StandardDeviationSample:     (*aggregator).spread,
	StandardDeviationPopulation: (*aggregator).spread,
	VarianceSample:              (*aggregator).spread,
	VariancePopulation:          (*aggregator).spread,
	Minimum:                     (*aggregator).extreme,
	Maximum:                     (*aggregator).extreme,
	MinimumActualTime:           (*aggregator).extreme,
	MaximumActualTime:           (*aggregator).extreme,
	Range:                       (*aggregator).extreme,
	Minimum2:                    (*aggregator).extreme2,
	Maximum2:                    (*aggregator).extreme2,
	MinimumActualTime2:          (*aggregator).extreme2,
	MaximumActualTime2:          (*aggregator).extreme2,
	Range2:                      (*aggregator).extreme2,
	StartValue:                  (*aggregator).firstLast,
	EndValue:                    (*aggregator).firstLast,
	Delta:                       (*aggregator).delta,
	StartBound:                  (*aggregator).bounds,
	EndBound:                    (*aggregator).bounds,
	DeltaBounds:                 (*aggregator).bounds,
	TimeAverage:                 (*aggregator).timeAverage,
	Total:                       (*aggregator).timeAverage,
	TimeAverage2:                (*aggregator).timeAverage2,
	Total2:                      (*aggregator).timeAverage2,
	DurationGood:                (*aggregator).durations,
	DurationBad:                 (*aggregator).durations,
	PercentGood:                 (*aggregator).durations,
	PercentBad:                  (*aggregator).durations,
	DurationInStateZero:         (*aggregator).inState,
	DurationInStateNonZero:      (*aggregator).inState,
	NumberOfTransitions:         (*aggregator).transitions,
	AnnotationCount:             (*aggregator).annotations,
	WorstQuality:                (*aggregator).worst,
	WorstQuality2:               (*aggregator).worst,
}

// AggregateNames lists them all, sorted.
func AggregateNames() []string {
	names := []string{string(Interpolative)}
	for a := range aggregates {
		names = append(names, string(a))
	}
	slices.Sort(names)
	return names
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
	if interval == 0 {
		interval = end.Sub(start)
	}
	w := &aggregator{cfg: cfg}
	for _, p := range points {
		if p.Quality.Code()&0xFFFF0000 != plant.BadNoData.Code() {
			w.pts = append(w.pts, p)
		}
	}
	var out []plant.Point
	for s := start; s.Before(end); s = s.Add(interval) {
		e := s.Add(interval)
		cut := e.After(end)
		if cut {
			e = end
		}
		p, err := w.interval(agg, s, e, cut)
		if err != nil {
			return nil, err
		}
		out = append(out, p)
	}
	return out, nil
}

type aggregator struct {
	cfg AggregateConfig
	pts []plant.Point
}

// bad is a sample that bounds and percentages take for Bad.
func (w *aggregator) bad(p plant.Point) bool {
	return p.Quality.IsBad() || math.IsNaN(p.Value) || math.IsInf(p.Value, 0) ||
		w.cfg.TreatUncertainAsBad && p.Quality.IsUncertain()
}

func usableGood(p plant.Point) bool {
	return p.Quality.IsGood() && !math.IsNaN(p.Value) && !math.IsInf(p.Value, 0)
}

// from is the index of the first sample at or after t.
func (w *aggregator) from(t time.Time) int {
	return sort.Search(len(w.pts), func(i int) bool { return !w.pts[i].Time.Before(t) })
}

func result(t time.Time, v float64, code uint32, bits uint32) plant.Point {
	if bits != 0 {
		code |= infoDataValue | bits
	}
	return plant.Point{Time: t, Value: v, Quality: plant.QualityOf(code)}
}

const (
	codeGood       = 0x00000000
	codeSubNormal  = 0x40A40000 // Uncertain_DataSubNormal
	codeBadNoData  = 0x809B0000
	codeBad        = 0x80000000
	highBits       = 0xFFFF0000
	oneMillisecond = time.Millisecond // weight of the last sample of the archive
)

// bound is a value at a time, found or made.
type bound struct {
	v    float64
	code uint32
	bits uint32 // interpolated, or none: a sample is there
}

var noBound = bound{v: math.NaN(), code: codeBadNoData}

// simple is the simple bound at t (3.1.9): the adjacent samples even if Bad.
func (w *aggregator) simple(t time.Time) bound {
	i := w.from(t)
	if i < len(w.pts) && w.pts[i].Time.Equal(t) {
		if p := w.pts[i]; !w.bad(p) {
			return bound{p.Value, p.Quality.Code() & highBits, 0}
		}
		return noBound
	}
	if i == 0 || w.bad(w.pts[i-1]) {
		return noBound
	}
	a := w.pts[i-1]
	if i == len(w.pts) {
		return noBound
	}
	b := w.pts[i]
	code := uint32(codeGood)
	if !a.Quality.IsGood() {
		code = codeSubNormal
	}
	if w.cfg.Stepped {
		return bound{a.Value, code, bitInterpolated}
	}
	if w.bad(b) {
		return bound{a.Value, codeSubNormal, bitInterpolated}
	}
	if !b.Quality.IsGood() {
		code = codeSubNormal
	}
	return bound{between(a, b, t), code, bitInterpolated}
}

func between(a, b plant.Point, t time.Time) float64 {
	return a.Value + (b.Value-a.Value)*float64(t.Sub(a.Time))/float64(b.Time.Sub(a.Time))
}

// interpolated is the interpolated bound at t (3.1.8): the nearest samples that
// are not Bad.
func (w *aggregator) interpolated(t time.Time, stepped bool) bound {
	i := w.from(t)
	if i < len(w.pts) && w.pts[i].Time.Equal(t) && !w.bad(w.pts[i]) {
		return bound{w.pts[i].Value, w.pts[i].Quality.Code() & highBits, 0}
	}
	a := i - 1
	for a >= 0 && w.bad(w.pts[a]) {
		a--
	}
	if a < 0 {
		return noBound
	}
	b := i
	for b < len(w.pts) && w.bad(w.pts[b]) {
		b++
	}
	code := uint32(codeGood)
	if !w.pts[a].Quality.IsGood() || a != i-1 {
		code = codeSubNormal
	}
	// A Bad sample exactly at t counts as skipped.
	if i < len(w.pts) && w.pts[i].Time.Equal(t) {
		code = codeSubNormal
	}
	switch {
	case b == len(w.pts):
		v := w.pts[a].Value
		if w.cfg.UseSlopedExtrapolation && !stepped {
			z := a - 1
			for z >= 0 && w.bad(w.pts[z]) {
				z--
			}
			if z >= 0 {
				v = between(w.pts[z], w.pts[a], t)
			}
		}
		return bound{v, codeSubNormal, bitInterpolated}
	case stepped:
		return bound{w.pts[a].Value, code, bitInterpolated}
	}
	if !w.pts[b].Quality.IsGood() || b != i {
		code = codeSubNormal
	}
	return bound{between(w.pts[a], w.pts[b], t), code, bitInterpolated}
}

// byShare is the status of 5.4.3.2.1 from the shares of Good and Bad data, %.
func (w *aggregator) byShare(good, bad float64, uncertain bool) uint32 {
	code := uint32(codeSubNormal)
	equal := w.cfg.PercentDataGood == w.cfg.PercentDataBad // then Good decides
	switch {
	case bad == 0, equal && good >= w.cfg.PercentDataGood:
		code = codeGood
	case bad >= w.cfg.PercentDataBad:
		return codeBad
	case good >= w.cfg.PercentDataGood:
		code = codeGood
	}
	if uncertain {
		return codeSubNormal
	}
	return code
}

// stretchOf is an interval and what there is in it.
type stretchOf struct {
	agg         Aggregate
	s, e        time.Time
	last        time.Time // of the archive
	in          []plant.Point
	partial     uint32
	nGood, nBad int
	uncertain   bool
}

func (w *aggregator) interval(agg Aggregate, s, e time.Time, cut bool) (plant.Point, error) {
	f, ok := aggregates[agg]
	if !ok && agg != Interpolative {
		return plant.Point{}, fmt.Errorf("aggregate %q is not known; take one of %s", string(agg), strings.Join(AggregateNames(), ", "))
	}
	iv := &stretchOf{agg: agg, s: s, e: e}
	if agg == AnnotationCount { // whatever values there are
		return f(w, iv), nil
	}
	if len(w.pts) == 0 {
		return iv.noData(), nil
	}
	first, last := w.pts[0].Time, w.pts[len(w.pts)-1].Time
	if agg == Interpolative { // goes on after the end, and is never Partial
		b := w.interpolated(s, w.cfg.Stepped)
		return result(s, b.v, b.code, b.bits), nil
	}
	if !e.After(first) || s.After(last) {
		return iv.noData(), nil
	}
	if s.Before(first) || e.After(last) || cut {
		iv.partial = bitPartial
	}
	iv.in, iv.last = w.pts[w.from(s):w.from(e)], last
	for _, p := range iv.in {
		switch {
		case usableGood(p):
			iv.nGood++
		case w.bad(p):
			iv.nBad++
		default:
			iv.uncertain = true
		}
	}
	return f(w, iv), nil
}

func (iv *stretchOf) noData() plant.Point { return result(iv.s, nan, codeBadNoData, 0) }

// byCount is the status by the number of samples; not for an empty interval.
func (w *aggregator) byCount(iv *stretchOf) uint32 {
	n := float64(len(iv.in))
	return w.byShare(100*(n-float64(iv.nBad))/n, 100*float64(iv.nBad)/n, iv.uncertain)
}

// counted is a value with the status by the number of samples.
func (w *aggregator) counted(iv *stretchOf, v float64, bits uint32) plant.Point {
	code := w.byCount(iv)
	if code == codeBad {
		return result(iv.s, nan, codeBad, 0)
	}
	return result(iv.s, v, code, bits)
}

func (w *aggregator) count(iv *stretchOf) plant.Point {
	if len(iv.in) == 0 {
		return iv.noData()
	}
	return w.counted(iv, float64(iv.nGood), bitCalculated|iv.partial)
}

func (iv *stretchOf) mean() float64 {
	var sum float64
	for _, p := range iv.in {
		if usableGood(p) {
			sum += p.Value
		}
	}
	return sum / float64(iv.nGood)
}

func (w *aggregator) average(iv *stretchOf) plant.Point {
	if iv.nGood == 0 {
		return iv.noData()
	}
	return w.counted(iv, iv.mean(), bitCalculated) // never Partial
}

func (w *aggregator) spread(iv *stretchOf) plant.Point {
	if iv.nGood == 0 {
		return iv.noData()
	}
	mean, sq := iv.mean(), 0.0
	for _, p := range iv.in {
		if usableGood(p) {
			sq += (p.Value - mean) * (p.Value - mean)
		}
	}
	v := 0.0
	switch {
	case iv.agg == StandardDeviationPopulation || iv.agg == VariancePopulation:
		v = sq / float64(iv.nGood)
	case iv.nGood > 1:
		v = sq / float64(iv.nGood-1)
	}
	if iv.agg == StandardDeviationSample || iv.agg == StandardDeviationPopulation {
		v = math.Sqrt(v)
	}
	return w.counted(iv, v, bitCalculated|iv.partial)
}

func (w *aggregator) firstLast(iv *stretchOf) plant.Point {
	if len(iv.in) == 0 {
		return iv.noData()
	}
	p := iv.in[0]
	if iv.agg == EndValue {
		p = iv.in[len(iv.in)-1]
	}
	v := p.Value
	if p.Quality.IsBad() {
		v = nan
	}
	return result(p.Time, v, p.Quality.Code()&highBits, iv.partial)
}

func (w *aggregator) delta(iv *stretchOf) plant.Point {
	if iv.nGood == 0 {
		return iv.noData()
	}
	a, b := nan, nan
	for _, p := range iv.in {
		if usableGood(p) {
			if math.IsNaN(a) {
				a = p.Value
			}
			b = p.Value
		}
	}
	code := uint32(codeGood)
	if !usableGood(iv.in[0]) || !usableGood(iv.in[len(iv.in)-1]) {
		code = codeSubNormal
	}
	return result(iv.s, b-a, code, bitCalculated|iv.partial)
}

func (w *aggregator) bounds(iv *stretchOf) plant.Point {
	a, b := w.simple(iv.s), w.simple(iv.e)
	switch iv.agg {
	case StartBound:
		return result(iv.s, a.v, a.code, a.bits|iv.partial)
	case EndBound:
		return result(iv.s, b.v, b.code, bitCalculated|iv.partial)
	}
	code := uint32(codeGood)
	switch {
	case a.code>>30 >= 2 || b.code>>30 >= 2:
		return result(iv.s, nan, codeBadNoData, iv.partial)
	case a.code>>30 == 1 || b.code>>30 == 1:
		code = codeSubNormal
	}
	return result(iv.s, b.v-a.v, code, bitCalculated|iv.partial)
}

// extreme is 5.4.3.10 to .14: over Good samples only.
func (w *aggregator) extreme(iv *stretchOf) plant.Point {
	find := func(sign float64) (at plant.Point, code uint32, bits uint32, ok bool) {
		n := 0
		for _, p := range iv.in {
			if !usableGood(p) {
				continue
			}
			if n == 0 || sign*p.Value > sign*at.Value {
				at, n = p, 1
			} else if p.Value == at.Value {
				n++
			}
		}
		if n == 0 {
			return at, 0, 0, false
		}
		for _, p := range iv.in {
			if p.Quality.IsBad() || w.bad(p) || p.Quality.IsUncertain() && sign*p.Value > sign*at.Value {
				code = codeSubNormal
			}
		}
		if n > 1 {
			bits = bitMultiple
		}
		return at, code, bits, true
	}
	lo, loCode, loBits, ok := find(-1)
	hi, hiCode, hiBits, _ := find(+1)
	if !ok {
		return iv.noData()
	}
	raw := func(p plant.Point) uint32 { // Raw only if it sits on the start
		if p.Time.Equal(iv.s) {
			return 0
		}
		return bitCalculated
	}
	switch iv.agg {
	case Minimum:
		return result(iv.s, lo.Value, loCode, raw(lo)|loBits|iv.partial)
	case Maximum:
		return result(iv.s, hi.Value, hiCode, raw(hi)|hiBits|iv.partial)
	case MinimumActualTime:
		return result(lo.Time, lo.Value, loCode, loBits|iv.partial)
	case MaximumActualTime:
		return result(hi.Time, hi.Value, hiCode, hiBits|iv.partial)
	}
	return result(iv.s, hi.Value-lo.Value, max(loCode, hiCode), bitCalculated|iv.partial)
}

// extreme2 is 5.4.3.15 to .19: samples that are not Bad, and simple bounds. The
// bound at the end counts for sloped tags only and is stamped 1 ms before it.
func (w *aggregator) extreme2(iv *stretchOf) plant.Point {
	type candidate struct {
		t    time.Time
		v    float64
		bits uint32
	}
	var all []candidate
	if b := w.simple(iv.s); b.code>>30 < 2 {
		all = append(all, candidate{iv.s, b.v, b.bits})
	}
	for _, p := range iv.in {
		if !w.bad(p) && !p.Time.Equal(iv.s) {
			all = append(all, candidate{p.Time, p.Value, bitCalculated})
		}
	}
	if b := w.simple(iv.e); !w.cfg.Stepped && b.code>>30 < 2 {
		all = append(all, candidate{iv.e.Add(-oneMillisecond), b.v, bitInterpolated})
	}
	code := w.byTime(iv)
	switch {
	case len(all) == 0:
		return iv.noData()
	case code == codeBad:
		return result(iv.s, nan, codeBad, bitCalculated|iv.partial)
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
	switch iv.agg {
	case Minimum2:
		return result(iv.s, lo.v, code, lo.bits|iv.partial)
	case Maximum2:
		return result(iv.s, hi.v, code, hi.bits|iv.partial)
	case MinimumActualTime2:
		return result(lo.t, lo.v, code, lo.bits&^bitCalculated|iv.partial)
	case MaximumActualTime2:
		return result(hi.t, hi.v, code, hi.bits&^bitCalculated|iv.partial)
	}
	return result(iv.s, hi.v-lo.v, code, bitCalculated|iv.partial)
}

// timeAverage is 5.4.3.6: the area under straight lines, also for stepped tags.
// Total (5.4.3.8) is that times the length of the interval in s: over the time
// without data the mean of the rest is taken.
func (w *aggregator) timeAverage(iv *stretchOf) plant.Point {
	type knot struct {
		t time.Time
		v float64
	}
	var ks []knot
	code := uint32(codeGood)
	if b := w.interpolated(iv.s, false); b.code>>30 < 2 {
		ks = append(ks, knot{iv.s, b.v})
		if b.code>>30 != 0 {
			code = codeSubNormal
		}
	} else {
		code = codeSubNormal // only the time with data counts
	}
	for _, p := range iv.in {
		switch {
		case w.bad(p):
			code = codeSubNormal
		case !p.Time.Equal(iv.s):
			ks = append(ks, knot{p.Time, p.Value})
			fallthrough
		default:
			if !p.Quality.IsGood() {
				code = codeSubNormal
			}
		}
	}
	if b := w.interpolated(iv.e, false); b.code>>30 < 2 {
		ks = append(ks, knot{iv.e, b.v})
		if b.code>>30 != 0 {
			code = codeSubNormal
		}
	}
	var area, length float64
	for i := 1; i < len(ks); i++ {
		d := ks[i].t.Sub(ks[i-1].t).Seconds()
		area += d * (ks[i].v + ks[i-1].v) / 2
		length += d
	}
	if length == 0 {
		return iv.noData()
	}
	return result(iv.s, iv.total(area/length), code, bitCalculated|iv.partial)
}

// total makes a total of an average, for the aggregates that are one.
func (iv *stretchOf) total(mean float64) float64 {
	if iv.agg == Total || iv.agg == Total2 {
		return mean * iv.e.Sub(iv.s).Seconds()
	}
	return mean
}

// region is a piece of an interval between samples, bounds counting as such.
type region struct {
	length float64 // s
	a, b   float64 // values at its ends
	state  uint32  // 0 Good, 1 Uncertain, 2 Bad
}

// regions divides an interval by the rules of simple bounds. The last sample of
// the archive weighs one millisecond.
func (w *aggregator) regions(iv *stretchOf) []region {
	e := iv.e
	if e.After(iv.last) {
		e = iv.last.Add(oneMillisecond)
	}
	begin := w.simple(iv.s)
	at, v, state := iv.s, begin.v, min(begin.code>>30, 2)
	stateOf := func(p plant.Point) uint32 {
		switch {
		case w.bad(p):
			return 2
		case p.Quality.IsGood():
			return 0
		}
		return 1
	}
	if len(iv.in) > 0 && iv.in[0].Time.Equal(iv.s) {
		state = stateOf(iv.in[0])
	}
	var rs []region
	end := func(t time.Time, next float64, nextState uint32) {
		r := region{length: t.Sub(at).Seconds(), a: v, b: next, state: state}
		switch {
		case state == 2:
		case w.cfg.Stepped:
			r.b = v
		case nextState == 2: // it holds, Uncertain
			r.b, r.state = v, 1
		case nextState == 1:
			r.state = 1
		}
		if r.length > 0 {
			rs = append(rs, r)
		}
	}
	for _, p := range iv.in {
		if p.Time.Equal(iv.s) {
			continue
		}
		ps := stateOf(p)
		end(p.Time, p.Value, ps)
		at, v, state = p.Time, p.Value, ps
	}
	last := w.simple(e)
	end(e, last.v, min(last.code>>30, 2))
	return rs
}

// byTime is the status by the time of regions.
func (w *aggregator) byTime(iv *stretchOf) uint32 {
	var good, bad, all float64
	uncertain := false
	for _, r := range w.regions(iv) {
		all += r.length
		switch r.state {
		case 0:
			good += r.length
		case 2:
			bad += r.length
		default:
			uncertain = true
		}
	}
	return w.byShare(100*good/all, 100*bad/all, uncertain)
}

// timeAverage2 is 5.4.3.7: the area over the regions that have a value. Total2
// (5.4.3.9) is that times the length of the interval, as for Total.
func (w *aggregator) timeAverage2(iv *stretchOf) plant.Point {
	var area, length float64
	for _, r := range w.regions(iv) {
		if r.state < 2 {
			area += r.length * (r.a + r.b) / 2
			length += r.length
		}
	}
	code := w.byTime(iv)
	switch {
	case length == 0:
		return iv.noData()
	case code == codeBad:
		return result(iv.s, nan, codeBad, bitCalculated|iv.partial)
	}
	return result(iv.s, iv.total(area/length), code, bitCalculated|iv.partial)
}

// durations is 5.4.3.31 to .34: each region has the status of the sample that
// begins it, the first one that of the simple bound; Uncertain counts in
// neither. The last sample of the archive weighs one millisecond.
func (w *aggregator) durations(iv *stretchOf) plant.Point {
	e := iv.e
	if e.After(iv.last) {
		e = iv.last.Add(oneMillisecond)
	}
	var good, bad time.Duration
	at, state := iv.s, w.simple(iv.s).code>>30
	credit := func(to time.Time) {
		switch {
		case state == 0:
			good += to.Sub(at)
		case state >= 2:
			bad += to.Sub(at)
		}
		at = to
	}
	for _, p := range iv.in {
		credit(p.Time)
		switch {
		case w.bad(p):
			state = 2
		case p.Quality.IsGood():
			state = 0
		default:
			state = 1
		}
	}
	credit(e)
	d := good
	if iv.agg == DurationBad || iv.agg == PercentBad {
		d = bad
	}
	v := float64(d) / float64(time.Millisecond)
	if iv.agg == PercentGood || iv.agg == PercentBad {
		v = 100 * float64(d) / float64(e.Sub(iv.s))
	}
	return result(iv.s, v, codeGood, bitCalculated|iv.partial)
}

// inState is 5.4.3.22 and .23: the time in which a value that is not Bad was
// zero, or was not.
func (w *aggregator) inState(iv *stretchOf) plant.Point {
	var ms float64
	for _, r := range w.regions(iv) {
		if r.state < 2 && (r.a == 0) == (iv.agg == DurationInStateZero) {
			ms += r.length * 1000
		}
	}
	code := w.byTime(iv)
	if code == codeBad {
		return result(iv.s, nan, codeBad, bitCalculated|iv.partial)
	}
	return result(iv.s, ms, code, bitCalculated|iv.partial)
}

// transitions is 5.4.3.24: changes between samples that are not Bad, the first
// one compared with the last before the interval; none there is a change.
func (w *aggregator) transitions(iv *stretchOf) plant.Point {
	if len(iv.in) == 0 {
		return iv.noData()
	}
	before := nan
	for i := w.from(iv.s) - 1; i >= 0; i-- {
		if !w.bad(w.pts[i]) {
			before = w.pts[i].Value
			break
		}
	}
	n := 0
	for _, p := range iv.in {
		if !w.bad(p) {
			if p.Value != before {
				n++
			}
			before = p.Value
		}
	}
	return w.counted(iv, float64(n), bitCalculated|iv.partial)
}

func (w *aggregator) annotations(iv *stretchOf) plant.Point {
	n := 0
	for _, t := range w.cfg.Annotations {
		if !t.Before(iv.s) && t.Before(iv.e) {
			n++
		}
	}
	return result(iv.s, float64(n), codeGood, bitCalculated)
}

// worst is 5.4.3.35 and .36: the status code of the worst sample, of several the
// first; the second one takes the simple bound at the start too.
func (w *aggregator) worst(iv *stretchOf) plant.Point {
	worst, rank, n := uint32(0), uint32(0), 0
	see := func(code uint32) {
		switch r := min(code>>30, 2); {
		case n == 0 || r > rank:
			worst, rank, n = code, r, 1
		case r == rank && r > 0:
			n++
		}
	}
	if iv.agg == WorstQuality2 {
		see(w.simple(iv.s).code)
	}
	for i, p := range iv.in {
		if i > 0 || iv.agg == WorstQuality || !p.Time.Equal(iv.s) {
			see(p.Quality.Code() & highBits)
		}
	}
	if n == 0 {
		return iv.noData()
	}
	bits := bitCalculated | iv.partial
	if n > 1 {
		bits |= bitMultiple
	}
	return result(iv.s, float64(worst), codeGood, bits)
}
