package console

import (
	"cmp"
	"context"
	"errors"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/series"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/rules"
	"calandria/thermo"
	"calandria/thermo/condenser"
	"calandria/thermo/fouling"
	"calandria/thermo/pan"
)

// fakeMill is a Backend without a plant behind it: fixed values of an invented
// mill, and a real alarm engine, so that commands do what they will do.
type fakeMill struct {
	past    Past
	mu      sync.Mutex
	house   *plant.House
	specs   []plant.AlarmSpec
	engine  *alerting.Engine
	events  []plant.Event
	picture *engine.Picture
	changed chan struct{}
	values  map[string]float64
	// unrecorded: the journal cannot be written.
	unrecorded bool
	broken     error // Trend and Events answer with it
	planned    []thermo.Planned

	cleanings []plant.Cleaning
	hostile   string // Explain answers with it
	trial     *engine.Trial
	noTrials  bool
	chosen    *ReferenceChoice
	lab       *StrikeLab
	insight   bool // an instrument contradicts the others, and a vacuum is poor
	viewed    string
	chose     map[string]string // to see, by person

	t         testing.TB
	archiving sync.Mutex
	archive   *historian.Archive
	filled    map[string]bool
}

// derived are the calculated tags of the fixture by class.
var derived = map[plant.Class][]struct {
	name string
	dim  plant.Dimension
	what words.Text
}{
	plant.ClassSet: {
		{"juice_in_flow", plant.MassFlow, "clear juice to the set, as the balances use it"},
		{"evaporation", plant.MassFlow, "water evaporated by the set"},
		{"economy", plant.Ratio, "water evaporated per steam"},
		{"total_temperature_difference", plant.TempDifference, "first calandria less last vapour space"},
	},
	plant.ClassBody: {
		{"chest_saturation_temperature", plant.Temperature, "condensing temperature in the calandria"},
		{"vapour_saturation_temperature", plant.Temperature, "saturation temperature of the vapour space"},
		{"boiling_temperature", plant.Temperature, "boiling juice"},
		{"boiling_point_elevation", plant.TempDifference, "rise of the boiling point by dissolved solids"},
		{"evaporation", plant.MassFlow, "water evaporated in the body"},
		{"brix_out", plant.BrixDim, "Brix of the juice leaving the body, calculated"},
		{"u", plant.HeatTransfer, "heat-transfer coefficient"},
		{"u_ratio", plant.Ratio, "U over U of the clean body"},
		{"scale_resistance", plant.ThermalResist, "resistance added since the body was clean"},
	},
	plant.ClassCondenser: {
		{"saturation_temperature", plant.Temperature, "saturation temperature of the vapour"},
		{"approach", plant.TempDifference, "vapour less tail water"},
		{"rise", plant.TempDifference, "tail water less injection water"},
	},
	plant.ClassPan: {
		{"supersaturation", plant.Ratio, "supersaturation of the mother liquor"},
		{"boiling_point_elevation", plant.TempDifference, "rise of the boiling point of the mother liquor"},
		{"evaporation", plant.MassFlow, "water evaporated in the pan"},
	},
}

// fixture values: an invented mill some ten days after a cleaning, with air
// leaking into the last condenser. They are for looking at, no reference.
func fixtureValues() map[string]float64 {
	v := map[string]float64{
		"EV.header_pressure": 239.6, "EV.steam_pressure": 227.2, "EV.steam_flow": 41.9, "EV.juice_flow": 129.7, "EV.juice_temperature": 103.8,
		"EV.juice_brix": 14.02, "EV.syrup_brix": 61.3, "EV.juice_in_flow": 129.7, "EV.evaporation": 100.06, "EV.economy": 2.389,
		"EV.total_temperature_difference": 62.9, "EV.EV1.pans.flow": 15.2,
		"CD5.saturation_temperature": 61.8, "CD5.water_inlet_temperature": 30.4, "CD5.water_outlet_temperature": 46.1, "CD5.approach": 15.7, "CD5.rise": 15.7,
		"CDA.water_inlet_temperature": 30.4, "CDA.water_outlet_temperature": 47.2, "CDA.approach": 8.1, "CDA.saturation_temperature": 55.3, "CDA.rise": 16.8,
		"CDB.water_inlet_temperature": 30.4, "CDB.water_outlet_temperature": 45.9, "CDB.approach": 8.0, "CDB.saturation_temperature": 53.9, "CDB.rise": 15.5,
		"CDC.water_inlet_temperature": 30.4, "CDC.water_outlet_temperature": 44.6, "CDC.approach": 8.1, "CDC.saturation_temperature": 52.7, "CDC.rise": 14.2,
	}
	chest := []float64{124.2, 115.8, 108.2, 98.7, 83.4}
	vapour := []float64{116.1, 108.5, 99.0, 83.7, 62.0}
	rise := []float64{0.43, 0.60, 0.87, 1.42, 3.05}
	ratio := []float64{0.94, 0.93, 0.91, 0.86, 0.71}
	clean := []float64{2.5, 2.2, 1.8, 1.3, 0.7}
	kpa := []float64{174.8, 136.2, 97.8, 54.8, 21.9}
	brix := []float64{20.1, 26.0, 34.1, 45.2, 61.3}
	evap := []float64{38.6, 20.7, 17.0, 13.4, 10.4}
	for i := range chest {
		b := "EV.EV" + string(rune('1'+i)) + "."
		v[b+"chest_saturation_temperature"], v[b+"vapour_saturation_temperature"] = chest[i], vapour[i]
		v[b+"boiling_point_elevation"], v[b+"boiling_temperature"] = rise[i], vapour[i]+rise[i]
		v[b+"u_ratio"], v[b+"u"], v[b+"scale_resistance"] = ratio[i], ratio[i]*clean[i], (1/ratio[i]-1)/clean[i]
		v[b+"vapour_pressure"], v[b+"vapour_temperature"], v[b+"juice_temperature"] = kpa[i], vapour[i]+0.1, vapour[i]+rise[i]
		v[b+"brix_out"], v[b+"evaporation"], v[b+"level"], v[b+"condensate_conductivity"], v[b+"cleaning"] = brix[i], evap[i], 36+2*float64(i), 17+float64(i), 0
	}
	for i, p := range []string{"PA1.", "PB1.", "PC1."} {
		v[p+"vapour_pressure"] = []float64{15.9, 14.8, 14.1}[i]
		v[p+"massecuite_temperature"] = []float64{63.1, 62.6, 62.2}[i]
		v[p+"level"] = []float64{74, 48, 61}[i]
		v[p+"massecuite_brix"] = []float64{89.8, 85.4, 86.5}[i]
		v[p+"steam_flow"] = []float64{15.1, 3.6, 2.3}[i]
		v[p+"supersaturation"] = []float64{1.12, 1.16, 1.24}[i]
		v[p+"boiling_point_elevation"] = []float64{7.8, 8.6, 9.7}[i]
		v[p+"evaporation"] = []float64{14.6, 3.4, 2.1}[i]
	}
	return v
}

