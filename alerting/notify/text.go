package notify

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"calandria/plant"
)

// Site is what a message says about where it comes from.
type Site struct {
	Name  string
	Zone  *time.Location // for times that people read
	House *plant.House   // for the labels of equipment; only its vessels are used
	// Head is the last line of the journal that was signed, as NUMBER:HASH, so that each
	// receiver keeps a witness of it; "": none yet. nil: there is no journal.
	Head func() string
}

func (s *Site) head() string {
	if s.Head == nil {
		return ""
	}
	return s.Head()
}

// advice stands under every message.
const advice = "Calandria advises; it is no safety system. Interlocks, relief devices and the site's procedures come first."

// labels names the set, body, bleed, condenser or pan of a path, as /metrics
// does.
func (s *Site) labels(path string) map[string]string {
	out := map[string]string{}
	if s.House == nil {
		return out
	}
	e, ok := s.House.Equip(path)
	if !ok {
		// The source may be a tag.
		if i := strings.LastIndexByte(path, '.'); i > 0 {
			e, ok = s.House.Equip(path[:i])
		}
	}
	if !ok {
		return out
	}
	for ; e != nil; e = e.Parent {
		out[string(e.Class)] = e.Name
	}
	return out
}

func (s *Site) stamp(t time.Time) string {
	if s.Zone != nil {
		t = t.In(s.Zone)
	}
	return t.Format("2006-01-02 15:04:05 -07:00")
}

// title is what has happened, in one line.
func title(n *Notice) string {
	if n.Spec != nil && n.Spec.Title != "" {
		return oneLine(n.Spec.Title)
	}
	if n.Event.Alarm != "" {
		return oneLine(n.Event.Alarm)
	}
	return oneLine(n.Event.Text)
}

// kindWords say what an event does to its alarm.
var kindWords = map[plant.EventKind]string{plant.EventAlarm: "alarm", plant.EventRealarm: "alarm, called again", plant.EventReturn: "returned to normal", plant.EventAck: "acknowledged"}

func kindWord(k plant.EventKind) string {
	return cmp.Or(kindWords[k], strings.ToLower(strings.ReplaceAll(string(k), "_", " ")))
}

// subject is one line for one or more notices, the most urgent first named.
func (s *Site) subject(batch []Notice) string {
	worst := 0
	for i := range batch {
		if p := batch[i].Event.Priority; p != plant.PriorityNone && p < batch[worst].Event.Priority {
			worst = i
		}
	}
	n := &batch[worst]
	line := fmt.Sprintf("[%s] %s: %s", n.Event.Priority, kindWord(n.Event.Kind), title(n))
	if n.Event.Source != "" {
		line += " (" + oneLine(n.Event.Source) + ")"
	}
	if len(batch) > 1 {
		line += fmt.Sprintf(" and %d more", len(batch)-1)
	}
	return cut(line+", "+oneLine(s.Name), 200)
}

// short is a notice in one line.
func (s *Site) short(n *Notice) string {
	return fmt.Sprintf("%s  [%s] %s: %s (%s)", s.stamp(n.Event.Time), n.Event.Priority, kindWord(n.Event.Kind), title(n), oneLine(n.Event.Source))
}

// list is a flood of notices, each in a line.
func (s *Site) list(batch []Notice) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d notices, the most urgent first:\n\n", len(batch))
	for i := range batch {
		b.WriteString(s.short(&batch[i]) + "\n")
	}
	return b.String()
}

// text is a notice for a person.
func (s *Site) text(n *Notice, role string) string {
	var b strings.Builder
	e, spec := &n.Event, n.Spec
	line := func(label, value string) {
		if value = oneLine(value); value != "" {
			fmt.Fprintf(&b, "%-18s %s\n", label+":", value)
		}
	}
	fmt.Fprintf(&b, "%s: %s\n\n", strings.ToUpper(kindWord(e.Kind)), title(n))
	line("Priority", e.Priority.String())
	line("Where", e.Source)
	line("Area", e.Area)
	switch e.Kind {
	case plant.EventReturn:
		line("Returned", s.stamp(e.Time))
	case plant.EventAck:
		line("Acknowledged", s.stamp(e.Time)+" by "+e.User)
	default:
		line("Since", s.stamp(e.Time))
	}
	if e.Value != nil && !math.IsNaN(*e.Value) {
		v := number(*e.Value) + " " + e.Unit
		if e.Setpoint != nil {
			v += ", limit " + number(*e.Setpoint) + " " + e.Unit
		}
		line("Value", v)
	}
	if e.Kind == plant.EventAlarm || e.Kind == plant.EventRealarm {
		line("Found", e.Reason)
	}
	if spec == nil {
		line("Text", e.Text)
	} else {
		line("Cause", spec.Cause)
		line("If nothing is done", spec.Consequence)
		line("Response", spec.Response)
		if spec.Respond > 0 {
			line("Time to respond", respond(spec.Respond))
		}
		line("Check", spec.Verify)
		line("Hazard", spec.Hazard)
		line("Procedure", spec.Procedure)
	}
	if n.Before > 0 {
		line("Since the last", fmt.Sprintf("%d more changes, for which this notice stands", n.Before))
	}
	line("Why you", n.Turn)
	line("Acknowledge", n.Link)
	line("For", role)
	if e.Seq > 0 {
		line("Journal number", strconv.FormatUint(e.Seq, 10))
	}
	line("Signed head", s.head())
	return b.String()
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', 5, 64) }

func respond(d time.Duration) string {
	if d >= time.Hour {
		return strconv.FormatFloat(d.Hours(), 'g', 3, 64) + " h"
	}
	return strconv.FormatFloat(d.Minutes(), 'g', 3, 64) + " min"
}

// oneLine makes a space of line breaks and other control characters.
func oneLine(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == 0x85 || r == 0x2028 || r == 0x2029 {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
	return strings.Join(strings.Fields(s), " ")
}

// cut shortens a line to so many characters.
func cut(s string, most int) string {
	r := []rune(s)
	if len(r) <= most {
		return s
	}
	return string(r[:most-1]) + "…"
}
