package pan

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"
)

// Reading is a value with whether it may be used. The zero value may not.
type Reading struct {
	Value float64
	OK    bool
}

// MarshalJSON writes the value with seven digits, or null where it may not be used:
// instruments have fewer.
func (r Reading) MarshalJSON() ([]byte, error) {
	if !r.OK || math.IsNaN(r.Value) || math.IsInf(r.Value, 0) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, r.Value, 'g', 7, 64), nil
}

// UnmarshalJSON reads what MarshalJSON writes.
func (r *Reading) UnmarshalJSON(b []byte) error {
	*r = Reading{}
	if string(b) == "null" {
		return nil
	}
	if err := json.Unmarshal(b, &r.Value); err != nil {
		return err
	}
	r.OK = true
	return nil
}

// Use returns a usable reading.
func Use(v float64) Reading { return Reading{v, true} }

// checked refuses what is not a number or not within lo to hi.
func (r Reading) checked(lo, hi float64) Reading {
	if !r.OK || !(r.Value >= lo && r.Value <= hi) {
		return Reading{}
	}
	return r
}

// Phase of a strike.
type Phase uint8

// The phases, in their order.
const (
	Unknown     Phase = iota // too few tags to tell
	Idle                     // empty, waiting
	Charge                   // raising the vacuum, taking the footing
	Concentrate              // to the point of feeding or graining
	Graining                 // seeded; grain is set
	FeedOn                   // building up
	Tighten                  // heavy up, feed shut
	Drop                     // breaking the vacuum, discharging
	SteamOut                 // washing with steam
	WashOut                  // water is boiled: no strike

	phaseCount = 10
)

var phaseNames = [phaseCount]string{"unknown", "idle", "charge", "concentrate", "graining", "feed on", "tighten", "drop", "steam-out", "wash-out"}

// String is the trade's name.
func (p Phase) String() string {
	if int(p) < len(phaseNames) {
		return phaseNames[p]
	}
	return fmt.Sprintf("phase(%d)", p)
}

// MarshalText writes the name.
func (p Phase) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads the name.
func (p *Phase) UnmarshalText(b []byte) error {
	for i, n := range phaseNames {
		if n == string(b) {
			*p = Phase(i)
			return nil
		}
	}
	return fmt.Errorf("no such phase of a strike: %q", b)
}

// Boiling reports whether the pan boils in this phase.
func (p Phase) Boiling() bool { return p >= Charge && p <= Tighten }

// Inputs are the readings of a pan at one moment. Each may be missing.
type Inputs struct {
	PressureKPa     Reading // vapour space, absolute
	MassecuiteC     Reading // head and offset taken off
	LevelPct        Reading // of the full strike
	SteamValvePct   Reading
	SteamTH         Reading
	ChestKPa        Reading // absolute
	FeedValvePct    Reading
	FeedTH          Reading
	DischargePct    Reading // 0 closed
	SeedPct         Reading // valve, pump or button of the seed; above 50 is on
	MassecuiteBrix  Reading
	ConsistencyPct  Reading // recorded in the profile
	LiquorPurityPct Reading
	LiquorBrix      Reading // by an instrument; without it found from the boiling point
	FeedBrix        Reading // of what is fed
	// MassecuitePurityPct is of the massecuite, crystal and liquor together: by an
	// instrument or as the laboratory found it last.
	MassecuitePurityPct Reading
}

// Design is what is known of the pan. Every field may be zero.
type Design struct {
	AreaM2  float64 // heating surface; without it no U
	StrikeT float64 // massecuite of a full strike, t
	// LiquorPurityPct at the start and the end of a strike, where no tag says;
	// between them by level, or by time in the strike without a level. 0: no S.
	LiquorPurityPct [2]float64
	// StrikeHours is the usual length from charge to drop, for the interpolation
	// by time; default UsualStrikeHours.
	StrikeHours float64
	LossPct     float64 // of the heat, see Evaporation; 0 to 50
	VolumeM3    float64 // of the full strike, at 100 % level; without it no masses at the end
	Grade       string  // of the massecuite; strikes are compared within a grade
	Site        Site
	// Limits tell the phases apart; the zero value means DefaultLimits.
	Limits Limits
}

