package rules

import (
	"math"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

// measures are derived tags that stand for instruments, each with its unit.
const measures = `
derived:
  - {name: vol, dimension: volume flow, meaning: x, expr: m3_h(100)}
  - {name: mass, dimension: mass flow, meaning: x, expr: t_h(300)}
  - {name: rise, dimension: temperature difference, meaning: x, expr: K(10)}
  - {name: thin, dimension: Brix, meaning: x, expr: Bx(15)}
  - {name: thick, dimension: Brix, meaning: x, expr: Bx(60)}
  - {name: held, dimension: mass, meaning: x, expr: tonnes(10)}
  - {name: full, dimension: level, meaning: x, expr: pct(50)}
`

// What products and quotients of two quantities come to, worked out by hand in
// the remarks. 1 t = 1000 kg, 1 h = 3600 s, 1 W = 1 J/s: BIPM, The International
// System of Units, 9th ed., tables 4 and 8.
func TestProductsAreConverted(t *testing.T) {
	for _, c := range []struct {
		dimension, expr string
		want            float64
	}{
		{"mass flow", "vol * kg_m3(1000)", 100},             // 100 000 kg/h
		{"mass flow", "kg_m3(1050) * vol * 0.5", 52.5},      // a plain factor stays one
		{"mass flow", "m3_h(300) * kg_m3(1000)", 300},       // fixed numbers too
		{"volume flow", "t_h(105) / kg_m3(1050)", 100},      // 105 000 kg/h
		{"volume flow", "mass / kg_m3(1000)", 300},          //
		{"density", "t_h(105) / vol", 1050},                 // 1.05 t/m3
		{"mass", "mass * minutes(20)", 100},                 // a third of an hour
		{"mass flow", "held / minutes(20)", 30},             // 10 t three times an hour
		{"duration", "held / mass", 120},                    // a thirtieth of an hour, in s
		{"heat-transfer coefficient", "1 / m2K_kW(0.5)", 2}, //
		{"ratio", "kW_m2K(2) * m2K_kW(0.5)", 1},             //
		{"ratio", "t_h(3) / kg_h(1500)", 2},                 // equal dimensions
		{"ratio", "vol * kg_m3(1050) / mass", 0.35},         //
		{"mass flow", "mass * thin / thick", 75},            // solids in, solids out: 300 * 15 / 60
		{"mass flow", "mass * (1 - thin / thick)", 225},     // evaporation
		{"mass flow", "mass * (thin / Bx(100))", 45},        // solids
		{"temperature difference", "rise * 2 + K(1)", 21},   //
		{"pressure difference", "per_hour(kPa(6)) * hours(0.5)", 3},
		// 36 t/h of water by 10 K with 4.1868 kJ/(kg.K): 10 kg/s * 41.868 kJ/kg
		{"heat flow", "t_h(36) / t_h(1) * (rise / K(1)) * kW(1.163)", 418.68},
	} {
		b := newBench(t, measures+"  - {name: out, dimension: "+c.dimension+", meaning: x, expr: '"+c.expr+"'}\n")
		b.scan(t0)
		if p := b.value("out"); !p.Quality.IsGood() || math.Abs(p.Value-c.want) > 1e-9*c.want {
			t.Errorf("%s as %s: %+v, want %g", c.expr, c.dimension, p, c.want)
		}
	}
}

func TestProductsAreRefused(t *testing.T) {
	for _, c := range []struct{ lines, want string }{
		// What the dimension is declared as.
		{"mass flow|vol * 1.05", "the expression gives volume flow, the tag is declared as mass flow"},
		{"volume flow|vol * kg_m3(1000)", "the expression gives mass flow, the tag is declared as volume flow"},
		{"heat flow|mass * 4.19 * rise", "the expression gives a number in t/h x K, the tag is declared as heat flow"},
		{"heat flow|mass * 4.19 * rise", "give the result its own"},
		{"mass flow|mass * thin / 100", "the expression gives a number in t/h x Bx, the tag is declared as mass flow"},
		{"mass flow|mass * thin / 100", "this.juice_brix / Bx(100)"},
		{"mass flow|mass * full", "becomes a fraction"},
		{"ratio|vol / mass", "m3/h / t/h"},
		// Sums and comparisons.
		{"mass flow|mass * thin / 100 + mass", "is added to mass flow"},
	} {
		dimension, src, _ := strings.Cut(c.lines, "|")
		_, _, err := load(t, measures+"  - {name: out, dimension: "+dimension+", meaning: x, expr: '"+src+"'}\n")
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v\nwant %q", c.lines, err, c.want)
		}
	}
	for _, c := range []struct{ when, want string }{
		{"mass * thin / 100 > t_h(3)", "a number in t/h x Bx is compared with mass flow"},
		{"vol * kg_m3(1000) > m3_h(3)", "mass flow is compared with volume flow"},
		{"mass * rise > kW(5)", "a number in t/h x K is compared with heat flow"},
		{"mass * rise > mass * thin", "a number in t/h x K is compared with a number in t/h x Bx"},
	} {
		if _, _, err := load(t, measures, rule("when: '"+c.when+"'")); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v\nwant %q", c.when, err, c.want)
		}
	}
}

