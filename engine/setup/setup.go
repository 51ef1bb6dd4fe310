// Package setup finds, for each signal of a boiling house, the nodes of an OPC UA
// server that may be behind it, and writes the plant file to begin with.
//
// It judges by what stands in names and descriptions (words of the trade in
// English, Spanish and Portuguese, and the letters of ISA-5.1), by the unit, and
// by where the live value would stand in the ladder of temperatures and Brix.
// The marks are ours: they only order the candidates that a person chooses from.
package setup

import (
	"cmp"
	_ "embed" // words.yaml
	"maps"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
	"calandria/thermo/steam"
)

// Node is one variable of a server that can be a signal.
type Node struct {
	ID          string // in the nsu= form that plant.yaml takes
	Path, Name  string
	Description string
	Unit        string    // the server's own; "" if it states none
	Range       []float64 // the server's normal range; nil if it states none
	Value       float64   // as read; NaN if there is none
	State       bool      // a boolean
	words       []string  // what is meant by all that is written
	place       []string  // of path and name, as they are written
}

// Vessel is a piece of equipment of the house to be.
type Vessel struct {
	Class     plant.Class
	Name      string
	Owner     string // of a body: its set; of a bleed: its body
	Effect    int    // of a body
	SurfaceM2 float64
	Alias     string // what the server calls it; "" if that is not known
}

// Path is the vessel's path in the plant file.
func (v Vessel) Path() string {
	if v.Owner == "" {
		return v.Name
	}
	return v.Owner + "." + v.Name
}

// switches reports whether a node can be a state: many control systems keep those as numbers.
func (n *Node) switches() bool {
	return n.State || (n.Unit == "" || n.Unit == "1") && (n.Value == 0 || n.Value == 1) && (len(n.Range) < 2 || n.Range[1] <= 1)
}

// loops are numbers of instruments in which the digit after begin tells the vessel, 1 to last.
type loops struct {
	begin string
	last  int
}

// House is what a plant file is written from.
type House struct {
	Site         string
	TimeZone     string
	BarometerKPa float64
	Server       plant.ServerConfig
	Vessels      []Vessel // set, its bodies in order, each with its bleeds; then condensers and pans
	Nodes        []Node
	Slots        []Slot
	Library      []rules.File // that will be beside the plant file

	others []string // vessels of the server that are not of this house
	loops  map[plant.Class]loops
}

// Slot is a signal of a vessel and the node chosen for it.
type Slot struct {
	Vessel int
	Signal plant.Signal
	Chosen *Candidate // nil for none
}

// Candidate is a node that may be behind a signal, and how it would be read.
type Candidate struct {
	Node      int
	Marks     float64
	Unit      string
	Reference plant.Reference
	Value     float64 // in the signal's unit
}

// enough marks for a node to be proposed unasked.
const enough = 3.0