// least is the zero of a flow meter, t/h: FeedLeast or SteamLeast.
func (d *Design) least(l Limit) float64 {
	full := d.StrikeT
	if full <= 0 && d.VolumeM3 > 0 {
		full = massecuiteTM3 * d.VolumeM3
	}
	if full <= 0 {
		full = usualStrikeT
	}
	return d.Limits[l] / 100 * full
}

// massecuiteTM3 is the density of a massecuite of 90 Brix, t/m3: common practice, no source.
const massecuiteTM3 = 1.45

// PhaseRecord is one phase of a strike.
type PhaseRecord struct {
	Phase Phase     `json:"phase"`
	Start time.Time `json:"start"`
	End   time.Time `json:"end,omitzero"` // zero while it lasts
	// WaitedMin is how long the pan stood in it while fed, min: the feed shut, or the steam
	// cut back, for longer than between two shots of feed.
	WaitedMin float64 `json:"waited_min,omitempty"`
	// WaterT is the water evaporated, t; U the median, kW/(m2 K); both not OK
	// without their tags.
	WaterT Reading `json:"water_t"`
	U      Reading `json:"u"`
	// MaxS and MeanS are of the supersaturation.
	MaxS   Reading `json:"max_s"`
	MeanS  Reading `json:"mean_s"`
	Level  Reading `json:"level"`    // at the end, %
	Purity Reading `json:"purity"`   // of the liquor at the end, as used
	Steam  Reading `json:"steam_th"` // median, t/h
	// At the end, medians of its last three minutes: Brix of the massecuite and of its
	// liquor, and supersaturation.
	Brix       Reading `json:"brix"`
	LiquorBrix Reading `json:"liquor_brix"`
	EndS       Reading `json:"end_s"`
}

// Duration of the phase; up to now while it lasts.
func (p PhaseRecord) Duration(now time.Time) time.Duration {
	if p.End.IsZero() {
		return now.Sub(p.Start)
	}
	return p.End.Sub(p.Start)
}

// ProfilePoint is the strike at one moment, every two minutes. What was not
// known is not OK.
type ProfilePoint struct {
	At              time.Time `json:"at"`
	Phase           Phase     `json:"phase"`
	LevelPct        Reading   `json:"level"`
	PressureKPa     Reading   `json:"pressure"`
	MassecuiteC     Reading   `json:"temperature"`
	MassecuiteBrix  Reading   `json:"massecuite_brix"`
	ConsistencyPct  Reading   `json:"consistency"`
	LiquorBrix      Reading   `json:"liquor_brix"`
	Supersaturation Reading   `json:"supersaturation"`
	EvaporationTH   Reading   `json:"evaporation"`
	U               Reading   `json:"u"`
}

// Strike is the record of one strike.
type Strike struct {
	Number int           `json:"number"` // counted by the tracker
	Grade  string        `json:"grade,omitempty"`
	Start  time.Time     `json:"start"`
	End    time.Time     `json:"end,omitzero"` // zero while it lasts
	Phases []PhaseRecord `json:"phases"`
	// Whole: seen from charge to drop, without a gap in the readings.
	Whole bool `json:"whole"`
	// WaterT is the water evaporated, t, over the time for which it was known;
	// WaterHours is that time.
	WaterT     Reading `json:"water_t"`
	WaterHours float64 `json:"water_hours"`
	// LackingHours is the time of boiling for which the evaporation was not known: WaterT
	// is too little by it.
	LackingHours float64 `json:"lacking_hours,omitempty"`
	// MaxS is the highest supersaturation (means of a minute) and its moment.
	MaxS   Reading   `json:"max_s"`
	MaxSAt time.Time `json:"max_s_at,omitzero"`
	// FalseGrainMinutes above the metastable zone after feed on; DissolvingMinutes
	// below saturation in the same time.
	FalseGrainMinutes float64 `json:"false_grain_minutes"`
	DissolvingMinutes float64 `json:"dissolving_minutes"`
	// At the end of boiling: medians of the last five minutes before the drop.
	DropBrix    Reading `json:"drop_brix"` // massecuite
	DropC       Reading `json:"drop_c"`
	DropLevel   Reading `json:"drop_level"`
	DropLiquor  Reading `json:"drop_liquor_brix"`
	DropCrystal Reading `json:"drop_crystal_pct"` // on massecuite, from both Brix
	// What went in, for the balance at the end: the footing at the end of the charge, by
	// level and volume, and what was fed after it, by its meters. FeedLackingHours is the
	// time of feeding for which flow or Brix was not known.
	FootingT         Reading `json:"footing_t"`
	FootingBrix      Reading `json:"footing_brix"`
	FeedT            Reading `json:"feed_t"`
	FeedSolidsT      Reading `json:"feed_solids_t"`
	FeedLackingHours float64 `json:"feed_lacking_hours,omitempty"`
	// Balance is made at the drop.
	Balance EndBalance `json:"balance"`

	Profile []ProfilePoint `json:"profile"`
	Notes   []Remark       `json:"notes,omitempty"`
}

