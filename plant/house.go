package plant

import (
	"cmp"
	"fmt"
	"iter"
	"maps"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"

	"calandria/plant/words"
)

// Source says where a tag's value comes from. Every tag has exactly one.
type Source string

// Sources.
const (
	Measured Source = "measured" // an instrument, over OPC UA
	Fixed    Source = "fixed"    // a value written in the configuration
	Derived  Source = "derived"  // a quantity of package thermo
	Ruled    Source = "rule"     // an expression of the site
	System   Source = "system"   // a fact about the program
)

// Tag is a named signal. Its path is the owner's path and the signal's name,
// such as EV.EV3.vapour_pressure.
type Tag struct {
	ID        TagID
	Path      string
	Owner     string // path of the equipment; "" for the site itself
	Class     Class
	Name      string
	Dimension Dimension
	Unit      string // canonical, except for dimension any
	Meaning   words.Text
	Source    Source

	// For Measured tags: where it is read, and canonical = raw*Scale + Offset,
	// which includes unit, site scaling and, for a Gauged tag, the usual barometer.
	Server string
	Node   string
	Scale  float64
	Offset float64
	// Reference is what a pressure is measured against. See [Tag.Gauged].
	Reference Reference
	// For Fixed tags: the value in Unit.
	Value float64

	Low, High float64             // instrument range in Unit, the last where it has dates; NaN where not given
	Ranges    DatedOf[[2]float64] // all of them, where it has dates
	// SigmaAbs (Unit) and SigmaRel (fraction of the value) are one standard
	// deviation of the instrument; see [Tag.Sigma].
	SigmaAbs, SigmaRel float64
	Sampling           time.Duration

	File string
	Line int
}

// Sigma is one standard deviation of a reading of the instrument, in Unit; 0
// if its accuracy is not stated.
func (t *Tag) Sigma(value float64) float64 { return math.Hypot(t.SigmaAbs, t.SigmaRel*value) }

// Gauged says that the reading counts from the air outside. The archive has it at the
// usual barometer of the site; the core adds what the air is off by.
func (t *Tag) Gauged() bool { return t.Reference == Gauge || t.Reference == Vacuum }

// Lowest is the least that an instrument of this tag measures; NaN without a range.
func (t *Tag) Lowest() float64 { return lowest(t.Low, t.High) }

// lowest is a little under the range: a meter at rest shows less than nothing. Source:
// 3.8 of 4 to 20 mA, NAMUR NE 43, from memory.
func lowest(low, high float64) float64 { return low - 0.0125*(high-low) }

// RangeAt is the range in force at a moment of event time.
func (t *Tag) RangeAt(at time.Time) (low, high float64) {
	if len(t.Ranges.Later) == 0 {
		return t.Low, t.High
	}
	r := t.Ranges.At(at)
	return r[0], r[1]
}

// Convert turns a raw reading of now into a value in the tag's unit; see ConvertAt.
func (t *Tag) Convert(raw float64, q Quality) (float64, Quality) {
	return t.convert(raw, q, t.Low, t.High)
}

// ConvertAt turns a raw reading into a value in the tag's unit. NaN, infinity and
// readings outside the range of that time give no value and a Bad quality; a quality
// that is already Bad stays as it is.
func (t *Tag) ConvertAt(raw float64, q Quality, at time.Time) (float64, Quality) {
	low, high := t.RangeAt(at)
	return t.convert(raw, q, low, high)
}

func (t *Tag) convert(raw float64, q Quality, low, high float64) (float64, Quality) {
	if q.IsBad() {
		return math.NaN(), q
	}
	v := raw*t.Scale + t.Offset
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return math.NaN(), BadOutOfRange
	case v < lowest(low, high) || v > high: // false where the limit is NaN
		return math.NaN(), BadOutOfRange
	}
	return v, q
}

// Equipment is a node of the tree of vessels: sets, bodies, bleeds,
// condensers, pans.
type Equipment struct {
	Path   string
	Name   string
	Title  string
	Class  Class
	Parent *Equipment
	// Parts are the bodies of a set from the steam end, the bleeds of a body, the
	// compartments of a continuous pan.
	Parts []*Equipment
	Tags  map[string]TagID // by signal or quantity name

	// The configuration it was made from; one of these is set.
	Set       *SetConfig
	Body      *BodyConfig
	Bleed     *BleedConfig
	Condenser *CondenserConfig
	Pan       *PanConfig

	Compartment *CompartmentConfig
}

// Tag returns the ID of a signal or quantity of the equipment, or [NoTag].
func (e *Equipment) Tag(name string) TagID {
	if id, ok := e.Tags[name]; ok {
		return id
	}
	return NoTag
}

// LastBody is the body of a set at the condenser's end; its effect is the number of effects.
func (e *Equipment) LastBody() *Equipment { return e.Parts[len(e.Parts)-1] }

// House is the boiling house: its equipment and its tags. It is built once by
// [Load], extended by AddTag while the program is put together, and not
// changed after.
type House struct {
	Config    *Config
	Document  *Document
	Equipment []*Equipment // sets, condensers, pans in the order written; parts follow their owner
	Site      *Equipment   // owner of the signals of the whole site, not in Equipment
	Tags      []Tag        // indexed by TagID

	byPath  map[string]TagID
	byEquip map[string]*Equipment
	parts   map[string]any
	loaded  int // tags that Load made
	// States are system tags of the edges, by name, with their meanings: 1 while all
	// is well there.
	States map[string]string
}

