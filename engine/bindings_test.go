package engine

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"calandria/plant"
	"calandria/thermo/steam"
)

// kern is the table of the quintuple in Kern, Process Heat Transfer, example
// 14.4, as kept in testdata/examples/08 with its source.
type kern struct {
	Inputs struct {
		Body     []string
		Steam    []float64 `json:"steam_lb_h"`
		TSteam   []float64 `json:"T_steam_F"`
		TLiquor  []float64 `json:"T_liquor_F"`
		TVapour  []float64 `json:"T_vapour_F"`
		LiquorIn []float64 `json:"liquor_in_lb_h"`
		Out      []float64 `json:"liquor_out_lb_h"`
		BrixIn   float64   `json:"brix_in"`
		BrixOut  []float64 `json:"brix_out"`
		TJuiceIn float64   `json:"T_juice_in_F"`
	}
}

// bound is a signal with the line that binds it and what its node reads.
type bound struct {
	owner, name, binding string
	reading              plant.Reading
	still                bool
}

// kernHouse is the quintuple as a plant file and what its servers read; change
// may bind or read something wrongly.
func kernHouse(t *testing.T, change func(at func(path string) *bound)) (*plant.House, []plant.Reading) {
	t.Helper()
	data, err := os.ReadFile("../testdata/examples/08-kern-quintuple-sugar-U-from-tags.json")
	if err != nil {
		t.Fatal(err)
	}
	var k kern
	if err := json.Unmarshal(data, &k); err != nil {
		t.Fatal(err)
	}
	in := k.Inputs
	kPa := func(degF float64) float64 {
		p, err := steam.Psat(steam.Celsius((degF - 32) / 1.8))
		if err != nil {
			t.Fatal(err)
		}
		return float64(p)
	}
	var list []*bound
	add := func(owner, name, binding, unit string, value float64) {
		list = append(list, &bound{owner: owner, name: name, binding: binding,
			reading: plant.Reading{Title: owner + " " + name, Unit: unit, Low: math.NaN(), High: math.NaN(), Raw: []float64{value}}})
	}
	const barometer = 101.325
	add("EV", "steam_pressure", "unit: bar, reference: gauge", "bar", (kPa(in.TSteam[0])-barometer)/100)
	add("EV", "steam_temperature", "unit: degF", "°F", in.TSteam[0]+6)
	add("EV", "steam_flow", "unit: t/h", "t/h", (in.Steam[0]+in.Steam[1])*0.45359237e-3)
	add("EV", "juice_flow", "unit: t/h", "t/h", in.LiquorIn[0]*0.45359237e-3)
	add("EV", "syrup_flow", "unit: t/h", "", in.Out[5]*0.45359237e-3)
	add("EV", "juice_temperature", "unit: degF", "", in.TJuiceIn)
	add("EV", "juice_brix", "unit: Bx", "", in.BrixIn)
	add("EV", "syrup_brix", "unit: Bx", "", in.BrixOut[5])
	for i, b := range in.Body {
		e := "EV.B" + b
		if p := kPa(in.TVapour[i]); p > barometer {
			add(e, "vapour_pressure", "unit: bar, reference: gauge", "", (p-barometer)/100)
		} else {
			add(e, "vapour_pressure", "unit: kPa, reference: vacuum", "", barometer-p)
		}
		add(e, "vapour_temperature", "unit: degF", "", in.TVapour[i]+1)
		add(e, "juice_temperature", "unit: degF", "", in.TLiquor[i])
		add(e, "brix", "unit: Bx", "", in.BrixOut[i])
		add(e, "level", `unit: "%"`, "%", 40+3*float64(i))
	}
	if change != nil {
		change(func(path string) *bound {
			for _, b := range list {
				if b.owner+"."+b.name == path {
					return b
				}
			}
			t.Fatalf("no signal %s", path)
			return nil
		})
	}
	tags := func(owner, indent string) string {
		var s strings.Builder
		s.WriteString(indent + "tags:\n")
		for _, b := range list {
			if b.owner == owner {
				node := b.reading.Title
				if n, ok := strings.CutPrefix(node, "node "); ok {
					node = n
				}
				s.WriteString(fmt.Sprintf("%s  %s: {node: \"nsu=urn:k;s=%s\", %s}\n", indent, b.name, node, b.binding))
			}
		}
		return s.String()
	}
	var file strings.Builder
	file.WriteString("site: {name: K}\nopcua: {servers: [{name: k, endpoint: \"opc.tcp://h:4840\", policy: None}]}\nsets:\n  - name: EV\n" + tags("EV", "    ") + "    bodies:\n")
	for i, b := range in.Body {
		file.WriteString(fmt.Sprintf("      - name: B%s\n        effect: %d\n        heating_surface_m2: 400\n%s", b, max(1, i), tags("EV.B"+b, "        ")))
	}
	h, err := plant.Load("plant.yaml", []byte(file.String()))
	if err != nil {
		t.Fatal(err)
	}
	noise := rand.New(rand.NewPCG(1, 2))
	var readings []plant.Reading
	for _, b := range list {
		tag, ok := h.Find(b.owner + "." + b.name)
		if !ok {
			t.Fatalf("no tag %s.%s", b.owner, b.name)
		}
		r, value := b.reading, b.reading.Raw[0]
		r.Tag, r.Raw = tag.ID, nil
		for range 60 {
			x := value
			if !b.still {
				x *= 1 + 0.002*noise.NormFloat64()
			}
			r.Raw = append(r.Raw, x)
		}
		readings = append(readings, r)
	}
	return h, readings
}