func fixtureSpecs() []plant.AlarmSpec {
	num := func(v float64) *float64 { return &v }
	return []plant.AlarmSpec{
		{Name: "EV5_vacuum_low", File: "vacuum.yaml", Line: 12, Title: "Vacuum of body 5 is falling", Source: "EV.EV5", Area: "evaporator", Priority: plant.PriorityHigh, Class: "process",
			Cause:       "Air leaking into the body or its condenser, too little injection water, or the vacuum pump in trouble.",
			Consequence: "The last body boils hotter: less evaporation, thin syrup, and colour in the syrup.",
			Response:    "Compare the condenser's approach and its tail water.\nApproach large and tail water cool: look for air (glands, sight glasses, the pump).\nTail water hot: look for water (valve, screen, pump).",
			Verify:      "Read the vacuum gauge at the body and the thermometer in the tail pipe.", Hazard: "Hot liquor and steam behind sight glasses and glands; a vessel under vacuum can draw in what is loose.",
			Procedure: "Loss of vacuum, revision 4", Topic: "vacuum loss", Document: "testdata/procedures/vacuum.md", Respond: 10 * time.Minute, Setpoint: num(20), Unit: "kPa", MaxShelve: 2 * time.Hour},
		{Name: "EV2_level_low", Title: "Juice level of body 2 is very low", Source: "EV.EV2", Area: "evaporator", Priority: plant.PriorityUrgent, Class: "process",
			Cause: "Juice supply lost, or the level valve stuck open.", Consequence: "Tubes run dry: sugar burns on, scale, lost evaporation.",
			Response: "Restore juice to the body. If that fails, take steam off by the site's procedure.", Verify: "Sight glass of the body.",
			Hazard: "Steam and hot liquor.", Procedure: "Site procedure: number to be filled in by the site", Respond: 3 * time.Minute, Setpoint: num(10), Unit: "%", MaxShelve: time.Hour},
		{Name: "EV_syrup_brix_low", Title: "Syrup is thin", Source: "EV", Area: "evaporator", Priority: plant.PriorityMedium, Class: "process",
			Cause: "Scale, poor vacuum, low steam pressure, or too much juice.", Consequence: "The pans must evaporate the rest at their own, higher steam use.",
			Response: "Look for the reason on the ladder; raise steam pressure or reduce juice within the site's limits.", Respond: 30 * time.Minute, Setpoint: num(62), Unit: "Bx"},
		{Name: "EV5_cleaning_due", Title: "Body 5 is due for cleaning", Source: "EV.EV5", Area: "evaporator", Priority: plant.PriorityLow, Class: "process",
			Cause: "Scale on the tubes.", Consequence: "Steam use rises; the set reaches the header pressure and loses Brix.", Response: "Plan the cleaning with the shift foreman.", Respond: 8 * time.Hour,
			Hazard: "Cleaning means caustic or acid and vessel entry: only by the site's permit and licensed practice."},
		{Name: "PC1_supersaturation_high", Title: "Supersaturation of pan C 1 is high", Source: "PC1", Area: "pans", Priority: plant.PriorityMedium, Class: "process",
			Cause: "Feed too slow for the evaporation, or movement water shut.", Consequence: "False grain; the strike purges badly.", Response: "Ease the steam or give movement water.", Respond: 10 * time.Minute, Setpoint: num(1.2), Unit: "1"},
		{Name: "EV3_thermometer", Title: "Vapour thermometer of body 3 has failed", Source: "EV.EV3", Area: "evaporator", Priority: plant.PriorityLow, Class: "instrument",
			Cause: "Open circuit.", Consequence: "A check on the pressure gauge is lost.", Response: "Call the instrument workshop.", Respond: 8 * time.Hour},
		{Name: "CDA_approach_high", Title: "Approach of condenser A is large", Source: "CDA", Area: "pans", Priority: plant.PriorityMedium, Class: "process",
			Cause: "Air leaking in.", Consequence: "Poor vacuum on the pan.", Response: "Look for air.", Respond: 20 * time.Minute, Setpoint: num(12), Unit: "K"},
		{Name: "EV4_level_high", Title: "Juice level of body 4 is high", Source: "EV.EV4", Area: "evaporator", Priority: plant.PriorityMedium, Class: "process",
			Cause: "Outlet throttled.", Consequence: "Carry-over.", Response: "Open the outlet.", Respond: 10 * time.Minute, Setpoint: num(70), Unit: "%"},
	}
}

