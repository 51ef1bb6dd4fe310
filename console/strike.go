package console

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/pan"
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

func zoneWord(v float64) words.Text {
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
	Phase                    words.Text
	Progress                 words.Text
	S                        reading
	Zone                     words.Text
	Values                   []figure
	Ribbon                   drawing
	Odd                      unusual
	Dashes                   []calmLine
}

func (s *Server) panView(p *engine.Picture, pan *plant.Equipment, now time.Time, trace []plant.Bucket, size strikeSize, usual *Strike) panView {
	v := panView{Name: pan.Name, Title: pan.Title, Href: vesselHref(pan.Path), Mark: s.worst(p, pan.Path), Odd: s.unusual(p, pan, now)}
	if pan.Pan != nil {
		v.Grade = pan.Pan.Grade
	}
	v.S = s.read(p, pan.Tag("supersaturation"), now)
	v.Zone = zoneWord(v.S.Value)
	for _, f := range []struct {
		label words.Text
		name  string
	}{
		{"level", "level"},
		{"Brix", "massecuite_brix"},
		{"temp.", "massecuite_temperature"},
		{"vacuum", "vapour_pressure"},
	} {
		v.Values = append(v.Values, figure{Label: f.label, Value: s.read(p, pan.Tag(f.name), now)})
	}
	v.Dashes = dashes(append(slices.Clone(v.Values), figure{Label: "S", Value: v.S}))
	st, running := strikeOf(p, pan.Path)
	v.Phase = "no strike"
	switch {
	case running:
	case pan.Pan != nil && len(pan.Pan.Compartments) > 0:
		v.Phase = "continuous"
	default:
		if r := s.read(p, pan.Tag("phase"), now); r.OK {
			v.Phase = words.Say("phase %s", r.Text)
		}
	}
	expected := s.expectedStrike(st, pan)
	if running {
		for _, ph := range st.Phases {
			if !ph.Start.IsZero() && ph.End.IsZero() {
				v.Phase = words.Text(ph.Name)
			}
		}
		v.Progress = hours(now.Sub(st.Started))
		if expected > 0 {
			v.Progress = words.Say("%s of %s", v.Progress, hours(expected))
		}
		v.Progress += " h"
		if over := now.Sub(st.Started) - expected; expected > 0 && over > 0 {
			v.Progress += ", " + words.Say("%s over", span(over))
		}
	}
	v.Ribbon = drawStrike("strike-"+pan.Name, size, st, running, expected, now, trace, usual)
	return v
}

// ribbon is a running strike as it is drawn.
type ribbon struct {
	Started  time.Time
	Expected time.Duration // usual length, 0 if not known
	Phases   []ribbonPhase // those over, the present one, and those to come
	Profile  []pan.ProfilePoint
}

// ribbonPhase is one phase. One to come has no Start, the present one no End.
type ribbonPhase struct {
	Name       string
	Start, End time.Time
	Expected   time.Duration // usual length, 0 if not known
}

// strikeOf is the strike that runs in a pan.
func strikeOf(p *engine.Picture, path string) (ribbon, bool) {
	for i := range p.Strikes {
		if f := &p.Strikes[i]; f.Pan == path && f.Running != nil {
			return ribbonOf(f.Running, f.Usual), true
		}
	}
	return ribbon{}, false
}

// ribbonOf draws the phases still to come as the usual strike has them.
func ribbonOf(s, usual *pan.Strike) ribbon {
	r := ribbon{Started: s.Start, Profile: s.Profile}
	length := map[pan.Phase]time.Duration{}
	if usual != nil {
		r.Expected = usual.Length(usual.End)
		for _, p := range usual.Phases {
			length[p.Phase] += p.Duration(usual.End)
		}
	}
	last := pan.Unknown
	for _, p := range s.Phases {
		r.Phases = append(r.Phases, ribbonPhase{Name: p.Phase.String(), Start: p.Start, End: p.End, Expected: length[p.Phase]})
		last = p.Phase
	}
	if usual != nil && s.End.IsZero() {
		for _, p := range usual.Phases {
			if p.Phase > last {
				r.Phases = append(r.Phases, ribbonPhase{Name: p.Phase.String(), Expected: length[p.Phase]})
			}
		}
	}
	return r
}

