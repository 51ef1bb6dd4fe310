package console

import (
	"cmp"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strings"
	"time"

	"calandria/alerting"
	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
)

// escapeSegment escapes a name for one segment of a path.
func escapeSegment(s string) string { return url.PathEscape(s) }

// markData is an alarm mark: shape and number say the priority, the outline
// whether it waits for someone.
type markData struct {
	Priority int
	Word     words.Text
	Unack    bool
}

func markOf(priority int, unack bool) *markData {
	return &markData{Priority: priority, Word: words.Text(plant.Priority(priority).String()), Unack: unack}
}

// alarmRow is one alarm as lists show it.
type alarmRow struct {
	Name, Key, Href    string
	Title              words.Text
	Source, SourceHref string
	Mark               *markData
	Priority           plant.Priority
	Word               words.Text
	Unack, Active      bool
	Since              time.Time
	SinceText, Age     words.Text
	Value, Limit       words.Text
	Respond            words.Text
	Late               bool
	Occurrence         uint64
	FirstUp            bool
	Comment            string
	Quality            words.Text // reason if the input is not good
	Until              words.Text // end of a shelving
	Hidden             words.Text // why it is suppressed
	CanUnshelve        bool
	CanPlace           bool // out of service
	// Folded are the members of its group, or of a burst in its area.
	Folded      []alarmRow
	FoldedUnack int
	Burst       bool
	Area        string
	status      *alerting.Status
	Words       words.Text // what explains it, as things stand
}

// brief is the beginning of words, for the list, up to the end of a clause: the rest stands
// on the alarm's own page.
func brief(said string) string {
	const least = 70
	if len(said) > least {
		if i := strings.IndexAny(said[least:], ":;"); i >= 0 {
			return said[:least+i]
		}
	}
	return said
}

func (s *Server) alarmRow(a *alerting.Status, now time.Time) alarmRow {
	spec := a.Spec
	if spec == nil {
		spec = &plant.AlarmSpec{Name: a.Name, Title: a.Name}
	}
	r := alarmRow{
		Name: a.Name, Key: fmt.Sprintf("%s#%d", a.Name, a.Occurrence), Href: "/alarms/" + escapeSegment(a.Name),
		Title: spec.Said(spec.Title), Source: spec.Source, Priority: spec.Priority,
		Mark: markOf(int(spec.Priority), a.Annunciated), Word: words.Text(a.State.Word()),
		Unack: a.Annunciated, Active: a.Active, Since: a.ActiveSince,
		SinceText: s.moment(now, a.ActiveSince), Age: age(now, a.ActiveSince),
		Occurrence: a.Occurrence, FirstUp: a.FirstUp, Comment: a.Comment,
		Value: dash, CanUnshelve: a.Shelving != alerting.Unshelved, CanPlace: a.OutOfService, Words: a.Words, Area: spec.Area, status: a,
	}
	if r.Title == "" {
		r.Title = words.Verbatim(a.Name)
	}
	if _, ok := s.b.House().Equip(spec.Source); ok {
		r.SourceHref = vesselHref(spec.Source)
	}
	if !math.IsNaN(a.Value) && a.Occurrence > 0 {
		r.Value = s.alarmValue(spec.Limited, spec.Unit, a.Value, spec.Setpoint)
	}
	if spec.Setpoint != nil {
		r.Limit = s.specValue(spec.Limited, spec.Unit, *spec.Setpoint)
	}
	if spec.Respond > 0 && a.Active && !a.State.Hidden() {
		left := spec.Respond - now.Sub(a.ActiveSince)
		if r.Late = left <= 0; r.Late {
			r.Respond = words.Say("%s over", span(-left))
		} else {
			r.Respond = words.Say("%s left", span(left))
		}
	}
	if a.Quality.Seen() && !a.Quality.IsGood() {
		r.Quality = qualityReason(a.Quality)
	}
	switch {
	case a.Shelving == alerting.OneShotShelving && a.ShelvedUntil.IsZero():
		r.Until = "until it returns to normal"
	case !a.ShelvedUntil.IsZero():
		r.Until = words.Say("until %s (%s left)", s.moment(now, a.ShelvedUntil), span(a.ShelvedUntil.Sub(now)))
	}
	var why []words.Text
	for _, x := range a.Suppressed {
		why = append(why, cmp.Or(x.Reason, words.Verbatim(x.By)))
	}
	r.Hidden = words.Join(why, "; ")
	return r
}

