package engine

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"calandria/plant"
	"calandria/rules"
)

// remembered is a past held in memory: a value of each path each minute.
type remembered struct {
	from, to time.Time
	value    func(path string, at time.Time) float64
}

func (p remembered) Merged(_ context.Context, paths []string, from, to time.Time, f func([]plant.Sample) error) error {
	for at := p.from; at.Before(p.to); at = at.Add(time.Minute) {
		if at.Before(from) || !at.Before(to) {
			continue
		}
		var out []plant.Sample
		for i, path := range paths {
			out = append(out, plant.Sample{Tag: plant.TagID(i), Point: plant.Point{Time: at, Value: p.value(path, at), Quality: plant.Good}})
		}
		if err := f(out); err != nil {
			return err
		}
	}
	return nil
}

func (p remembered) Last(context.Context, string, time.Time) (plant.Point, bool, error) {
	return plant.Point{}, false, nil
}

const limitRules = `alarms:
  - {name: often, title: t, tag: EV.B1.level, unit: "%", high: 70, on_delay: 5m, severity: moderate, time_to_respond: 4m, cause: c., consequence: c., response: r.}
  - {name: far, title: t, when: EV.B1.vapour_pressure < limit.least, limits: {least: kPa(20)}, severity: moderate, time_to_respond: 4m, cause: c., consequence: c., response: r.}
  - {name: guarded, title: t, tag: EV.B1.level, unit: "%", high: 70, severity: danger, time_to_respond: 1m, cause: c., consequence: c., response: r.}
  - {name: still, title: t, when: unchanged(EV.B1.level) > limit.time, limits: {time: minutes(30)}, severity: moderate, time_to_respond: 4m, cause: c., consequence: c., response: r.}
  - {name: fits, title: t, tag: EV.B1.level, unit: "%", high_high: 78, on_delay: 5m, severity: moderate, time_to_respond: 4m, cause: c., consequence: c., response: r.}
`

// What the limits come to can be worked out by hand: the level swings between 60 and
// 72 % each eight hours, and reaches 90 % in one trouble of an hour.
func TestLimitsFromThePast(t *testing.T) {
	from := time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)
	to := from.Add(28 * 24 * time.Hour)
	past := remembered{from.Add(-25 * time.Hour), to, func(path string, at time.Time) float64 {
		if path == "EV.B1.vapour_pressure" {
			return 60 + math.Sin(at.Sub(from).Hours())
		}
		if h := at.Sub(from).Hours(); h >= 100 && h < 101 {
			return 90
		}
		return 66 + 6*math.Sin(2*math.Pi*at.Sub(from).Hours()/8)
	}}
	tighter := false
	fit := func(files []rules.File) ([]FittedLimit, *plant.House) {
		core := func(files []rules.File) *Core {
			h, err := plant.Load("plant.yaml", []byte(smallPlant))
			if err != nil {
				t.Fatal(err)
			}
			c, err := New(h, files, rules.Options{})
			if err != nil {
				t.Fatal(err)
			}
			return c
		}
		run := &Replay{Past: past, From: from, To: to, Warm: from.Add(-24 * time.Hour), Step: time.Minute, Reader: core(nil), Judges: []*Judge{NewJudge(core(files), from, to)}}
		f := FitLimits(run.Judges[0])
		if err := run.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		return f.Fit(run.Judges[0].Core.House, files, 0.5, tighter), run.Judges[0].Core.House
	}
	files := []rules.File{{Name: "a.yaml", Data: []byte(limitRules)}}
	got, _ := fit(files)
	for i, want := range []struct {
		alarm, says, why string
		worst            float64 // that lasts five minutes, or a moment
	}{
		{"often", "72.4", "calls in usual running", 72},
		{"far", "", "never comes near", 59},
		{"guarded", "", "protects people", 72},
		{"still", "", "it fits", 0},
		{"fits", "", "it fits", 72},
	} {
		x := got[i]
		if x.Alarm != want.alarm || x.Says != want.says || !strings.Contains(x.Why, want.why) || math.Abs(x.WorstUsual-want.worst) > 0.1 {
			t.Errorf("%+v, want %+v", x, want)
		}
	}
	tighter = true
	close, _ := fit(files)
	if x := close[1]; x.Says == "" || !(x.Proposed < x.WorstUsual && x.Proposed > x.Limit.Value) {
		t.Errorf("asked for a tighter one: %+v", x)
	}
	if close[0].Says != "72.4" || close[2].Says != "" || close[3].Says != "" || !strings.Contains(close[3].Why, "does not move") || close[4].Says != "" {
		t.Errorf("asked for tighter ones: %+v", close)
	}
	if got[0].Present < 20 {
		t.Errorf("%g calls a week, want three a day", got[0].Present)
	}
	// What is written can be read, and calls as it says it does.
	again, _ := fit(append(files, rules.File{Name: "b.yaml", Data: []byte(LimitsYAML(got))}))
	for _, x := range again {
		if x.Alarm == "often" && (x.Present > 0.5 || x.Text != "72.4") {
			t.Errorf("with the proposed limit %+v", x)
		}
	}
}
