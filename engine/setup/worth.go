package setup

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
	"calandria/thermo/steam"
)

// Barometer is the usual air pressure at an altitude in m, kPa, by the standard atmosphere
// of ISO 2533.
func Barometer(altitudeM float64) float64 {
	return math.Round(1013.25*math.Pow(1-2.25577e-5*altitudeM, 5.25588)) / 10
}

// AddBody appends the nth of so many bodies of an effect, with the users of its vapour
// beside the next body; the first makes the set.
func (h *House) AddBody(effect, nth, of int, surfaceM2 float64, users int) {
	if len(h.Vessels) == 0 {
		h.Vessels = append(h.Vessels, Vessel{Class: plant.ClassSet, Name: "EV"})
	}
	v := Vessel{Class: plant.ClassBody, Name: BodyName(effect, nth, of), Owner: "EV", Effect: effect, SurfaceM2: surfaceM2}
	h.Vessels = append(h.Vessels, v)
	for k := range users {
		h.Vessels = append(h.Vessels, Vessel{Class: plant.ClassBleed, Name: fmt.Sprintf("bleed%d", k+1), Owner: "EV." + v.Name})
	}
}

// BodyName is EV2, or EV2A and EV2B where an effect has two bodies.
func BodyName(effect, nth, of int) string {
	name := fmt.Sprintf("EV%d", effect)
	if of > 1 {
		name += string(rune('A' + nth))
	}
	return name
}

// Names reads a list of names of vessels; wrong is the first that is none or stands there
// twice.
func Names(text string) (names []string, wrong string) {
	for _, name := range strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ' ' }) {
		if !plant.ValidName(name) || slices.Contains(names, name) {
			wrong = cmp.Or(wrong, name)
			continue
		}
		names = append(names, name)
	}
	return names, wrong
}

// Search lists the nodes that a signal could be read from and that have a word in their
// names or descriptions; without a word the likeliest.
func (h *House) Search(slot int, word string) (list []Candidate) {
	if word == "" {
		return h.Candidates(slot)
	}
	for i, n := range h.Nodes {
		if strings.Contains(strings.ToLower(n.Path+" "+n.Name+" "+n.Description), strings.ToLower(word)) {
			if c, ok := h.judge(&h.Slots[slot], i); ok {
				list = append(list, c)
			}
		}
	}
	return list
}

// Rung is a temperature that a chosen pressure gives.
type Rung struct {
	Vessel, Of string // path, and steam or vapour
	Effect     int
	TempC      float64
}

// Rungs are the temperatures as the chosen pressures give them: they have to fall from
// effect to effect.
func (h *House) Rungs() (rungs []Rung) {
	for _, s := range h.Slots {
		of, pressure := strings.CutSuffix(s.Signal.Name, "_pressure")
		if s.Chosen == nil || math.IsNaN(s.Chosen.Value) || !pressure || of != "steam" && of != "vapour" {
			continue
		}
		if t, err := steam.Tsat(steam.KPa(s.Chosen.Value)); err == nil {
			rungs = append(rungs, Rung{h.Vessels[s.Vessel].Path(), of, h.Vessels[s.Vessel].Effect, float64(t)})
		}
	}
	return rungs
}

// Outcome is a quantity that the chosen signals give, in a unit of the program.
type Outcome struct {
	Path, Unit   string
	Value, Sigma float64
}

// Lack is what is absent for want of an instrument.
type Lack struct {
	Reason words.Text
	Paths  []string
}

// Gain is what one more instrument would make of a quantity: its uncertainty, one standard
// deviation in the quantity's unit, without it and with it.
type Gain struct {
	Signal, Path, Unit string
	Without, With      float64
}

// foretold names the quantity that says what an instrument would read, by its signal.
var foretold = map[string]string{
	"steam_flow": "steam_calculated", "syrup_flow": "syrup_calculated", "juice_flow": "juice_in_flow", "brix": "brix_out",
	"juice_temperature": "boiling_temperature", "vapour_temperature": "vapour_saturation_temperature", "chest_temperature": "chest_saturation_temperature",
}

// shown are the quantities that are said to be worth having.
var shown = []string{"evaporation", "economy", "economy_measured", "steam_calculated", "brix_out", "u", "vacuum_approach", "supersaturation"}

// gainLeast is how much surer a quantity has to become to be named.
const gainLeast = 0.8