// Phase returns the record of a phase, and whether the strike had it. A phase that came
// back (fed again after tightening, vacuum regained after a drop) has several stretches:
// they are joined to one that ends with the last and is as long as all together, with
// their water, the highest supersaturation, U, steam and mean supersaturation of the
// longest stretch, and level, purity and what is of its end of the last.
func (s *Strike) Phase(p Phase) (PhaseRecord, bool) {
	var all PhaseRecord
	var before, longest time.Duration // of the earlier stretches; of the longest one
	found := false
	for _, r := range s.Phases {
		switch {
		case r.Phase != p:
			continue
		case !found:
			all, found, longest = r, true, r.End.Sub(r.Start)
			continue
		}
		before += all.End.Sub(all.Start)
		next := r
		next.WaitedMin += all.WaitedMin
		if r.WaterT.OK || all.WaterT.OK {
			next.WaterT = Use(r.WaterT.Value + all.WaterT.Value)
		}
		if all.MaxS.OK && !(r.MaxS.OK && r.MaxS.Value >= all.MaxS.Value) {
			next.MaxS = all.MaxS
		}
		if !r.End.IsZero() && r.End.Sub(r.Start) > longest {
			longest = r.End.Sub(r.Start)
		} else {
			next.U, next.Steam, next.MeanS = all.U, all.Steam, all.MeanS
		}
		all = next
	}
	all.Start = all.Start.Add(-before)
	return all, found
}

// Length from the start to the end of the drop, or to now.
func (s *Strike) Length(now time.Time) time.Duration {
	if r, ok := s.Phase(Drop); ok && !r.End.IsZero() {
		return r.End.Sub(s.Start)
	}
	if !s.End.IsZero() {
		return s.End.Sub(s.Start)
	}
	return now.Sub(s.Start)
}

// Clone returns a copy that shares nothing.
func (s *Strike) Clone() Strike {
	c := *s
	c.Phases, c.Profile, c.Notes, c.Balance.Doubts = slices.Clone(s.Phases), slices.Clone(s.Profile), slices.Clone(s.Notes), slices.Clone(s.Balance.Doubts)
	return c
}

func median(v []float64) (float64, bool) {
	if len(v) == 0 {
		return 0, false
	}
	s := slices.Clone(v)
	slices.Sort(s)
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2, true
	}
	return s[len(s)/2], true
}

func medianReading(v []float64) Reading {
	m, ok := median(v)
	return Reading{m, ok}
}

// PhaseDifference compares one phase of two strikes. A phase that only one of them had
// has no time, and nothing else, in the other.
type PhaseDifference struct {
	Phase    Phase         `json:"phase"`
	Running  bool          `json:"running,omitempty"` // it lasts: what is here is so far
	Duration time.Duration `json:"duration"`
	Usual    time.Duration `json:"usual"` // of the reference
	// DurationRatio is Duration over Usual; URatio likewise of the median U.
	DurationRatio float64 `json:"duration_ratio"`
	URatio        Reading `json:"u_ratio"`
	// MeanS and WorstS are the mean and the largest difference of supersaturation
	// at the same part of the phase, this strike less the reference.
	MeanS  Reading `json:"mean_s"`
	WorstS Reading `json:"worst_s"`
	// Of both: Brix of the massecuite and supersaturation at the end of the phase, median
	// U, kW/(m2 K), and water evaporated, t.
	Brix        Reading `json:"brix"`
	UsualBrix   Reading `json:"usual_brix"`
	EndS        Reading `json:"end_s"`
	UsualEndS   Reading `json:"usual_end_s"`
	U           Reading `json:"u"`
	UsualU      Reading `json:"usual_u"`
	WaterT      Reading `json:"water_t"`
	UsualWaterT Reading `json:"usual_water_t"`
}

