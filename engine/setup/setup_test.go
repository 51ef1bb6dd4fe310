package setup

import (
	"math"
	"slices"
	"strings"
	"testing"

	"calandria/plant"
)

// oddNodes is an invented server as several hands may have named it: letters of
// ISA-5.1, Spanish, Portuguese and English words, numbers of loops. Values are
// those of a quadruple in usual running (common practice, no source).
var oddNodes = []struct {
	path, name, description, unit string
	low, high, value              float64
	is                            string // the signal that it is; "" for none
}{
	{"PLC1/DB10", "PT_100", "presion vapor de escape", "bar", 0, 4, 1.05, "EV.steam_pressure"},
	{"PLC1/DB10", "FT_100", "caudal vapor de escape", "t/h", 0, 120, 62, "EV.steam_flow"},
	{"PLC1/DB10", "FIC_110_PV", "caudal jugo claro", "t/h", 0, 400, 231, "EV.juice_flow"},
	{"PLC1/DB10", "FIC_110_SP", "caudal jugo claro consigna", "t/h", 0, 400, 230, ""},
	{"PLC1/DB10", "TT_110", "temperatura jugo claro", "degC", 0, 150, 111.5, "EV.juice_temperature"},
	{"PLC1/DB10", "AT_110", "brix jugo claro", "Bx", 0, 30, 14.2, "EV.juice_brix"},
	{"PLC1/DB10", "AT_150", "brix meladura", "Bx", 0, 80, 63.8, "EV.syrup_brix"},
	{"Vaso1", "PT", "", "bar", -1, 2, 0.52, "EV.EV1.vapour_pressure"},
	{"Vaso2", "PT", "", "bar", -1, 2, 0.02, "EV.EV2.vapour_pressure"},
	{"Vaso3", "PT", "", "bar", -1, 2, -0.42, "EV.EV3.vapour_pressure"},
	{"Vaso4", "PT", "", "bar", -1, 2, -0.86, "EV.EV4.vapour_pressure"},
	{"Vaso1", "TT", "temperatura jugo", "degC", 0, 150, 112.4, "EV.EV1.juice_temperature"},
	{"Vaso2", "TT", "temperatura jugo", "degC", 0, 150, 102.1, "EV.EV2.juice_temperature"},
	{"Vaso3", "TT", "temperatura jugo", "degC", 0, 150, 88.0, "EV.EV3.juice_temperature"},
	{"Vaso4", "TT", "temperatura jugo", "degC", 0, 150, 58.5, "EV.EV4.juice_temperature"},
	{"Vaso1", "LIC", "nivel", "%", 0, 100, 41, "EV.EV1.level"},
	{"Vaso2", "LIC", "nivel", "%", 0, 100, 38, "EV.EV2.level"},
	{"Vaso3", "LIC", "nivel", "%", 0, 100, 35, "EV.EV3.level"},
	{"Vaso4", "LIC", "nivel", "%", 0, 100, 33, "EV.EV4.level"},
	{"Vaso3", "CE", "conductividad condensado", "uS/cm", 0, 500, 21, "EV.EV3.condensate_conductivity"},
	{"Condensador", "TT_in", "agua entrada", "degC", 0, 60, 29, "CD.water_inlet_temperature"},
	{"Condensador", "TT_out", "agua salida", "degC", 0, 60, 44, "CD.water_outlet_temperature"},
	{"Tacho1", "vacio", "presion de vapor", "kPa", 0, 101, 14, "P1.vapour_pressure"},
	{"Tacho2", "vacio", "presion de vapor", "kPa", 0, 101, 15, "P2.vapour_pressure"},
	{"Tacho1", "tempMasa", "temperatura masa cocida", "degC", 0, 120, 68, "P1.massecuite_temperature"},
	{"Tacho2", "tempMasa", "temperatura masa cocida", "degC", 0, 120, 66, "P2.massecuite_temperature"},
	{"Tacho1", "nivel", "nivel", "%", 0, 100, 55, "P1.level"},
	{"Tacho2", "nivel", "nivel", "%", 0, 100, 71, "P2.level"},
	{"Tacho1", "agitador", "corriente motor", "A", 0, 90, 41, "P1.stirrer_current"},
	{"Tacho1", "xv_desc", "valvula descarga", "%", 0, 100, 0, "P1.discharge_valve"},
	{"Molino", "molienda", "cana molida", "t/h", 0, 400, 240, "EV.cane_rate"},
	{"Calderas", "PT_900", "presion caldera 1", "bar", 0, 60, 42, ""},
	{"Calderas", "TT_905", "gases chimenea", "degC", 0, 400, 165, ""},
	{"Centrifugas", "II_77", "corriente centrifuga 3", "A", 0, 300, 120, ""},
	{"Agua", "LT_500", "nivel tanque agua", "%", 0, 100, 80, ""},
}

