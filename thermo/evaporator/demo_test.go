package evaporator_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"calandria/thermo/evaporator"
	"calandria/thermo/liquor"
)

// plantFile is testdata/plant/plant.json: an invented quintuple whose states
// come from an independent steady-state model.
type plantFile struct {
	Inverse struct {
		U        []float64 `json:"U"`
		S        float64   `json:"S"`
		SigmaPct []float64 `json:"sigma_pct"`
	} `json:"inverse"`
	Config struct {
		Feed     float64   `json:"feed_t_h"`
		FeedBrix float64   `json:"bx_feed"`
		FeedC    float64   `json:"T_feed"`
		A        []float64 `json:"A"`
		U        []float64 `json:"U"`
		Bleed    []float64 `json:"bleed_t_h"`
		Loss     float64   `json:"loss"`
		Pipe     float64   `json:"dT_pipe"`
		Tube     []float64 `json:"tube_m"`
		Level    []float64 `json:"level"`
		Purity   float64   `json:"purity"`
		Header   float64   `json:"p_header"`
		Target   float64   `json:"bx_target"`
		P5       float64   `json:"p5"`
	} `json:"config"`
	Base          plantState            `json:"base"`
	Fouling       map[string]plantState `json:"fouling"`
	Upsets        map[string]plantUpset `json:"upsets"`
	Sensitivities map[string]map[string]float64
}

type plantState struct {
	Tc, Tj, Tv []float64
	BPE        []float64 `json:"bpe"`
	Q          []float64 `json:"q"`
	V, L, W, U []float64
	Brix       []float64 `json:"bx"`
	Flash      []float64 `json:"flash"`
	S          float64
	P0         float64   `json:"p0"`
	Pv         []float64 `json:"pv"`
	Evap       float64   `json:"evap"`
	Economy    float64   `json:"economy"`
	Spec       []float64 `json:"spec"`
	SpecTotal  float64   `json:"spec_tot"`
	DT         []float64 `json:"dT"`
	DTApp      []float64 `json:"dT_app"`
	Head       []float64 `json:"head"`
	RillieuxS  float64   `json:"rillieux_S"`
	Limited    bool      `json:"limited"`
	CWFlow     float64   `json:"cw_flow"`
	CWOut      float64   `json:"cw_out"`
	Approach   float64   `json:"approach"`
}

type plantUpset struct {
	Tags   map[string]float64 `json:"tags"`
	Closed struct {
		P0      float64 `json:"p0"`
		Brix    float64 `json:"bx5"`
		S       float64
		Limited bool `json:"limited"`
	} `json:"closed"`
}

func readPlant(tb testing.TB) plantFile {
	tb.Helper()
	data, err := os.ReadFile("../../testdata/plant/plant.json")
	if err != nil {
		tb.Fatal(err)
	}
	var p plantFile
	if err := json.Unmarshal(data, &p); err != nil {
		tb.Fatal(err)
	}
	return p
}

func demoSet(tb testing.TB, p plantFile) *evaporator.Set {
	tb.Helper()
	var bodies []evaporator.Body
	for i, a := range p.Config.A {
		bodies = append(bodies, evaporator.Body{Name: fmt.Sprintf("EV%d", i+1), Effect: i + 1, AreaM2: a, TubeLengthM: p.Config.Tube[i]})
	}
	d := evaporator.Conventions(bodies...)
	d.LossFraction, d.PipeLossK, d.PurityPct = p.Config.Loss, p.Config.Pipe, p.Config.Purity
	if d.Elevation != liquor.BatterhamNorgate || d.Heat != liquor.GeankoplisHeat {
		tb.Fatal("Conventions are not those of the demo plant")
	}
	s, err := evaporator.New(d)
	if err != nil {
		tb.Fatal(err)
	}
	return s
}

// demoTags returns the tags the demo plant has: six pressures, four bleeds, feed
// and syrup; accuracies as in the plant's description, section 7.
func demoTags(p plantFile, p0 float64, pv []float64, syrup float64) evaporator.Measurement {
	read := evaporator.Read
	m := evaporator.Measurement{
		JuiceTH:   read(p.Config.Feed, 0.004*p.Config.Feed),
		FeedBrix:  read(p.Config.FeedBrix, 0.10),
		FeedC:     read(p.Config.FeedC, 0.2),
		SyrupBrix: read(syrup, 0.20),
		SteamKPa:  read(p0, 0.2),
	}
	for i, b := range p.Config.Bleed {
		m.BleedTH[i] = read(b, 0.04*b)
	}
	for i, v := range pv {
		sigma := 0.2
		if v < 100 {
			sigma = 0.1
		}
		m.Bodies[i].VapourKPa = read(v, sigma)
		m.Bodies[i].LevelPct = read(100*p.Config.Level[i], 1)
	}
	return m
}

func near(tb testing.TB, what string, got, want, rel float64) {
	tb.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		tb.Errorf("%s = %.8g, want %.8g (off by %.2g, allowed %.2g relative)", what, got, want, math.Abs(got/want-1), rel)
	}
}

func value(tb testing.TB, what string, r evaporator.Result) float64 {
	tb.Helper()
	if !r.OK() {
		tb.Errorf("%s is absent: %s", what, r.Reason)
		return math.NaN()
	}
	return r.Value
}
