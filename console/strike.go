package console

import (
	"fmt"
	"math"
	"strings"
	"time"

	"calandria/plant"
)

// The strike ribbon: one row a pan. Above, the phases as segments against the
// expected length of the strike; beneath, on the same time scale,
// supersaturation with its zones.

// Supersaturation zones (1). Common practice for sucrose solutions, no source:
// undersaturated, crystals dissolve; metastable up to about 1.2, they grow
// without new grain; intermediate to about 1.3, new grain forms where crystals
// are present; labile above, it forms by itself.
const (
	zoneSaturated = 1.0
	zoneGrowth    = 1.2
	zoneLabile    = 1.3
	zoneLow       = 0.9 // ends of the scale
	zoneHigh      = 1.4
)

// strikeSize is the view box of a ribbon.
type strikeSize struct {
	W, H   float64
	Ribbon float64 // height of the phases
	Left   float64 // width of the scale
	Foot   float64 // height of the hours
	Names  bool    // write the phases' names where they fit
	Usual  float64 // height of the strike to compare with, 0: none
}

var (
	slimStrike = strikeSize{W: 420, H: 78, Ribbon: 15, Left: 30, Foot: 13}
	wideStrike = strikeSize{W: 1200, H: 150, Ribbon: 22, Left: 34, Foot: 16, Names: true}
	fullStrike = strikeSize{W: 1200, H: 184, Ribbon: 22, Left: 40, Foot: 16, Names: true, Usual: 16}
)

func zoneWord(v float64) string {
	switch {
	case math.IsNaN(v):
		return ""
	case v < zoneSaturated:
		return "undersaturated"
	case v < zoneGrowth:
		return "metastable"
	case v < zoneLabile:
		return "intermediate"
	}
	return "labile"
}

// panView is one pan on the house page.
type panView struct {
	Name, Title, Href, Grade string
	Mark                     *markData
	Phase                    string
	Progress                 string
	S                        reading
	Zone                     string
	Values                   []figure
	Ribbon                   drawing
}

func (s *Server) panView(p *Picture, pan *plant.Equipment, now time.Time, trace []Bucket, size strikeSize, usual *StrikeRecord) panView {
	v := panView{Name: pan.Name, Title: pan.Title, Href: vesselHref(pan.Path), Mark: s.worst(p, pan.Path)}
	if pan.Pan != nil {
		v.Grade = pan.Pan.Grade
	}
	v.S = s.read(p, pan.Tag("supersaturation"), now)
	v.Zone = zoneWord(v.S.Value)
	for _, f := range []struct{ label, name string }{
		{"level", "level"},
		{"Brix", "massecuite_brix"},
		{"temp.", "massecuite_temperature"},
		{"vacuum", "vapour_pressure"},
	} {
		v.Values = append(v.Values, figure{Label: f.label, Value: s.read(p, pan.Tag(f.name), now)})
	}
	st, running := strikeOf(p, pan.Path)
	v.Phase = "no strike"
	switch {
	case running:
	case pan.Pan != nil && len(pan.Pan.Compartments) > 0:
		v.Phase = "continuous"
	default:
		if r := s.read(p, pan.Tag("phase"), now); r.OK {
			v.Phase = "phase " + r.Text
		}
	}
	expected := s.expectedStrike(st, pan)
	if running {
		for _, ph := range st.Phases {
			if !ph.Start.IsZero() && ph.End.IsZero() {
				v.Phase = ph.Name
			}
		}
		v.Progress = hours(now.Sub(st.Started))
		if expected > 0 {
			v.Progress += " of " + hours(expected)
		}
		v.Progress += " h"
		if over := now.Sub(st.Started) - expected; expected > 0 && over > 0 {
			v.Progress += ", " + span(over) + " over"
		}
	}
	v.Ribbon = drawStrike("strike-"+pan.Name, size, st, running, expected, now, trace, usual)
	return v
}

func strikeOf(p *Picture, pan string) (Strike, bool) {
	for _, s := range p.Strikes {
		if s.Pan == pan && !s.Started.IsZero() {
			return s, true
		}
	}
	return Strike{}, false
}

func (s *Server) expectedStrike(st Strike, pan *plant.Equipment) time.Duration {
	if st.Expected > 0 {
		return st.Expected
	}
	if pan.Pan != nil && pan.Pan.StrikeHours > 0 {
		return time.Duration(pan.Pan.StrikeHours * float64(time.Hour))
	}
	return 0
}

