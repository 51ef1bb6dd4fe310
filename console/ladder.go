package console

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
)

// The temperature ladder: one vertical temperature scale for a whole set. Each
// body is a bar from the saturation temperature of the steam in its calandria
// down to that of its vapour. The bar is divided into what clean tubes would
// need for the same duty, what scale costs on top, and the boiling-point rise.
// A line carries each vapour to the next calandria; the last bar is the
// condenser, from its vapour down to the tail water. Nothing is drawn for a
// temperature that is not known.

// Shapes of a server-drawn picture, in units of its view box.
type (
	rect struct {
		X, Y, W, H float64
		Class      string
		Fill       string // id of a pattern, "" for the class's own
	}
	line struct {
		X1, Y1, X2, Y2 float64
		Class          string
	}
	caption struct {
		X, Y   float64
		Anchor string
		Class  string
		Text   words.Text
	}
	drawing struct {
		ID       string // unique on the page, for patterns
		W, H     float64
		Title    words.Text
		Rects    []rect
		Lines    []line
		Paths    []shape
		Captions []caption
	}
	shape struct{ Points, Class string }
)

const (
	ladderW      = 1000
	ladderH      = 370
	ladderAxis   = 110 // width of the scale at the left
	ladderHead   = 24
	ladderFoot   = 24
	ladderBarMax = 66
)

// rung is one bar of the ladder, temperatures in degC, NaN where not known.
type rung struct {
	Name      string
	Effect    int
	Chest     float64 // saturation temperature in the calandria
	Boiling   float64 // boiling temperature of the juice
	Vapour    float64 // saturation temperature of the vapour
	Ratio     float64 // U against clean U, NaN if not known
	Condenser bool    // Chest is the vapour, Vapour the tail water
}

func (s *Server) rungs(p *engine.Picture, set *plant.Equipment) []rung {
	at := func(e *plant.Equipment, names ...string) float64 {
		for _, n := range names {
			if pt := p.Frame.Point(e.Tag(n)); pt.Usable() && pt.Value > -20 && pt.Value < 300 {
				return pt.Value
			}
		}
		return math.NaN()
	}
	var rs []rung
	last := math.NaN()
	for _, b := range set.Parts {
		r := rung{Name: b.Name, Effect: b.Body.Effect, Ratio: at(b, "u_ratio"),
			Chest:   at(b, "chest_saturation_temperature"),
			Boiling: at(b, "boiling_temperature"),
			Vapour:  at(b, "vapour_saturation_temperature")}
		last = r.Vapour
		rs = append(rs, r)
	}
	if c := s.condenserOf(set); c != nil {
		r := rung{Name: c.Name, Condenser: true, Boiling: math.NaN(), Ratio: math.NaN(),
			Chest: at(c, "saturation_temperature"), Vapour: at(c, "water_outlet_temperature")}
		if math.IsNaN(r.Chest) {
			r.Chest = last
		}
		rs = append(rs, r)
	}
	return rs
}

func (s *Server) condenserOf(e *plant.Equipment) *plant.Equipment {
	name := ""
	switch {
	case e.Set != nil:
		name = e.Set.Condenser
	case e.Pan != nil:
		name = e.Pan.Condenser
	}
	if name == "" {
		return nil
	}
	c, _ := s.b.House().Equip(name)
	return c
}

// inUnit gives the rungs in a unit of temperature, and the distance of the lines of its scale.
func inUnit(celsius []rung, u shownUnit) (rs []rung, step float64) {
	rs = slices.Clone(celsius)
	for i := range rs {
		r := &rs[i]
		r.Chest, r.Boiling, r.Vapour = u.of(r.Chest), u.of(r.Boiling), u.of(r.Vapour)
	}
	if u.scale > 1 {
		return rs, 20
	}
	return rs, 10
}

