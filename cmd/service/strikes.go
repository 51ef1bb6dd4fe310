package service

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"calandria/console"
	"calandria/engine"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo"
	"calandria/thermo/pan"
)

// Strikes on record: the loop stores each as it ends, a start gives them back to the
// trackers, the console and the command line read them.

func recordOf(path string, s *pan.Strike) (journal.Strike, error) {
	body, err := json.Marshal(s)
	if err != nil {
		return journal.Strike{}, fmt.Errorf("write the strike: %w", err)
	}
	return journal.Strike{Pan: path, Grade: s.Grade, Number: s.Number, Start: s.Start, End: s.End, Whole: s.Whole, Body: body}, nil
}

func StrikeOf(r journal.Strike) (s pan.Strike, err error) {
	if err = json.Unmarshal(r.Body, &s); err != nil {
		err = fmt.Errorf("read strike %d of %s: %w", r.Number, r.Pan, err)
	}
	return s, err
}

// strike finds one on record; the error is an [*engine.Refused] if there is none.
func (b *Backend) strike(ctx context.Context, id int64) (r journal.Strike, s pan.Strike, err error) {
	found, err := b.S.Journal.Strikes(ctx, plant.StrikeFilter{ID: id})
	if err == nil && len(found) == 0 {
		err = &engine.Refused{Why: "There is no such strike on record."}
	}
	if err != nil {
		return r, s, err
	}
	s, err = StrikeOf(found[0])
	return found[0], s, err
}

// KeepStrike puts a strike on record.
func KeepStrike(j *journal.Journal, f *thermo.FinishedStrike) error {
	r, err := recordOf(f.Pan, &f.Strike)
	if err == nil {
		_, err = j.PutStrike(r, plant.Event{Time: r.End, Received: time.Now(), Kind: plant.EventRecord, Source: r.Pan,
			Text: fmt.Sprintf("strike %d is on record, charged %s", r.Number, r.Start.UTC().Format("2006-01-02 15:04 MST"))})
	}
	return err
}

// reference is the setting that names the strike to compare with, for a pan and a grade.
type reference struct {
	Strike int64     `json:"strike"`
	By     string    `json:"by"`
	At     time.Time `json:"at"`
}

func referenceKey(path, grade string) string { return "reference strike " + path + " " + grade }

func chosenReference(j *journal.Journal, path, grade string) (reference, bool, error) {
	var r reference
	if err := setting(j, referenceKey(path, grade), &r); err != nil {
		return r, false, fmt.Errorf("read the reference strike of %s: %w", path, err)
	}
	return r, r.Strike != 0, nil
}

// setting reads a setting of the journal; one that is not there changes nothing.
func setting(j *journal.Journal, key string, into any) error {
	text, known, err := j.Setting(key)
	if err != nil || !known || text == "" {
		return err
	}
	return json.Unmarshal([]byte(text), into)
}

func keepSetting(j *journal.Journal, key string, state any) error {
	text, err := json.Marshal(state)
	if err != nil {
		return err
	}
	return j.PutSetting(key, string(text))
}

// usualOf is the strike to compare with, as the console shows it.
func (b *Backend) usualOf(ctx context.Context, f *thermo.Strike) (console.Strike, error) {
	u := console.Strike{Pan: f.Pan, Strike: f.Usual, Reference: true}
	on, err := b.S.Journal.Strikes(ctx, plant.StrikeFilter{Pan: f.Pan, From: f.Usual.End, To: f.Usual.End.Add(1)})
	if err != nil {
		return u, err
	}
	for _, r := range on {
		if r.Start.Equal(f.Usual.Start) {
			u.ID = r.ID
		}
	}
	return u, nil
}

func (b *Backend) Strikes(ctx context.Context) ([]console.PanStrikes, error) {
	found, err := b.Loop.Strikes(ctx)
	if err != nil {
		return nil, err
	}
	now := b.S.Loop.Now()
	var out []console.PanStrikes
	for i := range found {
		f := &found[i]
		p := console.PanStrikes{Pan: f.Pan, Chosen: f.Chosen}
		if f.Usual != nil {
			u, err := b.usualOf(ctx, f)
			if err != nil {
				return nil, err
			}
			p.Usual = &u
		}
		if f.Chosen {
			if c, ok, err := chosenReference(b.S.Journal, f.Pan, f.Grade); err == nil && ok {
				p.By = c.By
			}
		}
		if f.Running != nil {
			r := console.Strike{Pan: f.Pan, Strike: f.Running}
			if f.Usual != nil {
				r.Against = against(f.Running, p.Usual, f.Chosen, now)
			}
			p.Running = &r
		}
		out = append(out, p)
	}
	return out, nil
}