func (s *Server) expectedStrike(st ribbon, pan *plant.Equipment) time.Duration {
	if st.Expected > 0 {
		return st.Expected
	}
	if pan.Pan != nil && pan.Pan.StrikeHours > 0 {
		return time.Duration(pan.Pan.StrikeHours * float64(time.Hour))
	}
	return 0
}

// strikePicture is a ribbon while it is drawn.
type strikePicture struct {
	drawing
	size           strikeSize
	top, bottom    float64 // of the supersaturation
	elapsed, total time.Duration
}

// x is where a moment of the strike lies.
func (d *strikePicture) x(at time.Duration) float64 {
	f := float64(at) / float64(d.total)
	return round1(d.size.Left + math.Max(0, math.Min(1, f))*(d.size.W-d.size.Left))
}

// y is where a supersaturation lies.
func (d *strikePicture) y(v float64) float64 {
	v = math.Max(zoneLow, math.Min(zoneHigh, v))
	return round1(d.top + (zoneHigh-v)/(zoneHigh-zoneLow)*(d.bottom-d.top))
}

// drawStrike draws the ribbon and the supersaturation beneath it.
func drawStrike(id string, size strikeSize, st ribbon, running bool, expected time.Duration, now time.Time, trace []plant.Bucket, usual *Strike) drawing {
	d := strikePicture{size: size, top: size.Ribbon + 6, bottom: size.H - size.Foot, drawing: drawing{ID: id, W: size.W, H: size.H,
		Title: "Strike ribbon: phases above, supersaturation and its zones beneath, over the time of the strike."}}
	if size.Usual == 0 {
		usual = nil
	}
	if usual != nil {
		d.top += size.Usual + 4
	}
	d.zones()
	if running {
		d.elapsed = now.Sub(st.Started)
	}
	d.total = max(expected, d.elapsed+time.Minute)
	if usual != nil && !usual.End.IsZero() {
		d.total = max(d.total, usual.End.Sub(usual.Start))
	}
	if usual != nil {
		d.usual(usual)
	}
	if !running {
		return d.drawing
	}
	d.phases(st)
	step := time.Hour
	if d.total > 6*time.Hour {
		step = 2 * time.Hour
	}
	for at := time.Duration(0); at <= d.total; at += step {
		d.Lines = append(d.Lines, line{X1: d.x(at), Y1: d.bottom, X2: d.x(at), Y2: d.bottom + 3, Class: "sz-line"})
		anchor := "middle"
		if d.x(at) > size.W-12 {
			anchor = "end"
		}
		d.Captions = append(d.Captions, caption{X: d.x(at), Y: size.H - 1, Anchor: anchor, Class: "st-scale", Text: words.Say("%d h", int(at.Hours()))})
	}
	d.Lines = append(d.Lines, line{X1: d.x(d.elapsed), Y1: 0, X2: d.x(d.elapsed), Y2: d.bottom, Class: "st-now"})
	var pts strings.Builder
	for _, b := range trace {
		if at := b.Start.Sub(st.Started); at >= 0 && at <= d.elapsed && !math.IsNaN(b.Mean) {
			fmt.Fprintf(&pts, "%s,%s ", fmtCoord(d.x(at)), fmtCoord(d.y(b.Mean)))
		}
	}
	if pts.Len() > 0 {
		d.Paths = append(d.Paths, shape{Points: strings.TrimSpace(pts.String()), Class: "st-trace"})
	}
	return d.drawing
}