// drawLadder draws the rungs of a set in a unit of temperature.
func drawLadder(id string, celsius []rung, u shownUnit) drawing {
	rs, ladderSteps := inUnit(celsius, u)
	d := drawing{ID: id, W: ladderW, H: ladderH, Title: "Temperature ladder: from the steam at the left to the condenser at the right."}
	low, high := math.Inf(1), math.Inf(-1)
	for _, r := range rs {
		for _, t := range []float64{r.Chest, r.Boiling, r.Vapour} {
			if !math.IsNaN(t) {
				low, high = math.Min(low, t), math.Max(high, t)
			}
		}
	}
	if low > high {
		d.Captions = append(d.Captions, caption{X: ladderW / 2, Y: ladderH / 2, Anchor: "middle", Class: "lt-none", Text: "No temperatures to draw: pressures or the calculation are missing."})
		return d
	}
	low = math.Floor((low-4)/ladderSteps) * ladderSteps
	high = math.Ceil((high+3)/ladderSteps) * ladderSteps
	y := func(t float64) float64 {
		return round1(ladderHead + (high-t)/(high-low)*(ladderH-ladderHead-ladderFoot))
	}
	for t := low; t <= high; t += ladderSteps {
		class := "lt-grid"
		if math.Mod(t, 2*ladderSteps) == 0 {
			d.Captions = append(d.Captions, caption{X: ladderAxis - 22, Y: y(t) + 6, Anchor: "end", Class: "lt-scale", Text: decimals(t, 0)})
			class += " major"
		}
		d.Lines = append(d.Lines, line{X1: ladderAxis - 16, Y1: y(t), X2: ladderW, Y2: y(t), Class: class})
	}
	d.Captions = append(d.Captions, caption{X: ladderAxis - 22, Y: 16, Anchor: "end", Class: "lt-unit", Text: u.text})

	pitch := float64(ladderW-ladderAxis) / float64(len(rs))
	ladderBarW := round1(math.Min(ladderBarMax, 0.46*pitch))
	left := func(i int) float64 { return round1(ladderAxis + pitch*(float64(i)+0.5) - ladderBarW/2 - 14) }
	// Bodies of one effect stand side by side: vapour goes on from the last.
	abreast := func(i, j int) bool {
		return i >= 0 && j < len(rs) && rs[i].Effect != 0 && rs[i].Effect == rs[j].Effect
	}
	for i, r := range rs {
		x, mid := left(i), round1(left(i)+ladderBarW/2)
		if i == 0 && !math.IsNaN(r.Chest) {
			d.Lines = append(d.Lines, line{X1: ladderAxis - 16, Y1: y(r.Chest), X2: x, Y2: y(r.Chest), Class: "lt-vapour"})
			if mid-26 > ladderAxis+32 { // beside the figure of the first bar
				d.Captions = append(d.Captions, caption{X: ladderAxis - 14, Y: y(r.Chest) - 6, Anchor: "start", Class: "lt-note", Text: "steam"})
			}
		}
		if i+1 < len(rs) && !math.IsNaN(r.Vapour) && !abreast(i, i+1) {
			// The vapour goes on to the next calandria; the small step is lost
			// in the pipe.
			nx := left(i + 1)
			d.Lines = append(d.Lines, line{X1: x + ladderBarW, Y1: y(r.Vapour), X2: nx - 10, Y2: y(r.Vapour), Class: "lt-vapour"})
			if next := rs[i+1].Chest; !math.IsNaN(next) {
				d.Lines = append(d.Lines, line{X1: nx - 10, Y1: y(r.Vapour), X2: nx, Y2: y(next), Class: "lt-vapour"})
			}
		}
		if math.IsNaN(r.Chest) || math.IsNaN(r.Vapour) || r.Chest < r.Vapour {
			d.Captions = append(d.Captions, caption{X: mid, Y: ladderH / 2, Anchor: "middle", Class: "lt-none", Text: dash})
			continue
		}
		seg := func(top, bottom float64, class, fill string) {
			if h := round1(y(bottom) - y(top)); h > 0 {
				d.Rects = append(d.Rects, rect{X: x, Y: y(top), W: ladderBarW, H: h, Class: class, Fill: fill})
			}
		}
		beside := func(t float64, text, class string) {
			d.Captions = append(d.Captions, caption{X: x + ladderBarW + 7, Y: y(t) + 6, Anchor: "start", Class: class, Text: words.Text(text)})
		}
		above := caption{X: mid, Y: y(r.Chest) - 6, Anchor: "middle", Class: "lt-t", Text: decimals(r.Chest, 1)}
		below := caption{X: mid, Y: y(r.Vapour) + 19, Anchor: "middle", Class: "lt-t", Text: decimals(r.Vapour, 1)}
		d.Captions = append(d.Captions, above, below)
		if r.Condenser {
			seg(r.Chest, r.Vapour, "lt-bar approach", "")
			if y(r.Vapour)-y(r.Chest) > 26 { // otherwise the table beneath has it
				d.Captions = append(d.Captions, caption{X: mid, Y: round1((y(r.Chest)+y(r.Vapour))/2 + 6), Anchor: "middle", Class: "lt-dt", Text: decimals(r.Chest-r.Vapour, 1) + " " + u.plain})
			}
			d.Captions = append(d.Captions, caption{X: mid, Y: y(r.Vapour) + 38, Anchor: "middle", Class: "lt-note", Text: "tail water"})
			continue
		}
		boil := r.Boiling
		if math.IsNaN(boil) || boil > r.Chest || boil < r.Vapour {
			// The rise is not known: the whole drop is drawn as apparent.
			seg(r.Chest, r.Vapour, "lt-bar apparent", "")
			beside((r.Chest+r.Vapour)/2, (decimals(r.Chest-r.Vapour, 1) + " K").String(), "lt-dt doubt")
			continue
		}
		clean := boil
		if r.Ratio > 0 && r.Ratio < 1 {
			clean = r.Chest - (r.Chest-boil)*r.Ratio
		}
		seg(r.Chest, clean, "lt-bar useful", "")
		seg(clean, boil, "lt-bar scale", id+"-scale")
		seg(boil, r.Vapour, "lt-bar rise", id+"-rise")
		d.Rects = append(d.Rects, rect{X: x, Y: y(r.Chest), W: ladderBarW, H: round1(y(r.Vapour) - y(r.Chest)), Class: "lt-outline"})
		beside((r.Chest+boil)/2, (decimals(r.Chest-boil, 1) + " K").String(), "lt-dt")
	}
	return d
}

