package console

import (
	"cmp"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/pan"
)

// One strike: its profile, its phases against the strike to compare with, and the balance
// at its end; the lists of recorded strikes for other programs.

// strikesMost is how many strikes one list for another program holds.
const strikesMost = 1000

// compareRow is one phase of a strike and of the one to compare with.
type compareRow struct {
	Name                      words.Text
	Now, Late                 bool
	Time, Usual, Difference   string
	Brix, UsualBrix           string
	S, UsualS                 string
	U, UsualU, Water, UsWater string
}

// strikeView is a strike on its own page.
type strikeView struct {
	Running        bool
	Row            strikeRow
	Grade          string
	Begun, Ended   string
	Phases         []compareRow
	With, By       words.Text
	WithHref       string
	Findings       []words.Text
	Drop, Purities []labelled
	Masses         []labelled
	Doubts         []words.Text
	PuritiesBy     words.Text
	Ribbon         drawing
	Profile        []profileRow
	Units          [3]words.Text // of its pressures, temperatures and flows
}

type labelled struct{ Label, Value, Unit words.Text }

type profileRow struct {
	At                                                       string
	Phase                                                    words.Text
	Level, Pressure, C, Brix, Liquor, S, Evaporation, U, Con string
}

// byWords says what the strike to compare with is.
func byWords(chosen bool, by string) words.Text {
	switch {
	case !chosen:
		return "the most ordinary of the last ten"
	case by == "":
		return "chosen"
	}
	return words.Say("chosen by %s", by)
}

// amount writes a figure of a strike.
func amount(r pan.Reading, n int) words.Text {
	if !r.OK {
		return dash
	}
	return decimals(r.Value, n)
}

// figures are the phases of a strike, each once, against nothing.
func (r *Strike) figures() []pan.PhaseDifference {
	return pan.Compare(r.Strike, &pan.Strike{}, r.End).Phases
}

func compareRows(c []pan.PhaseDifference) []compareRow {
	var out []compareRow
	for _, p := range c {
		r := compareRow{Name: words.Text(p.Phase.String()), Now: p.Running, Time: dash, Usual: dash, Brix: amount(p.Brix, 1).String(), UsualBrix: amount(p.UsualBrix, 1).String(),
			S: amount(p.EndS, 2).String(), UsualS: amount(p.UsualEndS, 2).String(), U: amount(p.U, 3).String(), UsualU: amount(p.UsualU, 3).String(),
			Water: amount(p.WaterT, 1).String(), UsWater: amount(p.UsualWaterT, 1).String()}
		took, usual := p.Duration.Minutes(), p.Usual.Minutes()
		if took > 0 {
			r.Time = decimals(took, 0).String()
		}
		if usual > 0 {
			r.Usual = decimals(usual, 0).String()
		}
		if over := math.Round(took) - math.Round(usual); took > 0 && usual > 0 && (over >= 1 || !p.Running && over <= -1) {
			r.Difference = decimals(over, 0).String()
			if over > 0 {
				r.Difference = "+" + r.Difference
			}
			r.Late = p.Duration >= p.Usual*13/10 && over >= 3
		}
		out = append(out, r)
	}
	return out
}

