package plant

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"
)

// Conversions against exact definitions.
func TestUnitConversion(t *testing.T) {
	for _, c := range []struct {
		d      Dimension
		unit   string
		in     float64
		want   float64
		source string
	}{
		{Pressure, "bar", 1, 100, "SI brochure 9th ed., table 8"},
		{Pressure, "mmHg", 760, 101.325, "ISO 80000-4 annex: conventional mmHg, 760 mmHg = 1 atm"},
		{Pressure, "psi", 14.6959487755, 101.325, "14.696 psi = 1 atm; NIST SP 811 table B.8"},
		{Pressure, "inHg", 29.9212524, 101.325, "NIST SP 811: conventional inHg 3.386389 kPa"},
		{Pressure, "kgf/cm2", 1, 98.0665, "NIST SP 811, exact"},
		{Temperature, "degF", 212, 100, "NIST SP 811, exact"},
		{Temperature, "K", 373.15, 100, "SI brochure, exact"},
		{TempDifference, "degF", 9, 5, "NIST SP 811, exact"},
		{MassFlow, "lb/h", 2204.6226218, 1, "NIST SP 811: 1 lb = 0.45359237 kg exactly"},
		{HeatTransfer, "Btu/(ft2.h.degF)", 100, 0.5678263, "NIST SP 811: 5.678263 W/(m2.K)"},
		{HeatTransfer, "kcal/(m2.h.K)", 1000, 1.163, "exact with kcal(IT) = 4186.8 J"},
		{SpecificEvap, "lb/(ft2.h)", 1, 4.882428, "NIST SP 811: lb and ft exact"},
		{Power, "Btu/h", 1e6, 293.07107, "NIST SP 811: Btu(IT)/h = 0.2930711 W"},
		{VolumeFlow, "gal/min", 1, 0.22712470704, "NIST SP 811: US gallon exact"},
	} {
		got, err := ToCanonical(c.d, c.unit, c.in)
		if err != nil || math.Abs(got-c.want) > 1e-6*math.Abs(c.want) {
			t.Errorf("%g %s = %v, %v; want %g (%s)", c.in, c.unit, got, err, c.want, c.source)
		}
	}
	_, err := ToCanonical(Pressure, "t/h", 1)
	var ue *UnitError
	if !errors.As(err, &ue) {
		t.Errorf("t/h as pressure: %v", err)
	}
}

func TestQuality(t *testing.T) {
	var none Quality
	if none.IsGood() || none.Usable() || !none.IsBad() || none.Code() != 0x80320000 {
		t.Error("the zero quality must read as no data")
	}
	if !Good.IsGood() || !Uncertain.Usable() || Uncertain.IsGood() || Bad.Usable() {
		t.Error("severity")
	}
	// OPC 10000-4, 7.39: unknown codes count by severity, info bits are kept.
	q := QualityOf(0x40FF0480)
	if !q.IsUncertain() || q.Code() != 0x40FF0480 {
		t.Error("unknown code", q)
	}
	if Worse(Good, none) != none || Worse(Uncertain, Bad) != Bad || Worse(Good, Uncertain) != Uncertain {
		t.Error("Worse")
	}
}

const small = `
site:
  name: Test house
  barometer_kpa: 100
opcua:
  servers:
    - {name: plc, endpoint: "opc.tcp://127.0.0.1:4840", policy: None}
sets:
  - name: EV
    tags:
      juice_flow: {node: "nsu=urn:x;s=F", unit: kg/s, accuracy_pct: 0.5}
      juice_brix: {value: 14, unit: Bx}
    bodies:
      - name: E1
        heating_surface_m2: 1000
        tags:
          vapour_pressure: {node: "nsu=urn:x;s=P1", unit: bar, reference: gauge, range: [-1, 3], accuracy: 0.01}
      - name: E2
        heating_surface_m2: 500
        tags:
          vapour_pressure: {node: "nsu=urn:x;s=a;b", unit: mmHg, reference: vacuum, range: [0, 760]}
          level: {node: "i=77", scale: 0.1, offset: -5}
tags:
  ambient: {node: "nsu=urn:x;s=T", unit: degF}
`

