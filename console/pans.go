package console

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/pan"
)

// pastStrikes is how many strikes that are over a pan's table shows, and manyStrikes on
// request.
const (
	pastStrikes = 8
	manyStrikes = 60
)

// panPage is one pan on the pans page.
type panPage struct {
	panView
	Figures      []figure
	Phases       []phaseRow
	Usual        words.Text // which strike it is compared with
	Late         []words.Text
	Compare      string        // address of the comparison of the running strike
	Compartments *compartTable // of a continuous pan
}

// pastPage is what is on record of one pan.
type pastPage struct {
	Name, UsualHref string
	Usual, By       words.Text
	Phases          []words.Text // that any of its strikes had
	Past            []strikeRow
	CSV, More       string
}

type phaseRow struct {
	Time, Usual, Difference string
	Name                    words.Text
	Now, Ahead              bool
}

type strikeRow struct {
	Number                          int
	Href, Pan                       string
	Begun                           words.Text
	Length, Water, MaxS             string
	Above, Below, DropBrix, Crystal string
	U, Longer                       string   // of feed on; length against the usual strike
	Minutes                         []string // by phase
	Notes                           words.Text
	Reference                       bool
}

// strikeOrder is the order of phases; what else a strike had is not in the table.
var strikeOrder = []pan.Phase{pan.Charge, pan.Concentrate, pan.Graining, pan.FeedOn, pan.Tighten, pan.Drop, pan.SteamOut}

func (s *Server) strikes(ctx context.Context, now time.Time) ([]PanStrikes, error) {
	return kept(s.answers, "strikes", now, tailFresh, func() ([]PanStrikes, error) {
		ctx, cancel := context.WithTimeout(ctx, commandTimeout)
		defer cancel()
		return s.b.Strikes(ctx)
	})
}

func (s *Server) strikeRecords(ctx context.Context, now time.Time, f plant.StrikeFilter) ([]Strike, error) {
	return kept(s.answers, fmt.Sprintf("strike records %+v", f), now, tailFresh, func() ([]Strike, error) {
		ctx, cancel := context.WithTimeout(ctx, commandTimeout)
		defer cancel()
		return s.b.StrikeRecords(ctx, f)
	})
}

func (s *Server) pansPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	known, err := s.strikes(r.Context(), now)
	if err != nil {
		return nil, fmt.Errorf("ask for the strikes: %w", err)
	}
	most, live := pastStrikes, "view=pans"
	switch r.URL.Query().Get("past") {
	case "":
	case "many":
		most, live = manyStrikes, "view=pans&past=many"
	default:
		return nil, badQuery("past: use many, or leave it out.")
	}
	var pans []panPage
	var past []pastPage
	var names []string
	for _, e := range s.b.House().Of(plant.ClassPan) {
		names = append(names, e.Name)
		var ps PanStrikes
		for i := range known {
			if known[i].Pan == e.Path {
				ps = known[i]
			}
		}
		var trace []plant.Bucket
		st, running := strikeOf(p, e.Path)
		if running {
			trace = s.strikeTrace(r.Context(), st, e.Path+".supersaturation", now)
		}
		x := panPage{panView: s.panView(p, e, now, trace, fullStrike, ps.Usual)}
		for _, f := range []struct {
			label words.Text
			name  string
		}{
			{"water evaporated", "water_evaporated"}, {"evaporation", "evaporation"}, {"vacuum", "vapour_pressure"}, {"massecuite", "massecuite_temperature"},
			{"boiling-point rise", "boiling_point_elevation"}, {"Brix", "massecuite_brix"}, {"mother liquor", "mother_liquor_brix"}, {"level", "level"},
		} {
			if e.Tag(f.name) != plant.NoTag {
				x.Figures = append(x.Figures, figure{Label: f.label, Value: s.read(p, e.Tag(f.name), now)})
			}
		}
		x.Dashes = dashes(append(slices.Clone(x.Figures), figure{Label: "S", Value: x.S}))
		if x.Compartments = s.compartments(p, e, now); x.Compartments != nil {
			pans = append(pans, x)
			continue
		}
		x.Phases = phaseRows(st, running, ps.Usual, now)
		if ps.Running != nil {
			x.Compare = "/pans/" + url.PathEscape(e.Path) + "/running"
			if a := ps.Running.Against; a != nil {
				x.Late = pan.Words(a.Findings)
			}
		}
		pans = append(pans, x)
		records, err := s.strikeRecords(r.Context(), now, plant.StrikeFilter{Pan: e.Path, Limit: most + 1})
		if err != nil {
			return nil, fmt.Errorf("ask for the recorded strikes: %w", err)
		}
		y := pastPage{Name: e.Name, CSV: "/strikes.csv?pan=" + url.QueryEscape(e.Path)}
		if len(records) > most {
			records = records[:most]
			if most == pastStrikes {
				y.More = "/pans?past=many#past"
			}
		}
		if u := ps.Usual; u != nil {
			y.Usual = words.Say("strike %d, %s", u.Number, s.moment(now, u.Start))
			y.By = byWords(ps.Chosen, ps.By)
			if u.ID != 0 {
				y.UsualHref = strikeHref(u.ID)
			}
		}
		var phases []pan.Phase
		for _, name := range strikeOrder {
			for i := range records {
				if records[i].minutes(name) > 0 {
					y.Phases = append(y.Phases, words.Text(name.String()))
					phases = append(phases, name)
					break
				}
			}
		}
		for i := range records {
			row := s.strikeRow(&records[i], ps.Usual, now)
			for _, name := range phases {
				m := records[i].minutes(name)
				if m > 0 {
					row.Minutes = append(row.Minutes, decimals(m, 0).String())
				} else {
					row.Minutes = append(row.Minutes, dash)
				}
			}
			y.Past = append(y.Past, row)
		}
		past = append(past, y)
	}
	return &view{Template: "pans.html", Title: "Pans", Section: "pans", Live: live, Reload: true,
		Parts: parts{"boiling": pans, "past": past}, Data: pansData{Names: names, None: len(pans) == 0, Batch: len(past) > 0}}, nil
}

