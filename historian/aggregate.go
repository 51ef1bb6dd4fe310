package historian

import (
	"fmt"
	"math"
	"sort"
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
)

// AggregateConfig is the AggregateConfiguration of 4.2.1.2.
type AggregateConfig struct {
	TreatUncertainAsBad    bool
	PercentDataBad         float64 // %; Bad from this share of Bad data on
	PercentDataGood        float64 // %; else Good from this share of Good data on
	UseSlopedExtrapolation bool    // after the last sample go on along the last two
	Stepped                bool    // a value holds until the next
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

func (w *aggregator) interval(agg Aggregate, s, e time.Time, cut bool) (plant.Point, error) {
	noData := result(s, math.NaN(), codeBadNoData, 0)
	if len(w.pts) == 0 {
		return noData, nil
	}
	first, last := w.pts[0].Time, w.pts[len(w.pts)-1].Time
	if agg == Interpolative { // goes on after the end, and is never Partial
		b := w.interpolated(s, w.cfg.Stepped)
		return result(s, b.v, b.code, b.bits), nil
	}
	if !e.After(first) || s.After(last) {
		return noData, nil
	}
	var partial uint32
	if s.Before(first) || e.After(last) || cut {
		partial = bitPartial
	}
	in := w.pts[w.from(s):w.from(e)]
	var nGood, nBad int
	uncertain := false
	for _, p := range in {
		switch {
		case usableGood(p):
			nGood++
		case w.bad(p):
			nBad++
		default:
			uncertain = true
		}
	}
	n := float64(len(in))
	byCount := func() uint32 { return w.byShare(100*(n-float64(nBad))/n, 100*float64(nBad)/n, uncertain) }

	switch agg {
	case Count:
		if len(in) == 0 {
			return noData, nil
		}
		code := byCount()
		if code == codeBad {
			return result(s, math.NaN(), codeBad, 0), nil
		}
		return result(s, float64(nGood), code, bitCalculated|partial), nil
	case Average, StandardDeviationSample, VarianceSample, StandardDeviationPopulation, VariancePopulation:
		if nGood == 0 {
			return noData, nil
		}
		code := byCount()
		if code == codeBad {
			return result(s, math.NaN(), codeBad, 0), nil
		}
		var sum float64
		for _, p := range in {
			if usableGood(p) {
				sum += p.Value
			}
		}
		mean := sum / float64(nGood)
		if agg == Average { // never Partial
			return result(s, mean, code, bitCalculated), nil
		}
		var sq float64
		for _, p := range in {
			if usableGood(p) {
				sq += (p.Value - mean) * (p.Value - mean)
			}
		}
		v := 0.0
		switch {
		case agg == StandardDeviationPopulation || agg == VariancePopulation:
			v = sq / float64(nGood)
		case nGood > 1:
			v = sq / float64(nGood-1)
		}
		if agg == StandardDeviationSample || agg == StandardDeviationPopulation {
			v = math.Sqrt(v)
		}
		return result(s, v, code, bitCalculated|partial), nil
	case Minimum, Maximum, MinimumActualTime, MaximumActualTime, Range:
		return w.extreme(agg, in, s, partial), nil
	case StartValue, EndValue:
		if len(in) == 0 {
			return noData, nil
		}
		p := in[0]
		if agg == EndValue {
			p = in[len(in)-1]
		}
		v := p.Value
		if p.Quality.IsBad() {
			v = math.NaN()
		}
		return result(p.Time, v, p.Quality.Code()&highBits, partial), nil
	case Delta:
		if nGood == 0 {
			return noData, nil
		}
		a, b := math.NaN(), math.NaN()
		for _, p := range in {
			if usableGood(p) {
				if math.IsNaN(a) {
					a = p.Value
				}
				b = p.Value
			}
		}
		code := uint32(codeGood)
		if !usableGood(in[0]) || !usableGood(in[len(in)-1]) {
			code = codeSubNormal
		}
		return result(s, b-a, code, bitCalculated|partial), nil
	case StartBound:
		b := w.simple(s)
		return result(s, b.v, b.code, b.bits|partial), nil
	case EndBound:
		b := w.simple(e)
		return result(s, b.v, b.code, bitCalculated|partial), nil
	case DeltaBounds:
		a, b := w.simple(s), w.simple(e)
		code := uint32(codeGood)
		switch {
		case a.code>>30 >= 2 || b.code>>30 >= 2:
			return result(s, math.NaN(), codeBadNoData, partial), nil
		case a.code>>30 == 1 || b.code>>30 == 1:
			code = codeSubNormal
		}
		return result(s, b.v-a.v, code, bitCalculated|partial), nil
	case TimeAverage:
		return w.timeAverage(in, s, e, partial), nil
	case DurationGood, DurationBad, PercentGood, PercentBad:
		good, bad, length := w.durations(in, s, e, last)
		d := good
		if agg == DurationBad || agg == PercentBad {
			d = bad
		}
		v := float64(d) / float64(time.Millisecond)
		if agg == PercentGood || agg == PercentBad {
			v = 100 * float64(d) / float64(length)
		}
		return result(s, v, codeGood, bitCalculated|partial), nil
	}
	return plant.Point{}, fmt.Errorf("aggregate %q is not known", string(agg))
}

// extreme is 5.4.3.10 to .14: over Good samples only.
func (w *aggregator) extreme(agg Aggregate, in []plant.Point, s time.Time, partial uint32) plant.Point {
	find := func(sign float64) (at plant.Point, code uint32, bits uint32, ok bool) {
		n := 0
		for _, p := range in {
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
		for _, p := range in {
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
		return result(s, math.NaN(), codeBadNoData, 0)
	}
	raw := func(p plant.Point) uint32 { // Raw only if it sits on the start
		if p.Time.Equal(s) {
			return 0
		}
		return bitCalculated
	}
	switch agg {
	case Minimum:
		return result(s, lo.Value, loCode, raw(lo)|loBits|partial)
	case Maximum:
		return result(s, hi.Value, hiCode, raw(hi)|hiBits|partial)
	case MinimumActualTime:
		return result(lo.Time, lo.Value, loCode, loBits|partial)
	case MaximumActualTime:
		return result(hi.Time, hi.Value, hiCode, hiBits|partial)
	}
	return result(s, hi.Value-lo.Value, max(loCode, hiCode), bitCalculated|partial)
}

// timeAverage is 5.4.3.6: the area under straight lines, also for stepped tags.
func (w *aggregator) timeAverage(in []plant.Point, s, e time.Time, partial uint32) plant.Point {
	type knot struct {
		t time.Time
		v float64
	}
	var ks []knot
	code := uint32(codeGood)
	if b := w.interpolated(s, false); b.code>>30 < 2 {
		ks = append(ks, knot{s, b.v})
		if b.code>>30 != 0 {
			code = codeSubNormal
		}
	} else {
		code = codeSubNormal // only the time with data counts
	}
	for _, p := range in {
		switch {
		case w.bad(p):
			code = codeSubNormal
		case !p.Time.Equal(s):
			ks = append(ks, knot{p.Time, p.Value})
			fallthrough
		default:
			if !p.Quality.IsGood() {
				code = codeSubNormal
			}
		}
	}
	if b := w.interpolated(e, false); b.code>>30 < 2 {
		ks = append(ks, knot{e, b.v})
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
		return result(s, math.NaN(), codeBadNoData, 0)
	}
	return result(s, area/length, code, bitCalculated|partial)
}

// durations is 5.4.3.31 to .34: each region has the status of the sample that
// begins it, the first one that of the simple bound; Uncertain counts in
// neither. The last sample of the archive weighs one millisecond.
func (w *aggregator) durations(in []plant.Point, s, e, last time.Time) (good, bad, length time.Duration) {
	if e.After(last) {
		e = last.Add(oneMillisecond)
	}
	at, state := s, w.simple(s).code>>30
	credit := func(to time.Time) {
		switch {
		case state == 0:
			good += to.Sub(at)
		case state >= 2:
			bad += to.Sub(at)
		}
		at = to
	}
	for _, p := range in {
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
	return good, bad, e.Sub(s)
}
