package setup

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"calandria/plant"
	"calandria/rules"
)

// Five invented mills of about forty variables each, named as English, Indian, Portuguese
// and Spanish houses may name them, and by numbers of loops alone. Names and values are common
// practice, no source. A wrong proposal costs a person more than none.
func TestOddMills(t *testing.T) {
	for name := range oddMills(t) {
		t.Run(name, func(t *testing.T) {
			h, m := millOf(t, name)
			got := map[int]Slot{}
			for _, s := range h.Slots {
				if s.Chosen != nil {
					got[s.Chosen.Node] = s
				}
			}
			right, named := 0, 0
			for i, n := range m.Nodes {
				s, ok := got[i]
				is := ""
				if ok {
					is = h.Vessels[s.Vessel].Path() + "." + s.Signal.Name
				}
				if n.Signal != "" {
					named++
				}
				switch {
				case is == n.Signal && is != "":
					right++
				case is != "":
					t.Errorf("%s (%s) is %q, proposed for %q", n.Path, n.Description, n.Signal, is)
				case n.Signal != "":
					t.Logf("%s (%s) is %q, not proposed", n.Path, n.Description, n.Signal)
				}
			}
			if t.Logf("%d of %d right", right, named); right*6 < named*5 {
				t.Error("too few are proposed")
			}
		})
	}
}

// TestCosts: each instrument of a mill is taken away by itself. What that is said to cost is
// what the mill with it has more, or has surer.
func TestCosts(t *testing.T) {
	const file = "plant.yaml"
	whole, _ := millOf(t, "indian")
	set, _ := whole.part(0)
	pan, _ := whole.part(slices.IndexFunc(whole.Vessels, func(v Vessel) bool { return v.Class == plant.ClassPan }))
	for _, h := range []House{set, pan} {
		is, core, err := h.work(file, nil, -1)
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range h.Slots {
			if s.Chosen == nil {
				continue
			}
			less := h
			less.Slots = slices.Clone(h.Slots)
			less.Slots[i].Chosen = nil
			was, _, err := less.work(file, nil, -1)
			var costs []Cost
			if err = errors.Join(err, less.costs(file, []int{i}, &costs)); err != nil {
				t.Fatal(err)
			}
			c := costs[0]
			var lost []string
			for _, tag := range core.House.Tags {
				if p := tag.Path; is[p].ok && !was[p].ok {
					lost = append(lost, p)
				}
			}
			slices.SortFunc(lost, byWorth)
			if !slices.Equal(c.Lost, lost) {
				t.Errorf("without %s: lost %v, foretold %v", c.Signal, except(lost, c.Lost), except(c.Lost, lost))
			}
			if c.Path != "" && (math.Abs(math.Log(was[c.Path].sigma/c.Without)) > 0.01 || math.Abs(math.Log(is[c.Path].sigma/c.With)) > 0.5) {
				t.Errorf("%s of %s: %.3g without and %.3g with it, foretold %.3g and %.3g", c.Path, c.Signal, was[c.Path].sigma, is[c.Path].sigma, c.Without, c.With)
			}
			t.Logf("%s: %s", c.Signal, Lines(costs)[0].Text)
		}
	}
}

func except(a, b []string) []string {
	return slices.DeleteFunc(slices.Clone(a), func(s string) bool { return slices.Contains(b, s) })
}

// TestCostsOfAll: each signal without an instrument is in one line, and what is said holds
// by how the quantities are made: supersaturation is reckoned from a purity, U of a pan from
// its steam, and conductivity enters no balance. An alarm of the library reads it.
func TestCostsOfAll(t *testing.T) {
	h, _ := millOf(t, "indian")
	for _, name := range []string{"evaporator", "vacuum", "pans", "system"} {
		data, err := os.ReadFile("../../deploy/rules/" + name + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		h.Library = append(h.Library, rules.File{Name: name + ".yaml", Data: data})
	}
	costs, err := h.Costs("plant.yaml")
	if err != nil {
		t.Fatal(err)
	}
	said := map[string]string{}
	for _, l := range Lines(costs) {
		for _, s := range l.Signals {
			if said[s] != "" {
				t.Errorf("%s is said twice", s)
			}
			said[s] = l.Text.String()
		}
	}
	for _, s := range h.Slots {
		if path := h.Vessels[s.Vessel].Path() + "." + s.Signal.Name; (said[path] == "") != (s.Chosen != nil) {
			t.Errorf("%s: %q", path, said[path])
		}
	}
	for path, want := range map[string]string{
		"PAN2.liquor_purity":             "not worked out without it: supersaturation",
		"PAN2.steam_flow":                "with the other missing instruments also: evaporation, U",
		"EV.EV3.condensate_conductivity": "nothing that is worked out needs it; alarms that read it: ",
		"CD1.water_flow":                 "only cross-checks",
		"EV.EV2.chest_temperature":       "gas depression",
		"EV.EV1.in_service":              "would go by it: evaporation",
		"EV.EV2.brix":                    "EV steam calculated is known to ± ",
		"PAN1.discharge_valve":           "phase found",
	} {
		if !strings.Contains(said[path], want) {
			t.Errorf("%s: %q, want %q", path, said[path], want)
		}
	}
}

type oddMill struct {
	Barometer  float64
	Bodies     int
	Condensers []string
	Pans       []string
	Nodes      []struct {
		Path, Description, Unit, Signal string
		Range                           []float64
		Value                           float64
	}
}

func oddMills(t *testing.T) (mills map[string]oddMill) {
	t.Helper()
	data, err := os.ReadFile("../../testdata/interop/odd-mills.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, &mills); err != nil {
		t.Fatal(err)
	}
	return mills
}

// millOf is the house of one, with what is proposed for it.
func millOf(t *testing.T, name string) (*House, oddMill) {
	t.Helper()
	m := oddMills(t)[name]
	h := &House{Site: "Odd", BarometerKPa: m.Barometer, TimeZone: "UTC", Server: plant.ServerConfig{Name: "s", Endpoint: "opc.tcp://127.0.0.1:1", Policy: "None", Mode: "None"}}
	for _, n := range m.Nodes {
		h.Nodes = append(h.Nodes, Node{ID: "nsu=urn:odd;s=" + n.Path, Path: n.Path, Name: n.Path[strings.LastIndex(n.Path, "/")+1:], Description: n.Description,
			Unit: n.Unit, Range: n.Range, Value: n.Value})
	}
	for e := range m.Bodies {
		h.AddBody(e+1, 0, 1, 1500, 0)
	}
	for _, c := range m.Condensers {
		h.Vessels = append(h.Vessels, Vessel{Class: plant.ClassCondenser, Name: c})
	}
	for _, p := range m.Pans {
		h.Vessels = append(h.Vessels, Vessel{Class: plant.ClassPan, Name: p, SurfaceM2: 250})
	}
	h.Begin()
	return h, m
}
