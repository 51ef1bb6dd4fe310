package setup

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
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

// Cost is what the want of an instrument costs. All empty: nothing needs it.
type Cost struct {
	Signal string   // path
	Lost   []string // paths of quantities that are only worked out with it
	Beside []string // further ones, where the other instruments that are missing are there
	Moves  []string // none of both: those that are worked out without it too, and would go by it
	// What gets surest by it, here or beside the others, and how sure, one standard deviation
	// in the quantity's unit. "" for none.
	Path, Unit    string
	Without, With float64
	Later         bool // it is read: also for checks, and for what is learned from running
	Alarms        int  // of the rules, that read it
}

// shown are the quantities that are said to be worth having, and are named first.
var shown = []string{"evaporation", "economy", "economy_measured", "steam_calculated", "brix_out", "u", "vacuum_approach", "supersaturation"}

// gainLeast is how much surer a quantity has to become to be named.
const gainLeast = 0.8

// Costs says for each signal without an instrument what that costs, by trying one at about
// what it would read, with the accuracy that an instrument is taken to have. The library
// says which alarms read it.
func (h *House) Costs(file string) (costs []Cost, err error) {
	rest := false
	for owner, v := range h.Vessels {
		if v.Class == plant.ClassSite || v.Class != plant.ClassPan && rest {
			continue
		}
		rest = rest || v.Class != plant.ClassPan
		part, missing := h.part(owner)
		if err := part.costs(file, missing, &costs); err != nil {
			return nil, err
		}
	}
	return costs, nil
}

// part is what works by itself, a pan, or all that is no pan; and those of its slots that
// have no instrument.
func (h *House) part(owner int) (part House, missing []int) {
	part = *h
	part.Vessels, part.Slots = nil, nil
	for i, v := range h.Vessels {
		own := i == owner || h.Vessels[owner].Class != plant.ClassPan && v.Class != plant.ClassPan
		if !own && v.Class != plant.ClassSite {
			continue
		}
		for _, s := range h.Slots {
			if s.Vessel == i {
				if s.Vessel = len(part.Vessels); s.Chosen == nil && own {
					missing = append(missing, len(part.Slots))
				}
				part.Slots = append(part.Slots, s)
			}
		}
		part.Vessels = append(part.Vessels, v)
	}
	return part, missing
}

// with is the house with instruments at some slots; guess is what each would read.
func (h *House) with(guess map[int]float64, slots ...int) House {
	with := *h
	with.Slots, with.Nodes = slices.Clone(h.Slots), slices.Clone(h.Nodes)
	for _, i := range slots {
		d := h.Slots[i].Signal.Dimension
		name := fmt.Sprintf("tried%d", i)
		with.Slots[i].Chosen = &Candidate{Node: len(with.Nodes), Value: guess[i], Unit: d.Canonical(), Reference: plant.Absolute}
		with.Nodes = append(with.Nodes, Node{ID: "nsu=urn:none;s=" + name, Path: name, Name: name, Unit: d.Canonical(), Value: guess[i], State: d == plant.State})
	}
	return with
}

// costs tries the missing instruments one by one, by themselves and beside all the others;
// where one gives nothing, by moving it.
func (h *House) costs(file string, missing []int, costs *[]Cost) error {
	now, _, err := h.work(file, nil, -1)
	if err != nil {
		return err
	}
	guess := map[int]float64{}
	var first []int // that no other instrument stands in for
	for _, i := range missing {
		guess[i] = h.guess(i, now)
		if !hasWord(lex.Instead, h.Slots[i].Signal.Name) {
			first = append(first, i)
		}
	}
	all := h.with(guess, first...)
	full, core, err := all.work(file, h.Library, -1)
	if err != nil {
		return err
	}
	read := map[string]int{}
	for k := range core.Rules.Alarms() {
		for _, tag := range core.Rules.Inputs(k) {
			read[core.House.Tags[tag].Path]++
		}
	}
	try := func(swing int, slots ...int) (out map[string]worked) {
		if with := h.with(guess, slots...); err == nil {
			out, core, err = with.work(file, nil, swing)
		}
		return out
	}
	for _, i := range missing {
		c := Cost{Signal: h.Vessels[h.Slots[i].Vessel].Path() + "." + h.Slots[i].Signal.Name}
		c.Alarms = read[c.Signal]
		alone := try(-1, i)
		if err != nil {
			return err
		}
		c.Lost = c.compare(now, alone, core)
		tag, _ := core.House.Find(c.Signal)
		c.Later = core.Calc.Reads(tag.ID)
		others := slices.DeleteFunc(slices.Clone(first), func(k int) bool { return k == i })
		without, with := full, full
		if len(others) < len(first) {
			without = try(-1, others...)
		} else {
			with = try(-1, append(others, i)...)
		}
		c.Beside = slices.DeleteFunc(c.compare(without, with, core), func(p string) bool { return slices.Contains(c.Lost, p) })
		if len(c.Lost) > 0 && !slices.Contains(shown, nameOf(c.Path)) {
			c.Path = "" // what is lost says more
		}
		if len(c.Lost)+len(c.Beside) == 0 && c.Path == "" {
			for p, v := range try(i, append(others, i)...) {
				if was := with[p]; v.ok != was.ok || math.Abs(v.value-was.value) > 1e-6*math.Abs(was.value) {
					c.Moves = append(c.Moves, p)
				}
			}
			slices.SortFunc(c.Moves, byWorth)
		}
		*costs = append(*costs, c)
	}
	return err
}

