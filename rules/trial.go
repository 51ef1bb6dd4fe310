package rules

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// TryField begins the field of a fault in what was tried: try.high.
const TryField = "try."

// Figure is one figure or condition of an alarm as the files state it, with
// the overrides that apply.
type Figure struct {
	Key  string // as in the file: high, deadband, on_delay, limits.usual, when
	Text string // "" if it is not stated
	File string // where it is stated, "" if it is not
	Line int
}

// Written is how one alarm is written.
type Written struct {
	Alarm   string
	Rule    string // name of the rule
	Vessel  string // path of the vessel, "" for a rule that stands for one alarm only
	Vessels int    // that the rule stands for; 0: it stands for one alarm only
	Unit    string // of its limit and deadband, with the reference of a pressure; "" if they have none
	Figures []Figure

	files []*loaded
	lf    *loaded // of the rule
	field string
	this  *plant.Equipment
	o     *overridden
}

// limitKeys are the short forms with a limit, and the free condition.
var limitKeys = []string{"high", "high_high", "low", "low_low", "deviation", "rate", "when"}

// ReadWritten reads how an alarm is written in files that have been loaded
// without a fault before; false: it is not there. The house is only looked at.
func ReadWritten(files []File, house *plant.House, alarm string) (*Written, bool) {
	l := newLoader(files, house, Options{})
	l.collectRules()
	name, path, _ := strings.Cut(alarm, ".")
	for _, lf := range l.files {
		for i := range lf.Alarms {
			a := &lf.Alarms[i]
			if a.Name != name || l.rules[name] != a {
				continue
			}
			w := &Written{Alarm: alarm, Rule: name, files: l.files, lf: lf, field: fmt.Sprintf("alarms[%d]", i)}
			if a.For != "" {
				all := l.targets(lf, w.field, name, a.For, a.Where, a.Limits)
				at := slices.IndexFunc(all, func(e *plant.Equipment) bool { return e != nil && e.Path == path })
				if at < 0 {
					return nil, false
				}
				w.this, w.Vessel, w.Vessels = all[at], path, len(all)
			} else if path != "" {
				return nil, false
			}
			w.o = l.overridden(lf, w.field, a, w.this)
			w.list()
			return w, true
		}
	}
	return nil, false
}

func (w *Written) list() {
	o := w.o
	w.Unit = o.Unit
	if o.Reference != "" && o.Reference != plant.Absolute {
		w.Unit += " " + string(o.Reference)
	}
	add := func(key, text string) {
		f := Figure{Key: key, Text: strings.TrimSpace(text)}
		if lf, field := o.at(w.lf, w.field, key); text != "" {
			f.File, f.Line = lf.doc.File, lf.doc.At(field).Line
		}
		w.Figures = append(w.Figures, f)
	}
	for _, k := range limitKeys {
		if text := *o.figure(k); text != "" {
			add(k, text)
		}
	}
	for _, n := range slices.Sorted(maps.Keys(o.Limits)) {
		add("limits."+n, o.Limits[n])
	}
	if o.ReturnWhen == "" {
		add("deadband", o.Deadband)
	}
	for _, key := range []string{"on_delay", "off_delay"} {
		text := ""
		if d := *o.delay(key); d != 0 {
			text = plant.ShortDuration(d)
		}
		add(key, text)
	}
}

// delay is one of the two delays of the rule by its key.
func (o *overridden) delay(key string) *time.Duration {
	if key == "on_delay" {
		return &o.OnDelay
	}
	return &o.OffDelay
}

// figure is the place of a text of the rule by its key, nil for none.
func (o *overridden) figure(key string) *string {
	return map[string]*string{"high": &o.High, "high_high": &o.HighHigh, "low": &o.Low, "low_low": &o.LowLow,
		"deviation": &o.Deviation, "rate": &o.Rate, "when": &o.When, "deadband": &o.Deadband}[key]
}

// needed lists the rules that an alarm alone needs: its own, and those that it
// is a consequence of.
func (l *loader) needed(alarm string) map[string]bool {
	need := map[string]bool{}
	var take func(to string)
	take = func(to string) {
		name, _, _ := strings.Cut(to, ".")
		a := l.rules[name]
		if a == nil || need[name] {
			return
		}
		need[name] = true
		for _, c := range a.ConsequenceOf {
			take(c)
		}
	}
	take(alarm)
	return need
}