func round1(v float64) float64 { return math.Round(v*10) / 10 }

// figure is one large number of a set.
type figure struct {
	Label words.Text
	Value reading
	Note  words.Text
}

// setView is one evaporator set on the house page.
type setView struct {
	Path, Title string
	Suspects    []suspectView
	Odd         unusual
	Dashes      []calmLine // why figures are not known
	Figures     []figure
	Bodies      []bodyHead
	Condenser   *bodyHead
	CondNotes   []figure
	Columns     int
	Ladder      drawing
	Rows        []ladderRow
	Tails       []tailRow // the last ten minutes, where the screen has room
}

// departuresShown is how many figures outside their band a line has room for.
const departuresShown = 3

// unusual is what is said of a vessel before any alarm.
type unusual struct {
	Departs []deviation
	More    int      // that have no room; they have their mark
	Coming  []coming // conditions that stand, and whose alarm waits for its delay
}

func (s *Server) unusual(p *engine.Picture, e *plant.Equipment, now time.Time) unusual {
	u := unusual{Departs: s.departures(p, e, now), Coming: s.comings(p, e)}
	if n := len(u.Departs); n > departuresShown {
		u.Departs, u.More = u.Departs[:departuresShown], n-departuresShown
	}
	return u
}

// dashesShown is how many figures a line of reasons names.
const dashesShown = 4

