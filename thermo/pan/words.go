package pan

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"calandria/plant/words"
)

// All words of this package that a reader of strikes sees. Another language is another
// column of the table below.

// Code says what there is to say: why a phase changed, what is odd about a strike, how it
// differs from another.
type Code uint8

// The codes.
const (
	Nothing Code = iota
	// Why a phase changed.
	ReadingsBegan
	VacuumRaised
	LevelRises
	PanCools
	TakenForOver
	DischargeOpen
	VacuumBrokenNow
	LevelFalls
	WaterBoils
	LiquorBoils
	WashedOut
	FootingStands
	FeedOpen
	FullSteam
	SeedDrawn
	FedUnseen
	SteamCutBack
	FeedIsShut
	LevelStands
	FeedOpenAgain
	VacuumIsBack
	PanEmpty
	DischargeShut
	HotNow
	NothingUsable
	// Notes of a strike.
	DischargeUnderVacuum
	NoLevelNoFooting
	CutOver
	VacuumRegained
	NoSteamOut
	GapBefore
	UnderWay
	LostSight
	BrokenFull
	NoDrop
	ThinnerThanLiquor
	// Doubts about the balance at its end.
	NoCrystal
	LiquorImpossible
	LiquorUnlikely
	NoBalance
	// How it differs from another.
	TookLong
	LastsLong
	UAgainstUsual
	SAgainstUsual
	// Scale.
	UFell
	FeedLonger
	TooFewStrikes
	NoScale
	// What was written before the codes were.
	Written
	codeCount
)

// sayings has for every code its name in records and its words. In these %[1]v is the phase,
// %[2] and %[3] are the figures, %[4]s is the time of day.
var sayings = [codeCount]struct {
	name string
	text words.Text
}{
	Nothing:              {"", ""},
	ReadingsBegan:        {"readings_began", "as the readings began"},
	VacuumRaised:         {"vacuum_raised", "vacuum is being raised"},
	LevelRises:           {"level_rises", "the level rises"},
	PanCools:             {"pan_cools", "the pan cools after steam-out"},
	TakenForOver:         {"taken_for_over", "taken for over"},
	DischargeOpen:        {"discharge_open", "the discharge is open"},
	VacuumBrokenNow:      {"vacuum_broken", "the vacuum is broken"},
	LevelFalls:           {"level_falls", "the level falls fast"},
	WaterBoils:           {"water_boils", "water boils: a wash-out"},
	LiquorBoils:          {"liquor_boils", "it is liquor that boils, no water"},
	WashedOut:            {"washed_out", "the wash-out is over"},
	FootingStands:        {"footing_stands", "the level stands: footing in"},
	FeedOpen:             {"feed_open", "the feed is open"},
	FullSteam:            {"full_steam", "full steam, no level to tell the footing"},
	SeedDrawn:            {"seed_drawn", "seed was drawn in"},
	FedUnseen:            {"fed_unseen", "the level rises, fed through a valve without a tag"},
	SteamCutBack:         {"steam_cut", "the steam is cut back, no tag of the feed"},
	FeedIsShut:           {"feed_shut", "the feed is shut"},
	LevelStands:          {"level_stands", "the level stands, no tag of the feed"},
	FeedOpenAgain:        {"feed_open_again", "the feed is open again"},
	VacuumIsBack:         {"vacuum_back", "vacuum is back and the pan is full"},
	PanEmpty:             {"pan_empty", "the pan is empty"},
	DischargeShut:        {"discharge_shut", "the discharge is shut again"},
	HotNow:               {"hot", "hot: steam-out"},
	NothingUsable:        {"nothing_usable", "none of level, vapour pressure and discharge valve is usable"},
	DischargeUnderVacuum: {"discharge_under_vacuum", "discharge open under vacuum"},
	NoLevelNoFooting:     {"no_level", "no level: charge and concentrate are one"},
	CutOver:              {"cut_over", "cut over: the level fell to %.0[2]f %% under vacuum"},
	VacuumRegained:       {"vacuum_regained", "vacuum was lost and regained"},
	NoSteamOut:           {"no_steam_out", "no steam-out seen"},
	GapBefore:            {"gap", "no readings for some time before %[4]s"},
	UnderWay:             {"under_way", "already under way when the readings began"},
	LostSight:            {"lost_sight", "lost: none of level, vapour pressure and discharge valve is usable"},
	BrokenFull:           {"broken_full", "vacuum broken with the pan %.0[2]f %% full"},
	NoDrop:               {"no_drop", "ended without a drop"},
	ThinnerThanLiquor:    {"thinner_than_liquor", "massecuite of %.1[2]f Brix is thinner than its liquor, %.1[3]f: spindle Brix, or a wrong purity"},
	NoCrystal:            {"no_crystal", "no crystal content by the purities: massecuite %.1[2]f %%, liquor %.1[3]f %%"},
	LiquorImpossible:     {"liquor_impossible", "the liquor by the purities would have %.1[2]f Brix: a purity is wrong, or the Brix is of the spindle"},
	LiquorUnlikely:       {"liquor_unlikely", "the liquor by the purities would be at a supersaturation of %.2[2]f: a purity is wrong, or the Brix is of the spindle"},
	NoBalance:            {"no_balance", "footing, feed and massecuite do not balance: a Brix or a mass is wrong"},
	TookLong:             {"took_long", "%[1]v took %.0[2]f min, usually %.0[3]f"},
	LastsLong:            {"lasts_long", "%[1]v has lasted %.0[2]f min, usually %.0[3]f"},
	UAgainstUsual:        {"u_against_usual", "U in %[1]v is %.0[2]f %% of usual"},
	SAgainstUsual:        {"s_against_usual", "supersaturation in %[1]v is %+.2[2]f against usual"},
	UFell:                {"u_fell", "U of feed on fell by %.0[2]f %%"},
	FeedLonger:           {"feed_longer", "feed on takes %.0[2]f %% longer"},
	TooFewStrikes:        {"few_strikes", "fewer than nine whole strikes"},
	NoScale:              {"no_scale", "no sign of scale"},
	Written:              {"written", ""},
}

