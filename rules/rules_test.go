package rules

import (
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// An invented house: a set of three bodies, two condensers, a pan.
const plantYAML = `
site: {name: Test Mill (invented), barometer_kpa: 100}
opcua: {servers: [{name: mill, endpoint: "opc.tcp://127.0.0.1:4840", policy: None, mode: None}]}
sets:
  - name: EV
    title: Set
    condenser: CD
    tags:
      juice_flow: {node: "nsu=urn:x;s=f"}
      steam_pressure: {node: "nsu=urn:x;s=p0"}
      syrup_brix: {node: "nsu=urn:x;s=bx"}
    bodies:
      - {name: EV1, title: Body 1, heating_surface_m2: 100, tags: {vapour_pressure: {node: "nsu=urn:x;s=p1"}, level: {node: "nsu=urn:x;s=l1"}, juice_temperature: {node: "nsu=urn:x;s=t1"}, cleaning: {node: "nsu=urn:x;s=c1"}, in_service: {value: 1}}}
      - {name: EV2, title: Body 2, heating_surface_m2: 100, tags: {vapour_pressure: {node: "nsu=urn:x;s=p2"}, level: {node: "nsu=urn:x;s=l2"}, juice_temperature: {node: "nsu=urn:x;s=t2"}, chest_temperature: {node: "nsu=urn:x;s=tc2"}}}
      - {name: EV3, title: Body 3, heating_surface_m2: 100, cleaning_limit: 0.6, tags: {vapour_pressure: {node: "nsu=urn:x;s=p3"}, level: {node: "nsu=urn:x;s=l3"}}}
condensers:
  - {name: CD, tags: {water_inlet_temperature: {node: "nsu=urn:x;s=wi"}, pump_running: {node: "nsu=urn:x;s=vp"}}}
  - {name: CDA}
pans:
  - {name: PA, title: A pan, condenser: CDA, heated_by: EV.EV1, tags: {level: {node: "nsu=urn:x;s=pl"}, vapour_pressure: {node: "nsu=urn:x;s=pp"}}}
tags:
  spare: {node: "nsu=urn:x;s=spare", unit: kPa, dimension: pressure difference}
  odd: {node: "nsu=urn:x;s=odd"}
`

var t0 = time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)

func house(t testing.TB) *plant.House {
	t.Helper()
	h, err := plant.Load("plant.yaml", []byte(plantYAML))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range h.Of(plant.ClassBody) {
		for n, d := range map[string]plant.Dimension{"u_ratio": plant.Ratio, "scale_resistance": plant.ThermalResist} {
			if _, err := h.AddTag(plant.Tag{Path: e.Path + "." + n, Owner: e.Path, Class: e.Class, Name: n, Dimension: d, Source: plant.Derived}); err != nil {
				t.Fatal(err)
			}
		}
	}
	return h
}

// texts is what every alarm has to say.
const texts = ` title: T
    cause: C
    consequence: Q
    response: R
    severity: moderate
    time_to_respond: 5m
`

// rule makes a rule file of one alarm from its condition lines.
func rule(lines string) string {
	return "alarms:\n  - name: a\n   " + texts + indent(lines)
}

func indent(lines string) string {
	var b strings.Builder
	for l := range strings.SplitSeq(strings.TrimRight(lines, "\n"), "\n") {
		b.WriteString("    " + l + "\n")
	}
	return b.String()
}

func load(t testing.TB, files ...string) (*Set, *plant.House, error) {
	t.Helper()
	h := house(t)
	var fs []File
	for i, f := range files {
		fs = append(fs, File{Name: fmt.Sprintf("r%d.yaml", i+1), Data: []byte(f)})
	}
	s, err := Load(fs, h, Options{Names: map[plant.Class][]string{plant.ClassPan: {"supersaturation"}}})
	return s, h, err
}

func mustLoad(t testing.TB, files ...string) (*Set, *plant.House) {
	t.Helper()
	s, h, err := load(t, files...)
	if err != nil {
		t.Fatal(err)
	}
	return s, h
}

// bench is a frame with a hand on it.
type bench struct {
	*Set
	t testing.TB
	h *plant.House
	f *plant.Frame
}

func newBench(t testing.TB, files ...string) *bench {
	s, h := mustLoad(t, files...)
	return &bench{s, t, h, plant.NewFrame(len(h.Tags))}
}

func (b *bench) set(path string, v float64, q plant.Quality, at time.Time) plant.TagID {
	b.t.Helper()
	tag, ok := b.h.Find(path)
	if !ok {
		b.t.Fatalf("no tag %s", path)
	}
	b.f.Points[tag.ID] = plant.Point{Time: at, Value: v, Quality: q}
	return tag.ID
}

func (b *bench) sample(path string, v float64, at time.Time) map[string]plant.AlarmInput {
	return b.sampleQ(path, v, plant.Good, at)
}

func (b *bench) sampleQ(path string, v float64, q plant.Quality, at time.Time) map[string]plant.AlarmInput {
	b.t.Helper()
	out := map[string]plant.AlarmInput{}
	b.Sample(b.f, b.set(path, v, q, at), func(i int, in plant.AlarmInput) { out[b.Alarms()[i].Name] = in }, func(int, plant.Truth, words.Text) {})
	return out
}

func (b *bench) scan(at time.Time) (map[string]plant.AlarmInput, map[string]plant.Truth) {
	out, sup := map[string]plant.AlarmInput{}, map[string]plant.Truth{}
	b.Scan(b.f, at, func(id plant.TagID, p plant.Point) { b.f.Points[id] = p },
		func(i int, in plant.AlarmInput) { out[b.Alarms()[i].Name] = in },
		func(i int, t plant.Truth, _ words.Text) { sup[b.Alarms()[i].Name] = t })
	return out, sup
}

