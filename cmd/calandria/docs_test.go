package main

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"calandria/alerting/notify"
	"calandria/cmd/demo"
	"calandria/cmd/service"
	"calandria/console"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/influx"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
	"calandria/thermo"

	"github.com/alecthomas/kong"
	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// The tables of the handbook that follow from the program stand between two marks,
// <!-- name --> and <!-- /name -->. `make docs` writes them.
func TestHandbookTables(t *testing.T) {
	for _, x := range []struct{ file, mark, want string }{
		{"signals.md", "signals", signalTables()},
		{"signals.md", "quantities", quantityTable()},
		{"signals.md", "system", systemTable(t)},
		{"plant-file.md", "units", unitTable()},
		{"rules.md", "functions", functionTable()},
		{"figures.md", "figures", figureTable(t)},
		{"metrics.md", "plant", plantMetricTable(t)},
		{"metrics.md", "program", programMetricTable(t)},
		{"commands.md", "commands", commandPages(t)},
	} {
		path := filepath.Join("..", "..", "docs", x.file)
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		open, shut := "<!-- "+x.mark+" -->\n", "<!-- /"+x.mark+" -->"
		before, tail, ok := strings.Cut(string(data), open)
		_, after, ok2 := strings.Cut(tail, shut)
		if !ok || !ok2 {
			t.Errorf("%s has no place between %q and %q", x.file, open, shut)
			continue
		}
		want := before + open + "\n" + strings.Trim(x.want, "\n") + "\n\n" + shut + after
		if want == string(data) {
			continue
		}
		if !*update {
			t.Errorf("the table %q in %s is not that of the program: run make docs", x.mark, x.file)
			continue
		}
		if err := os.WriteFile(path, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// page is Markdown as it grows.
type page struct{ strings.Builder }

func (p *page) line(format string, args ...any) { fmt.Fprintf(p, format+"\n", args...) }

func (p *page) head(columns ...string) {
	p.line("\n| %s |\n|%s", strings.Join(columns, " | "), strings.Repeat(" --- |", len(columns)))
}

func (p *page) row(cells ...string) {
	for i, c := range cells {
		cells[i] = strings.NewReplacer("|", `\|`, "\n", " ").Replace(c)
	}
	p.line("| %s |", strings.Join(cells, " | "))
}

func code(s string) string { return "`" + s + "`" }

// tagClasses in the order of the tables, with the title of each.
var tagClasses = []struct {
	class plant.Class
	title string
}{
	{plant.ClassSite, "Site (`site.tags`)"},
	{plant.ClassSet, "Evaporator set (`sets[].tags`)"},
	{plant.ClassBody, "Body (`sets[].bodies[].tags`)"},
	{plant.ClassBleed, "Bleed (`bodies[].bleeds[].tags`)"},
	{plant.ClassCondenser, "Condenser (`condensers[].tags`)"},
	{plant.ClassPan, "Vacuum pan (`pans[].tags`)"},
	{plant.ClassCompartment, "Compartment of a continuous pan (`pans[].compartments[].tags`)"},
}

func unitWord(d plant.Dimension) string {
	switch u := d.Canonical(); {
	case d == plant.State:
		return "0 or 1"
	case u == "":
		return "–"
	case d == plant.Pressure:
		return u + " abs."
	default:
		return u
	}
}

func signalTables() string {
	var p page
	for _, c := range tagClasses {
		p.line("\n%s:", c.title)
		p.head("signal", "unit", "meaning")
		for _, s := range plant.Signals {
			if s.Class == c.class {
				p.row(code(s.Name), unitWord(s.Dimension), s.Meaning.String())
			}
		}
	}
	return p.String()
}

func quantityTable() string {
	var p page
	p.head("of", "quantity", "unit", "meaning", "worked out from", "source")
	for _, q := range thermo.Quantities {
		p.row(string(q.Class), code(q.Name), unitWord(q.Dimension), q.Meaning.String(), q.Inputs, q.Source)
	}
	return p.String()
}

func unitTable() string {
	var p page
	p.head("of", "units")
	for _, d := range []plant.Dimension{plant.Pressure, plant.PressureDiff, plant.Temperature, plant.TempDifference, plant.MassFlow, plant.VolumeFlow,
		plant.Mass, plant.BrixDim, plant.Percent, plant.Level, plant.Ratio, plant.Conductivity, plant.Current, plant.Density, plant.Velocity, plant.Power,
		plant.HeatTransfer, plant.ThermalResist, plant.SpecificEvap, plant.Duration, plant.Days, plant.State} {
		var names []string
		for _, u := range plant.UnitsOf(d) {
			names = append(names, code(u))
		}
		p.row(string(d), strings.Join(names, ", "))
	}
	return p.String()
}

func functionTable() string {
	var p page
	p.head("function", "gives")
	for _, f := range rules.Functions {
		var forms []string
		for _, x := range f.Forms {
			forms = append(forms, code(x))
		}
		p.row(strings.Join(forms, ", "), f.Gives)
	}
	p.row(code("limit.name"), "a number of the `limits:` of the rule")
	return p.String()
}

// figureTable is every constant of the physics that its comment calls ours, with its
// value and what it was chosen by, from the source.
func figureTable(t *testing.T) string {
	var p page
	p.head("figure", "value", "meaning", "chosen by")
	ours := regexp.MustCompile(`\b[Oo]urs\b`)
	var files []string
	root := filepath.Join("..", "..", "thermo")
	err := filepath.WalkDir(root, func(path string, _ fs.DirEntry, err error) error {
		if strings.HasSuffix(path, ".go") && !strings.HasSuffix(path, "_test.go") {
			files = append(files, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	set := token.NewFileSet()
	for _, path := range files {
		source, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		f, err := parser.ParseFile(set, path, source, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		words := func(groups ...*ast.CommentGroup) (out []string) {
			for _, c := range groups {
				if text := strings.Join(strings.Fields(c.Text()), " "); text != "" {
					out = append(out, text)
				}
			}
			return out
		}
		for _, decl := range f.Decls {
			group, ok := decl.(*ast.GenDecl)
			if !ok || group.Tok != token.CONST {
				continue
			}
			why := strings.Join(words(group.Doc), " ")
			inside := ours.MatchString(why)
			for _, s := range group.Specs {
				x := s.(*ast.ValueSpec)
				meaning := strings.Join(words(x.Doc, x.Comment), "; ")
				if len(x.Values) == 0 || !inside && !ours.MatchString(meaning) {
					continue
				}
				for i, n := range x.Names {
					value := string(source[set.Position(x.Values[i].Pos()).Offset:set.Position(x.Values[i].End()).Offset])
					if !strings.Contains(value, `"`) && value != "iota" {
						rel, _ := filepath.Rel(root, path)
						p.row(code(strings.TrimSuffix(filepath.ToSlash(rel), ".go")+"."+n.Name), code(value), meaning, why)
						if why != "" {
							why = "as above"
						}
					}
				}
			}
		}
	}
	return p.String()
}

// systemOf lists the tags about the program itself.
func systemOf(t *testing.T) []plant.Tag {
	t.Helper()
	h, files, err := demo.House("opc.tcp://127.0.0.1:4840", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c, err := engine.New(h, files, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var tags []plant.Tag
	for _, x := range c.House.Tags {
		if x.Class == plant.ClassSystem && x.Source == plant.System {
			x.Name = strings.Replace(x.Name, "server_mill_", "server_<name>_", 1)
			x.Meaning = words.Text(strings.Replace(x.Meaning.String(), "server mill", "server <name>", 1))
			tags = append(tags, x)
		}
	}
	return tags
}

func systemTable(t *testing.T) string {
	var p page
	p.head("tag", "unit", "meaning")
	for _, x := range systemOf(t) {
		p.row(code(engine.SystemOwner+"."+x.Name), unitWord(x.Dimension), strings.ReplaceAll(x.Meaning.String(), "<name>", "`<name>`"))
	}
	return p.String()
}

func plantMetricTable(t *testing.T) string {
	var p page
	p.head("metric", "labels", "of")
	seen := map[string]bool{}
	add := func(class plant.Class, name string, d plant.Dimension) {
		n, labels, _ := service.MetricName(&plant.Tag{Class: class, Name: name, Dimension: d, Owner: "a.b.c"})
		if !seen[n] {
			seen[n] = true
			p.row(code(n), strings.Join(labels, ", "), fmt.Sprintf("%s `%s`", class, name))
		}
	}
	for _, c := range tagClasses {
		for _, s := range plant.Signals {
			if s.Class == c.class {
				add(s.Class, s.Name, s.Dimension)
			}
		}
		for _, q := range thermo.Quantities {
			if q.Class == c.class {
				add(q.Class, q.Name, q.Dimension)
			}
		}
	}
	for _, x := range systemOf(t) {
		add(plant.ClassSystem, x.Name, x.Dimension)
	}
	return p.String()
}

// gathered keeps what is registered.
type gathered struct{ collectors []prometheus.Collector }

func (g *gathered) Register(c prometheus.Collector) error {
	g.collectors = append(g.collectors, c)
	return nil
}

func (g *gathered) MustRegister(cs ...prometheus.Collector) {
	g.collectors = append(g.collectors, cs...)
}
func (g *gathered) Unregister(prometheus.Collector) bool { return false }

var descForm = regexp.MustCompile(`^Desc\{fqName: "([^"]*)", help: "([^"]*)", unit: "[^"]*", constLabels: \{([^}]*)\}, variableLabels: \{([^}]*)\}\}$`)

// programMetrics gives name, kind, labels and help of the metrics that are not tags.
func programMetrics(t *testing.T) [][]string {
	t.Helper()
	var g gathered
	service.LoopCounts(&g)
	g.MustRegister(service.NewPlantMetrics(&plant.House{}, nil), service.NewEdgeMetrics(nil), service.BuildInfo())
	rows := map[string][]string{}
	for _, c := range g.collectors {
		kind := ""
		if m, ok := c.(prometheus.Metric); ok {
			var d dto.Metric
			if err := m.Write(&d); err != nil {
				t.Fatal(err)
			}
			if d.Histogram != nil {
				kind = "histogram"
			}
		}
		descs := make(chan *prometheus.Desc, 1000)
		c.Describe(descs)
		close(descs)
		for d := range descs {
			m := descForm.FindStringSubmatch(d.String())
			if m == nil {
				t.Fatalf("the description %s is not of the known form", d)
			}
			k := kind
			switch {
			case k != "":
			case strings.HasSuffix(m[1], "_total"):
				k = "counter"
			default:
				k = "gauge"
			}
			labels := strings.FieldsFunc(m[4], func(r rune) bool { return r == ',' || r == ' ' })
			for pair := range strings.SplitSeq(m[3], ",") {
				if name, _, ok := strings.Cut(pair, "="); ok {
					labels = append(labels, name)
				}
			}
			rows[m[1]] = []string{code(m[1]), k, strings.Join(labels, ", "), m[2]}
		}
	}
	var out [][]string
	for _, n := range slices.Sorted(func(yield func(string) bool) {
		for n := range rows {
			if !yield(n) {
				return
			}
		}
	}) {
		out = append(out, rows[n])
	}
	return out
}

func programMetricTable(t *testing.T) string {
	var p page
	p.head("metric", "kind", "labels", "meaning")
	for _, r := range programMetrics(t) {
		p.row(r...)
	}
	return p.String()
}

// commandPages describes each command as the command line itself does.
func commandPages(t *testing.T) string {
	k, err := kong.New(&cli{}, kong.Name("calandria"), kong.Vars{"user": "your login name"})
	if err != nil {
		t.Fatal(err)
	}
	var p page
	p.head("command", "does")
	leaves := k.Model.Leaves(true)
	for _, n := range leaves {
		p.row(fmt.Sprintf("[`%s`](#%s)", commandName(n), strings.ReplaceAll(commandName(n), " ", "-")), n.Help)
	}
	for _, n := range leaves {
		p.line("\n## %s\n\n%s", commandName(n), n.Help)
		if len(n.Positional)+len(n.Flags) == 0 {
			continue
		}
		p.head("argument or flag", "default", "meaning")
		for _, a := range n.Positional {
			p.row(code(a.Summary()), "", a.Help)
		}
		for _, f := range n.Flags {
			if f.Name == "help" {
				continue
			}
			need := f.Default
			if f.Required {
				need = "required"
			}
			p.row(code("--"+f.Name), need, f.Help)
		}
	}
	return p.String()
}

func commandName(n *kong.Node) string {
	return strings.TrimPrefix(strings.TrimPrefix(n.FullPath(), "calandria"), " ")
}

// Every key of the plant file stands on its page.
func TestPlantFilePageNamesEveryKey(t *testing.T) {
	var text strings.Builder
	for _, f := range []string{"plant-file.md", "notices.md", "sign-in.md"} {
		b, err := os.ReadFile(filepath.Join("..", "..", "docs", f))
		if err != nil {
			t.Fatal(err)
		}
		text.WriteString(string(b))
	}
	seen := map[reflect.Type]bool{}
	var walk func(reflect.Type)
	walk = func(r reflect.Type) {
		switch r.Kind() {
		case reflect.Pointer, reflect.Slice, reflect.Map:
			walk(r.Elem())
			return
		case reflect.Struct:
		default:
			return
		}
		if seen[r] {
			return
		}
		seen[r] = true
		for f := range r.Fields() {
			f := f
			key, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
			if key == "" || key == "-" {
				continue
			}
			if !regexp.MustCompile("`[^`\n]*\\b" + regexp.QuoteMeta(key) + "\\b[^`\n]*`").MatchString(text.String()) {
				t.Errorf("the pages plant-file, notices and sign-in do not name the key %s of %s", key, r)
			}
			walk(f.Type)
		}
	}
	walk(reflect.TypeFor[plant.Config]())
	for _, p := range []plant.Part{historian.Part(), influx.Part(), console.Part(), notify.Part()} {
		walk(reflect.TypeOf(p.Into))
	}
}

// handbook lists the pages in plain English, from the top of the repository.
func handbook(t *testing.T) []string {
	t.Helper()
	var files []string
	for _, pattern := range []string{"*.md", "deploy/*.md", "deploy/*/*.md"} {
		names, err := filepath.Glob(filepath.Join("..", "..", pattern))
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, names...)
	}
	err := filepath.WalkDir(filepath.Join("..", "..", "docs"), func(path string, d fs.DirEntry, err error) error {
		if err == nil && filepath.Ext(path) == ".md" {
			files = append(files, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// mostWords a sentence of the handbook may have: its readers' first language is
// seldom English.
const mostWords = 25

var (
	fence       = regexp.MustCompile("(?ms)^[ \t]*```.*?^[ \t]*```[ \t]*$")
	comment     = regexp.MustCompile(`(?s)<!--.*?-->`)
	inlineCode  = regexp.MustCompile("`[^`\n]+`")
	picture     = regexp.MustCompile(`!\[[^\]]*\]\([^)]*\)`)
	link        = regexp.MustCompile(`\[([^\]]*)\]\([^)]*\)`)
	sentenceEnd = regexp.MustCompile("[.!?][)\"*]*(\\s+|$)")
	bullet      = regexp.MustCompile(`^\s*([-*]|\d+\.)\s+`)
)

// prose gives the sentences of a page: no code, no tables, no headings.
func prose(text string) []string {
	for _, re := range []*regexp.Regexp{fence, comment, picture} {
		text = re.ReplaceAllString(text, "")
	}
	text = inlineCode.ReplaceAllString(text, "Code")
	text = link.ReplaceAllString(text, "$1")
	var blocks []string
	block := ""
	end := func() {
		if block != "" {
			blocks = append(blocks, block)
		}
		block = ""
	}
	for line := range strings.Lines(text) {
		line = strings.TrimRight(line, "\n")
		trimmed := strings.TrimSpace(line)
		switch {
		case trimmed == "", strings.HasPrefix(trimmed, "|"), strings.HasPrefix(trimmed, "#"):
			end()
			continue
		case bullet.MatchString(line):
			end()
			trimmed = bullet.ReplaceAllString(line, "")
		}
		block += " " + strings.TrimPrefix(trimmed, "> ")
	}
	end()
	var sentences []string
	for _, b := range blocks {
		for b = strings.TrimSpace(b); b != ""; {
			cut := len(b)
			for _, at := range sentenceEnd.FindAllStringIndex(b, -1) {
				next := strings.TrimLeft(b[at[1]:], "*\"(")
				if next == "" || next[:1] != strings.ToLower(next[:1]) || next[0] >= '0' && next[0] <= '9' {
					cut = at[1]
					break
				}
			}
			sentences = append(sentences, strings.TrimSpace(b[:cut]))
			b = strings.TrimSpace(b[cut:])
		}
	}
	return sentences
}

func wordCount(sentence string) int {
	n := 0
	for w := range strings.FieldsSeq(sentence) {
		if strings.ContainsFunc(w, func(r rune) bool { return r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' }) {
			n++
		}
	}
	return n
}

func TestSentencesAreShort(t *testing.T) {
	for _, f := range handbook(t) {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range prose(string(b)) {
			if n := wordCount(s); n > mostWords {
				t.Errorf("%s: %d words: %s", f, n, s)
			}
		}
	}
}

func TestSentencesAreCounted(t *testing.T) {
	text := "# A heading\n\nOne two, e.g. three (four). Five `code with words` six: [seven eight](x.md)!\n\n| a | b |\n\n- nine\n  ten\n- eleven\n\n```\ncode. Code.\n```\n"
	want := []string{"One two, e.g. three (four).", "Five Code six: seven eight!", "nine ten", "eleven"}
	if got := prose(text); !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	if n := wordCount("Five Code six – seven: 8 %"); n != 5 {
		t.Errorf("%d words", n)
	}
}

// Every link of the handbook leads to a file that is there, and to a heading in it.
func TestLinksLead(t *testing.T) {
	target := regexp.MustCompile(`\]\(([^)\s]+)\)`)
	heading := regexp.MustCompile(`(?m)^#+ (.+)$`)
	for _, f := range handbook(t) {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range target.FindAllStringSubmatch(inlineCode.ReplaceAllString(fence.ReplaceAllString(string(b), ""), ""), -1) {
			if strings.Contains(m[1], "://") {
				continue
			}
			name, anchor, _ := strings.Cut(m[1], "#")
			path := f
			if name != "" {
				path = filepath.Join(filepath.Dir(f), name)
			}
			to, err := os.ReadFile(path)
			if err != nil {
				t.Errorf("%s links to %s, which is not there", f, m[1])
				continue
			}
			if anchor == "" {
				continue
			}
			found := false
			for _, h := range heading.FindAllStringSubmatch(string(to), -1) {
				found = found || anchorOf(h[1]) == anchor
			}
			if !found {
				t.Errorf("%s links to %s: there is no such heading", f, m[1])
			}
		}
	}
}

// anchorOf is the anchor that a heading gets: lower case, spaces as hyphens, no
// punctuation.
func anchorOf(heading string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == ' ':
			return '-'
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r == '-', r == '_', r > 127:
			return r
		}
		return -1
	}, strings.ToLower(heading))
}

// The front page stays short, and begins with the job.
func TestFrontPage(t *testing.T) {
	b, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	text := string(b)
	if n := strings.Count(text, "\n"); n > 120 {
		t.Errorf("README.md has %d lines", n)
	}
	for _, want := range []string{"\nCalandria watches ", "docs/house.png", "docs/alarms.png", "go run ./cmd/calandria demo", "make test", "never writes to the plant", "no safety system"} {
		if !strings.Contains(text, want) {
			t.Errorf("README.md lacks %q", want)
		}
	}
}