// Words gives the words without figures.
func (c Code) Words() words.Text { return sayings[min(c, codeCount-1)].text }

// MarshalText writes the name.
func (c Code) MarshalText() ([]byte, error) {
	if c >= codeCount {
		return nil, fmt.Errorf("no code %d of a strike", c)
	}
	return []byte(sayings[c].name), nil
}

// UnmarshalText reads the name.
func (c *Code) UnmarshalText(b []byte) error {
	for i := range sayings {
		if sayings[i].name == string(b) {
			*c = Code(i)
			return nil
		}
	}
	return fmt.Errorf("no such remark about a strike: %q", b)
}

// Remark is one thing that there is to say about a strike: a note, a doubt, a finding.
type Remark struct {
	Code    Code
	Phase   Phase      // of which it is; Unknown: of none
	Figures [2]float64 // how much: what the words of the code take
	At      time.Time  // when, for codes with a time
	Text    string     // of Written: a record of a time before there were codes
}

// Words puts it into words.
func (r Remark) Words() words.Text {
	switch text := r.Code.Words(); {
	case r.Code == Written:
		return words.Verbatim(r.Text)
	case !strings.Contains(string(text), "%"):
		return text
	default:
		return words.Say(text, r.Phase, r.Figures[0], r.Figures[1], r.At.Format(time.TimeOnly))
	}
}

// jsonRemark is a remark in JSON: its code and figures, and its words for a reader.
type jsonRemark struct {
	Code    Code       `json:"code"`
	Phase   *Phase     `json:"phase,omitempty"`
	Figures []float64  `json:"figures,omitempty"`
	At      *time.Time `json:"at,omitempty"`
	Text    words.Text `json:"text"`
}

// MarshalJSON writes code, figures and words.
func (r Remark) MarshalJSON() ([]byte, error) {
	x := jsonRemark{Code: r.Code, Text: r.Words()}
	if r.Phase != Unknown {
		x.Phase = &r.Phase
	}
	if r.Figures != [2]float64{} {
		x.Figures = r.Figures[:]
	}
	if !r.At.IsZero() {
		x.At = &r.At
	}
	return json.Marshal(x)
}

// UnmarshalJSON reads what MarshalJSON writes, and plain words as records had them before.
func (r *Remark) UnmarshalJSON(b []byte) error {
	*r = Remark{}
	if len(b) > 0 && b[0] == '"' {
		r.Code = Written
		return json.Unmarshal(b, &r.Text)
	}
	var x jsonRemark
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	r.Code = x.Code
	copy(r.Figures[:], x.Figures)
	if x.Phase != nil {
		r.Phase = *x.Phase
	}
	if x.At != nil {
		r.At = *x.At
	}
	if r.Code == Written {
		r.Text = string(x.Text)
	}
	return nil
}

// Words puts remarks into words.
func Words(list []Remark) []words.Text {
	out := make([]words.Text, len(list))
	for i, r := range list {
		out[i] = r.Words()
	}
	return out
}

const notesMost = 20 // of one strike

func (s *Strike) note(r Remark) {
	if len(s.Notes) < notesMost && !slices.Contains(s.Notes, r) {
		s.Notes = append(s.Notes, r)
	}
}

func figures(c Code, v ...float64) Remark {
	r := Remark{Code: c}
	copy(r.Figures[:], v)
	return r
}