func (b *bench) value(path string) plant.Point {
	b.t.Helper()
	tag, ok := b.h.Find(path)
	if !ok {
		b.t.Fatalf("no tag %s", path)
	}
	return b.f.Point(tag.ID)
}

// Kleene's strong three-valued logic (S. C. Kleene, Introduction to
// Metamathematics, 1952, section 64): the whole tables, through a real rule.
func TestKleene(t *testing.T) {
	const tr, fa, un = plant.True, plant.False, plant.Unknown
	b := newBench(t, `
alarms:
  - name: both
    when: EV.EV1.level > 50 and EV.EV2.level > 50
   `+texts+`
  - name: one
    when: EV.EV1.level > 50 or EV.EV2.level > 50
   `+texts+`
  - name: neither
    when: not (EV.EV1.level > 50)
   `+texts+`
  - name: choice
    when: "EV.EV1.level > 50 ? EV.EV2.level > 50 : EV.EV2.level > 20"
   `+texts)
	set := func(path string, tv plant.Truth) {
		switch tv {
		case tr:
			b.set(path, 60, plant.Good, t0)
		case fa:
			b.set(path, 40, plant.Good, t0)
		default:
			b.set(path, 60, plant.BadSensorFailure, t0)
		}
	}
	for _, c := range []struct{ p, q, and, or, not plant.Truth }{
		{tr, tr, tr, tr, fa}, {tr, fa, fa, tr, fa}, {tr, un, un, tr, fa},
		{fa, tr, fa, tr, tr}, {fa, fa, fa, fa, tr}, {fa, un, fa, un, tr},
		{un, tr, un, tr, un}, {un, fa, fa, un, un}, {un, un, un, un, un},
	} {
		set("EV.EV1.level", c.p)
		set("EV.EV2.level", c.q)
		for i, want := range []plant.Truth{c.and, c.or, c.not} {
			if got := b.Input(i, b.f, t0).Raise; got != want {
				t.Errorf("%s with %s, %s: %s, want %s", b.Alarms()[i].Name, c.p, c.q, got, want)
			}
		}
	}
	// A choice by an unknown condition is known only where both ways agree.
	b.set("EV.EV1.level", 0, plant.Bad, t0)
	for v, want := range map[float64]plant.Truth{60: tr, 40: un, 10: fa} {
		b.set("EV.EV2.level", v, plant.Good, t0)
		if got := b.Input(3, b.f, t0).Raise; got != want {
			t.Errorf("choice at %g: %s, want %s", v, got, want)
		}
	}
}

// A value that came with a bad status neither raises nor clears, whatever
// number came with it; nor does NaN with a good one.
func TestBadInputDecidesNothing(t *testing.T) {
	b := newBench(t, rule("tag: EV.EV1.level\nhigh: 70\nunit: \"%\"\ndeadband: 5"))
	for _, p := range []plant.Point{
		{Time: t0, Value: 0, Quality: plant.BadNoCommunication},
		{Time: t0, Value: 99, Quality: plant.BadSensorFailure},
		{Time: t0, Value: math.NaN(), Quality: plant.Good},
		{Time: t0, Value: math.Inf(1), Quality: plant.Good},
		{},
	} {
		b.f.Points[b.set("EV.EV1.level", 0, plant.Good, t0)] = p
		in := b.Input(0, b.f, t0)
		if in.Raise != plant.Unknown || in.Hold != plant.Unknown || !in.Quality.IsBad() || !math.IsNaN(in.Value) {
			t.Errorf("%+v: %+v", p, in)
		}
	}
	in := b.sampleQ("EV.EV1.level", 80, plant.UncertainSensor, t0)["a"]
	if in.Raise != plant.True || !in.Quality.IsUncertain() {
		t.Errorf("uncertain: %+v", in)
	}
}

// Short forms agree with plant.Limit, which has the rules R-L1 and deadband of
// ISA-18.2 basic alarm design.
func TestShortFormsAreLimits(t *testing.T) {
	for _, c := range []struct {
		lines string
		limit plant.Limit
	}{
		{"high: 70\ndeadband: 5", plant.Limit{Setpoint: 70, Deadband: 5, High: true}},
		{"high_high: 70", plant.Limit{Setpoint: 70, High: true}},
		{"low: 15\ndeadband: 4", plant.Limit{Setpoint: 15, Deadband: 4}},
		{"low_low: 15", plant.Limit{Setpoint: 15}},
	} {
		b := newBench(t, rule("tag: EV.EV1.level\nunit: \"%\"\n"+c.lines))
		for v := 0.0; v <= 100; v += 0.5 {
			got := b.sample("EV.EV1.level", v, t0)["a"]
			want := c.limit.Input(plant.Point{Time: t0, Value: v, Quality: plant.Good})
			if got != want {
				t.Errorf("%q at %g: %+v, want %+v", c.lines, v, got, want)
			}
		}
		if s := b.Alarms()[0].Setpoint; s == nil || *s != c.limit.Setpoint || b.Alarms()[0].Unit != "%" {
			t.Errorf("%q: setpoint %v %s", c.lines, s, b.Alarms()[0].Unit)
		}
	}
}