func TestBindingsOfAGoodHouse(t *testing.T) {
	h, readings := kernHouse(t, nil)
	if found, cold := Bindings(h, readings); len(found) > 0 || len(cold) > 0 {
		t.Errorf("found %v, cold %v", found, cold)
	}
}

// Mistakes of a first day: common practice, no source.
func TestBindings(t *testing.T) {
	exchange := func(at func(string) *bound, x, y string) {
		at(x).reading, at(y).reading = at(y).reading, at(x).reading
	}
	for _, c := range []struct {
		name   string
		change func(at func(string) *bound)
		tag    string // the signal that has to be named, or its partner
		fix    string
	}{
		{"juice and syrup Brix exchanged", func(at func(string) *bound) { exchange(at, "EV.juice_brix", "EV.syrup_brix") }, "EV.juice_brix EV.syrup_brix", "exchange"},
		{"gauge forgotten on the steam", func(at func(string) *bound) { at("EV.steam_pressure").binding = "unit: bar" }, "EV.steam_pressure", "reference: gauge"},
		{"gauge forgotten on a body", func(at func(string) *bound) { at("EV.B1B.vapour_pressure").binding = "unit: bar" }, "EV.B1B.vapour_pressure", "reference: gauge"},
		{"vacuum taken as absolute", func(at func(string) *bound) { at("EV.B5.vapour_pressure").binding = "unit: kPa" }, "EV.B5.vapour_pressure", "reference: vacuum"},
		{"vacuum taken as gauge", func(at func(string) *bound) {
			at("EV.B4.vapour_pressure").binding = "unit: kPa, reference: gauge"
		}, "EV.B4.vapour_pressure", "reference: vacuum"},
		{"degrees Fahrenheit taken as Celsius", func(at func(string) *bound) { at("EV.B3.juice_temperature").binding = "unit: degC" }, "EV.B3.juice_temperature", "degF"},
		{"a unit other than the server's own", func(at func(string) *bound) { at("EV.steam_flow").binding = "unit: klb/h" }, "EV.steam_flow", "unit: t/h"},
		{"a unit other than what the flows give", func(at func(string) *bound) { at("EV.syrup_flow").binding = "unit: kg/h" }, "EV.syrup_flow", "unit: "},
		{"a set point bound as a flow, by its name", func(at func(string) *bound) { at("EV.juice_flow").reading.Title = "FIC101 SP" }, "EV.juice_flow", "measured value"},
		{"a set point bound as a flow, by standing still", func(at func(string) *bound) { at("EV.juice_flow").still = true }, "EV.juice_flow", "set point"},
		{"one node bound twice", func(at func(string) *bound) { at("EV.B3.brix").reading.Title = "EV.B4 brix" }, "EV.B3.brix EV.B4.brix", "node of this signal"},
		{"a second pair behind a first", func(at func(string) *bound) {
			at("EV.B2.brix").reading.Title = "EV.B1B brix"
			at("EV.B5.brix").reading.Title = "EV.B4 brix"
		}, "EV.B5.brix", "node of this signal"},
		{"two bodies' pressures exchanged", func(at func(string) *bound) {
			exchange(at, "EV.B3.vapour_pressure", "EV.B4.vapour_pressure")
		}, "EV.B3.vapour_pressure EV.B4.vapour_pressure EV.B3.vapour_temperature", ""},
		{"two bodies' juice temperatures exchanged", func(at func(string) *bound) {
			exchange(at, "EV.B2.juice_temperature", "EV.B5.juice_temperature")
		}, "EV.B2.juice_temperature EV.B5.juice_temperature", "exchange"},
		{"a level as a fraction", func(at func(string) *bound) {
			at("EV.B2.level").reading.Raw[0], at("EV.B2.level").reading.Unit = 0.43, ""
		}, "EV.B2.level", "unit: 1"},
		{"a temperature bound as a pressure", func(at func(string) *bound) {
			at("EV.B3.vapour_pressure").reading.Unit = "°C"
		}, "EV.B3.vapour_pressure", "another signal"},
		{"a normal range below zero", func(at func(string) *bound) {
			b := at("EV.B1A.vapour_pressure")
			b.binding, b.reading.Low, b.reading.High = "unit: bar", -1, 3
		}, "EV.B1A.vapour_pressure", "reference: gauge"},
	} {
		t.Run(c.name, func(t *testing.T) {
			h, readings := kernHouse(t, c.change)
			found, _ := Bindings(h, readings)
			hit := slices.ContainsFunc(found, func(m plant.Fault) bool {
				return slices.Contains(strings.Fields(c.tag), m.Field) && strings.Contains(m.Fix.String(), c.fix)
			})
			if !hit || len(found) > 2 {
				t.Errorf("found %d", len(found))
				for _, m := range found {
					t.Error(m)
				}
			}
		})
	}
}

func TestBindingsOfAColdSet(t *testing.T) {
	h, readings := kernHouse(t, func(at func(string) *bound) {
		for _, p := range []string{"EV.steam_temperature", "EV.juice_temperature"} {
			at(p).reading.Raw[0] = 80
		}
		for _, b := range []string{"1A", "1B", "2", "3", "4", "5"} {
			at("EV.B" + b + ".juice_temperature").reading.Raw[0], at("EV.B" + b + ".vapour_temperature").reading.Raw[0] = 80, 80
		}
	})
	if found, cold := Bindings(h, readings); len(found) > 0 || len(cold) != 1 {
		t.Errorf("found %v, cold %v", found, cold)
	}
}