// specValue writes a value of an alarm on a tag with its unit; a time as people say it.
func (s *Server) specValue(tag, unit string, v float64) words.Text {
	if unit == "s" && v >= 0 && v < 1e9 {
		return span(time.Duration(v * float64(time.Second)))
	}
	u := s.unitNamed(tag, unit)
	return valueUnit(specNumber(u.of(v)), u.text)
}

// alarmValue writes what an alarm was called at: three digits that count, or as many
// decimals as its limit has, and one more where both would read the same.
func (s *Server) alarmValue(tag, unit string, v float64, limit *float64) words.Text {
	if unit == "s" || math.IsNaN(v) || math.IsInf(v, 0) || v == 0 {
		return s.specValue(tag, unit, v)
	}
	u := s.unitNamed(tag, unit)
	x := u.of(v)
	places := 2 - int(math.Floor(math.Log10(math.Abs(x))))
	round := func() words.Text {
		scale := math.Pow(10, float64(max(0, places)))
		return specNumber(math.Round(x*scale) / scale)
	}
	text := round()
	if limit != nil {
		at := specNumber(u.of(*limit))
		_, after, _ := strings.Cut(at.String(), ".")
		places = max(len(after), places-1)
		if text = round(); text == at {
			places++
			text = round()
		}
	}
	return valueUnit(text, u.text)
}

// specNumber writes a value of an alarm, whose format the definition does not
// give: four significant digits.
func specNumber(v float64) words.Text {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return dash
	}
	a := math.Abs(v)
	n := 3
	switch {
	case a >= 1000:
		n = 0
	case a >= 100:
		n = 1
	case a >= 10:
		n = 2
	case a > 0 && a < 0.1: // three digits that count, as of an hourly rate
		n = min(8, 2-int(math.Floor(math.Log10(a))))
	}
	text := decimals(v, n).String()
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return words.Text(text)
}

// moment is a time of day, with the date if it is not today.
func (s *Server) moment(now, t time.Time) words.Text {
	if t.IsZero() {
		return dash
	}
	t, now = t.In(s.zone), now.In(s.zone)
	text := dateText(t) + " " + words.Text(t.Format("15:04"))
	if t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		text = words.Text(t.Format("15:04:05"))
	}
	if offset(t) != offset(now) { // of the other part of the year
		text += words.Text(t.Format(" -07:00"))
	}
	return text
}

// offset is how far a zone is ahead of UTC, s.
func offset(t time.Time) int {
	_, s := t.Zone()
	return s
}

// rank orders priorities: the most urgent first, messages last.
func rank(p plant.Priority) int {
	if p == plant.PriorityNone {
		return 99
	}
	return int(p)
}

// lists are the four lists of alarms.
type lists struct {
	Active, Shelved, Suppressed, OutOfService []alarmRow
	Unack                                     int
}

// hiddenList is one of the lists of alarms that do not call.
type hiddenList struct {
	ID          string
	Title, Note words.Text
	Rows        []alarmRow
}

func (l *lists) hidden() []hiddenList {
	return []hiddenList{
		{"shelved", "Shelved", "Hidden by a person for a time; each comes back by itself.", l.Shelved},
		{"suppressed", "Suppressed by design", "Hidden by logic, because something else explains them.", l.Suppressed},
		{"oos", "Out of service", "Taken out for maintenance; they stay out until placed in service again.", l.OutOfService},
	}
}

func (s *Server) lists(p *engine.Picture, now time.Time) lists {
	var l lists
	for i := range p.Alarms {
		a := &p.Alarms[i]
		row := s.alarmRow(a, now)
		switch a.State {
		case alerting.Normal:
		case alerting.Shelved:
			l.Shelved = append(l.Shelved, row)
		case alerting.SuppressedByDesign:
			l.Suppressed = append(l.Suppressed, row)
		case alerting.OutOfService:
			l.OutOfService = append(l.OutOfService, row)
		default:
			l.Active = append(l.Active, row)
			if row.Unack {
				l.Unack++
			}
		}
	}
	for _, rows := range [][]alarmRow{l.Active, l.Shelved, l.Suppressed, l.OutOfService} {
		slices.SortStableFunc(rows, func(a, b alarmRow) int {
			return cmp.Or(cmp.Compare(rank(a.Priority), rank(b.Priority)), b.Since.Compare(a.Since), cmp.Compare(a.Name, b.Name))
		})
	}
	return l
}

