package console

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo"
)

// The page of predictions: what becomes of a set that is cleaned, by-passed or run
// otherwise. Its address holds the question.

// supposedField is one field of the form.
type supposedField struct {
	Key, Value  string
	Label, Unit words.Text
}

// supposedBody is one body of it: "", "clean" or "bypass".
type supposedBody struct{ Key, Name, Value string }

type whatIfData struct {
	Set, SetPath, Hold, Money string
	Refused                   words.Text
	Sets                      []link
	Fields                    []supposedField
	Bodies                    []supposedBody
	Rows                      []foreseenRow
	Ladder                    []rungRow
	Bottlenecks               []bottleneckRow
	Notes                     []words.Text
}

type foreseenRow struct {
	Name, Unit, Now, Then, Change, Band words.Text
}

type rungRow struct {
	Body, Href string
	Cells      []foreseenRow
}

type bottleneckRow struct {
	Body, Href, Ratio, Evaporation, Steam, Saved, Cost string
	Why                                                words.Text
}

// supposition reads the question of an address; the fields are those of the form.
func (s *Server) supposition(q url.Values) (set *plant.Equipment, x thermo.Supposition, d whatIfData, err error) {
	sets := s.b.House().Of(plant.ClassSet)
	x.Set = q.Get("set")
	if x.Set == "" && len(sets) > 0 {
		x.Set = sets[0].Path
	}
	set, ok := s.b.House().Equip(x.Set)
	if !ok || set.Class != plant.ClassSet {
		return nil, x, d, notFound("There is no evaporator set of that name.")
	}
	amount := func(key string, label words.Text, u shownUnit, to *thermo.Amount) {
		d.Fields = append(d.Fields, supposedField{key, q.Get(key), label, u.text})
		var wrong error
		if *to, wrong = thermo.ParseAmount(pointed(q.Get(key))); wrong != nil {
			err = errors.Join(err, badQuery("%s: %s.", label, words.Of(wrong)))
		}
		if !to.Percent && to.Value != 0 {
			to.Value = u.back(to.Value)
		}
	}
	amount("steam_pressure", "Steam pressure, first calandria", s.unitNamed("", "kPa"), &x.SteamKPa)
	amount("last_pressure", "Vapour pressure, last body", s.lastVapour(set), &x.LastKPa)
	amount("juice", "Juice", s.units[kindMass], &x.JuiceTH)
	brix := shownUnit{text: "% Brix", scale: 1}
	amount("brix", "Juice Brix", brix, &x.Brix)
	bled := map[int]bool{}
	for _, e := range set.Parts {
		b := supposedBody{e.Path, e.Name, q.Get(e.Path)}
		switch b.Value {
		case "clean":
			x.Clean = append(x.Clean, e.Path)
		case "bypass":
			x.Bypass = append(x.Bypass, e.Path)
		case "":
		default:
			err = errors.Join(err, badQuery("%s: give clean or bypass, or leave it out.", e.Path))
		}
		d.Bodies = append(d.Bodies, b)
		if n := e.Body.Effect; len(e.Body.Bleeds) > 0 && !bled[n] {
			bled[n] = true
			amount(fmt.Sprintf("bleed%d", n), words.Say("Bleed after effect %d", n), s.units[kindMass], &x.BleedTH[n-1])
		}
	}
	amount("syrup_brix", "Syrup Brix", brix, &x.SyrupBrix)
	switch d.Hold = q.Get("hold"); d.Hold {
	case "brix":
		x.Hold = true
	case "", "pressure":
	default:
		err = errors.Join(err, badQuery("hold: give brix or pressure."))
	}
	d.Set, d.SetPath = set.Title, set.Path
	for _, e := range sets {
		d.Sets = append(d.Sets, link{words.Verbatim(e.Title), "/whatif?set=" + url.QueryEscape(e.Path), e == set})
	}
	return set, x, d, err
}

func (s *Server) foresee(ctx context.Context, x thermo.Supposition, now time.Time) (thermo.Outlook, error) {
	return kept(s.answers, fmt.Sprintf("what if %+v", x), now, time.Minute, func() (thermo.Outlook, error) {
		ctx, cancel := context.WithTimeout(ctx, trendTimeout)
		defer cancel()
		return s.b.WhatIf(ctx, x)
	})
}

