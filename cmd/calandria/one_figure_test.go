package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
)

// TestOneFigure: a figure is the same on every page, in the API and in the metrics. The
// plant moves on while they are asked: a figure may lie between what it was before and
// after, within what is rounded off.
func TestOneFigure(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts a server")
	}
	address := demoPages(t, "--days", "40")
	f := &placesSeen{t: t, address: address, known: map[string][2]float64{}}
	f.look()
	seen := f.everywhere()
	f.look()
	for _, path := range []string{"EV.economy", "EV.economy_measured", "EV.evaporation", "EV.syrup_brix", "EV.EV1.u", "EV.EV3.u", "EV.EV5.u", "EV.EV1.u_ratio", "EV.EV4.u_ratio", "EV.EV5.u_ratio",
		"EV.EV2.brix_out", "EV.EV4.cleaning_due", "EV.EV1.cleaning_due", "EV.EV5.vapour_pressure", "CD5.approach", "PA1.supersaturation"} {
		known, ok := f.known[path]
		if !ok {
			t.Errorf("the API has no value of %s", path)
			continue
		}
		low, high := known[0], known[1]
		spread := 1.5 * (high - low) // it was asked for now and then only
		places := map[string]bool{}
		for _, s := range seen {
			if s.path != path {
				continue
			}
			places[s.where] = true
			if s.value < low-spread-s.grain || s.value > high+spread+s.grain {
				t.Errorf("%s is %g on %s, and %g to %g in the API", path, s.value, s.where, low, high)
			}
		}
		want := 3 // metrics, the vessel, the instruments
		if strings.HasSuffix(path, ".u_ratio") {
			want = 6 // the house, cleaning as a page and in the API too
		}
		if len(places) < want {
			t.Errorf("%s stands in %d places only: %v", path, len(places), places)
		}
	}
}

// seenFigure is a figure as it stands somewhere, in the unit of the program; grain is what
// may be rounded off.
type seenFigure struct {
	path, where  string
	value, grain float64
}

type placesSeen struct {
	t       *testing.T
	address string
	known   map[string][2]float64 // least and most, from the API
}

func (f *placesSeen) get(path string) string {
	f.t.Helper()
	res, err := http.Get(f.address + path)
	if err != nil {
		f.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		f.t.Fatalf("GET %s: %d %v", path, res.StatusCode, err)
	}
	return regexp.MustCompile(`\s+`).ReplaceAllString(string(b), " ")
}

// look asks the API for all values.
func (f *placesSeen) look() {
	f.t.Helper()
	var p struct {
		Values []struct {
			Path  string
			Value *float64
		}
	}
	if err := json.Unmarshal([]byte(f.get("/api/v1/picture")), &p); err != nil {
		f.t.Fatal(err)
	}
	for _, v := range p.Values {
		if v.Value == nil {
			continue
		}
		k, seen := f.known[v.Path]
		if !seen {
			k = [2]float64{*v.Value, *v.Value}
		}
		f.known[v.Path] = [2]float64{min(k[0], *v.Value), max(k[1], *v.Value)}
	}
}

var (
	shownValue = regexp.MustCompile(`<span class="v [^"]*"[^>]*>([^<]+)`)
	keyedRow   = regexp.MustCompile(`<tr data-key="([^"]+)".*?</tr>`)
	tableRow   = regexp.MustCompile(`<tr[^>]*>.*?</tr>`)
	tableCell  = regexp.MustCompile(`<td[^>]*>.*?</td>`)
)

// shown reads a number of a page; scale is what it was multiplied by.
func shown(text string, scale float64) (v, grain float64, ok bool) {
	text = strings.TrimSpace(strings.ReplaceAll(text, "−", "-"))
	v, err := strconv.ParseFloat(text, 64)
	_, after, _ := strings.Cut(text, ".")
	return v / scale, 0.501 * math.Pow10(-len(after)) / scale, err == nil
}

func scaleOf(path string) float64 {
	if strings.HasSuffix(path, ".u_ratio") {
		return 100
	}
	return 1
}

