package setup

import (
	"encoding/json"
	"os"
	"strings"
	"testing"

	"calandria/plant"
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

// TestGains: how much surer a quantity would be with the missing juice meter is what it is
// where the meter is there.
func TestGains(t *testing.T) {
	h, _ := millOf(t, "indian")
	whole, _, err := h.work("plant.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for i := range h.Slots {
		if h.Slots[i].Signal.Name == "juice_volume_flow" {
			h.Slots[i].Chosen = nil
		}
	}
	_, _, gains, err := h.Worth("plant.yaml")
	if err != nil || len(gains) == 0 {
		t.Fatal(gains, err)
	}
	g := gains[0]
	if g.Signal != "EV.juice_flow" || g.Without < 1.5*g.With {
		t.Errorf("%+v", g)
	}
	if is := whole[g.Path].sigma; is < 0.6*g.With || is > 1.6*g.With {
		t.Errorf("%s is known to %.3g with the meter, foretold %.3g", g.Path, is, g.With)
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
