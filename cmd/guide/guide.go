// Package guide leads through the first plant file at a terminal: equipment first, then the
// signals of one vessel after the other.
package guide

import (
	"bufio"
	"cmp"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"calandria/cmd/table"
	"calandria/engine/setup"
	"calandria/plant"
)

// Guide asks at a terminal, or reads answers from a file.
type Guide struct {
	In    *bufio.Scanner
	Out   io.Writer
	Yes   bool // ask nothing: take what is likeliest
	House setup.House
}

// Ask asks for equipment and signals.
func (g *Guide) Ask() error {
	g.equipment()
	g.House.Begin()
	for i := range g.House.Vessels {
		if err := g.signals(i); err != nil {
			return err
		}
	}
	return nil
}

// Tell says what the answers come to; name is that of the plant file.
func (g *Guide) Tell(name string) {
	g.ladder()
	g.worth(name)
}

// ask gives the answer, or what is usual on an empty line and at the end of input.
func (g *Guide) ask(question, usual string) string {
	if g.Yes {
		return usual
	}
	fmt.Fprintf(g.Out, "%s [%s] ", question, usual)
	if !g.In.Scan() {
		g.Yes = true
		fmt.Fprintln(g.Out)
		return usual
	}
	return cmp.Or(strings.TrimSpace(g.In.Text()), usual)
}

// askNumber asks until the answer is a number from low to high.
func (g *Guide) askNumber(question string, usual, low, high float64) float64 {
	for {
		text := g.ask(question, strconv.FormatFloat(usual, 'g', -1, 64))
		x, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err == nil && x >= low && x <= high {
			return x
		}
		fmt.Fprintf(g.Out, "%q is no number from %g to %g\n", text, low, high)
	}
}

func (g *Guide) equipment() {
	h := &g.House
	h.Site = g.ask("Name of the site", "")
	h.BarometerKPa = setup.Barometer(g.askNumber("Altitude of the site, m", 0, -400, 4000))
	for {
		h.TimeZone = g.ask("Time zone, such as America/Sao_Paulo", "UTC")
		if _, err := time.LoadLocation(h.TimeZone); err == nil {
			break
		}
		fmt.Fprintf(g.Out, "the time zone %q is not known\n", h.TimeZone)
	}
	called := setup.NamesOf(plant.ClassBody, h.Nodes)
	effects := int(g.askNumber("Effects of the evaporator", float64(cmp.Or(min(7, len(called)), 4)), 0, 7))
	for e := 1; e <= effects; e++ {
		bodies := int(g.askNumber(fmt.Sprintf("Bodies in effect %d", e), 1, 1, 6))
		for b := range bodies {
			name := setup.BodyName(e, b, bodies)
			surface := g.askNumber("Heating surface of "+name+", m2 (0: to be filled in)", 0, 0, 20000)
			h.AddBody(e, b, bodies, surface, int(g.askNumber("Users of the vapour of "+name+" beside the next body: heaters, pans", 0, 0, 6)))
		}
	}
	for _, name := range g.names("Condensers, that of the evaporator first; - for none", plant.ClassCondenser, "CD") {
		h.Vessels = append(h.Vessels, setup.Vessel{Class: plant.ClassCondenser, Name: name})
	}
	for _, name := range g.names("Vacuum pans; - for none", plant.ClassPan, "-") {
		surface := g.askNumber("Heating surface of pan "+name+", m2 (0: to be filled in)", 0, 0, 2000)
		h.Vessels = append(h.Vessels, setup.Vessel{Class: plant.ClassPan, Name: name, SurfaceM2: surface})
	}
}

// names asks for the names of vessels, as a list; what the server calls them is
// proposed.
func (g *Guide) names(question string, c plant.Class, usual string) []string {
	if called := setup.NamesOf(c, g.House.Nodes); len(called) > 0 {
		usual = strings.Join(called, ", ")
	}
	for {
		answer := g.ask(question, usual)
		if answer == "-" {
			return nil
		}
		names, wrong := setup.Names(answer)
		if wrong == "" || g.Yes {
			return names
		}
		fmt.Fprintf(g.Out, "%q is no name, or stands there twice: use letters, digits and _\n", wrong)
	}
}

