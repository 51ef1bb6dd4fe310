package console

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"strings"
	"time"

	"calandria/plant"
)

// pastStrikes is how many strikes that are over a pan's table shows.
const pastStrikes = 8

// panPage is one pan on the pans page.
type panPage struct {
	panView
	Figures []figure
	Phases  []phaseRow
	Usual   string // which strike it is compared with
	Past    []strikeRow
	Mean    string
}

type phaseRow struct {
	Name, Time, Usual, Difference string
	Now, Ahead                    bool
}

type strikeRow struct {
	Number                                 int
	Begun, Length, Water, MaxS             string
	Above, Below, DropBrix, DropC, Crystal string
	Notes                                  string
	Reference                              bool
}

func (s *Server) strikes(ctx context.Context, now time.Time) ([]PanStrikes, error) {
	return kept(&s.answers, "strikes", now, tailFresh, func() ([]PanStrikes, error) {
		ctx, cancel := context.WithTimeout(ctx, commandTimeout)
		defer cancel()
		return s.b.Strikes(ctx)
	})
}

func (s *Server) pansPage(r *http.Request, p *Picture, now time.Time) (*view, error) {
	known, err := s.strikes(r.Context(), now)
	if err != nil {
		return nil, fmt.Errorf("ask for the strikes: %w", err)
	}
	var pans []panPage
	for _, e := range s.b.House().Of(plant.ClassPan) {
		var ps PanStrikes
		for i := range known {
			if known[i].Pan == e.Path {
				ps = known[i]
			}
		}
		var trace []Bucket
		st, running := strikeOf(p, e.Path)
		if running {
			trace = s.strikeTrace(r.Context(), st, now)
		}
		x := panPage{panView: s.panView(p, e, now, trace, fullStrike, ps.Usual)}
		for _, f := range []struct{ label, name string }{
			{"water evaporated", "water_evaporated"}, {"evaporation", "evaporation"}, {"vacuum", "vapour_pressure"}, {"massecuite", "massecuite_temperature"},
			{"boiling-point rise", "boiling_point_elevation"}, {"Brix", "massecuite_brix"}, {"mother liquor", "mother_liquor_brix"}, {"level", "level"},
		} {
			if e.Tag(f.name) != plant.NoTag {
				x.Figures = append(x.Figures, figure{Label: f.label, Value: s.read(p, e.Tag(f.name), now)})
			}
		}
		for _, k := range e.Parts { // the compartments of a continuous pan
			if id := k.Tag("supersaturation"); id != plant.NoTag {
				x.Figures = append(x.Figures, figure{Label: k.Name + " supersaturation", Value: s.read(p, id, now)})
			}
		}
		x.Phases = phaseRows(st, running, ps.Usual, now)
		if u := ps.Usual; u != nil {
			x.Usual = fmt.Sprintf("strike %d, %s", u.Number, s.moment(now, u.Start))
		}
		for i := range ps.Past {
			if i == pastStrikes {
				break
			}
			x.Past = append(x.Past, s.strikeRow(&ps.Past[i], ps.Usual, now))
		}
		pans = append(pans, x)
	}
	return &view{Template: "pans.html", Title: "Pans", Section: "pans", Live: "view=pans", Reload: true,
		Parts: map[string]any{"boiling": pans, "past": pans}, Data: map[string]any{"None": len(pans) == 0}}, nil
}

