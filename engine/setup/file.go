package setup

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"calandria/plant"
)

// file is the plant file while it is written.
type file struct{ strings.Builder }

func (f *file) line(format string, args ...any) { fmt.Fprintf(f, format+"\n", args...) }

// File writes the plant file. What a person has still to state says FILL IN.
func (h *House) File() string {
	f := &file{}
	q := strconv.Quote
	f.line("# A plant file to begin with, from the variables of server %s.", h.Server.Name)
	f.line("# Fill in what says FILL IN, then run 'calandria check', and 'calandria check --online'")
	f.line("# while the house runs: it names signals that look bound wrongly.")
	f.line("")
	f.line(`rules: ["rules/*.yaml"]  # copy deploy/rules there, but demo_site.yaml`)
	f.line("")
	f.line("site:")
	if h.Site == "" {
		f.line("  name: \"\"  # FILL IN")
	} else {
		f.line("  name: %s", q(h.Site))
	}
	f.line("  barometer_kpa: %g  # usual for the site's altitude", h.BarometerKPa)
	f.line("  time_zone: %s", h.TimeZone)
	f.line("")
	f.server(h.Server)
	part := map[string][]int{} // vessel -> parts of it
	for i, v := range h.Vessels {
		part[v.Owner] = append(part[v.Owner], i)
	}
	heads := map[plant.Class]string{plant.ClassSet: "sets", plant.ClassCondenser: "condensers", plant.ClassPan: "pans"}
	for _, c := range []plant.Class{plant.ClassSet, plant.ClassCondenser, plant.ClassPan} {
		begun := false
		for _, i := range part[""] {
			if h.Vessels[i].Class != c {
				continue
			}
			if !begun {
				f.line("\n%s:", heads[c])
				begun = true
			}
			h.vessel(f, i, "  ", part)
		}
	}
	h.unused(f)
	return f.String()
}

func (f *file) server(s plant.ServerConfig) {
	q := strconv.Quote
	f.line("opcua:\n  servers:\n    - name: %s\n      endpoint: %s\n      policy: %s\n      mode: %s", s.Name, q(s.Endpoint), s.Policy, s.Mode)
	if s.Mode == "None" {
		f.line("      # Neither signed nor encrypted: anybody on the network can alter the values.")
	}
	for _, k := range [][2]string{{"user", s.User}, {"password_file", s.PasswordFile}, {"server_certificate", s.ServerCertificate}} {
		if k[1] != "" {
			f.line("      %s: %s", k[0], q(k[1]))
		}
	}
}

func (h *House) vessel(f *file, i int, indent string, part map[string][]int) {
	v := &h.Vessels[i]
	f.line("%s- name: %s", indent, v.Name)
	in := indent + "  "
	if v.Class == plant.ClassBody {
		f.line("%seffect: %d", in, v.Effect)
	}
	if v.Class == plant.ClassBody || v.Class == plant.ClassPan {
		gap := ""
		if v.SurfaceM2 == 0 {
			gap = "  # FILL IN, m2"
		}
		f.line("%sheating_surface_m2: %g%s", in, v.SurfaceM2, gap)
	}
	if v.Class == plant.ClassSet {
		for _, o := range h.Vessels {
			if o.Class == plant.ClassCondenser {
				f.line("%scondenser: %s", in, o.Name)
				break
			}
		}
	}
	begun := false
	for _, s := range h.Slots {
		if s.Vessel != i || s.Chosen == nil {
			continue
		}
		if !begun {
			f.line("%stags:", in)
			begun = true
		}
		n := &h.Nodes[s.Chosen.Node]
		f.line("%s  %s: {node: %s%s}%s", in, s.Signal.Name, strconv.Quote(n.ID), keys(s, n), comment(n))
	}
	if parts := part[v.Path()]; len(parts) > 0 {
		f.line("%s%s:", in, map[plant.Class]string{plant.ClassSet: "bodies", plant.ClassBody: "bleeds"}[v.Class])
		for _, p := range parts {
			h.vessel(f, p, in+"  ", part)
		}
	}
}

// keys are unit, reference and range of a binding.
func keys(s Slot, n *Node) string {
	b := ""
	if s.Chosen.Unit != "" && s.Signal.Dimension != plant.State && s.Signal.Dimension != plant.AnyDimension {
		b += ", unit: " + strconv.Quote(s.Chosen.Unit)
	}
	if s.Signal.Dimension == plant.Pressure {
		b += ", reference: " + string(s.Chosen.Reference)
	}
	if len(n.Range) == 2 && n.Range[0] < n.Range[1] && s.Signal.Dimension != plant.State {
		b += fmt.Sprintf(", range: [%g, %g]", n.Range[0], n.Range[1])
	}
	return b
}

func comment(n *Node) string {
	text := plain(strings.TrimSpace(n.Path + "; " + n.Description))
	if text = strings.Trim(text, "; "); text == "" {
		return ""
	}
	return "  # " + text
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
func (h *House) unused(f *file) {
	used := map[int]bool{}
	for _, s := range h.Slots {
		if s.Chosen != nil {
			used[s.Chosen.Node] = true
		}
	}
	begun := false
	for i, n := range h.Nodes {
		if used[i] {
			continue
		}
		if !begun {
			f.line("\n# Nodes that no signal has. A free tag for rules: tags: {name: {node: ..., unit: ...}}")
			begun = true
		}
		now := "no value"
		if !math.IsNaN(n.Value) {
			now = strconv.FormatFloat(n.Value, 'g', 5, 64)
		}
		f.line("#   %s%s  (%s %s)", plain(n.ID), comment(&n), now, plain(n.Unit))
	}
}