// Units: factors are those of package plant; here it matters that limits,
// spans and gauge pressures arrive in the tag's unit.
func TestLimitsAreConverted(t *testing.T) {
	for _, c := range []struct {
		lines string
		want  float64
	}{
		{"tag: EV.EV1.vapour_pressure\nhigh: 1.5\nunit: bar", 150},
		{"tag: EV.EV1.vapour_pressure\nhigh: 0.5\nunit: bar\nreference: gauge", 150},
		{"tag: EV.EV3.vapour_pressure\nhigh: 80\nunit: kPa\nreference: vacuum", 20},
		{"tag: EV.EV1.vapour_pressure\nhigh: gauge(bar(0.5))", 150},
		{"tag: EV.EV3.vapour_pressure\nhigh: vacuum(kPa(80))", 20},
		{"tag: EV.EV1.juice_temperature\nhigh: 212\nunit: degF", 100},
		{"when: EV.EV1.vapour_pressure > bar(1.5)", 150},
		{"when: EV.EV1.vapour_pressure > kPa(100) + kPa(50)", 150},
		{"when: EV.EV1.juice_temperature > unit(212, \"degF\", \"temperature\")", 100},
		{"when: EV.EV1.vapour_pressure > limit.p\nlimits: {p: MPa(0.15)}", 150},
	} {
		s, _, err := load(t, rule(c.lines))
		if err != nil {
			t.Errorf("%q: %v", c.lines, err)
			continue
		}
		if sp := s.Alarms()[0].Setpoint; sp == nil || math.Abs(*sp-c.want) > 1e-9 {
			t.Errorf("%q: setpoint %v, want %g", c.lines, sp, c.want)
		}
	}
	// A deadband is a span: no offset, no reference.
	b := newBench(t, rule("tag: EV.EV1.juice_temperature\nhigh: 212\nunit: degF\ndeadband: 9"))
	if in := b.sample("EV.EV1.juice_temperature", 95, t0)["a"]; in.Hold != plant.True {
		t.Errorf("9 degF of deadband are 5 K: %+v", in)
	}
	if in := b.sample("EV.EV1.juice_temperature", 94.9, t0)["a"]; in.Hold != plant.False {
		t.Errorf("9 degF of deadband are 5 K: %+v", in)
	}
}

func TestDimensions(t *testing.T) {
	ok := []string{
		"EV.EV1.vapour_pressure - EV.EV2.vapour_pressure < kPa(2)",
		"EV.EV2.vapour_pressure > EV.EV1.vapour_pressure - kPa(2)",
		"EV.EV2.chest_temperature - EV.EV2.juice_temperature > K(5)",
		"EV.EV2.juice_temperature + K(5) > degC(100)",
		"(EV.EV1.level + EV.EV2.level) / 2 > pct(50)",
		"EV.EV1.vapour_pressure / EV.EV2.vapour_pressure > 1.2",
		"0.9 * EV.EV1.vapour_pressure > EV.EV2.vapour_pressure",
		"EV.EV1.u_ratio * kPa(100) > EV.EV2.vapour_pressure",
		"abs(delta(EV.EV2.juice_temperature, \"5m\")) > K(3)",
		"slope(EV.EV1.vapour_pressure, \"1h\") > per_hour(kPa(5))",
		"slope(EV.EV1.vapour_pressure, \"1h\") > per_minute(kPa(1))",
		"std(EV.EV1.vapour_pressure, \"10m\") > kPa(1)",
		"max(EV.EV1.vapour_pressure, EV.EV2.vapour_pressure, kPa(20)) > kPa(50)",
		"age(EV.EV1.level) > minutes(2)",
		"EV.EV1.cleaning",
		"not EV.EV1.cleaning and EV.EV1.in_service == 1",
		"EV.EV1.cleaning + EV.EV1.in_service > 1",
		"avg(EV.EV1.cleaning, \"1h\") > 0.5",
		"odd > 5 and odd * 3 < 4",
		"EV.EV1.juice_flow > 1 or true",
	}
	for _, src := range ok[:len(ok)-1] {
		if _, _, err := load(t, rule("when: '"+src+"'")); err != nil {
			t.Errorf("%s: %v", src, err)
		}
	}
	for _, c := range []struct{ src, want string }{
		{"EV.EV1.vapour_pressure > EV.EV1.level", "pressure is compared with level"},
		{"EV.EV1.vapour_pressure > degC(100)", "pressure is compared with temperature"},
		{"EV.EV1.juice_temperature > K(5)", "temperature is compared with temperature difference"},
		{"EV.EV2.chest_temperature - EV.EV2.juice_temperature > degC(5)", "temperature difference is compared with temperature"},
		{"EV.EV1.vapour_pressure + EV.EV1.level > 3", "pressure is added to level"},
		{"EV.EV1.vapour_pressure - EV.EV1.level > 3", "level is taken from pressure"},
		{"max(EV.EV1.level, kPa(3)) > 3", "pressure or pressure difference is written beside level"},
		{"(EV.EV1.cleaning == 1 ? EV.EV1.level : EV.EV1.vapour_pressure) > 3", "the choice is between level and pressure"},
		{"slope(EV.EV1.vapour_pressure, \"1h\") > kPa(5)", "rate of change of pressure difference is compared with pressure"},
		{"delta(EV.EV1.juice_temperature, \"1h\") > degC(5)", "temperature difference is compared with temperature"},
		{"EV.EV1.vapour_pressure > unit(3, \"m\")", "unit \"m\" is not known"},
		{"EV.EV1.level > unit(3, \"%\")", "may mean"},
		{"true", "the condition reads no tag"},
		{"sqrt(pct(4) / pct(1)) > 0", "the condition reads no tag"},
		{"EV.EV1.level", "a number (level) is written where a condition is expected"},
		{"EV.EV1.level > 3 > 2", ""},
		{"(EV.EV1.level > 3) + 1 > 2", "a condition is written where a number is"},
		{"gauge(EV.EV1.vapour_pressure) > kPa(3)", "tags are absolute already"},
		{"spare > EV.EV1.vapour_pressure", "pressure difference is compared with pressure"},
	} {
		_, _, err := load(t, rule("when: '"+c.src+"'"))
		if c.want == "" {
			continue
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v\nwant %q", c.src, err, c.want)
		}
	}
	// Short forms too.
	for lines, want := range map[string]string{
		"tag: EV.EV1.vapour_pressure\nhigh: 20\nunit: degC":                          `unit "degC" is not a unit of pressure`,
		"tag: EV.EV1.vapour_pressure\nhigh: 20":                                      "20 without a unit",
		"tag: EV.EV1.vapour_pressure\nhigh: degC(20)":                                "high is given as temperature",
		"tag: EV.EV1.level\nhigh: 20\nunit: \"%\"\nreference: gauge":                 "only a pressure has a reference",
		"tag: EV.EV1.level\nhigh: 20\nunit: \"%\"\ndeadband: kPa(3)":                 "deadband is given as pressure",
		"tag: EV.EV1.level\nrate: 3\nover: 1m":                                       "3 without a unit",
		"tag: EV.EV1.level\ndeviation: 3\nunit: \"%\"\nfrom: EV.EV1.vapour_pressure": "from: is pressure, the tag is level",
	} {
		if _, _, err := load(t, rule(lines)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v\nwant %q", lines, err, want)
		}
	}
	// A plain number against a tag with a unit is taken in that unit, and said so.
	s, _ := mustLoad(t, rule("when: EV.EV1.vapour_pressure > 20"))
	if n := s.Notes(); len(n) != 1 || !strings.Contains(n[0].Text, "20 is taken as 20 kPa") {
		t.Errorf("notes %v", n)
	}
}

