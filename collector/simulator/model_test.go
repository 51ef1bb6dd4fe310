package simulator

import (
	"testing"
	"time"
)

var t0 = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)

func TestLook(t *testing.T) {
	m := New(1, t0)
	began := time.Now()
	n := 0
	err := Past(m, t0, t0.Add(60*24*time.Hour), time.Minute, func(now time.Time, s []Reading) {
		if n%720 == 0 {
			tr := m.Truth()
			t.Logf("%s %s d%.2f p0 %.1f p %.1f bx %.2f S %.2f U5 %.0f tail %.1f cw %.0f dip %v pa %d %.2f %v", now.Format("01-02 15:04"), tr.Mode, tr.DaysInService, tr.Set.SteamKPa, tr.Set.VapourKPa, tr.Set.Brix[4], tr.Set.SteamTH, tr.Set.UWM2K[4], tr.Set.TailC, tr.Set.WaterTH, m.now.Before(m.dipUntil), tr.Pans[0].Phase, tr.Pans[0].Supersaturation, tr.Upsets)
		}
		n++
	})
	t.Log(err, n, len(m.sensors), time.Since(began))
}