func (s *Server) strikeView(r *Strike, usual *Strike, ps *PanStrikes, now time.Time) strikeView {
	v := strikeView{Running: r.ID == 0, Row: s.strikeRow(r, usual, now), Grade: r.Grade, Begun: s.stamp(r.Start).String(), Ended: s.stamp(r.End).String(), Doubts: pan.Words(r.Balance.Doubts)}
	if a := r.Against; a == nil {
		v.Phases = compareRows(r.figures())
	} else {
		v.Phases, v.Findings = compareRows(a.Phases), pan.Words(a.Findings)
		v.With = words.Say("strike %d, %s", a.Number, s.moment(now, a.Start))
		v.By = byWords(a.Chosen, ps.By)
		if a.ID != 0 {
			v.WithHref = strikeHref(a.ID)
		}
	}
	add := func(to *[]labelled, label words.Text, value pan.Reading, n int, unit words.Text) {
		if value.OK {
			*to = append(*to, labelled{label, decimals(value.Value, n), unit})
		}
	}
	b := &r.Balance
	add(&v.Drop, "massecuite", r.DropBrix, 1, "Bx")
	add(&v.Drop, "mother liquor, by the boiling point or its instrument", r.DropLiquor, 1, "Bx")
	add(&v.Drop, "crystal, by both Brix", r.DropCrystal, 1, "%")
	if u := s.units[kindTemperature]; r.DropC.OK {
		v.Drop = append(v.Drop, labelled{"temperature", decimals(u.of(r.DropC.Value), u.digits), u.text})
	}
	add(&v.Drop, "level", r.DropLevel, 0, "%")
	add(&v.Drop, "highest supersaturation", r.MaxS, 2, "")
	add(&v.Drop, "above 1.2 after the feed began", pan.Use(r.FalseGrainMinutes), 0, "min")
	add(&v.Drop, "below 1.0 after the feed began", pan.Use(r.DissolvingMinutes), 0, "min")
	add(&v.Purities, "purity of the massecuite", b.Massecuite, 1, "%")
	add(&v.Purities, "purity of the mother liquor", b.Liquor, 1, "%")
	add(&v.Purities, "massecuite, laboratory", b.Brix, 1, "Bx")
	add(&v.Purities, "crystal on massecuite", b.CrystalPct, 1, "%")
	add(&v.Purities, "crystal on solids", b.CrystalOnSolidsPct, 1, "%")
	add(&v.Purities, "sucrose that is crystal", b.RecoveryPct, 1, "%")
	add(&v.Purities, "mother liquor that goes with it", b.LiquorBrix, 1, "Bx")
	add(&v.Purities, "its supersaturation", b.Supersaturation, 2, "")
	add(&v.Masses, "footing, by level and volume", r.FootingT, 1, "t")
	add(&v.Masses, "fed, by meter", r.FeedT, 1, "t")
	add(&v.Masses, "massecuite, by solids", b.MassecuiteT, 1, "t")
	add(&v.Masses, "crystal", b.CrystalT, 1, "t")
	add(&v.Masses, "water evaporated, by solids", b.WaterT, 1, "t")
	add(&v.Masses, "water evaporated, by steam", r.WaterT, 1, "t")
	if r.LackingHours > 0.05 {
		add(&v.Masses, "of boiling without a steam flow", pan.Use(r.LackingHours*60), 0, "min")
	}
	switch {
	case b.By != "":
		v.PuritiesBy = words.Say("purities by the laboratory, entered by %s", b.By)
	case b.Liquor.OK && b.LiquorAssumed:
		v.PuritiesBy = "the purity of the liquor is assumed, as configured"
	}
	end := r.End
	if end.IsZero() {
		end = now
	}
	shown := [3]shownUnit{s.unitNamed(r.Pan, "kPa"), s.units[kindTemperature], s.units[kindMass]}
	in := func(u int, x pan.Reading) string {
		if x.OK {
			x.Value = shown[u].of(x.Value)
		}
		return amount(x, shown[u].digits).String()
	}
	for u := range shown {
		v.Units[u] = shown[u].text
	}
	for _, p := range r.Profile {
		v.Profile = append(v.Profile, profileRow{At: p.At.In(s.zone).Format("15:04"), Phase: words.Text(p.Phase.String()), Level: amount(p.LevelPct, 0).String(),
			Pressure: in(0, p.PressureKPa), C: in(1, p.MassecuiteC), Brix: amount(p.MassecuiteBrix, 1).String(), Liquor: amount(p.LiquorBrix, 1).String(),
			S: amount(p.Supersaturation, 2).String(), Evaporation: in(2, p.EvaporationTH), U: amount(p.U, 3).String(), Con: amount(p.ConsistencyPct, 0).String()})
	}
	v.Ribbon = drawStrike("one-strike", fullStrike, ribbonOf(r.Strike, nil), true, end.Sub(r.Start), end, traceOf(r.Profile), usual)
	return v
}

// strikeOfID reads one recorded strike and where its pan stands.
func (s *Server) strikeOfID(r *http.Request, now time.Time) (*Strike, *PanStrikes, error) {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	if err != nil || id < 1 {
		return nil, nil, notFound("There is no such strike on record.")
	}
	found, err := s.strikeRecords(r.Context(), now, plant.StrikeFilter{ID: id, Limit: 1})
	if err != nil {
		return nil, nil, fmt.Errorf("ask for a strike: %w", err)
	}
	if len(found) == 0 {
		return nil, nil, notFound("There is no such strike on record.")
	}
	ps, err := s.panStrikes(r.Context(), found[0].Pan, now)
	return &found[0], ps, err
}