func TestLoad(t *testing.T) {
	h, err := Load("plant.yaml", []byte(small))
	if err != nil {
		t.Fatal(err)
	}
	check := func(path string, raw, want float64) {
		t.Helper()
		tag, ok := h.Find(path)
		if !ok {
			t.Fatalf("no tag %s", path)
		}
		if v, q := tag.Convert(raw, Good); math.Abs(v-want) > 1e-9 || !q.IsGood() {
			t.Errorf("%s: raw %g -> %g %s, want %g", path, raw, v, q, want)
		}
	}
	check("EV.juice_flow", 10, 36)
	check("EV.E1.vapour_pressure", 0.5, 150)                        // gauge: 100 + 50
	check("EV.E2.vapour_pressure", 630.5, 100-630.5*0.133322387415) // vacuum below the barometer
	check("EV.E2.level", 500, 45)
	check("ambient", 212, 100)
	tag, _ := h.Find("EV.E2.vapour_pressure")
	if math.Abs(tag.High-100) > 1e-9 || math.Abs(tag.Low-(100-101.325)) > 1e-3 {
		t.Errorf("vacuum range became %g..%g kPa", tag.Low, tag.High)
	}
	if v, q := tag.Convert(800, Good); !math.IsNaN(v) || q != BadOutOfRange {
		t.Errorf("out of range: %g %s", v, q)
	}
	for _, raw := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if v, q := tag.Convert(raw, Good); !math.IsNaN(v) || !q.IsBad() {
			t.Errorf("%g became %g %s", raw, v, q)
		}
	}
	if v, q := tag.Convert(1, BadSensorFailure); !math.IsNaN(v) || q != BadSensorFailure {
		t.Errorf("a bad reading became %g %s", v, q)
	}
	fixed, _ := h.Find("EV.juice_brix")
	if fixed.Source != Fixed || fixed.Value != 14 {
		t.Errorf("fixed value: %+v", fixed)
	}
	e1, _ := h.Equip("EV.E1")
	if e1.Body.Effect != 1 || e1.Parent.Class != ClassSet || e1.Tag("nothing") != NoTag {
		t.Errorf("equipment tree: %+v", e1)
	}
	if (&Frame{}).Point(NoTag).Usable() {
		t.Error("NoTag has a value")
	}
}

// Every fault is found in one pass and names its line and the fix.
func TestLoadFaults(t *testing.T) {
	bad := strings.NewReplacer(
		"heating_surface_m2: 1000", "heating_surface: 1000",
		"unit: kg/s", "unit: kg/s2",
		"reference: vacuum", "reference: vaccum",
		"nsu=urn:x;s=F", "ns=2;s=F",
		"unit: degF", "unit: degF, rang: [1, 2]",
		"barometer_kpa: 100", "barometer_kpa: high",
	).Replace(small)
	_, err := Load("plant.yaml", []byte(bad))
	var fs Faults
	if !errors.As(err, &fs) {
		t.Fatalf("no faults: %v", err)
	}
	for _, want := range []string{
		`plant.yaml:15:9: sets[0].bodies[0].heating_surface: unknown key; did you mean "heating_surface_m2"?`,
		`"kg/s2" is not a unit of mass flow`,
		`reference "vaccum" is not known`,
		`plant.yaml:24:`,
		`unknown key; did you mean "range"?`,
		`plant.yaml:4:18: site.barometer_kpa: "high" is not a number`,
	} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("missing %q in:\n%s", want, err)
		}
	}
	for _, f := range fs {
		if f.Line == 0 {
			t.Errorf("no line: %v", f)
		}
	}
	// The index form of a node id is refused with the way out.
	_, err = Load("plant.yaml", []byte(strings.Replace(small, "nsu=urn:x;s=F", "ns=2;s=F", 1)))
	if err == nil || !strings.Contains(err.Error(), "calandria browse") {
		t.Errorf("index node id: %v", err)
	}
}