// signals shows what is proposed for one vessel, and lets a person change it.
func (g *Guide) signals(vessel int) error {
	v := &g.House.Vessels[vessel]
	var slots []int
	for i, s := range g.House.Slots {
		if s.Vessel == vessel {
			slots = append(slots, i)
		}
	}
	for {
		fmt.Fprintf(g.Out, "\n%s, %s\n", v.Path(), v.Class)
		t := table.New("", "signal", "node", "reads", "is then", "measures")
		for k, i := range slots {
			s := &g.House.Slots[i]
			node, reads, is := "-", "", ""
			if s.Chosen != nil {
				node, reads, is = g.describe(s)
			}
			t.Row(strconv.Itoa(k+1), s.Signal.Name, node, reads, is, s.Signal.Meaning.String())
		}
		t.Write(g.Out)
		answer := g.ask("Enter accepts; a line's number shows other nodes; number and - leaves the signal out; number and a word looks for nodes", "accept")
		if answer == "accept" {
			return nil
		}
		number, word, _ := strings.Cut(answer, " ")
		k, err := strconv.Atoi(number)
		switch {
		case err != nil || k < 1 || k > len(slots):
			fmt.Fprintf(g.Out, "%q is none of the lines 1 to %d\n", number, len(slots))
		case strings.TrimSpace(word) == "-":
			g.House.Slots[slots[k-1]].Chosen = nil
		default:
			g.choose(slots[k-1], strings.TrimPrefix(strings.TrimSpace(word), "/"))
		}
	}
}

// describe gives node, raw reading and what it comes to.
func (g *Guide) describe(s *setup.Slot) (node, reads, is string) {
	n := &g.House.Nodes[s.Chosen.Node]
	reads = "no value"
	if !math.IsNaN(n.Value) {
		reads = table.Printable(fmt.Sprintf("%.5g %s", n.Value, n.Unit))
	}
	if !math.IsNaN(s.Chosen.Value) {
		is = fmt.Sprintf("%.4g %s", s.Chosen.Value, s.Signal.Dimension.Canonical())
	}
	if s.Chosen.Reference != "" {
		reads += " " + string(s.Chosen.Reference)
	}
	return table.Printable(cmp.Or(n.Path, n.Name)), reads, is
}

func (g *Guide) choose(slot int, word string) {
	s := &g.House.Slots[slot]
	list := g.House.Search(slot, word)
	if len(list) == 0 {
		fmt.Fprintf(g.Out, "no node fits %s; look at its unit, or give another word\n", s.Signal.Name)
		return
	}
	list = list[:min(len(list), 15)]
	t := table.New("", "node", "reads", "is then", "description")
	for i, c := range list {
		node, reads, is := g.describe(&setup.Slot{Signal: s.Signal, Chosen: &c})
		t.Row(strconv.Itoa(i+1), node, reads, is, table.Printable(g.House.Nodes[c.Node].Description))
	}
	t.Write(g.Out)
	if k := int(g.askNumber("Which? 0 leaves it as it was", 0, 0, float64(len(list)))); k > 0 {
		g.House.Choose(slot, list[k-1].Node)
	}
}

// ladder draws the temperatures as the chosen signals give them.
func (g *Guide) ladder() {
	rungs := g.House.Rungs()
	if len(rungs) < 2 {
		return
	}
	fmt.Fprintln(g.Out, "\nThe ladder of temperatures, from the pressures; it has to fall from effect to effect:")
	for _, r := range rungs {
		fmt.Fprintf(g.Out, "  %-22s %6.1f degC  %s\n", r.Vessel+" "+r.Of, r.TempC, strings.Repeat("=", max(0, int(r.TempC/2.5))))
	}
}

// worth says what comes out, how sure it is, and what is absent for want of which
// instrument.
func (g *Guide) worth(name string) {
	out, lacks, err := g.House.Worth(name)
	if err != nil {
		fmt.Fprintf(g.Out, "\nnothing could be worked out yet: %v\n", err)
		return
	}
	t := table.New("quantity", "now", "plus or minus")
	for _, o := range out {
		pm := ""
		if o.Sigma > 0 {
			pm = fmt.Sprintf("%.2g", 2*o.Sigma)
		}
		t.Row(o.Path, fmt.Sprintf("%.4g %s", o.Value, o.Unit), pm)
	}
	fmt.Fprintln(g.Out, "\nWhat these signals give now; heating surfaces to be filled in count as 1000 m2:")
	t.Write(g.Out)
	for _, l := range lacks {
		fmt.Fprintf(g.Out, "absent: %s: %s\n", strings.Join(l.Paths, ", "), l.Reason)
	}
	fmt.Fprintln(g.Out, "\nWhat each missing instrument costs, tried at about what it would read (some seconds):")
	costs, err := g.House.Costs(name)
	if err != nil {
		fmt.Fprintf(g.Out, "not worked out: %v\n", err)
	}
	for _, l := range setup.Lines(costs) {
		fmt.Fprintf(g.Out, "  %s: %s\n", strings.Join(l.Signals, ", "), l.Text)
	}
}