// Begin adds the site to the vessels, makes the slots of them all and proposes a node for each where one
// fits well; a node serves one signal.
func (h *House) Begin() {
	h.Slots = nil
	known := map[string][]string{}
	for i := range h.Nodes {
		n := &h.Nodes[i]
		n.place = wordsOf(n.Path + " " + n.Name)
		n.words = meant(append(slices.Clone(n.place), wordsOf(n.Description)...), known)
	}
	if !slices.ContainsFunc(h.Vessels, func(v Vessel) bool { return v.Class == plant.ClassSite }) {
		h.Vessels = append(h.Vessels, Vessel{Class: plant.ClassSite, Name: "site"})
	}
	called := NamesOf(plant.ClassBody, h.Nodes)
	for i := range h.Vessels {
		if v := &h.Vessels[i]; v.Class == plant.ClassBody && v.Alias == "" && v.Effect <= len(called) && v.Name == BodyName(v.Effect, 0, 1) {
			v.Alias = called[v.Effect-1]
		}
	}
	h.findLoops()
	h.others = nil
	for _, c := range []plant.Class{plant.ClassPan, plant.ClassCondenser} {
		var without []*Vessel // a name of the server
		for i := range h.Vessels {
			if h.Vessels[i].Class == c && h.Vessels[i].Alias == "" {
				without = append(without, &h.Vessels[i])
			}
		}
		var free []string
		for _, name := range NamesOf(c, h.Nodes) {
			i := slices.IndexFunc(without, func(v *Vessel) bool { return slices.Equal(wordsOf(v.Name), wordsOf(name)) })
			if i >= 0 {
				without = slices.Delete(without, i, i+1)
			} else if !slices.ContainsFunc(h.Vessels, func(v Vessel) bool { return v.Alias == name }) {
				free = append(free, name)
			}
		}
		if len(free) != len(without) {
			h.others = append(h.others, free...)
			continue
		}
		for i, v := range without {
			v.Alias = free[i]
		}
	}
	for i, v := range h.Vessels {
		for _, s := range plant.Signals {
			if s.Class == v.Class {
				h.Slots = append(h.Slots, Slot{Vessel: i, Signal: s})
			}
		}
	}
	type pair struct {
		slot int
		c    Candidate
	}
	var pairs []pair
	for i := range h.Slots {
		for _, c := range h.Candidates(i) {
			if c.Marks >= enough {
				pairs = append(pairs, pair{i, c})
			}
		}
	}
	slices.SortStableFunc(pairs, func(a, b pair) int { return cmp.Compare(b.c.Marks, a.c.Marks) })
	taken := map[int]bool{}
	for _, p := range pairs {
		if s := &h.Slots[p.slot]; s.Chosen == nil && !taken[p.c.Node] {
			s.Chosen, taken[p.c.Node] = &p.c, true
		}
	}
}

// Candidates lists the nodes that may be behind a signal, the likeliest first.
func (h *House) Candidates(slot int) (list []Candidate) {
	s := &h.Slots[slot]
	for i := range h.Nodes {
		if c, ok := h.judge(s, i); ok && c.Marks > 0 {
			list = append(list, c)
		}
	}
	slices.SortStableFunc(list, func(a, b Candidate) int { return cmp.Compare(b.Marks, a.Marks) })
	return list
}

// Choose takes a node for a signal, however few marks it has; it reports whether
// the unit allows that. A node that another signal has is taken from it.
func (h *House) Choose(slot, node int) bool {
	c, ok := h.judge(&h.Slots[slot], node)
	if !ok {
		return false
	}
	for i := range h.Slots {
		if o := &h.Slots[i]; i != slot && o.Chosen != nil && o.Chosen.Node == node {
			o.Chosen = nil
		}
	}
	h.Slots[slot].Chosen = &c
	return true
}

// judge gives marks to one node for one signal; false if its unit cannot be.
func (h *House) judge(s *Slot, node int) (Candidate, bool) {
	n, v := &h.Nodes[node], &h.Vessels[s.Vessel]
	c := Candidate{Node: node, Value: math.NaN()}
	unit, ref, known := plant.ReadUnit(n.Unit)
	switch {
	case n.State != (s.Signal.Dimension == plant.State) && !(n.switches() && !n.State):
		return c, false
	case s.Signal.Dimension == plant.AnyDimension || s.Signal.Dimension == plant.State:
		if known && unit != "1" {
			return c, false
		}
	case known:
		if !slices.Contains(plant.DimensionsOf(unit), s.Signal.Dimension) {
			return c, false
		}
		c.Unit, c.Reference = unit, ref
		c.Marks++
	case n.Unit != "":
		return c, false
	}
	c.Marks += wordMarks(s.Signal, n.words) + h.placeMarks(v, n)
	if engine.SetPoint(strings.Join(n.words, " ")) {
		c.Marks -= 4
	}
	if math.IsNaN(n.Value) {
		c.Marks-- // a spare, as likely as not
	}
	h.value(s, n, &c)
	return c, true
}