// hostile is source that must be refused, quickly and without a panic:
// S11 of the project's security requirements.
var hostile = []string{
	strings.Repeat("(", 4000), strings.Repeat("(", 2000) + "1" + strings.Repeat(")", 2000), strings.Repeat("not ", 1000) + "true",
	strings.Repeat("-", 4000) + "1 > 0", strings.Repeat("1+", 2000) + "1 > 0", strings.Repeat("true and ", 400) + "true",
	strings.Repeat("x", 5000), strings.Repeat("a.", 1500) + "a > 1", strings.Repeat("1 < ", 150) + "2",
	`reduce(1..60, {#acc + #acc}, "x") == "x"`, "count(1..9, {true}) > 0", "all(1..3, {# > 0})", "filter(1..1000000000, {true})",
	`"a" + "b" == "ab"`, "let x = 1; x > 0", "1; EV.EV1.level > 0", "EV.EV1.level | string() == 'x'", "1 in 1..5", "EV.EV1.level in [1, 2]",
	"EV.EV1.level ?? 1 > 0", "$env.EV > 1", "$env", "1..3 == 1..3", `EV.EV1.level > 0 ? "a" == "b" : "c"`, "map([1], {#})",
	"EV?.EV1.level > 0", "EV.EV1[0] > 1", "EV.EV1.level.x > 1", "now() > 1", `date("2020-01-01") > 1`, `duration("1h") > 1`, "len('abc') > 1",
	"toJSON(1) == '1'", "EV.EV1.level matches 'x'", "'a' contains 'b'", "2 ** 9999 > 1", "2 ^ 9999 > 1", "5 % 2 > 1", "nil == nil", "{a: 1}.a > 0", "[1][0] > 0",
	"get($env, 'x') > 1", "fromJSON('1') > 0", "print(1) > 0", "if true { true } else { false }", "EV.EV1.level > 1e999", "9999999999999999999999 > 1",
	"#x", "@", "\x00", "EV.EV1.level > 'a'", "max() > 1", "max(1) > 1", "avg(1, '1h') > 0", "avg(EV.EV1.level) > 0", "avg(EV.EV1.level, 3600) > 0",
	"avg(EV.EV1.level, '1ms') > 0", "avg(EV.EV1.level, '900d') > 0", "avg(EV.EV1.level + 1, '1h') > 0", "avg(avg(EV.EV1.level, '1h'), '1h') > 0",
	"os.Exit(1)", "EV.EV1.level.String() > 1", "EV.EV1() > 1", "abs > 1", "1 > 1/0", "this.level > 1", "limit.x > 1", "_ > 1", "EV > 1", "EV.EV1 > 1",
	"kPa(EV.EV1.level) > 1", "kPa('x') > 1", "kPa() > 1", "is_bad(1)", "is_bad(EV.EV1.level) > 1", "(is_bad(EV.EV1.level) ? 1 : 2) > 1", "sqrt() > 1",
	"", "   ", "\n", "and", "true and", "1", "EV.EV1.level = 3", "EV.EV1.level > 3 || ", "EV.EV1.level => 3", "::EV > 1",
}

func TestHostileExpressions(t *testing.T) {
	h := house(t)
	begun := time.Now()
	for _, src := range hostile {
		f := "alarms:\n  - name: a\n   " + texts + "    when: " + fmt.Sprintf("%q", src) + "\n"
		_, err := Load([]File{{"x.yaml", []byte(f)}}, h, Options{})
		var fs plant.Faults
		if !errors.As(err, &fs) || len(fs) == 0 {
			t.Errorf("%.60q is accepted: %v", src, err)
			continue
		}
		if strings.Contains(err.Error(), "goroutine") || len(err.Error()) > 20000 {
			t.Errorf("%.60q: %d bytes of message", src, len(err.Error()))
		}
	}
	if d := time.Since(begun); d > 20*time.Second {
		t.Errorf("refusing took %s", d)
	}
}