// newMill makes the fixture at a moment.
func newMill(t testing.TB, now time.Time) *fakeMill {
	t.Helper()
	data, err := os.ReadFile("testdata/plant.yaml")
	if err != nil {
		t.Fatal(err)
	}
	h, err := plant.Load("plant.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range slices.Clone(h.Equipment) {
		for _, d := range derived[e.Class] {
			if _, err := h.AddTag(plant.Tag{Path: e.Path + "." + d.name, Owner: e.Path, Class: e.Class, Name: d.name, Dimension: d.dim, Meaning: d.what, Source: plant.Derived}); err != nil {
				t.Fatal(err)
			}
		}
	}
	m := &fakeMill{t: t, house: h, specs: fixtureSpecs(), changed: make(chan struct{}), values: fixtureValues(), chose: map[string]string{}}
	m.engine, err = alerting.New(m.specs)
	if err != nil {
		t.Fatal(err)
	}
	raise := func(name string, ago time.Duration, value float64) {
		m.feed(name, now.Add(-ago), plant.True, value)
	}
	do := func(c alerting.Command, ago time.Duration) {
		if err := m.engine.Do(c, now.Add(-ago)); err != nil {
			t.Fatal(err)
		}
	}
	for _, s := range m.specs {
		m.feed(s.Name, now.Add(-3*time.Hour), plant.False, math.NaN())
	}
	raise("EV5_cleaning_due", 95*time.Minute, 0.77)
	do(alerting.Command{Action: alerting.Acknowledge, Alarm: "EV5_cleaning_due", User: "A. Day"}, 90*time.Minute)
	raise("CDA_approach_high", 65*time.Minute, 12.4)
	do(alerting.Command{Action: alerting.TimedShelve, Alarm: "CDA_approach_high", User: "A. Day", Reason: "gland being packed", Duration: 2 * time.Hour}, 60*time.Minute)
	raise("EV3_thermometer", 50*time.Minute, math.NaN())
	do(alerting.Command{Action: alerting.RemoveFromService, Alarm: "EV3_thermometer", User: "B. Night", Reason: "workshop called"}, 45*time.Minute)
	raise("EV_syrup_brix_low", 21*time.Minute, 61.7)
	do(alerting.Command{Action: alerting.Acknowledge, Alarm: "EV_syrup_brix_low", User: "B. Night", Comment: "steam raised to the header"}, 19*time.Minute)
	i, _ := m.engine.Index("EV4_level_high")
	m.engine.SuppressWhile(i, "plant state", plant.True, "set is being thinned out", now.Add(-15*time.Minute))
	raise("PC1_supersaturation_high", 6*time.Minute, 1.22)
	raise("EV5_vacuum_low", 4*time.Minute, 20.3)
	m.engine.Advance(now)
	m.record(now)
	m.publish(now)
	return m
}

func (m *fakeMill) feed(name string, at time.Time, raise plant.Truth, value float64) {
	i, ok := m.engine.Index(name)
	if !ok {
		panic("no alarm " + name)
	}
	m.engine.Feed(i, plant.AlarmInput{Time: at, Raise: raise, Hold: raise, Quality: plant.Good, Value: value})
}

func (m *fakeMill) record(now time.Time) {
	for _, e := range m.engine.Drain() {
		e.Seq, e.Received = uint64(len(m.events)+1), now
		m.events = append(m.events, e)
	}
}

// publish makes a new picture of the moment.
func (m *fakeMill) publish(now time.Time) {
	h := m.house
	p := &engine.Picture{At: now, Seq: uint64(len(m.events)), Frame: plant.NewFrame(len(h.Tags)), Reasons: map[plant.TagID]words.Text{}, How: map[plant.TagID]engine.Origin{},
		Sigma: map[plant.TagID]float64{}, Usual: map[plant.TagID]thermo.Band{}, Alarms: m.engine.Snapshot(),
		Sources: []engine.Source{{Name: "mill", Connected: true, Since: now.Add(-5 * time.Hour)}},
		Health:  []engine.Health{{Name: "archive", OK: true, Text: "written a second ago"}, {Name: "journal", OK: true, Text: "in order"}}}
	p.Frame.At = now
	for i := range h.Tags {
		t := &h.Tags[i]
		v, ok := m.values[t.Path]
		if !ok {
			p.Frame.Points[i] = plant.BadPoint(now, plant.BadNoData)
			continue
		}
		p.Frame.Points[i] = plant.Point{Time: now.Add(-time.Second), Value: v, Quality: plant.Good}
		if t.Source == plant.Derived {
			p.How[t.ID], p.Sigma[t.ID] = engine.Origin{How: "balanced from flow and Brix"}, math.Abs(v)*0.016
		}
		switch {
		case slices.Contains([]string{"supersaturation", "massecuite_temperature", "massecuite_brix", "vapour_pressure"}, t.Name) && t.Class == plant.ClassPan:
			p.Usual[t.ID] = thermo.Band{Low: 0.96 * v, High: 1.05 * v, Mean: v, Strike: true}
		case slices.Contains([]string{"vapour_pressure", "juice_temperature", "approach", "economy"}, t.Name):
			p.Usual[t.ID] = thermo.Band{Low: 0.97 * v, High: 1.02 * v, Mean: v}
		}
	}
	set := func(path string, q plant.Quality, reason string) {
		t, ok := h.Find(path)
		if !ok {
			panic("no tag " + path)
		}
		pt := &p.Frame.Points[t.ID]
		pt.Quality = q
		if q.IsBad() {
			*pt = plant.BadPoint(now.Add(-50*time.Minute), q)
		}
		if reason != "" {
			p.Reasons[t.ID] = words.Text(reason)
		}
	}
	set("EV.EV3.vapour_temperature", plant.BadSensorFailure, "")
	set("EV.EV4.level", plant.UncertainSensor, "")
	set("CDB.approach", plant.BadNoData, "needs the vapour pressure of the condenser, which is not measured")
	// Lengths of the phases of a usual strike, min.
	usual := func(lengths ...int) *pan.Strike { return strikeOfLengths(now.Add(-24*time.Hour), lengths...) }
	running := func(ago, charge, concentrate int) *pan.Strike {
		x := strikeOfLengths(now.Add(-time.Duration(ago)*time.Minute), charge, concentrate, 0)
		x.Phases[2].End, x.End = time.Time{}, time.Time{}
		return x
	}
	p.Strikes = []thermo.Strike{
		{Pan: "PA1", Running: running(85, 12, 15), Usual: usual(12, 15, 99, 27, 18, 27)},
		{Pan: "PB1", Running: running(46, 18, 24), Usual: usual(18, 24, 198, 48, 24)},
		{Pan: "PC1", Running: running(240, 24, 36), Usual: usual(24, 36, 318, 96, 36)},
	}
	if m.insight {
		p.Suspects = []thermo.Suspect{{Set: "EV", What: "EV2 vapour pressure", Tags: []string{"EV.EV2.vapour_pressure"}, Bias: -6.31, Sigma: 1.2, Z: 5.26, Unit: "kPa", Alike: []string{"EV.EV2.vapour_temperature"},
			Since: now.Add(-3 * time.Hour), Text: "EV.EV2.vapour_pressure seems to read 6.3 kPa low (± 1.2, z 5.3), or it is EV.EV2.vapour_temperature: the balances cannot tell them apart"}}
	}
	p.Checks = []thermo.InstrumentCheck{
		{Set: "EV", What: "syrup Brix", Tags: []string{"EV.syrup_brix"}, Smallest: 0.49, Unit: "Bx", By: "the boiling-point elevation, a new error"},
		{Set: "EV", What: "EV2 level", Tags: []string{"EV.EV2.level"}, Smallest: math.Inf(1), Unit: "%"},
	}
	cause := func(name condenser.Cause, k float64, what words.Text, is, usual float64) condenser.Finding {
		return condenser.Finding{Cause: name, ExplainsK: k, ExplainKPa: k * 0.7, CheckFirst: "pump, strainer and valve",
			Evidence: []condenser.Evidence{{What: what, Now: is, Normal: usual, Unit: "K"}, {What: "water in", Now: 31.2, Normal: 30.9, Unit: "°C"}}}
	}
	p.Vacuum = []thermo.Vacuum{{Condenser: "CD5", At: now, OK: true, Learned: 5 * time.Hour, Diagnosis: condenser.Diagnosis{RiseKPa: 0.2, RiseK: 0.3}},
		{Condenser: "CDA", Reason: "the condenser is not at work"}}
	if m.insight {
		p.Vacuum[0] = thermo.Vacuum{Condenser: "CD5", At: now, OK: true, Text: "too little cooling water explains 4.2 K",
			Diagnosis: condenser.Diagnosis{RiseKPa: 4.6, RiseK: 6.1, UnexplainedK: 1.9,
				Findings: []condenser.Finding{cause("too little cooling water", 4.2, "rise", 14.1, 9.9), cause("air or gas", 1.7, "approach", 7.2, 5.5)}}}
		p.Vacuum[0].Diagnosis.Findings[1].Doubt = "the gas temperature would decide"
	}
	m.picture = p
	close(m.changed)
	m.changed = make(chan struct{})
}