// value reads the live value as the signal would, and gives marks for its place.
func (h *House) value(s *Slot, n *Node, c *Candidate) {
	d := s.Signal.Dimension
	if math.IsNaN(n.Value) || d == plant.AnyDimension || d == plant.State {
		return
	}
	unit := cmp.Or(c.Unit, d.Canonical())
	v, err := plant.ToCanonical(d, unit, n.Value)
	if err != nil {
		return
	}
	expected, has := h.expected(s)
	refs := []plant.Reference{""}
	if d == plant.Pressure {
		refs = []plant.Reference{plant.Absolute, plant.Gauge, plant.Vacuum}
		switch {
		case c.Reference != "":
			refs = []plant.Reference{c.Reference}
		case n.Value < 0 || len(n.Range) == 2 && n.Range[0] < 0:
			refs = []plant.Reference{plant.Gauge}
		case hasWord("mmHg cmHg inHg", c.Unit) && slices.ContainsFunc(n.words, func(w string) bool { return hasWord("vacuum vacio vacuo", w) }):
			refs = []plant.Reference{plant.Vacuum}
		}
	}
	best := math.Inf(-1)
	for _, ref := range refs {
		x := ref.ToAbsolute(v, h.BarometerKPa)
		marks := 0.0
		if lo, hi := engine.UsualRange(s.Signal.Name, d); x < lo || x > hi {
			marks = -3
		} else if has {
			marks = 2.5*math.Exp(-sq((scaleOf(d, x)-expected)/spread(d))) - 0.5
		}
		if marks > best {
			best, c.Value = marks, x
			if d == plant.Pressure {
				c.Reference = ref
			}
		}
	}
	c.Marks += best
}

func sq(x float64) float64 { return x * x }

// scaleOf puts pressures on the scale of temperatures.
func scaleOf(d plant.Dimension, x float64) float64 {
	if d == plant.Pressure {
		if t, err := steam.Tsat(steam.KPa(x)); err == nil {
			return float64(t)
		}
		return math.Inf(1)
	}
	return x
}

func spread(d plant.Dimension) float64 {
	if d == plant.BrixDim {
		return 8
	}
	return 9 // K
}

// expected is about what a signal reads: degC for temperatures and pressures, Bx.
// From 120 degC of steam to 55 degC at the condenser in equal steps; 14 to 64 Bx:
// common practice, no source.
func (h *House) expected(s *Slot) (float64, bool) {
	const steamC, lastC, juiceBx, syrupBx = 121, 55, 14, 64
	v := &h.Vessels[s.Vessel]
	effects := 1
	for _, o := range h.Vessels {
		effects = max(effects, o.Effect)
	}
	share := float64(v.Effect) / float64(effects)
	vapour := steamC - (steamC-lastC)*share
	chest := steamC - (steamC-lastC)*(float64(v.Effect)-1)/float64(effects)
	switch v.Class {
	case plant.ClassSet:
		x, ok := map[string]float64{"steam_pressure": steamC, "steam_temperature": steamC + 5, "juice_temperature": 108, "juice_brix": juiceBx, "syrup_brix": syrupBx, "syrup_temperature": 58, "header_pressure": steamC + 6}[s.Signal.Name]
		return x, ok
	case plant.ClassBody:
		switch s.Signal.Name {
		case "vapour_pressure", "vapour_temperature":
			return vapour, true
		case "juice_temperature":
			return vapour + 1 + 4*sq(share), true
		case "chest_pressure", "chest_temperature", "condensate_temperature":
			return chest, true
		case "brix": // the same water from each effect
			return juiceBx / (1 - (1-juiceBx/float64(syrupBx))*share), true
		}
	case plant.ClassCondenser:
		x, ok := map[string]float64{"vapour_pressure": 54, "vapour_temperature": 54, "water_inlet_temperature": 30, "water_outlet_temperature": 45}[s.Signal.Name]
		return x, ok
	case plant.ClassPan:
		x, ok := map[string]float64{"vapour_pressure": 56, "vapour_temperature": 56, "massecuite_temperature": 67, "feed_brix": 66, "massecuite_brix": 90, "chest_pressure": 108}[s.Signal.Name]
		return x, ok
	}
	return 0, false
}

var accents = strings.NewReplacer("á", "a", "à", "a", "ã", "a", "â", "a", "é", "e", "ê", "e", "í", "i", "ó", "o", "õ", "o", "ô", "o", "ú", "u", "ü", "u", "ç", "c", "ñ", "n",
	"Á", "A", "É", "E", "Í", "I", "Ó", "O", "Ú", "U", "Ç", "C", "Ñ", "N", "Ã", "A", "Õ", "O")

var wordForm = regexp.MustCompile(`[A-Z]?[a-z]+|[A-Z]+|[0-9]+`)