// everywhere reads all places.
func (f *placesSeen) everywhere() (out []seenFigure) {
	add := func(path, where, text string) {
		if v, grain, ok := shown(text, scaleOf(path)); ok {
			out = append(out, seenFigure{path, where, v, grain})
		}
	}
	for _, page := range []string{"/vessel/EV", "/vessel/EV.EV1", "/vessel/EV.EV2", "/vessel/EV.EV3", "/vessel/EV.EV4", "/vessel/EV.EV5", "/vessel/CD5", "/vessel/PA1",
		"/instruments?show=all&of=EV", "/instruments?show=all&of=EV.EV1", "/instruments?show=all&of=EV.EV2", "/instruments?show=all&of=EV.EV3", "/instruments?show=all&of=EV.EV4",
		"/instruments?show=all&of=EV.EV5", "/instruments?show=all&of=CD5", "/instruments?show=all&of=PA1"} {
		f.look()
		where, _, _ := strings.Cut(strings.SplitN(page, "/", 3)[1], "?")
		for _, row := range keyedRow.FindAllStringSubmatch(f.get(page), -1) {
			if m := shownValue.FindStringSubmatch(row[0]); m != nil {
				add(row[1], where, m[1])
			}
		}
	}
	rows := map[string]string{"U": "u", "of clean U": "u_ratio", "Brix out": "brix_out", "vapour": "vapour_pressure"}
	house := f.get("/")
	for _, row := range tableRow.FindAllString(house, -1) {
		for label, name := range rows {
			if !strings.Contains(row, `<th scope="row">`+label+` <`) {
				continue
			}
			for i, cell := range tableCell.FindAllString(row, -1) {
				if m := shownValue.FindStringSubmatch(cell); m != nil {
					add(fmt.Sprintf("EV.EV%d.%s", i+1, name), "the house", m[1])
				}
			}
		}
	}
	for label, path := range map[string]string{"Economy": "EV.economy_measured", "Evaporation": "EV.evaporation", "Syrup": "EV.syrup_brix"} {
		if m := regexp.MustCompile(`<dt>` + label + ` ?(<small>[^<]*</small>)?</dt> ?<dd>.*?<span class="v [^"]*"[^>]*>([^<]+)`).FindStringSubmatch(house); m != nil {
			add(path, "the house", m[2])
		}
	}
	f.look()
	now := time.Now().UTC()
	for _, row := range keyedRow.FindAllStringSubmatch(f.get("/cleaning"), -1) {
		if m := shownValue.FindStringSubmatch(row[0]); m != nil {
			add(row[1]+".u_ratio", "cleaning", m[1])
		}
		if m := regexp.MustCompile(`<b>(\d+ \w+)</b> <small>in `).FindStringSubmatch(row[0]); m != nil { // a day of this year or the next
			day, err := time.Parse("2 Jan 2006", fmt.Sprint(m[1], " ", now.Year()))
			if err != nil {
				f.t.Fatal(err)
			}
			if day.Before(now.AddDate(0, -1, 0)) {
				day = day.AddDate(1, 0, 0)
			}
			out = append(out, seenFigure{row[1] + ".cleaning_due", "cleaning", day.Add(12*time.Hour).Sub(now).Hours() / 24, 0.52})
		}
	}
	var c struct {
		Bodies []struct {
			Body     string
			Forecast struct {
				Ratio float64
				Due   time.Time
			}
		}
	}
	if err := json.Unmarshal([]byte(f.get("/api/v1/cleaning?set=EV")), &c); err != nil {
		f.t.Fatal(err)
	}
	for _, b := range c.Bodies {
		out = append(out, seenFigure{b.Body + ".u_ratio", "the API of cleaning", b.Forecast.Ratio, 1e-9})
		if !b.Forecast.Due.IsZero() {
			out = append(out, seenFigure{b.Body + ".cleaning_due", "the API of cleaning", b.Forecast.Due.Sub(now).Hours() / 24, 0.01})
		}
	}
	return append(out, f.metrics()...)
}

// metrics reads those of quantities, by the parser of Prometheus.
func (f *placesSeen) metrics() (out []seenFigure) {
	res, err := http.Get(f.address + "/metrics")
	if err != nil {
		f.t.Fatal(err)
	}
	defer res.Body.Close()
	parser := expfmt.NewTextParser(model.LegacyValidation)
	all, err := parser.TextToMetricFamilies(res.Body)
	if err != nil {
		f.t.Fatal(err)
	}
	for name, unit := range map[string]struct {
		tail string
		per  float64 // of the program's unit
	}{"body_u_ratio": {"u_ratio", 1}, "body_u_watts_per_square_meter_kelvin": {"u", 1000}, "set_economy_ratio": {"economy", 1}, "set_economy_measured_ratio": {"economy_measured", 1}, "body_cleaning_due_seconds": {"cleaning_due", 86400},
		"body_vapour_pressure_pascals": {"vapour_pressure", 1000}, "set_evaporation_kilograms_per_second": {"evaporation", 1 / 3.6}, "condenser_approach_kelvin": {"approach", 1},
		"pan_supersaturation_ratio": {"supersaturation", 1}, "body_brix_out_ratio": {"brix_out", 0.01}, "set_syrup_brix_ratio": {"syrup_brix", 0.01}} {
		family := all["calandria_"+name]
		if family == nil {
			f.t.Logf("no metric calandria_%s", name)
			continue
		}
		for _, m := range family.Metric {
			labels := map[string]string{}
			for _, l := range m.Label {
				labels[l.GetName()] = l.GetValue()
			}
			owner := labels["set"] + labels["condenser"] + labels["pan"]
			if b := labels["body"]; b != "" {
				owner += "." + b
			}
			v := m.GetGauge().GetValue() / unit.per
			out = append(out, seenFigure{owner + "." + unit.tail, "metrics", v, 1e-9 + math.Abs(v)*1e-9})
		}
	}
	return out
}
