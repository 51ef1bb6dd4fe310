package plant

import (
	"calandria/plant/words"
	"fmt"
	"time"
)

// Dated is a figure of a piece of equipment that may change at a date, such as a
// heating surface when tubes are plugged. In the plant file it is a number, or a
// list {from: date, is: number} in the order of time.
type Dated = DatedOf[float64]

// DatedOf is anything that may change at a date, such as the range of an instrument.
type DatedOf[T any] struct {
	First T // until the first change, and before all dates; zero: not given
	Later []Change[T]

	steps []datedStep[T] // as written, until the house is built
}

// Change is a new value of a [DatedOf] from a moment on.
type Change[T any] struct {
	From time.Time
	Is   T
}

type datedStep[T any] struct {
	From string `yaml:"from"`
	Is   *T     `yaml:"is"`
}

// At is the value in force at a moment of event time.
func (d *DatedOf[T]) At(t time.Time) T {
	for i := len(d.Later) - 1; i >= 0; i-- {
		if c := &d.Later[i]; !t.Before(c.From) {
			return c.Is
		}
	}
	return d.First
}

// Since is when the value that is in force at a moment came into force; zero if it
// is the first.
func (d *DatedOf[T]) Since(t time.Time) (from time.Time) {
	for _, c := range d.Later {
		if !t.Before(c.From) {
			from = c.From
		}
	}
	return from
}

// dated is what the decoder fills of a [DatedOf]: the list, or the plain value.
type dated interface{ written() (list, plain any) }

func (d *DatedOf[T]) written() (list, plain any) { return &d.steps, &d.First }

// dated checks a figure that may be left out, or have a date, and fills its changes.
func (b *builder) dated(field string, d *Dated, low, high float64, what words.Text) {
	b.optional(field, d.First, low, high, what)
	fillDates(b, field, d, what, func(field string, is float64) { b.within(field, is, low, high, what) })
}

// fillDates fills the changes of what has dates. Dates without a zone are of the site.
func fillDates[T any](b *builder, field string, d *DatedOf[T], what words.Text, check func(field string, is T)) {
	zone, err := time.LoadLocation(b.h.Config.Site.TimeZone)
	if err != nil {
		zone = time.UTC // the fault is told already
	}
	var last time.Time
	for i, s := range d.steps {
		f := fmt.Sprintf("%s[%d]", field, i)
		if s.Is == nil {
			b.fault(f+".is", "the value is missing", words.Say("write {from: 2026-08-01, is: %s}", what))
			continue
		}
		check(f+".is", *s.Is)
		from, ok := parseDate(s.From, zone)
		switch {
		case s.From == "" && i == 0: // in force before all dates
		case !ok:
			b.fault(f+".from", words.Say("%q is not a date", s.From), "write 2026-08-01 or 2026-08-01 14:00; only the first entry can do without")
		case i > 0 && !from.After(last):
			b.fault(f+".from", "this date is not after the one before it", "list the entries in the order of time, one for each date")
		}
		last = from
		if i == 0 {
			d.First = *s.Is
		} else {
			d.Later = append(d.Later, Change[T]{From: from, Is: *s.Is})
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