// Faults say file, line and column of the YAML file, whatever way the
// expression is written, and show it with a caret.
func TestFaultPlaces(t *testing.T) {
	for _, c := range []struct {
		name, yaml string
		line, col  int
	}{
		{"plain", "when: EV.EV1.level > EV.EV1.levle", 9, 26},
		{"double quotes", `when: "EV.EV1.level > EV.EV1.levle"`, 9, 27},
		{"single quotes", `when: 'avg(EV.EV1.level, "1h") > EV.EV1.levle'`, 9, 38},
		{"doubled quote", `when: 'avg(EV.EV1.level, ''1h'') > EV.EV1.levle'`, 9, 40},
		{"folded", "when: >-\n  EV.EV1.level > pct(3)\n  and EV.EV1.level > EV.EV1.levle", 11, 26},
		{"literal", "when: |\n  EV.EV1.level > pct(3)\n  and EV.EV1.level > EV.EV1.levle", 11, 26},
		{"plain, continued", "when: EV.EV1.level > pct(3)\n  and EV.EV1.level > EV.EV1.levle", 10, 26},
		{"umlaut before", `when: "EV.EV1.level > pct(3) /* ä */ and EV.EV1.levle > 1"`, 9, 46},
		{"syntax", "when: EV.EV1.level > > 3", 9, 26},
	} {
		_, _, err := load(t, rule(c.yaml))
		var fs plant.Faults
		if !errors.As(err, &fs) {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		f := fs[0]
		if f.File != "r1.yaml" || f.Line != c.line || f.Column != c.col {
			t.Errorf("%s: %s:%d:%d, want line %d column %d\n%v", c.name, f.File, f.Line, f.Column, c.line, c.col, err)
		}
		// The caret stands under the first letter of what is wrong.
		lines := strings.Split(f.Error(), "\n")
		if len(lines) < 3 {
			t.Errorf("%s: no caret in %q", c.name, f.Error())
			continue
		}
		mark, shown := []rune(lines[len(lines)-1]), []rune(lines[len(lines)-2])
		at := slices.Index(mark, '^')
		if rest := string(shown[at:]); !strings.HasPrefix(rest, "EV.EV1.levle") && !strings.HasPrefix(rest, "> 3") {
			t.Errorf("%s: caret at %q", c.name, rest)
		}
		if c.name != "syntax" && !strings.Contains(f.Error(), "did you mean EV.EV1.level?") {
			t.Errorf("%s: no suggestion in %v", c.name, f)
		}
	}
}

// All that is wrong is reported at once.
func TestAllFaultsAtOnce(t *testing.T) {
	const bad = `
area: x
colour: red
derived:
  - name: d1
    expr: EV.EV1.level + 1
  - name: d2
    unit: "%"
    dimension: level
    meaning: goes round
    expr: d3 + pct(1)
  - name: d3
    dimension: level
    meaning: goes round
    expr: d2 + pct(1)
  - name: d4
    dimension: pressure
    meaning: of another dimension
    expr: EV.EV1.level
alarms:
  - name: Bad Name
    title: x
  - name: no_texts
    tag: EV.EV1.level
    high: 70
    unit: "%"
    severity: moderate
    time_to_respond: 5m
  - name: two
    title: x
    cause: x
    consequence: x
    response: x
    tag: EV.EV1.level
    high: 70
    low: 5
    unit: "%"
    severity: enormous
    time_to_respond: 5m
  - name: contradicted
    title: x
    cause: x
    consequence: x
    response: x
    when: EV.EV1.level > pct(3)
    severity: minor
    time_to_respond: 2h
    priority: urgent
  - name: links
    title: "{nonsense} of {this}"
    cause: x
    consequence: x
    response: x
    when: EV.EV1.level > pct(3)
    priority: low
    consequence_of: [linkz]
override:
  contradictd: {"*": {enabled: false}}
  two: {EV.EV9: {high: 3}}
`
	_, _, err := load(t, bad)
	if err == nil {
		t.Fatal("accepted")
	}
	golden(t, "faults.golden", err.Error()+"\n")
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs (go test -update rewrites it):\n%s", file, got)
	}
}