// try puts what is tried over the rule as it stands.
func (l *loader) try(o *overridden) {
	file := &loaded{doc: &plant.Document{}}
	for _, key := range slices.Sorted(maps.Keys(l.opt.Try)) {
		text, field := strings.TrimSpace(l.opt.Try[key]), TryField+key
		o.where[key] = origin{file, field}
		limit, isLimit := strings.CutPrefix(key, "limits.")
		to := o.figure(key)
		switch {
		case key == "on_delay" || key == "off_delay":
			d := o.delay(key)
			if *d = 0; text == "" {
				continue
			}
			var err error
			if *d, err = plant.ParseDuration(text); err != nil || *d < 0 {
				l.fault(file, field, words.Say("%q is not a time", text), "write 30s, 10m or 2h")
			} else if *d > 24*time.Hour {
				l.fault(file, field, "longer than a day", "give 24h at most")
			}
		case isLimit:
			if _, ok := o.Limits[limit]; !ok {
				l.fault(file, field, words.Say("the rule has no limit %q", limit), "")
			} else if o.Limits[limit] = text; text == "" {
				l.fault(file, field, "no limit is given", "write one")
			}
		case to == nil || *to == "" && key != "deadband":
			l.fault(file, field, words.Say("the rule has no %s", key), "")
		case text == "" && key != "deadband":
			l.fault(file, field, "nothing is given", "write what is to be tried")
		case key == "when":
			*to = text
		default:
			*to = l.inUnit(file, field, text, o.Unit, key == "deadband" || key == "deviation" || key == "rate")
		}
	}
}

var numberUnit = regexp.MustCompile(`^([-+]?[0-9]+(?:[.,][0-9]+)?)\s*(.*)$`)

// inUnit takes the unit off a number where it is the rule's own. Another unit,
// and a decimal comma, are told as what they are.
func (l *loader) inUnit(lf *loaded, field, text, unit string, difference bool) string {
	m := numberUnit.FindStringSubmatch(text)
	if m == nil {
		return text
	}
	number, with := m[1], strings.TrimSpace(m[2])
	if strings.Contains(number, ",") {
		l.fault(lf, field, words.Say("%s has a decimal comma", number), words.Say("write %s", strings.Replace(number, ",", ".", 1)))
		return text
	}
	if with == "" {
		return text
	}
	dims := plant.DimensionsOf(with)
	if with == unit {
		return number
	}
	if len(dims) == 0 {
		return text // an expression
	}
	for _, d := range dims {
		from, fo, err1 := plant.CanonicalFactor(d, with)
		to, off, err2 := plant.CanonicalFactor(d, unit)
		if err1 != nil || err2 != nil {
			continue
		}
		var v float64
		fmt.Sscan(number, &v)
		if difference {
			v = v * from / to
		} else {
			v = (v*from + fo - off) / to
		}
		l.fault(lf, field, words.Say("given in %s, but this figure is in %s", with, unit), words.Say("%s %s is %.4g %s: write %.4g if you mean that", number, with, v, unit, v))
		return text
	}
	what := "this figure has no unit"
	if unit != "" {
		what = "this figure is in " + unit
	}
	l.fault(lf, field, words.Say("given in %s, but %s", with, what), "write the number alone")
	return text
}

// Reads lists the tags that an alarm depends on: through its condition, what
// holds it, suppresses it or lets it apply, and the derived tags beneath.
func (s *Set) Reads(index int) []plant.TagID {
	var out []plant.TagID
	var take func(ins []int32)
	take = func(ins []int32) {
		for _, in := range ins {
			id := s.inputs[in].tag
			if slices.Contains(out, id) {
				continue
			}
			out = append(out, id)
			for i := range s.derived {
				if s.derived[i].tag == id {
					take(s.derived[i].inputs)
				}
			}
		}
	}
	a := &s.alarms[index]
	take(a.inputs)
	take(a.suppress.inputs)
	take(a.only.inputs)
	return out
}

// Line is a change of a rule file: what goes in where.
type Line struct {
	File string
	// Line to Through are replaced by Text; with Through 0 Text comes after Line.
	Line, Through int
	Text          []string   // lines without their ends
	Was           string     // the first line replaced, or the one it comes after
	Note          words.Text // what else to know, may be empty
}

// Lines tells what to write into the files so that the changes stand there for
// this alarm. Changes that change nothing are left out.
func (w *Written) Lines(changes map[string]string) []Line {
	var out []Line
	var apart []string // key: value for an override
	for _, f := range w.Figures {
		text, ok := changes[f.Key]
		text = strings.TrimSpace(text)
		if !ok || text == f.Text {
			continue
		}
		lf, field := w.o.at(w.lf, w.field, f.Key)
		own := strings.HasPrefix(field, w.field+".") && lf == w.lf && !strings.Contains(field, ".override.")
		exact := !own && w.this != nil && strings.Contains(field, "."+w.this.Path+".")
		key := f.Key[strings.LastIndexByte(f.Key, '.')+1:]
		switch {
		case (own && (w.this == nil || w.Vessels == 1) || exact || f.Key == "when") && f.Text != "":
			x := lf.replace(lf.doc.At(field), key, f.Text, text)
			if f.Key == "when" && w.Vessels > 1 {
				x.Note = words.Say("This is the condition for all %d vessels that the rule applies to.", w.Vessels)
			}
			out = append(out, x)
		case w.this == nil || w.Vessels == 1:
			at := w.lf.doc.At(w.field + ".name")
			out = append(out, w.lf.insert(at.Line, strings.Repeat(" ", max(0, at.Column-1))+key+": "+scalar(text)))
		default:
			if name, limit := strings.CutPrefix(f.Key, "limits."); limit {
				apart = append(apart, "limits: {"+name+": "+scalar(text)+"}")
			} else {
				if text == "" { // an override cannot take away, but nothing is nought
					if text = "0"; strings.HasSuffix(key, "delay") {
						text = "0s"
					}
				}
				apart = append(apart, key+": "+scalar(text))
			}
		}
	}
	if len(apart) > 0 {
		out = append(out, w.override(apart))
	}
	return out
}