// zones draws the zones of supersaturation with their scale, and the track of the phases.
func (d *strikePicture) zones() {
	size := d.size
	for _, z := range []struct {
		low, high   float64
		class, fill string
	}{
		{zoneLabile, zoneHigh, "sz labile", d.ID + "-scale"}, {zoneGrowth, zoneLabile, "sz between", d.ID + "-rise"},
		{zoneSaturated, zoneGrowth, "sz growth", ""}, {zoneLow, zoneSaturated, "sz under", ""},
	} {
		d.Rects = append(d.Rects, rect{X: size.Left, Y: d.y(z.high), W: size.W - size.Left, H: round1(d.y(z.low) - d.y(z.high)), Class: z.class, Fill: z.fill})
	}
	for _, v := range []float64{zoneSaturated, zoneGrowth, zoneLabile} {
		d.Lines = append(d.Lines, line{X1: size.Left, Y1: d.y(v), X2: size.W, Y2: d.y(v), Class: "sz-line"})
		// The upper two lie close: their figures give way to each other.
		shift := 4.0
		switch {
		case size.Names:
		case v == zoneLabile:
			shift = 2
		case v == zoneGrowth:
			shift = 7
		}
		d.Captions = append(d.Captions, caption{X: size.Left - 4, Y: round1(d.y(v) + shift), Anchor: "end", Class: "st-scale", Text: decimals(v, 1)})
	}
	d.Rects = append(d.Rects, rect{X: size.Left, Y: 2, W: size.W - size.Left, H: size.Ribbon, Class: "ph-track"})
}

// phases draws those over, the present one, and those to come.
func (d *strikePicture) phases(st ribbon) {
	cursor := d.elapsed
	for i, ph := range st.Phases {
		from, to, class := ph.Start.Sub(st.Started), ph.End.Sub(st.Started), "ph over"
		switch {
		case ph.Start.IsZero():
			from, to, class = cursor, cursor+ph.Expected, "ph ahead"
			cursor = to
		case ph.End.IsZero():
			to, class = d.elapsed, "ph now"
			if ph.Expected > d.elapsed-from {
				rest := rect{X: d.x(d.elapsed), Y: 2, W: round1(d.x(from+ph.Expected) - d.x(d.elapsed)), H: d.size.Ribbon, Class: "ph ahead"}
				if rest.W > 0 {
					d.Rects = append(d.Rects, rest)
				}
				cursor = from + ph.Expected
			}
		case i%2 == 1:
			class = "ph over odd"
		}
		w := round1(d.x(to) - d.x(from))
		if w <= 0 {
			continue
		}
		d.Rects = append(d.Rects, rect{X: d.x(from), Y: 2, W: w, H: d.size.Ribbon, Class: class})
		if d.size.Names && w > float64(8*len([]rune(ph.Name))) {
			name := caption{X: round1(d.x(from) + 7), Y: d.size.Ribbon - 5, Anchor: "start", Class: "st-phase", Text: words.Text(ph.Name)}
			if class == "ph now" {
				name.Class = "st-phase now"
			}
			d.Captions = append(d.Captions, name)
		}
	}
}

// usual puts the strike to compare with beneath the phases and its
// supersaturation behind the trace.
func (d *strikePicture) usual(usual *Strike) {
	size := d.size
	top := size.Ribbon + 6
	d.Captions = append(d.Captions, caption{X: size.Left - 4, Y: round1(top + size.Usual/2 + 4), Anchor: "end", Class: "st-scale", Text: "usual"})
	for _, ph := range usual.Phases {
		if ph.End.IsZero() {
			continue
		}
		from, to := d.x(ph.Start.Sub(usual.Start)), d.x(ph.End.Sub(usual.Start))
		if w := round1(to - from); w > 0 {
			d.Rects = append(d.Rects, rect{X: from, Y: top, W: w, H: size.Usual, Class: "ph usual"})
			if w > float64(8*len([]rune(ph.Phase.String()))) {
				d.Captions = append(d.Captions, caption{X: round1(from + 7), Y: round1(top + size.Usual/2 + 4), Anchor: "start", Class: "st-scale", Text: words.Text(ph.Phase.String())})
			}
		}
	}
	var pts strings.Builder
	for _, q := range usual.Profile {
		if at := q.At.Sub(usual.Start); at >= 0 && q.Supersaturation.OK && (usual.End.IsZero() || !q.At.After(usual.End)) {
			fmt.Fprintf(&pts, "%s,%s ", fmtCoord(d.x(at)), fmtCoord(d.y(q.Supersaturation.Value)))
		}
	}
	if pts.Len() > 0 {
		d.Paths = append(d.Paths, shape{Points: strings.TrimSpace(pts.String()), Class: "st-usual"})
	}
}
