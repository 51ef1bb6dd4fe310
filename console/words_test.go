package console

import (
	"cmp"
	"encoding/json"
	"fmt"
	"go/ast"
	"go/constant"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"io/fs"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"

	"calandria/alerting"
	"calandria/console/catalog"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
	"calandria/thermo"
	"calandria/thermo/evaporator"
	"calandria/thermo/fouling"
	"calandria/thermo/pan"
)

// keys are the texts that can be said, each with a place where it stands.
type keys map[string]string

func (k keys) add(key, where string) {
	if aWord.MatchString(aVerb.ReplaceAllString(key, "")) {
		k[key] = cmp.Or(k[key], where)
	}
}

var (
	aVerb = regexp.MustCompile(`%(\[\d+\])?[-+#0]*[\d.]*(\[\d+\])?[a-zA-Z%]`)
)

func (k keys) ofTemplates(t *testing.T) {
	files, _ := fs.Glob(templateFiles, "templates/*.html")
	for _, name := range files {
		body, err := templateFiles.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		inLanguage(string(body), func(key string) string { k.add(key, name); return key })
	}
}

func (k keys) ofScripts(t *testing.T) {
	files, _ := fs.Glob(staticFiles, "static/*.js")
	for _, name := range files {
		body, err := staticFiles.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range inScripts.FindAllStringSubmatch(string(body), -1) {
			k.add(m[1], name)
		}
	}
}

// ofGo adds every constant of the program that is a words.Text: the compiler's own
// reading of it.
func (k keys) ofGo(t *testing.T) {
	list := exec.Command("go", "list", "-export", "-deps", "-json=ImportPath,Export,Dir,GoFiles,Module", "./cmd/calandria")
	list.Dir = ".."
	list.Stderr = os.Stderr
	out, err := list.Output()
	if err != nil {
		t.Fatal(err)
	}
	type unit struct {
		ImportPath, Export, Dir string
		GoFiles                 []string
		Module                  *struct{ Main bool }
	}
	exports, own := map[string]string{}, []unit{}
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var u unit
		if err := d.Decode(&u); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		exports[u.ImportPath] = u.Export
		if u.Module != nil && u.Module.Main {
			own = append(own, u)
		}
	}
	fset := token.NewFileSet()
	load := importer.ForCompiler(fset, "gc", func(path string) (io.ReadCloser, error) { return os.Open(exports[path]) })
	for _, u := range own {
		var files []*ast.File
		for _, name := range u.GoFiles {
			f, err := parser.ParseFile(fset, filepath.Join(u.Dir, name), nil, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			files = append(files, f)
		}
		info := types.Info{Types: map[ast.Expr]types.TypeAndValue{}}
		if _, err := (&types.Config{Importer: load}).Check(u.ImportPath, fset, files, &info); err != nil {
			t.Fatal(err)
		}
		for expr, tv := range info.Types {
			if tv.Value != nil && tv.Value.Kind() == constant.String && types.Unalias(tv.Type).String() == "calandria/plant/words.Text" {
				p := fset.Position(expr.Pos())
				k.add(strings.TrimSpace(constant.StringVal(tv.Value)), fmt.Sprintf("%s:%d", filepath.Base(p.Filename), p.Line))
			}
		}
	}
}

// ofRules adds what the rule library says of its alarms.
func (k keys) ofRules(t *testing.T) {
	files, _ := filepath.Glob("../deploy/rules/*.yaml")
	more, _ := filepath.Glob("../deploy/rules/more/*.yaml")
	for _, name := range append(files, more...) {
		body, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var file struct{ Alarms []map[string]any }
		if err := yaml.Unmarshal(body, &file); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for _, a := range file.Alarms {
			for _, field := range []string{"title", "response", "hazard", "cause", "consequence", "verify"} {
				if text, ok := a[field].(string); ok {
					k.add(text, filepath.Base(name))
				}
			}
		}
	}
}