// wordsOf splits names as people and control systems write them: EV3_PT-301,
// vaporPressure, "Vaso 3".
func wordsOf(text string) []string {
	var out []string
	for _, w := range wordForm.FindAllString(accents.Replace(text), -1) {
		out = append(out, strings.ToLower(w))
	}
	return out
}

//go:embed words.yaml
var wordsFile []byte

// lexicon is words.yaml; lists of words are separated by blanks.
type lexicon struct {
	Means    map[string]string `yaml:"means"`
	Measured map[string]string `yaml:"measured"`
	Letters  map[string]string `yaml:"letters"`
	Signals  map[string]string `yaml:"signals"`
	Primary  map[string]string `yaml:"primary"`
	Vessels  map[string]string `yaml:"vessels"`
	Reads    map[string]string `yaml:"reads"`
	Instead  string            `yaml:"instead"`
}

// lex is the file; meaning gives the English of each word that it knows.
var lex, meaning = readLexicon()

func readLexicon() (l lexicon, meaning map[string][]string) {
	if _, faults := plant.DecodeYAML("words.yaml", wordsFile, &l); len(faults) > 0 {
		panic(faults) // a part of the program
	}
	meaning = map[string][]string{}
	for _, part := range []map[string]string{l.Measured, l.Signals, l.Vessels} {
		for _, list := range part {
			for w := range strings.FieldsSeq(strings.ReplaceAll(list, "-", "")) {
				meaning[w] = []string{w}
			}
		}
	}
	for english, list := range l.Means {
		for w := range strings.FieldsSeq(list) {
			meaning[w] = strings.Fields(english)
		}
	}
	return l, meaning
}

// meant puts words into the English of the file. known keeps the meaning of those met.
func meant(words []string, known map[string][]string) (out []string) {
	for _, w := range words {
		if known[w] == nil {
			known[w] = meaningOf(w)
		}
		out = append(out, known[w]...)
	}
	return out
}

// meaningOf is the English of a word. One that the file does not know is taken for the word
// that it shortens, if there is only one meaning.
func meaningOf(w string) []string {
	is, known := meaning[w]
	for long, m := range meaning {
		if !known && shortens(w, long) {
			if is != nil && !slices.Equal(is, m) {
				return []string{w}
			}
			is = m
		}
	}
	if is == nil {
		return []string{w}
	}
	return is
}

// shortens reports whether a word is the beginning of another, or its consonants: exh, lvl.
func shortens(word, long string) bool {
	if len(word) < 3 || len(long) <= len(word) || word[0] != long[0] {
		return false
	}
	if strings.HasPrefix(long, word) {
		return len(long) > len(word)+1
	}
	i := 0
	for k := 0; k < len(long) && i < len(word); k++ {
		if long[k] == word[i] {
			i++
		}
	}
	return i == len(word) && len(long) <= 2*len(word) && !strings.ContainsAny(word[1:], "aeiou")
}

// hasWord reports whether a word is in a list of words.
func hasWord(list, word string) bool { return slices.Contains(strings.Fields(list), word) }

var letterForm = regexp.MustCompile(`^[ptfladcij][a-z]?(t|i|ic|it|r|ir|e|y)$`)

// wordMarks: one for the kind of instrument, up to two for what it measures.
func wordMarks(s plant.Signal, words []string) (marks float64) {
	letter := lex.Letters[string(s.Dimension)]
	kind := slices.ContainsFunc(words, func(w string) bool {
		return hasWord(lex.Measured[string(s.Dimension)], w) || letter != "" && letterForm.MatchString(w) && strings.ContainsRune(letter, rune(w[0]))
	})
	other := !kind && slices.ContainsFunc(words, func(w string) bool {
		for d, list := range lex.Measured {
			if d != string(s.Dimension) && hasWord(list, w) {
				return true
			}
		}
		return letterForm.MatchString(w) && letter != ""
	})
	if kind {
		marks++
	} else if other {
		marks -= 1.5
	}
	hits, denied := 0.0, false
	for w := range strings.FieldsSeq(cmp.Or(lex.Signals[string(s.Class)+" "+s.Name], lex.Signals[s.Name])) {
		against := strings.HasPrefix(w, "-")
		if slices.Contains(words, strings.TrimPrefix(w, "-")) {
			if against {
				marks, denied = marks-2, true
			} else {
				hits++
			}
		}
	}
	switch {
	case hasWord(lex.Primary[string(s.Class)], s.Name):
		marks += 0.8
	case hits == 0:
		marks -= 3
	}
	if !denied && within(s.Name, words) {
		marks += 2
	}
	return marks + 1.2*min(hits, 2)
}