func (m *fakeMill) House() *plant.House      { return m.house }
func (m *fakeMill) Specs() []plant.AlarmSpec { return m.specs }

func (m *fakeMill) Picture() *engine.Picture {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.picture
}

func (m *fakeMill) Changed() <-chan struct{} {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.changed
}

// step changes the mill and publishes.
func (m *fakeMill) step(f func(now time.Time)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	now := time.Now()
	f(now)
	m.record(now)
	m.publish(now)
}

func (m *fakeMill) Do(_ context.Context, c alerting.Command) error {
	var err error
	m.step(func(now time.Time) { err = m.engine.Do(c, now) })
	if err == nil && m.unrecorded {
		err = engine.ErrNotOnRecord
	}
	return err
}

func (m *fakeMill) Trend(_ context.Context, path string, from, to time.Time, points int) ([]plant.Bucket, error) {
	if m.broken != nil {
		return nil, m.broken
	}
	tag, ok := m.house.Find(path)
	if !ok {
		return nil, errors.New("SELECT value FROM /var/lib/secret: no such tag")
	}
	v := m.values[path]
	var s []plant.Bucket
	step := to.Sub(from) / time.Duration(points)
	for i := range points {
		at := from.Add(step * time.Duration(i))
		x := float64(i) / float64(points)
		mean := v * (1 + 0.01*math.Sin(23*x+float64(tag.ID)) + 0.004*math.Sin(91*x))
		width := math.Abs(v) * 0.004
		if strings.HasSuffix(path, "supersaturation") {
			mean = v - 0.12*math.Exp(-6*x) + 0.02*math.Sin(40*x)
		}
		b := plant.Bucket{PercentGood: 100, Start: at, Min: mean - width, Max: mean + width, Mean: mean}
		if i == points*2/3 {
			b.Max = mean + 12*width // a spike
		}
		if i > points/4 && i < points/4+points/20 && points > 100 {
			continue // a hole
		}
		s = append(s, b)
	}
	return s, nil
}

// kept is a real archive behind the mill, with 61 days of a tag once it is asked for.
func (m *fakeMill) kept(paths []string) (*historian.Archive, error) {
	m.archiving.Lock()
	defer m.archiving.Unlock()
	if m.archive == nil {
		a, err := historian.Open(m.t.TempDir(), historian.Options{Hot: time.Hour})
		if err != nil {
			return nil, err
		}
		m.t.Cleanup(func() { a.Close() })
		m.archive, m.filled = a, map[string]bool{}
	}
	w := m.archive.Bulk(context.Background(), nil)
	now := time.Now().Truncate(time.Minute)
	for _, path := range paths {
		tag, ok := m.house.Find(path)
		if !ok || m.filled[path] {
			continue
		}
		m.filled[path] = true
		if err := m.archive.Describe(historian.TagInfo{Path: path, Unit: tag.Unit, Meaning: tag.Meaning.String()}); err != nil {
			return nil, err
		}
		v := m.values[path]
		for ago := 61 * 24 * time.Hour; ago > 0; ago -= 5 * time.Minute {
			at, x := now.Add(-ago), ago.Hours()
			p := plant.Point{Time: at, Quality: plant.Good,
				Value: v * (1 + 0.02*math.Sin(x/7+float64(tag.ID)) + 0.004*math.Sin(9*x) - 0.1*math.Mod(60*24-x, 14*24)/(14*24))}
			if x > 3 && x < 3.6 {
				p = plant.BadPoint(at, plant.BadNoCommunication)
			}
			if x > 5 && x < 5.1 {
				p.Value *= 1.1
			}
			if err := w.Add(path, p); err != nil {
				return nil, err
			}
		}
	}
	return m.archive, w.Close()
}

