//go:build detection

package deploy

import (
	"bufio"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

var (
	millNames  = flag.String("mills", "A1,B1,C1,A2,B2,C2", "the mills of the long run: a name and its seed")
	millDays   = flag.Float64("mill-days", 60, "days of the long run")
	millBegin  = flag.String("mill-begin", "", "the day on which they begin, as 2026-09-01")
	millUpsets = flag.Bool("mill-upsets", true, "the last fifteen days have an upset each")
	millStep   = flag.Duration("mill-step", 20*time.Second, "time between scans")
	millWarm   = flag.Int("mill-warm", 48, "hours at the start that do not count")
	millDir    = flag.String("mill-dir", "", "write plant.yaml and raw.csv of the mills here, in place of running them")
)

// TestDetectionMills runs whole mills for weeks and prints what the program made of them beside
// the truth and beside an ideal estimator. It judges nothing: the table is for reading.
func TestDetectionMills(t *testing.T) {
	if d, err := time.Parse(time.DateOnly, *millBegin); err == nil {
		blindBegin = d
	}
	var sum millFigures
	for _, name := range strings.Split(*millNames, ",") {
		seed, err := strconv.ParseUint(name[1:], 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		quiet := *millDays
		if *millUpsets {
			quiet -= 15
		}
		h := blindHouses[name[:1]](seed, quiet)
		if *millUpsets {
			h.goesWrong(quiet + 1)
		}
		if *millDir != "" {
			if err := h.save(filepath.Join(*millDir, name), *millDays); err != nil {
				t.Fatal(err)
			}
			continue
		}
		m := newMillRun(t, h)
		m.warm = *millWarm
		m.quiet = h.begin.Add(time.Duration(quiet*24) * time.Hour)
		began := time.Now()
		m.until(h.begin.Add(time.Duration(*millDays*24)*time.Hour), *millStep)
		f := m.figures()
		t.Logf("mill %s, %.0f days, %.0f s\n%s", name, *millDays, time.Since(began).Seconds(), strings.Join(f.lines, "\n"))
		sum.add(f)
	}
	n := strings.Count(*millNames, ",") + 1
	t.Logf("%d mills\n%s", n, sum.table(n))
}

func (f *millFigures) add(o *millFigures) {
	f.u, f.uIdeal = append(f.u, o.u...), append(f.uIdeal, o.uIdeal...)
	f.steam, f.steamIdeal = append(f.steam, o.steam...), append(f.steamIdeal, o.steamIdeal...)
	f.hit, f.hitIdeal, f.told, f.inBand, f.cycles = f.hit+o.hit, f.hitIdeal+o.hitIdeal, f.told+o.told, f.inBand+o.inBand, f.cycles+o.cycles
	f.falseSet, f.falsePans = f.falseSet+o.falseSet, f.falsePans+o.falsePans
	f.one, f.two, f.stated = f.one+o.one, f.two+o.two, f.stated+o.stated
	f.upsets, f.named, f.stops, f.callsOfStop = f.upsets+o.upsets, f.named+o.named, f.stops+o.stops, f.callsOfStop+o.callsOfStop
	f.strikes, f.strikesFound = f.strikes+o.strikes, f.strikesFound+o.strikesFound
}

// table prints the figures as the trade would ask for them.
func (f *millFigures) table(mills int) string {
	n := float64(max(1, mills))
	m, p := spread(f.u)
	mi, pi := spread(f.uIdeal)
	e, ep := spread(f.steam)
	ei, epi := spread(f.steamIdeal)
	return fmt.Sprintf(`U, median and 95 %% error      %.2f / %.2f %%   ideal %.2f / %.2f %%
economy, median and 95 %%      %.2f / %.2f %%   ideal %.2f / %.2f %%
truth within 1 and 2 sigma    %.0f / %.0f %%
day of the limit within 15 %%  %d of %d (told %d)   ideal %d
90 %% band of that day         %d of %d
false calls a week            %.1f set and condenser, %.1f pans
upsets named                  %d of %d
calls of a stop or outage     %d in %d
strikes at their time         %d of %d
`, m, p, mi, pi, e, ep, ei, epi, 100*f.one/f.stated, 100*f.two/f.stated, f.hit, f.cycles, f.told, f.hitIdeal, f.inBand, f.told, f.falseSet/n, f.falsePans/n, f.named, f.upsets, f.callsOfStop, f.stops, f.strikesFound, f.strikes)
}

// save writes plant file and readings into a folder.
func (h *blindHouse) save(dir string, days float64) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(dir, "plant.yaml"), []byte(h.plant()), 0o644); err != nil {
		return err
	}
	f, err := os.Create(filepath.Join(dir, "raw.csv"))
	if err != nil {
		return err
	}
	defer f.Close()
	return h.write(f, days)
}

