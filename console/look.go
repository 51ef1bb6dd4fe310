package console

import (
	"cmp"
	"fmt"
	"html/template"
	"maps"
	"math"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"calandria/console/catalog"
	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
)

// Look is how figures and times are shown: to everybody as the site's plant file has
// it, to one person as he has chosen. The core, the archive, the API and the exports
// keep the units of the program.
type Look struct {
	// Pressure, Vacuum, Temperature, MassFlow and VolumeFlow are units, such as bar gauge,
	// mmHg vacuum, degF. Empty: kPa, as Pressure, degC, t/h, m3/h.
	Pressure    string `yaml:"pressure"`
	Vacuum      string `yaml:"vacuum"`
	Temperature string `yaml:"temperature"`
	MassFlow    string `yaml:"mass_flow"`
	VolumeFlow  string `yaml:"volume_flow"`
	// VacuumFrom is the first effect whose vapour is shown as Vacuum; default the second
	// half of the effects. Condensers and pans always are.
	VacuumFrom int `yaml:"vacuum_from_effect"`
	// TimeZone is that of times on pages; empty: the site's. Shifts, days and weeks
	// stay the site's.
	TimeZone string `yaml:"-"`
	// Decimal is the decimal sign, point or comma; empty: as the language has it.
	Decimal string `yaml:"decimal"`
}

var decimalSigns = map[string]string{"": "", "point": ".", "comma": ","}

// shownUnit is a unit as pages write it: shown = value*scale + offset, of the program's unit.
type shownUnit struct {
	key           string
	text          words.Text
	digits        int
	ref           plant.Reference
	scale, offset float64
	plain         words.Text // of a difference
}

// unitKind is one choice of a Look. The first unit is the usual.
type unitKind struct {
	Key   string
	Text  words.Text
	of    func(*Look) *string
	dim   plant.Dimension
	units []shownUnit
}

func pressures(vacuum bool) []shownUnit {
	kpa := shownUnit{key: "kPa", text: "kPa abs", digits: 1, plain: "kPa"}
	list := []shownUnit{kpa}
	if vacuum {
		list = []shownUnit{{text: "as other pressures"}, kpa}
	}
	for _, x := range []struct {
		name, text          string
		abs, gauge, vacuous int // digits; -1: not offered
	}{{"kPa", "kPa", -1, 1, 1}, {"bar", "bar", 3, 2, 2}, {"kgf/cm2", "kgf/cm²", 3, 2, 2}, {"psi", "psi", 2, 1, 1}, {"mmHg", "mmHg", 0, -1, 0}, {"cmHg", "cmHg", 1, -1, 1}, {"inHg", "inHg", 2, -1, 1}} {
		if x.abs >= 0 {
			list = append(list, shownUnit{key: x.name, text: words.Text(x.text + " abs"), digits: x.abs, plain: words.Text(x.text)})
		}
		if x.gauge >= 0 {
			list = append(list, shownUnit{key: x.name + " gauge", text: words.Text(x.text + " gauge"), digits: x.gauge, plain: words.Text(x.text), ref: plant.Gauge})
		}
		if vacuum {
			list = append(list, shownUnit{key: x.name + " vacuum", text: words.Text(x.text + " vacuum"), digits: x.vacuous, plain: words.Text(x.text), ref: plant.Vacuum})
		}
	}
	return list
}

// unitKinds is the table of all units that can be shown.
var unitKinds = []unitKind{
	{"pressure", "Pressure", func(l *Look) *string { return &l.Pressure }, plant.Pressure, pressures(false)},
	{"vacuum", "Vacuum of condensers, pans and last effects", func(l *Look) *string { return &l.Vacuum }, plant.Pressure, pressures(true)},
	{"temperature", "Temperature", func(l *Look) *string { return &l.Temperature }, plant.Temperature,
		[]shownUnit{{key: "degC", text: "°C", digits: 1, plain: "K"}, {key: "degF", text: "°F", digits: 1, plain: "°F"}}},
	{"mass_flow", "Flow by mass", func(l *Look) *string { return &l.MassFlow }, plant.MassFlow, []shownUnit{{key: "t/h", text: "t/h", digits: 1},
		{key: "kg/s", text: "kg/s", digits: 2}, {key: "kg/h", text: "kg/h"}, {key: "t/d", text: "t/d"}, {key: "klb/h", text: "klb/h", digits: 1}, {key: "short ton/h", text: "short ton/h", digits: 1}}},
	{"volume_flow", "Flow by volume", func(l *Look) *string { return &l.VolumeFlow }, plant.VolumeFlow, []shownUnit{{key: "m3/h", text: "m³/h", digits: 1},
		{key: "L/s", text: "L/s", digits: 1}, {key: "L/min", text: "L/min"}, {key: "gal/min", text: "gal/min"}}},
}