func (m *fakeMill) WriteSeries(ctx context.Context, w io.Writer, q plant.SeriesQuery) (string, error) {
	if m.broken != nil {
		return "", m.broken
	}
	a, err := m.kept(q.Paths)
	if err != nil {
		return "", err
	}
	return series.Write(ctx, a, w, q, series.About{Site: m.house.Config.Site.Name, Metric: func(path string) series.Metric {
		return series.Metric{Name: "calandria_value", Help: "A value.", Labels: []string{"tag"}, Values: []string{path}, Scale: 1}
	}})
}

func (m *fakeMill) SeriesMark(q plant.SeriesQuery) string {
	a, err := m.kept(q.Paths)
	if err != nil {
		return ""
	}
	return a.Mark(&q)
}

func (m *fakeMill) Aggregates() []string { return series.AggregateNames() }

func (m *fakeMill) Head() (uint64, string) { return 42, "0123456789abcdef" }

func (m *fakeMill) Views(context.Context) ([]TrendView, error) { return ReadViews(m.viewed) }

func (m *fakeMill) Choice(_ context.Context, person string) (string, error) {
	return m.chose[person], m.broken
}

func (m *fakeMill) KeepChoice(_ context.Context, person, choice string) error {
	m.chose[person] = choice
	return m.broken
}

func (m *fakeMill) KeepView(_ context.Context, v TrendView, drop bool) (err error) {
	m.viewed, err = ChangeViews(m.viewed, v, drop)
	return err
}

