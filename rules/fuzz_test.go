package rules

import (
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// FuzzExpression: whatever is written as a condition either loads and runs, or
// is refused with faults; it never panics and never gives an unsound outcome.
func FuzzExpression(f *testing.F) {
	for _, s := range hostile {
		f.Add(s)
	}
	for _, s := range []string{
		"EV.EV1.level > pct(70) and not EV.EV1.cleaning", "avg(EV.EV1.level, '10s') > EV.EV2.level", "between(EV.EV1.level, 1, 2)",
		"(EV.EV1.level > 3 ? odd : 2 * odd) / odd > sqrt(odd)", "min(odd, 1, 2) < clamp(odd, 1, 2)", "is_bad(odd) or age(odd) > 5",
		"1 < EV.EV1.level < 5", "default(EV.EV1.level, 3) > 2", "slope(EV.EV1.vapour_pressure, '1h') > per_hour(kPa(3))",
		"EV.juice_flow / kg_m3(1050) * kg_m3(950) > t_h(3)", "EV.EV1.level * EV.EV1.level / pct(3) > EV.EV2.level", "default(age(EV.EV3.juice_temperature), 3) < 1 / t_h(1) * t_h(5)",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, src string) {
		h := house(t)
		file := "alarms:\n  - name: a\n   " + texts + "    when: " + fmt.Sprintf("%q", src) + "\n"
		s, err := Load([]File{{"x.yaml", []byte(file)}}, h, Options{})
		if err != nil {
			var fs plant.Faults
			if !errors.As(err, &fs) {
				t.Fatalf("not faults: %v", err)
			}
			return
		}
		fr := plant.NewFrame(len(h.Tags))
		for i := range fr.Points {
			fr.Points[i] = plant.Point{Time: t0, Value: float64(i%7) - 3, Quality: []plant.Quality{plant.Good, plant.Bad, plant.Uncertain}[i%3]}
		}
		for k := range 3 {
			at := t0.Add(time.Duration(k) * time.Second)
			for i := range h.Tags {
				s.Sample(fr, plant.TagID(i), func(int, plant.AlarmInput) {}, func(int, plant.Truth, words.Text) {})
			}
			s.Scan(fr, at, func(id plant.TagID, p plant.Point) { fr.Points[id] = p }, func(_ int, in plant.AlarmInput) {
				if in.Raise == plant.True && in.Hold != plant.True {
					t.Errorf("%q raises without holding", src)
				}
				if math.IsInf(in.Value, 0) {
					t.Errorf("%q: infinite value", src)
				}
			}, func(int, plant.Truth, words.Text) {})
			if len(s.Alarms()) > 0 {
				s.Explain(0, fr, at)
			}
		}
	})
}

// FuzzLoad: any bytes as a rule file.
func FuzzLoad(f *testing.F) {
	f.Add([]byte(rule("for: body\ntag: this.level\nhigh: 70\nunit: \"%\"\ndeadband: 5\noverride: {EV.EV3: {high: 60}}")))
	f.Add([]byte(rule("tag: EV.EV1.level\ndeviation: 3\nunit: \"%\"\nfrom: avg(EV.EV2.level, \"1h\")\ndirection: above")))
	f.Add([]byte(rule("tag: EV.EV1.level\nrate: 3\nunit: \"%\"\nover: 1m")))
	f.Add([]byte("derived:\n  - {name: x, dimension: any, meaning: m, expr: odd + 1}\noverride: {x: {\"*\": {limits: {k: 1}}}}\n"))
	f.Add([]byte("alarms: [{name: a, when: >-\n   true and\n   false}]"))
	f.Fuzz(func(t *testing.T, data []byte) {
		_, err := Load([]File{{"x.yaml", data}}, house(t), Options{})
		var fs plant.Faults
		if err != nil && !errors.As(err, &fs) {
			t.Fatalf("not faults: %v", err)
		}
	})
}