var digits = regexp.MustCompile(`[0-9]+`)

// within reports whether a name stands among the words of a node.
func within(name string, words []string) bool {
	part := wordsOf(name)
	for i := 0; len(part) > 0 && i+len(part) <= len(words); i++ {
		if slices.Equal(words[i:i+len(part)], part) {
			return true
		}
	}
	return false
}

// speaksOf reports whether the words name the class of a vessel.
func speaksOf(c plant.Class, words []string) bool {
	for i, w := range words {
		numbered := i+1 < len(words) && number(words[i+1]) > 0
		if (len(w) > 2 || len(w) == 2 && numbered) && hasWord(lex.Vessels[string(c)], w) {
			return true
		}
	}
	return false
}

// placeMarks: do the words name this vessel, or another?
func (h *House) placeMarks(v *Vessel, n *Node) (marks float64) {
	words := n.place
	named := func(o Vessel) bool {
		return o.Class != plant.ClassSite && (within(o.Name, words) || o.Alias != "" && within(o.Alias, words))
	}
	if v.Class != plant.ClassBleed && speaksOf(plant.ClassBleed, words) {
		return -6
	}
	if v.Class != plant.ClassSet && v.Class != plant.ClassBleed && named(*v) {
		return 3.5
	}
	if slices.ContainsFunc(h.Vessels, func(o Vessel) bool { return o.Class != plant.ClassSet && o != *v && named(o) }) ||
		slices.ContainsFunc(h.others, func(name string) bool { return within(name, words) }) {
		return -6
	}
	for name := range lex.Vessels {
		if c := plant.Class(name); c != v.Class && speaksOf(c, words) && !(c == plant.ClassBody && v.Class != plant.ClassPan) {
			marks -= 3
		}
	}
	if speaksOf(v.Class, words) || v.Class == plant.ClassSet && speaksOf(plant.ClassBody, words) {
		marks++
	}
	if own := digits.FindString(v.Name); own != "" && v.Class != plant.ClassSet {
		marks += h.numberMarks(v.Class, v.Name, own, n)
	}
	return marks
}

// numberMarks: is the vessel of this number meant?
func (h *House) numberMarks(c plant.Class, name, own string, n *Node) float64 {
	if d := h.loopDigit(c, n); d != "" {
		if d == own {
			return 2.5
		}
		return -3
	}
	alone, some := true, false
	for _, v := range h.Vessels {
		alone = alone && (v.Class != c || v.Name == name)
	}
	for i, w := range n.words[:max(0, len(n.words)-1)] {
		next := n.words[i+1]
		if before := number(w); before > 0 && (i == 0 || !hasWord(lex.Vessels[string(c)], n.words[i-1])) && hasWord(lex.Vessels[string(c)], next) {
			w, next = next, w // 2nd body
		}
		some = some || hasWord(lex.Vessels[string(c)], w)
		if hasWord(lex.Vessels[string(c)], w) && number(next) >= 0 {
			if strings.TrimLeft(next, "0") == own {
				return 2.5
			}
			if number(next) < 20 {
				return -3
			}
		}
	}
	if slices.ContainsFunc(n.place, func(w string) bool { return number(w) >= 100 && number(w) < 1000 && strings.HasPrefix(w, own) }) {
		return 0.3 // PT-301: often of vessel 3
	}
	if alone && some {
		return 0
	}
	return -1.5
}

