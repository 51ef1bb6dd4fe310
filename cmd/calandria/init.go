package main

import (
	"bufio"
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"calandria/cmd/service"
	"calandria/deploy"
	"calandria/engine/setup"
	"calandria/plant"
)

type initCmd struct {
	Out  string `help:"Plant file to write." default:"plant.yaml" type:"path"`
	Yes  bool   `help:"Ask nothing: take what is likeliest, and leave the rest to be filled in."`
	Data string `help:"Folder with the certificates." default:"data" type:"path"`
	lookAt
}

// Run leads through the first plant file: equipment first, then the signals of
// one vessel after the other. It writes a file, never the plant.
func (c *initCmd) Run(a *app) error {
	sc, err := c.server()
	if err != nil {
		return err
	}
	nodes, err := service.BrowseNodes(a.ctx, sc, c.Data, c.Root, a.log)
	if err != nil {
		return err
	}
	g := &guide{in: bufio.NewScanner(a.in), out: a.out, yes: c.Yes}
	g.h = setup.House{Server: sc, BarometerKPa: 101.325, TimeZone: "UTC", Nodes: nodes}
	if len(g.h.Nodes) == 0 {
		return errors.New("the server shows no variable that is a number and may be read: ask its administrator for the rights Browse and Read")
	}
	fmt.Fprintf(a.out, "%d variables of %s can be signals.\nEnter takes what stands in brackets.\n\n", len(g.h.Nodes), sc.Endpoint)
	g.equipment()
	if g.h.Library, err = service.RuleFilesFS(deploy.Rules()); err != nil {
		return err
	}
	g.h.Begin()
	for i := range g.h.Vessels {
		if err := g.signals(i); err != nil {
			return err
		}
	}
	text := g.h.File()
	if err := service.WritePlant(c.Out, text); err != nil {
		return err
	}
	g.ladder()
	g.worth(c.Out)
	fmt.Fprintf(a.out, "\n%s is written, and the rule library beside it. Fill in what says FILL IN, then:\n  calandria check --config %s\n  calandria check --config %s --online   (while the house runs)\n", c.Out, filepath.Base(c.Out), filepath.Base(c.Out))
	return nil
}

// guide asks at a terminal, or reads answers from a file.
type guide struct {
	in  *bufio.Scanner
	out io.Writer
	yes bool
	h   setup.House
}

// ask gives the answer, or what is usual on an empty line and at the end of input.
func (g *guide) ask(question, usual string) string {
	if g.yes {
		return usual
	}
	fmt.Fprintf(g.out, "%s [%s] ", question, usual)
	if !g.in.Scan() {
		g.yes = true
		fmt.Fprintln(g.out)
		return usual
	}
	return cmp.Or(strings.TrimSpace(g.in.Text()), usual)
}

// askNumber asks until the answer is a number from low to high.
func (g *guide) askNumber(question string, usual, low, high float64) float64 {
	for {
		text := g.ask(question, strconv.FormatFloat(usual, 'g', -1, 64))
		x, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
		if err == nil && x >= low && x <= high {
			return x
		}
		fmt.Fprintf(g.out, "%q is no number from %g to %g\n", text, low, high)
	}
}