// dashes gathers why figures are not known: each reason once, with the figures.
func dashes(of []figure) (out []calmLine) {
	names := map[words.Text][]words.Text{}
	var order []words.Text
	for _, f := range of {
		if f.Value.OK {
			continue
		}
		if names[f.Value.Why] == nil {
			order = append(order, f.Value.Why)
		}
		names[f.Value.Why] = append(names[f.Value.Why], f.Label)
	}
	for _, why := range order {
		l, n := names[why], len(names[why])
		if n > dashesShown+1 {
			l = append(slices.Clone(l[:dashesShown]), words.Say("%d more", n-dashesShown))
		}
		out = append(out, calmLine{words.Join(l, ", "), why})
	}
	return out
}

// coming is an alarm whose condition stands while its delay runs.
type coming struct {
	Href      string
	Title, At words.Text
}

// comings are those of a vessel, its parts and its condenser.
func (s *Server) comings(p *engine.Picture, e *plant.Equipment) (out []coming) {
	paths := []string{e.Path}
	if c := s.condenserOf(e); c != nil {
		paths = append(paths, c.Path)
	}
	for i := range p.Alarms {
		a := &p.Alarms[i]
		if a.Active || a.PendingUntil.IsZero() || a.SuppressedOrShelved || a.Spec == nil {
			continue
		}
		if slices.ContainsFunc(paths, func(path string) bool { return a.Spec.Source == path || strings.HasPrefix(a.Spec.Source, path+".") }) {
			out = append(out, coming{"/alarms/" + escapeSegment(a.Name), a.Spec.Said(a.Spec.Title), s.clock(a.PendingUntil)})
		}
	}
	return out
}

type tailRow struct {
	Label, Unit words.Text
	Cells       []reading
}

type bodyHead struct {
	Name, Title, Href string
	Effect            int
	Mark              *markData
	State             words.Text // "by-passed", "cleaning" or ""
}

type ladderRow struct {
	Label, Unit words.Text
	Own         bool // each cell has a unit of its own
	Cells       []ladderCell
}

type ladderCell struct {
	reading
	Bar   bool    // draw Ratio as a length
	Ratio float64 // 0..100
	Limit float64 // 0..100
	Due   bool
}