func TestTemplates(t *testing.T) {
	b := newBench(t, `
derived:
  - name: working
    for: body
    meaning: "{title} works"
    expr: default(this.in_service, 1) == 1 and default(this.cleaning, 0) == 0
alarms:
  - name: level_high
    for: body
   `+texts+`
    tag: this.level
    unit: "%"
    high: 70
    deadband: 5
    suppress_when: not this.working
    override:
      "EV.*": {deadband: 4}
      EV.EV3: {high: 60, severity: severe}
  - name: reversed
    for: EV.*
   `+texts+`
    when: next.vapour_pressure > this.vapour_pressure - kPa(2)
    consequence_of: [level_high, level_top]
  - name: hot
    for: body
   `+texts+`
    tag: this.chest_temperature
    unit: degC
    high: 120
  - name: ratio
    for: body
    where: this.effect > 1
   `+texts+`
    when: avg(this.u_ratio, "1h") < this.cleaning_limit
  - name: cond
    for: body
    where: this.last_effect
   `+texts+`
    when: condenser.pump_running == 0
  - name: pan_over
    for: pan
   `+texts+`
    when: this.level > pct(100) or this.supersaturation > 1.3
  - name: pan_heat
    for: pan
   `+texts+`
    when: heater.vapour_pressure < kPa(110)
  - name: level_top
   `+texts+`
    tag: EV.EV1.level
    unit: "%"
    high: 90
`, `
override:
  level_high:
    EV.EV2: {enabled: false}
    EV.EV3: {high: 65}
  hot:
    "*": {on_delay: 7m}
`)
	var names []string
	for _, a := range b.Alarms() {
		names = append(names, a.Name)
	}
	want := []string{"level_high.EV.EV1", "level_high.EV.EV3", "reversed.EV.EV1", "reversed.EV.EV2", "hot.EV.EV2", "ratio.EV.EV2", "ratio.EV.EV3",
		"cond.EV.EV3", "pan_heat.PA", "level_top"}
	if !slices.Equal(names, want) {
		t.Fatalf("alarms %v\nwant   %v", names, want)
	}
	spec := func(n string) plant.AlarmSpec { return b.Alarms()[slices.Index(names, n)] }
	if s := spec("level_high.EV.EV3"); *s.Setpoint != 65 || s.Priority != plant.PriorityHigh || s.Source != "EV.EV3" {
		t.Errorf("override: %+v", s)
	}
	if s := spec("level_high.EV.EV1"); *s.Setpoint != 70 || s.Priority != plant.PriorityMedium {
		t.Errorf("no override: %+v", s)
	}
	if s := spec("hot.EV.EV2"); s.OnDelay != 7*time.Minute {
		t.Errorf("override by *: %+v", s)
	}
	if s := spec("reversed.EV.EV1"); !slices.Equal(s.ConsequenceOf, []string{"level_high.EV.EV1", "level_top"}) {
		t.Errorf("consequence_of %v", s.ConsequenceOf)
	}
	var notes strings.Builder
	for _, n := range b.Notes() {
		fmt.Fprintf(&notes, "%s: %s\n", n.Rule, n.Text)
	}
	for _, w := range []string{"hot.EV.EV1: left out: EV.EV1 has no chest_temperature", "reversed.EV.EV3: left out: EV.EV3 has no next",
		"pan_over.PA: left out: PA has no supersaturation", "level_high.EV.EV2: left out: switched off"} {
		if !strings.Contains(notes.String(), w) {
			t.Errorf("no note %q in\n%s", w, notes.String())
		}
	}
	// Suppression: True only while the state is known to be so.
	at := t0
	for _, c := range []struct {
		cleaning float64
		q        plant.Quality
		want     plant.Truth
	}{{0, plant.Good, plant.False}, {1, plant.Good, plant.True}, {1, plant.BadNoCommunication, plant.Unknown}} {
		at = at.Add(time.Second)
		b.set("EV.EV1.in_service", 1, plant.Good, at)
		b.set("EV.EV1.cleaning", c.cleaning, c.q, at)
		if _, sup := b.scan(at); sup["level_high.EV.EV1"] != c.want {
			t.Errorf("cleaning %g (%s): suppressed %s, want %s", c.cleaning, c.q, sup["level_high.EV.EV1"], c.want)
		}
	}
}

func TestMisspeltInTemplate(t *testing.T) {
	_, _, err := load(t, rule("for: body\nwhen: this.vapor_pressure > kPa(3)"))
	if err == nil || !strings.Contains(err.Error(), "did you mean this.vapour_pressure?") || strings.Count(err.Error(), "did you mean") != 1 {
		t.Errorf("one fault with a suggestion is wanted: %v", err)
	}
	for lines, want := range map[string]string{
		"for: boddy\nwhen: this.level > pct(3)":                                             `"boddy" is neither a class nor the path`,
		"for: body\nwhen: thiss.level > pct(3)":                                             "there is no tag thiss.level",
		"when: this.level > pct(3)":                                                         "means nothing in a rule without for:",
		"for: body\nwhere: this.level > pct(3)\nwhen: this.level > pct(3)":                  "where: depends on a tag",
		"for: body\nwhen: this.level > limit.x\nlimits: {y: pct(3)}":                        `the rule has no limit "x"`,
		"for: body\nwhen: this.level > limit.x\nlimits: {x: limit.x}":                       "refers to itself",
		"for: body\nwhen: this.level > limit.x\nlimits: {x: kPa(3)}":                        "level is compared with pressure",
		"for: body\nwhen: this.level > pct(3)\nconsequence_of: [a]":                         `there is no alarm "a"`,
		"when: EV.EV1.level > pct(3)\nhighly_managed: true\nsuppress_when: EV.EV1.cleaning": "never suppressed automatically",
		"when: EV.EV1.level > pct(3) or EV.EV2.level > pct(3)\ndeadband: pct(2)":            "not clear which one the deadband eases",
	} {
		_, _, err := load(t, rule(lines))
		if strings.Contains(lines, "consequence_of") {
			continue // its own name in a template is another alarm or none
		}
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v\nwant %q", lines, err, want)
		}
	}
}

func TestPlaceholders(t *testing.T) {
	f := rule("for: set\ntag: this.steam_pressure\nunit: kPa\nhigh: \"SITE LIMIT: from the documents\"\nprocedure: \"SITE PROCEDURE: over-pressure\"")
	s, _ := mustLoad(t, f)
	if len(s.Alarms()) != 0 || len(s.Placeholders()) != 2 {
		t.Fatalf("%d alarms, placeholders %+v", len(s.Alarms()), s.Placeholders())
	}
	for _, p := range s.Placeholders() {
		if p.Inactive != (p.Field == "high") || p.Rule != "a" || p.File != "r1.yaml" || p.Line == 0 {
			t.Errorf("%+v", p)
		}
	}
	s, _ = mustLoad(t, f, "override: {a: {EV: {high: 235, procedure: Mill procedure 12}}}")
	if len(s.Alarms()) != 1 || len(s.Placeholders()) != 0 || *s.Alarms()[0].Setpoint != 235 {
		t.Errorf("with the site's own: %+v %+v", s.Alarms(), s.Placeholders())
	}
	// A named limit too.
	s, _ = mustLoad(t, rule("when: EV.steam_pressure > limit.p\nlimits: {p: \"SITE LIMIT: design pressure\"}"))
	if len(s.Alarms()) != 0 || len(s.Placeholders()) != 1 || !s.Placeholders()[0].Inactive {
		t.Errorf("named limit: %+v %+v", s.Alarms(), s.Placeholders())
	}
}

