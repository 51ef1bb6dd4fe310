package evaporator_test

import (
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"calandria/thermo/evaporator"
)

// What is shown as plus-or-minus holds: on random sets whose instruments and whose model
// are off by errors drawn from the stated sigmas, the truth lies within one of them in
// 68 of 100 cases and within two in 95. Plain meters, and good ones, where the model's
// own errors outweigh the meters'.
func TestUncertaintyHolds(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: long")
	}
	for name, quality := range map[string]float64{"plain meters": 1, "good meters": 0.3} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			rnd := rand.New(rand.NewPCG(11, uint64(100*quality)))
			off := modelSigma{lossPct: 0.5, elevationPct: 10, heatPct: 1, pipeK: 0.1}
			tally := map[string]*[3]int{"U": {}, "evaporation of a body": {}, "steam": {}, "economy": {}}
			for sets := 0; sets < *solverSets; {
				k := drawMillWith(rnd, off)
				if !k.run() {
					continue
				}
				sets++
				s, err := evaporator.New(k.d)
				if err != nil {
					t.Fatal(err)
				}
				r := s.NewResults()
				subsets := k.subsets()
				for _, name := range slices.Sorted(maps.Keys(subsets)) { // one order, one draw
					m := subsets[name]
					switch name {
					case "juice and Brix", "all", "steam for juice", "steam for syrup Brix", "vapour by the next chest", "no juice flow, no steam flow":
					default:
						continue
					}
					disturbed(&m, k, rnd, quality, off)
					s.Uncertainty(&m, r)
					k.tally(tally, r)
				}
			}
			for what, n := range tally {
				one, two := 100*float64(n[1])/float64(n[0]), 100*float64(n[2])/float64(n[0])
				t.Logf("%-22s %6d values: %.1f %% within one sigma, %.1f %% within two", what, n[0], one, two)
				if math.Abs(one-68) > 4 || math.Abs(two-95) > 3 {
					t.Errorf("%s: %.1f / %.1f %%, 68 ± 4 and 95 ± 3 are wanted", what, one, two)
				}
			}
		})
	}
}

// disturbed puts errors into the readings and their sigmas beside them.
func disturbed(m *evaporator.Measurement, k *mill, rnd *rand.Rand, quality float64, off modelSigma) {
	draw := func(x *evaporator.Reading, share, least float64) {
		if !x.OK {
			return
		}
		x.Sigma = quality * math.Hypot(math.Abs(x.Value)*share, least)
		x.Value += rnd.NormFloat64() * x.Sigma
	}
	draw(&m.JuiceTH, 0.01, 0)
	draw(&m.SyrupTH, 0.01, 0)
	draw(&m.SteamTH, 0.015, 0)
	draw(&m.FeedBrix, 0, 0.15)
	draw(&m.SyrupBrix, 0, 0.4)
	draw(&m.FeedC, 0, 0.5)
	draw(&m.SteamKPa, 0.004, 0)
	for e := range m.BleedTH {
		draw(&m.BleedTH[e], 0.03, 0.05)
		m.BleedTH[e].Value = max(0, m.BleedTH[e].Value)
		m.PipeLossK[e] = evaporator.Read(k.d.PipeLossK, off.pipeK)
	}
	for b := range k.d.Bodies {
		draw(&m.Bodies[b].VapourKPa, 0.002, 0.2)
		draw(&m.Bodies[b].ChestKPa, 0.002, 0.2)
		draw(&m.Bodies[b].CondensateTH, 0.02, 0)
	}
	m.LossPct = evaporator.Read(100*k.d.LossFraction, off.lossPct)
	m.ElevationPct, m.HeatPct = evaporator.Read(0, off.elevationPct), evaporator.Read(0, off.heatPct)
}

// tally counts which results lie within one and two of their sigmas. What is split by
// surface alone has a sigma of its own making and is left out.
func (k *mill) tally(tally map[string]*[3]int, r *evaporator.Results) {
	count := func(what string, x evaporator.Result, want float64) {
		if !x.OK() || x.Reason.Why == evaporator.Shared {
			return
		}
		n := tally[what]
		n[0]++
		off := math.Abs(x.Value-want) / x.Sigma
		if off <= 1 {
			n[1]++
		}
		if off <= 2 {
			n[2]++
		}
	}
	total := k.feed - k.syrup
	count("steam", r.SteamTH, k.steam)
	count("economy", r.Economy, total/k.steam)
	for b := range k.d.Bodies {
		if !k.out[b] {
			count("evaporation of a body", r.Bodies[b].EvaporationTH, k.v[b])
			count("U", r.Bodies[b].U, k.q[b]/3.6/(k.d.Bodies[b].AreaM2*(k.tc[b]-k.tj[b])))
		}
	}
}

// A condensate flash that is configured wrongly shows where the instruments are good
// enough: the readings contradict each other, and do not with the other way.
func TestWrongFlashIsNoticed(t *testing.T) {
	rnd := rand.New(rand.NewPCG(13, 1))
	off := modelSigma{lossPct: 0.5, elevationPct: 10, heatPct: 1, pipeK: 0.1}
	var seen, sets, falsely int
	for sets < 60 {
		k := drawMillWith(rnd, off)
		if len(k.effects) < 4 || !k.byDrain || !k.run() {
			continue
		}
		sets++
		m := k.readings()
		for b := range k.d.Bodies {
			m.Bodies[b].ChestKPa = evaporator.Read(psat(k.tc[b]), 0)
		}
		disturbed(&m, k, rnd, 0.3, off)
		told := func(d evaporator.Design) bool {
			s, err := evaporator.New(d)
			if err != nil {
				t.Fatal(err)
			}
			var as, other evaporator.Reconciliation
			_, err = s.OtherFlash(&m, &other)
			if err != nil || s.ReconcileInto(&m, &as) != nil {
				return false
			}
			return as.GrossError && !other.GrossError && as.Global-other.Global > 12
		}
		if told(k.d) {
			falsely++
		}
		wrong := k.d
		if wrong.VapourCondensate = evaporator.Flashed; k.d.VapourCondensate == evaporator.Flashed {
			wrong.VapourCondensate = evaporator.Drained
		}
		if told(wrong) {
			seen++
		}
	}
	t.Logf("of %d sets: noticed in %d, falsely in %d", sets, seen, falsely)
	if seen < sets*8/10 || falsely > 0 {
		t.Error("too few are noticed, or some where nothing is wrong")
	}
}
