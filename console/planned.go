package console

import (
	"context"
	"net/http"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo"
)

// plannedRow is a stop or an outage that is declared.
type plannedRow struct{ Path, Name, Until, By string }

func (s *Server) plannedRows(ctx context.Context) (rows []plannedRow) {
	list, err := s.b.Declared(ctx)
	if err != nil {
		s.log.Warn("console: what is declared", "err", err)
	}
	for _, p := range list {
		if e, ok := s.b.House().Equip(p.Path); ok {
			rows = append(rows, plannedRow{p.Path, e.Title, p.Until.In(s.zone).Format(formTime), p.By})
		}
	}
	return rows
}

// wishedPlan reads the form: the vessel, until when (RFC 3339, or by the clock of the site),
// and who; "end" ends it now. It gives what is wrong in words.
func (s *Server) wishedPlan(r *http.Request, now time.Time) (p thermo.Planned, problem words.Text) {
	f := r.PostForm
	p = thermo.Planned{Path: f.Get("vessel"), From: now, Until: now}
	if p.By, problem = who(r); problem != "" {
		return p, problem
	}
	e, ok := s.b.House().Equip(p.Path)
	if !ok || e.Class != plant.ClassSet && e.Class != plant.ClassBody {
		return p, "Choose the set that stops, or the body that is taken out."
	}
	if f.Get("end") != "" {
		return p, ""
	}
	var err error
	if p.Until, err = time.Parse(time.RFC3339, f.Get("until")); err != nil {
		p.Until, err = s.siteTime(f.Get("until"), formTime)
	}
	switch {
	case err != nil:
		return p, "Give the time until which it lasts, as 2026-11-25 06:00."
	case !p.Until.After(now):
		return p, "Its end is past: give a time to come."
	case p.Until.Sub(now) > thermo.PlannedMost:
		return p, "Its end is more than 14 days away: declare less, and again when it is over."
	}
	return p, ""
}

// declare takes the form of a stop or an outage that is planned.
func (s *Server) declare(w http.ResponseWriter, r *http.Request) error {
	p, problem := s.wishedPlan(r, time.Now())
	return s.tell(w, r, problem, s.cleaningWithPlan, func(ctx context.Context) error { return s.b.Declare(ctx, p, station(r)) }, p.By, "/cleaning?done=planned#planned")
}

// apiPlanned lists what is declared; by POST it declares, or ends, one first.
func (s *Server) apiPlanned(w http.ResponseWriter, r *http.Request) error {
	if r.Method == http.MethodPost {
		p, problem := s.wishedPlan(r, time.Now())
		if problem != "" {
			return &failed{http.StatusUnprocessableEntity, problem}
		}
		if err := s.b.Declare(r.Context(), p, station(r)); err != nil {
			return err
		}
	}
	list, err := s.b.Declared(r.Context())
	if err != nil {
		return err
	}
	return reply(w, map[string][]thermo.Planned{"planned": list})
}
