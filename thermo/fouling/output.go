package fouling

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
	"unicode/utf8"
)

func day(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	return t.Format("Mon " + time.DateOnly)
}

// WriteText writes the plan as a table for reading, the notice first and last.
func (p Plan) WriteText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Cleaning plan, %d days from %s\n%s\n\n", p.Days, p.Start.Format(time.DateOnly), Notice)
	unit := p.CostUnit
	if unit == "" {
		unit = "cost units"
	}
	if len(p.Cleanings) == 0 {
		b.WriteString("No cleaning pays in these days.\n")
	} else {
		t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
		fmt.Fprintf(t, "day\tbody\thours\tU/clean\tmay move\tlatest\tbinding limit\tone day later\tin stop\t\n")
		for _, c := range p.Cleanings {
			stop := c.Stop
			if stop == "" {
				stop = "-"
			}
			fmt.Fprintf(t, "%s\t%s\t%.3g\t%.2f\t%s to %s\t%s\t%s\t%+.0f\t%s\t\n", day(c.Day), c.Body, c.Hours, c.RatioBefore,
				c.First.Format("01-02"), c.Last.Format("01-02"), day(c.Latest), c.Binding, c.WaitCost, stop)
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	fmt.Fprintf(&b, "\nCost with this plan %.0f, without cleaning %.0f (%s).\n", p.Cost, p.CostNone, unit)
	for _, o := range p.Overdue {
		fmt.Fprintf(&b, "Cannot be kept: %s.\n", o)
	}
	for _, a := range p.Assumed {
		fmt.Fprintf(&b, "Assumed: %s.\n", a)
	}
	fmt.Fprintf(&b, "%s\n", Notice)
	_, err := io.WriteString(w, b.String())
	return err
}

// WriteCSV writes the plan as CSV (RFC 4180): a header line, a line a cleaning,
// each with the notice in its last column. A text that a spreadsheet would take
// for a formula is led by an apostrophe.
func (p Plan) WriteCSV(w io.Writer) error {
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
	rows := [][]string{{"day", "body", "hours", "u_ratio_before", "move_first", "move_last", "latest", "binding_limit", "one_day_later_cost", "saves", "cost_unit", "stop", "notice"}}
	for _, l := range p.Cleanings {
		rows = append(rows, []string{iso(l.Day), safe(l.Body), num(l.Hours, 1), num(l.RatioBefore, 3), iso(l.First), iso(l.Last), iso(l.Latest),
			string(l.Binding), num(l.WaitCost, 2), num(l.Saves, 2), safe(p.CostUnit), safe(l.Stop), Notice})
	}
	if len(p.Cleanings) == 0 {
		rows = append(rows, append(make([]string, len(rows[0])-1), Notice))
	}
	return c.WriteAll(rows)
}

// WriteCalendar writes the plan as an iCalendar object (RFC 5545): one all-day
// event a cleaning, tentative and transparent, since a plan is not an
// appointment. stamp is the DTSTAMP, the moment the plan was made; domain, a
// name of the site such as "mill.example", makes the UIDs global. The UID of a
// body's n-th cleaning from the plan's start stays when its day moves, so that a
// new issue of the same plan replaces the old.
func (p Plan) WriteCalendar(w io.Writer, stamp time.Time, domain string) error {
	if stamp.IsZero() || domain == "" {
		return errors.New("calendar of a cleaning plan: a time stamp and the site's domain are needed")
	}
	var b strings.Builder
	line := func(name, value string) { fold(&b, name+":"+value) }
	line("BEGIN", "VCALENDAR")
	line("VERSION", "2.0")
	line("PRODID", "-//Calandria//Cleaning plan//EN")
	line("CALSCALE", "GREGORIAN")
	line("METHOD", "PUBLISH")
	if len(p.Cleanings) == 0 { // RFC 5545, 3.6: at least one component
		line("BEGIN", "VJOURNAL")
		line("UID", uid("none", p.Start, 0, domain))
		line("DTSTAMP", stamp.UTC().Format("20060102T150405Z"))
		fold(&b, "DTSTART;VALUE=DATE:"+p.Start.Format("20060102"))
		line("SUMMARY", escape("No cleaning planned"))
		line("DESCRIPTION", escape(Notice))
		line("END", "VJOURNAL")
	}
	count := map[string]int{}
	for _, c := range p.Cleanings {
		count[c.Body]++
		line("BEGIN", "VEVENT")
		line("UID", uid(c.Body, p.Start, count[c.Body], domain))
		line("DTSTAMP", stamp.UTC().Format("20060102T150405Z"))
		fold(&b, "DTSTART;VALUE=DATE:"+c.Day.Format("20060102"))
		fold(&b, "DTEND;VALUE=DATE:"+c.Day.AddDate(0, 0, 1).Format("20060102"))
		line("SUMMARY", escape(fmt.Sprintf("Proposed: clean %s (%.3g h)", c.Body, c.Hours)))
		text := fmt.Sprintf("U is %.0f %% of clean. May move between %s and %s.", 100*c.RatioBefore, c.First.Format(time.DateOnly), c.Last.Format(time.DateOnly))
		if !c.Latest.IsZero() {
			text += fmt.Sprintf(" Latest day %s (%s).", c.Latest.Format(time.DateOnly), c.Binding)
		}
		if c.Stop != "" {
			text += " Uses: " + c.Stop + "."
		}
		line("DESCRIPTION", escape(text+"\n"+Notice))
		line("CATEGORIES", "CLEANING")
		line("STATUS", "TENTATIVE")
		line("TRANSP", "TRANSPARENT")
		line("END", "VEVENT")
	}
	line("END", "VCALENDAR")
	_, err := io.WriteString(w, b.String())
	return err
}

// uid keeps to characters that need no escape.
func uid(body string, start time.Time, n int, domain string) string {
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

// escape writes a TEXT value, RFC 5545 3.3.11. Other control characters have no
// place in one and become spaces.
func escape(s string) string {
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

// fold writes a content line in pieces of at most 75 octets, RFC 5545 3.1, never
// inside a character.
func fold(b *strings.Builder, s string) {
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