func (m *fakeMill) Events(_ context.Context, f plant.EventFilter) ([]plant.Event, error) {
	if m.broken != nil {
		return nil, m.broken
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []plant.Event
	for i := len(m.events) - 1; i >= 0 && len(out) < f.Limit; i-- {
		e := m.events[i]
		if f.BeforeSeq > 0 && e.Seq >= f.BeforeSeq || f.AfterSeq > 0 && e.Seq <= f.AfterSeq {
			continue
		}
		if len(f.Kinds) > 0 && !slices.Contains(f.Kinds, e.Kind) {
			continue
		}
		all := strings.ToLower(strings.Join([]string{e.Alarm, e.Source, e.User, e.Reason, e.Comment, e.Text}, "\n"))
		if f.Match != "" && !strings.Contains(all, strings.ToLower(f.Match)) {
			continue
		}
		out = append(out, e)
	}
	return out, nil
}

func (m *fakeMill) Scales(_ context.Context, set string) ([]thermo.Scale, error) {
	if m.broken != nil {
		return nil, m.broken
	}
	now := m.Picture().At
	day := 24 * time.Hour
	at := func(d float64) time.Time { return now.Add(time.Duration(d * float64(day))) }
	forecast := func(status fouling.Status, ratio, clean, rate, sigma float64, values, cycles int) fouling.Forecast {
		return fouling.Forecast{Status: status, Ratio: ratio, Clean: clean, U: ratio * clean, Limit: 0.7, Confidence: 0.9, RatePct: rate, RateSigmaPct: sigma, Values: values, Cycles: cycles}
	}
	ev2 := forecast(fouling.Expected, 0.93, 2.2, 0.4, 0.2, 1400, 0)
	ev2.Due, ev2.Early, ev2.Weak = at(61), at(40), []fouling.Weakness{{Kind: fouling.MetInMidCycle}}
	ev4 := forecast(fouling.Expected, 0.86, 1.3, 1.4, 0.11, 288, 4)
	ev4.Due, ev4.Early, ev4.Late, ev4.FromEarlierPct, ev4.Suspect, ev4.Restored, ev4.RestoredSigma = at(14.2), at(9.1), at(22.4), 22, true, 0.97, 0.01
	ev5 := forecast(fouling.Reached, 0.7, 0.7, 2.4, 0.16, 430, 4)
	ev5.Kind = fouling.Logarithmic
	return []thermo.Scale{
		{Body: "EV.EV1", Started: at(-21), Cleaned: true, Forecast: forecast(fouling.FarOff, 0.94, 2.5, 0.31, 0.05, 500, 2)},
		{Body: "EV.EV2", Started: at(-60), Forecast: ev2},
		{Body: "EV.EV3"},
		{Body: "EV.EV4", Started: at(-12), Cleaned: true, Forecast: ev4, Depends: fouling.Dependence{Reference: fouling.Shape{Heating: 4, Brix: 4}, Share: [3]float64{0.31, 0.22, 0.2}, Sigma: [3]float64{0.09, 0.12, 0.3}, Clean: 1.3}},
		{Body: "EV.EV5", Started: at(-18), Cleaned: true, Forecast: ev5},
	}, nil
}

func (m *fakeMill) PlanCleanings(_ context.Context, w thermo.CleaningWish) (p thermo.CleaningProposal, err error) {
	if m.broken != nil {
		return p, m.broken
	}
	w.Days, w.Hours, w.LossCost, w.Cost, w.OffCost, w.StopCost = max(w.Days, 21), 10, 50, 1500, 150, 1500
	now := m.Picture().At.UTC()
	day := func(n int) time.Time { return time.Date(now.Year(), now.Month(), now.Day()+n, 0, 0, 0, 0, time.UTC) }
	best := fouling.Best{Throughput: fouling.Boiling{Known: true, Days: 9.6, Low: 8.1, High: 12.2, FlatLow: 6.2, FlatHigh: 15.1}}
	return thermo.CleaningProposal{Wish: w, Habit: fouling.Habit{Together: true, Stops: 5, EveryDays: 11}, Whole: best,
		Bodies: []thermo.BestBoiling{{Body: "EV.EV4", Best: best}, {Body: "EV.EV5", Best: best}},
		Plan: fouling.Plan{Start: day(1), Days: w.Days, Cost: 14167, CostNone: 52868, AtLeast: 14100, CostUnit: "USD",
			Cleanings: []fouling.Cleaning{
				{Body: "EV.EV5", Day: day(1), Hours: 10, First: day(1), Last: day(1), Latest: day(1), WaitCost: 2588, WaitLow: 1900, WaitHigh: 3276, Ratio: 0.69},
				{Body: "EV.EV4", Day: day(7), Hours: 10, First: day(5), Last: day(9), Latest: day(9), Ratio: 0.78, Stop: "mill stop"}},
			Overdue: []fouling.Overdue{{Body: "EV.EV5", Days: 1, From: day(1)}}, LeftOut: []string{"EV.EV3"}}}, nil
}

func (m *fakeMill) WhatIf(_ context.Context, x thermo.Supposition) (out thermo.Outlook, err error) {
	if m.broken != nil {
		return out, m.broken
	}
	figure := func(name words.Text, unit string, now, then, sigma float64) thermo.Foreseen {
		return thermo.Foreseen{Name: name, Unit: unit, Now: &now, Then: &then, Sigma: sigma, Decimals: 1}
	}
	out.Set = []thermo.Foreseen{figure("steam", "t/h", 31.4, 33.2, 0.3), figure("evaporation", "t/h", 102, 110.4, 0.6), figure("syrup Brix", "% Brix", 65, 62.1, 0.5)}
	out.Bodies = []thermo.BodyAhead{{Body: "EV.EV4", Figures: []thermo.Foreseen{figure("calandria", "degC", 91.2, 91.9, 0.1)}},
		{Body: "EV.EV5", Figures: []thermo.Foreseen{{Name: "calandria", Unit: "degC", Decimals: 1}}}}
	out.Bottlenecks = []thermo.Bottleneck{{Body: "EV.EV5", Ratio: 1.4, EvaporationTH: 5.2, SteamTH: 1.1, SavedTH: 4.1, Sigma: 0.6, CostADay: 1475}, {Body: "EV.EV3", Why: "what a cleaning restores is not known"}}
	out.Currency, out.Notes = "USD", []words.Text{"held: steam pressure."}
	return out, nil
}

func (m *fakeMill) RecordCleaning(_ context.Context, c plant.Cleaning) error {
	if c.Method == "refuse" {
		return &engine.Refused{Why: "Not recorded: before the running cycle"}
	}
	m.step(func(now time.Time) {
		m.cleanings = append(m.cleanings, c)
		m.events = append(m.events, plant.Event{Seq: uint64(len(m.events) + 1), Time: now, Kind: plant.EventNote, Source: c.Body, User: c.User, Text: "cleaned: " + c.Method, Comment: c.Note})
	})
	return m.broken
}

func (m *fakeMill) Declare(_ context.Context, p thermo.Planned, _ string) error {
	m.step(func(time.Time) { m.planned = []thermo.Planned{p} })
	return m.broken
}

func (m *fakeMill) Declared(context.Context) ([]thermo.Planned, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return append([]thermo.Planned{}, m.planned...), nil
}

func (m *fakeMill) Cleanings(_ context.Context, body string, from, to time.Time) ([]plant.Cleaning, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []plant.Cleaning
	for _, c := range m.cleanings {
		if (body == "" || body == c.Body) && c.End.After(from) && c.End.Before(to) {
			out = append(out, c)
		}
	}
	return out, m.broken
}

// strikeOfLengths makes a strike of phases of so many minutes from the charge on; six of them leave graining out too.
func strikeOfLengths(start time.Time, minutes ...int) *pan.Strike {
	x := &pan.Strike{Start: start, Grade: "A", Whole: true}
	at := start
	for i, n := range minutes {
		end := at.Add(time.Duration(n) * time.Minute)
		x.Phases = append(x.Phases, pan.PhaseRecord{Phase: []pan.Phase{pan.Charge, pan.Concentrate, pan.FeedOn, pan.Tighten, pan.Drop, pan.SteamOut}[i], Start: at, End: end})
		at = end
	}
	x.End = at
	return x
}

func remark(text string) pan.Remark { return pan.Remark{Code: pan.Written, Text: text} }

// strikes of the fixture, newest first: PA1 and PC1 have boiled before, PB1 has not.
func (m *fakeMill) strikes() []Strike {
	now, use := m.Picture().At, pan.Use
	record := func(id int64, path, grade string, n int, ago, length time.Duration) Strike {
		var lengths []int
		for _, share := range []int{8, 10, 55, 15, 12} {
			lengths = append(lengths, int(length.Minutes())*share/100)
		}
		r := Strike{ID: id, Pan: path, Strike: strikeOfLengths(now.Add(-ago), lengths...)}
		x := r.Strike
		x.Grade, x.Number = grade, n
		x.WaterT, x.MaxS, x.DissolvingMinutes = use(21.4+float64(n)/10), use(1.17), 3
		x.DropBrix, x.DropC, x.DropLevel, x.DropLiquor, x.DropCrystal = use(91.2), use(68.3), use(98), use(81.6), use(52.2)
		x.FootingT, x.FeedT = use(25.9), use(99.5)
		x.Balance = pan.EndBalance{Purities: pan.Purities{Massecuite: use(87.4), Liquor: use(69), LiquorAssumed: true}, CrystalOnSolidsPct: use(59.4), CrystalPct: use(54.1),
			LiquorBrix: use(80.8), Supersaturation: use(1.09), RecoveryPct: use(67.9), MassecuiteT: use(94.8), CrystalT: use(51.3), WaterT: use(30.6)}
		for i := range x.Phases {
			if p, f := &x.Phases[i], float64(i); p.Phase != pan.Drop {
				p.Brix, p.EndS, p.U, p.WaterT = use(86+f), use(1+0.03*f), use(0.65-0.1*f), use(4*f)
			}
		}
		for i := range 30 {
			f := float64(i) / 29
			x.Profile = append(x.Profile, pan.ProfilePoint{At: x.Start.Add(time.Duration(f * float64(length))), Phase: pan.FeedOn,
				Supersaturation: use(0.95 + 0.2*math.Min(1, 4*f) + 0.02*math.Sin(20*f)), LevelPct: use(30 + 70*f), PressureKPa: use(16), MassecuiteC: use(63.5),
				MassecuiteBrix: use(86 + 5*f), LiquorBrix: use(80 + f), EvaporationTH: use(14.2), U: use(0.6 - 0.3*f)})
		}
		return r
	}
	a, b, c := record(3, "PA1", "A", 41, 9*time.Hour, 3*time.Hour), record(1, "PA1", "A", 40, 13*time.Hour, 200*time.Minute), record(2, "PC1", "C", 12, 14*time.Hour, 9*time.Hour)
	a.Reference, c.Reference = true, true
	b.Whole, b.Notes = false, []pan.Remark{remark("feed valve hunted")}
	b.Balance.Doubts = []pan.Remark{remark("the liquor by the purities would be at a supersaturation of 0.88: a purity is wrong, or the Brix is of the spindle")}
	b.Against = m.against(&b, &a, "feed on took 110 min, usually 80")
	if m.lab != nil {
		b.Balance.Massecuite, b.Balance.By = use(m.lab.MassecuitePurity), m.lab.User
	}
	if h := m.hostile; h != "" {
		b.Notes, b.Balance.By, b.Against.Findings, b.Grade, b.Balance.Doubts = []pan.Remark{remark(h)}, h, []pan.Remark{remark(h)}, h, []pan.Remark{remark(h)}
	}
	return []Strike{a, c, b}
}

func (m *fakeMill) against(s, usual *Strike, findings ...string) *Against {
	c := &Against{ID: usual.ID, Number: usual.Number, Start: usual.Start, Chosen: m.chosen != nil, Comparison: pan.Compare(s.Strike, usual.Strike, m.Picture().At)}
	c.Findings = nil
	for _, f := range findings {
		c.Findings = append(c.Findings, remark(f))
	}
	return c
}

func (m *fakeMill) Strikes(context.Context) ([]PanStrikes, error) {
	all, use := m.strikes(), pan.Use
	a, c := all[0], all[1]
	run := Strike{Pan: "PA1", Strike: strikeOfLengths(m.Picture().At.Add(-2*time.Hour), 15, 0)}
	run.Number, run.End, run.WaterT, run.MaxS, run.Phases[1].End = 42, time.Time{}, use(19), use(1.15), time.Time{}
	run.Phases[0].Brix, run.Phases[0].EndS, run.Phases[0].U, run.Phases[0].WaterT = use(86), use(1.01), use(0.6), use(0.9)
	run.Phases[1].U, run.Phases[1].WaterT = use(0.55), use(18.1)
	run.Against = m.against(&run, &a, "concentrate has lasted 105 min, usually 18")
	return []PanStrikes{{Pan: "PA1", Usual: &a, Chosen: m.chosen != nil, By: "M. Okoro", Running: &run}, {Pan: "PB1"}, {Pan: "PC1", Usual: &c}}, m.broken
}

func (m *fakeMill) StrikeRecords(_ context.Context, f plant.StrikeFilter) ([]Strike, error) {
	out := []Strike{}
	for _, r := range m.strikes() {
		if (f.ID == 0 || f.ID == r.ID) && (f.Pan == "" || f.Pan == r.Pan) && (f.Grade == "" || f.Grade == r.Grade) && !r.End.Before(f.From) && (f.To.IsZero() || r.End.Before(f.To)) && (f.Limit == 0 || len(out) < f.Limit) {
			out = append(out, r)
		}
	}
	return out, m.broken
}

func (m *fakeMill) ChooseReference(_ context.Context, c ReferenceChoice) error {
	if c.User == "refuse" {
		return &engine.Refused{Why: "That strike was not seen whole"}
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.chosen = &c
	return m.broken
}

func (m *fakeMill) RecordPurities(_ context.Context, l StrikeLab) error {
	if l.MassecuitePurity < l.LiquorPurity {
		return &engine.Refused{Why: "The liquor cannot be purer than its massecuite"}
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.lab = &l
	return m.broken
}

func (m *fakeMill) Explain(_ context.Context, alarm string) (rules.Explanation, error) {
	if !slices.ContainsFunc(m.specs, func(s plant.AlarmSpec) bool { return s.Name == alarm }) {
		return rules.Explanation{}, &engine.Refused{Why: "There is no such alarm."}
	}
	e := rules.Explanation{Alarm: alarm, Words: "vapour pressure of EV5 above 20 kPa, for 30 s", Raise: plant.True,
		Parts: []rules.Part{{Words: "vapour pressure of EV5 > 20 kPa", Truth: plant.True, Left: 21.9, Right: 20, Unit: "kPa"},
			{Words: "age < 60 s", Truth: plant.Unknown, Left: math.NaN(), Right: 60, Unit: "s", Against: true}},
		Reads: []rules.Input{{Words: "EV.EV5.vapour_pressure", Path: "EV.EV5.vapour_pressure", Value: 21.9, Unit: "kPa", Quality: plant.Good, Age: time.Second},
			{Words: "nothing", Path: "no.such", Value: math.NaN(), Quality: plant.BadNoData, Age: -1}},
		OnlyWords: "the set is in service", Only: plant.True, Waits: []words.Text{"in alarm since the delay ran out"}}
	if h := m.hostile; h != "" {
		v := words.Verbatim(h)
		e.Words, e.Fault, e.Waits = v, rules.RuleFault{Count: 2, Reason: v}, []words.Text{v}
		e.Parts[0].Words, e.Parts[0].Unit, e.Reads[0].Words, e.Reads[0].Path, e.OnlyWords, e.SuppressWords = v, h, v, h, v, v
	}
	return e, nil
}

func (m *fakeMill) RuleText(_ context.Context, alarm string) (*rules.Written, error) {
	if m.noTrials {
		return nil, &engine.Refused{Why: "Limits cannot be tried here."}
	}
	t := &rules.Written{Alarm: alarm, Vessel: "EV.EV5", Vessels: 5, Unit: "kPa", Figures: []rules.Figure{{Key: "high", Text: "20", File: "vacuum.yaml", Line: 17},
		{Key: "when", Text: "this.vapour_pressure > kPa(20)", File: "vacuum.yaml", Line: 18}, {Key: "limits.usual_rise", Text: "K(2)", File: "vacuum.yaml", Line: 19},
		{Key: "deadband"}, {Key: "on_delay", Text: "30s", File: "site.yaml", Line: 3}}}
	if m.hostile != "" {
		for i := range t.Figures {
			t.Figures[i].Text, t.Figures[i].File = m.hostile, m.hostile
		}
		t.Vessel, t.Unit = m.hostile, m.hostile
	}
	return t, m.broken
}

// Try of the fixture accepts plain numbers as a high limit, and takes until
// the test ends it.
func (m *fakeMill) Try(_ context.Context, w engine.TrialWish) error {
	if m.broken != nil {
		return m.broken
	}
	if _, err := strconv.ParseFloat(w.Texts["high"], 64); err != nil {
		return &engine.Refused{Why: "given in bar, but this figure is in kPa; 0.21 bar is 21 kPa: write 21 if you mean that", Field: "high"}
	}
	if strings.Contains(w.Texts["when"], "levl") {
		return &engine.Refused{Why: "there is no levl; did you mean level?", Mark: "    this.levl > 3\n         ^", Field: "when"}
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.trial != nil && m.trial.Running {
		return &engine.Refused{Why: "One at a time."}
	}
	now := m.picture.At
	m.trial = &engine.Trial{Alarm: w.Alarm, Asked: now, From: now.Add(-w.Span), To: now, Step: 10 * time.Second, Running: true, Done: 0.42, Changes: []engine.TrialChange{{Key: "high", Was: "20", Is: w.Texts["high"], Unit: "kPa"}, {Key: "on_delay", Was: "30s"}}}
	return nil
}

// finishTrial ends the fixture's trial with a result.
func (m *fakeMill) finishTrial() {
	m.step(func(now time.Time) {
		t := *m.trial
		t.Running, t.Took, t.Samples, t.First, t.Kept = false, 1234*time.Millisecond, 86400, t.From.Add(time.Second), true
		strip := func(parts ...int) []bool {
			s := make([]bool, 720)
			for _, p := range parts {
				s[p], s[p+1] = true, true
			}
			return s
		}
		hour := t.From.Add(5 * time.Hour).Truncate(time.Hour)
		t.Present = engine.TrialSide{RuleRecord: engine.RuleRecord{Alarms: 6, Active: 2 * time.Hour, Longest: time.Hour, Share: 0.083, Chattering: 1, Hours: []engine.HourCount{{At: hour, N: 4}}, Strip: strip(0, 100, 718)}}
		t.Tried = engine.TrialSide{RuleRecord: engine.RuleRecord{Alarms: 2, Hidden: 1, Active: 50 * time.Minute, Longest: 40 * time.Minute, Share: 0.035, Hours: []engine.HourCount{{At: hour, N: 2}}, Strip: strip(100)}}
		t.Lines = []engine.TrialLine{{File: "vacuum.yaml", Line: 17, Through: 17, Was: "    high: 20", Text: []string{"    high: 21"}},
			{File: "site.yaml", Line: 3, Was: "  vacuum_low:", Text: []string{"    EV.EV5: {on_delay: 0s}"}, Note: "only this vessel"}}
		m.trial = &t
	})
}

func (m *fakeMill) Trial(alarm string) (*engine.Trial, string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.trial == nil {
		return nil, ""
	}
	busy := ""
	if m.trial.Running {
		busy = m.trial.Alarm
	}
	if m.trial.Alarm != alarm {
		return nil, busy
	}
	t := *m.trial
	return &t, busy
}

func (m *fakeMill) StopTrial(alarm string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.trial != nil && m.trial.Alarm == alarm && m.trial.Running {
		t := *m.trial
		t.Running, t.Stopped = false, true
		m.trial = &t
	}
}

func (m *fakeMill) Note(_ context.Context, n plant.Event) error {
	m.step(func(now time.Time) {
		m.events = append(m.events, plant.Event{Seq: uint64(len(m.events) + 1), Time: now, Kind: cmp.Or(n.Kind, plant.EventNote), Source: n.Source, User: n.User, Station: n.Station, Text: n.Text, Occurrence: n.Occurrence})
	})
	return m.broken
}

func (m *fakeMill) Past(context.Context) (Past, error) { return m.past, m.broken }

func (m *fakeMill) Correct(_ context.Context, c plant.Correction) error {
	if t, ok := m.house.Find(c.Tag); !ok || t.Source != plant.Measured {
		return &engine.Refused{Why: "There is no such instrument."}
	}
	c.ID = int64(len(m.past.Corrections) + 1)
	m.past.Corrections = append(m.past.Corrections, c)
	return m.broken
}

func (m *fakeMill) WithdrawCorrection(_ context.Context, id int64, by, why string) error {
	c := &m.past.Corrections[id-1]
	c.WithdrawnBy, c.WithdrawnReason, c.Withdrawn = by, why, time.Now()
	return m.broken
}

func (m *fakeMill) Recalculate(_ context.Context, equipment string, from, to time.Time, by, why string) error {
	m.past.Jobs = append(m.past.Jobs, plant.Job{ID: int64(len(m.past.Jobs) + 1), From: from, To: to, By: by, Why: why, State: plant.JobRunning, Text: "12 %", Args: equipment})
	return m.broken
}

func (m *fakeMill) CancelJob(_ context.Context, id int64, _ string) error {
	m.past.Jobs[id-1].State, m.past.Jobs[id-1].Ended = plant.JobCancelled, time.Now()
	return m.broken
}
