package rules

import (
	"path"
	"slices"
	"strings"

	"calandria/plant"
	"calandria/plant/words"
)

// scope gives the words this, parent, next, previous, condenser and heater
// their meaning in a rule that stands for one piece of equipment.
type scope struct {
	this  *plant.Equipment // nil in a rule that stands once
	house *plant.House
	known map[plant.Class][]string
	lacks func(plant.TagID) words.Text // why a derived tag is left out, or ""; nil: none is
}

// found is what a name in an expression means.
type found struct {
	tag      plant.TagID
	constant bool
	value    float64
	dim      dims
	missing  words.Text // this equipment lacks it
	problem  words.Text
	fix      words.Text
}

var relations = []string{"this", "parent", "next", "previous", "condenser", "heater"}

// related finds the equipment a relation word stands for; nil if there is
// none.
func (s *scope) related(word string) *plant.Equipment {
	e := s.this
	switch word {
	case "this":
		return e
	case "parent":
		return e.Parent
	case "next", "previous":
		return s.neighbour(e, word == "next")
	case "condenser":
		name := ""
		switch {
		case e.Set != nil:
			name = e.Set.Condenser
		case e.Pan != nil:
			name = e.Pan.Condenser
		case e.Body != nil && s.neighbour(e, true) == nil:
			name = e.Parent.Set.Condenser
		}
		c, _ := s.house.Equip(name)
		return c
	case "heater":
		if e.Pan != nil {
			b, _ := s.house.Equip(e.Pan.HeatedBy)
			return b
		}
	}
	return nil
}

// neighbour is the first body of the next effect, or of the one before.
func (s *scope) neighbour(e *plant.Equipment, next bool) *plant.Equipment {
	if e.Body == nil {
		return nil
	}
	want := e.Body.Effect - 1
	if next {
		want = e.Body.Effect + 1
	}
	for _, b := range e.Parent.Parts {
		if b.Body.Effect == want {
			return b
		}
	}
	return nil
}

// constants are facts of the configuration that expressions may name.
func (s *scope) constant(e *plant.Equipment, name string) (float64, dims, bool) {
	flag := func(b bool) (float64, dims, bool) { return plant.Flag(b), dimOf(plant.State), true }
	switch {
	case e.Body != nil:
		switch name {
		case "effect":
			return float64(e.Body.Effect), bareNumber, true
		case "first_effect":
			return flag(e.Body.Effect == 1)
		case "last_effect":
			return flag(s.neighbour(e, true) == nil)
		case "cleaning_limit":
			return e.Body.CleaningLimit, dimOf(plant.Ratio), true
		}
	case e.Set != nil && name == "effects":
		return float64(e.LastBody().Body.Effect), bareNumber, true
	case e.Pan != nil && name == "strike_hours" && e.Pan.StrikeHours > 0:
		return e.Pan.StrikeHours * 3600, dimOf(plant.Duration), true
	case e.Condenser != nil:
		switch name {
		case "serves_set":
			return flag(slices.ContainsFunc(s.house.Of(plant.ClassSet), func(x *plant.Equipment) bool { return x.Set.Condenser == e.Path }))
		case "serves_pan":
			return flag(slices.ContainsFunc(s.house.Of(plant.ClassPan), func(x *plant.Equipment) bool { return x.Pan.Condenser == e.Path }))
		}
	}
	return 0, dims{}, false
}

var constantNames = map[plant.Class][]string{
	plant.ClassSet:       {"effects"},
	plant.ClassBody:      {"effect", "first_effect", "last_effect", "cleaning_limit"},
	plant.ClassPan:       {"strike_hours"},
	plant.ClassCondenser: {"serves_set", "serves_pan"},
}

