package fouling_test

import (
	"testing"

	"calandria/thermo/fouling"
)

// A forecast after ten days of hourly values, as it is asked for once an hour.
func BenchmarkForecast(b *testing.B) {
	k, _ := fouling.NewTracker(fouling.Settings{CleanU: 0.7})
	_ = k.Cleaned(epoch)
	scale := linear(0.7, 0.04)
	for h := range 240 {
		k.Observe(fouling.Value{At: at(h), U: scale.U(float64(h)/24) * (1 + 0.01*float64(h*7919%13-6)/6), Quality: fouling.Good})
	}
	h := 240
	for b.Loop() {
		k.Observe(fouling.Value{At: at(h), U: scale.U(float64(h) / 24), Quality: fouling.Good})
		k.Forecast(at(h))
		h++
	}
}

// Ten bodies over thirty days, as a console may ask for it.
func BenchmarkMakePlan(b *testing.B) {
	set := append(demoSet(nil, 30), demoSet(nil, 30)...)
	for i := range set {
		set[i].Name = string(rune('A' + i))
		set[i].CleaningCost = 6000
	}
	for b.Loop() {
		if _, err := fouling.MakePlan(set, fouling.PlanSettings{Start: monday, Days: 30}); err != nil {
			b.Fatal(err)
		}
	}
}