// findLoops finds the digit by which numbers of loops tell the vessels of a class: PT-1210
// and TT-1210 are of body 1, PT-1220 and TT-1220 of body 2.
func (h *House) findLoops() {
	h.loops = map[plant.Class]loops{}
	type seen struct {
		kinds    map[byte]bool
		pressure float64
	}
	at := map[string]map[int]seen{} // by beginning, by digit
	for i := range h.Nodes {
		n := &h.Nodes[i]
		kind, loop := n.loop()
		for k := range max(0, len(loop)-1) {
			if at[loop[:k+1]] == nil {
				at[loop[:k+1]] = map[int]seen{}
			}
			digit := int(loop[k+1] - '0')
			x, ok := at[loop[:k+1]][digit]
			if !ok {
				x = seen{map[byte]bool{}, math.NaN()}
			}
			if x.kinds[kind] = true; kind == 'p' {
				x.pressure = n.Value
			}
			at[loop[:k+1]][digit] = x
		}
	}
	for _, begin := range slices.Sorted(maps.Keys(at)) {
		by := at[begin]
		count, falls := 0, true
		for len(by[count+1].kinds) > 1 {
			count++
			falls = falls && !(count > 1 && by[count].pressure >= by[count-1].pressure)
		}
		for _, c := range []plant.Class{plant.ClassBody, plant.ClassPan} {
			has := 0
			for _, v := range h.Vessels {
				if v.Class == c {
					has = max(has+1, v.Effect)
				}
			}
			if count > 1 && count == has && falls == (c == plant.ClassBody) && len(begin) > len(h.loops[c].begin) {
				h.loops[c] = loops{begin, count}
			}
		}
	}
}

// loop is the first letter of an instrument and the number of its loop: p, 1210.
func (n *Node) loop() (kind byte, number string) {
	for i, w := range n.place {
		if len(w) > 2 && w[0] >= '0' && w[0] <= '9' && i > 0 && letterForm.MatchString(n.place[i-1]) {
			return n.place[i-1][0], w
		}
	}
	return 0, ""
}

// loopDigit is the digit of the vessel in the number of a node's loop, "" if there is none.
// The number of another class's vessel is "other".
func (h *House) loopDigit(c plant.Class, n *Node) string {
	_, loop := n.loop()
	for _, class := range []plant.Class{plant.ClassBody, plant.ClassPan} {
		l, found := h.loops[class]
		if !found {
			continue
		}
		if rest, ok := strings.CutPrefix(loop, l.begin); ok && rest != "" && rest[0] >= '1' && int(rest[0]-'0') <= l.last {
			if class != c {
				return "other"
			}
			return rest[:1]
		}
	}
	return ""
}

func number(w string) int {
	if n, err := strconv.Atoi(w); err == nil {
		return n
	}
	return -1
}

// NamesOf lists what the server calls its vessels of a class, as folders or
// beginnings of names: "EV1", "Vaso 2", "PA1". It is empty where nothing tells.
func NamesOf(c plant.Class, nodes []Node) (names []string) {
	form := strings.Join(strings.Fields(lex.Vessels[string(c)]), "|")
	which := `0?[1-9]`
	if c == plant.ClassPan {
		which += `|[a-h]`
	}
	called := regexp.MustCompile(`(?i)(?:^|[^a-z0-9])((?:` + form + `)[ _-]?(?:` + which + `))(?:[^a-z0-9]|$)`)
	inside := regexp.MustCompile(`(?i)(?:^|[^a-z0-9])(?:` + form + `)/([a-z]{1,4}[ _-]?0?[1-9])/`) // a folder of the vessels: TACHOS/T1/...
	for _, n := range nodes {
		path := accents.Replace(n.Path)
		for _, m := range append(called.FindAllStringSubmatch(path, -1), inside.FindAllStringSubmatch(path, -1)...) {
			if !slices.ContainsFunc(names, func(s string) bool { return slices.Equal(wordsOf(s), wordsOf(m[1])) }) {
				names = append(names, m[1])
			}
		}
	}
	if c == plant.ClassBody { // one house has one word for its bodies: that of most of them
		count := map[string]int{}
		most := 0
		for _, n := range names {
			count[wordsOf(n)[0]]++
			most = max(most, count[wordsOf(n)[0]])
		}
		names = slices.DeleteFunc(names, func(n string) bool { return count[wordsOf(n)[0]] < most })
	}
	slices.SortStableFunc(names, func(a, b string) int { return cmp.Compare(digits.FindString(a), digits.FindString(b)) })
	if c == plant.ClassPan {
		slices.Sort(names)
	}
	return names
}