func TestParseDuration(t *testing.T) {
	for in, want := range map[string]time.Duration{"3d": 72 * time.Hour, "90s": 90 * time.Second, "1h30m": 90 * time.Minute, "0": 0, "0.5d": 12 * time.Hour} {
		if got, err := ParseDuration(in); err != nil || got != want {
			t.Errorf("%s: %s, %v", in, got, err)
		}
	}
	for _, in := range []string{"", "x", "-1s", "NaNd", "-2d", "1e99d", "5"} {
		if _, err := ParseDuration(in); err == nil {
			t.Errorf("%q accepted", in)
		}
	}
}

func TestSignalNamesAreUnique(t *testing.T) {
	seen := map[string]bool{}
	for _, s := range Signals {
		k := string(s.Class) + "/" + s.Name
		if seen[k] {
			t.Errorf("%s is there twice", k)
		}
		seen[k] = true
		if s.Dimension != AnyDimension && s.Dimension.Canonical() == "" {
			t.Errorf("%s: dimension %q has no unit", k, s.Dimension)
		}
	}
}

func FuzzLoad(f *testing.F) {
	f.Add(small)
	f.Add("site: {name: x}\nsets: [{name: A, bodies: [{name: B}]}]")
	f.Add("a: &x [*x]")
	f.Add("pans: [{name: P, liquor_purity_pct: [1,2,3]}]")
	f.Fuzz(func(t *testing.T, s string) {
		h, err := Load("f.yaml", []byte(s))
		if (h == nil) == (err == nil) {
			t.Fatal("neither a house nor an error")
		}
		var fs Faults
		if err != nil && !errors.As(err, &fs) {
			t.Fatalf("not faults: %v", err)
		}
	})
}

// A fixed value is typed by a person: what cannot be is refused, in the words of
// the unit it was typed in. Limits by definition.
func TestFixedValues(t *testing.T) {
	file := func(tags string) []byte {
		return []byte(`site: {name: X, barometer_kpa: 101.3}
sets:
  - name: S
    tags: {` + tags + `}
    bodies:
      - {name: B1, heating_surface_m2: 100}
`)
	}
	for tags, want := range map[string]string{
		`juice_brix: {value: 145}`:                                 "145 Bx is no possible Brix",
		`juice_flow: {value: -3, unit: kg/s}`:                      "-3 kg/s is no possible mass flow",
		`steam_pressure: {value: -2, unit: bar, reference: gauge}`: "-2 bar is no possible pressure (-98.7 kPa)",
		`juice_temperature: {value: 1000}`:                         "1000 degC is no possible temperature",
	} {
		if _, err := Load("p.yaml", file(tags)); err == nil || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "p.yaml:4:") {
			t.Errorf("%s: %v, want %q", tags, err, want)
		}
	}
	if _, err := Load("p.yaml", file(`juice_brix: {value: 14.5}, steam_pressure: {value: 0.5, unit: bar, reference: gauge}`)); err != nil {
		t.Error(err)
	}
}

// What a person of another habit writes is answered with what to write.
func TestCures(t *testing.T) {
	for was, want := range map[string]string{
		"barometer_kpa: 101,3":              `"101,3" is not a number; write it with a point: 101.3`,
		"barometer_kpa: 101.3\n\tnote: x":   "a tab stands here, which YAML does not take; write spaces",
		"tags: {barometer: {unit: bar(a)}}": "write unit: bar, reference: absolute",
	} {
		if _, err := Load("plant.yaml", []byte("site:\n  name: X\n  "+was+"\n")); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", was, err, want)
		}
	}
}
