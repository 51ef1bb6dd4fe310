package notify

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// Site is what a message says about where it comes from.
type Site struct {
	Name  string
	Zone  *time.Location // for times that people read
	House *plant.House   // for the labels of equipment; only its vessels are used
	// Head is the last line of the journal that was signed, as NUMBER:HASH, so that each
	// receiver keeps a witness of it; "": none yet. nil: there is no journal.
	Head func() string
	// Say says a text in the language and the units of the site; nil: in English.
	Say func(words.Text) string
}

func (s *Site) say(format words.Text, values ...any) string {
	if t := words.Say(format, values...); s.Say != nil {
		return s.Say(t)
	} else {
		return t.String()
	}
}

func (s *Site) head() string {
	if s.Head == nil {
		return ""
	}
	return s.Head()
}

// advice stands under every message.
const advice words.Text = "Calandria advises; it is no safety system. Interlocks, relief devices and the site's procedures come first."

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

// said is a text of an alarm.
func (s *Site) said(spec *plant.AlarmSpec, text string) string { return s.say(spec.Said(text)) }

// title is what has happened, in one line.
func (s *Site) title(n *Notice) string {
	if n.Spec != nil && n.Spec.Title != "" {
		return oneLine(s.say(n.Spec.Said(n.Spec.Title)))
	}
	if n.Event.Alarm != "" {
		return oneLine(n.Event.Alarm)
	}
	return oneLine(n.Event.Text)
}

// kindWords say what an event does to its alarm.
var kindWords = map[plant.EventKind]words.Text{plant.EventAlarm: "alarm", plant.EventRealarm: "alarm, called again", plant.EventReturn: "returned to normal", plant.EventAck: "acknowledged"}

func kindWord(k plant.EventKind) words.Text {
	return cmp.Or(kindWords[k], words.Text(strings.ToLower(strings.ReplaceAll(string(k), "_", " "))))
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
	line := s.say("[%s] %s: %s", n.Event.Priority, kindWord(n.Event.Kind), s.title(n))
	if n.Event.Source != "" {
		line += " (" + oneLine(n.Event.Source) + ")"
	}
	if len(batch) > 1 {
		line = s.say("%s and %d more", line, len(batch)-1)
	}
	return cut(line+", "+oneLine(s.Name), 200)
}

// short is a notice in one line.
func (s *Site) short(n *Notice) string {
	return s.say("%s  [%s] %s: %s (%s)", s.stamp(n.Event.Time), n.Event.Priority, kindWord(n.Event.Kind), s.title(n), oneLine(n.Event.Source))
}

// list is a flood of notices, each in a line.
func (s *Site) list(batch []Notice) string {
	var b strings.Builder
	b.WriteString(s.say("%d notices, the most urgent first:", len(batch)) + "\n\n")
	for i := range batch {
		b.WriteString(s.short(&batch[i]) + "\n")
	}
	return b.String()
}

// text is a notice for a person.
func (s *Site) text(n *Notice, role string) string {
	var b strings.Builder
	e, spec := &n.Event, n.Spec
	line := func(label words.Text, value string) {
		if value = oneLine(value); value != "" {
			fmt.Fprintf(&b, "%-18s %s\n", s.say(label)+":", value)
		}
	}
	fmt.Fprintf(&b, "%s: %s\n\n", strings.ToUpper(s.say(kindWord(e.Kind))), s.title(n))
	line("Priority", s.say(words.Text(e.Priority.String())))
	line("Where", e.Source)
	line("Area", e.Area)
	switch e.Kind {
	case plant.EventReturn:
		line("Returned", s.stamp(e.Time))
	case plant.EventAck:
		line("Acknowledged", s.say("%s by %s", s.stamp(e.Time), e.User))
	default:
		line("Since", s.stamp(e.Time))
	}
	if e.Value != nil && !math.IsNaN(*e.Value) {
		of := "-" // of no tag in particular
		if spec != nil {
			of = cmp.Or(spec.Limited, of)
		}
		v := words.Say("%s", words.Measure{Value: *e.Value, Unit: e.Unit, Form: "%.5g", Of: of})
		if e.Setpoint != nil {
			v = words.Say("%s, limit %s", v, words.Measure{Value: *e.Setpoint, Unit: e.Unit, Form: "%.5g", Of: of})
		}
		line("Value", s.say(v))
	}
	if e.Kind == plant.EventAlarm || e.Kind == plant.EventRealarm {
		line("Found", cmp.Or(s.say(e.Words), e.Reason))
	}
	if spec == nil {
		line("Text", e.Text)
	} else {
		for _, x := range []struct{ label, text words.Text }{
			{"Cause", spec.Said(spec.Cause)}, {"If nothing is done", spec.Said(spec.Consequence)}, {"Response", spec.Said(spec.Response)},
			{"Time to respond", respond(spec.Respond)}, {"Check", spec.Said(spec.Verify)}, {"Hazard", spec.Said(spec.Hazard)}, {"Procedure", words.Verbatim(spec.Procedure)},
		} {
			line(x.label, s.say(x.text))
		}
	}
	if n.Before > 0 {
		line("Since the last", s.say("%d more changes, for which this notice stands", n.Before))
	}
	line("Why you", s.say(n.Turn))
	line("Acknowledge", n.Link)
	line("For", role)
	if e.Seq > 0 {
		line("Journal number", strconv.FormatUint(e.Seq, 10))
	}
	line("Signed head", s.head())
	return b.String()
}

func respond(d time.Duration) words.Text {
	switch {
	case d <= 0:
		return ""
	case d >= time.Hour:
		return words.Say("%.3g h", d.Hours())
	}
	return words.Say("%.3g min", d.Minutes())
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
