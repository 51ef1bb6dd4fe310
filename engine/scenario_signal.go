package engine

import (
	"fmt"
	"hash/fnv"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"calandria/plant"
)

// change is what a phrase says of a signal from one moment on.
type change struct {
	kind      changeKind
	number    float64 // as written
	unit      string  // as written; "": the one that the program shows
	reference plant.Reference
	quality   plant.Quality
	over      time.Duration // time in which it gets there
	noise     float64       // one sigma, NaN: as before

	at             time.Duration
	pattern, field string
}

type changeKind int

const (
	toValue   changeKind = iota
	toUsual              // what it reads in usual running
	usualPlus            // that and so much more
	usualTimes
	toHeld    // the value of that moment, without noise
	toSilence // no samples
	toQuality // samples of that quality
)

const phraseFix = `write a value as 26, "26 kPa" or "0.3 bar gauge"; usual, usual + 3, usual * 0.5; held; no samples; or a quality such as Bad_SensorFailure. Then, if wanted, over 5m and noise 0.2`

// phrase reads the words of a text, one after the other.
type phrase struct {
	words   []string
	problem string // the first one
}

func (p *phrase) next() string {
	if len(p.words) == 0 {
		return ""
	}
	w := p.words[0]
	p.words = p.words[1:]
	return w
}

func (p *phrase) fail(format string, args ...any) {
	if p.problem == "" {
		p.problem = fmt.Sprintf(format, args...)
	}
}

func (p *phrase) number(what string) float64 {
	w := p.next()
	v, err := strconv.ParseFloat(w, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		p.fail("%q is not %s", w, what)
	}
	return v
}

// parsePhrase reads what a signal does. The problem is "" for a good phrase.
func parsePhrase(text string) (c *change, problem string) {
	c = &change{noise: math.NaN(), reference: plant.Absolute}
	p := &phrase{words: strings.Fields(text)}
	c.target(p)
	if c.kind == toValue || c.kind == usualPlus {
		var unit []string
		for len(p.words) > 0 && p.words[0] != "over" && p.words[0] != "noise" {
			unit = append(unit, p.next())
		}
		if n := len(unit); n > 1 && (unit[n-1] == "gauge" || unit[n-1] == "vacuum") {
			c.reference, unit = plant.Reference(unit[n-1]), unit[:n-1]
		}
		c.unit = strings.Join(unit, " ")
	}
	for len(p.words) > 0 && p.problem == "" {
		switch w := p.next(); w {
		case "over":
			d := p.next()
			over, err := plant.ParseDuration(d)
			if err != nil || c.kind == toHeld || c.kind == toSilence || c.kind == toQuality {
				p.fail("%q is no time that it can take", d)
			}
			c.over = over
		case "noise":
			if c.noise = p.number("the size of a noise"); c.noise < 0 {
				p.fail("a noise is not negative")
			}
		default:
			p.fail("%q is not understood", w)
		}
	}
	return c, p.problem
}

// target reads where a signal goes.
func (c *change) target(p *phrase) {
	switch first := p.next(); first {
	case "":
		p.fail("it says nothing")
	case "held":
		c.kind = toHeld
	case "no":
		if p.next() != "samples" {
			p.fail(`after "no" comes "samples"`)
		}
		c.kind = toSilence
	case "usual":
		c.kind = toUsual
		if len(p.words) == 0 || !slices.Contains([]string{"+", "-", "*"}, p.words[0]) {
			return
		}
		op := p.next()
		c.kind, c.number = usualPlus, p.number("a number")
		switch op {
		case "-":
			c.number = -c.number
		case "*":
			c.kind = usualTimes
		}
	default:
		if q, ok := plant.QualityNamed(first); ok {
			c.kind, c.quality = toQuality, q
			return
		}
		p.words = append([]string{first}, p.words...)
		c.kind, c.number = toValue, p.number("a value")
	}
}