// override makes the lines of an override for this vessel, where the files
// have the nearest place for it.
func (w *Written) override(pairs []string) Line {
	in := strings.Join(pairs, ", ")
	entry := w.this.Path + ": {" + in + "}"
	for _, lf := range slices.Backward(w.files) { // the last one wins
		if by := lf.Override[w.Rule]; by != nil {
			if _, there := by[w.this.Path]; there {
				at := lf.doc.At("override." + w.Rule + "." + w.this.Path)
				line := lf.text(at.Line)
				if i := strings.LastIndexByte(line, '}'); i > 0 && strings.TrimSpace(line[i+1:]) == "" {
					return Line{File: lf.doc.File, Line: at.Line, Through: at.Line, Was: line, Text: []string{line[:i] + ", " + in + line[i:]}}
				}
				x := lf.insert(at.Line, "")
				x.Text = nil
				for _, p := range pairs {
					x.Text = append(x.Text, strings.Repeat(" ", at.Column+1)+p)
				}
				return x
			}
			at := lf.doc.At("override." + w.Rule)
			return lf.insert(at.Line, strings.Repeat(" ", at.Column+1)+entry)
		}
	}
	for _, lf := range w.files {
		if lf.Override != nil {
			at := lf.doc.At("override")
			return lf.insert(at.Line, "  "+w.Rule+":", "    "+entry)
		}
	}
	last := len(w.lf.lines)
	for last > 1 && strings.TrimSpace(w.lf.text(last)) == "" {
		last--
	}
	return w.lf.insert(last, "override:", "  "+w.Rule+":", "    "+entry)
}

// text is a line of the file, counted from 1.
func (lf *loaded) text(line int) string {
	if line < 1 || line > len(lf.lines) {
		return ""
	}
	return string(lf.lines[line-1])
}

func (lf *loaded) insert(after int, text ...string) Line {
	return Line{File: lf.doc.File, Line: after, Text: text, Was: lf.text(after)}
}

// replace changes the value of a key: within its line if it stands there
// whole, else the key with all its lines. No text takes the key out.
func (lf *loaded) replace(at plant.Place, key, old, text string) Line {
	line := lf.text(at.Line)
	x := Line{File: lf.doc.File, Line: at.Line, Through: at.Line, Was: line}
	for n := at.Line + 1; n <= len(lf.lines); n++ {
		t := lf.text(n)
		if strings.TrimSpace(t) == "" || len(t)-len(strings.TrimLeft(t, " ")) < at.Column {
			break
		}
		x.Through = n
	}
	flow := strings.Contains(line, "{")
	if text == "" && !flow {
		return x
	}
	if text == "" { // within braces nothing is taken out
		if text = "0"; strings.HasSuffix(key, "delay") {
			text = "0s"
		}
	}
	if flow || x.Through == at.Line {
		for _, value := range []string{`"` + regexp.QuoteMeta(old) + `"`, `'` + regexp.QuoteMeta(old) + `'`, regexp.QuoteMeta(old), `[^\s,{}"']+`} {
			m := regexp.MustCompile(`(^|[\s{,])` + regexp.QuoteMeta(key) + `:\s*` + value + `\s*([,}]|#|$)`).FindStringSubmatchIndex(line)
			if m != nil {
				rest := line[m[4]:]
				if strings.HasPrefix(rest, "#") {
					rest = "  " + rest
				}
				x.Through, x.Text = at.Line, []string{line[:m[3]] + key + ": " + scalar(text) + rest}
				return x
			}
		}
	}
	x.Text = []string{strings.Repeat(" ", max(0, at.Column-1)) + key + ": " + scalar(text)}
	return x
}

var plainScalar = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_.()]*$`)

// scalar writes a text as a YAML value, quoted where it must be.
func scalar(text string) string {
	if plainScalar.MatchString(text) {
		return text
	}
	return "'" + strings.ReplaceAll(text, "'", "''") + "'"
}
