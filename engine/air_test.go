package engine_test

import (
	"math"
	"testing"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
)

// A gauge reading that stands still while the air pressure falls by 2 kPa: the absolute
// pressure falls along, a limit against the air sees nothing, an absolute limit does;
// a core restored from the checkpoint goes on the same. By definition of the words.
func TestGaugeReadingsFollowTheBarometer(t *testing.T) {
	source := []byte(`site: {name: Small Mill (invented), barometer_kpa: 100, tags: {barometer: {node: "nsu=u;s=b", unit: hPa}}}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
sets:
  - name: EV
    bodies:
      - name: B1
        heating_surface_m2: 100
        tags:
          vapour_pressure: {node: "nsu=u;s=p", unit: kPa, reference: vacuum}
          chest_pressure: {node: "nsu=u;s=c", unit: kPa}
`)
	file := []rules.File{{Name: "a.yaml", Data: []byte("alarms:\n" + oneRule("against_air", "EV.B1.vapour_pressure < vacuum(kPa(81))", "") +
		oneRule("beyond", "max(EV.B1.vapour_pressure, 1) < vacuum(kPa(81))", "") + oneRule("absolute", "EV.B1.vapour_pressure < kPa(19)", "") + oneRule("other", "EV.B1.chest_pressure < kPa(19)", ""))}}
	h, err := plant.Load("plant.yaml", source)
	if err != nil {
		t.Fatal(err)
	}
	c, err := engine.New(h, file, rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC)
	c.Begin(at)
	feed := func(path string, raw float64) {
		tag, _ := c.House.Find(path)
		v, q := tag.Convert(raw, plant.Good)
		c.Sample(plant.Sample{Tag: tag.ID, Point: plant.Point{Time: at, Value: v, Quality: q}}, at)
	}
	is := func(path string) float64 {
		tag, _ := c.House.Find(path)
		return c.Frame.Point(tag.ID).Value
	}
	active := func(name string) bool {
		i, _ := c.Alarms.Index(name)
		return c.Alarms.Status(i).Active
	}
	run := func(minutes int, hPa float64) {
		for range minutes * 6 {
			at = at.Add(10 * time.Second)
			feed("site.barometer", hPa)
			feed("EV.B1.vapour_pressure", 80.5)
			feed("EV.B1.chest_pressure", 19.5)
			c.Scan(at)
			c.Alarms.Advance(at)
		}
	}
	run(120, 1000)
	if p := is("EV.B1.vapour_pressure"); math.Abs(p-19.5) > 0.05 || active("absolute") {
		t.Fatalf("at 100 kPa: %.2f kPa, alarm %t", p, active("absolute"))
	}
	for hPa := 1000.0; hPa > 980; hPa-- {
		run(30, hPa)
	}
	saved, err := c.Save(at)
	if err != nil {
		t.Fatal(err)
	}
	run(60, 980)
	p, air := is("EV.B1.vapour_pressure"), is("site.air_pressure")
	if math.Abs(p-17.5) > 0.1 || math.Abs(air-98) > 0.1 {
		t.Errorf("at 98 kPa: %.2f kPa, air %.2f kPa", p, air)
	}
	if p := is("EV.B1.chest_pressure"); p != 19.5 {
		t.Errorf("an absolute reading moved to %.2f kPa", p)
	}
	if active("against_air") || active("beyond") || active("other") || !active("absolute") {
		t.Errorf("against the air %t %t, absolute %t, other %t", active("against_air"), active("beyond"), active("absolute"), active("other"))
	}

	cp, err := engine.ReadCheckpoint(saved)
	if err != nil {
		t.Fatal(err)
	}
	if c, err = engine.Resume(h, file, cp, at); err != nil {
		t.Fatal(err)
	}
	at = cp.At
	run(60, 980)
	if is("EV.B1.vapour_pressure") != p || is("site.air_pressure") != air {
		t.Errorf("after a restart %.4f and %.4f kPa, without it %.4f and %.4f", is("EV.B1.vapour_pressure"), is("site.air_pressure"), p, air)
	}
}