// pansData says what there is to show.
type pansData struct {
	Names       []string
	None, Batch bool
}

func strikeHref(id int64) string { return fmt.Sprintf("/strikes/%d", id) }

// compartTable is a continuous pan, one row a compartment in the order of flow.
type compartTable struct {
	Columns []compartColumn
	Rows    []compartRow
}

type compartColumn struct{ Label, Unit words.Text }

type compartRow struct {
	Name, Title, Href string
	Zone              words.Text
	Mark              *markData
	Values            []reading
}

// compartments makes the table of a continuous pan; nil for a batch pan. A column that no
// compartment has is left out.
func (s *Server) compartments(p *engine.Picture, pan *plant.Equipment, now time.Time) *compartTable {
	if pan.Pan == nil || len(pan.Pan.Compartments) == 0 {
		return nil
	}
	t := &compartTable{}
	for _, k := range pan.Parts {
		t.Rows = append(t.Rows, compartRow{Name: k.Name, Title: k.Title, Href: vesselHref(k.Path), Mark: s.worst(p, k.Path)})
	}
	for _, c := range []struct {
		label words.Text
		name  string
	}{
		{"level", "level"}, {"massecuite", "massecuite_temperature"}, {"rise", "boiling_point_elevation"}, {"Brix", "massecuite_brix"}, {"mother liquor", "mother_liquor_brix"},
		{"S", "supersaturation"}, {"crystal", "crystal_content"}, {"conductivity", "massecuite_conductivity"}, {"feed", "feed_flow"}, {"evaporation", "evaporation"}, {"U", "u"},
	} {
		var values []reading
		found := false
		for _, k := range pan.Parts {
			v := s.read(p, k.Tag(c.name), now)
			found = found || k.Tag(c.name) != plant.NoTag
			values = append(values, v)
		}
		if !found {
			continue
		}
		col := compartColumn{Label: c.label}
		for i := range values {
			if values[i].Unit != "" {
				col.Unit = values[i].Unit
			}
			t.Rows[i].Values = append(t.Rows[i].Values, values[i])
			if c.name == "supersaturation" {
				t.Rows[i].Zone = zoneWord(values[i].Value)
			}
		}
		t.Columns = append(t.Columns, col)
	}
	return t
}

// phaseRows compares the phases of a strike with those of the usual one. A
// phase that the strike came back to counts once, with all its time.
func phaseRows(st ribbon, running bool, usual *Strike, now time.Time) []phaseRow {
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
				sum[ph.Phase.String()] += ph.End.Sub(ph.Start)
			}
		}
		for _, ph := range usual.Phases {
			at(ph.Phase.String()).expected = sum[ph.Phase.String()]
		}
	}
	var rows []phaseRow
	for _, name := range order {
		t := by[name]
		r := phaseRow{Name: words.Text(name), Time: dash, Usual: dash, Now: t.now, Ahead: !t.begun}
		if t.begun {
			r.Time = hours(t.took).String()
		}
		if t.expected > 0 {
			r.Usual = hours(t.expected).String()
			// The present phase is late once it is over its time, never early.
			if over := t.took - t.expected; t.begun && (over >= time.Minute || !t.now && over <= -time.Minute) {
				r.Difference = signedHours(over).String()
			}
		}
		rows = append(rows, r)
	}
	return rows
}

func (s *Server) strikeRow(r *Strike, usual *Strike, now time.Time) strikeRow {
	crystal := r.Balance.CrystalPct
	if !crystal.OK {
		crystal = r.DropCrystal
	}
	x := strikeRow{Number: r.Number, Pan: r.Pan, Begun: s.moment(now, r.Start), Length: dash, Longer: dash, U: dash, Water: amount(r.WaterT, 1).String(), MaxS: amount(r.MaxS, 2).String(),
		Above: decimals(r.FalseGrainMinutes, 0).String(), Below: decimals(r.DissolvingMinutes, 0).String(), DropBrix: amount(r.DropBrix, 1).String(),
		Crystal: amount(crystal, 1).String(), Notes: words.Join(pan.Words(slices.Concat(r.Notes, r.Balance.Doubts)), "; "), Reference: r.Reference}
	if r.ID != 0 {
		x.Href = strikeHref(r.ID)
	}
	if f, ok := r.Phase(pan.FeedOn); ok {
		x.U = amount(f.U, 3).String()
	}
	if !r.End.IsZero() {
		x.Length = hours(r.End.Sub(r.Start)).String()
		if usual != nil && !r.Reference && usual.Grade == r.Grade {
			x.Longer = signedHours(r.End.Sub(r.Start) - usual.End.Sub(usual.Start)).String()
		}
	}
	if !r.Whole {
		x.Notes = words.Join(append(pan.Words(slices.Concat(r.Notes, r.Balance.Doubts)), "not seen whole"), "; ")
		x.Longer = dash
	}
	return x
}

// signedHours is a difference of times, in h:mm with its sign.
func signedHours(d time.Duration) words.Text {
	sign := words.Text("+")
	if d < 0 {
		sign, d = "−", -d
	}
	if d < time.Minute {
		return "0:00"
	}
	return sign + hours(d)
}