// Comparison of a strike with a reference.
type Comparison struct {
	Phases   []PhaseDifference `json:"phases"`
	Findings []Remark          `json:"findings,omitempty"` // most telling first
}

// Compare sets a strike against a reference strike, phase by phase: the
// durations, U, water, Brix and supersaturation at the end, and the supersaturation at the
// same part of each phase. A phase is called long from 1.3 times the reference's: common
// practice, no source. now is used for phases that still last; those count only when too
// long already.
func Compare(s, reference *Strike, now time.Time) Comparison {
	var c Comparison
	var long []PhaseDifference
	for p := Unknown; p < phaseCount; p++ {
		r, has := s.Phase(p)
		ref, ok := reference.Phase(p)
		ok = ok && !ref.End.IsZero() && ref.End.After(ref.Start)
		if !has && !ok {
			continue
		}
		d := PhaseDifference{Phase: p}
		if has {
			d.Duration, d.Running = r.Duration(now), r.End.IsZero()
			d.Brix, d.EndS, d.U, d.WaterT = r.Brix, r.EndS, r.U, r.WaterT
		}
		if ok {
			d.Usual = ref.End.Sub(ref.Start)
			d.UsualBrix, d.UsualEndS, d.UsualU, d.UsualWaterT = ref.Brix, ref.EndS, ref.U, ref.WaterT
		}
		if has && ok {
			d.DurationRatio = d.Duration.Seconds() / d.Usual.Seconds()
			if r.U.OK && ref.U.OK && ref.U.Value > 0 {
				d.URatio = Use(r.U.Value / ref.U.Value)
			}
			if !r.End.IsZero() {
				d.MeanS, d.WorstS = compareS(s, reference, r, ref)
			}
			if d.DurationRatio >= 1.3 && d.Duration-d.Usual >= 3*time.Minute {
				long = append(long, d)
			}
		}
		c.Phases = append(c.Phases, d)
	}
	slices.SortStableFunc(long, func(a, b PhaseDifference) int {
		return int((b.Duration - b.Usual - a.Duration + a.Usual) / time.Second)
	})
	for _, d := range long {
		code := TookLong
		if d.Running {
			code = LastsLong
		}
		c.Findings = append(c.Findings, Remark{Code: code, Phase: d.Phase, Figures: [2]float64{d.Duration.Minutes(), d.Usual.Minutes()}})
	}
	for _, d := range c.Phases {
		if d.URatio.OK && d.URatio.Value < 0.8 && d.Phase >= Concentrate {
			c.Findings = append(c.Findings, Remark{Code: UAgainstUsual, Phase: d.Phase, Figures: [2]float64{100 * d.URatio.Value}})
		}
		if d.MeanS.OK && math.Abs(d.MeanS.Value) > 0.05 {
			c.Findings = append(c.Findings, Remark{Code: SAgainstUsual, Phase: d.Phase, Figures: [2]float64{d.MeanS.Value}})
		}
	}
	return c
}

// profileS interpolates the supersaturation at part f of a phase.
func profileS(s *Strike, r PhaseRecord, f float64) (float64, bool) {
	at := r.Start.Add(time.Duration(f * float64(r.End.Sub(r.Start))))
	var before, after *ProfilePoint
	for i := range s.Profile {
		p := &s.Profile[i]
		if !p.Supersaturation.OK || p.At.Before(r.Start) || p.At.After(r.End) {
			continue
		}
		if !p.At.After(at) {
			before = p
		} else {
			after = p
			break
		}
	}
	switch {
	case before == nil && after == nil:
		return 0, false
	case before == nil:
		return after.Supersaturation.Value, after.At.Sub(at) < 10*time.Minute
	case after == nil:
		return before.Supersaturation.Value, at.Sub(before.At) < 10*time.Minute
	}
	w := at.Sub(before.At).Seconds() / after.At.Sub(before.At).Seconds()
	return before.Supersaturation.Value + w*(after.Supersaturation.Value-before.Supersaturation.Value), true
}

