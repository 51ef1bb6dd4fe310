package notify

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/emersion/go-ical"

	"calandria/alerting"
	"calandria/plant"
	"calandria/plant/words"
)

// Rota says who is on duty. Who names receivers; a name that is none is left out.
type Rota struct {
	Holidays []string `yaml:"holidays"` // days, such as 2026-12-25
	Shifts   []Shift  `yaml:"shifts"`

	zone     *time.Location
	calendar []ical.Event
}

// Shift is a stretch of hours of one person.
type Shift struct {
	Who  string   `yaml:"who"`
	Days []string `yaml:"days"` // mon .. sun, or mon-fri; empty: every day
	From string   `yaml:"from"` // hh:mm; default 00:00
	To   string   `yaml:"to"`   // hh:mm, not included; default 24:00
	// Holidays: it is for holidays. On a holiday only such shifts count.
	Holidays bool `yaml:"holidays"`

	hours Hours
}

// ReadRota reads a rota: iCalendar (RFC 5545) if it begins like one, where the
// summary of an event is who is on duty; else YAML. zone is the site's.
func ReadRota(file string, data []byte, zone *time.Location) (*Rota, error) {
	r := &Rota{zone: zone}
	if bytes.HasPrefix(bytes.TrimSpace(data), []byte("BEGIN:VCALENDAR")) {
		cal, err := ical.NewDecoder(bytes.NewReader(data)).Decode()
		if err != nil {
			return nil, fmt.Errorf("read rota %s: %w", file, err)
		}
		r.calendar = cal.Events()
		for i := range r.calendar {
			if _, _, err := r.lasts(&r.calendar[i]); err != nil {
				return nil, fmt.Errorf("read rota %s: event %d: %w", file, i+1, err)
			}
		}
		return r, nil
	}
	doc, faults := plant.DecodeYAML(file, data, r)
	for i := range r.Shifts {
		s := &r.Shifts[i]
		var err error
		if s.hours, err = (Schedule{s.Days, s.From, s.To}).Hours(); err != nil {
			faults = append(faults, doc.Fault(fmt.Sprintf("shifts[%d]", i), words.Of(err), ""))
		}
	}
	for i, day := range r.Holidays {
		if _, err := time.Parse(time.DateOnly, day); err != nil {
			faults = append(faults, doc.Fault(fmt.Sprintf("holidays[%d]", i), words.Say("%q is no day", day), "write it like 2026-12-25"))
		}
	}
	return r, faults.Err()
}

// lasts gives the beginning and the length of an event.
func (r *Rota) lasts(e *ical.Event) (start time.Time, length time.Duration, err error) {
	if start, err = e.DateTimeStart(r.zone); err != nil {
		return start, 0, err
	}
	end, err := e.DateTimeEnd(r.zone)
	if err == nil {
		_, err = e.RecurrenceSet(r.zone)
	}
	if length = end.Sub(start); err == nil && (start.IsZero() || length <= 0) {
		err = errors.New("it has no beginning, or no end after it")
	}
	return start, length, err
}

// OnDuty lists who is on duty at a moment.
func (r *Rota) OnDuty(at time.Time) (who []string) {
	at = at.In(r.zone)
	for i := range r.Shifts {
		s := &r.Shifts[i]
		day := at
		if s.hours.From >= s.hours.To && wallTime(at) < s.hours.To {
			day = at.AddDate(0, 0, -1) // a night belongs to the day on which it begins
		}
		hours := s.hours
		if slices.Contains(r.Holidays, day.Format(time.DateOnly)) {
			if !s.Holidays {
				continue
			}
			hours.Days = [7]bool{true, true, true, true, true, true, true}
		} else if s.Holidays && len(s.Days) == 0 {
			continue // for holidays alone
		}
		if hours.Holds(at) {
			who = append(who, s.Who)
		}
	}
	for i := range r.calendar {
		e := &r.calendar[i]
		start, length, err := r.lasts(e)
		if err != nil {
			continue // found when it was read
		}
		on := !start.After(at) && at.Before(start.Add(length))
		if set, err := e.RecurrenceSet(r.zone); err == nil && set != nil {
			begun := set.Before(at, true)
			on = !begun.IsZero() && at.Before(begun.Add(length))
		}
		if name, err := e.Props.Text(ical.PropSummary); err == nil && on {
			who = append(who, strings.TrimSpace(name))
		}
	}
	return who
}