// ofNames adds the names that types of the core have.
func (k keys) ofNames() {
	for s := alerting.Normal; s <= alerting.OutOfService; s++ {
		k.add(s.Word(), "states of alarms")
	}
	for p := plant.PriorityNone; p <= plant.PriorityLow; p++ {
		k.add(p.String(), "priorities")
	}
	for p := pan.Unknown; p <= pan.WashOut; p++ {
		k.add(p.String(), "phases")
	}
	for h := evaporator.Absent; h <= evaporator.Assumed; h++ {
		k.add(h.String(), "how a value was found")
	}
	for _, s := range plant.Signals {
		k.add(plant.Label(s.Name).String(), "signals")
	}
	for _, q := range thermo.Quantities {
		k.add(plant.Label(q.Name).String(), "quantities")
	}
	for _, kind := range unitKinds {
		for _, u := range kind.units {
			k.add(u.text.String(), "units")
			k.add(u.plain.String(), "units")
		}
	}
	for _, code := range []int{http.StatusBadRequest, http.StatusForbidden, http.StatusNotFound, http.StatusMethodNotAllowed, http.StatusConflict, http.StatusRequestEntityTooLarge,
		http.StatusRequestURITooLong, http.StatusMisdirectedRequest, http.StatusUnprocessableEntity, http.StatusTooManyRequests, http.StatusInternalServerError, http.StatusServiceUnavailable} {
		k.add(http.StatusText(code), "errors")
	}
	for law := fouling.Linear; law <= fouling.InverseSquare; law++ {
		k.add(law.String(), "laws of scale")
	}
	for _, s := range []plant.JobState{plant.JobAsked, plant.JobRunning, plant.JobDone, plant.JobFailed, plant.JobCancelled} {
		k.add(string(s), "jobs")
	}
	for _, s := range []plant.Source{plant.Measured, plant.Fixed, plant.Derived, plant.Ruled, plant.System} {
		k.add(string(s), "sources")
	}
}

func allKeys(t *testing.T) keys {
	k := keys{}
	k.ofTemplates(t)
	k.ofScripts(t)
	k.ofGo(t)
	k.ofRules(t)
	k.ofNames()
	return k
}

