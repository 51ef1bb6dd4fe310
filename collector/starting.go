package collector

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"calandria/plant"
)

// StartingConfig writes a plant.yaml to begin with from what Browse found. The
// variables stand as tags of the site, to be moved to the vessels they belong
// to; guesses what each may be are comments only. It loads once the site's name
// and the heating surfaces are filled in.
func StartingConfig(server plant.ServerConfig, vars []Variable) string {
	server = withDefaults(server)
	if server.Name == "" {
		server.Name = "plant"
	}
	f := &startingFile{}
	f.site(server)
	f.house(guessBodies(vars))
	f.tags(vars)
	return f.String()
}

// startingFile is the plant file while it is written.
type startingFile struct{ strings.Builder }

func (f *startingFile) line(format string, args ...any) { fmt.Fprintf(f, format+"\n", args...) }

func (f *startingFile) site(server plant.ServerConfig) {
	q := strconv.Quote
	f.line("# A plant file to begin with, made from the variables of server %s.", server.Name)
	f.WriteString(`# 1. Fill in the site's name and the heating surfaces (marked FILL IN).
# 2. Make the sets, bodies, condensers and pans those of your house.
# 3. Move each line of tags: that measures something below to the vessel it
#    belongs to, as the examples there show; delete what is of no use.
# 4. Copy the rule files of deploy/rules, but demo_site.yaml, to rules/ beside this file.
# 5. Run 'calandria check'; with --online it asks the server too.

rules: ["rules/*.yaml"]

site:
  name: ""  # FILL IN
  barometer_kpa: 101.325  # of the site's altitude; gauge and vacuum readings need it
  time_zone: UTC  # such as America/Sao_Paulo

opcua:
  servers:
`)
	f.line("    - name: %s", server.Name)
	f.line("      endpoint: %s", q(server.Endpoint))
	f.line("      policy: %s", server.Policy)
	f.line("      mode: %s", server.Mode)
	if server.Mode == "None" {
		f.line("      # Neither signed nor encrypted: anybody on the network can alter the values.")
	}
	if server.User != "" {
		f.line("      user: %s", q(server.User))
		f.line("      password_file: %s", q(server.PasswordFile))
	}
	if server.ServerCertificate != "" {
		f.line("      server_certificate: %s", q(server.ServerCertificate))
	}
}

func (f *startingFile) house(bodies int) {
	f.line(`
sets:
  - name: EV
    title: "evaporator"
    # tags:
    #   steam_pressure: {node: "nsu=...;s=...", unit: bar, reference: gauge}
    #   one of: %s
    bodies:  # from the steam end; list bodies of one effect together`, wrapped(plant.SignalNames(plant.ClassSet)))
	for i := range bodies {
		f.line("      - name: EV%d", i+1)
		f.line("        effect: %d", i+1)
		f.line("        heating_surface_m2: 0  # FILL IN, m2")
		if i == 0 {
			f.line("        # tags:")
			f.line("        #   vapour_pressure: {node: \"nsu=...;s=...\", unit: bar, reference: gauge}")
			f.line("        #   one of: %s", wrapped(plant.SignalNames(plant.ClassBody)))
		}
	}
	f.line(`
# condensers and pans: as sets, with
#   condenser signals: %s
#   pan signals: %s
`, wrapped(plant.SignalNames(plant.ClassCondenser)), wrapped(plant.SignalNames(plant.ClassPan)))
}

func (f *startingFile) tags(vars []Variable) {
	tags, left := 0, 0
	names := map[string]bool{"EV": true, "ev": true}
	for _, v := range vars {
		if !v.Numeric() || !v.Readable {
			left++
			continue
		}
		if tags == 0 {
			f.line("tags:")
		}
		tags++
		f.tag(v, tagName(v, names))
	}
	if tags == 0 {
		f.line("# The server has no variable that this client may read and that is a number.")
	}
	if left > 0 {
		f.line("# Left out: %d variables that are no numbers or may not be read.", left)
	}
}

func (f *startingFile) tag(v Variable, name string) {
	f.line("  %s:", name)
	f.line("    title: %q", v.Name)
	f.line("    node: %q", v.Node)
	unitName, remark := plantUnit(v.Unit)
	if unitName != "" {
		f.line("    unit: %q", unitName)
	}
	var notes []string
	if v.Path != "" {
		notes = append(notes, "at "+v.Path)
	}
	if v.Description != "" {
		notes = append(notes, v.Description)
	}
	now := "now " + v.Value
	if v.Value == "" {
		now = "no value now"
	}
	if v.Unit != "" && v.Value != "" {
		now += " " + v.Unit
	}
	if !v.Quality.IsGood() {
		now += " (" + v.Quality.String() + ")"
	}
	notes = append(notes, now)
	if len(v.EURange) == 2 {
		notes = append(notes, fmt.Sprintf("normal range %g to %g: if that is the instrument's range, write range: [%g, %g]", v.EURange[0], v.EURange[1], v.EURange[0], v.EURange[1]))
	}
	notes = append(notes, remark...)
	if g := guess(v, unitName); len(g) > 0 {
		notes = append(notes, "may be "+strings.Join(g, ", "))
	}
	for _, n := range notes {
		f.line("    # %s", printable(n))
	}
}

