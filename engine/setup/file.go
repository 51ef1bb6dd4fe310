package setup

import (
	_ "embed" // plant.yaml.tmpl
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/template"

	"calandria/plant"
)

//go:embed plant.yaml.tmpl
var form string

var plantFile = template.Must(template.New("plant file").Funcs(template.FuncMap{"quote": strconv.Quote}).Parse(form))

// section is a list of vessels in the plant file.
type section struct {
	Key     string
	Vessels []written
}

// written is a vessel as the plant file has it.
type written struct {
	Vessel
	Indent    string
	Surface   bool     // it has a heating surface
	Condenser string   // of a set
	Signals   []string // lines
	Parts     *section
}

// File writes the plant file. What a person has still to state says FILL IN.
func (h *House) File() string {
	var out strings.Builder
	var sections []section
	site := h.section(plant.ClassSite, "", "  ")
	for _, c := range []plant.Class{plant.ClassSet, plant.ClassCondenser, plant.ClassPan} {
		if s := h.section(c, "", "  "); s != nil {
			sections = append(sections, *s)
		}
	}
	err := plantFile.Execute(&out, struct {
		*House
		Barometer []string
		Sections  []section
		Unused    []string
	}{h, site.signals(), sections, h.unused()})
	if err != nil {
		panic(err) // the form is a part of the program
	}
	return out.String()
}

// signals are the lines of the first vessel.
func (s *section) signals() []string {
	if s == nil {
		return nil
	}
	return s.Vessels[0].Signals
}

var sectionKeys = map[plant.Class]string{plant.ClassSet: "sets", plant.ClassCondenser: "condensers", plant.ClassPan: "pans",
	plant.ClassBody: "bodies", plant.ClassBleed: "bleeds"}

// section gives the vessels of a class that belong to an owner; nil if there are none.
func (h *House) section(c plant.Class, owner, indent string) *section {
	s := &section{Key: sectionKeys[c]}
	for i, v := range h.Vessels {
		if v.Class != c || v.Owner != owner {
			continue
		}
		w := written{Vessel: v, Indent: indent, Surface: c == plant.ClassBody || c == plant.ClassPan}
		switch c {
		case plant.ClassSet:
			if k := slices.IndexFunc(h.Vessels, func(o Vessel) bool { return o.Class == plant.ClassCondenser }); k >= 0 {
				w.Condenser = h.Vessels[k].Name
			}
			w.Parts = h.section(plant.ClassBody, v.Path(), indent+"    ")
		case plant.ClassBody:
			w.Parts = h.section(plant.ClassBleed, v.Path(), indent+"    ")
		}
		for _, slot := range h.Slots {
			if slot.Vessel == i && slot.Chosen != nil {
				n := &h.Nodes[slot.Chosen.Node]
				w.Signals = append(w.Signals, fmt.Sprintf("%s: {node: %s%s}%s", slot.Signal.Name, strconv.Quote(n.ID), keys(slot, n), comment(n)))
			}
		}
		s.Vessels = append(s.Vessels, w)
	}
	if s.Vessels == nil {
		return nil
	}
	return s
}

// keys are unit, reference and range of a binding.
func keys(s Slot, n *Node) string {
	b := ""
	if s.Chosen.Unit != "" && s.Signal.Dimension != plant.State && s.Signal.Dimension != plant.AnyDimension {
		b += ", unit: " + strconv.Quote(s.Chosen.Unit)
	}
	if s.Signal.Dimension == plant.Pressure && s.Signal.Class != plant.ClassSite {
		b += ", reference: " + string(s.Chosen.Reference)
	}
	if len(n.Range) == 2 && n.Range[0] < n.Range[1] && s.Signal.Dimension != plant.State {
		b += fmt.Sprintf(", range: [%g, %g]", n.Range[0], n.Range[1])
	}
	return b
}

func comment(n *Node) string {
	if text := strings.Trim(plain(n.Path+"; "+n.Description), "; "); text != "" {
		return "  # " + text
	}
	return ""
}

// plain keeps a server's own words from breaking out of a comment.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == 0x85 || r == 0x2028 || r == 0x2029 {
			return ' '
		}
		return r
	}, s)
}

// unused lists the nodes that no signal has, for a person to look through.
func (h *House) unused() (lines []string) {
	for i, n := range h.Nodes {
		if slices.ContainsFunc(h.Slots, func(s Slot) bool { return s.Chosen != nil && s.Chosen.Node == i }) {
			continue
		}
		now := "no value"
		if !math.IsNaN(n.Value) {
			now = strconv.FormatFloat(n.Value, 'g', 5, 64)
		}
		lines = append(lines, fmt.Sprintf("%s%s  (%s %s)", plain(n.ID), comment(&n), now, plain(n.Unit)))
	}
	return lines
}