func (s *Server) whatIfPage(r *http.Request, _ *engine.Picture, now time.Time) (*view, error) {
	set, x, d, err := s.supposition(r.URL.Query())
	if err != nil {
		return nil, err
	}
	out, err := s.foresee(r.Context(), x, now)
	if no, ok := errors.AsType[*engine.Refused](err); ok {
		d.Refused = no.Why
	} else if err != nil {
		return nil, fmt.Errorf("predict: %w", err)
	}
	d.Notes, d.Money = out.Notes, out.Currency
	for i := range out.Set {
		d.Rows = append(d.Rows, s.foreseenWords(set, &out.Set[i]))
	}
	name := func(path string) (string, string) {
		if e, ok := s.b.House().Equip(path); ok {
			return e.Name, vesselHref(e.Path)
		}
		return path, ""
	}
	for _, b := range out.Bodies {
		row := rungRow{}
		row.Body, row.Href = name(b.Body)
		for i := range b.Figures {
			row.Cells = append(row.Cells, s.foreseenWords(set, &b.Figures[i]))
		}
		d.Ladder = append(d.Ladder, row)
	}
	for _, b := range out.Bottlenecks {
		row := bottleneckRow{Why: b.Why}
		row.Body, row.Href = name(b.Body)
		if b.Why == "" {
			row.Ratio, row.Evaporation, row.Steam = decimals(100*(b.Ratio-1), 0).String(), decimals(b.EvaporationTH, 2).String(), decimals(b.SteamTH, 2).String()
			row.Saved = (decimals(b.SavedTH, 2) + " ± " + sigmaText(b.Sigma)).String()
			if b.CostADay != 0 {
				row.Cost = decimals(b.CostADay, 0).String()
			}
		}
		d.Bottlenecks = append(d.Bottlenecks, row)
	}
	return &view{Template: "whatif.html", Title: "What if", Section: "cleaning", Data: d}, nil
}

// lastVapour is how the vapour pressure of the last body of a set is shown.
func (s *Server) lastVapour(set *plant.Equipment) shownUnit {
	return s.unitNamed(set.LastBody().Path, "kPa")
}

// foreseenWords writes one figure.
func (s *Server) foreseenWords(set *plant.Equipment, f *thermo.Foreseen) foreseenRow {
	u := s.unitNamed("", f.Unit)
	if f.Name == "last vapour pressure" {
		u = s.lastVapour(set)
	}
	digits := f.Decimals
	if u.scale != 1 {
		digits = u.digits
	}
	r := foreseenRow{Name: f.Name, Unit: u.text, Now: dash, Then: dash, Change: dash}
	if f.Now != nil {
		r.Now = decimals(u.of(*f.Now), digits)
	}
	if f.Then != nil {
		r.Then = decimals(u.of(*f.Then), digits)
	}
	if f.Now == nil || f.Then == nil {
		return r
	}
	change := u.scale * (*f.Then - *f.Now)
	if r.Change = decimals(change, digits+1); change > 0 {
		r.Change = "+" + r.Change
	}
	if f.Sigma > 1e-5*math.Abs(*f.Then) { // else nothing changes
		r.Band = "± " + sigmaText(f.Sigma*math.Abs(u.scale))
	}
	return r
}

// apiWhatIf answers with the prediction, or why there is none.
func (s *Server) apiWhatIf(w http.ResponseWriter, r *http.Request) error {
	_, x, _, err := s.supposition(r.URL.Query())
	var out struct {
		*thermo.Outlook
		Refused words.Text `json:"refused,omitempty"`
	}
	if err == nil {
		var o thermo.Outlook
		o, err = s.foresee(r.Context(), x, time.Now())
		out.Outlook = &o
		if no, ok := errors.AsType[*engine.Refused](err); ok {
			out.Outlook, out.Refused, err = nil, no.Why, nil
		}
	}
	if err != nil {
		return err
	}
	return reply(w, out)
}
