package main

import (
	"slices"
	"time"

	"calandria/console"
	"calandria/thermo"
)

// insights keep what the calculation says of instruments and vacuum in the form
// of the pictures. They are asked once a minute, and after ten seconds when
// something happened or a condenser was not judged; between that every picture shares them, and nothing is allocated.
type insights struct {
	asked    time.Time
	seq      uint64
	open     bool // a condenser was not judged: asked again soon
	suspects []console.Suspect
	vacuum   []console.Vacuum
}

const (
	insightsEvery = time.Minute
	insightsSoon  = 10 * time.Second
)

// of gives them as of a moment; seq is the journal's last number by then.
func (i *insights) of(calc *thermo.Calculator, at time.Time, seq uint64) ([]console.Suspect, []console.Vacuum) {
	since := at.Sub(i.asked)
	if since >= 0 && since < insightsSoon || since >= 0 && since < insightsEvery && seq == i.seq && !i.open {
		return i.suspects, i.vacuum
	}
	i.asked, i.seq, i.open, i.suspects, i.vacuum = at, seq, false, nil, nil
	for _, x := range calc.Suspects() {
		i.suspects = append(i.suspects, console.Suspect{Set: x.Set, What: x.What, Tags: slices.Clone(x.Tags), Bias: x.Bias, Sigma: x.Sigma, Rough: x.Rough, Z: x.Z, Unit: x.Unit,
			Alike: slices.Clone(x.Alike), Since: x.Since, Text: x.Text})
	}
	for _, x := range calc.Vacuum() {
		v := console.Vacuum{Condenser: x.Condenser, At: x.At, OK: x.OK, Unusual: x.Text != "", Reason: x.Reason, Learned: x.Learned,
			RiseKPa: x.Diagnosis.RiseKPa, RiseK: x.Diagnosis.RiseK, UnexplainedK: x.Diagnosis.UnexplainedK}
		for _, f := range x.Diagnosis.Findings {
			c := console.VacuumCause{Cause: string(f.Cause), ExplainsK: f.ExplainsK, ExplainsKPa: f.ExplainKPa, CheckFirst: f.CheckFirst, Doubt: f.Doubt}
			for _, e := range f.Evidence {
				c.Evidence = append(c.Evidence, console.Evidence{What: e.What, Now: e.Now, Normal: e.Normal, Unit: e.Unit})
			}
			v.Causes = append(v.Causes, c)
		}
		i.open = i.open || !x.OK
		i.vacuum = append(i.vacuum, v)
	}
	return i.suspects, i.vacuum
}