// write runs the house for so many days and writes what its instruments sent as CSV.
func (h *blindHouse) write(w io.Writer, days float64) error {
	out := bufio.NewWriterSize(w, 1<<20)
	fmt.Fprintln(out, "time,tag,value,unit,status")
	var line []byte
	err := h.run(h.begin.Add(time.Duration(days*24*float64(time.Hour))), func(g *blindTag, v, _ float64, good bool) error {
		line = h.now.UTC().AppendFormat(line[:0], "2006-01-02T15:04:05Z")
		line = append(append(append(line, ','), g.path...), ',')
		status := ",Bad_NoCommunication\n"
		if good {
			line, status = strconv.AppendFloat(line, v, 'f', 4, 64), ",Good\n"
		}
		line = append(append(line, ','), g.unit...)
		if g.reference != "" && g.reference != "absolute" {
			line = append(append(line, ' '), g.reference...)
		}
		_, err := out.Write(append(line, status...))
		return err
	})
	if err != nil {
		return err
	}
	return out.Flush()
}

// goesWrong plans what goes wrong, one upset a day from a day on, each at least four of its
// instrument's sigmas.
func (h *blindHouse) goesWrong(from float64) {
	s := h.set
	at := h.begin.Add(time.Duration(from*24) * time.Hour).Truncate(24 * time.Hour)
	last := s.bodies[len(s.bodies)-1]
	mid := s.bodies[len(s.bodies)/2]
	q := setName + "."
	add := func(name string, hours float64, set func(on bool), want ...string) {
		h.upsets = append(h.upsets, &blindUpset{name: name, from: at.Add(9 * time.Hour), to: at.Add(time.Duration((9 + hours) * float64(time.Hour))), set: set, want: want})
		at = at.Add(24 * time.Hour)
	}
	instrument := func(path, name string, hours float64, fault func(float64) (float64, bool), want ...string) {
		for _, g := range h.tags {
			if g.path == path {
				add(name, hours, func(on bool) {
					g.fault = nil
					if on {
						g.fault = fault
					}
				}, want...)
			}
		}
	}
	add("air leak, 9 K", 4, func(on bool) { s.air += map[bool]float64{true: 9, false: -9}[on] }, "air_leak."+q+last.name)
	add("three tenths less water", 4, func(on bool) { s.waterFault = map[bool]float64{true: 0.7, false: 1}[on] }, "cooling_water_short."+q+last.name)
	add("gas in "+mid.name+", U down by 28 %", 5, func(on bool) { mid.faultU = map[bool]float64{true: 0.72, false: 1}[on] }, "gas_in_calandria."+q+mid.name, "u_step_down."+q+mid.name)
	add("calandria of "+last.name+" flooded, U down by 40 %", 2, func(on bool) { last.faultU = map[bool]float64{true: 0.6, false: 1}[on] }, "u_step_down."+q+last.name, "condensate_level_high."+q+last.name)
	contradicts := []string{"instruments_contradict." + setName, "solids_not_closed." + setName}
	instrument(q+"juice_flow", "juice meter 6 % high", 20, func(v float64) (float64, bool) { return v * 1.06, true }, contradicts...)
	instrument(q+"syrup_brix", "syrup refractometer 1.8 Bx high", 20, func(v float64) (float64, bool) { return v + 1.8, true }, contradicts...)
	instrument(q+mid.name+".vapour_temperature", "vapour thermometer 2.5 K high", 20, func(v float64) (float64, bool) { return v + 2.5, true }, "thermometer_disagrees."+q+mid.name, contradicts[0])
	instrument(q+last.name+".juice_temperature", "juice thermometer 2.5 K low", 20, func(v float64) (float64, bool) { return v - 2.5, true }, "juice_thermometer_disagrees."+q+last.name, contradicts[0])
	held := math.NaN()
	instrument(q+last.name+".vapour_pressure", "gauge frozen", 6, func(v float64) (float64, bool) {
		if math.IsNaN(held) {
			held = v
		}
		return held, true
	}, "pressure_still."+q+last.name)
	low := s.bodies[0]
	add("level of "+low.name+" lost", 1.5, func(on bool) { low.levelFault = map[bool]float64{true: -28, false: 0}[on] }, "level_low."+q+low.name)
	add("juice fails", 0.5, func(on bool) { s.juiceFault = map[bool]float64{true: 0.1, false: 1}[on] }, "juice_lost."+setName)
	instrument(q+mid.name+".vapour_pressure", "gauge gone", 3, func(v float64) (float64, bool) { return v, false }, "body_instrument_lost."+q+mid.name)
	p := h.pans[0]
	add("a strike at half speed", 9, func(on bool) { p.wishSlow = on }, "strike_long."+p.name)
	add("supersaturation 0.2 up", 6, func(on bool) { p.shift = map[bool]float64{true: 0.2, false: 0}[on] }, "labile."+p.name, "false_grain_risk."+p.name)
}