// The example matrix that ISA-18.2 users start from (rows: time to respond,
// columns: minor, moderate, severe; from memory, a site choice) with a fourth
// column for people and pressure equipment, which is this project's.
func TestPriorityMatrix(t *testing.T) {
	m := DefaultMatrix()
	const n, l, md, h, u = plant.PriorityNone, plant.PriorityLow, plant.PriorityMedium, plant.PriorityHigh, plant.PriorityUrgent
	for _, c := range []struct {
		respond time.Duration
		want    [4]plant.Priority
	}{
		{2 * time.Hour, [4]plant.Priority{n, l, md, md}}, {31 * time.Minute, [4]plant.Priority{n, l, md, md}},
		{30 * time.Minute, [4]plant.Priority{l, l, md, h}}, {11 * time.Minute, [4]plant.Priority{l, l, md, h}},
		{10 * time.Minute, [4]plant.Priority{l, md, h, u}}, {3 * time.Minute, [4]plant.Priority{l, md, h, u}},
		{179 * time.Second, [4]plant.Priority{md, h, h, u}}, {time.Second, [4]plant.Priority{md, h, h, u}},
	} {
		for sev, want := range c.want {
			if got := m.Priority(sev, c.respond); got != want {
				t.Errorf("%s, %s: %s, want %s", severities[sev], c.respond, got, want)
			}
		}
	}
	s, _ := mustLoad(t, rule("when: EV.EV1.level > pct(3)\npriority: urgent\npriority_reason: decided with the site"))
	if s.Alarms()[0].Priority != u || len(s.Notes()) != 1 {
		t.Errorf("with a reason: %v %v", s.Alarms()[0].Priority, s.Notes())
	}
}

// A condition on measured tags is worked out at each sample of such a tag, as
// of its own time; anything calculated waits for the scan.
func TestEventTime(t *testing.T) {
	b := newBench(t, `
alarms:
  - name: measured
    when: EV.EV1.level > pct(70) and EV.EV2.level > pct(70)
   `+texts+`
  - name: calculated
    when: EV.EV1.u_ratio < 0.8
   `+texts+`
  - name: windowed
    when: avg(EV.EV1.level, "10s") > pct(70)
   `+texts+`
  - name: doubted
    when: is_bad(EV.EV1.level)
   `+texts)
	at := t0.Add(1500 * time.Millisecond)
	b.sample("EV.EV1.level", 80, t0)
	got := b.sample("EV.EV2.level", 80, at)
	if len(got) != 1 || got["measured"].Raise != plant.True || !got["measured"].Time.Equal(at) {
		t.Errorf("sample: %+v", got)
	}
	if got = b.sample("EV.EV1.u_ratio", 0.5, at); len(got) != 0 {
		t.Errorf("a calculated tag as a sample: %+v", got)
	}
	out, _ := b.scan(t0.Add(2 * time.Second))
	if _, is := out["measured"]; is || len(out) != 3 || out["calculated"].Raise != plant.True || out["doubted"].Raise != plant.False {
		t.Errorf("scan: %+v", out)
	}
	b.set("EV.EV1.level", 0, plant.BadNoCommunication, at)
	if out, _ = b.scan(t0.Add(3 * time.Second)); out["doubted"].Raise != plant.True || !out["doubted"].Quality.IsGood() {
		t.Errorf("is_bad of a bad tag: %+v", out["doubted"])
	}
	if ids := b.Inputs(0); len(ids) != 2 {
		t.Errorf("inputs %v", ids)
	}
}

func TestDerived(t *testing.T) {
	b := newBench(t, `
derived:
  - name: twice            # uses the next: order does not matter
    unit: K
    dimension: temperature difference
    meaning: x
    expr: 2 * EV.EV2.gap
  - name: EV.EV2.gap
    dimension: temperature difference
    meaning: x
    expr: EV.EV2.chest_temperature - EV.EV2.juice_temperature
  - name: wet
    for: body
    meaning: x
    expr: this.level > pct(20)
  - name: share
    dimension: ratio
    meaning: x
    expr: EV.EV1.level / (EV.EV1.level + EV.EV2.level)
  - name: held
    dimension: level
    meaning: x
    expr: avg(EV.EV1.level, "10s")
`)
	b.set("EV.EV2.chest_temperature", 110, plant.Good, t0)
	b.set("EV.EV2.juice_temperature", 102, plant.Uncertain, t0)
	b.set("EV.EV1.level", 0, plant.Good, t0)
	b.set("EV.EV2.level", 0, plant.Good, t0)
	b.scan(t0)
	if p := b.value("twice"); p.Value != 16 || !p.Quality.IsUncertain() || !p.Time.Equal(t0) {
		t.Errorf("twice: %+v", p)
	}
	if p := b.value("EV.EV1.wet"); p.Value != 0 || !p.Quality.IsGood() {
		t.Errorf("wet: %+v", p)
	}
	if p := b.value("EV.EV3.wet"); !p.Quality.IsBad() || !math.IsNaN(p.Value) {
		t.Errorf("wet without a level: %+v", p)
	}
	// 0/0 is no number: bad, and counted.
	if p := b.value("share"); p.Quality != plant.BadOutOfRange {
		t.Errorf("share: %+v", p)
	}
	fs := b.Faults()
	if len(fs) != 1 || fs[0].Rule != "share" || fs[0].Count != 1 || !fs[0].Last.Equal(t0) {
		t.Errorf("faults %+v", fs)
	}
	if tag, ok := b.h.Find("EV.EV2.gap"); !ok || tag.Source != plant.Ruled || tag.Owner != "EV.EV2" || tag.Unit != "K" {
		t.Errorf("gap: %+v", tag)
	}
}