// Every text that the program can say is in every language of the catalogue, and nothing
// else is. A translation has the values of its text.
func TestCatalogueIsWhole(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: reads the whole program")
	}
	used := allKeys(t)
	if name := os.Getenv("CALANDRIA_KEYS"); name != "" { // for who translates: all keys, with their places
		body, _ := json.MarshalIndent(used, "", " ")
		if err := os.WriteFile(name, body, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	files, _ := filepath.Glob("catalog/*.json")
	if len(files) < 2 {
		t.Fatalf("languages: %v, want Spanish and Portuguese at least", files)
	}
	for _, name := range files {
		body, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var texts map[string]json.RawMessage
		if err := json.Unmarshal(body, &texts); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for key, where := range used {
			if _, ok := texts[key]; !ok {
				t.Errorf("%s has no %q (%s)", name, key, where)
			}
		}
		for key, raw := range texts {
			if _, ok := used[key]; !ok {
				t.Errorf("%s: nobody says %q", name, key)
			}
			if !slices.Equal(valuesIn(key), valuesIn(string(raw))) && raw[0] == '"' {
				t.Errorf("%s: %q has other values than %s", name, key, raw)
			}
		}
	}
}

var aValue = regexp.MustCompile(`\{[\w.]+\}|%(\[\d+\])?[-+#0]*[\d.]*(\[\d+\])?[a-zA-Z%]`)

// valuesIn are the placeholders of a text, in order of the alphabet.
func valuesIn(text string) []string {
	list := aValue.FindAllString(text, -1)
	for i := range list {
		list[i] = regexp.MustCompile(`\[\d+\]`).ReplaceAllString(list[i], "")
	}
	slices.Sort(list)
	return list
}

// How a template of an English page becomes one of another language.
func TestTemplateInAnotherLanguage(t *testing.T) {
	say := func(key string) string {
		return map[string]string{"Day {1} of {2}": "De {2}, día {1}", "Search": "Buscar", "{1} for this load": "{1} con esta carga", "high": "alto"}[key]
	}
	source := `<p title="Search"{{if .X}} class="Search"{{end}}>Day {{.N}}  of {{- .All -}} </p>{{if .X}}<i aria-label="{{.D}} for this load">Search</i>{{end}}{{.Y}}`
	want := `<p title="Buscar"{{if .X}} class="Search"{{end}}>De {{- .All | words -}}, día {{.N | words}} </p>{{if .X}}<i aria-label="{{.D | words}} con esta carga">Buscar</i>{{end}}{{.Y | words}}`
	if got := inLanguage(source, say); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

// The language of a person goes before that of the site, and this before what the browser
// asks for (RFC 9110, 12.5.4 for the order of the header).
func TestWhoseLanguage(t *testing.T) {
	all, err := catalog.All()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range [][]string{
		{"en", "", "", ""}, {"es", "es", "pt", "en"}, {"pt", "", "pt", "es"}, {"es", "", "", "fr;q=0.9, es-MX;q=0.8, en;q=0.5"},
		{"pt", "", "", "pt-BR"}, {"en", "", "", "fr"}, {"en", "xx", "", ""}, {"es", "'; drop", "es", ""},
	} {
		if got := catalog.Choose(all, c[1:]...).Tag; got != c[0] {
			t.Errorf("%q: %s, want %s", c[1:], got, c[0])
		}
	}
}

// The library's texts come in the language of the site with their limits and names in
// place, and with the mark that the site has to check them; the site's own texts, names
// and comments stay as they were written.
func TestRuleTextsAreTranslatedAndMarked(t *testing.T) {
	all, err := catalog.All()
	if err != nil {
		t.Fatal(err)
	}
	es := all[slices.IndexFunc(all, func(l *catalog.Language) bool { return l.Tag == "es" })]
	a := plant.AlarmSpec{Title: "Set 1: juice level above 12.5 %", Response: "Ring Anna: 2.5 times.", Written: map[string]words.Text{
		"Set 1: juice level above 12.5 %": words.Fill("{title}: juice level above {limit}", "{limit}", "12.5 %", "{title}", "Set 1"),
		"Ring Anna: 2.5 times.":           words.Fill("Ring Anna: 2.5 times."),
	}}
	if got := es.Say(a.Said(a.Title)); got != "Set 1: nivel de jugo sobre 12,5 %" {
		t.Errorf("title: %q", got)
	}
	if got := a.Said(a.Title).String(); got != a.Title {
		t.Errorf("in English: %q", got)
	}
	if !toCheckIn(es)(a.Said(a.Title)) || toCheckIn(all[0])(a.Said(a.Title)) {
		t.Error("a translation has no mark, or an English text has one")
	}
	if got := es.Say(a.Said(a.Response)); got != a.Response || toCheckIn(es)(a.Said(a.Response)) {
		t.Errorf("a text of the site became %q", got)
	}
	if got := es.Say(words.Verbatim("Reset. 12.5 high")); got != "Reset. 12.5 high" {
		t.Errorf("what a person wrote became %q", got)
	}
}

// A fault of a plant file or a rule file reads in the language of the page; what the file
// has stays as it is written there.
func TestFaultsOfFilesAreTranslated(t *testing.T) {
	all, err := catalog.All()
	if err != nil {
		t.Fatal(err)
	}
	es := all[slices.IndexFunc(all, func(l *catalog.Language) bool { return l.Tag == "es" })]
	plantOf := func(text string) error { _, err := plant.Load("plant.yaml", []byte(text)); return err }
	house, err := plant.Load("plant.yaml", []byte("site: {name: X}\npans: [{name: P1, grade: A, heating_surface_m2: 100, volume_m3: 30, tags: {level: {value: 40}}}]\n"))
	if err != nil {
		t.Fatal(err)
	}
	ruleOf := func(text string) error {
		_, err := rules.Load([]rules.File{{Name: "r.yaml", Data: []byte(text)}}, house, rules.Options{})
		return err
	}
	for _, c := range []struct {
		err  error
		want string
	}{
		{plantOf("site: {nme: X}\n"), "plant.yaml:1:8: site.nme: clave desconocida; ¿quiso decir \"name\"?"},
		{plantOf("site: {name: X, barometer_kpa: 7}\n"), "site.barometer_kpa: 7 kPa no es una presión atmosférica; dé de 60 a 110 kPa"},
		{plantOf("site: {name: X}\npans: [{name: P1, grade: A, volume_m3: \"3,5\"}]\n"), "\"3,5\" no es un número; escríbalo con punto: 3.5"},
		{plantOf("site: {name: X}\npans: [{name: P1, grade: A, volume_m3: -2}]\n"), "-2 está fuera de los límites para un volumen en m3; dé de"},
		{plantOf(""), "el archivo está vacío"},
		{ruleOf("alarms: [{name: a, title: t, when: P1.levl > 3}]\n"), "r.yaml:1:36: alarms[0].when: no hay ninguna señal P1.levl; ¿quiso decir P1.level?\n    P1.levl > 3\n    ^"},
		{ruleOf("alarms: [{name: a, title: t, when: P1.level > kPa(3)}]\n"), "se compara con"},
		{ruleOf("alarms: [{name: a, title: t, when: avg(P1.level) > pct(3)}]\n"), "avg toma una señal y un tiempo; escriba avg(tag, \"10m\")"},
		{ruleOf("alarms: [{name: a, title: t}]\n"), "la alarma a no tiene condición; escriba tag:"},
	} {
		if got := es.Say(words.Of(c.err)); !strings.Contains(got, c.want) {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
	}
}