func (s *Server) setView(ctx context.Context, p *engine.Picture, set *plant.Equipment, now time.Time) setView {
	v := setView{Path: set.Path, Title: set.Title, Odd: s.unusual(p, set, now)}
	for i := range p.Suspects {
		if x := &p.Suspects[i]; x.Set == set.Path {
			v.Suspects = append(v.Suspects, s.suspectView(x, now))
		}
	}
	read := func(e *plant.Equipment, names ...string) reading {
		var r reading
		for i, n := range names {
			got := s.read(p, e.Tag(n), now)
			if i == 0 || got.OK || r.Path == "" {
				r = got
			}
			if r.OK {
				break
			}
		}
		return r
	}
	v.Figures = []figure{
		{Label: "Juice in", Value: read(set, "juice_in_flow", "juice_flow")},
		{Label: "Evaporation", Value: read(set, "evaporation")},
		{Label: "Steam", Value: read(set, "steam_flow", "steam_calculated")},
		{Label: "Economy", Value: read(set, "economy_measured", "economy")},
		{Label: "Syrup", Value: read(set, "syrup_brix")},
		{Label: words.Say("Vacuum, %s", set.LastBody().Name), Value: read(set.LastBody(), "vapour_pressure")},
	}
	for i := range v.Figures {
		if r := v.Figures[i].Value; r.Path != "" {
			if t, ok := s.b.House().Find(r.Path); ok && t.Source != plant.Measured {
				v.Figures[i].Note = "calculated"
				switch {
				case t.Source == plant.Fixed:
					v.Figures[i].Note = "fixed"
				case t.Name == "economy_measured":
					v.Figures[i].Note = "steam by its meter"
				case t.Name == "economy":
					v.Figures[i].Note = "steam by balance"
				}
			}
		}
	}
	for _, b := range set.Parts {
		h := bodyHead{Name: b.Name, Title: b.Title, Href: vesselHref(b.Path), Mark: s.worst(p, b.Path), Effect: b.Body.Effect}
		if pt := p.Frame.Point(b.Tag("cleaning")); pt.Usable() && pt.Value >= 0.5 {
			h.State = "cleaning"
		} else if pt := p.Frame.Point(b.Tag("in_service")); pt.Usable() && pt.Value < 0.5 {
			h.State = "by-passed"
		}
		v.Bodies = append(v.Bodies, h)
	}
	if c := s.condenserOf(set); c != nil {
		v.Condenser = &bodyHead{Name: c.Name, Title: c.Title, Href: vesselHref(c.Path), Mark: s.worst(p, c.Path)}
		v.CondNotes = []figure{
			{Label: "approach", Value: read(c, "approach")},
			{Label: "rise", Value: read(c, "rise")},
			{Label: "water in", Value: read(c, "water_inlet_temperature")},
		}
	}
	v.Columns = len(v.Bodies) + 1
	if v.Condenser != nil {
		v.Columns++
	}
	v.Rows = ladderRows(set.Parts, read)
	for _, row := range []struct {
		label, unit words.Text
		name        string
	}{{"vapour", "", "vapour_pressure"}, {"juice level", "%", "level"}} {
		g := readingGroup{}
		for _, b := range set.Parts {
			g.Readings = append(g.Readings, read(b, row.name))
		}
		s.addTails(ctx, []readingGroup{g}, now)
		v.Tails = append(v.Tails, tailRow{row.label, cmp.Or(row.unit, oneUnit(g.Readings)), g.Readings})
	}
	shown := slices.Concat(v.Figures, v.CondNotes)
	for _, row := range v.Rows {
		for i, c := range row.Cells {
			shown = append(shown, figure{Label: words.Say("%s, %s", row.Label, set.Parts[i].Name), Value: c.reading})
		}
	}
	v.Dashes = dashes(shown)
	v.Ladder = drawLadder("ladder-"+set.Name, s.rungs(p, set), s.units[kindTemperature])
	return v
}

// ladderRows are the figures beneath the ladder, one column a body.
func ladderRows(bodies []*plant.Equipment, read func(e *plant.Equipment, names ...string) reading) (rows []ladderRow) {
	for _, row := range []struct {
		label, unit words.Text
		names       []string
	}{
		{"U", "kW/(m²·K)", []string{"u"}},
		{"of clean U", "%", []string{"u_ratio"}},
		{"Brix out", "Bx", []string{"brix", "brix_out"}},
		{"vapour", "", []string{"vapour_pressure"}},
		{"evaporation", "", []string{"evaporation"}},
		{"juice level", "%", []string{"level"}},
	} {
		r := ladderRow{Label: row.label, Unit: row.unit}
		for _, b := range bodies {
			c := ladderCell{reading: read(b, row.names...)}
			if row.names[0] == "u_ratio" && c.OK {
				c.Bar, c.Ratio = true, round1(math.Max(0, math.Min(1.1, c.Value))/1.1*100)
				c.Limit, c.Due = round1(b.Body.CleaningLimit/1.1*100), c.Value < b.Body.CleaningLimit
			}
			r.Cells = append(r.Cells, c)
		}
		if r.Unit == "" {
			var all []reading
			for _, c := range r.Cells {
				all = append(all, c.reading)
			}
			r.Unit = oneUnit(all)
			r.Own = r.Unit == ""
		}
		rows = append(rows, r)
	}
	return rows
}

// oneUnit is the unit that readings have in common, "" if they have none.
func oneUnit(list []reading) (unit words.Text) {
	for _, r := range list {
		if r.Unit != "" && unit != "" && r.Unit != unit {
			return ""
		}
		unit = cmp.Or(unit, r.Unit)
	}
	return unit
}

func vesselHref(path string) string { return "/vessel/" + escapeSegment(path) }

func fmtCoord(v float64) string { return fmt.Sprintf("%g", round1(v)) }