func oddHouse() *House {
	h := &House{Site: "Odd \"mill\"", BarometerKPa: 101.325, TimeZone: "UTC",
		Server: plant.ServerConfig{Name: "plant", Endpoint: "opc.tcp://h:4840", Policy: "None", Mode: "None"}}
	for _, n := range oddNodes {
		h.Nodes = append(h.Nodes, Node{ID: "nsu=urn:odd;s=" + n.path + "." + n.name, Path: n.path + "/" + n.name, Name: n.name,
			Description: n.description, Unit: n.unit, Range: []float64{n.low, n.high}, Value: n.value})
	}
	h.Vessels = []Vessel{{Class: plant.ClassSet, Name: "EV"}}
	for i, name := range []string{"EV1", "EV2", "EV3", "EV4"} {
		h.Vessels = append(h.Vessels, Vessel{Class: plant.ClassBody, Name: name, Owner: "EV", Effect: i + 1, SurfaceM2: 1500})
	}
	h.Vessels = append(h.Vessels, Vessel{Class: plant.ClassCondenser, Name: "CD"},
		Vessel{Class: plant.ClassPan, Name: "P1", Alias: "Tacho1", SurfaceM2: 200}, Vessel{Class: plant.ClassPan, Name: "P2", Alias: "Tacho2", SurfaceM2: 200})
	return h
}

// Most nodes are proposed for the signal that they are, none that is a set point
// or of another house; what is written loads.
func TestProposals(t *testing.T) {
	h := oddHouse()
	if n := NamesOf(plant.ClassBody, h.Nodes); !slices.Equal(n, []string{"Vaso1", "Vaso2", "Vaso3", "Vaso4"}) {
		t.Errorf("bodies %v", n)
	}
	if n := NamesOf(plant.ClassPan, h.Nodes); !slices.Equal(n, []string{"Tacho1", "Tacho2"}) {
		t.Errorf("pans %v", n)
	}
	h.Begin()
	right, named := 0, 0
	got := map[int]string{}
	for _, s := range h.Slots {
		if s.Chosen != nil {
			got[s.Chosen.Node] = h.Vessels[s.Vessel].Path() + "." + s.Signal.Name
		}
	}
	for i, n := range oddNodes {
		if n.is != "" {
			named++
			if got[i] == n.is {
				right++
				continue
			}
		}
		if got[i] != "" {
			t.Errorf("%s/%s is %q, proposed for %q", n.path, n.name, n.is, got[i])
		}
	}
	if right < named-2 {
		t.Errorf("%d of %d right", right, named)
	}
	text := h.File()
	house, err := plant.Load("plant.yaml", []byte(strings.Replace(text, `"rules/*.yaml"`, "", 1)))
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	// Gauge is read from the normal range, vacuum from nothing: the pressure of EV4.
	tag, _ := house.Find("EV.EV4.vapour_pressure")
	if v, _ := tag.Convert(-0.86, plant.Good); math.Abs(v-15.325) > 0.01 {
		t.Errorf("EV4 at %g kPa\n%s", v, text)
	}
}

