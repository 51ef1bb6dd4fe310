package console

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"calandria/plant/words"
	"calandria/thermo"
	"calandria/thermo/fouling"
)

// A plan of cleanings in words and as a file.

// BoilingText is a best boiling time with its band.
func BoilingText(b fouling.Boiling) words.Text {
	if !b.Known {
		return "U falls too little for one"
	}
	return words.Say("%.1f d (%.1f to %.1f); at most 2 %% worse from %.1f to %.1f", b.Days, b.Low, b.High, b.FlatLow, b.FlatHigh)
}

// HabitText says how the house cleans.
func HabitText(p *thermo.CleaningProposal) words.Text {
	switch h := p.Habit; {
	case h.Together && h.EveryDays > 0:
		return words.Say("This house was seen to clean the set at one stop, %d times, every %.0f days.", h.Stops, h.EveryDays)
	case h.Together:
		return words.Say("This house was seen to clean the set at one stop, %d times.", h.Stops)
	case h.EveryDays > 0:
		return words.Say("This house was seen to clean body by body, the usual body every %.0f days.", h.EveryDays)
	case h.Stops > 0:
		return words.Say("This house cleans body by body; %s of the whole set was seen.", counted(h.Stops, "one stop", "some stops"))
	}
	return "No stop in which the whole set was cleaned has been seen."
}

// IntervalTexts says what a time from cleaning to cleaning gives: days, cost of scale a
// day, hours of cleaning in 30 days, mean and last U, % of clean.
func IntervalTexts(i fouling.Interval) [5]words.Text {
	return [5]words.Text{decimals(i.EveryDays, 1), decimals(i.LossPerDay, 1), decimals(i.OffHours, 0), decimals(100*i.Ratio, 0), decimals(100*i.EndRatio, 0)}
}

// OverdueTexts names the limits that a plan cannot keep.
func OverdueTexts(p *thermo.CleaningProposal) (out []words.Text) {
	for _, o := range p.Overdue {
		out = append(out, words.Say("%s is beyond its limit on %d of %d days, from %s", o.Body, o.Days, p.Days, o.From.Format(time.DateOnly)))
	}
	return out
}

// AssumedTexts says what a plan rests on.
func AssumedTexts(p *thermo.CleaningProposal) []words.Text {
	out := []words.Text{
		"scale grows as the laws of each body say, at the rates and loads of now",
		words.Say("%d days beyond the plan are planned too, but not shown", fouling.PlanAhead),
		"a cleaning restores a body as the usual cleaning does",
	}
	if p.Together {
		out = append(out, "one day later is that of the whole stop")
	}
	steam := p.CostUnit == string(thermo.SteamUnit)
	if p.Priced || steam {
		out = append(out, "what scale costs: water that the set no longer evaporates is boiled off in the pans, a tonne of steam for each tonne; an hour without a body: the same water in one effect fewer; a stop: the juice that is not worked up")
	}
	if p.ByHabit > 0 {
		out = append(out, words.Say("a cleaning of a body costs what makes the interval of this house the best one: %.4g", p.Wish.Cost))
	} else if !p.Priced {
		out = append(out, "what a cleaning costs is the program's own figure: thirty days at 1 % less U")
	}
	if !p.Priced {
		out = append(out, "for a plan in money give site: costs: steam_per_t, lost_juice_per_t and currency in the plant file")
	}
	if p.Cost > p.AtLeast*1.001 {
		out = append(out, words.Say("no plan within these bounds costs less than %.0f", p.AtLeast))
	}
	for _, b := range p.LeftOut {
		out = append(out, words.Say("%s is left out: its clean U is not known", b))
	}
	return out
}

// millStop is why bodies are cleaned together.
const millStop words.Text = "mill stop"

// ParseStops reads days such as 2026-12-24 and spans such as 2026-12-24/2026-12-26.
func ParseStops(list []string, zone *time.Location) ([]fouling.Stop, error) {
	var stops []fouling.Stop
	for _, s := range list {
		from, to, ranged := strings.Cut(s, "/")
		a, err := time.ParseInLocation(time.DateOnly, from, zone)
		if err != nil {
			return nil, words.Errorf("%q is not a day such as 2026-12-24", s)
		}
		b := a
		if ranged {
			if b, err = time.ParseInLocation(time.DateOnly, to, zone); err != nil || b.Before(a) {
				return nil, words.Errorf("%q is not a span such as 2026-12-24/2026-12-26", s)
			}
		}
		stops = append(stops, fouling.Stop{From: a, To: b.AddDate(0, 0, 1), Reason: string(millStop)})
	}
	return stops, nil
}

// ParseWeekdays reads days such as sat or Sunday.
func ParseWeekdays(list []string) ([]time.Weekday, error) {
	var days []time.Weekday
next:
	for _, s := range list {
		for d := time.Sunday; d <= time.Saturday; d++ {
			if len(s) >= 3 && len(s) <= len(d.String()) && strings.EqualFold(d.String()[:len(s)], s) {
				days = append(days, d)
				continue next
			}
		}
		return nil, words.Errorf("%q is not a weekday", s)
	}
	return days, nil
}