// Limits of alarms are met in the unit they are written in.
func TestProductsInLimits(t *testing.T) {
	for _, c := range []struct {
		when string
		want plant.Truth
		note string
	}{
		{"vol * kg_m3(1000) > t_h(99)", plant.True, "is brought into t/h by a factor of 0.001"},
		{"vol * kg_m3(1000) > t_h(101)", plant.False, ""},
		{"vol * kg_m3(1000) > kg_h(99000)", plant.True, ""},
		{"vol * kg_m3(1000) > 99", plant.True, "99 is taken as 99 t/h"},
		{"mass * rise > 2999", plant.True, "2999 is taken as 2999 t/h x K"},
		{"mass * rise > 3001", plant.False, ""},
		{"mass * rise > t_h(299) * K(10)", plant.True, ""},
		{"mass * rise + mass * rise > t_h(601) * K(10)", plant.False, ""},
	} {
		b := newBench(t, measures, rule("when: '"+c.when+"'"))
		got, _ := b.scan(t0)
		if in := got["a"]; in.Raise != c.want {
			t.Errorf("%s: %+v, want %v", c.when, in, c.want)
		}
		if all := notesOf(b.Set); !strings.Contains(all, c.note) {
			t.Errorf("%s: no note %q in\n%s", c.when, c.note, all)
		}
	}
}

// Where nothing is known of an expression it is taken at its word, with a note.
func TestUnknownDimensionIsNoted(t *testing.T) {
	for expr, note := range map[string]string{
		"odd * 2":        "the dimension of the expression is not known: it is taken to be in t/h",
		"5":              "the expression gives a plain number: it is taken to be in t/h",
		"odd * t_h(1)":   "is not known",
		"vol / m3_h(1)":  "",
		"mass * 1.01":    "",
		"mass + t_h(12)": "",
	} {
		dimension := "mass flow"
		if strings.HasPrefix(expr, "vol") {
			dimension = "ratio"
		}
		s, _ := mustLoad(t, measures+"  - {name: out, dimension: "+dimension+", meaning: x, expr: '"+expr+"'}\n")
		if all := notesOf(s); !strings.Contains(all, note) || note == "" && all != "" {
			t.Errorf("%s: notes %q, want %q", expr, all, note)
		}
	}
}

func notesOf(s *Set) string {
	var b strings.Builder
	for _, n := range s.Notes() {
		b.WriteString(n.Text + "\n")
	}
	return b.String()
}

// A derived tag that is left out is not there, just as a signal is not.
func TestDefaultOfALeftOutTag(t *testing.T) {
	b := newBench(t, `
derived:
  - {name: after, for: EV.EV3, dimension: temperature, meaning: x, expr: "default(this.hot, degC(44)) + this.extra"}
  - {name: extra, for: EV.EV3, dimension: temperature difference, meaning: x, expr: "default(this.hotter, K(1))"}
  - {name: hotter, for: EV.*, dimension: temperature difference, meaning: x, expr: this.hot - degC(90)}
  - {name: hot, for: EV.*, dimension: temperature, meaning: x, expr: this.juice_temperature + K(5)}
  - {name: past, for: EV.EV3, dimension: temperature, meaning: x, expr: 'avg(default(this.hot, degC(30)), "1m")'}
`, "alarms:\n  - name: a\n   "+texts+"    for: EV.*\n    when: this.hot > degC(100)\n")
	b.set("EV.EV1.juice_temperature", 98, plant.Good, t0)
	got, _ := b.scan(t0)
	for path, want := range map[string]float64{"EV.EV1.hot": 103, "EV.EV1.hotter": 13, "EV.EV3.after": 45, "EV.EV3.past": 30} {
		if p := b.value(path); p.Value != want || !p.Quality.IsGood() {
			t.Errorf("%s: %+v, want %g", path, p, want)
		}
	}
	if in := got["a.EV.EV1"]; in.Raise != plant.True {
		t.Errorf("alarm of body 1: %+v", in)
	}
	if _, there := got["a.EV.EV3"]; there {
		t.Error("an alarm on a tag that is left out")
	}
	for _, want := range []string{
		"stays without value: EV.EV3 has no juice_temperature",
		"stays without value: EV.EV3.hot is left out (EV.EV3 has no juice_temperature)",
		"left out: EV.EV3.hot is left out (EV.EV3 has no juice_temperature)",
	} {
		if all := notesOf(b.Set); !strings.Contains(all, want) {
			t.Errorf("no note %q in\n%s", want, all)
		}
	}
}

// How long a value has stood still may be asked where the vessel has none, and
// means nothing of a number that stands in the plant file.
func TestUnchangedWithoutAnInstrument(t *testing.T) {
	b := newBench(t, "alarms:\n  - name: a\n   "+texts+`    for: EV.*
    when: unchanged(this.level) > minutes(30) or default(unchanged(this.juice_temperature), minutes(0)) > minutes(60)
  - name: b
   `+texts+`    for: EV.*
    when: unchanged(this.in_service) > minutes(30)
`)
	for _, body := range []string{"EV.EV1", "EV.EV3"} {
		b.sample(body+".level", 50, t0)
	}
	for _, c := range []struct {
		after time.Duration
		want  plant.Truth
	}{{29 * time.Minute, plant.False}, {31 * time.Minute, plant.True}} {
		b.sample("EV.EV1.juice_temperature", 90+c.after.Minutes(), t0.Add(c.after))
		for _, body := range []string{"EV.EV1", "EV.EV3"} {
			b.sample(body+".level", 50, t0.Add(c.after))
		}
		got, _ := b.scan(t0.Add(c.after))
		for _, name := range []string{"a.EV.EV1", "a.EV.EV3"} {
			if in := got[name]; in.Raise != c.want {
				t.Errorf("%s after %s: %+v, want %v", name, c.after, in, c.want)
			}
		}
		if _, there := got["b.EV.EV1"]; there {
			t.Error("an alarm on a fixed value that does not change")
		}
	}
	if all := notesOf(b.Set); !strings.Contains(all, "left out: EV.EV1.in_service is a fixed value, no instrument") {
		t.Errorf("notes\n%s", all)
	}
}