func wrapped(names []string) string { return strings.Join(names, ", ") }

// plantUnit finds the program's name of a unit; remarks say what to decide.
func plantUnit(u string) (name string, remarks []string) {
	if u == "" {
		return "", []string{"the server gives no unit: add unit:"}
	}
	if name, ref, ok := plant.ReadUnit(u); ok {
		if slices.Contains(plant.DimensionsOf(name), plant.Pressure) {
			remarks = append(remarks, "add reference: gauge or vacuum unless the reading is absolute")
			if ref != "" {
				remarks[0] = fmt.Sprintf("add reference: %s, as the unit says", ref)
			}
		}
		return name, remarks
	}
	return "", []string{fmt.Sprintf("the unit %q is not known here: convert with unit: and scale:", u)}
}

// tagName makes a name that is free, from the end of the browse path.
func tagName(v Variable, taken map[string]bool) string {
	parts := strings.Split(v.Path, "/")
	src := strings.Join(parts[max(0, len(parts)-2):], "_")
	var b strings.Builder
	for _, r := range src {
		switch {
		case r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9':
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "_"):
			b.WriteByte('_')
		}
	}
	// A letter and an underscore in front keep it clear of the rule language's
	// words and of the names of equipment.
	n := strings.Trim(b.String(), "_")
	if len(n) > 34 {
		n = strings.TrimLeft(n[len(n)-34:], "_")
	}
	n = "x_" + n
	if n == "x_" {
		n = "x_tag"
	}
	unique := n
	for i := 2; taken[unique]; i++ {
		unique = fmt.Sprintf("%s_%d", n, i)
	}
	taken[unique] = true
	return unique
}

// guess names signals that a variable may be, by its unit and words in its
// names. It is for a comment only.
func guess(v Variable, unit string) []string {
	ds := plant.DimensionsOf(unit)
	if len(ds) == 0 {
		return nil
	}
	text := strings.ToLower(v.Path + " " + v.Name + " " + v.Description)
	has := func(words ...string) bool {
		return slices.ContainsFunc(words, func(w string) bool { return strings.Contains(text, w) })
	}
	var out []string
	add := func(c plant.Class, names ...string) {
		for _, n := range names {
			if s, ok := plant.SignalNamed(c, n); ok && slices.Contains(ds, s.Dimension) {
				out = append(out, string(c)+" "+n)
			}
		}
	}
	pan := has("pan", "tacho", "strike", "massecuite")
	switch {
	case has("condenser", "condensador", "tail water", "injection"):
		add(plant.ClassCondenser, "water_inlet_temperature", "water_outlet_temperature", "water_flow", "water_volume_flow", "vapour_pressure", "vapour_temperature")
	case pan:
		add(plant.ClassPan, "vapour_pressure", "massecuite_temperature", "level", "massecuite_brix", "steam_flow", "stirrer_current")
	case has("steam", "exhaust", "vapor de escape"):
		add(plant.ClassSet, "steam_pressure", "steam_temperature", "steam_flow", "steam_valve")
	default:
		add(plant.ClassBody, "vapour_pressure", "chest_pressure", "vapour_temperature", "juice_temperature", "condensate_conductivity")
		if has("level", "nivel", "lt", "lic") {
			add(plant.ClassBody, "level")
		} else {
			add(plant.ClassBody, "brix")
		}
		add(plant.ClassSet, "juice_flow", "juice_volume_flow", "syrup_flow", "steam_flow")
	}
	return out
}

// guessBodies counts the folders that hold a level: most likely one a body.
func guessBodies(vars []Variable) int {
	folders := map[string]bool{}
	for _, v := range vars {
		name := strings.ToLower(v.Path[strings.LastIndex(v.Path, "/")+1:])
		if v.Unit == "%" && (strings.Contains(name, "lt") || strings.Contains(name, "level") || strings.Contains(name, "lic")) {
			folders[v.Path[:max(0, strings.LastIndex(v.Path, "/"))]] = true
		}
	}
	return min(max(1, len(folders)), 7)
}
