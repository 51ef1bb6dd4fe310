package evaporator

import (
	"math"

	"calandria/plant/words"
)

// How says where a result comes from.
type How uint8

// The origins of a result, from none to the weakest.
const (
	Absent   How = iota // no value; Reason says why
	Measured            // directly from instruments
	Balanced            // through a mass or heat balance
	Assumed             // an assumption stands in for a missing reading; Reason says which
)

var howWords = [...]words.Text{"absent", "measured", "balanced", "assumed"}

// Words returns the word for it.
func (h How) Words() words.Text { return howWords[h] }

// String says it in English.
func (h How) String() string { return string(howWords[h]) }

// weakest returns the weaker of two origins; Absent is the weakest of all.
func weakest(a, b How) How {
	if a == Absent || b == Absent {
		return Absent
	}
	return max(a, b)
}

// Reason explains an absent or assumed result, as data: which reason, and of what.
type Reason struct {
	Of   string // the body or line concerned; may be empty
	Why  Why
	Text words.Text // in place of Why: words of the caller's own; with a lead they follow it
}

// Words returns e.g. "EV3: no usable vapour pressure or temperature".
func (r Reason) Words() words.Text {
	text := r.Text
	if text == "" {
		text = r.Why.Words()
	} else if r.Why >= leads {
		text = words.Say("%s: %s", r.Why.Words(), text)
	}
	if r.Of == "" || text == "" {
		return words.Verbatim(r.Of) + text
	}
	return words.Say("%s: %s", r.Of, text)
}

// String says it in English.
func (r Reason) String() string { return r.Words().String() }

func because(why Why) Reason { return Reason{Why: why} }

func (r Reason) none() bool { return r.Why == NoReason && r.Text == "" }

// Result is one calculated value.
type Result struct {
	Value  float64
	Sigma  float64 // one standard deviation, filled by Set.Uncertainty or Results.Recall; 0 = not computed
	How    How
	Reason Reason
}

// OK reports whether there is a value.
func (r Result) OK() bool { return r.How != Absent }

// set stores v; a value that is not a finite number is an absence.
func (r *Result) set(v float64, how How, why Reason) {
	if how == Absent || math.IsNaN(v) || math.IsInf(v, 0) {
		if why.none() {
			why.Why = NotFinite
		}
		*r = Result{Reason: why}
		return
	}
	*r = Result{Value: v, How: how, Reason: why}
}

func (r *Result) absent(why Reason) { *r = Result{Reason: why} }

// BodyResult holds the results of one body. Units are in the names; TH is t/h,
// C is degC, K a difference, U is kW/(m2 K).
type BodyResult struct {
	Name      string
	Effect    int
	InService bool

	// Extrapolated: the elevation or the enthalpy of the juice was computed outside
	// its source's range of Brix, pressure, temperature or purity.
	Extrapolated bool

	ChestKPa    Result // saturation pressure of ChestC
	VapourKPa   Result
	ChestC      Result // condensing temperature
	VapourC     Result // saturation temperature of the vapour space
	JuiceC      Result // boiling juice: VapourC + BPEK
	BPEK        Result // by the design's equation at the outlet Brix
	BPEMeasured Result // juice thermometer less VapourC, K
	HeadK       Result // rise of the boiling point at the mean depth; information only
	DTK         Result // ChestC - JuiceC
	DTApparentK Result // ChestC - VapourC
	DTSharePct  Result // DTK as % of the sum over the bodies in service

	EvaporationTH Result
	JuiceInTH     Result
	JuiceOutTH    Result
	BrixOut       Result
	BrixDiff      Result // measured Brix less BrixOut, where both exist
	DutyKW        Result
	U             Result // on DTK
	UApparent     Result // on DTApparentK
	SpecificKgM2H Result // evaporation per heating surface
	CondensedTH   Result // vapour or steam condensed in the calandria
	FlashTH       Result // of which condensate flash
	JuiceFlashTH  Result // part of EvaporationTH made by the juice's own heat, negative if it had to be heated

	VapourDisagreeK Result // Tsat(vapour pressure) less vapour thermometer: above 1.5 K either way, check both
	ChestGasK       Result // Tsat(chest pressure) less chest thermometer: above 1.5 K suggests gas in the calandria
}

// Row is the way a set was calculated.
type Row uint8

// The ways, after the readings they need.
const (
	NoRow           Row = 0 // nothing but temperatures
	ByJuiceAndBrix  Row = 1 // juice flow, feed and syrup Brix; steam by balance
	BySteam         Row = 2 // steam flow in place of the syrup Brix, which is calculated
	ByBoth          Row = 3 // as 1, with the steam meter as a check
	ByBrixProfile   Row = 4 // Brix after every body; bleeds by balance
	ByTemperatures  Row = 5 // no juice flow: temperature shares and the Rillieux count only
	Predicted       Row = 7 // by Predict, not from tags
	ByBrixAndNoFlow Row = 6 // steam flow, feed and syrup Brix; juice flow by balance
)