// Names lists who is on duty at some time.
func (r *Rota) Names() (names []string) {
	for _, s := range r.Shifts {
		names = append(names, s.Who)
	}
	for i := range r.calendar {
		name, _ := r.calendar[i].Props.Text(ical.PropSummary)
		names = append(names, strings.TrimSpace(name))
	}
	return names
}

func wallTime(t time.Time) time.Duration {
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute
}

// Escalation calls person after person until somebody acknowledges: first who is
// on duty, after After the next of People, and in the end everybody.
type Escalation struct {
	People []string `yaml:"people"` // receivers, in the order in which they are called
	// After is how long a call waits for an acknowledgement; default 5m.
	After time.Duration `yaml:"after"`
	// Priority is the least urgent that is called; default high.
	Priority string `yaml:"priority"`
	// RotaFile says who is on duty; empty: the first of People always is.
	RotaFile string `yaml:"rota"`
	// Address of the console, and the key of the links with which a notice is
	// acknowledged; empty: there are no links. A link ends after LinkExpires.
	Address     string        `yaml:"link_address"`
	KeyFile     string        `yaml:"link_key_file"`
	LinkExpires time.Duration `yaml:"link_expires"` // default 30m

	// Told is what was called of the alarms that stand: who keeps it over a restart
	// hands it to the next Escalation.
	Told []Called `yaml:"-"`
}

// Called says how far the calls of one occurrence of an alarm have come.
type Called struct {
	Alarm      string
	Occurrence uint64
	Realarm    int
	Step       int
	At         time.Time // of the last call
	To         []string  // all who were called
}

// Turn is a call: a notice and who is to get it.
type Turn struct {
	To     []string
	Step   int
	Notice Notice
}

// steps gives who is called first, second and so on; the last is everybody.
func (e *Escalation) steps(rota *Rota, at time.Time) (steps [][]string) {
	var duty []string
	if rota != nil {
		duty = slices.DeleteFunc(rota.OnDuty(at), func(who string) bool { return !slices.Contains(e.People, who) })
	} else {
		duty = e.People[:1]
	}
	if len(duty) > 0 {
		steps = append(steps, duty)
	}
	for _, p := range e.People {
		if len(duty) > 0 && !slices.Contains(duty, p) {
			steps = append(steps, []string{p})
		}
	}
	if len(steps) != 1 || len(duty) < len(e.People) {
		steps = append(steps, e.People)
	}
	return steps
}

// Due gives the calls that are due by the picture of all alarms.
func (e *Escalation) Due(alarms []alerting.Status, rota *Rota, now time.Time) (out []Turn) {
	least, _ := priorityNamed(e.Priority)
	var standing []Called
	for i := range alarms {
		a := &alarms[i]
		if !a.Annunciated || !a.Active || a.Spec.Priority == plant.PriorityNone || a.Spec.Priority > least {
			continue
		}
		c := Called{Alarm: a.Name, Occurrence: a.Occurrence, Realarm: a.RealarmCount}
		for _, t := range e.Told {
			if t.Alarm == c.Alarm && t.Occurrence == c.Occurrence && t.Realarm == c.Realarm {
				c = t
			}
		}
		steps := e.steps(rota, now)
		if due := min(int(max(now.Sub(a.LastChange), 0)/e.After), len(steps)-1) + 1; due > c.Step {
			n := Notice{Spec: a.Spec, Turn: "you are on duty", Event: plant.Event{Time: a.LastChange, Kind: plant.EventAlarm, Alarm: a.Name, Source: a.Spec.Source, Area: a.Spec.Area,
				Occurrence: a.Occurrence, Priority: a.Spec.Priority, State: a.Code, Setpoint: a.Spec.Setpoint, Unit: a.Spec.Unit, Annunciated: true, Received: now}}
			if v := a.Value; v == v {
				n.Event.Value = &v
			}
			if due > 1 {
				n.Turn = words.Say("call %d: nobody has acknowledged for %s", due, now.Sub(a.LastChange).Round(time.Second).String())
			}
			out = append(out, Turn{To: steps[due-1], Step: due, Notice: n})
			c.Step, c.At, c.To = due, now, append(slices.Clip(c.To), steps[due-1]...)
		}
		standing = append(standing, c)
	}
	e.Told = standing
	return out
}

// Resume takes over what an earlier run had called. What it called within a minute
// before its last sign of life may not have been delivered: that step is called
// again, twice rather than never.
func (e *Escalation) Resume(told []Called, lastRun time.Time) {
	for _, c := range told {
		if c.At.After(lastRun.Add(-time.Minute)) {
			c.Step--
		}
		e.Told = append(e.Told, c)
	}
}
