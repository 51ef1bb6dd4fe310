package main

import (
	"context"
	"fmt"
	"sync"
	"time"

	"calandria/alerting"
	"calandria/console"
	"calandria/engine"
	"calandria/historian"
	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/pan"
)

// backend is the console's view of the service.
type backend struct {
	s     *service
	shown shown
}

// shown is the newest picture in the form of the console.
type shown struct {
	mu      sync.Mutex
	picture *engine.Picture
	as      *console.Picture
}

func (s *shown) of(p *engine.Picture) *console.Picture {
	if p == nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.picture != p {
		s.picture, s.as = p, consolePicture(p)
	}
	return s.as
}

func consolePicture(p *engine.Picture) *console.Picture {
	out := &console.Picture{At: p.At, Seq: p.Seq, Frame: p.Frame, Reasons: p.Reasons, How: p.How, Sigma: p.Sigma, Alarms: p.Alarms, Strikes: strikes(p.Strikes)}
	for _, s := range p.Sources {
		line := console.SourceHealth{Name: s.Name, Connected: s.Connected, Since: s.Since, Text: s.Endpoint}
		if !line.Connected && s.LastError != "" {
			line.Text = s.LastError
		} else if n := len(s.Faults); n > 0 {
			line.Text = fmt.Sprintf("%s; %d of %d tags cannot be read: %s", s.Endpoint, n, s.Tags, s.Faults[0].Text)
		}
		out.Sources = append(out.Sources, line)
	}
	for _, h := range p.Health {
		out.Health = append(out.Health, console.HealthLine(h))
	}
	for _, x := range p.Suspects {
		out.Suspects = append(out.Suspects, console.Suspect{Set: x.Set, What: x.What, Tags: x.Tags, Bias: x.Bias, Sigma: x.Sigma, Rough: x.Rough, Z: x.Z, Unit: x.Unit,
			Alike: x.Alike, Since: x.Since, Text: x.Text})
	}
	for _, x := range p.Vacuum {
		v := console.Vacuum{Condenser: x.Condenser, At: x.At, OK: x.OK, Unusual: x.Text != "", Reason: x.Reason, Learned: x.Learned,
			RiseKPa: x.Diagnosis.RiseKPa, RiseK: x.Diagnosis.RiseK, UnexplainedK: x.Diagnosis.UnexplainedK}
		for _, f := range x.Diagnosis.Findings {
			c := console.VacuumCause{Cause: string(f.Cause), ExplainsK: f.ExplainsK, ExplainsKPa: f.ExplainKPa, CheckFirst: f.CheckFirst, Doubt: f.Doubt}
			for _, e := range f.Evidence {
				c.Evidence = append(c.Evidence, console.Evidence{What: e.What, Now: e.Now, Normal: e.Normal, Unit: e.Unit})
			}
			v.Causes = append(v.Causes, c)
		}
		out.Vacuum = append(out.Vacuum, v)
	}
	return out
}

var _ console.Backend = (*backend)(nil)

// House implements console.Backend.
func (b *backend) House() *plant.House { return b.s.loop.House() }

// Specs implements console.Backend.
func (b *backend) Specs() []plant.AlarmSpec { return b.s.loop.Specs() }

// Picture implements console.Backend.
func (b *backend) Picture() *console.Picture {
	return b.shown.of(b.s.loop.Picture())
}

// Changed implements console.Backend.
func (b *backend) Changed() <-chan struct{} { return b.s.loop.Changed() }

// Do implements console.Backend.
func (b *backend) Do(ctx context.Context, c alerting.Command) error { return b.s.loop.Do(ctx, c) }

// Trend implements console.Backend.
func (b *backend) Trend(ctx context.Context, path string, from, to time.Time, points int) (console.Series, error) {
	s := console.Series{Path: path, From: from, To: to}
	if t, ok := b.House().Find(path); ok {
		s.Unit = t.Unit
	}
	buckets, err := b.s.archive.Trend(ctx, path, from, to, points)
	if err != nil {
		return s, err
	}
	for _, x := range buckets {
		if x.Count > 0 {
			s.Buckets = append(s.Buckets, console.Bucket{Time: x.Start, Min: x.Min, Max: x.Max, Mean: x.Mean, Doubt: x.Bad > 0})
		}
	}
	return s, nil
}

// Events implements console.Backend.
func (b *backend) Events(ctx context.Context, f console.EventFilter) ([]plant.Event, error) {
	return b.s.journal.Read(ctx, historian.Filter{AfterSeq: f.After, BeforeSeq: f.Before, From: f.From, To: f.To, Kinds: f.Kinds, Match: f.Match, Limit: f.Limit, Newest: true})
}

// strikes gives each pan's strike the form of the console: phases over, the
// present one, and those still to come as the usual strike has them.
func strikes(found []thermo.Strike) []console.Strike {
	var out []console.Strike
	for _, f := range found {
		s := console.Strike{Pan: f.Pan}
		usual := map[pan.Phase]time.Duration{}
		if f.Usual != nil {
			s.Expected = f.Usual.Length(f.Usual.End)
			for _, p := range f.Usual.Phases {
				usual[p.Phase] += p.Duration(f.Usual.End)
			}
		}
		last := f.Phase
		if f.Running == nil {
			s.Phases = []console.StrikePhase{{Name: f.Phase.String(), Start: f.Since, Expected: usual[f.Phase]}}
		} else {
			s.Started = f.Running.Start
			for _, p := range f.Running.Profile {
				if p.Supersaturation.OK {
					s.Profile = append(s.Profile, console.StrikePoint{At: p.At, S: p.Supersaturation.Value})
				}
			}
			for _, p := range f.Running.Phases {
				s.Phases = append(s.Phases, console.StrikePhase{Name: p.Phase.String(), Start: p.Start, End: p.End, Expected: usual[p.Phase]})
				last = p.Phase
			}
			if f.Usual != nil {
				for _, p := range f.Usual.Phases {
					if p.Phase > last {
						s.Phases = append(s.Phases, console.StrikePhase{Name: p.Phase.String(), Expected: usual[p.Phase]})
					}
				}
			}
		}
		out = append(out, s)
	}
	return out
}