func (b *Backend) StrikeRecords(ctx context.Context, f plant.StrikeFilter) ([]console.Strike, error) {
	found, err := b.Loop.Strikes(ctx)
	if err != nil {
		return nil, err
	}
	records, err := b.S.Journal.Strikes(ctx, f)
	if err != nil {
		return nil, err
	}
	usual, states := map[string]console.Strike{}, map[string]*thermo.Strike{}
	for i := range found {
		if f := &found[i]; f.Usual != nil {
			states[f.Pan] = f
			if usual[f.Pan], err = b.usualOf(ctx, f); err != nil {
				return nil, err
			}
		}
	}
	out := make([]console.Strike, 0, len(records))
	for _, r := range records {
		s, err := StrikeOf(r)
		if err != nil {
			b.S.Log.Warn("a recorded strike cannot be read", "err", err)
			continue
		}
		c := console.Strike{ID: r.ID, Pan: r.Pan, Strike: &s}
		if st := states[r.Pan]; st != nil && st.Usual.Grade == s.Grade {
			u := usual[r.Pan]
			if c.Reference = u.ID == r.ID; !c.Reference {
				c.Against = against(&s, &u, st.Chosen, s.End)
			}
		}
		out = append(out, c)
	}
	return out, nil
}

// ChooseReference: the record first, then the journal, then the
// tracker.
func (b *Backend) ChooseReference(ctx context.Context, c console.ReferenceChoice) error {
	var s *pan.Strike
	var text, grade string
	now := b.S.Loop.Now()
	if c.Strike == 0 {
		e, ok := b.House().Equip(c.Pan)
		if !ok || e.Pan == nil {
			return &engine.Refused{Why: "There is no such pan."}
		}
		grade = e.Pan.Grade
		text = "strikes are compared with the most ordinary of the last ten again"
	} else {
		r, x, err := b.strike(ctx, c.Strike)
		if err != nil {
			return err
		}
		c.Pan, grade = r.Pan, r.Grade
		e, ok := b.House().Equip(c.Pan)
		switch {
		case !ok || e.Pan == nil:
			return &engine.Refused{Why: "The pan of that strike is not in the plant file any more."}
		case !r.Whole:
			return &engine.Refused{Why: "That strike was not seen whole, from its charge to its drop: it is no reference."}
		case e.Pan.Grade != grade:
			return &engine.Refused{Why: words.Say("The pan boils grade %s now, that strike was of grade %s.", e.Pan.Grade, grade)}
		}
		s = &x
		text = fmt.Sprintf("strikes are compared with strike %d of %s from now on", r.Number, r.Start.UTC().Format("2006-01-02 15:04 MST"))
	}
	return b.Act(ctx, func(core *engine.Core, _ time.Time) (plant.Event, error) {
		if err := keepSetting(b.S.Journal, referenceKey(c.Pan, grade), reference{Strike: c.Strike, By: c.User, At: now.UTC()}); err != nil {
			return plant.Event{}, err
		}
		core.Calc.CompareWith(c.Pan, s)
		return plant.Event{Source: c.Pan, User: c.User, Station: c.Station, Text: text}, nil
	})
}

func (b *Backend) RecordPurities(ctx context.Context, l console.StrikeLab) error {
	r, s, err := b.strike(ctx, l.Strike)
	if err != nil {
		return err
	}
	was := s.Balance.Purities
	p := was
	for to, v := range map[*pan.Reading]float64{&p.Massecuite: l.MassecuitePurity, &p.Liquor: l.LiquorPurity, &p.Brix: l.MassecuiteBrix} {
		if !math.IsNaN(v) {
			*to = pan.Use(v)
		}
	}
	p.LiquorAssumed, p.By = p.LiquorAssumed && math.IsNaN(l.LiquorPurity), l.User
	if p.Massecuite.OK && p.Liquor.OK && p.Liquor.Value >= p.Massecuite.Value {
		return &engine.Refused{Why: words.Say("The liquor (%.1f %%) cannot be purer than its massecuite (%.1f %%): were they exchanged?", p.Liquor.Value, p.Massecuite.Value)}
	}
	words := func(p pan.Purities) string {
		return fmt.Sprintf("massecuite purity %s, liquor purity %s, massecuite Brix %s", FigureText(p.Massecuite, 1, "unknown"), FigureText(p.Liquor, 1, "unknown"), FigureText(p.Brix, 1, "unknown"))
	}
	return b.Act(ctx, func(c *engine.Core, now time.Time) (none plant.Event, err error) {
		if !c.Calc.WeighStrike(r.Pan, &s, p) {
			return none, &engine.Refused{Why: "The pan of that strike is not in the plant file any more."}
		}
		next, err := recordOf(r.Pan, &s)
		if err == nil {
			_, err = b.S.Journal.PutStrike(next, plant.Event{Time: now, Received: now, Kind: plant.EventNote, Source: r.Pan, User: l.User, Station: l.Station,
				Text: fmt.Sprintf("laboratory, strike %d: %s; before: %s", r.Number, words(p), words(was))})
		}
		return none, err
	})
}

// against sets a strike against the one to compare with.
func against(s *pan.Strike, usual *console.Strike, chosen bool, now time.Time) *console.Against {
	return &console.Against{ID: usual.ID, Number: usual.Number, Start: usual.Start, Chosen: chosen, Comparison: pan.Compare(s, usual.Strike, now)}
}

// FigureText writes a reading, or what stands for one that is not there.
func FigureText(r pan.Reading, digits int, absent string) string {
	if !r.OK {
		return absent
	}
	return fmt.Sprintf("%.*f", digits, r.Value)
}
