package laws

import (
	"slices"
	"strings"
	"testing"
)

// arrows says what each package imports of ours: the table in DEVELOPERS.md.
// Each arrow is used; one that nothing uses is taken out of the table. The
// programs in cmd may import everything and are not listed.
var arrows = map[string][]string{
	"plant":               {"plant/words"},
	"plant/words":         {},
	"console/catalog":     {"plant/words"},
	"thermo/steam":        {},
	"thermo/liquor":       {"thermo/steam"},
	"thermo/evaporator":   {"plant/words", "thermo/steam", "thermo/liquor"},
	"thermo/condenser":    {"plant/words", "thermo/steam"},
	"thermo/fouling":      {"plant/words"},
	"thermo/pan":          {"plant/words", "thermo/steam", "thermo/liquor"},
	"thermo":              {"plant", "plant/words", "thermo/steam", "thermo/liquor", "thermo/evaporator", "thermo/condenser", "thermo/fouling", "thermo/pan"},
	"rules":               {"plant", "plant/words"},
	"alerting":            {"plant", "plant/words"},
	"alerting/notify":     {"plant", "plant/files", "plant/words", "alerting"},
	"collector":           {"plant", "plant/files", "plant/words"},
	"collector/simulator": {"plant", "thermo/steam"},
	"historian":           {"plant", "plant/files", "plant/words"},
	"historian/journal":   {"plant", "plant/files", "plant/words"},
	"historian/influx":    {"plant", "plant/files", "plant/words", "historian"},
	"historian/marks":     {"historian"},
	"historian/series":    {"plant", "plant/words", "historian"},
	"console":             {"plant", "plant/files", "plant/words", "thermo", "thermo/fouling", "thermo/pan", "rules", "alerting", "engine", "engine/setup", "console/catalog"},
	"engine":              {"plant", "plant/words", "thermo", "thermo/steam", "rules", "alerting"},
	"engine/setup":        {"plant", "plant/words", "engine", "rules", "thermo/steam"},
	"plant/files":         {},
	"deploy":              {},
	"deploy/grafana":      {},
}

func TestImports(t *testing.T) {
	s := read(t)
	used := map[string]map[string]bool{}
	for _, f := range s.files {
		if strings.HasPrefix(f.folder, "cmd/") {
			continue
		}
		allowed, ok := arrows[f.folder]
		if !ok {
			t.Errorf("%s/%s: package %s is not in the table: where does it belong?", f.folder, f.name, f.folder)
			continue
		}
		if used[f.folder] == nil {
			used[f.folder] = map[string]bool{}
		}
		for path := range f.imports() {
			own, is := strings.CutPrefix(path, module+"/")
			if !is {
				continue
			}
			used[f.folder][own] = true
			if !slices.Contains(allowed, own) {
				t.Errorf("%s/%s imports %s", f.folder, f.name, own)
			}
		}
	}
	for folder, allowed := range arrows {
		if used[folder] == nil {
			t.Errorf("the table lists %s, which does not exist", folder)
			continue
		}
		for _, own := range allowed {
			if !used[folder][own] {
				t.Errorf("the table lets %s import %s, and nothing there does", folder, own)
			}
		}
	}
}