// WritePlanCSV writes the plan as CSV (RFC 4180): a header line, a line a cleaning,
// each with the notice in its last column. A text that a spreadsheet would take
// for a formula is led by an apostrophe.
func WritePlanCSV(w io.Writer, p *fouling.Plan) error {
	c := csv.NewWriter(w)
	c.UseCRLF = true
	iso := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.Format(time.DateOnly)
	}
	num := func(v float64, d int) string { return strconv.FormatFloat(v, 'f', d, 64) }
	safe := func(s string) string {
		if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
			return "'" + s
		}
		return s
	}
	rows := [][]string{{"day", "body", "hours", "u_ratio_before", "move_first", "move_last", "latest", "one_day_later_cost", "one_day_later_low", "one_day_later_high", "saves", "cost_unit", "stop", "notice"}}
	for _, l := range p.Cleanings {
		rows = append(rows, []string{iso(l.Day), safe(l.Body), num(l.Hours, 1), num(l.Ratio, 3), iso(l.First), iso(l.Last), iso(l.Latest),
			num(l.WaitCost, 2), num(l.WaitLow, 2), num(l.WaitHigh, 2), num(l.Saves, 2), safe(p.CostUnit), safe(l.Stop), fouling.Notice.String()})
	}
	if len(p.Cleanings) == 0 {
		rows = append(rows, append(make([]string, len(rows[0])-1), fouling.Notice.String()))
	}
	return c.WriteAll(rows)
}

// WritePlanCalendar writes the plan as an iCalendar object (RFC 5545): one all-day
// event a cleaning, tentative and transparent, since a plan is not an
// appointment. stamp is the DTSTAMP, the moment the plan was made; domain, a
// name of the site such as "mill.example", makes the UIDs global. The UID of a
// body's n-th cleaning from the plan's start stays when its day moves, so that a
// new issue of the same plan replaces the old.
func WritePlanCalendar(w io.Writer, p *fouling.Plan, stamp time.Time, domain string) error {
	if stamp.IsZero() || domain == "" {
		return errors.New("calendar of a cleaning plan: a time stamp and the site's domain are needed")
	}
	var b strings.Builder
	line := func(name, value string) { foldLine(&b, name+":"+value) }
	line("BEGIN", "VCALENDAR")
	line("VERSION", "2.0")
	line("PRODID", "-//Calandria//Cleaning plan//EN")
	line("CALSCALE", "GREGORIAN")
	line("METHOD", "PUBLISH")
	if len(p.Cleanings) == 0 { // RFC 5545, 3.6: at least one component
		line("BEGIN", "VJOURNAL")
		line("UID", calendarUID("none", p.Start, 0, domain))
		line("DTSTAMP", stamp.UTC().Format("20060102T150405Z"))
		foldLine(&b, "DTSTART;VALUE=DATE:"+p.Start.Format("20060102"))
		line("SUMMARY", calendarText("No cleaning planned"))
		line("DESCRIPTION", calendarText(fouling.Notice.String()))
		line("END", "VJOURNAL")
	}
	count := map[string]int{}
	for _, c := range p.Cleanings {
		count[c.Body]++
		line("BEGIN", "VEVENT")
		line("UID", calendarUID(c.Body, p.Start, count[c.Body], domain))
		line("DTSTAMP", stamp.UTC().Format("20060102T150405Z"))
		foldLine(&b, "DTSTART;VALUE=DATE:"+c.Day.Format("20060102"))
		foldLine(&b, "DTEND;VALUE=DATE:"+c.Day.AddDate(0, 0, 1).Format("20060102"))
		line("SUMMARY", calendarText(fmt.Sprintf("Proposed: clean %s (%.3g h)", c.Body, c.Hours)))
		text := fmt.Sprintf("U is %.0f %% of clean. May move between %s and %s.", 100*c.Ratio, c.First.Format(time.DateOnly), c.Last.Format(time.DateOnly))
		if !c.Latest.IsZero() {
			text += fmt.Sprintf(" Latest day before the limit of U %s.", c.Latest.Format(time.DateOnly))
		}
		if c.Stop != "" {
			text += " Uses: " + c.Stop + "."
		}
		line("DESCRIPTION", calendarText(text+"\n"+fouling.Notice.String()))
		line("CATEGORIES", "CLEANING")
		line("STATUS", "TENTATIVE")
		line("TRANSP", "TRANSPARENT")
		line("END", "VEVENT")
	}
	line("END", "VCALENDAR")
	_, err := io.WriteString(w, b.String())
	return err
}

// calendarUID keeps to characters that need no escape.
func calendarUID(body string, start time.Time, n int, domain string) string {
	clean := func(s string) string {
		var b strings.Builder
		for _, r := range s {
			switch {
			case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '.', r == '-':
				b.WriteRune(r)
			default:
				fmt.Fprintf(&b, "_%x_", r)
			}
		}
		return b.String()
	}
	return fmt.Sprintf("cleaning-%s-%s-%d@%s", clean(body), start.Format("20060102"), n, clean(domain))
}

// calendarText writes a TEXT value, RFC 5545 3.3.11. Other control characters have no
// place in one and become spaces.
func calendarText(s string) string {
	var b strings.Builder
	for _, r := range strings.ToValidUTF8(s, "\uFFFD") {
		switch {
		case r == '\\' || r == ';' || r == ',':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == '\n':
			b.WriteString(`\n`)
		case r < ' ' && r != '\t' || r == 0x7f:
			b.WriteByte(' ')
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// foldLine writes a content line in pieces of at most 75 octets, RFC 5545 3.1, never
// inside a character.
func foldLine(b *strings.Builder, s string) {
	width := 75
	for len(s) > width {
		n := width
		for n > 0 && !utf8.RuneStart(s[n]) {
			n--
		}
		b.WriteString(s[:n])
		b.WriteString("\r\n ")
		s = s[n:]
		width = 74 // the space counts
	}
	b.WriteString(s)
	b.WriteString("\r\n")
}