// A triple whose server has areas, loops of four figures, set points beside the
// values, states as numbers, and its vessels only in folders and descriptions.
func TestProposalsByArea(t *testing.T) {
	nan := math.NaN()
	nodes := []struct {
		path, description, unit string
		low, high, value        float64
		is                      string
	}{
		{"Planta/Meteo/PT_900", "Presion barometrica", "hPa", 900, 1100, 1014, "site.barometer"},
		{"Planta/EVAP/FIC_3101/PV", "Flujo jugo claro a evaporacion", "t/h", 0, 250, 133, "EV.juice_flow"},
		{"Planta/EVAP/FIC_3101/SP", "Setpoint flujo jugo", "t/h", 0, 250, 135, ""},
		{"Planta/EVAP/TT_3103", "Temp jugo clarificado", "°C", 0, 150, 97.3, "EV.juice_temperature"},
		{"Planta/EVAP/TT_3103F", "Temp jugo F", "°F", 0, 300, nan, ""},
		{"Planta/EVAP/DT-3102", "Brix jugo claro", "", 0, 30, 15.6, "EV.juice_brix"},
		{"Planta/EVAP/DIC_3190/PV", "Brix meladura", "", 0, 80, 55.2, "EV.syrup_brix"},
		{"Planta/EVAP/PIC_3100/PV", "Presion vapor escape calandria 1", "bar", -1, 3, 0.33, "EV.steam_pressure"},
		{"Planta/EVAP/R1/PT_3111", "Presion vapor vegetal R1", "kPa", -100, 100, -3.1, "EV.EV1.vapour_pressure"},
		{"Planta/EVAP/R2/PT_3121", "Vacio cuerpo 2", "mmHg", 0, 760, 347, "EV.EV2.vapour_pressure"},
		{"Planta/EVAP/R3/PT_3131", "Vacio ultimo cuerpo", "mmHg", 0, 760, 634, "EV.EV3.vapour_pressure"},
		{"Planta/EVAP/R3/TT_3132", "Temp meladura R3", "°C", 0, 150, 58.3, "EV.EV3.juice_temperature"},
		{"Planta/EVAP/R1/XS_3115", "Limpieza R1", "", 0, 1, 0, "EV.EV1.cleaning"},
		{"Planta/EVAP/R3/XS_3135", "Limpieza R3", "", 0, 1, 0, "EV.EV3.cleaning"},
		{"Planta/TACHOS/T1/PT_4101", "Presion tacho 1", "kPa", 0, 120, 17.9, "T1.vapour_pressure"},
		{"Planta/TACHOS/T1/FV_4103", "Valvula vapor tacho 1", "%", 0, 100, 18, "T1.steam_valve"},
		{"Planta/TACHOS/T2/TT_4202", "Temp masa tacho 2", "°C", 0, 150, 65, "T2.massecuite_temperature"},
		{"Planta/TACHOS/T2/FT_4207", "Flujo vapor tacho 2", "t/h", 0, 40, 9.1, "T2.steam_flow"},
		{"Planta/EVAP/AI_77", "pH jugo", "", 0, 14, nan, ""},
	}
	h := &House{BarometerKPa: 101.3, TimeZone: "UTC", Server: plant.ServerConfig{Name: "plant", Endpoint: "opc.tcp://h:4840", Policy: "None", Mode: "None"}}
	for _, n := range nodes {
		h.Nodes = append(h.Nodes, Node{ID: "nsu=urn:x;s=" + n.path, Path: n.path, Name: n.path[strings.LastIndex(n.path, "/")+1:],
			Description: n.description, Unit: n.unit, Range: []float64{n.low, n.high}, Value: n.value})
	}
	bodies, pans := NamesOf(plant.ClassBody, h.Nodes), NamesOf(plant.ClassPan, h.Nodes)
	if !slices.Equal(bodies, []string{"R1", "R2", "R3"}) || !slices.Equal(pans, []string{"T1", "T2"}) {
		t.Fatalf("bodies %v, pans %v", bodies, pans)
	}
	h.Vessels = []Vessel{{Class: plant.ClassSite, Name: "site"}, {Class: plant.ClassSet, Name: "EV"}}
	for i, name := range []string{"EV1", "EV2", "EV3"} {
		h.Vessels = append(h.Vessels, Vessel{Class: plant.ClassBody, Name: name, Owner: "EV", Effect: i + 1, SurfaceM2: 900, Alias: bodies[i]})
	}
	h.Vessels = append(h.Vessels, Vessel{Class: plant.ClassPan, Name: "T1", SurfaceM2: 200}, Vessel{Class: plant.ClassPan, Name: "T2", SurfaceM2: 200})
	h.Begin()
	got := map[int]string{}
	for _, s := range h.Slots {
		if s.Chosen != nil {
			got[s.Chosen.Node] = h.Vessels[s.Vessel].Path() + "." + s.Signal.Name
		}
	}
	for i, n := range nodes {
		if got[i] != n.is {
			t.Errorf("%s is %q, proposed for %q", n.path, n.is, got[i])
		}
	}
	house, err := plant.Load("plant.yaml", []byte(strings.NewReplacer(`"rules/*.yaml"`, "", `name: ""`, "name: X").Replace(h.File())))
	if err != nil {
		t.Fatalf("%v\n%s", err, h.File())
	}
	if tag, ok := house.Find("site.barometer"); !ok {
		t.Errorf("no barometer in the plant file")
	} else if v, _ := tag.Convert(1014, plant.Good); math.Abs(v-101.4) > 1e-9 {
		t.Errorf("barometer at %g kPa", v)
	}
}

// A node belongs to one signal; a unit that cannot be is refused; what stands in a
// server's words stays in comments.
func TestChoose(t *testing.T) {
	h := oddHouse()
	h.Nodes = append(h.Nodes, Node{ID: "nsu=urn:x;s=a\"\n b: c", Path: "a\nb: 1", Name: "x", Unit: "°C", Value: math.NaN(), Description: "y\nz: 1"})
	h.Begin()
	slot := func(path string) int {
		for i, s := range h.Slots {
			if h.Vessels[s.Vessel].Path()+"."+s.Signal.Name == path {
				return i
			}
		}
		t.Fatalf("no slot %s", path)
		return 0
	}
	pt2 := 8
	if !h.Choose(slot("EV.EV1.vapour_pressure"), pt2) || h.Slots[slot("EV.EV2.vapour_pressure")].Chosen != nil {
		t.Error("the node was not taken over")
	}
	if h.Choose(slot("EV.EV1.level"), pt2) {
		t.Error("a pressure was taken for a level")
	}
	if !h.Choose(slot("EV.EV2.vapour_temperature"), len(h.Nodes)-1) {
		t.Error("no unit forbids that")
	}
	if _, err := plant.Load("plant.yaml", []byte(strings.Replace(h.File(), `"rules/*.yaml"`, "", 1))); err != nil {
		t.Errorf("odd words: %v", err)
	}
}
