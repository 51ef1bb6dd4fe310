package fouling_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"calandria/thermo/fouling"
)

// A stranger's body: laws, rates, noise and cleanings of a making of its own. Its scale grows by one law, the same in every cycle; the rate
// differs from cycle to cycle, and where it wanders from day to day.
type stranger struct {
	law             string
	shape           float64 // of the law: induction d, exponent, memory d
	clean           float64 // kW/(m2 K), the usual state after a cleaning
	limit           float64 // ratio
	growth          float64 // the mean coefficient of the law
	rateCV, cleanCV float64 // from cycle to cycle
	wander          float64 // of the rate, relative; memory wanderDays
	white           float64 // of an hourly value, relative
	auto, memory    float64 // of what lasts, relative; h
	drift           float64 // of the instruments, relative per square root of a day
	follows         [2]float64
}

const wanderDays = 3.0

func (b stranger) curve(t float64) float64 {
	switch b.law {
	case "falling":
		return math.Pow(t, b.shape)
	case "asymptotic":
		return -math.Expm1(-t / b.shape)
	default:
		return t
	}
}

func newStranger(r *rand.Rand, law string) stranger {
	between := func(lo, hi float64) float64 { return lo * math.Pow(hi/lo, r.Float64()) }
	b := stranger{law: law, clean: between(0.5, 3), limit: 0.6 + 0.2*r.Float64(), rateCV: between(0.05, 0.25), cleanCV: between(0.005, 0.02),
		white: between(0.01, 0.03), auto: between(0.004, 0.012), memory: between(3, 24), drift: between(0.001, 0.003),
		follows: [2]float64{r.Float64(), r.Float64()}}
	days := between(9, 40) // to the limit
	switch law {
	case "falling":
		b.shape = 0.4 + 0.4*r.Float64()
	case "asymptotic":
		b.shape = days * between(0.5, 2)
	case "wandering":
		b.wander = between(0.2, 0.5)
	}
	b.growth = (1/b.limit - 1) / b.clean / b.curve(days)
	return b
}

// lived is one cycle of it, hour by hour.
type lived struct {
	values  []fouling.Value
	due     int // hour at which the scale itself meets the limit
	scale   []float64
	started float64
}

func (b stranger) live(r *rand.Rand, begin time.Time, most int) lived {
	c := lived{due: -1, started: (1 + b.cleanCV*r.NormFloat64()) / b.clean}
	rate := b.growth * math.Exp(b.rateCV*r.NormFloat64())
	met := 1 / (b.clean * b.limit)
	var a, drift, dev float64
	a, dev = b.auto*r.NormFloat64(), b.wander*r.NormFloat64()
	fa, fd := math.Exp(-1/b.memory), math.Exp(-1/(24*wanderDays))
	grown, heat, thin, load := 0.0, 0.0, 0.0, 0.0
	for h := range most {
		t := float64(h) / 24
		if h > 0 {
			grown += rate * (1 + dev) * (b.curve(t) - b.curve(t-1./24))
		}
		y := c.started + grown
		if c.due < 0 && y >= met {
			c.due = h
		}
		a = fa*a + b.auto*math.Sqrt(1-fa*fa)*r.NormFloat64()
		dev = fd*dev + b.wander*math.Sqrt(1-fd*fd)*r.NormFloat64()
		drift += b.drift / math.Sqrt(24) * r.NormFloat64()
		load = 0.97*load + 0.01*r.NormFloat64() // pans that draw, other bodies cleaned
		heat = 0.06*(y*b.clean-1) + load
		thin = 0.5*load + 0.004*r.NormFloat64()
		y -= (b.follows[0]*heat + b.follows[1]*thin) / b.clean
		y += (a + drift + b.white*r.NormFloat64()) / b.clean
		c.scale = append(c.scale, c.started+grown)
		c.values = append(c.values, fouling.Value{At: begin.Add(time.Duration(h)*time.Hour + 30*time.Minute), // of the hour about h
			U: 1 / y, Quality: fouling.Good,
			Shape: fouling.Shape{Heating: 4 + heat, Brix: -2 + thin}})
	}
	return c
}

// ideal knows the law with its shape, how the body follows temperature and Brix, the
// noise, the spread between cycles and the wander, and filters the same readings; it
// does not know the rates, nor how well each cleaning restored U.
type ideal struct {
	b            stranger
	rates, clean []float64
}

type gauss5 struct {
	m [5]float64 // start, rate, lasting, grown beside the law, deviation of the rate
	p [5][5]float64
}