// Line is what the want of some instruments costs, each of them.
type Line struct {
	Signals []string
	Text    words.Text
	kind    int
}

// Lines puts costs into words, those that are alike together, the dearest first.
func Lines(costs []Cost) (lines []Line) {
	for _, c := range costs {
		var parts []words.Text
		say := func(text words.Text, list []string) {
			if len(list) > 0 {
				parts = append(parts, words.Say(text, c.list(list)))
			}
		}
		say("not worked out without it: %s", c.Lost)
		say("with the other missing instruments also: %s", c.Beside)
		if c.Path != "" {
			two := func(sigma float64) words.Measure { return words.Measure{Value: 2 * sigma, Unit: c.Unit, Form: "%.2g"} }
			parts = append(parts, words.Say("%s is known to ± %s without it, to ± %s with it", c.list([]string{c.Path}), two(c.Without), two(c.With)))
		}
		l := Line{Signals: []string{c.Signal}}
		switch {
		case parts != nil:
		case len(c.Moves) > 0:
			l.kind = 1
			say("worked out without it, would go by it: %s", c.Moves)
		case c.Later:
			l.kind = 2
			parts = append(parts, "only cross-checks, and what is learned from running, go by it")
		default:
			l.kind = 3
			parts = append(parts, "nothing that is worked out needs it")
		}
		if c.Alarms > 0 {
			parts = append(parts, words.Say("alarms that read it: %d", c.Alarms))
		}
		l.Text = words.Join(parts, "; ")
		if k := slices.IndexFunc(lines, func(o Line) bool { return o.Text == l.Text }); k >= 0 {
			lines[k].Signals = append(lines[k].Signals, c.Signal)
		} else {
			lines = append(lines, l)
		}
	}
	slices.SortStableFunc(lines, func(a, b Line) int { return cmp.Compare(a.kind, b.kind) })
	return lines
}

// list names quantities, those of the signal's own vessel without it.
func (c *Cost) list(paths []string) words.Text {
	const most = 6
	var names []words.Text
	for _, p := range paths[:min(most, len(paths))] {
		owner := strings.TrimSuffix(p, "."+nameOf(p))
		text := words.Say("%s", plant.Label(nameOf(p)))
		if owner != strings.TrimSuffix(c.Signal, "."+nameOf(c.Signal)) {
			text = words.Say("%s %s", owner, text)
		}
		names = append(names, text)
	}
	text := words.Join(names, ", ")
	if more := len(paths) - len(names); more > 0 {
		text = words.Say("%s and %d more", text, more)
	}
	return text
}

// compare lists what is worked out with an instrument and not without it, and notes what
// gets surer by it than by any comparison before.
func (c *Cost) compare(without, with map[string]worked, core *engine.Core) (lost []string) {
	for i := range core.House.Tags {
		tag := &core.House.Tags[i]
		was, is := without[tag.Path], with[tag.Path]
		named := slices.Contains(shown, nameOf(c.Path))
		best := 1 / gainLeast
		if c.Path != "" && (named || !slices.Contains(shown, tag.Name)) {
			best = c.Without / c.With
		}
		switch {
		case !is.ok:
		case !was.ok:
			lost = append(lost, tag.Path)
		case is.sigma > 0 && was.sigma/is.sigma > best && (!named || slices.Contains(shown, tag.Name)):
			c.Path, c.Unit, c.Without, c.With = tag.Path, tag.Unit, was.sigma, is.sigma
		}
	}
	slices.SortFunc(lost, byWorth)
	return lost
}