// Part is what [Load] filled for a section that an edge declares; nil if that
// section was not asked for.
func (h *House) Part(key string) any { return h.parts[key] }

// Find returns the tag with a path.
func (h *House) Find(path string) (*Tag, bool) {
	id, ok := h.byPath[path]
	if !ok {
		return nil, false
	}
	return &h.Tags[id], true
}

// Measured goes through the tags that an instrument measures.
func (h *House) Measured() iter.Seq[*Tag] {
	return func(yield func(*Tag) bool) {
		for i := range h.Tags {
			if t := &h.Tags[i]; t.Source == Measured && !yield(t) {
				return
			}
		}
	}
}

// Equipped reports whether there is anything to watch: an evaporator set or a pan.
func (h *House) Equipped() bool { return len(h.Config.Sets)+len(h.Config.Pans) > 0 }

// Equip returns the equipment with a path.
func (h *House) Equip(path string) (*Equipment, bool) {
	e, ok := h.byEquip[path]
	return e, ok
}

// Of lists the equipment of a class in the order of the configuration.
func (h *House) Of(c Class) []*Equipment {
	var es []*Equipment
	for _, e := range h.Equipment {
		if e.Class == c {
			es = append(es, e)
		}
	}
	return es
}

// Fresh copies the house as [Load] made it, without the tags that were added since,
// for an engine of its own. The configuration is shared.
func (h *House) Fresh() *House {
	next := *h
	added := func(_ string, id TagID) bool { return int(id) >= h.loaded }
	next.Tags, next.byPath = slices.Clone(h.Tags[:h.loaded]), maps.Clone(h.byPath)
	maps.DeleteFunc(next.byPath, added)
	next.byEquip = make(map[string]*Equipment, len(h.byEquip))
	for path, e := range h.byEquip {
		own := *e
		own.Tags = maps.Clone(e.Tags)
		maps.DeleteFunc(own.Tags, added)
		next.byEquip[path] = &own
	}
	same := func(es []*Equipment) []*Equipment {
		es = slices.Clone(es)
		for i, e := range es {
			es[i] = next.byEquip[e.Path]
		}
		return es
	}
	next.Site, next.Equipment = next.byEquip[h.Site.Path], same(h.Equipment)
	for _, e := range next.byEquip {
		e.Parts = same(e.Parts)
		if e.Parent != nil {
			e.Parent = next.byEquip[e.Parent.Path]
		}
	}
	return &next
}

// AddTag adds a derived, rule or system tag and returns its ID. It refuses a
// path that exists: a tag has one owner.
func (h *House) AddTag(t Tag) (TagID, error) {
	if old, ok := h.Find(t.Path); ok {
		return NoTag, fmt.Errorf("add tag %s: it already exists (%s)", t.Path, old.Source)
	}
	t.ID = TagID(len(h.Tags))
	if t.Low == 0 && t.High == 0 {
		t.Low, t.High = math.NaN(), math.NaN()
	}
	if t.Unit == "" {
		t.Unit = t.Dimension.Canonical()
	}
	h.Tags = append(h.Tags, t)
	h.byPath[t.Path] = t.ID
	if e, ok := h.byEquip[t.Owner]; ok {
		e.Tags[t.Name] = t.ID
	}
	return t.ID, nil
}

// Suggest returns the tag path closest to a mistyped one, or "".
func (h *House) Suggest(path string) string {
	return Nearest(path, slices.Sorted(maps.Keys(h.byPath)))
}