// drawStrike draws the ribbon and the supersaturation beneath it.
func drawStrike(id string, size strikeSize, st Strike, running bool, expected time.Duration, now time.Time, trace []Bucket, usual *StrikeRecord) drawing {
	strikeW, strikeH, strikeLeft, ribbonH, strikeTop := size.W, size.H, size.Left, size.Ribbon, size.Ribbon+6
	if size.Usual == 0 {
		usual = nil
	}
	if usual != nil {
		strikeTop += size.Usual + 4
	}
	d := drawing{ID: id, W: strikeW, H: strikeH, Title: "Strike ribbon: phases above, supersaturation and its zones beneath, over the time of the strike."}
	bottom := strikeH - size.Foot
	y := func(v float64) float64 {
		v = math.Max(zoneLow, math.Min(zoneHigh, v))
		return round1(strikeTop + (zoneHigh-v)/(zoneHigh-zoneLow)*(bottom-strikeTop))
	}
	for _, z := range []struct {
		low, high float64
		class     string
	}{{zoneLabile, zoneHigh, "sz labile"}, {zoneGrowth, zoneLabile, "sz between"}, {zoneSaturated, zoneGrowth, "sz growth"}, {zoneLow, zoneSaturated, "sz under"}} {
		fill := ""
		switch z.class {
		case "sz labile":
			fill = id + "-scale"
		case "sz between":
			fill = id + "-rise"
		}
		d.Rects = append(d.Rects, rect{X: strikeLeft, Y: y(z.high), W: strikeW - strikeLeft, H: round1(y(z.low) - y(z.high)), Class: z.class, Fill: fill})
	}
	for _, v := range []float64{zoneSaturated, zoneGrowth, zoneLabile} {
		d.Lines = append(d.Lines, line{X1: strikeLeft, Y1: y(v), X2: strikeW, Y2: y(v), Class: "sz-line"})
		// The upper two lie close: their figures give way to each other.
		shift := 4.0
		switch {
		case size.Names:
		case v == zoneLabile:
			shift = 2
		case v == zoneGrowth:
			shift = 7
		}
		d.Captions = append(d.Captions, caption{X: strikeLeft - 4, Y: round1(y(v) + shift), Anchor: "end", Class: "st-scale", Text: decimals(v, 1)})
	}
	d.Rects = append(d.Rects, rect{X: strikeLeft, Y: 2, W: strikeW - strikeLeft, H: ribbonH, Class: "ph-track"})
	var elapsed time.Duration
	if running {
		elapsed = now.Sub(st.Started)
	}
	total := max(expected, elapsed+time.Minute)
	if usual != nil && !usual.End.IsZero() {
		total = max(total, usual.End.Sub(usual.Start))
	}
	var ahead time.Duration
	for _, ph := range st.Phases {
		if ph.Start.IsZero() {
			ahead += ph.Expected
		}
	}
	x := func(at time.Duration) float64 {
		f := float64(at) / float64(total)
		return round1(strikeLeft + math.Max(0, math.Min(1, f))*(strikeW-strikeLeft))
	}
	if usual != nil {
		drawUsual(&d, size, usual, x, y)
	}
	if !running {
		return d
	}
	cursor := elapsed
	for i, ph := range st.Phases {
		from, to, class := ph.Start.Sub(st.Started), ph.End.Sub(st.Started), "ph over"
		switch {
		case ph.Start.IsZero():
			from, to, class = cursor, cursor+ph.Expected, "ph ahead"
			cursor = to
		case ph.End.IsZero():
			to, class = elapsed, "ph now"
			if ph.Expected > elapsed-from {
				rest := rect{X: x(elapsed), Y: 2, W: round1(x(from+ph.Expected) - x(elapsed)), H: ribbonH, Class: "ph ahead"}
				if rest.W > 0 {
					d.Rects = append(d.Rects, rest)
				}
				cursor = from + ph.Expected
			}
		case i%2 == 1:
			class = "ph over odd"
		}
		if w := round1(x(to) - x(from)); w > 0 {
			d.Rects = append(d.Rects, rect{X: x(from), Y: 2, W: w, H: ribbonH, Class: class})
			if size.Names && w > float64(8*len([]rune(ph.Name))) {
				name := caption{X: round1(x(from) + 7), Y: ribbonH - 5, Anchor: "start", Class: "st-phase", Text: ph.Name}
				if class == "ph now" {
					name.Class = "st-phase now"
				}
				d.Captions = append(d.Captions, name)
			}
		}
	}
	step := time.Hour
	if total > 6*time.Hour {
		step = 2 * time.Hour
	}
	for at := time.Duration(0); at <= total; at += step {
		d.Lines = append(d.Lines, line{X1: x(at), Y1: bottom, X2: x(at), Y2: bottom + 3, Class: "sz-line"})
		anchor := "middle"
		if x(at) > strikeW-12 {
			anchor = "end"
		}
		d.Captions = append(d.Captions, caption{X: x(at), Y: strikeH - 1, Anchor: anchor, Class: "st-scale", Text: fmt.Sprintf("%d h", int(at.Hours()))})
	}
	d.Lines = append(d.Lines, line{X1: x(elapsed), Y1: 0, X2: x(elapsed), Y2: bottom, Class: "st-now"})
	var pts strings.Builder
	for _, b := range trace {
		if at := b.Time.Sub(st.Started); at >= 0 && at <= elapsed && !math.IsNaN(b.Mean) {
			fmt.Fprintf(&pts, "%s,%s ", fmtCoord(x(at)), fmtCoord(y(b.Mean)))
		}
	}
	if pts.Len() > 0 {
		d.Paths = append(d.Paths, shape{Points: strings.TrimSpace(pts.String()), Class: "st-trace"})
	}
	return d
}
