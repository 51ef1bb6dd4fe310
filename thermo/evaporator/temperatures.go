package evaporator

import "calandria/thermo/steam"

// temperature is a temperature of the ladder and where it came from.
type temperature struct {
	c, kPa float64
	how    How
	why    Reason
}

func (s *Set) tsat(kPa float64) (float64, bool) {
	t, err := s.water.tsat(steam.KPa(kPa))
	return float64(t), err == nil
}

func (s *Set) psat(c float64) (float64, bool) {
	p, err := s.water.psat(steam.Celsius(c))
	return float64(p), err == nil
}

// fromKPa and fromC make a saturation state out of either reading.
func (s *Set) fromKPa(r Reading) (temperature, bool) {
	if !pressureOK(r) {
		return temperature{}, false
	}
	p := s.absolute(r)
	t, ok := s.tsat(p)
	return temperature{c: t, kPa: p, how: Measured}, ok
}

// absolute is a reading of pressure with what the air is off by.
func (s *Set) absolute(r Reading) float64 {
	if r.Gauge {
		return r.Value + s.air
	}
	return r.Value
}

func (s *Set) fromC(c float64, how How) (temperature, bool) {
	p, ok := s.psat(c)
	return temperature{c: c, kPa: p, how: how}, ok
}

// ladder finds the vapour and chest temperatures of every body in service.
func (s *Set) ladder(e *evaluation) {
	for i := range s.n {
		for _, b := range s.inEffect(s.act[i]) {
			e.tv[b] = s.vapourRung(e.m, i, b)
		}
	}
	for i := range s.n {
		for _, b := range s.inEffect(s.act[i]) {
			e.tc[b] = s.chestRung(e, i, b)
		}
	}
}

// vapourRung is by the pressure of the vapour space; its thermometer; the next chest's
// pressure plus the pipe.
func (s *Set) vapourRung(m *Measurement, i, b int) temperature {
	bm := &m.Bodies[b]
	if t, ok := s.fromKPa(bm.VapourKPa); ok {
		return t
	}
	if tempOK(bm.VapourC) {
		if t, ok := s.fromC(bm.VapourC.Value, Measured); ok {
			return t
		}
	}
	if i+1 < s.n {
		for _, o := range s.inEffect(s.act[i+1]) {
			if chest, good := s.fromKPa(m.Bodies[o].ChestKPa); good {
				if t, ok := s.fromC(chest.c+s.pipeLossK(m, s.act[i]), Balanced); ok {
					return t
				}
			}
		}
	}
	return temperature{why: Reason{Of: s.d.Bodies[b].Name, Why: NoVapour}}
}

// chestRung is by the chest's own pressure; that of the steam, or the vapour before it
// less the pipe; its thermometer.
func (s *Set) chestRung(e *evaluation, i, b int) temperature {
	bm := &e.m.Bodies[b]
	t, ok := s.fromKPa(bm.ChestKPa)
	if !ok && i == 0 {
		t, ok = s.fromKPa(e.m.SteamKPa)
	}
	if !ok && i > 0 {
		if up, how := s.meanVapour(s.act[i-1], &e.tv); how != Absent {
			t, ok = s.fromC(up-s.pipeLossK(e.m, s.act[i-1]), weakest(how, Balanced))
		}
	}
	if !ok && tempOK(bm.ChestC) {
		t, ok = s.fromC(bm.ChestC.Value, Measured)
	}
	if !ok {
		return temperature{why: Reason{Of: s.d.Bodies[b].Name, Why: NoChest}}
	}
	return t
}

// meanVapour is the mean vapour temperature of the bodies of effect e that have
// one, by surface.
func (s *Set) meanVapour(e int, tv *[MaxBodies]temperature) (c float64, how How) {
	var area float64
	how = Measured
	for _, b := range s.inEffect(e) {
		if tv[b].how == Absent {
			continue
		}
		a := s.d.Bodies[b].AreaM2
		area += a
		c += a * tv[b].c
		how = max(how, tv[b].how)
	}
	if area == 0 {
		return 0, Absent
	}
	return c / area, how
}

// between interpolates the vapour temperature of the i-th effect in service
// from the nearest known rungs of the ladder.
func (s *Set) between(i int, e *evaluation) float64 {
	lowI, lowT := -1, 0.0
	for _, b := range s.inEffect(s.act[0]) {
		if e.tc[b].how != Absent {
			lowT = e.tc[b].c
		}
	}
	for j := range s.n {
		t, h := s.meanVapour(s.act[j], &e.tv)
		switch {
		case h == Absent:
		case j < i:
			lowI, lowT = j, t
		default:
			return lowT + (t-lowT)*float64(i-lowI)/float64(j-lowI)
		}
	}
	return lowT
}

// storeTemperatures stores what needs no balance.
func (s *Set) storeTemperatures(e *evaluation) {
	for b := range s.d.Bodies {
		if !s.in[b] {
			continue
		}
		o, bm, tv, tc := &e.r.Bodies[b], &e.m.Bodies[b], &e.tv[b], &e.tc[b]
		o.VapourC.set(tv.c, tv.how, tv.why)
		o.VapourKPa.set(tv.kPa, tv.how, tv.why)
		o.ChestC.set(tc.c, tc.how, tc.why)
		o.ChestKPa.set(tc.kPa, tc.how, tc.why)
		o.DTApparentK.set(tc.c-tv.c, weakest(tv.how, tc.how), firstWhy(tc, tv))

		name := s.d.Bodies[b].Name
		if p, ok := s.fromKPa(bm.VapourKPa); ok && tempOK(bm.VapourC) {
			o.VapourDisagreeK.set(p.c-bm.VapourC.Value, Measured, Reason{})
		} else {
			o.VapourDisagreeK.absent(Reason{Of: name, Why: NeedsVapourPair})
		}
		chest, ok := s.fromKPa(bm.ChestKPa)
		if !ok && s.d.Bodies[b].Effect-1 == s.act[0] {
			chest, ok = s.fromKPa(e.m.SteamKPa)
		}
		if ok && tempOK(bm.ChestC) {
			o.ChestGasK.set(chest.c-bm.ChestC.Value, Measured, Reason{})
		} else {
			o.ChestGasK.absent(Reason{Of: name, Why: NeedsChestPair})
		}
		if tv.how != Absent && tempOK(bm.JuiceC) {
			o.BPEMeasured.set(bm.JuiceC.Value-tv.c, tv.how, Reason{})
		} else {
			o.BPEMeasured.absent(Reason{Of: name, Why: NeedsJuiceC})
		}
	}
	tc, tv := &e.tc[s.members[s.act[0]][0]], &e.tv[s.members[s.act[s.n-1]][0]]
	e.r.TotalDTK.set(tc.c-tv.c, weakest(tc.how, tv.how), firstWhy(tc, tv))
}

func firstWhy(a, b *temperature) Reason {
	if a.how == Absent || !a.why.none() {
		return a.why
	}
	return b.why
}