// kinds of unitKinds by their place.
const (
	kindPressure = iota
	kindVacuum
	kindTemperature
	kindMass
	kindVolume
)

// unit is the unit chosen of a kind; false: there is no such one.
func (k *unitKind) unit(l *Look) (u shownUnit, ok bool) {
	i := 0
	if want := *k.of(l); want != "" {
		if i = slices.IndexFunc(k.units, func(u shownUnit) bool { return u.key == want }); i < 0 {
			return u, false
		}
	}
	u = k.units[i]
	if u.key == "" {
		return unitKinds[kindPressure].unit(l)
	}
	scale, offset, err := plant.CanonicalFactor(k.dim, u.key[:len(u.key)-len(refEnd(u.ref))])
	u.scale, u.offset = 1/scale, -offset/scale
	return u, err == nil
}

func refEnd(r plant.Reference) string {
	if r == "" {
		return ""
	}
	return " " + string(r)
}

// against makes it count from an air pressure, kPa.
func (u shownUnit) against(air float64) shownUnit {
	switch u.ref {
	case plant.Gauge:
		u.offset = -air * u.scale
	case plant.Vacuum:
		u.offset, u.scale = air*u.scale, -u.scale
	}
	return u
}

func (u shownUnit) of(v float64) float64 { return v*u.scale + u.offset }

// back is the value of what was typed in the unit.
func (u shownUnit) back(shown float64) float64 { return (shown - u.offset) / u.scale }

// check names the first choice that there is not, and what there is.
func (l *Look) check() (key string, problem, fix words.Text) {
	for i := range unitKinds {
		k := &unitKinds[i]
		if _, ok := k.unit(l); ok {
			continue
		}
		var keys []string
		for _, u := range k.units {
			if u.key != "" {
				keys = append(keys, u.key)
			}
		}
		return k.Key, words.Say("%q is no unit of it", *k.of(l)), words.Say("use one of %s", strings.Join(keys, ", "))
	}
	if _, ok := decimalSigns[l.Decimal]; !ok {
		return "decimal", words.Say("%q is no decimal sign", l.Decimal), "write point or comma, or take it out"
	}
	if _, err := time.LoadLocation(l.TimeZone); err != nil || l.TimeZone == "Local" {
		return "time_zone", words.Say("%q is no time zone", l.TimeZone), "give a name such as Asia/Kolkata or UTC"
	}
	return "", "", ""
}

// shownUnits are the units of one Look, ready for use.
type shownUnits [kindVolume + 1]shownUnit

func (l *Look) units() (u shownUnits) {
	for i := range unitKinds {
		u[i], _ = unitKinds[i].unit(l)
	}
	return u
}

// houseAlone is the part of a Backend that a Voice needs.
type houseAlone struct {
	Backend
	h *plant.House
}

func (x houseAlone) House() *plant.House { return x.h }

// Voice says texts in the language and the units of the site: for what goes to nobody in
// particular.
func Voice(h *plant.House) func(words.Text) string {
	l := OptionsOf(h).Display
	s := Server{b: houseAlone{h: h}, look: l, units: l.units()}
	all, _ := catalog.All() // the files are in the program, and a test reads them
	return catalog.Choose(all, h.Config.Site.Language).For(decimalSigns[l.Decimal], s.measureWords).Say
}

// kindOf is the kind of unit of a tag; -1 where there is no choice.
func (s *Server) kindOf(t *plant.Tag) int {
	switch t.Dimension {
	case plant.Pressure:
		if t.Name != "vapour_pressure" {
			return kindPressure
		}
		e, ok := s.b.House().Equip(t.Owner)
		if !ok {
			return kindPressure
		}
		return s.vacuumKind(e)
	case plant.PressureDiff:
		return kindPressure
	case plant.Temperature, plant.TempDifference:
		return kindTemperature
	case plant.MassFlow:
		return kindMass
	case plant.VolumeFlow:
		return kindVolume
	}
	return -1
}

