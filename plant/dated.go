package plant

import (
	"fmt"
	"time"
)

// Dated is a figure of a piece of equipment that may change at a date, such as a
// heating surface when tubes are plugged. In the plant file it is a number, or a
// list {from: date, is: number} in the order of time.
type Dated struct {
	First float64 // until the first change, and before all dates; 0: not given
	Later []Change

	steps []datedStep // as written, until the house is built
}

// Change is a new value of a [Dated] from a moment on.
type Change struct {
	From time.Time
	Is   float64
}

type datedStep struct {
	From string   `yaml:"from"`
	Is   *float64 `yaml:"is"`
}

// At is the value in force at a moment of event time.
func (d *Dated) At(t time.Time) float64 {
	for i := len(d.Later) - 1; i >= 0; i-- {
		if c := &d.Later[i]; !t.Before(c.From) {
			return c.Is
		}
	}
	return d.First
}

// Since is when the value that is in force at a moment came into force; zero if it
// is the first.
func (d *Dated) Since(t time.Time) (from time.Time) {
	for _, c := range d.Later {
		if !t.Before(c.From) {
			from = c.From
		}
	}
	return from
}

// dated checks a figure that may be left out, or have a date, and fills its changes.
// Dates without a zone are of the site.
func (b *builder) dated(field string, d *Dated, low, high float64, what string) {
	if d.First != 0 {
		b.within(field, d.First, low, high, what)
	}
	zone, err := time.LoadLocation(b.h.Config.Site.TimeZone)
	if err != nil {
		zone = time.UTC // the fault is told already
	}
	var last time.Time
	for i, s := range d.steps {
		f := fmt.Sprintf("%s[%d]", field, i)
		if s.Is == nil {
			b.fault(f+".is", "the value is missing", "write {from: 2026-08-01, is: "+what+"}")
			continue
		}
		b.within(f+".is", *s.Is, low, high, what)
		from, ok := parseDate(s.From, zone)
		switch {
		case s.From == "" && i == 0: // in force before all dates
		case !ok:
			b.fault(f+".from", fmt.Sprintf("%q is not a date", s.From), "write 2026-08-01 or 2026-08-01 14:00; only the first entry can do without")
		case i > 0 && !from.After(last):
			b.fault(f+".from", "this date is not after the one before it", "list the entries in the order of time, one for each date")
		}
		last = from
		if i == 0 {
			d.First = *s.Is
		} else {
			d.Later = append(d.Later, Change{From: from, Is: *s.Is})
		}
	}
	d.steps = nil
}

func parseDate(text string, zone *time.Location) (time.Time, bool) {
	for _, layout := range []string{"2006-01-02", "2006-01-02 15:04", "2006-01-02T15:04", time.RFC3339} {
		if t, err := time.ParseInLocation(layout, text, zone); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}