// find says what a chain of words means.
func (s *scope) find(set *Set, parts []string) found {
	if s.this != nil && slices.Contains(relations, parts[0]) {
		e := s.related(parts[0])
		if e == nil {
			return found{missing: words.Say("%s has no %s", s.this.Path, parts[0])}
		}
		if len(parts) == 1 {
			return found{problem: words.Say("%s is a vessel, not a value", parts[0]), fix: words.Say("name one of its signals: %s.%s", parts[0], first(plant.SignalNames(e.Class)))}
		}
		return s.member(e, parts[0], parts[1:])
	}
	full := strings.Join(parts, ".")
	if t, ok := s.house.Find(full); ok {
		return s.tag(t)
	}
	if s.this == nil && slices.Contains(relations, parts[0]) {
		return found{problem: words.Say("%q means nothing in a rule without for:", parts[0]), fix: "add for: body (or another class), or name the vessel"}
	}
	// EV.EV3.cleaning_limit
	if n := len(parts); n > 1 {
		if e, ok := s.house.Equip(strings.Join(parts[:n-1], ".")); ok {
			if v, d, ok := s.constant(e, parts[n-1]); ok {
				return found{constant: true, value: v, dim: d}
			}
		}
	}
	f := found{problem: words.Say("there is no tag %s", full), fix: "correct the path, or name the signal under tags: in the plant file"}
	if _, ok := s.house.Equip(full); ok {
		f.problem, f.fix = words.Say("%s is a vessel, not a value", full), "name one of its signals"
	} else {
		f.fix = plant.DidYouMean(s.house.Suggest(full), "%s", f.fix)
	}
	return f
}

// tag is found, unless it is a derived one that is left out.
func (s *scope) tag(t *plant.Tag) found {
	if s.lacks != nil && t.Source == plant.Ruled {
		if why := s.lacks(t.ID); why != "" {
			return found{missing: why, dim: dimOf(t.Dimension)}
		}
	}
	return found{tag: t.ID}
}

// member finds a signal, quantity or constant of equipment.
func (s *scope) member(e *plant.Equipment, word string, rest []string) found {
	name := strings.Join(rest, ".")
	if t, ok := s.house.Find(e.Path + "." + name); ok {
		return s.tag(t)
	}
	if len(rest) == 1 {
		if v, d, ok := s.constant(e, name); ok {
			return found{constant: true, value: v, dim: d}
		}
	}
	lack := words.Say("%s has no %s", e.Path, name)
	if sig, ok := plant.SignalNamed(e.Class, name); ok {
		return found{missing: lack, dim: dimOf(sig.Dimension)}
	}
	names := append(append(plant.SignalNames(e.Class), s.known[e.Class]...), constantNames[e.Class]...)
	for _, other := range s.house.Of(e.Class) {
		for n, id := range other.Tags {
			if n == name {
				return found{missing: lack, dim: dimOf(s.house.Tags[id].Dimension)}
			}
			names = append(names, n)
		}
	}
	if slices.Contains(names, name) {
		return found{missing: lack}
	}
	slices.Sort(names) // the same suggestion every time
	return found{problem: words.Say("a %s has no signal or quantity %q", e.Class, name),
		fix: plant.DidYouMean(plant.Nearest(name, names), word+".%s", words.Say("signals: %s", strings.Join(plant.SignalNames(e.Class), ", ")))}
}

func first(names []string) string {
	if len(names) == 0 {
		return "level"
	}
	return names[0]
}

// matches lists the equipment that for: means: a class, or patterns of paths
// in which * stands for one name, separated by commas.
func matches(h *plant.House, pattern string) []*plant.Equipment {
	var out []*plant.Equipment
	for p := range strings.SplitSeq(pattern, ",") {
		p = strings.TrimSpace(p)
		for _, e := range h.Equipment {
			if matchesOne(e, p) && !slices.Contains(out, e) {
				out = append(out, e)
			}
		}
	}
	return out
}

func matchesOne(e *plant.Equipment, p string) bool {
	if string(e.Class) == p || e.Path == p {
		return true
	}
	ok, err := path.Match(strings.ReplaceAll(p, ".", "/"), strings.ReplaceAll(e.Path, ".", "/"))
	return ok && err == nil
}