// gains tries each instrument that is missing at what it is foretold to read, with the
// accuracy that an instrument is taken to have, and says which quantity becomes surest by
// it, against what is worked out now.
func (h *House) gains(file string, now map[string]worked, house *plant.House) (gains []Gain) {
	for i, s := range h.Slots {
		path := h.Vessels[s.Vessel].Path()
		t := now[path+"."+foretold[s.Signal.Name]]
		if s.Chosen != nil || foretold[s.Signal.Name] == "" || !t.ok {
			continue
		}
		with := *h
		with.Slots = slices.Clone(h.Slots)
		with.Nodes = append(slices.Clone(h.Nodes), Node{ID: "nsu=urn:none;s=tried", Path: "tried", Name: "tried", Unit: s.Signal.Dimension.Canonical(), Value: t.value})
		with.Slots[i].Chosen = &Candidate{Node: len(with.Nodes) - 1, Value: t.value, Unit: s.Signal.Dimension.Canonical()}
		then, _, err := with.work(file)
		if err != nil {
			continue // such an instrument has no place here
		}
		best := Gain{Signal: path + "." + s.Signal.Name, With: 1, Without: 1 / gainLeast}
		for i := range house.Tags {
			tag := &house.Tags[i]
			was, is := now[tag.Path], then[tag.Path]
			if slices.Contains(shown, tag.Name) && was.ok && is.ok && is.sigma > 0 && was.sigma/is.sigma > best.Without/best.With {
				best.Path, best.Unit, best.Without, best.With = tag.Path, tag.Unit, was.sigma, is.sigma
			}
		}
		if best.Path != "" {
			gains = append(gains, best)
		}
	}
	slices.SortStableFunc(gains, func(a, b Gain) int { return cmp.Compare(b.Without/b.With, a.Without/a.With) })
	return gains
}

// worked is a quantity that was worked out, or why not.
type worked struct {
	value, sigma float64
	ok           bool
	reason       words.Text
}

// work works the house out once from the values read. Surfaces to be filled in count as
// 1000 m2.
func (h *House) work(file string) (map[string]worked, *plant.House, error) {
	filled := *h
	filled.Site = cmp.Or(filled.Site, "to be filled in")
	filled.Vessels = slices.Clone(filled.Vessels)
	for i := range filled.Vessels {
		v := &filled.Vessels[i]
		v.SurfaceM2 = cmp.Or(v.SurfaceM2, 1000)
	}
	house, err := plant.Load(file, []byte(filled.File()))
	if err != nil {
		return nil, nil, err
	}
	core, err := engine.New(house, nil, rules.Options{})
	if err != nil {
		return nil, nil, err
	}
	house = core.House
	at := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	core.Begin(at)
	for range 180 { // fifteen minutes: past what is smoothed and settles
		at = at.Add(5 * time.Second)
		for _, s := range h.Slots {
			if t, ok := house.Find(h.Vessels[s.Vessel].Path() + "." + s.Signal.Name); ok && s.Chosen != nil {
				v, q := t.Convert(h.Nodes[s.Chosen.Node].Value, plant.Good)
				core.Sample(plant.Sample{Tag: t.ID, Point: plant.Point{Time: at, Value: v, Quality: q}}, at)
			}
		}
		core.Scan(at)
	}
	out := map[string]worked{}
	for _, v := range core.Calc.Step(core.Frame, at) {
		out[house.Tags[v.Tag].Path] = worked{v.Point.Value, v.Sigma, v.Point.Quality.Usable(), v.Reason}
	}
	return out, house, nil
}

// Worth says what comes out, how sure it is, what is absent for want of which
// instrument, and how much surer one more would make it.
func (h *House) Worth(file string) (out []Outcome, lacks []Lack, gains []Gain, err error) {
	all, house, err := h.work(file)
	if err != nil {
		return nil, nil, nil, err
	}
	for k := range house.Tags {
		tag := &house.Tags[k]
		v, known := all[tag.Path]
		if !known || !slices.Contains(shown, tag.Name) {
			continue
		}
		if v.ok {
			out = append(out, Outcome{tag.Path, tag.Unit, v.value, v.sigma})
			continue
		}
		i := slices.IndexFunc(lacks, func(l Lack) bool { return l.Reason == v.reason })
		if i < 0 {
			i, lacks = len(lacks), append(lacks, Lack{Reason: v.reason})
		}
		lacks[i].Paths = append(lacks[i].Paths, tag.Path)
	}
	return out, lacks, h.gains(file, all, house), nil
}