// vacuumKind is the kind of a vessel's vapour pressure. Common practice, no source: the
// last effects, condensers and pans have vacuum gauges.
func (s *Server) vacuumKind(e *plant.Equipment) int {
	switch {
	case e.Class == plant.ClassCondenser || e.Class == plant.ClassPan || e.Class == plant.ClassCompartment:
		return kindVacuum
	case e.Body != nil && e.Body.Effect >= cmp.Or(s.look.VacuumFrom, e.Parent.LastBody().Body.Effect/2+1):
		return kindVacuum
	}
	return kindPressure
}

// unit is how a tag is shown, by the usual air pressure of the site.
func (s *Server) unit(t *plant.Tag) shownUnit {
	return s.unitAt(t, s.b.House().Config.Site.BarometerKPa)
}

// unitAt is how a tag is shown at an air pressure, kPa.
func (s *Server) unitAt(t *plant.Tag, air float64) shownUnit {
	kind := s.kindOf(t)
	if kind < 0 {
		u := shownUnit{text: unitText(t), digits: places[t.Dimension], scale: 1}
		if t.Name == "u_ratio" {
			u.scale, u.digits = 100, 0
		}
		return u
	}
	u := s.units[kind]
	switch t.Dimension {
	case plant.TempDifference:
		u.offset, u.text = 0, u.plain
		if smallDifference(t.Name) {
			u.digits = 2
		}
	case plant.PressureDiff:
		u.ref, u.text = "", u.plain
	}
	return u.against(air)
}

// unitNamed is how a value in a unit of the program is shown: that of a tag, or of the
// vapour of a vessel, else by the unit alone.
func (s *Server) unitNamed(of, unit string) shownUnit {
	if t, ok := s.b.House().Find(of); ok && t.Unit == unit {
		return s.unit(t)
	}
	if e, ok := s.b.House().Equip(of); ok && unit == plant.Pressure.Canonical() {
		return s.units[s.vacuumKind(e)].against(s.b.House().Config.Site.BarometerKPa)
	}
	for kind := range unitKinds { // of the two kinds of pressure the first
		if unitKinds[kind].dim.Canonical() == unit {
			return s.units[kind].against(s.b.House().Config.Site.BarometerKPa)
		}
	}
	if unit == "K" {
		u := s.units[kindTemperature]
		u.offset, u.text = 0, u.plain
		return u
	}
	return shownUnit{text: unitWord(unit), scale: 1}
}

// six leaves a number six digits that count.
func six(v float64) float64 {
	v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'g', 6, 64), 64)
	return v
}

var typedUnit = regexp.MustCompile(`^([-+]?[0-9]+(?:\.[0-9]+)?)\s*([^0-9\s].*)$`)

// inUnitOf takes a figure typed with a unit of its own, such as 640 mmHg vacuum, to the
// unit of a rule; other text stays as it is.
func (s *Server) inUnitOf(text, unit string) string {
	m := typedUnit.FindStringSubmatch(strings.TrimSpace(text))
	if m == nil {
		return text
	}
	typed, ref, ok := plant.ReadUnit(m[2])
	to, toRef, ok2 := plant.ReadUnit(unit)
	if !ok || !ok2 || typed == to && ref == toRef {
		return text
	}
	for _, dim := range plant.DimensionsOf(to) {
		v, _ := strconv.ParseFloat(m[1], 64)
		scale, offset, err1 := plant.CanonicalFactor(dim, typed)
		toScale, toOffset, err2 := plant.CanonicalFactor(dim, to)
		if err1 != nil || err2 != nil {
			continue
		}
		air := s.b.House().Config.Site.BarometerKPa
		if v = v*scale + offset; dim == plant.Pressure {
			v = toRef.FromAbsolute(ref.ToAbsolute(v, air), air)
		}
		return fmt.Sprint(six((v - toOffset) / toScale))
	}
	return text
}