// String returns the row in words.
func (r Row) String() string {
	switch r {
	case ByJuiceAndBrix:
		return "from juice flow, feed Brix and syrup Brix"
	case BySteam:
		return "from juice flow, feed Brix and steam flow"
	case ByBoth:
		return "from juice flow, feed Brix and syrup Brix, steam flow as a check"
	case ByBrixProfile:
		return "from juice flow and the Brix after every body"
	case ByTemperatures:
		return "from temperatures and the Rillieux count"
	case Predicted:
		return "predicted"
	case ByBrixAndNoFlow:
		return "from steam flow, feed Brix and syrup Brix"
	}
	return "not calculated"
}

// Results holds everything calculated about a set.
type Results struct {
	Row     Row
	Effects int // in service

	JuiceTH   Result // as used
	FeedBrix  Result // as used
	SyrupBrix Result // as used
	SyrupTH   Result // by solids

	TotalEvaporationTH Result
	SteamTH            Result // by balance
	Economy            Result // evaporation per steam by balance
	EconomyMeasured    Result // evaporation per measured steam
	CorrectedEconomy   Result // (E + sum (n-k) bleed_k)/S: about n for any bleeding
	SpecificKgM2H      Result // total evaporation per heating surface in service
	RillieuxSteamTH    Result // (E - sum k bleed_k)/n + sum bleed_k
	RillieuxResidual   Result // % by which the count exceeds the steam by balance
	SteamDifference    Result // % by which the steam meter exceeds the steam by balance
	SolidsClosurePct   Result // solids out over solids in, less 1, %: needs a syrup flow
	HeatClosurePct     Result // heat brought by measured steam less heat needed, % of the latter
	TotalDTK           Result // first chest less last vapour space
	SumDTK             Result // sum over effects of ChestC - JuiceC

	BleedTH [MaxEffects]Result // as used, or by balance
	Bodies  []BodyResult

	// FeedExtrapolated: the enthalpy of the juice to the set was computed outside its
	// source's range.
	FeedExtrapolated bool

	UnstatedAccuracy int // readings used without a stated accuracy, counted by Uncertainty
}

// each calls f for every Result in a fixed order.
func (r *Results) each(f func(*Result)) {
	for _, p := range [...]*Result{
		&r.JuiceTH, &r.FeedBrix, &r.SyrupBrix, &r.SyrupTH, &r.TotalEvaporationTH, &r.SteamTH, &r.Economy,
		&r.EconomyMeasured, &r.CorrectedEconomy, &r.SpecificKgM2H, &r.RillieuxSteamTH, &r.RillieuxResidual,
		&r.SteamDifference, &r.SolidsClosurePct, &r.HeatClosurePct, &r.TotalDTK, &r.SumDTK,
	} {
		f(p)
	}
	for i := range r.BleedTH {
		f(&r.BleedTH[i])
	}
	for i := range r.Bodies {
		r.Bodies[i].each(f)
	}
}

// Sigmas are the standard deviations of a set's results at one moment, in a fixed
// order; an infinity stands for a result that was too uncertain to be shown.
type Sigmas []float64

// Sigmas copies what [Set.Uncertainty] filled in, onto the storage of s.
func (r *Results) Sigmas(s Sigmas) Sigmas {
	s = s[:0]
	r.each(func(x *Result) {
		sigma := x.Sigma
		if !x.OK() && x.Reason.Why == TooUncertain {
			sigma = math.Inf(1)
		}
		s = append(s, sigma)
	})
	return s
}

// Recall gives the results of [Set.Evaluate] the standard deviations of a moment
// before, from the same set: they change slowly and cost many evaluations. A result
// that was too uncertain then is absent now.
func (r *Results) Recall(s Sigmas) {
	i := 0
	r.each(func(x *Result) {
		if i < len(s) && x.OK() {
			if x.Sigma = s[i]; math.IsInf(x.Sigma, 0) {
				x.absent(Reason{Of: x.Reason.Of, Why: TooUncertain})
			}
		}
		i++
	})
}

func (b *BodyResult) each(f func(*Result)) {
	for _, p := range [...]*Result{
		&b.ChestKPa, &b.VapourKPa, &b.ChestC, &b.VapourC, &b.JuiceC, &b.BPEK, &b.BPEMeasured, &b.HeadK,
		&b.DTK, &b.DTApparentK, &b.DTSharePct, &b.EvaporationTH, &b.JuiceInTH, &b.JuiceOutTH, &b.BrixOut,
		&b.BrixDiff, &b.DutyKW, &b.U, &b.UApparent, &b.SpecificKgM2H, &b.CondensedTH, &b.FlashTH,
		&b.JuiceFlashTH, &b.VapourDisagreeK, &b.ChestGasK,
	} {
		f(p)
	}
}