func compareS(s, ref *Strike, a, b PhaseRecord) (mean, worst Reading) {
	n := 0
	for i := range 21 {
		f := float64(i) / 20
		x, ok1 := profileS(s, a, f)
		y, ok2 := profileS(ref, b, f)
		if !ok1 || !ok2 {
			continue
		}
		n++
		d := x - y
		mean.Value += d
		if math.Abs(d) > math.Abs(worst.Value) {
			worst.Value = d
		}
	}
	if n < 5 {
		return Reading{}, Reading{}
	}
	mean.Value /= float64(n)
	mean.OK, worst.OK = true, true
	return mean, worst
}

// ReferenceOf is how many of the newest whole strikes the reference is picked from.
const ReferenceOf = 10

// Usual is the [Reference] among the newest ten whole strikes of a grade, of a list in
// order of time. False if there is none.
func Usual(strikes []Strike, grade string) (Strike, bool) {
	var of []Strike
	for i := len(strikes) - 1; i >= 0 && len(of) < ReferenceOf; i-- {
		if strikes[i].Whole && strikes[i].Grade == grade {
			of = append(of, strikes[i])
		}
	}
	slices.Reverse(of)
	return Reference(of)
}

// Reference picks, from whole strikes, the one nearest to the medians of their
// phase durations: a real strike to compare with, no average of several. False
// if there is none.
func Reference(strikes []Strike) (Strike, bool) {
	var dur [phaseCount][]float64
	for i := range strikes {
		if strikes[i].Whole {
			for p := Unknown; p < phaseCount; p++ {
				if r, ok := strikes[i].Phase(p); ok && !r.End.IsZero() {
					dur[p] = append(dur[r.Phase], r.End.Sub(r.Start).Seconds())
				}
			}
		}
	}
	best, at := math.Inf(1), -1
	for i := range strikes {
		if !strikes[i].Whole {
			continue
		}
		var d float64
		for p := Charge; p <= Drop; p++ {
			m, ok := median(dur[p])
			if !ok || m <= 0 {
				continue
			}
			r, has := strikes[i].Phase(p)
			if !has || r.End.IsZero() {
				d++
				continue
			}
			d += math.Abs(r.End.Sub(r.Start).Seconds()/m - 1)
		}
		if d < best {
			best, at = d, i
		}
	}
	if at < 0 {
		return Strike{}, false
	}
	return strikes[at].Clone(), true
}

// ScaleFinding is what strikes say of scale in the calandria.
type ScaleFinding struct {
	Strikes int  `json:"strikes"` // compared
	Suspect bool `json:"suspect"`
	// UChangePct is the change of the median U of feed on from the first to the last
	// third of the strikes, TimeChangePct that of its duration.
	UChangePct    Reading `json:"u_change_pct"`
	TimeChangePct Reading `json:"time_change_pct"`
	Finding       Remark  `json:"finding"`
}

// Scaling looks for scale in the calandria of a pan over the whole strikes of
// two to three weeks, in order of time: the median U of feed on falling by more
// than 20 %, or its duration growing by more than 15 %, from the first third to
// the last. At least nine strikes. Source: common practice, no source.
func Scaling(strikes []Strike) ScaleFinding {
	var u, d []float64
	for i := range strikes {
		r, ok := strikes[i].Phase(FeedOn)
		if !strikes[i].Whole || !ok || r.End.IsZero() {
			continue
		}
		d = append(d, r.End.Sub(r.Start).Hours())
		if r.U.OK {
			u = append(u, r.U.Value)
		}
	}
	f := ScaleFinding{Strikes: len(d)}
	change := func(v []float64) Reading {
		if len(v) < 9 {
			return Reading{}
		}
		a, _ := median(v[:len(v)/3])
		b, _ := median(v[len(v)-len(v)/3:])
		if !(a > 0) {
			return Reading{}
		}
		return Use(100 * (b/a - 1))
	}
	f.UChangePct, f.TimeChangePct = change(u), change(d)
	switch {
	case f.UChangePct.OK && f.UChangePct.Value < -20:
		f.Suspect = true
		f.Finding = figures(UFell, -f.UChangePct.Value)
	case f.TimeChangePct.OK && f.TimeChangePct.Value > 15:
		f.Suspect = true
		f.Finding = figures(FeedLonger, f.TimeChangePct.Value)
	case len(d) < 9:
		f.Finding = figures(TooFewStrikes)
	default:
		f.Finding = figures(NoScale)
	}
	return f
}
