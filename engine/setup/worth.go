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

// Worth works the house out once from the values read and says what comes out, how sure it
// is, and what is absent for want of which instrument. Surfaces to be filled in count as
// 1000 m2.
func (h *House) Worth(file string) (out []Outcome, lacks []Lack, err error) {
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
	for _, v := range core.Calc.Step(core.Frame, at) {
		tag := &house.Tags[v.Tag]
		if !slices.Contains([]string{"evaporation", "economy", "steam_calculated", "brix_calculated", "u", "vacuum_approach", "supersaturation"}, tag.Name) {
			continue
		}
		if v.Point.Quality.Usable() {
			out = append(out, Outcome{tag.Path, tag.Unit, v.Point.Value, v.Sigma})
			continue
		}
		i := slices.IndexFunc(lacks, func(l Lack) bool { return l.Reason == v.Reason })
		if i < 0 {
			i, lacks = len(lacks), append(lacks, Lack{Reason: v.Reason})
		}
		lacks[i].Paths = append(lacks[i].Paths, tag.Path)
	}
	return out, lacks, nil
}