func (i *ideal) filter(values []fouling.Value, rate, rateSD, start, startSD float64) gauss5 {
	b := i.b
	var x gauss5
	x.m = [5]float64{start, rate}
	unit := 1 / b.clean
	x.p[0][0], x.p[1][1], x.p[2][2] = startSD*startSD, rateSD*rateSD, b.auto*b.auto*unit*unit
	sw := b.wander * rate
	x.p[4][4] = sw * sw
	fa, fd := math.Exp(-1/b.memory), math.Exp(-1/(24*wanderDays))
	for h, v := range values {
		t := float64(h) / 24
		if h > 0 {
			dg := b.curve(t) - b.curve(t-1./24)
			x.m[3] += dg * x.m[4]
			x.m[4] *= fd
			x.m[2] *= fa
			f := [5][5]float64{{1}, {0, 1}, {0, 0, fa}, {0, 0, 0, 1, dg}, {0, 0, 0, 0, fd}}
			var fp, p [5][5]float64
			for r := range 5 {
				for c := range 5 {
					for k := range 5 {
						fp[r][c] += f[r][k] * x.p[k][c]
					}
				}
			}
			for r := range 5 {
				for c := range 5 {
					for k := range 5 {
						p[r][c] += fp[r][k] * f[c][k]
					}
				}
			}
			p[2][2] += b.auto * b.auto * unit * unit * (1 - fa*fa)
			p[3][3] += b.drift * b.drift / 24 * unit * unit
			p[4][4] += sw * sw * (1 - fd*fd)
			x.p = p
		}
		y := 1/v.U + (b.follows[0]*(v.Shape.Heating-4)+b.follows[1]*(v.Shape.Brix+2))/b.clean
		hv := [5]float64{1, b.curve(t), 1, 1, 0}
		var ph [5]float64
		s, e := b.white*b.white*unit*unit, y
		for r := range 5 {
			for c := range 5 {
				ph[r] += x.p[r][c] * hv[c]
			}
			s += hv[r] * ph[r]
			e -= hv[r] * x.m[r]
		}
		for r := range 5 {
			x.m[r] += ph[r] * e / s
			for c := range 5 {
				x.p[r][c] -= ph[r] * ph[c] / s
			}
		}
	}
	return x
}

// prior of the next cycle from those lived, with the true spread between them.
func (i *ideal) prior() (rate, rateSD, start, startSD float64) {
	b := i.b
	rate, start = b.growth, 1/b.clean
	rateSD, startSD = 2*b.growth, 0.1/b.clean
	if n := float64(len(i.rates)); n > 0 {
		rate, start = 0, 0
		for k := range i.rates {
			rate += i.rates[k] / n
			start += i.clean[k] / n
		}
		rateSD = rate * math.Hypot(b.rateCV, b.wander*math.Sqrt(wanderDays/10)) * math.Sqrt(1+1/n)
		startSD = b.cleanCV / b.clean * math.Sqrt(1+1/n)
	}
	return rate, rateSD, start, startSD
}

func (i *ideal) learn(values []fouling.Value) {
	x := i.filter(values, i.b.growth, 2*i.b.growth, 1/i.b.clean, 0.1/i.b.clean)
	i.rates, i.clean = append(i.rates, x.m[1]), append(i.clean, x.m[0])
}

// due is the hour at which the middle of what is known meets the limit.
func (i *ideal) due(values []fouling.Value) float64 {
	rate, rateSD, start, startSD := i.prior()
	x := i.filter(values, rate, rateSD, start, startSD)
	var all float64 // the usual state, as the cycles and this one show it
	for _, y := range i.clean {
		all += y
	}
	met := (all + x.m[0]) / float64(len(i.clean)+1) / i.b.limit
	last := float64(len(values)-1) / 24
	for t := last; t < last+300; t += 1. / 24 {
		dg := i.b.curve(t) - i.b.curve(last)
		a := t - last
		dev := 0.0
		if a > 0 {
			dev = x.m[4] * dg / a * wanderDays * -math.Expm1(-a/wanderDays)
		}
		if x.m[0]+x.m[1]*i.b.curve(t)+x.m[3]+dev >= met {
			return 24 * t
		}
	}
	return math.Inf(1)
}

