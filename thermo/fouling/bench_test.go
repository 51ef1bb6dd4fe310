package fouling_test

import (
	"testing"

	"calandria/thermo/fouling"
)

// A forecast after ten days of hourly values, as it is asked for once an hour.
func BenchmarkForecast(b *testing.B) {
	k, _ := fouling.NewTracker(fouling.Settings{CleanU: 0.7})
	_ = k.Cleaned(epoch)
	scale := fouling.LinearModel(0.7, 0.04)
	for h := range 240 {
		k.Observe(at(h), scale.U(float64(h)/24)*(1+0.01*float64(h*7919%13-6)/6), 0, fouling.Good)
	}
	h := 240
	for b.Loop() {
		k.Observe(at(h), scale.U(float64(h)/24), 0, fouling.Good)
		k.Forecast(at(h))
		h++
	}
}