// resolve gives the change in the unit of a tag.
func (c *change) resolve(t *plant.Tag, barometerKPa float64) (*change, error) {
	out := *c
	switch c.kind {
	case toValue:
		v, err := inUnitOf(t, c.number, c.unit, c.reference, barometerKPa)
		out.number = v
		return &out, err
	case usualPlus:
		if c.unit == "" {
			return &out, nil
		}
		d := t.Dimension
		if d == plant.Temperature {
			d = plant.TempDifference
		}
		scale, _, err := plant.CanonicalFactor(d, c.unit)
		out.number *= scale
		return &out, err
	}
	return &out, nil
}

func inUnitOf(t *plant.Tag, v float64, unit string, ref plant.Reference, barometerKPa float64) (float64, error) {
	if unit == "" || unit == t.Unit && ref == plant.Absolute {
		return v, nil
	}
	v, err := plant.ToCanonical(t.Dimension, unit, v)
	if err == nil && ref != plant.Absolute {
		v = ref.ToAbsolute(v, barometerKPa)
	}
	return v, err
}

// instrument is one node of the plant with the tags that it serves.
type instrument struct {
	tags    []plant.TagID
	low     float64 // range, NaN: none
	high    float64
	usual   *change   // nil: nothing is known
	changes []*change // in order of time
	seed    uint64    // of its noise

	base     float64 // what it reads without the changes
	baseBad  plant.Quality
	noise    float64
	held     float64
	holding  *change
	lastSent float64
}

func newInstrument(t *plant.Tag, seed int) *instrument {
	h := fnv.New64a()
	fmt.Fprint(h, seed, t.Path)
	return &instrument{low: t.Lowest(), high: t.High, base: math.NaN(), held: math.NaN(), lastSent: math.NaN(), seed: h.Sum64()}
}

// read is what the instrument sends at a time of the scenario; ok is false
// where it sends nothing.
func (x *instrument) read(at time.Duration) (v float64, q plant.Quality, ok bool) {
	n := len(x.changes)
	for n > 0 && x.changes[n-1].at > at {
		n--
	}
	noise := x.noise
	for _, c := range x.changes[:n] {
		if !math.IsNaN(c.noise) {
			noise = c.noise
		}
	}
	wobble := 0.0
	if noise > 0 {
		wobble = noise * gauss(x.seed^uint64(at))
	}
	v = x.value(n, at)
	if n > 0 {
		switch c := x.changes[n-1]; c.kind {
		case toSilence:
			return 0, plant.Quality{}, false
		case toQuality:
			if c.quality.IsBad() {
				return math.NaN(), c.quality, true
			}
			q = c.quality
		case toHeld:
			wobble = 0
		}
	}
	if math.IsNaN(v) {
		return v, x.baseBad, x.baseBad.Seen()
	}
	v += wobble
	x.lastSent = v
	if v < x.low || v > x.high { // false where there is none
		return math.NaN(), plant.BadOutOfRange, true
	}
	if !q.Seen() {
		q = plant.Good
	}
	return v, q, true
}

// gauss is a number of a standard normal distribution, by Box and Muller (1958),
// always the same for the same seed.
func gauss(seed uint64) float64 {
	uniform := func() float64 { // splitmix64, Steele, Lea and Flood (2014)
		seed += 0x9e3779b97f4a7c15
		z := seed
		z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
		z = (z ^ z>>27) * 0x94d049bb133111eb
		return (float64((z^z>>31)>>11) + 0.5) / (1 << 53)
	}
	return math.Sqrt(-2*math.Log(uniform())) * math.Cos(2*math.Pi*uniform())
}

// value is the reading without noise after the first n changes.
func (x *instrument) value(n int, at time.Duration) float64 {
	if n == 0 {
		return x.base
	}
	c := x.changes[n-1]
	target := c.number
	switch c.kind {
	case toUsual:
		target = x.base
	case usualPlus:
		target = x.base + c.number
	case usualTimes:
		target = x.base * c.number
	case toHeld:
		if x.holding != c {
			x.holding, x.held = c, x.lastSent
			if math.IsNaN(x.held) {
				x.held = x.value(n-1, at)
			}
		}
		return x.held
	case toSilence, toQuality:
		return x.value(n-1, at)
	}
	if done := at - c.at; done < c.over {
		before := x.value(n-1, at)
		return before + (target-before)*done.Seconds()/c.over.Seconds()
	}
	return target
}
