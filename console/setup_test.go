package console

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"calandria/engine/setup"
	"calandria/plant"
)

// oddServer is an invented server of forty variables, named in Spanish by loops and by
// places. Values are those of a quadruple in usual running (common practice, no source).
func oddServer() (nodes []setup.Node, is map[string]string) {
	is = map[string]string{}
	add := func(path, description, unit string, low, high, value float64, signal string) {
		id := "nsu=urn:odd;s=" + path
		nodes = append(nodes, setup.Node{ID: id, Path: path, Name: path[strings.LastIndex(path, "/")+1:], Description: description, Unit: unit, Range: []float64{low, high}, Value: value})
		if signal != "" {
			is[signal] = id
		}
	}
	add("DB10/PT_100", "presion vapor de escape", "bar", 0, 4, 1.05, "EV.steam_pressure")
	add("DB10/FT_100", "caudal vapor de escape", "t/h", 0, 120, 62, "EV.steam_flow")
	add("DB10/FIC_110_PV", "caudal jugo claro", "t/h", 0, 400, 231, "EV.juice_flow")
	add("DB10/FIC_110_SP", "caudal jugo claro consigna", "t/h", 0, 400, 230, "")
	add("DB10/TT_110", "temperatura jugo claro", "degC", 0, 150, 111.5, "EV.juice_temperature")
	add("DB10/AT_110", "brix jugo claro", "Bx", 0, 30, 14.2, "EV.juice_brix")
	add("DB10/AT_150", "brix meladura", "Bx", 0, 80, 63.8, "EV.syrup_brix")
	for i, p := range []float64{0.52, 0.02, -0.42, -0.86} {
		vaso, body := fmt.Sprintf("Vaso%d/", i+1), fmt.Sprintf("EV.EV%d.", i+1)
		add(vaso+"PT", "", "bar", -1, 2, p, body+"vapour_pressure")
		add(vaso+"TT", "temperatura jugo", "degC", 0, 150, []float64{112.4, 102.1, 88, 58.5}[i], body+"juice_temperature")
		add(vaso+"LIC", "nivel", "%", 0, 100, 41-3*float64(i), body+"level")
	}
	add("Condensador/TT_in", "agua entrada", "degC", 0, 60, 29, "CD.water_inlet_temperature")
	add("Condensador/TT_out", "agua salida", "degC", 0, 60, 44, "CD.water_outlet_temperature")
	for i := len(nodes); i < 40; i++ {
		add(fmt.Sprintf("Otros/XX_%d", i), "corriente centrifuga", "A", 0, 300, 120, "")
	}
	return nodes, is
}

// An empty site says on each page what to do next; from there a person comes to a plant
// file with one form, one press of a button for each vessel, and one more.
func TestFirstPlantFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "plant.yaml")
	m := newMill(t, time.Now())
	var err error
	if m.house, err = plant.Load(file, []byte("site: {name: New site}\n")); err != nil {
		t.Fatal(err)
	}
	m.picture = nil // of another house
	nodes, is := oddServer()
	h := newServer(t, m, Options{Logger: slog.New(slog.NewTextHandler(t.Output(), nil)), WritePlant: func(file, text string) error {
		if _, err := os.Stat(file); err == nil {
			return os.ErrExist
		}
		return os.WriteFile(file, []byte(text), 0o600)
	}, Browse: func(_ context.Context, sc *plant.ServerConfig, password string) ([]setup.Node, error) {
		if sc.User != "reader" || password != "secret" {
			t.Errorf("user %q, password %q", sc.User, password)
		}
		sc.PasswordFile = "secret-file"
		if sc.Endpoint != "opc.tcp://10.0.0.5:4840" || sc.Mode != "None" {
			t.Errorf("server %+v", sc)
		}
		return nodes, nil
	}}).Handler()
	for _, path := range []string{"/", "/alarms", "/trends", "/cleaning", "/record", "/instruments", "/rules"} {
		if body := ask(h, http.MethodGet, path, "", nil).Body.String(); !strings.Contains(body, `No equipment is configured`) || !strings.Contains(body, `href="/setup"`) {
			t.Errorf("%s does not say what to do next", path)
		}
	}
	post := func(path string, form url.Values, code int) string {
		t.Helper()
		w := ask(h, http.MethodPost, path, form.Encode(), nil)
		if w.Code != code {
			t.Fatalf("POST %s: %d\n%.2000s", path, w.Code, w.Body)
		}
		return w.Header().Get("Location") + w.Body.String()
	}
	first := url.Values{"endpoint": {"opc.tcp://10.0.0.5:4840"}, "policy": {"None"}, "user": {"reader"}, "password": {"secret"}, "site": {"Odd"}, "altitude": {"12,5"}, "surfaces": {"1500"}, "condensers": {"CD"}}
	first.Set("effects", "many")
	if body := post("/setup", first, http.StatusUnprocessableEntity); !strings.Contains(body, "many is no number") || !strings.Contains(body, `value="12,5"`) {
		t.Errorf("a wrong figure is not told beside what was typed: %.3000s", body)
	}
	first.Set("effects", "4")
	steps := 1
	for at := post("/setup", first, http.StatusSeeOther); at != "/setup"; steps++ {
		body := get(t, h, at, http.StatusOK)
		if at == "/setup?vessel=0" && !strings.Contains(body, "DB10/AT_110 [0–30 Bx]: 14.2 Bx") {
			t.Errorf("name, range and value are not shown: %.6000s", body)
		}
		form := url.Values{"vessel": {strings.TrimPrefix(at, "/setup?vessel=")}}
		if steps > 12 {
			t.Fatal("no end")
		}
		at = post("/setup/signals", form, http.StatusSeeOther)
	}
	out := get(t, h, "/setup", http.StatusOK)
	for _, want := range []string{"EV.evaporation", "EV.economy", "lt-vapour", ">EV4</text>"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not said: %.3000s", want, out)
		}
	}
	out = get(t, h, "/setup?costs=1", http.StatusOK)
	for _, want := range []string{"EV.EV1.vapour_temperature", "not worked out without it: temperature mismatch", "nothing that is worked out needs it"} {
		if !strings.Contains(out, want) {
			t.Errorf("of what missing instruments cost %q is not said", want)
		}
	}
	post("/setup/write", url.Values{}, http.StatusSeeOther)
	post("/setup/write", url.Values{}, http.StatusConflict)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(text), `password_file: "secret-file"`) || strings.Contains(string(text), `"secret"`) {
		t.Error("the user of the server is not written, or the password is")
	}
	house, err := plant.Load(file, text)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	for path, node := range is {
		if tag, ok := house.Find(path); !ok || tag.Node != node {
			t.Errorf("%s is bound to %v", path, tag)
		}
	}
	none := url.Values{"vessel": {"0"}}
	for k := range 20 {
		none.Set(fmt.Sprintf("node.%d", k), "-1")
	}
	post("/setup/signals", none, http.StatusSeeOther)
	if out := get(t, h, "/setup", http.StatusOK); !strings.Contains(out, "What missing instruments cost") {
		t.Error("what is lacking without the signals of the set is not said")
	}
	t.Logf("%d steps", steps+1)
}