func TestHashAndAdopt(t *testing.T) {
	const d = "derived:\n  - name: x\n    dimension: level\n    meaning: m\n    expr: avg(EV.EV1.level, \"1m\") + pct(%d)\n"
	file := func(add int, extra string) string {
		return fmt.Sprintf(d, add) + "alarms:\n  - name: a\n   " + texts + "    when: x > pct(50)\n  - name: b\n   " + texts + "    when: EV.EV2.level > pct(50)\n" + extra
	}
	one := newBench(t, file(1, ""))
	same := newBench(t, file(1, ""))
	moved := newBench(t, "# a comment\n\n"+file(1, ""))
	other := newBench(t, file(2, ""))
	longer := newBench(t, file(1, "    on_delay: 3m\n"))
	for i := range 2 {
		if one.Hash(i) != same.Hash(i) || one.Hash(i) != moved.Hash(i) {
			t.Errorf("alarm %d: the same content, another hash", i)
		}
	}
	if one.Hash(0) == other.Hash(0) || one.Hash(1) != other.Hash(1) {
		t.Error("a change in a derived tag must show in the alarms that use it, and only there")
	}
	if one.Hash(1) == longer.Hash(1) || one.Hash(0) != longer.Hash(0) {
		t.Error("a change of a delay must show")
	}
	for s := range 60 {
		one.sample("EV.EV1.level", 40, t0.Add(time.Duration(s)*time.Second))
	}
	other.Adopt(one.Set)
	other.set("EV.EV1.level", 40, plant.Good, t0.Add(59*time.Second))
	other.scan(t0.Add(60 * time.Second))
	if p := other.value("x"); math.Abs(p.Value-42) > 1e-9 || !p.Quality.IsGood() {
		t.Errorf("after Adopt: %+v", p)
	}
}

func TestExplain(t *testing.T) {
	b := newBench(t, rule(`when: avg(EV.EV1.level, "1m") > pct(70) and EV.EV2.vapour_pressure < kPa(50) and not EV.EV1.cleaning
return_when: avg(EV.EV1.level, "1m") < pct(60)
suppress_when: EV.EV1.in_service == 0
on_delay: 5m`))
	for s := range 61 {
		b.sample("EV.EV1.level", 40, t0.Add(time.Duration(s)*time.Second))
	}
	at := t0.Add(time.Minute)
	b.set("EV.EV1.in_service", 1, plant.Good, t0)
	b.set("EV.EV1.cleaning", 0, plant.Good, t0)
	b.set("EV.EV2.vapour_pressure", 0, plant.BadSensorFailure, t0)
	var out strings.Builder
	show := func(e Explanation) {
		fmt.Fprintf(&out, "%s: %s\nraise %s, hold %s\n", e.Alarm, e.Words, e.Raise, e.Hold)
		for _, p := range e.Parts {
			fmt.Fprintf(&out, "  %s: %s (%.4g, %.4g %s)\n", p.Words, p.Truth, p.Left, p.Right, p.Unit)
		}
		for _, r := range e.Reads {
			fmt.Fprintf(&out, "  reads %s = %.4g %s, %s, %s old\n", r.Words, r.Value, r.Unit, r.Quality, r.Age)
		}
		fmt.Fprintf(&out, "  suppressed: %s (%s)\n", e.Suppress, e.SuppressWords)
		for _, w := range e.Waits {
			fmt.Fprintf(&out, "  %s\n", w)
		}
	}
	show(b.Explain(0, b.f, at))
	for s := range 61 {
		b.sample("EV.EV1.level", 90, at.Add(time.Duration(s)*time.Second))
	}
	show(b.Explain(0, b.f, at.Add(time.Minute)))
	b.set("EV.EV2.vapour_pressure", 40, plant.Good, at)
	b.set("EV.EV1.in_service", 0, plant.Good, at)
	show(b.Explain(0, b.f, at.Add(time.Minute)))
	golden(t, "explain.golden", out.String())
}

// Functions, through the whole path to a program of expr-lang.
func TestArithmetic(t *testing.T) {
	for src, want := range map[string]float64{
		"2 + 3 * 4 - 10 / 4":           11.5,
		"odd * 2":                      -6,
		"abs(odd) + 1":                 4,
		"-odd":                         3,
		"min(odd, 5, 2) + max(odd, 1)": -2,
		"sqrt(odd * odd + 16)":         5,
		"clamp(odd, -1, 1)":            -1,
		"clamp(odd * -10, -1, 7)":      7,
		"odd > 0 ? 10 : odd < -2 and not (odd > 9) ? 20 : 30": 20,
		"1 / 3 * odd":     -1,
		"7 / 2 + odd * 0": 3.5,
		"limit.k * odd":   -12,
	} {
		b := newBench(t, "derived:\n  - {name: y, dimension: any, meaning: m, limits: {k: 2 + 2}, expr: '"+src+"'}\n")
		b.set("odd", -3, plant.Good, t0)
		b.scan(t0)
		if got := b.value("y"); math.Abs(got.Value-want) > 1e-12 {
			t.Errorf("%s = %g (%s), want %g", src, got.Value, got.Quality, want)
		}
	}
}