func nameOf(path string) string { return path[strings.LastIndex(path, ".")+1:] }

// byWorth puts what is shown first, each in the order of its path.
func byWorth(a, b string) int {
	ofShown := func(p string) int { return (slices.Index(shown, nameOf(p)) + len(shown) + 1) % (len(shown) + 1) }
	return cmp.Or(cmp.Compare(ofShown(a), ofShown(b)), cmp.Compare(a, b))
}

// guess is about what a missing instrument would read: what is worked out, else the place
// in the ladder, else a usual figure.
func (h *House) guess(slot int, now map[string]worked) float64 {
	s := &h.Slots[slot]
	usual := math.NaN()
	for w := range strings.FieldsSeq(lex.Reads[s.Signal.Name]) {
		if v, err := strconv.ParseFloat(w, 64); err == nil {
			usual = v
		} else if t := now[h.Vessels[s.Vessel].Path()+"."+w]; t.ok {
			return ofScale(s.Signal.Dimension, t.value)
		}
	}
	if v, ok := h.expected(s); ok {
		if e := h.Vessels[s.Vessel].Effect; strings.HasPrefix(s.Signal.Name, "vapour_") && e > 0 {
			v = h.between(e, v)
		}
		return ofScale(s.Signal.Dimension, v)
	}
	return usual
}

// between is where the vapour of an effect stands between its neighbours as they read; else
// as it was expected.
func (h *House) between(effect int, expected float64) float64 {
	above, below := -1, math.MaxInt
	var from, to float64
	for _, r := range h.Rungs() {
		switch {
		case r.Effect == 0 && r.Of != "steam": // a pan, a condenser
		case r.Effect < effect && r.Effect > above:
			above, from = r.Effect, r.TempC
		case r.Effect > effect && r.Effect < below:
			below, to = r.Effect, r.TempC
		}
	}
	if above < 0 || below == math.MaxInt {
		return expected
	}
	return from + (to-from)*float64(effect-above)/float64(below-above)
}

// ofScale is what stands on the scale of temperatures at v.
func ofScale(d plant.Dimension, v float64) float64 {
	if d == plant.Pressure {
		if p, err := steam.Psat(steam.Celsius(v)); err == nil {
			return float64(p)
		}
	}
	return v
}

// worked is a quantity that was worked out, or why not.
type worked struct {
	value, sigma float64
	ok           bool
	reason       words.Text
}

// work works the house out once from the values read. Surfaces to be filled in count as
// 1000 m2. The slot swing, if it is not negative, moves half way.
func (h *House) work(file string, files []rules.File, swing int) (map[string]worked, *engine.Core, error) {
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
	core, err := engine.New(house, files, rules.Options{})
	if err != nil {
		return nil, nil, err
	}
	house = core.House
	const steps = 60
	at := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	core.Begin(at)
	for k := range steps { // fifteen minutes: past what is smoothed and settles
		at = at.Add(15 * time.Second)
		for i, s := range h.Slots {
			t, ok := house.Find(h.Vessels[s.Vessel].Path() + "." + s.Signal.Name)
			if !ok || s.Chosen == nil {
				continue
			}
			v, q := t.Convert(h.Nodes[s.Chosen.Node].Value, plant.Good)
			if i == swing && k >= steps/2 {
				v = moved(s.Signal.Dimension, v)
			}
			core.Sample(plant.Sample{Tag: t.ID, Point: plant.Point{Time: at, Value: v, Quality: q}}, at)
		}
		core.Scan(at)
	}
	out := map[string]worked{}
	for _, v := range core.Calc.Step(core.Frame, at) {
		if v.Sigma < 1e-9*math.Abs(v.Point.Value) {
			v.Sigma = 0 // as of what is measured without a stated accuracy
		}
		out[house.Tags[v.Tag].Path] = worked{v.Point.Value, v.Sigma, v.Point.Quality.Usable(), v.Reason}
	}
	return out, core, nil
}

// moved is another reading of the same instrument.
func moved(d plant.Dimension, v float64) float64 {
	switch {
	case d == plant.State:
		return 1 - v
	case d == plant.Percent || d == plant.Level:
		return math.Mod(v+50, 100)
	}
	return 1.1 * v
}

// Worth says what comes out, how sure it is, and what is absent for want of what.
func (h *House) Worth(file string) (out []Outcome, lacks []Lack, err error) {
	all, core, err := h.work(file, nil, -1)
	if err != nil {
		return nil, nil, err
	}
	for k := range core.House.Tags {
		tag := &core.House.Tags[k]
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
	return out, lacks, nil
}
