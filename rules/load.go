package rules

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// File is a rule file: its name, for messages, and its content.
type File struct {
	Name string
	Data []byte
}

// SameFiles reports whether two lists of files are alike, in the same order.
func SameFiles(a, b []File) bool {
	return slices.EqualFunc(a, b, func(x, y File) bool { return x.Name == y.Name && bytes.Equal(x.Data, y.Data) })
}

// Options are what Load needs beside the files.
type Options struct {
	// Names lists for each class the calculated quantities that equipment of
	// the class may have, so that a rule about one that this house cannot
	// work out is left out instead of being called a misspelling.
	Names map[plant.Class][]string
	// Only names one alarm; only it, and those that it is a consequence of, are
	// put into the Set.
	Only string
	// Try is put over that alarm's rule as the files state it: a text for each
	// key. Its faults have fields that begin with [TryField].
	Try map[string]string
}

var (
	ruleName    = regexp.MustCompile(`^[a-z][a-z0-9_]{0,59}$`)
	tagName     = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_]{0,59}$`)
	placeholder = regexp.MustCompile(`^SITE( [A-Z]+)*:`)
	braces      = regexp.MustCompile(`\{[A-Za-z_.]*\}`)
)

// loaded is a decoded file with what is needed to point into it.
type loaded struct {
	ruleFile
	doc   *plant.Document
	lines [][]rune
}

// loader gathers the faults while a Set is put together.
type loader struct {
	set    *Set
	opt    Options
	files  []*loaded
	faults plant.Faults
	unread bool            // a file could not be read at all
	seen   map[string]bool // faults, against the same one for each vessel

	rules        map[string]*alarmRule // by rule name
	derivedRules map[string]*derivedRule
	names        map[string]int // of alarms
	links        []link         // resolved when all names are known
	pending      []pendingDerived
	procedures   map[string]plant.Procedure   // of all files, by topic
	lacks        func(plant.TagID) words.Text // why a derived tag is left out, or ""
}

type link struct {
	alarm int
	file  *loaded
	field string
	to    []string
	this  *plant.Equipment
}

type pendingDerived struct {
	file  *loaded
	field string
	rule  *derivedRule
	this  *plant.Equipment
	tag   plant.TagID
	logic bool
}

// Load reads rule files, checks all of them against the house and builds the
// Set. Derived tags are added to the house, so it must be complete: load it,
// let the quantities add their tags, then load the rules. All faults are
// reported at once, in the error, as [plant.Faults]; after an error the house
// holds tags of a refused rule set and must be discarded.
func Load(files []File, house *plant.House, opt Options) (*Set, error) {
	l := newLoader(files, house, opt)
	s := l.set
	l.collectRules()
	l.addDerived()
	l.compileDerived()
	l.checkOverrides()
	l.checkProcedures()
	var need map[string]bool
	if opt.Only != "" {
		need = l.needed(opt.Only)
	}
	for _, lf := range l.files {
		for i := range lf.Alarms {
			if need != nil && !need[lf.Alarms[i].Name] {
				continue
			}
			l.alarm(lf, fmt.Sprintf("alarms[%d]", i), &lf.Alarms[i])
		}
	}
	l.resolveLinks()
	if err := l.faults.Err(); err != nil {
		return nil, err
	}
	for _, topic := range slices.Sorted(maps.Keys(l.procedures)) {
		s.procedures = append(s.procedures, l.procedures[topic])
	}
	l.finish()
	return s, nil
}

// newLoader reads the files; what they say is not looked at yet.
func newLoader(files []File, house *plant.House, opt Options) *loader {
	s := &Set{house: house, barometer: 101.325, inputIDs: map[inputKey]int32{}, windowID: map[windowKey]int32{}}
	if house.Config != nil && house.Config.Site.BarometerKPa > 0 {
		s.barometer = house.Config.Site.BarometerKPa
	}
	l := &loader{set: s, opt: opt, seen: map[string]bool{}, rules: map[string]*alarmRule{}, derivedRules: map[string]*derivedRule{}, names: map[string]int{}}
	for _, f := range files {
		lf := &loaded{}
		var faults plant.Faults
		lf.doc, faults = plant.DecodeYAML(f.Name, f.Data, &lf.ruleFile)
		l.faults = append(l.faults, faults...)
		l.unread = l.unread || len(faults) > 0 && len(lf.Alarms) == 0 && len(lf.Derived) == 0
		for line := range strings.SplitSeq(string(f.Data), "\n") {
			lf.lines = append(lf.lines, []rune(strings.TrimSuffix(line, "\r")))
		}
		l.files = append(l.files, lf)
	}
	return l
}

func (l *loader) fault(lf *loaded, field string, problem, fix words.Text) {
	l.addFault(lf.doc.Fault(field, problem, fix))
}

func (l *loader) addFault(f plant.Fault) {
	key := fmt.Sprint(f.File, f.Line, f.Column, f.Field, f.Problem)
	if !l.seen[key] {
		l.seen[key] = true
		l.faults = append(l.faults, f)
	}
}

func (l *loader) note(lf *loaded, field, rule, text string) {
	l.noteOn(lf, field, Note{Rule: rule, Text: text, Kind: Remark})
}

func (l *loader) noteOn(lf *loaded, field string, n Note) {
	n.File, n.Line = lf.doc.File, lf.doc.At(field).Line
	if !slices.Contains(l.set.notes, n) {
		l.set.notes = append(l.set.notes, n)
	}
}

// exprFault points into the expression: at its line and column in the YAML
// file, with the expression and a caret.
func (l *loader) exprFault(lf *loaded, field, source string, c complaint) {
	f := lf.doc.Fault(field, c.problem, c.fix)
	if p, ok := lf.locate(lf.doc.At(field), source, c.at); ok {
		f.Line, f.Column = p.Line, p.Column
	}
	f.Fix, f.Mark = cmp.Or(f.Fix, "mend the expression"), caret(source, c.at)
	l.addFault(f)
}

// caret shows the line of an expression with a mark beneath a rune.
func caret(source string, at int) string {
	runes := []rune(source)
	at = max(0, min(at, len(runes)))
	from, to := at, at
	for from > 0 && runes[from-1] != '\n' {
		from--
	}
	for to < len(runes) && runes[to] != '\n' {
		to++
	}
	const most = 100
	if at-from > most {
		from = at - most
	}
	to = min(to, from+2*most)
	line := strings.Map(func(r rune) rune {
		if r == '\t' {
			return ' '
		}
		return r
	}, string(runes[from:to]))
	return "    " + line + "\n    " + strings.Repeat(" ", at-from) + "^"
}

// locate finds the place in the file of a rune of a scalar value, given the
// place of its key. Quotes, escapes and folded lines are followed; it gives
// up, and the key's place stands, where the text differs otherwise.
func (lf *loaded) locate(key plant.Place, source string, at int) (plant.Place, bool) {
	row, col := key.Line-1, key.Column-1
	if row < 0 || row >= len(lf.lines) {
		return plant.Place{}, false
	}
	for col < len(lf.lines[row]) && lf.lines[row][col] != ':' {
		col++
	}
	col++
	space := func(r rune) bool { return r == ' ' || r == '\t' || r == '\n' }
	skip := func() bool {
		for row < len(lf.lines) {
			for col < len(lf.lines[row]) && space(lf.lines[row][col]) {
				col++
			}
			if col < len(lf.lines[row]) {
				return true
			}
			row, col = row+1, 0
		}
		return false
	}
	if !skip() {
		return plant.Place{}, false
	}
	switch lf.lines[row][col] {
	case '|', '>':
		row, col = row+1, 0
		if !skip() {
			return plant.Place{}, false
		}
	case '"', '\'':
		col++
	}
	for i, r := range []rune(source) {
		if space(r) {
			if i == at {
				break
			}
			continue
		}
		if !skip() {
			return plant.Place{}, false
		}
		if c := lf.lines[row][col]; c != r && (c == '\\' || c == '\'') {
			col++ // an escape
		}
		if col >= len(lf.lines[row]) || lf.lines[row][col] != r {
			return plant.Place{}, false
		}
		if i == at {
			break
		}
		col++
	}
	return plant.Place{Line: row + 1, Column: col + 1}, true
}

// reader makes a reader for one expression of a rule.
func (l *loader) reader(this *plant.Equipment, source string, limits map[string]string) *reader {
	r := &reader{set: l.set, source: source, limits: map[string]*limitValue{},
		scope: &scope{this: this, house: l.set.house, known: l.opt.Names, lacks: l.lacks}}
	for n, src := range limits {
		r.limits[n] = &limitValue{source: src}
	}
	return r
}

// targets lists the equipment a rule stands for; a single nil for a rule
// without for:.
func (l *loader) targets(lf *loaded, field, rule, pattern, where string, limits map[string]string) []*plant.Equipment {
	if pattern == "" {
		if where != "" {
			l.fault(lf, field+".where", "where: without for:", "add for:, or leave it out")
		}
		return []*plant.Equipment{nil}
	}
	all := matches(l.set.house, pattern)
	if len(all) == 0 {
		classes := []plant.Class{plant.ClassSet, plant.ClassBody, plant.ClassBleed, plant.ClassCondenser, plant.ClassPan, plant.ClassCompartment}
		if slices.Contains(classes, plant.Class(pattern)) || strings.Contains(pattern, "*") {
			l.note(lf, field, rule, fmt.Sprintf("left out: the house has no %s", pattern))
		} else {
			l.fault(lf, field+".for", words.Say("%q is neither a class nor the path of a vessel", pattern), "write for: body, set, condenser, pan, compartment or bleed, or a path such as EV.EV3 or EV.*")
		}
		return nil
	}
	if where == "" {
		return all
	}
	var out []*plant.Equipment
	for _, e := range all {
		r := l.reader(e, where, limits)
		node, ok := r.parse()
		var keep bool
		if ok {
			t := r.logic(node)
			if len(r.inputs) > 0 {
				r.complain(0, "where: depends on a tag", "it may use facts of the configuration only, such as this.effect == 1; use only_when for plant states")
			} else if len(r.complaints) == 0 && len(r.missing) == 0 {
				var ta tally
				keep = l.set.truth(r.test(t), plant.NewFrame(0), time.Time{}, &ta, &RuleFault{}) == plant.True
			}
		}
		for _, c := range r.complaints {
			l.exprFault(lf, field+".where", where, c)
		}
		if keep {
			out = append(out, e)
		}
	}
	return out
}

// isPlaceholder reports whether a text is one the site has to replace.
func isPlaceholder(s string) bool { return placeholder.MatchString(strings.TrimSpace(s)) }

func (l *loader) addDerived() {
	for _, lf := range l.files {
		for i := range lf.Derived {
			l.addDerivedRule(lf, fmt.Sprintf("derived[%d]", i), &lf.Derived[i])
		}
	}
}

// derivedDimension is the dimension of a derived tag; false if a fault was told.
func (l *loader) derivedDimension(lf *loaded, field string, d *derivedRule, logic bool) (plant.Dimension, bool) {
	dim := d.Dimension
	switch {
	case logic:
		if dim != "" && dim != plant.State {
			l.fault(lf, field+".dimension", "a condition has dimension state", "leave dimension out")
		}
		dim = plant.State
	case dim == "" && d.Unit == "":
		l.fault(lf, field, "neither dimension nor unit is stated", "write dimension: pressure, or unit: t/h")
		return dim, false
	case dim == "":
		ds := plant.DimensionsOf(d.Unit)
		if len(ds) != 1 {
			fix := words.Text("write dimension: as well")
			if len(ds) > 1 {
				fix = words.Say("it may be %s; write dimension: as well", dimOf(ds...))
			}
			l.fault(lf, field+".unit", words.Say("unit %q does not say which dimension is meant", d.Unit), fix)
			return dim, false
		}
		dim = ds[0]
	}
	if dim != plant.AnyDimension && dim.Canonical() == "" {
		l.fault(lf, field+".dimension", words.Say("dimension %q is not known", dim), "use for example pressure, temperature, mass flow, ratio")
		return dim, false
	}
	if d.Unit != "" && dim != plant.AnyDimension {
		if scale, offset, err := plant.CanonicalFactor(dim, d.Unit); err != nil {
			l.fault(lf, field+".unit", words.Of(err), "")
		} else if scale != 1 || offset != 0 {
			l.fault(lf, field+".unit", words.Say("a derived %s is kept in %s", dim, dim.Canonical()), "write that unit; the pages convert")
		}
	}
	return dim, true
}

func (l *loader) addDerivedRule(lf *loaded, field string, d *derivedRule) {
	owner, name := "", d.Name
	if i := strings.LastIndex(d.Name, "."); i > 0 {
		owner, name = d.Name[:i], d.Name[i+1:]
	}
	var own *plant.Equipment
	switch {
	case !tagName.MatchString(name):
		l.fault(lf, field+".name", words.Say("%q is not a tag name", d.Name), "use letters, digits and _; with for: only the last part, for example vacuum_margin")
		return
	case owner != "" && d.For != "":
		l.fault(lf, field+".name", "a name with a dot and for: do not go together", "with for: write only the last part")
		return
	case owner != "":
		e, ok := l.set.house.Equip(owner)
		if !ok {
			l.fault(lf, field+".name", words.Say("there is no vessel %s", owner), "write the path of a vessel before the last dot")
			return
		}
		own = e
	}
	if d.Expr == "" {
		l.fault(lf, field, "a derived tag without expr", "write expr:")
		return
	}
	if d.Meaning == "" {
		l.fault(lf, field, "a derived tag without meaning", "say in a line what it is: meaning:")
	}
	node, ok := (&reader{source: d.Expr}).parse()
	if !ok {
		r := l.reader(nil, d.Expr, nil)
		r.parse()
		for _, c := range r.complaints {
			l.exprFault(lf, field+".expr", d.Expr, c)
		}
		return
	}
	logic := isLogic(node)
	dim, ok := l.derivedDimension(lf, field, d, logic)
	if !ok {
		return
	}
	l.derivedRules[d.Name] = d
	for _, this := range l.targets(lf, field, d.Name, d.For, d.Where, d.Limits) {
		e := own
		if this != nil {
			e = this
		}
		t := plant.Tag{Path: name, Name: name, Class: plant.ClassSite, Dimension: dim, Meaning: words.Verbatim(l.expand(d.Meaning, e)), Source: plant.Ruled,
			File: lf.doc.File, Line: lf.doc.At(field).Line}
		if e != nil {
			t.Path, t.Owner, t.Class = e.Path+"."+name, e.Path, e.Class
		}
		if dim == plant.AnyDimension {
			t.Unit = d.Unit
		}
		if _, clash := l.set.house.Equip(t.Path); clash {
			l.fault(lf, field+".name", words.Say("%s is a vessel", t.Path), "choose another name")
			continue
		}
		id, err := l.set.house.AddTag(t)
		if err != nil {
			l.fault(lf, field+".name", words.Of(err), "choose another name")
			continue
		}
		l.pending = append(l.pending, pendingDerived{lf, field, d, this, id, logic})
	}
}

// compileDerived reads the expressions of the derived tags and puts them in
// an order in which each comes after those it uses.
func (l *loader) compileDerived() {
	s := l.set
	byTag := map[plant.TagID]int{}
	for i, p := range l.pending {
		byTag[p.tag] = i
	}
	built := make([]*derived, len(l.pending))
	lacking := make([]words.Text, len(l.pending))
	// A tag is read when the first expression that names it is, so that default
	// knows whether it is left out. One that is still being read is in a circle,
	// which is refused below.
	l.lacks = func(tag plant.TagID) words.Text {
		i, ok := byTag[tag]
		if !ok {
			return ""
		}
		if built[i] == nil {
			built[i] = &derived{tag: tag}
			lacking[i] = l.readDerived(l.pending[i], built[i])
		}
		if lacking[i] == "" {
			return ""
		}
		return words.Say("%s is left out (%s)", s.house.Tags[tag].Path, lacking[i])
	}
	for _, p := range l.pending {
		l.lacks(p.tag)
	}
	beneath := func(i int) (js []int) {
		for _, in := range built[i].inputs {
			if j, ok := byTag[s.inputs[in].tag]; ok {
				js = append(js, j)
			}
		}
		return js
	}
	path := func(i int) string { return s.house.Tags[l.pending[i].tag].Path }
	inOrder(len(built), beneath, func(i, by int) {
		l.fault(l.pending[i].file, l.pending[i].field+".expr", words.Say("%s depends on itself, by way of %s", path(i), path(by)), "break the circle")
	}, func(i int) {
		h := sha256.New()
		fmt.Fprint(h, built[i].words)
		for _, j := range beneath(i) {
			fmt.Fprint(h, built[j].hash)
		}
		if built[i].hash = hex.EncodeToString(h.Sum(nil)[:12]); lacking[i] == "" {
			s.derived = append(s.derived, *built[i])
			return
		}
		l.noteOn(l.pending[i].file, l.pending[i].field,
			Note{Rule: path(i), Text: "stays without value: " + lacking[i].String(), Kind: TagLeftOut, On: s.house.Tags[l.pending[i].tag].Owner})
	})
}

// inOrder visits the places 0 to n-1, each behind those it needs, and tells of each that
// needs itself and by way of which.
func inOrder(n int, needs func(i int) []int, circle func(i, by int), visit func(i int)) {
	const begun, done = 1, 2
	state := make([]int, n)
	var walk func(i int)
	walk = func(i int) {
		state[i] = begun
		for _, j := range needs(i) {
			switch state[j] {
			case begun:
				circle(i, j)
			case done:
			default:
				walk(j)
			}
		}
		state[i] = done
		visit(i)
	}
	for i := range n {
		if state[i] != done {
			walk(i)
		}
	}
}

// readDerived reads the expression of a derived tag into d. It returns what the
// vessel lacks for it, or "".
func (l *loader) readDerived(p pendingDerived, d *derived) (lacks words.Text) {
	s := l.set
	r := l.reader(p.this, p.rule.Expr, l.derivedLimits(p.rule, p.this))
	node, ok := r.parse()
	if ok && p.logic {
		if t := r.logic(node); len(r.complaints)+len(r.missing) == 0 {
			d.test, d.words = r.test(t), s.sentence(t)
		}
	} else if ok {
		n := r.number(node)
		r.declared(n, dimOf(s.house.Tags[p.tag].Dimension))
		if len(r.complaints)+len(r.missing) == 0 {
			o := r.operand(n)
			d.num, d.words = &o, o.words
		}
	}
	d.inputs = r.inputs
	l.reportRead(p.file, p.field+".expr", s.house.Tags[p.tag].Path, r)
	if len(r.missing) == 0 {
		return ""
	}
	if p.this == nil {
		l.exprFault(p.file, p.field+".expr", p.rule.Expr, complaint{0, r.missing[0], "leave the rule out"})
	}
	return r.missing[0]
}

// derivedLimits are the limits of a derived tag's rule as overridden for one
// vessel.
func (l *loader) derivedLimits(d *derivedRule, this *plant.Equipment) map[string]string {
	out := map[string]string{}
	maps.Copy(out, d.Limits)
	if l.rules[d.Name] != nil {
		return out
	}
	for _, exact := range []bool{false, true} {
		for _, lf := range l.files {
			for which, ov := range lf.Override[d.Name] {
				if exact == (this != nil && which == this.Path) && (which == "*" || this != nil && matchesOne(this, which)) {
					maps.Copy(out, ov.Limits)
				}
			}
		}
	}
	return out
}

// reportRead turns what a reader found into faults and notes.
func (l *loader) reportRead(lf *loaded, field, rule string, r *reader) {
	for _, c := range r.complaints {
		l.exprFault(lf, field, r.source, c)
	}
	for _, n := range r.notes {
		l.noteOn(lf, field, Note{Rule: rule, Text: n, Kind: UnitTaken})
	}
}

func (l *loader) collectRules() {
	for _, lf := range l.files {
		for i := range lf.Alarms {
			a, f := &lf.Alarms[i], fmt.Sprintf("alarms[%d]", i)
			if !ruleName.MatchString(a.Name) {
				l.fault(lf, f+".name", words.Say("%q is not a rule name", a.Name), "use small letters, digits and _, starting with a letter")
				continue
			}
			if l.rules[a.Name] != nil {
				l.fault(lf, f+".name", words.Say("rule %s is there twice", a.Name), "give each its own name")
				continue
			}
			l.rules[a.Name] = a
		}
	}
}

func (l *loader) checkOverrides() {
	check := func(lf *loaded, field string, a *alarmRule, which string) {
		if a.For == "" && which == "*" {
			return
		}
		for _, e := range matches(l.set.house, a.For) {
			if which == "*" || matchesOne(e, which) {
				return
			}
		}
		l.fault(lf, field, words.Say("rule %s applies to no vessel %s", a.Name, which), "write the path of a vessel it applies to, a pattern, or \"*\"")
	}
	for _, lf := range l.files {
		for i := range lf.Alarms {
			for which := range lf.Alarms[i].Override {
				check(lf, fmt.Sprintf("alarms[%d].override.%s", i, which), &lf.Alarms[i], which)
			}
		}
		for name, by := range lf.Override {
			a := l.rules[name]
			if a == nil && l.unread {
				continue // it may stand in the file that could not be read
			}
			if d := l.derivedRules[name]; a == nil && d != nil {
				for which, ov := range by {
					at := "override." + name + "." + which
					check(lf, at, &alarmRule{Name: name, For: d.For}, which)
					for k := range ov.Limits {
						if _, ok := d.Limits[k]; !ok {
							l.fault(lf, at+".limits."+k, words.Say("rule %s has no limit %q", name, k), "override a limit that the rule names under limits:")
						}
					}
					if ov.Limits = nil; !reflect.ValueOf(ov).IsZero() {
						l.fault(lf, at, words.Say("%s is a derived tag", name), "only its limits: can be overridden")
					}
				}
				continue
			}
			if a == nil {
				l.fault(lf, "override."+name, words.Say("there is no rule %q to override", name),
					plant.DidYouMean(nearestKey(name, l.rules), "%s", "write the name of a rule"))
				continue
			}
			for which := range by {
				check(lf, "override."+name+"."+which, a, which)
			}
		}
	}
}

// overridden is a rule as it stands for one vessel. where says in which file
// and field a value was written, for messages.
type overridden struct {
	alarmRule
	enabled bool
	where   map[string]origin
	written [6]string // its texts before the limits were filled in
	pairs   []string  // what was
}

type origin struct {
	file  *loaded
	field string
}

func (l *loader) overridden(lf *loaded, field string, a *alarmRule, this *plant.Equipment) *overridden {
	o := &overridden{alarmRule: *a, enabled: true, where: map[string]origin{}}
	o.Limits = map[string]string{}
	for k, v := range a.Limits {
		o.Limits[k] = v
		o.where["limits."+k] = origin{lf, field + ".limits." + k}
	}
	apply := func(at origin, ov override) {
		// What is stated goes over the field of the same name.
		from, to := reflect.ValueOf(ov), reflect.ValueOf(&o.alarmRule).Elem()
		for _, f := range reflect.VisibleFields(from.Type()) {
			v := from.FieldByIndex(f.Index)
			if v.IsZero() || f.Name == "Limits" || f.Anonymous {
				continue
			}
			o.where[f.Tag.Get("yaml")] = origin{at.file, at.field + "." + f.Tag.Get("yaml")}
			if v = reflect.Indirect(v); f.Name == "Enabled" {
				o.enabled = v.Bool()
			} else {
				to.FieldByName(f.Name).Set(v)
			}
		}
		for _, n := range slices.Sorted(maps.Keys(ov.Limits)) {
			if _, ok := o.Limits[n]; !ok {
				l.fault(at.file, at.field+".limits."+n, words.Say("rule %s has no limit %q", a.Name, n), "override a limit that the rule names under limits:")
				continue
			}
			o.Limits[n] = ov.Limits[n]
			o.where["limits."+n] = origin{at.file, at.field + ".limits." + n}
		}
	}
	// General patterns first, the exact path last; the rule's own before those
	// written apart.
	all := func(at origin, by map[string]override) {
		exact := func(k string) int {
			switch {
			case k == "*":
				return 0
			case this != nil && k == this.Path:
				return 2
			}
			return 1
		}
		keys := slices.SortedFunc(maps.Keys(by), func(a, b string) int { return cmp.Or(exact(a)-exact(b), strings.Compare(a, b)) })
		for _, k := range keys {
			if k == "*" || this != nil && matchesOne(this, k) {
				apply(origin{at.file, at.field + "." + k}, by[k])
			}
		}
	}
	all(origin{lf, field + ".override"}, a.Override)
	for _, other := range l.files {
		all(origin{other, "override." + a.Name}, other.Override[a.Name])
	}
	return o
}

// at says where a value of the rule was written.
func (o *overridden) at(lf *loaded, field, key string) (*loaded, string) {
	if w, ok := o.where[key]; ok {
		return w.file, w.field
	}
	return lf, field + "." + key
}

// expand replaces {this} and the like in texts. {condenser} is the condenser
// of the vessel, a condenser itself, or without one the vessel.
func (l *loader) expand(text string, e *plant.Equipment) string {
	if e == nil || !strings.Contains(text, "{") {
		return text
	}
	return strings.NewReplacer(l.relatives(e)...).Replace(text)
}

// relatives are what stands for {this} and the like.
func (l *loader) relatives(e *plant.Equipment) []string {
	if e == nil {
		return nil
	}
	cond := (&scope{this: e, house: l.set.house}).related("condenser")
	if cond == nil {
		cond = e
	}
	pairs := []string{"{this}", e.Path, "{name}", e.Name, "{title}", e.Title, "{condenser}", cond.Path}
	if e.Parent != nil {
		pairs = append(pairs, "{parent}", e.Parent.Path, "{parent_title}", e.Parent.Title)
	}
	return pairs
}

func (l *loader) alarm(lf *loaded, field string, a *alarmRule) {
	if a.Name == "" || l.rules[a.Name] != a {
		return // reported
	}
	for _, need := range []struct {
		key, text string
		fix       words.Text
	}{
		{"title", a.Title, "say in one line what is wrong"},
		{"cause", a.Cause, "say what usually causes it"},
		{"consequence", a.Consequence, "say what happens if nothing is done; without a consequence it is no alarm"},
		{"response", a.Response, "say what the operator does; without a response it is no alarm"},
	} {
		if strings.TrimSpace(need.text) == "" {
			l.fault(lf, field, words.Say("alarm %s has no %s", a.Name, need.key), need.fix)
		}
	}
	for _, d := range []struct {
		key string
		d   time.Duration
	}{{"on_delay", a.OnDelay}, {"off_delay", a.OffDelay}} {
		if d.d > 24*time.Hour {
			l.fault(lf, field+"."+d.key, "longer than a day", "give 24h at most")
		}
	}
	targets := l.targets(lf, field, a.Name, a.For, a.Where, a.Limits)
	for _, this := range targets {
		if len(l.set.specs) >= maxAlarms {
			l.fault(lf, field, words.Say("more than %d alarms", maxAlarms), "use fewer")
			return
		}
		l.oneAlarm(lf, field, a, this)
	}
}

// oneAlarm makes the alarm of a rule for one vessel.
func (l *loader) oneAlarm(lf *loaded, field string, a *alarmRule, this *plant.Equipment) {
	o := l.overridden(lf, field, a, this)
	name := a.Name
	if this != nil {
		name += "." + this.Path
	}
	if l.opt.Only == name && l.opt.Try != nil {
		l.try(o)
	}
	if !o.enabled {
		l.note(lf, field, name, "left out: switched off by an override")
		return
	}
	o.fillLimits()
	spec := plant.AlarmSpec{
		Name: name, Title: l.expand(o.Title, this), Source: o.Source, Area: o.Area, Class: o.Class,
		Cause: l.expand(o.Cause, this), Consequence: l.expand(o.Consequence, this), Response: l.expand(o.Response, this),
		Verify: l.expand(o.Verify, this), Hazard: l.expand(o.Hazard, this), Procedure: l.expand(o.Procedure, this), Respond: o.Respond,
		OnDelay: o.OnDelay, OffDelay: o.OffDelay, Latching: o.Latching, Confirm: o.Confirm, Realarm: o.Realarm,
		HighlyManaged: o.HighlyManaged, NoShelving: o.NoShelving, MaxShelve: o.MaxShelve, Group: l.expand(o.Group, this),
		File: lf.doc.File, Line: lf.doc.At(field).Line, Written: map[string]words.Text{},
	}
	for i, text := range []string{spec.Title, spec.Cause, spec.Consequence, spec.Response, spec.Verify, spec.Hazard} {
		spec.Written[text] = words.Fill(o.written[i], slices.Concat(o.pairs, l.relatives(this))...)
	}
	for _, t := range []string{spec.Title, spec.Cause, spec.Consequence, spec.Response, spec.Verify, spec.Hazard, spec.Procedure, spec.Group} {
		if b := braces.FindString(t); b != "" {
			l.fault(lf, field, words.Say("text with %s, which means nothing here", b), "use {this}, {name}, {title}, {parent}, {parent_title}, {condenser} in a rule with for:, {limit} beside high:, low:, deviation: or rate:, {limit.name} for a name under limits:")
		}
	}
	spec.Area, spec.Class = cmp.Or(spec.Area, lf.Area), cmp.Or(spec.Class, "process")
	if o.Formerly != "" {
		spec.Formerly = o.Formerly + strings.TrimPrefix(name, a.Name)
		if o.Formerly == a.Name {
			l.fault(lf, field+".formerly", "that is the name it has now", "give the name before, or leave it out")
		}
	}
	spec.Priority = l.priority(lf, field, o)
	l.procedure(lf, field, o, &spec)

	c := &condition{l: l, lf: lf, field: field, o: o, this: this, name: name, priority: spec.Priority}
	made, ok := c.build()
	if !ok {
		return
	}
	if len(made.inputs) == 0 {
		l.fault(lf, field+".when", "the condition reads no tag: it never changes", "compare a tag with a limit")
		return
	}
	if spec.Source == "" {
		spec.Source = l.source(this, made.inputs)
	} else if _, ok := l.set.house.Equip(spec.Source); !ok {
		l.fault(lf, field+".source", words.Say("there is no vessel %s", spec.Source), "write the path of a vessel")
	}
	spec.Setpoint, spec.Unit, spec.Limited = c.setpoint, c.unit, c.limited
	spec.Explain = c.explained()
	if _, twice := l.names[name]; twice {
		l.fault(lf, field+".name", words.Say("alarm %s is there twice", name), "give each its own name")
		return
	}
	index := len(l.set.specs)
	l.names[name] = index
	l.set.specs = append(l.set.specs, spec)
	l.set.alarms = append(l.set.alarms, made)
	if len(o.ConsequenceOf) > 0 {
		l.links = append(l.links, link{index, lf, field + ".consequence_of", o.ConsequenceOf, this})
	}
}

func (l *loader) placehold(lf *loaded, field, rule, key, text string, inactive bool) {
	p := Placeholder{File: lf.doc.File, Line: lf.doc.At(field).Line, Rule: rule, Field: key, Text: strings.TrimSpace(text), Inactive: inactive}
	if !slices.Contains(l.set.placeholders, p) {
		l.set.placeholders = append(l.set.placeholders, p)
	}
}

// source is the vessel an alarm belongs to: the one its rule stands for, or
// the owner of the first tag.
func (l *loader) source(this *plant.Equipment, inputs []int32) string {
	if this != nil {
		return this.Path
	}
	for _, in := range inputs {
		if o := l.set.house.Tags[l.set.inputs[in].tag].Owner; o != "" {
			return o
		}
	}
	return ""
}

// priority works the priority out from the matrix, and refuses one that
// contradicts it without a reason.
func (l *loader) priority(lf *loaded, field string, o *overridden) plant.Priority {
	const matrixFix = "write severity: and time_to_respond:; the matrix gives the priority"
	stated, isStated := plant.PriorityNone, o.Priority != ""
	if isStated {
		p, ok := priorityNamed(o.Priority)
		if !ok {
			pf, pfield := o.at(lf, field, "priority")
			l.fault(pf, pfield, words.Say("%q is not a priority", o.Priority), "use urgent, high, medium, low or none")
			return stated
		}
		stated = p
	}
	if o.Severity == "" || o.Respond <= 0 {
		if !isStated {
			l.fault(lf, field, words.Say("alarm %s has neither severity with time_to_respond nor a priority", o.Name), matrixFix)
		}
		if o.Severity == "" && o.Respond > 0 || o.Severity != "" && o.Respond <= 0 {
			l.fault(lf, field, "severity and time_to_respond belong together", matrixFix)
		}
		return stated
	}
	sev := slices.Index(severities, o.Severity)
	if sev < 0 {
		sf, sfield := o.at(lf, field, "severity")
		l.fault(sf, sfield, words.Say("%q is not a severity", o.Severity), words.Say("use %s", strings.Join(severities, ", ")))
		return stated
	}
	p := DefaultMatrix().Priority(sev, o.Respond)
	if isStated && stated != p {
		pf, pfield := o.at(lf, field, "priority")
		if o.PriorityReason == "" {
			l.fault(pf, pfield, words.Say("priority %s contradicts the matrix, which gives %s for a %s consequence within %s", stated, p, o.Severity, plant.ShortDuration(o.Respond)),
				"leave priority out, or say why in priority_reason:")
		} else {
			l.note(pf, pfield, o.Name, fmt.Sprintf("priority %s instead of %s: %s", stated, p, o.PriorityReason))
		}
		return stated
	}
	return p
}

func priorityNamed(s string) (plant.Priority, bool) {
	for p := plant.PriorityNone; p <= plant.PriorityLow; p++ {
		if s == p.String() || s == strconv.Itoa(int(p)) {
			return p, true
		}
	}
	return 0, false
}

// resolveLinks turns consequence_of into names of alarms and refuses circles.
func (l *loader) resolveLinks() {
	for _, k := range l.links {
		spec := &l.set.specs[k.alarm]
		for i, to := range k.to {
			at := fmt.Sprintf("%s[%d]", k.field, i)
			got := l.found(to, k.this, spec.Name)
			if len(got) == 0 {
				if l.rules[to] != nil || l.unread {
					l.note(k.file, at, spec.Name, fmt.Sprintf("consequence_of %s: no such alarm for this vessel", to))
					continue
				}
				l.fault(k.file, at, words.Say("there is no alarm %q", to),
					plant.DidYouMean(nearestKey(to, l.rules), "%s", "write the name of a rule, or the full name of an alarm, or load the rule file that has it"))
				continue
			}
			for _, g := range got {
				if !slices.Contains(spec.ConsequenceOf, g) {
					spec.ConsequenceOf = append(spec.ConsequenceOf, g)
				}
			}
		}
	}
	causes := func(i int) (js []int) {
		for _, name := range l.set.specs[i].ConsequenceOf {
			js = append(js, l.names[name])
		}
		return js
	}
	inOrder(len(l.set.specs), causes, func(i, _ int) {
		k := l.links[slices.IndexFunc(l.links, func(k link) bool { return k.alarm == i })]
		l.fault(k.file, k.field, words.Say("alarm %s is, by a circle, a consequence of itself", l.set.specs[i].Name), "break the circle")
	}, func(int) {})
}

// found lists the alarms that a name in consequence_of means: the one of the
// same vessel or of its relations, nearest first; for a rule about a set else
// those of all its bodies; else the name as it is.
func (l *loader) found(to string, this *plant.Equipment, not string) []string {
	exists := func(name string) bool {
		_, ok := l.names[name]
		return ok && name != not
	}
	if this != nil && this.Set != nil && !exists(to+"."+this.Path) {
		var all []string
		for _, p := range this.Parts {
			if n := to + "." + p.Path; exists(n) {
				all = append(all, n)
			}
		}
		if len(all) > 0 {
			return all
		}
	}
	for _, cand := range l.candidates(to, this) {
		if exists(cand) {
			return []string{cand}
		}
	}
	return nil
}

func (l *loader) candidates(to string, this *plant.Equipment) []string {
	var out []string
	if this != nil {
		sc := &scope{this: this, house: l.set.house}
		for _, e := range []*plant.Equipment{this, sc.related("condenser"), sc.related("heater")} {
			if e != nil {
				out = append(out, to+"."+e.Path)
			}
		}
		for e := this.Parent; e != nil; e = e.Parent {
			out = append(out, to+"."+e.Path)
		}
		for e := this; e != nil; e = e.Parent {
			if e.Set != nil && e.Set.Condenser != "" {
				out = append(out, to+"."+e.Set.Condenser)
			}
			for i := len(e.Parts) - 1; i >= 0 && e.Set != nil; i-- {
				out = append(out, to+"."+e.Parts[i].Path)
			}
		}
	}
	return append(out, to)
}

// finish builds the index of what depends on what.
func (l *loader) finish() {
	s := l.set
	n := len(s.house.Tags)
	s.onSample, s.windowsOf, s.trackersOf = make([][]int32, n), make([][]int32, n), make([][]int32, n)
	calculated := func(id plant.TagID) bool {
		src := s.house.Tags[id].Source
		return src != plant.Measured && src != plant.Fixed
	}
	index := func(i int, tag plant.TagID, of [][]int32, scanned *[]int32) {
		of[tag] = append(of[tag], int32(i))
		if src := s.house.Tags[tag].Source; src != plant.Measured && src != plant.Ruled {
			*scanned = append(*scanned, int32(i))
		}
	}
	for i, w := range s.windows {
		index(i, w.tag, s.windowsOf, &s.scanned)
	}
	for i, t := range s.trackers {
		index(i, t.tag, s.trackersOf, &s.scannedTrackers)
	}
	for i := range s.alarms {
		a := &s.alarms[i]
		scan, measured := false, false
		for _, in := range a.inputs {
			x := &s.inputs[in]
			scan = scan || x.kind != inputTag || calculated(x.tag)
			measured = measured || s.house.Tags[x.tag].Source == plant.Measured
		}
		scan = scan || !measured || asksQuality(a.raise) || asksQuality(a.returns)
		if scan {
			s.onScan = append(s.onScan, int32(i))
		} else {
			for _, in := range a.inputs {
				t := s.inputs[in].tag
				if s.house.Tags[t].Source == plant.Measured && !slices.Contains(s.onSample[t], int32(i)) {
					s.onSample[t] = append(s.onSample[t], int32(i))
				}
			}
		}
		if a.suppress.test != nil {
			s.suppress = append(s.suppress, int32(i))
		}
		if a.only.test != nil && !scan {
			s.gated = append(s.gated, int32(i))
		}
		a.hash = s.hash(i)
	}
	s.faults = make([]RuleFault, len(s.alarms)+len(s.derived))
	for i := range s.alarms {
		s.faults[i].Rule = s.specs[i].Name
	}
	for i := range s.derived {
		s.faults[len(s.alarms)+i].Rule = s.house.Tags[s.derived[i].tag].Path
	}
}

func asksQuality(t *test) bool {
	return t != nil && (t.op == logIsBad || t.op == logIsGood || slices.ContainsFunc(t.kids, asksQuality))
}

func (s *Set) hash(i int) string {
	spec, a := s.specs[i], &s.alarms[i]
	spec.File, spec.Line = "", 0
	h := sha256.New()
	// Encoding a struct of plain fields cannot fail.
	data, _ := json.Marshal(spec)
	h.Write(data)
	fmt.Fprintln(h, a.words, a.holdWords, a.suppress.words, a.only.words, a.value.words)
	byTag := map[plant.TagID]string{}
	for j := range s.derived {
		byTag[s.derived[j].tag] = s.derived[j].hash
	}
	for _, ins := range [][]int32{a.inputs, a.suppress.inputs, a.only.inputs} {
		for _, in := range ins {
			fmt.Fprintln(h, byTag[s.inputs[in].tag])
		}
	}
	return hex.EncodeToString(h.Sum(nil)[:12])
}
