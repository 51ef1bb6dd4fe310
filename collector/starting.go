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
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	q := strconv.Quote
	line("# A plant file to begin with, made from the variables of server %s.", server.Name)
	line("# 1. Fill in the site's name and the heating surfaces (marked FILL IN).")
	line("# 2. Make the sets, bodies, condensers and pans those of your house.")
	line("# 3. Move each line of tags: that measures something below to the vessel it")
	line("#    belongs to, as the examples there show; delete what is of no use.")
	line("# 4. Run 'calandria check'; with --online it asks the server too.")
	line("")
	line("site:")
	line("  name: \"\"  # FILL IN")
	line("  barometer_kpa: 101.325  # of the site's altitude; gauge and vacuum readings need it")
	line("  time_zone: UTC  # such as America/Sao_Paulo")
	line("")
	line("opcua:")
	line("  servers:")
	line("    - name: %s", server.Name)
	line("      endpoint: %s", q(server.Endpoint))
	line("      policy: %s", server.Policy)
	line("      mode: %s", server.Mode)
	if server.Mode == "None" {
		line("      # Neither signed nor encrypted: anybody on the network can alter the values.")
	}
	if server.User != "" {
		line("      user: %s", q(server.User))
		line("      password_file: %s", q(server.PasswordFile))
	}
	if server.ServerCertificate != "" {
		line("      server_certificate: %s", q(server.ServerCertificate))
	}
	line("")
	line("sets:")
	line("  - name: EV")
	line("    title: \"evaporator\"")
	line("    # tags:")
	line("    #   steam_pressure: {node: %s, unit: bar, reference: gauge}", q("nsu=...;s=..."))
	line("    #   one of: %s", wrapped(plant.SignalNames(plant.ClassSet)))
	line("    bodies:  # from the steam end; list bodies of one effect together")
	n := guessBodies(vars)
	for i := range n {
		line("      - name: EV%d", i+1)
		line("        effect: %d", i+1)
		line("        heating_surface_m2: 0  # FILL IN, m2")
		if i == 0 {
			line("        # tags:")
			line("        #   vapour_pressure: {node: %s, unit: bar, reference: gauge}", q("nsu=...;s=..."))
			line("        #   one of: %s", wrapped(plant.SignalNames(plant.ClassBody)))
		}
	}
	line("")
	line("# condensers and pans: as sets, with")
	line("#   condenser signals: %s", wrapped(plant.SignalNames(plant.ClassCondenser)))
	line("#   pan signals: %s", wrapped(plant.SignalNames(plant.ClassPan)))
	line("")
	tags, left := 0, 0
	names := map[string]bool{"EV": true, "ev": true}
	for _, v := range vars {
		if !v.Numeric() || !v.Readable {
			left++
			continue
		}
		if tags == 0 {
			line("tags:")
		}
		tags++
		line("  %s:", tagName(v, names))
		line("    title: %s", q(v.Name))
		line("    node: %s", q(v.Node))
		unitName, remark := plantUnit(v.Unit)
		if unitName != "" {
			line("    unit: %s", q(unitName))
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
			line("    # %s", printable(n))
		}
	}
	if tags == 0 {
		line("# The server has no variable that this client may read and that is a number.")
	}
	if left > 0 {
		line("# Left out: %d variables that are no numbers or may not be read.", left)
	}
	return b.String()
}

func wrapped(names []string) string { return strings.Join(names, ", ") }

// plantUnit finds the program's name of a unit; remarks say what to decide.
func plantUnit(u string) (name string, remarks []string) {
	if u == "" {
		return "", []string{"the server gives no unit: add unit:"}
	}
	for _, try := range []string{u, strings.ReplaceAll(u, " ", ""), strings.NewReplacer("³", "3", "²", "2", "·", ".", "°", "deg").Replace(u)} {
		ds := plant.DimensionsOf(try)
		if len(ds) == 0 {
			continue
		}
		if slices.Contains(ds, plant.Pressure) {
			remarks = append(remarks, "add reference: gauge or vacuum unless the reading is absolute")
		}
		return try, remarks
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