// panStrikes is where a pan stands; the zero value if it is not there.
func (s *Server) panStrikes(ctx context.Context, pan string, now time.Time) (*PanStrikes, error) {
	known, err := s.strikes(ctx, now)
	if err != nil {
		return nil, fmt.Errorf("ask for the strikes: %w", err)
	}
	for i := range known {
		if known[i].Pan == pan {
			return &known[i], nil
		}
	}
	return &PanStrikes{Pan: pan}, nil
}

// strikeData is what stands on the page of a strike.
type strikeData struct {
	X                strikeView
	ID               int64
	Pan, PanHref     string
	Whole, Reference bool
	Chosen           bool       // as the reference, by somebody
	Given            url.Values // of a form that was refused
	CSV, Before      string     // addresses
}

func (s *Server) strikePage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	rec, ps, err := s.strikeOfID(r, now)
	if err != nil {
		return nil, err
	}
	usual := ps.Usual
	if rec.Reference || usual != nil && usual.Grade != rec.Grade {
		usual = nil
	}
	v, err := s.oneStrike(rec, s.strikeView(rec, usual, ps, now), now)
	if err != nil {
		return nil, err
	}
	d := v.Data.(strikeData)
	d.Given, d.Chosen, d.CSV = r.PostForm, ps.Chosen && rec.Reference, strikeHref(rec.ID)+"/profile.csv"
	if next, err := s.strikeRecords(r.Context(), now, plant.StrikeFilter{Pan: rec.Pan, To: rec.End, Limit: 1}); err == nil && len(next) > 0 {
		d.Before = strikeHref(next[0].ID)
	}
	v.Data = d
	return v, nil
}

func (s *Server) runningPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	e, ok := s.b.House().Equip(r.PathValue("pan"))
	if !ok || e.Class != plant.ClassPan {
		return nil, notFound("There is no pan of that name.")
	}
	ps, err := s.panStrikes(r.Context(), e.Path, now)
	if err != nil {
		return nil, err
	}
	if ps.Running == nil {
		return nil, notFound("No strike is running in this pan.")
	}
	return s.oneStrike(ps.Running, s.strikeView(ps.Running, ps.Usual, ps, now), now)
}

func (s *Server) oneStrike(rec *Strike, x strikeView, now time.Time) (*view, error) {
	title := words.Say("%s strike %d", rec.Pan, rec.Number)
	if rec.ID == 0 {
		title = words.Say("%s running strike", rec.Pan)
	}
	return &view{Template: "strike.html", Title: title, Section: "pans", Data: strikeData{
		X: x, ID: rec.ID, Pan: rec.Pan, PanHref: vesselHref(rec.Pan), Whole: rec.Whole, Reference: rec.Reference}}, nil
}

func (s *Server) chooseReference(w http.ResponseWriter, r *http.Request) error {
	rec, _, err := s.strikeOfID(r, time.Now())
	if err != nil {
		return err
	}
	return s.setReference(w, r, ReferenceChoice{Strike: rec.ID}, s.strikePage, strikeHref(rec.ID)+"?done=reference")
}

func (s *Server) clearReference(w http.ResponseWriter, r *http.Request) error {
	e, found := s.b.House().Equip(r.PostForm.Get("pan"))
	if !found || e.Class != plant.ClassPan {
		return notFound("There is no pan of that name.")
	}
	return s.setReference(w, r, ReferenceChoice{Pan: e.Path}, s.pansPage, "/pans?done=reference")
}

func (s *Server) setReference(w http.ResponseWriter, r *http.Request, c ReferenceChoice, page pageFunc, then string) error {
	var problem words.Text
	c.User, problem = who(r)
	c.Station = station(r)
	return s.tell(w, r, problem, page, func(ctx context.Context) error { return s.b.ChooseReference(ctx, c) }, c.User, then)
}

// recordPurities takes what the laboratory found of a strike.
func (s *Server) recordPurities(w http.ResponseWriter, r *http.Request) error {
	name, problem := who(r)
	rec, _, err := s.strikeOfID(r, time.Now())
	if err != nil {
		return err
	}
	l := StrikeLab{Strike: rec.ID, User: name, Station: station(r)}
	given := false
	for _, f := range []struct {
		key   string
		label words.Text
		to    *float64
	}{{"massecuite", "purity of the massecuite", &l.MassecuitePurity}, {"liquor", "purity of the mother liquor", &l.LiquorPurity}, {"brix", "Brix of the massecuite", &l.MassecuiteBrix}} {
		*f.to = math.NaN()
		text := strings.TrimSpace(r.PostForm.Get(f.key))
		if text == "" {
			continue
		}
		given = true
		if *f.to, err = decimal(text); err != nil || !(*f.to >= 20 && *f.to <= 100) {
			problem = words.Say("Give the %s in %%, from 20 to 100.", f.label)
			break
		}
	}
	if problem == "" && !given {
		problem = "Give a purity or a Brix."
	}
	return s.tell(w, r, problem, s.strikePage, func(ctx context.Context) error { return s.b.RecordPurities(ctx, l) }, name, strikeHref(rec.ID)+"?done=laboratory")
}