// phaseRows compares the phases of a strike with those of the usual one. A
// phase that the strike came back to counts once, with all its time.
func phaseRows(st Strike, running bool, usual *StrikeRecord, now time.Time) []phaseRow {
	type times struct {
		took, expected time.Duration
		now, begun     bool
	}
	var order []string
	by := map[string]*times{}
	at := func(name string) *times {
		if by[name] == nil {
			by[name] = &times{}
			order = append(order, name)
		}
		return by[name]
	}
	if running {
		for _, ph := range st.Phases {
			t := at(ph.Name)
			t.expected = ph.Expected
			switch {
			case ph.Start.IsZero():
			case ph.End.IsZero():
				t.took, t.now, t.begun = t.took+now.Sub(ph.Start), true, true
			default:
				t.took, t.begun = t.took+ph.End.Sub(ph.Start), true
			}
		}
	}
	if usual != nil {
		sum := map[string]time.Duration{}
		for _, ph := range usual.Phases {
			if !ph.End.IsZero() {
				sum[ph.Name] += ph.End.Sub(ph.Start)
			}
		}
		for _, ph := range usual.Phases {
			at(ph.Name).expected = sum[ph.Name]
		}
	}
	var rows []phaseRow
	for _, name := range order {
		t := by[name]
		r := phaseRow{Name: name, Time: dash, Usual: dash, Now: t.now, Ahead: !t.begun}
		if t.begun {
			r.Time = hours(t.took)
		}
		if t.expected > 0 {
			r.Usual = hours(t.expected)
			// The present phase is late once it is over its time, never early.
			if over := t.took - t.expected; t.begun && (over >= time.Minute || !t.now && over <= -time.Minute) {
				sign := "+"
				if over < 0 {
					sign, over = "−", -over
				}
				r.Difference = sign + hours(over)
			}
		}
		rows = append(rows, r)
	}
	return rows
}

func (s *Server) strikeRow(r *StrikeRecord, usual *StrikeRecord, now time.Time) strikeRow {
	x := strikeRow{Number: r.Number, Begun: s.moment(now, r.Start), Length: dash, Water: decimals(r.WaterT, 1), MaxS: decimals(r.MaxS, 2),
		Above: decimals(r.FalseGrainMinutes, 0), Below: decimals(r.DissolvingMinutes, 0), DropBrix: decimals(r.DropBrix, 1), DropC: decimals(r.DropC, 1),
		Crystal: decimals(r.CrystalPct, 0), Notes: strings.Join(r.Notes, "; "), Reference: usual != nil && usual.Start.Equal(r.Start)}
	if !r.End.IsZero() {
		x.Length = hours(r.End.Sub(r.Start))
	}
	if !r.Whole {
		x.Notes = strings.TrimPrefix(x.Notes+"; not seen whole", "; ")
	}
	return x
}

// drawUsual puts the strike to compare with beneath the phases and its
// supersaturation behind the trace.
func drawUsual(d *drawing, size strikeSize, usual *StrikeRecord, x func(time.Duration) float64, y func(float64) float64) {
	top := size.Ribbon + 6
	d.Captions = append(d.Captions, caption{X: size.Left - 4, Y: round1(top + size.Usual/2 + 4), Anchor: "end", Class: "st-scale", Text: "usual"})
	for _, ph := range usual.Phases {
		if ph.End.IsZero() {
			continue
		}
		from, to := x(ph.Start.Sub(usual.Start)), x(ph.End.Sub(usual.Start))
		if w := round1(to - from); w > 0 {
			d.Rects = append(d.Rects, rect{X: from, Y: top, W: w, H: size.Usual, Class: "ph usual"})
			if w > float64(8*len([]rune(ph.Name))) {
				d.Captions = append(d.Captions, caption{X: round1(from + 7), Y: round1(top + size.Usual/2 + 4), Anchor: "start", Class: "st-scale", Text: ph.Name})
			}
		}
	}
	var pts strings.Builder
	for _, q := range usual.Profile {
		if at := q.At.Sub(usual.Start); at >= 0 && !math.IsNaN(q.S) && (usual.End.IsZero() || !q.At.After(usual.End)) {
			fmt.Fprintf(&pts, "%s,%s ", fmtCoord(x(at)), fmtCoord(y(q.S)))
		}
	}
	if pts.Len() > 0 {
		d.Paths = append(d.Paths, shape{Points: strings.TrimSpace(pts.String()), Class: "st-usual"})
	}
}