// extremes writes the smallest and the largest of a tag, in the order of what is shown.
func (s *Server) extremes(t *plant.Tag, low, high float64) (words.Text, words.Text) {
	if s.unit(t).scale < 0 { // a vacuum counts the other way
		low, high = high, low
	}
	return s.number(t, low), s.number(t, high)
}

// measureWords writes a measure in the unit that is shown.
func (s *Server) measureWords(m words.Measure) (number, unit words.Text) {
	if m.Of == "" && m.Unit == "kPa" || m.Unit == "K" { // a difference
		text, scale := s.change(m.Unit)
		return trueMinus(fmt.Sprintf(m.Form, m.Value*scale)), text
	}
	u := s.unitNamed(m.Of, m.Unit)
	if u.scale == 1 && u.offset == 0 {
		return trueMinus(fmt.Sprintf(m.Form, m.Value)), u.text
	}
	return decimals(u.of(m.Value), u.digits), u.text
}

// trueMinus gives a number its true minus sign.
func trueMinus(number string) words.Text { return words.Text(strings.Replace(number, "-", "−", 1)) }

// change is the unit of a difference, and what to multiply one by.
func (s *Server) change(unit string) (text words.Text, scale float64) {
	u := s.unitNamed("", unit)
	return cmp.Or(u.plain, u.text), math.Abs(u.scale)
}

// air is the air pressure of a picture, kPa.
func (s *Server) air(p *engine.Picture) float64 {
	if pt := p.Frame.Point(s.b.House().Site.Tag("air_pressure")); pt.Usable() {
		return pt.Value
	}
	return s.b.House().Config.Site.BarometerKPa
}

// looks are the consoles of people who see it otherwise than the site: each with its
// units and its zone, all on the same state.
type looks struct {
	mu   sync.Mutex
	made map[Look]*Server
}

// looksMost bounds them; then they are made anew.
const looksMost = 50

// seenBy is the console as one person sees it.
func (s *Server) seenBy(r *http.Request) *Server {
	l := s.lookOf(r)
	if l == s.look {
		return s
	}
	s.looks.mu.Lock()
	defer s.looks.mu.Unlock()
	if v := s.looks.made[l]; v != nil {
		return v
	}
	v := *s
	if v.dress(l) != nil {
		return s
	}
	if s.looks.made == nil || len(s.looks.made) >= looksMost {
		s.looks.made = map[Look]*Server{}
	}
	s.looks.made[l] = &v
	return &v
}

// dress makes the console show things in a look.
func (s *Server) dress(l Look) error {
	if key, problem, _ := l.check(); key != "" {
		return fmt.Errorf("console.display.%s: %s", key, problem)
	}
	s.look, s.lookKey = l, fmt.Sprintf("%v ", l)
	s.units = l.units()
	s.languages, s.tmpl = nil, map[*catalog.Language]func() (*template.Template, error){}
	for _, x := range s.spoken {
		own := x.For(decimalSigns[l.Decimal], s.measureWords)
		s.languages = append(s.languages, own)
		s.tmpl[own] = sync.OnceValues(func() (*template.Template, error) {
			t, err := x.pages()
			if err == nil {
				t, err = t.Clone()
			}
			if err != nil {
				return nil, err
			}
			return t.Funcs(s.functions(own)), nil
		})
	}
	var err error
	if s.zone, err = time.LoadLocation(cmp.Or(l.TimeZone, s.site.String())); err == nil {
		s.zoneTag = strings.ReplaceAll(s.zone.String(), "_", " ")
		s.pages = s.routes()
	}
	return err
}

const (
	lookCookie = "calandria_look"
	lookKept   = 400 * 24 * time.Hour
)

// choices are what people chose to see, by person, as far as they were asked for.
type choices struct {
	mu sync.Mutex
	of map[string]string
}

// person is the account that a request comes from; "" without sign-in.
func (s *Server) person(r *http.Request) string {
	if a := s.gate.who(r, time.Now()); a != nil && !a.Token {
		return a.Name
	}
	return ""
}