func (g *guide) equipment() {
	h := &g.h
	h.Site = g.ask("Name of the site", "")
	h.BarometerKPa = setup.Barometer(g.askNumber("Altitude of the site, m", 0, -400, 4000))
	for {
		h.TimeZone = g.ask("Time zone, such as America/Sao_Paulo", "UTC")
		if _, err := time.LoadLocation(h.TimeZone); err == nil {
			break
		}
		fmt.Fprintf(g.out, "the time zone %q is not known\n", h.TimeZone)
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
func (g *guide) names(question string, c plant.Class, usual string) []string {
	if called := setup.NamesOf(c, g.h.Nodes); len(called) > 0 {
		usual = strings.Join(called, ", ")
	}
	for {
		answer := g.ask(question, usual)
		if answer == "-" {
			return nil
		}
		names, wrong := setup.Names(answer)
		if wrong == "" || g.yes {
			return names
		}
		fmt.Fprintf(g.out, "%q is no name, or stands there twice: use letters, digits and _\n", wrong)
	}
}

// signals shows what is proposed for one vessel, and lets a person change it.
func (g *guide) signals(vessel int) error {
	v := &g.h.Vessels[vessel]
	var slots []int
	for i, s := range g.h.Slots {
		if s.Vessel == vessel {
			slots = append(slots, i)
		}
	}
	for {
		fmt.Fprintf(g.out, "\n%s, %s\n", v.Path(), v.Class)
		t := newTable("", "signal", "node", "reads", "is then", "measures")
		for k, i := range slots {
			s := &g.h.Slots[i]
			node, reads, is := "-", "", ""
			if s.Chosen != nil {
				node, reads, is = g.describe(s)
			}
			t.row(strconv.Itoa(k+1), s.Signal.Name, node, reads, is, s.Signal.Meaning.String())
		}
		t.write(g.out)
		answer := g.ask("Enter accepts; a line's number shows other nodes; number and - leaves the signal out; number and a word looks for nodes", "accept")
		if answer == "accept" {
			return nil
		}
		number, word, _ := strings.Cut(answer, " ")
		k, err := strconv.Atoi(number)
		switch {
		case err != nil || k < 1 || k > len(slots):
			fmt.Fprintf(g.out, "%q is none of the lines 1 to %d\n", number, len(slots))
		case strings.TrimSpace(word) == "-":
			g.h.Slots[slots[k-1]].Chosen = nil
		default:
			g.choose(slots[k-1], strings.TrimPrefix(strings.TrimSpace(word), "/"))
		}
	}
}

// describe gives node, raw reading and what it comes to.
func (g *guide) describe(s *setup.Slot) (node, reads, is string) {
	n := &g.h.Nodes[s.Chosen.Node]
	reads = "no value"
	if !math.IsNaN(n.Value) {
		reads = printable(fmt.Sprintf("%.5g %s", n.Value, n.Unit))
	}
	if !math.IsNaN(s.Chosen.Value) {
		is = fmt.Sprintf("%.4g %s", s.Chosen.Value, s.Signal.Dimension.Canonical())
	}
	if s.Chosen.Reference != "" {
		reads += " " + string(s.Chosen.Reference)
	}
	return printable(cmp.Or(n.Path, n.Name)), reads, is
}

func (g *guide) choose(slot int, word string) {
	s := &g.h.Slots[slot]
	list := g.h.Search(slot, word)
	if len(list) == 0 {
		fmt.Fprintf(g.out, "no node fits %s; look at its unit, or give another word\n", s.Signal.Name)
		return
	}
	list = list[:min(len(list), 15)]
	t := newTable("", "node", "reads", "is then", "description")
	for i, c := range list {
		node, reads, is := g.describe(&setup.Slot{Signal: s.Signal, Chosen: &c})
		t.row(strconv.Itoa(i+1), node, reads, is, printable(g.h.Nodes[c.Node].Description))
	}
	t.write(g.out)
	if k := int(g.askNumber("Which? 0 leaves it as it was", 0, 0, float64(len(list)))); k > 0 {
		g.h.Choose(slot, list[k-1].Node)
	}
}

// ladder draws the temperatures as the chosen signals give them.
func (g *guide) ladder() {
	rungs := g.h.Rungs()
	if len(rungs) < 2 {
		return
	}
	fmt.Fprintln(g.out, "\nThe ladder of temperatures, from the pressures; it has to fall from effect to effect:")
	for _, r := range rungs {
		fmt.Fprintf(g.out, "  %-22s %6.1f degC  %s\n", r.Vessel+" "+r.Of, r.TempC, strings.Repeat("=", max(0, int(r.TempC/2.5))))
	}
}

// worth says what comes out, how sure it is, and what is absent for want of which
// instrument.
func (g *guide) worth(name string) {
	out, lacks, err := g.h.Worth(name)
	if err != nil {
		fmt.Fprintf(g.out, "\nnothing could be worked out yet: %v\n", err)
		return
	}
	t := newTable("quantity", "now", "plus or minus")
	for _, o := range out {
		pm := ""
		if o.Sigma > 0 {
			pm = fmt.Sprintf("%.2g", 2*o.Sigma)
		}
		t.row(o.Path, fmt.Sprintf("%.4g %s", o.Value, o.Unit), pm)
	}
	fmt.Fprintln(g.out, "\nWhat these signals give now; heating surfaces to be filled in count as 1000 m2:")
	t.write(g.out)
	for _, l := range lacks {
		fmt.Fprintf(g.out, "absent: %s: %s\n", strings.Join(l.Paths, ", "), l.Reason)
	}
	fmt.Fprintln(g.out, "\nWhat each missing instrument costs, tried at about what it would read (some seconds):")
	costs, err := g.h.Costs(name)
	if err != nil {
		fmt.Fprintf(g.out, "not worked out: %v\n", err)
	}
	for _, l := range setup.Lines(costs) {
		fmt.Fprintf(g.out, "  %s: %s\n", strings.Join(l.Signals, ", "), l.Text)
	}
}
