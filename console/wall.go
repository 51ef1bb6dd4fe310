package console

import (
	"cmp"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
)

// The wall view: for a screen that nobody touches, read from across the room. One set or
// pan at a time, by itself: what deviates there, and nothing else.

const (
	wallLines   = 3  // deviations of one scene; type that is read at 4 m leaves no room for more
	wallSeconds = 10 // one scene
)

// scene is one set or pan on the wall.
type scene struct {
	Name, Title string
	Lines       []deviation
	More        int // deviations that have no room
}

// deviation is something that is not as it should be.
type deviation struct {
	Mark        *markData // of an alarm
	Text, Value words.Text
	Note        words.Text // how long is left, the limit
	about       string     // word of an alarm that says the same
	far         int        // in halves of the width of its band
}

// saidBy reports that an alarm says the same already.
func (d deviation) saidBy(a deviation) bool {
	return d.about != "" && a.Mark != nil && strings.Contains(strings.ToLower(a.Text.String()), d.about)
}

type wallView struct {
	Scenes []scene
	Counts []stripCount
	Faults []words.Text // sources and recording
	At     string
	NoData bool
	Empty  bool // no equipment is configured
}

type wallData struct{ Seconds int }

func (s *Server) wallPage(r *http.Request, p *engine.Picture, now time.Time) (*view, error) {
	d := wallData{wallSeconds}
	if v := r.URL.Query().Get("seconds"); v != "" {
		n, err := strconv.Atoi(v)
		if err != nil || n < 1 || n > 600 {
			return nil, badQuery("seconds: give a whole number from 1 to 600.")
		}
		d.Seconds = n
	}
	return &view{Template: "wall.html", Title: "Wall", Live: "view=wall", Reload: true, Parts: parts{"wall": s.wall(p, now)}, Data: d}, nil
}

func (s *Server) wall(p *engine.Picture, now time.Time) wallView {
	st := s.strip(p, now)
	v := wallView{Counts: st.Counts, At: s.clock(p.At).String(), NoData: p.At.IsZero(), Empty: !s.b.House().Equipped()}
	for _, x := range st.Sources {
		if !x.OK {
			v.Faults = append(v.Faults, words.Say("%s LOST", x.Name))
		}
	}
	for _, x := range st.Faults {
		v.Faults = append(v.Faults, words.Say("%s FAULT", x.Name))
	}
	active := s.lists(p, now).Active
	taken := map[string]bool{}
	of := func(paths ...string) (rows []deviation) {
		for i := range active {
			a := &active[i]
			for _, path := range paths {
				if !taken[a.Key] && (a.Source == path || strings.HasPrefix(a.Source, path+".")) {
					taken[a.Key] = true
					rows = append(rows, alarmDeviation(a))
				}
			}
		}
		return rows
	}
	for _, class := range []plant.Class{plant.ClassSet, plant.ClassPan} {
		for _, e := range s.b.House().Of(class) {
			paths := []string{e.Path}
			if c := s.condenserOf(e); c != nil {
				paths = append(paths, c.Path)
			}
			lines := of(paths...)
			for _, d := range s.deviations(p, e, now) {
				if !slices.ContainsFunc(lines, d.saidBy) {
					lines = append(lines, d)
				}
			}
			v.Scenes = append(v.Scenes, sceneOf(e.Name, e.Title, lines))
		}
	}
	var rest []deviation
	for i := range active {
		if !taken[active[i].Key] {
			rest = append(rest, alarmDeviation(&active[i]))
		}
	}
	if len(rest) > 0 {
		v.Scenes = append(v.Scenes, sceneOf("Elsewhere", "", rest))
	}
	return v
}

func sceneOf(name, title string, lines []deviation) scene {
	x := scene{Name: name, Title: title, Lines: lines}
	if title == name {
		x.Title = ""
	}
	if len(lines) > wallLines {
		x.Lines, x.More = lines[:wallLines], len(lines)-wallLines
	}
	return x
}

func alarmDeviation(a *alarmRow) deviation {
	d := deviation{Mark: a.Mark, Text: a.Title, Note: a.Respond}
	if a.Value != dash {
		d.Value = a.Value
	}
	return d
}

// deviations are what is not as it should be in a set or pan, besides its alarms.
func (s *Server) deviations(p *engine.Picture, e *plant.Equipment, now time.Time) (out []deviation) {
	for i := range p.Suspects {
		if x := &p.Suspects[i]; x.Set == e.Path {
			out = append(out, deviation{Text: words.Say("%s contradicts the other instruments", x.What), Value: s.apparent(x)})
		}
	}
	if c := s.condenserOf(e); c != nil {
		if vac, ok := s.vacuumOf(p, c.Path); ok && vac.Unusual {
			d := deviation{Text: words.Say("Vacuum of %s", vac.Name), Value: vac.Above, about: "vacuum"}
			if len(vac.Causes) > 0 {
				d.Note = vac.Causes[0].Cause
			}
			out = append(out, d)
		}
	}
	for _, b := range e.Parts {
		if b.Body == nil {
			continue
		}
		if r := s.read(p, b.Tag("u_ratio"), now); r.OK && r.Value < b.Body.CleaningLimit {
			out = append(out, deviation{Text: words.Say("%s is due for cleaning", b.Name), Value: r.Text + " " + r.Unit,
				Note: words.Say("limit %s", decimals(100*b.Body.CleaningLimit, 0)), about: "due for cleaning"})
		}
	}
	if e.Class == plant.ClassPan {
		if r := s.read(p, e.Tag("supersaturation"), now); r.OK && r.Value >= zoneGrowth {
			out = append(out, deviation{Text: words.Say("Supersaturation is %s", zoneWord(r.Value)), Value: "S " + r.Text})
		}
		if st, ok := strikeOf(p, e.Path); ok {
			if want := s.expectedStrike(st, e); want > 0 && now.Sub(st.Started) > want {
				out = append(out, deviation{Text: "The strike is late", Value: words.Say("%s over", span(now.Sub(st.Started)-want))})
			}
		}
	}
	out = append(out, s.departures(p, e, now)...)
	if absent := s.absent(p, e, now); absent > 0 {
		out = append(out, deviation{Text: words.Say("%s without a value", counted(absent, "instrument", "instruments"))})
	}
	return out
}

// departures are the figures of a vessel, its parts and its condenser outside
// their usual band, the farthest first; whole halves of its width count, so that the order
// stands still.
func (s *Server) departures(p *engine.Picture, e *plant.Equipment, now time.Time) (out []deviation) {
	vessels := append([]*plant.Equipment{e}, e.Parts...)
	if c := s.condenserOf(e); c != nil {
		vessels = append(vessels, c)
	}
	for _, v := range vessels {
		for _, id := range slices.Sorted(maps.Values(v.Tags)) {
			b, judged := p.Usual[id]
			if !judged {
				continue
			}
			if r := s.read(p, id, now); r.Departs != "" {
				out = append(out, deviation{Text: words.Say("%s %s is %s", v.Name, r.Label, r.Departs), Value: r.with(&s.b.House().Tags[id], r.Text), Note: r.Usual, about: r.Label.String(), far: int(b.Far())})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b deviation) int { return cmp.Compare(b.far, a.far) })
	return out
}

// absent counts the instruments of a vessel and its parts that give no value.
func (s *Server) absent(p *engine.Picture, e *plant.Equipment, now time.Time) (n int) {
	for _, id := range e.Tags {
		if s.b.House().Tags[id].Source == plant.Measured && !p.Frame.Point(id).Usable() {
			n++
		}
	}
	for _, part := range e.Parts {
		n += s.absent(p, part, now)
	}
	return n
}