var nameForm = regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_]{0,39}$`)

// reserved words of the expression language cannot be names.
var reserved = []string{"and", "or", "not", "in", "true", "false", "nil", "let", "if", "else", "matches", "contains", "startsWith", "endsWith", "calandria", "now"}

// ValidName reports whether a word can be the name of a piece of equipment, a
// server or a receiver of notices.
func ValidName(word string) bool { return nameForm.MatchString(word) }

// builder gathers faults while the house is put together.
type builder struct {
	h      *House
	doc    *Document
	faults Faults
}

func (b *builder) fault(field string, problem, fix words.Text) {
	b.faults = append(b.faults, b.doc.Fault(field, problem, fix))
}

// Load reads plant.yaml with the sections of the edges that are asked for,
// checks all of it and builds the house. file is only a name for messages. All
// faults are reported at once, in the error, as [Faults].
func Load(file string, data []byte, parts ...Part) (*House, error) {
	cfg := &Config{}
	sections := map[string]any{}
	for _, key := range partKeys {
		sections[key] = nil
	}
	for _, p := range parts {
		sections[p.Key] = p.Into
	}
	doc, faults := decodeYAML(file, data, cfg, sections)
	b := &builder{doc: doc, faults: faults, h: &House{Config: cfg, Document: doc,
		byPath: map[string]TagID{}, byEquip: map[string]*Equipment{}, parts: sections, States: map[string]string{}}}
	if len(faults) > 0 && len(doc.places) <= 1 {
		return nil, faults.Err()
	}
	b.site()
	b.servers()
	b.tags("site.tags", b.h.Site, cfg.Site.Tags)
	for i := range cfg.Sets {
		b.set(fmt.Sprintf("sets[%d]", i), &cfg.Sets[i])
	}
	for i := range cfg.Condensers {
		f, c := fmt.Sprintf("condensers[%d]", i), &cfg.Condensers[i]
		e := b.equip(f, nil, c.Name, c.Title, ClassCondenser)
		e.Condenser = c
		if c.Normal != nil {
			b.normal(f+".normal", c.Normal)
		}
		b.tags(f+".tags", e, c.Tags)
	}
	for i := range cfg.Pans {
		b.pan(fmt.Sprintf("pans[%d]", i), &cfg.Pans[i])
	}
	b.freeTags()
	b.references()
	for _, p := range parts {
		if p.Check != nil {
			p.Check(b.h, b.fault)
		}
		if p.States != nil {
			maps.Copy(b.h.States, p.States(b.h))
		}
	}
	if err := b.faults.Err(); err != nil {
		return nil, err
	}
	b.h.loaded = len(b.h.Tags)
	return b.h, nil
}

func (b *builder) site() {
	c := b.h.Config
	if c.Site.Name == "" {
		b.fault("site.name", "the site has no name", "write site: name: ...")
	}
	c.Site.BarometerKPa = cmp.Or(c.Site.BarometerKPa, 101.325)
	c.Site.TimeZone = cmp.Or(c.Site.TimeZone, "UTC")
	c.Scan = cmp.Or(c.Scan, time.Second)
	if c.Site.BarometerKPa < 60 || c.Site.BarometerKPa > 110 {
		b.fault("site.barometer_kpa", words.Say("%g kPa is not an atmospheric pressure", c.Site.BarometerKPa), "give 60 to 110 kPa")
	}
	b.h.Site = &Equipment{Path: "site", Name: "site", Title: c.Site.Name, Class: ClassSite, Tags: map[string]TagID{}}
	b.h.byEquip["site"] = b.h.Site
	if x, ok := c.Site.Tags["barometer"]; ok && x.Reference != "" && x.Reference != Absolute {
		b.fault("site.tags.barometer.reference", "a barometer is not read against the air", "leave it out")
	}
	if _, err := time.LoadLocation(c.Site.TimeZone); err != nil {
		b.fault("site.time_zone", words.Say("time zone %q is not known", c.Site.TimeZone), "use an IANA name such as Africa/Johannesburg")
	}
	b.within("site.costs.steam_per_t", c.Site.Costs.SteamPerT, 0, 1e9, "a cost")
	b.within("site.costs.lost_juice_per_t", c.Site.Costs.LostJuicePerT, 0, 1e9, "a cost")
	b.within("site.costs.cleaning", c.Site.Costs.Cleaning, 0, 1e9, "a cost")
	b.optional("site.costs.cleaning_hours", c.Site.Costs.CleaningHours, 0.5, 24, "the hours of a cleaning")
	if c.Scan < 100*time.Millisecond || c.Scan > time.Minute {
		b.fault("scan", words.Say("a scan of %s is out of bounds", c.Scan), "give 100ms to 1m")
	}
}

func (b *builder) servers() {
	names := map[string]bool{}
	for i := range b.h.Config.OPCUA.Servers {
		s := &b.h.Config.OPCUA.Servers[i]
		f := fmt.Sprintf("opcua.servers[%d]", i)
		if !nameForm.MatchString(s.Name) {
			b.fault(f+".name", words.Say("%q is not a name", s.Name), "use letters, digits and _, starting with a letter")
		}
		if names[s.Name] {
			b.fault(f+".name", words.Say("server %s is there twice", s.Name), "give each its own name")
		}
		names[s.Name] = true
		if !strings.HasPrefix(s.Endpoint, "opc.tcp://") {
			b.fault(f+".endpoint", words.Say("%q is not an OPC UA address", s.Endpoint), "write opc.tcp://host:4840/path")
		}
		if s.Mode == "" && s.Policy == "None" || s.Policy == "" && s.Mode == "None" {
			s.Policy, s.Mode = "None", "None"
		}
		b.oneOf(f+".policy", "security policy", &s.Policy, "Basic256Sha256", "None", "Aes128_Sha256_RsaOaep", "Aes256_Sha256_RsaPss")
		b.oneOf(f+".mode", "security mode", &s.Mode, "SignAndEncrypt", "Sign", "None")
		if (s.Policy == "None") != (s.Mode == "None") {
			b.fault(f+".mode", words.Say("policy %s and mode %s do not go together", s.Policy, s.Mode), "both are None or neither is")
		}
		if s.User != "" && s.PasswordFile == "" {
			b.fault(f+".password_file", "a user without a password file", "write the password into a file that only the service can read")
		}
		s.Publish, s.SessionTimeout = cmp.Or(s.Publish, time.Second), cmp.Or(s.SessionTimeout, time.Minute)
		if s.Publish < 50*time.Millisecond || s.Publish > time.Minute {
			b.fault(f+".publish", words.Say("a publishing interval of %s is out of bounds", s.Publish), "give 50ms to 1m")
		}
		if s.SessionTimeout < 5*time.Second {
			b.fault(f+".session_timeout", "shorter than 5 s", "give 5s or more")
		}
	}
}

func (b *builder) equip(field string, parent *Equipment, name, title string, c Class) *Equipment {
	if !nameForm.MatchString(name) || slices.Contains(reserved, name) {
		b.fault(field+".name", words.Say("%q is not a name", name), "use letters, digits and _, starting with a letter; no word of the rule language")
	}
	e := &Equipment{Name: name, Title: cmp.Or(title, name), Class: c, Parent: parent, Path: name, Tags: map[string]TagID{}}
	if parent != nil {
		e.Path = parent.Path + "." + name
		parent.Parts = append(parent.Parts, e)
		if _, clash := SignalNamed(parent.Class, name); clash {
			b.fault(field+".name", words.Say("%q is the name of a signal", name), "choose another name")
		}
	}
	if b.h.byEquip[e.Path] != nil {
		b.fault(field+".name", words.Say("%s is there twice", e.Path), "give each piece of equipment its own name")
	} else {
		b.h.byEquip[e.Path] = e
	}
	b.h.Equipment = append(b.h.Equipment, e)
	return e
}

func (b *builder) within(field string, v, low, high float64, what words.Text) {
	if !(v >= low && v <= high) {
		b.fault(field, words.Say("%g is out of bounds for %s", v, what), words.Say("give %g to %g", low, high))
	}
}

// optional checks a figure that may be left out: 0.
func (b *builder) optional(field string, v, low, high float64, what words.Text) {
	if v != 0 {
		b.within(field, v, low, high, what)
	}
}

// usual fills in a figure that is left out, and checks it.
func (b *builder) usual(field string, p **float64, usual, low, high float64, what words.Text) {
	*p = orDefault(*p, usual)
	b.within(field, **p, low, high, what)
}

// oneOf fills in a word that is left out, the first of those there are, and checks it.
func (b *builder) oneOf(field string, what words.Text, p *string, known ...string) {
	if *p = cmp.Or(*p, known[0]); !slices.Contains(known, *p) {
		b.fault(field, words.Say("%s %q is not known", what, *p), words.Say("use one of %s", strings.Join(known, ", ")))
	}
}

// possible bounds a fixed value in its canonical unit: what is beyond cannot be,
// whatever the plant. Definitions, and for temperatures a wide guess.
func possible(d Dimension) (low, high float64) {
	switch d {
	case BrixDim:
		return 0, 100
	case Temperature:
		return -50, 400
	case Pressure, MassFlow, VolumeFlow, Conductivity:
		return 0, math.Inf(1)
	}
	return math.Inf(-1), math.Inf(1)
}

func orDefault[T any](p *T, def T) *T {
	if p == nil {
		return &def
	}
	return p
}

func (b *builder) set(f string, c *SetConfig) {
	e := b.equip(f, nil, c.Name, c.Title, ClassSet)
	e.Set = c
	c.PurityPct = cmp.Or(c.PurityPct, 85)
	b.within(f+".purity_pct", c.PurityPct, 20, 100, "a purity in %")
	b.usual(f+".loss_pct", &c.LossPct, 1.5, 0, 20, "a heat loss in %")
	b.usual(f+".pipe_loss_k", &c.PipeLossK, 0.3, 0, 5, "a loss of saturation temperature in K")
	b.usual(f+".sigma.loss_pct", &c.Sigma.LossPct, 0.5, 0, 10, "a standard deviation")
	b.usual(f+".sigma.pipe_loss_k", &c.Sigma.PipeLossK, 0.15, 0, 2, "a standard deviation")
	b.usual(f+".sigma.boiling_point_pct", &c.Sigma.BoilingPointPct, 10, 0, 50, "a standard deviation")
	b.usual(f+".sigma.heat_pct", &c.Sigma.HeatPct, 3, 0, 20, "a standard deviation")
	c.CondensateFlash = orDefault(c.CondensateFlash, true)
	c.Smoothing = orDefault(c.Smoothing, time.Minute)
	if *c.Smoothing > time.Hour {
		b.fault(f+".smoothing", "longer than an hour", "give 0s to 1h")
	}
	b.properties(f, &c.Properties)
	c.CleanUFormula = cmp.Or(c.CleanUFormula, "dessin")
	b.tags(f+".tags", e, c.Tags)
	if len(c.Bodies) == 0 {
		b.fault(f+".bodies", "the set has no body", "list its bodies from the steam end")
	}
	last := 0
	for i := range c.Bodies {
		b.body(fmt.Sprintf("%s.bodies[%d]", f, i), e, &c.Bodies[i], last)
		last = c.Bodies[i].Effect
	}
	b.juiceOrder(f+".juice_order", c)
	c.cleaningLimits()
}

// body checks one body of a set; last is the effect of the body before it, 0
// for the first.
func (b *builder) body(bf string, e *Equipment, bc *BodyConfig, last int) {
	be := b.equip(bf, e, bc.Name, bc.Title, ClassBody)
	be.Body = bc
	if bc.Effect == 0 {
		bc.Effect = last + 1
		if bc.Juice == "beside" {
			bc.Effect = max(1, last)
		}
	}
	if bc.Effect != last && bc.Effect != last+1 || bc.Effect > 7 {
		b.fault(bf+".effect", words.Say("effect %d after effect %d", bc.Effect, last), "number effects 1, 2, 3 ... up to 7 from the steam end; bodies of one effect stand together")
	}
	switch bc.Juice {
	case "", "in_line":
	case "beside":
		if last == 0 || bc.Effect != last {
			b.fault(bf+".juice", words.Say("no body of effect %d before it to be beside of", bc.Effect), "list bodies fed beside each other one after the other, with the same effect")
		}
	default:
		b.fault(bf+".juice", words.Say("juice %q is not known", bc.Juice), "use in_line (default) or beside; juice_order of the set gives backward and mixed feed")
	}
	if b.dated(bf+".heating_surface_m2", &bc.HeatingSurfaceM2, 1, 20000, "a heating surface in m2"); bc.HeatingSurfaceM2.First == 0 {
		b.fault(bf+".heating_surface_m2", "the body has no heating surface", "give it in m2")
	}
	b.dated(bf+".tube_length_m", &bc.TubeLengthM, 0.5, 15, "a tube length in m")
	b.dated(bf+".diameter_m", &bc.DiameterM, 0.3, 15, "a diameter of a vapour space in m")
	b.oneOf(bf+".kind", "kind", &bc.Kind, "robert", "kestner", "falling_film")
	b.optional(bf+".clean_u_w_m2k", bc.CleanUWM2K, 50, 8000, "a heat-transfer coefficient in W/(m2.K)")
	b.optional(bf+".reference_brix", bc.ReferenceBrix, 5, 85, "a Brix leaving an evaporator body")
	b.optional(bf+".reference_chest_c", bc.ReferenceChestC, 58, 175, "a temperature of a calandria in degC")
	if (bc.ReferenceBrix != 0) != (bc.ReferenceChestC != 0) {
		b.fault(bf+".reference_brix", "reference_brix and reference_chest_c go together", "give both or neither")
	}
	b.levelFactor(bf, bc.LevelFactor)
	least := 4.0
	if bc.Kind == "falling_film" {
		least = 2
	}
	b.usual(bf+".min_difference_k", &bc.MinDifferenceK, least, 0.5, 20, "a temperature difference in K")
	b.optional(bf+".cleaning_limit", bc.CleaningLimit, 0.1, 0.99, "a ratio to clean U")
	b.tags(bf+".tags", be, bc.Tags)
	for j := range bc.Bleeds {
		b.bleed(fmt.Sprintf("%s.bleeds[%d]", bf, j), be, &bc.Bleeds[j])
	}
}

func (b *builder) levelFactor(bf string, points [][]float64) {
	for j, p := range points {
		pf := fmt.Sprintf("%s.level_factor[%d]", bf, j)
		switch {
		case len(p) != 2:
			b.fault(pf, "a point is [level in %, factor]", "write for example [[10, 0.7], [33, 1], [100, 0.85]]")
		case !(p[0] >= 0 && p[0] <= 200) || !(p[1] > 0.05 && p[1] <= 1.5):
			b.fault(pf, words.Say("[%g, %g] is out of bounds", p[0], p[1]), "levels are 0 to 200 %, factors above 0.05 and at most 1.5")
		case j > 0 && len(points[j-1]) == 2 && !(p[0] > points[j-1][0]):
			b.fault(pf, words.Say("level %g after %g", p[0], points[j-1][0]), "list the points with rising level")
		}
	}
}

func (b *builder) bleed(lf string, be *Equipment, lc *BleedConfig) {
	le := b.equip(lf, be, lc.Name, lc.Title, ClassBleed)
	le.Bleed = lc
	lc.LiquidBx, lc.LossPct = cmp.Or(lc.LiquidBx, 14), cmp.Or(lc.LossPct, 3)
	b.within(lf+".liquid_brix", lc.LiquidBx, 0, 80, "a Brix")
	b.within(lf+".loss_pct", lc.LossPct, 0, 30, "a heat loss in %")
	if lc.AssumedTH != nil {
		b.within(lf+".assumed_t_h", *lc.AssumedTH, 0, 1000, "a vapour flow in t/h")
	}
	b.tags(lf+".tags", le, lc.Tags)
	has := func(n string) bool { _, ok := lc.Tags[n]; return ok }
	if !has("flow") && lc.AssumedTH == nil && !(has("liquid_flow") && has("inlet_temperature") && has("outlet_temperature")) {
		b.fault(lf, "nothing says how much vapour this bleed takes", "give a flow tag, or liquid_flow with inlet_temperature and outlet_temperature, or assumed_t_h")
	}
}

// cleaningLimits fills in the limits that are left out. Scale follows the juice: where
// it is thickest U falls most before a cleaning pays, whatever heats the body there.
func (c *SetConfig) cleaningLimits() {
	place, effect := 0, 0
	for _, i := range c.Juice() {
		bc := &c.Bodies[i]
		if bc.Effect != effect {
			place, effect = place+1, bc.Effect
		}
		usual := 0.8
		if place > 3 {
			usual = 0.65
		}
		bc.CleaningLimit = cmp.Or(bc.CleaningLimit, usual)
	}
}

// juiceOrder checks that every body is named once, and that a body fed beside
// another follows it.
func (b *builder) juiceOrder(f string, c *SetConfig) {
	const fix = "name each body of the set once, in the order in which the juice flows"
	if len(c.JuiceOrder) == 0 {
		return
	}
	place := map[string]int{}
	for i, name := range c.JuiceOrder {
		at := fmt.Sprintf("%s[%d]", f, i)
		if _, twice := place[name]; twice {
			b.fault(at, words.Say("%s is there twice", name), fix)
		}
		if !slices.ContainsFunc(c.Bodies, func(x BodyConfig) bool { return x.Name == name }) {
			b.fault(at, words.Say("the set has no body %q", name), fix)
		}
		place[name] = i
	}
	for i := range c.Bodies {
		x := &c.Bodies[i]
		at, ok := place[x.Name]
		if !ok {
			b.fault(f, words.Say("%s is not in the juice order", x.Name), fix)
		} else if x.Juice == "beside" && i > 0 && (at == 0 || !slices.ContainsFunc(c.Bodies, func(y BodyConfig) bool {
			return y.Name == c.JuiceOrder[at-1] && y.Effect == x.Effect
		})) {
			b.fault(fmt.Sprintf("%s[%d]", f, at), words.Say("%s is fed beside another body of effect %d, but does not follow one", x.Name, x.Effect), "name it after the body that it is beside of")
		}
	}
}

// Juice lists the indices of the bodies in the order in which the juice flows.
func (c *SetConfig) Juice() []int {
	list := make([]int, 0, len(c.Bodies))
	for _, name := range c.JuiceOrder {
		for i := range c.Bodies {
			if c.Bodies[i].Name == name {
				list = append(list, i)
			}
		}
	}
	if len(list) == 0 {
		for i := range c.Bodies {
			list = append(list, i)
		}
	}
	return list
}

func (b *builder) normal(f string, n *NormalConfig) {
	b.within(f+".vapour_pressure_kpa", n.VapourPressureKPa, 2, 60, "the absolute pressure of a condenser in kPa")
	b.within(f+".water_inlet_c", n.WaterInletC, 0.1, 60, "injection water in degC")
	b.within(f+".water_outlet_c", n.WaterOutletC, 1, 90, "tail water in degC")
	if n.WaterOutletC <= n.WaterInletC {
		b.fault(f+".water_outlet_c", "the tail water is not warmer than the injection water", "give both in degC, of good running")
	}
	b.within(f+".gas_c", n.GasC, 0, 90, "a gas temperature in degC")
	b.within(f+".water_t_h", n.WaterTH, 0, 50000, "a water flow in t/h")
	b.within(f+".vapour_t_h", n.VapourTH, 0, 2000, "a vapour flow in t/h")
}

func (b *builder) properties(f string, p *Properties) {
	p.BoilingPoint, p.Heat = cmp.Or(p.BoilingPoint, "sp97"), cmp.Or(p.Heat, "bubnik95")
	b.within(f+".properties.purity_factor", p.PurityFactor, 0, 3, "a purity factor")
}

func (b *builder) pan(f string, c *PanConfig) {
	e := b.equip(f, nil, c.Name, c.Title, ClassPan)
	e.Pan = c
	b.properties(f, &c.Properties)
	b.dated(f+".heating_surface_m2", &c.HeatingSurfaceM2, 1, 5000, "a heating surface in m2")
	b.dated(f+".volume_m3", &c.VolumeM3, 1, 1000, "a volume in m3")
	switch len(c.LiquorPurityPct) {
	case 0:
	case 1:
		c.LiquorPurityPct = []float64{c.LiquorPurityPct[0], c.LiquorPurityPct[0]}
		fallthrough
	case 2:
		for i, p := range c.LiquorPurityPct {
			b.within(fmt.Sprintf("%s.liquor_purity_pct[%d]", f, i), p, 20, 100, "a purity in %")
		}
	default:
		b.fault(f+".liquor_purity_pct", "more than two values", "give the purity at the start and at the end of the strike")
	}
	c.Solubility = cmp.Or(c.Solubility, "vavrinecz")
	switch len(c.Impurity) {
	case 0:
		c.Impurity = []float64{-0.06265, 0.982, 2.1}
	case 3:
		b.within(f+".impurity[0]", c.Impurity[0], -1, 1, "m of the solubility coefficient")
		b.within(f+".impurity[1]", c.Impurity[1], 0, 2, "b of the solubility coefficient")
		b.within(f+".impurity[2]", c.Impurity[2], 0, 20, "c of the solubility coefficient")
	default:
		b.fault(f+".impurity", "the solubility coefficient has three constants", "write [m, b, c]")
	}
	b.tags(f+".tags", e, c.Tags)
	if len(c.Compartments) > 0 && c.StrikeHours != 0 {
		b.fault(f+".strike_hours", "a pan of compartments boils no strikes", "leave strike_hours out")
	}
	if len(c.Compartments) > 0 && len(c.StrikeLimits) != 0 {
		b.fault(f+".strike_limits", "a pan of compartments boils no strikes", "leave strike_limits out")
	}
	if len(c.Compartments) > maxCompartments {
		b.fault(f+".compartments", words.Say("%d compartments", len(c.Compartments)), words.Say("give at most %d", maxCompartments))
		return
	}
	for i := range c.Compartments {
		cf, cc := fmt.Sprintf("%s.compartments[%d]", f, i), &c.Compartments[i]
		ce := b.equip(cf, e, cc.Name, cc.Title, ClassCompartment)
		ce.Compartment = cc
		b.dated(cf+".heating_surface_m2", &cc.HeatingSurfaceM2, 1, 2000, "a heating surface in m2")
		if cc.LiquorPurityPct != 0 {
			b.within(cf+".liquor_purity_pct", cc.LiquorPurityPct, 20, 100, "a purity in %")
		} else if n := len(c.LiquorPurityPct); n == 2 {
			x := 0.5
			if len(c.Compartments) > 1 {
				x = float64(i) / float64(len(c.Compartments)-1)
			}
			cc.LiquorPurityPct = c.LiquorPurityPct[0] + (c.LiquorPurityPct[1]-c.LiquorPurityPct[0])*x
		}
		b.usual(cf+".thermometer_offset_k", &cc.ThermometerOffsetK, c.ThermometerOffsetK, -20, 20, "an offset in K")
		b.tags(cf+".tags", ce, cc.Tags)
	}
}

// maxCompartments of a continuous pan; there are 6 to 12 as a rule.
const maxCompartments = 40

func (b *builder) tags(f string, e *Equipment, bs map[string]Binding) {
	for _, n := range slices.Sorted(maps.Keys(bs)) {
		s, ok := SignalNamed(e.Class, n)
		if !ok {
			known := SignalNames(e.Class)
			b.fault(f+"."+n, words.Say("a %s has no signal of this name", e.Class),
				DidYouMean(Nearest(n, known), "%q", words.Say("signals of a %s: %s", e.Class, strings.Join(known, ", "))))
			continue
		}
		b.bind(f+"."+n, e.Path, e.Class, n, s.Dimension, s.Meaning, bs[n])
	}
}

func (b *builder) freeTags() {
	for _, n := range slices.Sorted(maps.Keys(b.h.Config.Tags)) {
		t, f := b.h.Config.Tags[n], "tags."+n
		if !nameForm.MatchString(n) || slices.Contains(reserved, n) || b.h.byEquip[n] != nil {
			b.fault(f, words.Say("%q cannot be a tag name", n), "use letters, digits and _, no word of the rule language, no name of equipment")
			continue
		}
		d := t.Dimension
		if d == "" {
			d = likelyDimension(t.Unit)
		}
		if d != AnyDimension && d.Canonical() == "" {
			b.fault(f+".dimension", words.Say("dimension %q is not known", d), "leave it out, or use for example pressure, temperature, mass flow")
			continue
		}
		b.bind(f, "", ClassSite, n, d, words.Verbatim(t.Title), t.Binding)
	}
}

// likelyDimension guesses what a free tag measures from its unit alone.
func likelyDimension(unitName string) Dimension {
	if unitName == "" {
		return AnyDimension
	}
	ds := DimensionsOf(unitName)
	for _, d := range []Dimension{Temperature, Pressure, MassFlow, Percent} {
		if slices.Contains(ds, d) && !(d == Temperature && unitName == "K") {
			return d
		}
	}
	if len(ds) > 0 {
		return ds[0]
	}
	return AnyDimension
}

func (b *builder) bind(f, owner string, c Class, name string, d Dimension, meaning words.Text, bd Binding) {
	t := Tag{Path: name, Owner: owner, Class: c, Name: name, Dimension: d, Unit: d.Canonical(), Meaning: meaning,
		Source: Measured, Low: math.NaN(), High: math.NaN(), Sampling: bd.Sampling,
		File: b.doc.File, Line: b.doc.At(f).Line}
	if owner != "" {
		t.Path = owner + "." + name
	}
	if d == AnyDimension {
		t.Unit = bd.Unit
	}
	unitName := cmp.Or(bd.Unit, d.Canonical())
	us, uo, err := CanonicalFactor(d, unitName)
	if err != nil {
		b.fault(f+".unit", words.Of(err), unitHint(name, unitName))
		return
	}
	switch bd.Reference {
	case "", Absolute, Gauge, Vacuum:
	default:
		b.fault(f+".reference", words.Say("reference %q is not known", bd.Reference), "use absolute, gauge or vacuum")
		return
	}
	if bd.Reference != "" && d != Pressure {
		b.fault(f+".reference", "only a pressure has a reference", "leave it out")
	}
	scale := *orDefault(bd.Scale, 1)
	if scale == 0 {
		b.fault(f+".scale", "a scale of 0 loses the reading", "give another factor or leave it out")
	}
	// reading in canonical unit = (raw*scale + offset)*us + uo
	t.Scale, t.Offset = scale*us, bd.Offset*us+uo
	sign, base := 1.0, 0.0
	t.Reference = bd.Reference
	if t.Gauged() {
		base = b.h.Config.Site.BarometerKPa
	}
	if bd.Reference == Vacuum {
		sign = -1
	}
	t.Scale, t.Offset = sign*t.Scale, sign*t.Offset+base
	inUnit := func(v float64) float64 { return sign*(v*us+uo) + base }

	if (bd.Node == "") == (bd.Value == nil) {
		b.fault(f, "a tag has either a node or a fixed value", "write node: or value:")
		return
	}
	if bd.Value != nil {
		t.Source, t.Value = Fixed, inUnit(*bd.Value)
		if lo, hi := possible(d); !(t.Value >= lo && t.Value <= hi) {
			b.fault(f+".value", words.Say("%g %s is no possible %s (%g %s)", *bd.Value, unitName, d, t.Value, d.Canonical()), "correct the value, its unit or its reference")
		}
	} else {
		t.Node = bd.Node
		if p := nodeProblem(bd.Node); p != "" {
			b.fault(f+".node", p, "write nsu=<namespace URI>;s=<name>; the command 'calandria browse' lists node ids in this form")
		}
		t.Server = b.server(f, bd.Server)
	}
	b.ranges(f, &t, &bd.Range, inUnit)
	if bd.Accuracy != nil {
		t.SigmaAbs = *bd.Accuracy * math.Abs(us)
		if *bd.Accuracy < 0 {
			b.fault(f+".accuracy", "an accuracy is not negative", "")
		}
	}
	if bd.AccuracyPct != nil {
		t.SigmaRel = *bd.AccuracyPct / 100
		b.within(f+".accuracy_pct", *bd.AccuracyPct, 0, 100, "an accuracy in %")
	}
	if bd.Sampling != 0 && (bd.Sampling < 10*time.Millisecond || bd.Sampling > time.Hour) {
		b.fault(f+".sampling", words.Say("a sampling interval of %s is out of bounds", bd.Sampling), "give 10ms to 1h")
	}
	if _, err := b.h.AddTag(t); err != nil {
		b.fault(f, words.Of(err), "give it another name")
	}
}

// ranges fills the ranges of an instrument.
func (b *builder) ranges(f string, t *Tag, d *DatedOf[[]float64], inUnit func(float64) float64) {
	good := func(is []float64) bool { return len(is) == 2 && is[0] < is[1] }
	check := func(field string, is []float64) {
		if !good(is) {
			b.fault(field, "a range is [low, high] with low < high", "")
		}
	}
	if d.First != nil {
		check(f+".range", d.First)
	}
	fillDates(b, f+".range", d, "[low, high]", check)
	set := func(is []float64) (r [2]float64) {
		if good(is) {
			lo, hi := inUnit(is[0]), inUnit(is[1])
			r = [2]float64{min(lo, hi), max(lo, hi)}
			t.Low, t.High = r[0], r[1]
		}
		return r
	}
	t.Ranges.First = set(d.First)
	for _, c := range d.Later {
		t.Ranges.Later = append(t.Ranges.Later, Change[[2]float64]{From: c.From, Is: set(c.Is)})
	}
	if t.Source == Fixed && (t.Value < t.Low || t.Value > t.High) {
		b.fault(f+".value", "the fixed value is outside its own range", "")
	}
}

func unitHint(name, unitName string) words.Text {
	if u, ref, ok := ReadUnit(unitName); ok && ref != "" && (name == "barometer" || strings.HasSuffix(name, "pressure")) {
		return words.Say("write unit: %s, reference: %s", u, ref)
	}
	if _, ok := findUnit(VolumeFlow, unitName); ok && strings.HasSuffix(name, "flow") {
		return "a volume flow goes to the signal of the same name with volume_flow, where the class has one; else convert with scale:"
	}
	return ""
}

func (b *builder) server(f, name string) string {
	servers := b.h.Config.OPCUA.Servers
	if name == "" {
		if len(servers) == 1 {
			return servers[0].Name
		}
		if len(servers) == 0 {
			b.fault(f+".node", "no OPC UA server is configured", "add opcua: servers:")
		} else {
			b.fault(f+".server", "there are several servers", "say which: server: <name>")
		}
		return ""
	}
	var names []string
	for _, s := range servers {
		names = append(names, s.Name)
	}
	if !slices.Contains(names, name) {
		b.fault(f+".server", words.Say("server %q is not configured", name), words.Say("use one of %s", strings.Join(names, ", ")))
	}
	return name
}

var identifier = regexp.MustCompile(`;[sigb]=`)

// nodeProblem says what is wrong with the form of a node id, or "".
func nodeProblem(node string) words.Text {
	rest := node
	switch {
	case strings.HasPrefix(node, "nsu="):
		at := identifier.FindStringIndex(node) // which may hold semicolons itself
		if at == nil || at[0] == len("nsu=") {
			return "a node id without identifier"
		}
		rest = node[at[0]+1:]
	case strings.HasPrefix(node, "ns=0;"):
		rest = node[len("ns=0;"):]
	case strings.HasPrefix(node, "ns="):
		return "the namespace is given by its index, which changes when a server restarts"
	}
	if len(rest) < 3 || !slices.Contains([]string{"s=", "i=", "g=", "b="}, rest[:2]) {
		return words.Say("%q is not a node id", node)
	}
	return ""
}

// references checks names that point at other equipment.
func (b *builder) references() {
	condenser := func(f, name string) {
		if name == "" {
			return
		}
		if e := b.h.byEquip[name]; e == nil || e.Class != ClassCondenser {
			b.fault(f+".condenser", words.Say("condenser %q is not configured", name), "add it under condensers:")
		}
	}
	for i, s := range b.h.Config.Sets {
		condenser(fmt.Sprintf("sets[%d]", i), s.Condenser)
	}
	for i, p := range b.h.Config.Pans {
		f := fmt.Sprintf("pans[%d]", i)
		condenser(f, p.Condenser)
		if p.HeatedBy != "" {
			if e := b.h.byEquip[p.HeatedBy]; e == nil || e.Class != ClassBody {
				b.fault(f+".heated_by", words.Say("body %q is not configured", p.HeatedBy), "write <set>.<body>")
			}
		}
	}
}