// fold puts rows under the row that leads them, as the alarm engine arranges them
// (R-F3): a first-up with its group, the first of an area with its burst.
func fold(rows []alarmRow) []alarmRow {
	list := make([]*alerting.Status, len(rows))
	for i := range rows {
		list[i] = rows[i].status
	}
	var out []alarmRow
	for _, l := range alerting.Fold(list) {
		row := rows[l.Lead]
		row.Burst = l.Burst
		for _, m := range l.Members {
			row.Folded = append(row.Folded, rows[m])
			if rows[m].Unack {
				row.FoldedUnack++
			}
		}
		out = append(out, row)
	}
	return out
}

// worst is the mark of the most important alarm of a piece of equipment and
// its parts, nil if there is none.
func (s *Server) worst(p *engine.Picture, path string) *markData {
	var best *markData
	for i := range p.Alarms {
		a := &p.Alarms[i]
		if a.Spec == nil || a.State == alerting.Normal || a.State.Hidden() || a.Spec.Priority == plant.PriorityNone {
			continue
		}
		if a.Spec.Source != path && !strings.HasPrefix(a.Spec.Source, path+".") {
			continue
		}
		pr := int(a.Spec.Priority)
		if best == nil || pr < best.Priority || pr == best.Priority && a.Annunciated && !best.Unack {
			best = markOf(pr, a.Annunciated)
		}
	}
	return best
}

// strip is the line that stands on every page.
type strip struct {
	Top  *alarmRow
	More int // further unacknowledged alarms
	// Overdue is an alarm whose time to respond is over, acknowledged or not, and is not Top.
	Overdue     *alarmRow
	OverdueMore int
	Counts      []stripCount
	Hidden      int // shelved, suppressed, out of service
	Sources     []sourceView
	Faults      []engine.Health
	At          string
	NoData      bool
}

type stripCount struct {
	Mark          *markData
	Unack, Active int
}

type sourceView struct {
	Name              string
	Word, Text, Since words.Text
	OK                bool
}

func (s *Server) strip(p *engine.Picture, now time.Time) strip {
	if p == nil {
		return strip{NoData: true, At: dash}
	}
	l := s.lists(p, now)
	v := strip{At: s.clock(p.At).String(), Hidden: len(l.Shelved) + len(l.Suppressed) + len(l.OutOfService)}
	counts := map[plant.Priority]*stripCount{}
	for pr := plant.PriorityUrgent; pr <= plant.PriorityLow; pr++ {
		counts[pr] = &stripCount{}
	}
	for i := range l.Active {
		row := &l.Active[i]
		if row.Unack {
			if v.Top == nil {
				v.Top = row
			}
			v.More++
		}
		if row.Late && row != v.Top {
			if v.Overdue == nil {
				v.Overdue = row
			} else {
				v.OverdueMore++
			}
		}
		if c := counts[row.Priority]; c != nil {
			c.Active++
			if row.Unack {
				c.Unack++
			}
		}
	}
	if v.More > 0 {
		v.More--
	}
	for pr := plant.PriorityUrgent; pr <= plant.PriorityLow; pr++ {
		c := counts[pr]
		c.Mark = markOf(int(pr), c.Unack > 0)
		v.Counts = append(v.Counts, *c)
	}
	v.Sources = s.sources(p, now)
	for _, h := range p.Health {
		if !h.OK {
			v.Faults = append(v.Faults, h)
		}
	}
	return v
}

// sourceText says where a source is, or what is wrong with it.
func sourceText(x *engine.Source) words.Text {
	text := sourceWhere(x)
	if x.Connected && x.Skew.Abs() >= time.Second {
		text += "; " + words.Say("its clock is %s", engine.AheadText(x.Skew))
		if per := x.Drift * 86400; math.Abs(per) >= 0.1 {
			text += " " + words.Say("and gains %.1f s a day", per)
		}
	}
	if x.MisstampedTags > 0 {
		text += "; " + words.Say("the source times of %d of %d tags are %s: judged as of their receipt", x.MisstampedTags, x.Tags, engine.AheadText(x.Stamps))
	}
	return text
}

func sourceWhere(x *engine.Source) words.Text {
	switch n := len(x.Faults); {
	case !x.Connected && x.LastError != "":
		return words.Verbatim(x.LastError)
	case n > 0:
		return words.Say("%s; %d of %d tags cannot be read: %s", x.Endpoint, n, x.Tags, x.Faults[0].Text)
	}
	return words.Verbatim(x.Endpoint)
}

func (s *Server) sources(p *engine.Picture, now time.Time) []sourceView {
	var out []sourceView
	for _, src := range p.Sources {
		v := sourceView{Name: src.Name, OK: src.Connected, Text: sourceText(&src), Word: "connected", Since: s.moment(now, src.Since)}
		if !src.Connected {
			v.Word = "LOST"
		}
		out = append(out, v)
	}
	return out
}