// parseStrikes reads pan, grade, from, to and limit.
func (s *Server) parseStrikes(q url.Values) (plant.StrikeFilter, error) {
	f := plant.StrikeFilter{Pan: q.Get("pan"), Grade: q.Get("grade"), Limit: 200}
	if f.Pan != "" {
		if e, ok := s.b.House().Equip(f.Pan); !ok || e.Class != plant.ClassPan {
			return f, notFound("There is no pan of that name.")
		}
	}
	for key, to := range map[string]*time.Time{"from": &f.From, "to": &f.To} {
		var err error
		if *to, err = momentOf(q, key, s.zone, time.Now()); err != nil {
			return f, err
		}
	}
	if !f.From.IsZero() && !f.To.IsZero() && !f.From.Before(f.To) {
		return f, badQuery("from: give a time before to.")
	}
	if v := q.Get("limit"); v != "" {
		n, err := strconv.Atoi(v)
		if err != nil || n < 1 || n > strikesMost {
			return f, badQuery("limit: give a whole number from 1 to %d.", strikesMost)
		}
		f.Limit = n
	}
	return f, nil
}

func (s *Server) strikesFor(r *http.Request) ([]Strike, error) {
	f, err := s.parseStrikes(r.URL.Query())
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(r.Context(), trendTimeout)
	defer cancel()
	return s.b.StrikeRecords(ctx, f)
}

// apiStrikes lists recorded strikes, newest first, without their profiles.
func (s *Server) apiStrikes(w http.ResponseWriter, r *http.Request) error {
	list, err := s.strikesFor(r)
	if err != nil {
		return err
	}
	return reply(w, map[string]any{"strikes": strikesJSON(list, false)})
}

// apiStrike is one strike with its profile.
func (s *Server) apiStrike(w http.ResponseWriter, r *http.Request) error {
	rec, _, err := s.strikeOfID(r, time.Now())
	if err != nil {
		return err
	}
	return reply(w, strikesJSON([]Strike{*rec}, true)[0])
}

func csvHead(w http.ResponseWriter, name string) {
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
}

func (s *Server) strikesCSV(w http.ResponseWriter, r *http.Request) error {
	list, err := s.strikesFor(r)
	if err != nil {
		return err
	}
	csvHead(w, "strikes.csv")
	if err := WriteStrikesCSV(w, list); err != nil {
		s.log.Debug("console: strikes", "err", err)
	}
	return nil
}

func (s *Server) profileCSV(w http.ResponseWriter, r *http.Request) error {
	rec, _, err := s.strikeOfID(r, time.Now())
	if err != nil {
		return err
	}
	csvHead(w, fmt.Sprintf("strike-%d-profile.csv", rec.ID))
	if err := WriteProfileCSV(w, rec); err != nil {
		s.log.Debug("console: profile", "err", err)
	}
	return nil
}

func csvNumber(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	return strconv.FormatFloat(v, 'g', 6, 64)
}