// choice is what somebody chose: units, decimal sign, time zone, language. It is kept with
// his account, and at the browser of who has not signed in.
func (s *Server) choice(r *http.Request) url.Values {
	text := ""
	if name := s.person(r); name != "" {
		s.choices.mu.Lock()
		defer s.choices.mu.Unlock()
		var known bool
		if text, known = s.choices.of[name]; !known {
			var err error
			if text, err = s.b.Choice(r.Context(), name); err != nil {
				s.log.Warn("console: what a person chose to see", "err", err)
			} else {
				s.choices.of[name] = text
			}
		}
	} else if c, err := r.Cookie(lookCookie); err == nil {
		text, _ = url.QueryUnescape(c.Value)
	}
	q, err := url.ParseQuery(text)
	if err != nil {
		return url.Values{}
	}
	return q
}

// choose keeps what somebody chose and goes back to where he was.
func (s *Server) choose(w http.ResponseWriter, r *http.Request, q url.Values) error {
	maps.DeleteFunc(q, func(_ string, v []string) bool { return v[0] == "" })
	if name := s.person(r); name != "" {
		s.choices.mu.Lock()
		defer s.choices.mu.Unlock()
		if err := s.b.KeepChoice(r.Context(), name, q.Encode()); err != nil {
			return err
		}
		s.choices.of[name] = q.Encode()
	} else if len(q) == 0 {
		s.keep(w, r, lookCookie, "", -time.Second)
	} else {
		s.keep(w, r, lookCookie, q.Encode(), lookKept)
	}
	return seeOther(w, r, localPath(r.PostForm.Get("back")))
}

// lookOf is the look that somebody chose, else the site's.
func (s *Server) lookOf(r *http.Request) Look {
	l := lookFrom(s.choice(r), s.opt.Display)
	if key, _, _ := l.check(); key != "" {
		return s.opt.Display
	}
	return l
}

func lookFrom(q url.Values, l Look) Look {
	for i := range unitKinds {
		k := &unitKinds[i]
		if q.Has(k.Key) {
			*k.of(&l) = q.Get(k.Key)
		}
	}
	if q.Has("decimal") {
		l.Decimal = q.Get("decimal")
	}
	if q.Has("time_zone") {
		l.TimeZone = strings.TrimSpace(q.Get("time_zone"))
	}
	return l
}

// lookChoice is one field of the form.
type lookChoice struct {
	Key   string
	Text  words.Text
	Units []link
}

type lookData struct {
	Choices    []lookChoice
	Zone, Site string
	Back       string
}

// lookPage is where a person says how he wants to see things.
func (s *Server) lookPage(r *http.Request, _ *engine.Picture, _ time.Time) (*view, error) {
	d := lookData{Zone: s.look.TimeZone, Site: s.site.String(), Back: localPath(r.FormValue("back"))}
	if r.Method == http.MethodPost {
		d.Zone = r.PostForm.Get("time_zone")
	}
	for i := range unitKinds {
		k := &unitKinds[i]
		c := lookChoice{Key: k.Key, Text: k.Text}
		for _, u := range k.units {
			c.Units = append(c.Units, link{u.text, u.key, u.key == cmp.Or(*k.of(&s.look), k.units[0].key)})
		}
		d.Choices = append(d.Choices, c)
	}
	sign := s.look.Decimal
	d.Choices = append(d.Choices, lookChoice{"decimal", "Decimal sign", []link{{"as the language has it", "", sign == ""}, {"point: 2.5", "point", sign == "point"}, {"comma: 2,5", "comma", sign == "comma"}}})
	return &view{Template: "look.html", Title: "Units and time zone", Data: d}, nil
}

// setLook keeps the units, the decimal sign and the time zone of a person.
func (s *Server) setLook(w http.ResponseWriter, r *http.Request) error {
	q := url.Values{"language": {s.choice(r).Get("language")}}
	if f := r.PostForm; f.Get("site") == "" { // else as the site has it
		l := lookFrom(f, s.opt.Display)
		if key, problem, fix := l.check(); key != "" {
			return s.render(w, withField(r, key), http.StatusUnprocessableEntity, words.Say("%s: %s.", problem, fix), s.lookPage)
		}
		for i := range unitKinds {
			q.Set(unitKinds[i].Key, *unitKinds[i].of(&l))
		}
		q.Set("decimal", l.Decimal)
		q.Set("time_zone", l.TimeZone)
	}
	return s.choose(w, r, q)
}