// Forecasts of strangers' bodies at half-way, beside those of the ideal estimator on
// the same readings. Sources: none published; the yardstick is the estimator above,
// which shares no code with the package.
func TestAgainstTheIdeal(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: 1,440 simulated bodies")
	}
	t.Parallel()
	r := rand.New(rand.NewPCG(2027, 5))
	type score struct{ n, own, ideal, in, open int }
	var all score
	for _, law := range []string{"linear", "falling", "asymptotic", "wandering"} {
		var s score
		var bias float64
		for s.n < 360 {
			b := newStranger(r, law)
			k, err := fouling.NewTracker(fouling.Settings{LimitRatio: b.limit, Reference: fouling.Shape{Heating: 4, Brix: -2}})
			if err != nil {
				t.Fatal(err)
			}
			best := &ideal{b: b}
			now := epoch
			cycles := 3 + r.IntN(4) // the last is the one asked about
			for c := range cycles {
				cy := b.live(r, now, 24*120)
				if c == cycles-1 && cy.due < 48 {
					break
				}
				end := cy.due
				if end < 48 {
					end = min(24*60, len(cy.values))
				}
				if c < cycles-1 { // cleaned somewhat before or after
					end = min(len(cy.values), int(float64(end)*(0.7+0.4*r.Float64())))
				} else {
					end /= 2
				}
				if err := k.Cleaned(now); err != nil {
					t.Fatal(err)
				}
				for _, v := range cy.values[:end] {
					k.Observe(v)
				}
				if c < cycles-1 {
					best.learn(cy.values[:end])
					now = now.Add(time.Duration(end+10) * time.Hour)
					continue
				}
				left := float64(cy.due - end + 1)
				f := k.Forecast(cy.values[end-1].At)
				truth := now.Add(time.Duration(cy.due) * time.Hour)
				s.n++
				if !f.Due.IsZero() {
					miss := f.Due.Sub(truth).Hours() / left
					bias += math.Max(-1, math.Min(1, miss))
					if math.Abs(miss) <= 0.15 {
						s.own++
					}
				} else {
					bias++
				}
				if math.Abs(best.due(cy.values[:end])-float64(cy.due)) <= 0.15*left {
					s.ideal++
				}
				if f.Late.IsZero() {
					s.open++
				}
				if !truth.Before(f.Early) && (f.Late.IsZero() || !truth.After(f.Late)) {
					s.in++
				}
			}
		}
		t.Logf("%-10s within 15 %%: %d of %d, ideal %d; in the 90 %% band %.0f %%, open %d, mean miss %+.0f %%", law, s.own, s.n, s.ideal, 100*float64(s.in)/float64(s.n), s.open, 100*bias/float64(s.n))
		all = score{all.n + s.n, all.own + s.own, all.ideal + s.ideal, all.in + s.in, all.open + s.open}
	}
	band := 100 * float64(all.in) / float64(all.n)
	t.Logf("all: within 15 %%: %d of %d, ideal %d; in the 90 %% band %.0f %%, open %d", all.own, all.n, all.ideal, band, all.open)
	// The aim is nine tenths. Bodies of the same making, of another seed, were looked at when
	// the figures of the noise were chosen; of this seed none was.
	if float64(all.own) < 0.85*float64(all.ideal) {
		t.Errorf("%d within 15 %%, the ideal %d", all.own, all.ideal)
	}
	if band < 85 || band > 95 {
		t.Errorf("the 90 %% band holds %.0f %%", band)
	}
}

// A body met in mid-cycle has no day: nobody knows what clean is. After its first
// cleaning there is one, with a band that holds, and a word that it is the first cycle.
func TestFirstCycles(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(2026, 12))
	in, n, met := 0, 0, 0
	for _, law := range []string{"linear", "falling", "asymptotic", "wandering"} {
		for i := 0; i < 25; {
			b := newStranger(r, law)
			first, second := b.live(r, epoch, 24*120), lived{}
			if first.due < 96 {
				continue
			}
			k, _ := fouling.NewTracker(fouling.Settings{LimitRatio: b.limit, Reference: fouling.Shape{Heating: 4, Brix: -2}})
			for _, v := range first.values[first.due/2 : first.due] {
				k.Observe(v)
			}
			f := k.Forecast(first.values[first.due-1].At)
			if met++; f.Status != fouling.CleanUnknown || !f.Due.IsZero() || f.Ratio != 0 || f.U == 0 {
				t.Fatalf("met in mid-cycle: %+v", f)
			}
			now := epoch.Add(time.Duration(first.due+10) * time.Hour)
			if second = b.live(r, now, 24*120); second.due < 96 {
				continue
			}
			i++
			if err := k.Cleaned(now); err != nil {
				t.Fatal(err)
			}
			half := second.due / 2
			for _, v := range second.values[:half] {
				k.Observe(v)
			}
			f = k.Forecast(second.values[half-1].At)
			truth := now.Add(time.Duration(second.due) * time.Hour)
			if n++; !truth.Before(f.Early) && (f.Late.IsZero() || !truth.After(f.Late)) {
				in++
			}
			if len(f.Weak) == 0 || f.Weak[0].Kind != fouling.FirstCycle {
				t.Errorf("first cycle: weak %v", f.Weak)
			}
		}
	}
	t.Logf("%d bodies met in mid-cycle have no day; in the first cycle the 90 %% band holds %d of %d", met, in, n)
	if p := float64(in) / float64(n); p < 0.85 {
		t.Errorf("first cycle: the band holds %.0f %%", 100*p)
	}
}