func csvTime(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

// column is one figure of a record: its name in JSON, in CSV if that is another, and
// the figure.
type column[T any] struct {
	name, csv string
	of        func(*T) pan.Reading
}

var strikeColumns = []column[Strike]{
	{"water_t", "", func(r *Strike) pan.Reading { return r.WaterT }},
	{"lacking_h", "", func(r *Strike) pan.Reading { return pan.Use(r.LackingHours) }},
	{"max_s", "", func(r *Strike) pan.Reading { return r.MaxS }},
	{"above_metastable_min", "", func(r *Strike) pan.Reading { return pan.Use(r.FalseGrainMinutes) }},
	{"below_saturation_min", "", func(r *Strike) pan.Reading { return pan.Use(r.DissolvingMinutes) }},
	{"drop_brix", "", func(r *Strike) pan.Reading { return r.DropBrix }},
	{"drop_c", "", func(r *Strike) pan.Reading { return r.DropC }},
	{"drop_level_pct", "", func(r *Strike) pan.Reading { return r.DropLevel }},
	{"drop_liquor_brix", "", func(r *Strike) pan.Reading { return r.DropLiquor }},
	{"crystal_by_brix_pct", "", func(r *Strike) pan.Reading { return r.DropCrystal }},
}

var balanceColumns = []column[Strike]{
	{"massecuite_purity", "", func(r *Strike) pan.Reading { return r.Balance.Massecuite }},
	{"liquor_purity", "", func(r *Strike) pan.Reading { return r.Balance.Liquor }},
	{"lab_brix", "", func(r *Strike) pan.Reading { return r.Balance.Brix }},
	{"crystal_pct", "", func(r *Strike) pan.Reading { return r.Balance.CrystalPct }},
	{"crystal_on_solids_pct", "", func(r *Strike) pan.Reading { return r.Balance.CrystalOnSolidsPct }},
	{"recovery_pct", "", func(r *Strike) pan.Reading { return r.Balance.RecoveryPct }},
	{"liquor_brix", "balance_liquor_brix", func(r *Strike) pan.Reading { return r.Balance.LiquorBrix }},
	{"supersaturation", "balance_s", func(r *Strike) pan.Reading { return r.Balance.Supersaturation }},
	{"footing_t", "", func(r *Strike) pan.Reading { return r.FootingT }},
	{"feed_t", "", func(r *Strike) pan.Reading { return r.FeedT }},
	{"massecuite_t", "", func(r *Strike) pan.Reading { return r.Balance.MassecuiteT }},
	{"crystal_t", "", func(r *Strike) pan.Reading { return r.Balance.CrystalT }},
	{"water_t", "water_by_solids_t", func(r *Strike) pan.Reading { return r.Balance.WaterT }},
}

var phaseColumns = []column[pan.PhaseDifference]{
	{"u", "", func(p *pan.PhaseDifference) pan.Reading { return p.U }},
	{"water_t", "", func(p *pan.PhaseDifference) pan.Reading { return p.WaterT }},
	{"end_brix", "", func(p *pan.PhaseDifference) pan.Reading { return p.Brix }},
	{"end_s", "", func(p *pan.PhaseDifference) pan.Reading { return p.EndS }},
}

var profileColumns = []column[pan.ProfilePoint]{
	{"level_pct", "", func(p *pan.ProfilePoint) pan.Reading { return p.LevelPct }},
	{"pressure_kpa", "", func(p *pan.ProfilePoint) pan.Reading { return p.PressureKPa }},
	{"massecuite_c", "", func(p *pan.ProfilePoint) pan.Reading { return p.MassecuiteC }},
	{"massecuite_brix", "", func(p *pan.ProfilePoint) pan.Reading { return p.MassecuiteBrix }},
	{"consistency_pct", "", func(p *pan.ProfilePoint) pan.Reading { return p.ConsistencyPct }},
	{"liquor_brix", "", func(p *pan.ProfilePoint) pan.Reading { return p.LiquorBrix }},
	{"supersaturation", "", func(p *pan.ProfilePoint) pan.Reading { return p.Supersaturation }},
	{"evaporation_t_h", "", func(p *pan.ProfilePoint) pan.Reading { return p.EvaporationTH }},
	{"u", "", func(p *pan.ProfilePoint) pan.Reading { return p.U }},
}

func heads[T any](columns []column[T]) (names []string) {
	for _, c := range columns {
		names = append(names, cmp.Or(c.csv, c.name))
	}
	return names
}

func cells[T any](columns []column[T], of *T) (row []string) {
	for _, c := range columns {
		if v := c.of(of); v.OK {
			row = append(row, csvNumber(v.Value))
		} else {
			row = append(row, "")
		}
	}
	return row
}

// fields are the columns as JSON beside what else there is.
func fields[T any](columns []column[T], of *T, beside map[string]any) map[string]any {
	for _, c := range columns {
		beside[c.name] = c.of(of)
	}
	return beside
}

// WriteStrikesCSV writes one line a strike (RFC 4180), times in UTC, masses in t, U in
// kW/(m2.K); a figure that is not known is empty.
func WriteStrikesCSV(w io.Writer, list []Strike) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	head := []string{"id", "pan", "grade", "number", "start", "end", "whole", "length_min"}
	for _, p := range strikeOrder {
		n := strings.NewReplacer(" ", "_", "-", "_").Replace(p.String())
		head = append(head, n+"_min")
		for _, name := range heads(phaseColumns) {
			head = append(head, n+"_"+name)
		}
	}
	head = append(slices.Concat(head, heads(strikeColumns), heads(balanceColumns[:2]), []string{"liquor_purity_assumed"}, heads(balanceColumns[2:])), "reference", "notes")
	if err := c.Write(head); err != nil {
		return err
	}
	for i := range list {
		r := &list[i]
		length := math.NaN()
		if !r.End.IsZero() {
			length = r.End.Sub(r.Start).Minutes()
		}
		row := []string{strconv.FormatInt(r.ID, 10), plainCell(r.Pan), plainCell(r.Grade), strconv.Itoa(r.Number), csvTime(r.Start), csvTime(r.End), strconv.FormatBool(r.Whole), csvNumber(length)}
		figures := r.figures()
		for _, n := range strikeOrder {
			i := slices.IndexFunc(figures, func(p pan.PhaseDifference) bool { return p.Phase == n })
			if i < 0 {
				row = append(row, make([]string, 1+len(phaseColumns))...)
				continue
			}
			row = append(append(row, csvNumber(figures[i].Duration.Minutes())), cells(phaseColumns, &figures[i])...)
		}
		notes := words.Join(pan.Words(slices.Concat(r.Notes, r.Balance.Doubts)), "; ").String()
		row = append(slices.Concat(row, cells(strikeColumns, r), cells(balanceColumns[:2], r), []string{strconv.FormatBool(r.Balance.LiquorAssumed)}, cells(balanceColumns[2:], r)), strconv.FormatBool(r.Reference), plainCell(notes))
		if err := c.Write(row); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

// WriteProfileCSV writes the profile of a strike, one line every two minutes.
func WriteProfileCSV(w io.Writer, r *Strike) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	if err := c.Write(append([]string{"time", "phase"}, heads(profileColumns)...)); err != nil {
		return err
	}
	for i := range r.Profile {
		p := &r.Profile[i]
		if err := c.Write(append([]string{csvTime(p.At), plainCell(p.Phase.String())}, cells(profileColumns, p)...)); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

func strikesJSON(list []Strike, profile bool) []map[string]any {
	out := make([]map[string]any, 0, len(list))
	for i := range list {
		r := &list[i]
		phases, differences, points := []any{}, []any{}, []any{}
		for _, p := range r.figures() {
			phases = append(phases, phaseJSON(p))
		}
		x := fields(strikeColumns, r, map[string]any{"id": r.ID, "pan": r.Pan, "grade": r.Grade, "number": r.Number, "start": r.Start.UTC(), "end": timeOrNull(r.End),
			"whole": r.Whole, "phases": phases, "notes": pan.Words(r.Notes), "reference": r.Reference, "against": nil,
			"balance": fields(balanceColumns, r, map[string]any{"liquor_purity_assumed": r.Balance.LiquorAssumed, "doubts": pan.Words(r.Balance.Doubts)})})
		if a := r.Against; a != nil {
			for _, p := range a.Phases {
				d := map[string]any{"name": p.Phase.String(), "is": nil, "usual": nil}
				if p.Duration > 0 {
					d["is"] = phaseJSON(p)
				}
				if p.Usual > 0 {
					d["usual"] = phaseJSON(pan.PhaseDifference{Phase: p.Phase, Duration: p.Usual, Brix: p.UsualBrix, EndS: p.UsualEndS, U: p.UsualU, WaterT: p.UsualWaterT})
				}
				differences = append(differences, d)
			}
			x["against"] = map[string]any{"id": a.ID, "number": a.Number, "start": a.Start.UTC(), "chosen": a.Chosen, "phases": differences, "findings": pan.Words(a.Findings)}
		}
		if profile {
			for i := range r.Profile {
				p := &r.Profile[i]
				points = append(points, fields(profileColumns, p, map[string]any{"time": p.At.UTC(), "phase": p.Phase.String()}))
			}
			x["profile"] = points
		}
		out = append(out, x)
	}
	return out
}

func phaseJSON(p pan.PhaseDifference) map[string]any {
	return fields(phaseColumns, &p, map[string]any{"name": p.Phase.String(), "minutes": p.Duration.Minutes()})
}

// WriteStrikesJSON writes strikes as the HTTP API does.
func WriteStrikesJSON(w io.Writer, list []Strike, profile bool) error {
	return json.NewEncoder(w).Encode(map[string]any{"strikes": strikesJSON(list, profile)})
}

// minutes is how long a phase lasted, 0 if there was none.
func (r *Strike) minutes(p pan.Phase) float64 {
	f, ok := r.Phase(p)
	if !ok {
		return 0
	}
	return f.Duration(r.End).Minutes()
}
