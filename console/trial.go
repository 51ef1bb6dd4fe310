package console

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"calandria/engine"
	"calandria/plant"
	"calandria/plant/words"
)

// trialSpans are the lengths of past offered for trying a limit.
var trialSpans = []choice{
	{"8h", "last 8 hours", 8 * time.Hour},
	{"1d", "last 24 hours", 24 * time.Hour},
	{"7d", "last 7 days", 7 * 24 * time.Hour},
	{"30d", "last 30 days", 30 * 24 * time.Hour},
}

const (
	defaultTrialSpan = "1d"
	maxTrialText     = 4 << 10 // bytes of a condition
)

// figureWords name what can be tried, and say what it is.
var figureWords = map[string][2]words.Text{
	"high":      {"High limit", ""},
	"high_high": {"High-high limit", ""},
	"low":       {"Low limit", ""},
	"low_low":   {"Low-low limit", ""},
	"deviation": {"Largest deviation", ""},
	"rate":      {"Fastest change", ""},
	"when":      {"Condition", ""},
	"deadband":  {"Deadband", "to go back by before it returns"},
	"on_delay":  {"On-delay", "it must be true this long first, such as 30s or 5m"},
	"off_delay": {"Off-delay", "it must be over this long first"},
}

func figureWord(key string) (word, note words.Text) {
	if name, ok := strings.CutPrefix(key, "limits."); ok {
		return words.Say("Limit “%s”", strings.ReplaceAll(name, "_", " ")), "with its unit, as in the file"
	}
	w, ok := figureWords[key]
	if !ok {
		return words.Verbatim(key), ""
	}
	return w[0], w[1]
}

// figureView is one field of the form.
type figureView struct {
	Key                     string
	Word, Note, Unit, Where words.Text
	Text, Value             string // in force, and what stands in the field
	Long                    bool
	Problem                 words.Text
	Caret                   string // the place in an expression, in lines of equal width
}

type trialForm struct {
	None    words.Text // why nothing can be tried
	Problem words.Text // that belongs to no field
	Figures []figureView
	Spans   []choice
	Span    string // the one chosen
	Href    string
	Alike   words.Text
}

// trialForm makes the form of a rule; a posted one keeps what was typed.
func (s *Server) trialForm(r *http.Request, alarm string) (*trialForm, error) {
	f := &trialForm{Href: "/rules/" + escapeSegment(alarm) + "/try"}
	if !s.gate.allowed(actorOf(r), toTry) {
		f.None = words.Say("Trying a limit needs the role %s.", words.Text(least(toTry)))
		return f, nil
	}
	ctx, cancel := context.WithTimeout(r.Context(), commandTimeout)
	defer cancel()
	text, err := s.b.RuleText(ctx, alarm)
	if no, ok := errors.AsType[*engine.Refused](err); ok {
		f.None = no.Why
		return f, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read how %s is written: %w", alarm, err)
	}
	if text.Vessels > 1 {
		f.Alike = words.Say("The rule applies to %d vessels; only %s is tried and shown.", text.Vessels, text.Vessel)
	}
	no, _ := r.Context().Value(trialRefusal{}).(*engine.Refused)
	f.Spans, f.Span = trialSpans, cmp.Or(r.PostForm.Get("span"), defaultTrialSpan)
	for _, x := range text.Figures {
		v := figureView{Key: x.Key, Text: x.Text, Value: x.Text, Long: x.Key == "when"}
		v.Word, v.Note = figureWord(x.Key)
		if x.Line > 0 {
			v.Where = words.Say("%s, line %d", filepath.Base(x.File), x.Line)
		}
		if v.Unit = figureUnit(x.Key, text.Unit); isLimit(x.Key) {
			v.Note = s.alsoShown(alarm, x.Text, text.Unit)
		}
		if r.Method == http.MethodPost {
			v.Value = r.PostForm.Get("f." + x.Key)
		}
		if no != nil && no.Field == x.Key {
			v.Problem, v.Caret = no.Why, no.Mark
		}
		f.Figures = append(f.Figures, v)
	}
	if no != nil && no.Field == "" {
		f.Problem = no.Why
	}
	return f, nil
}

func isLimit(key string) bool {
	return slices.Contains([]string{"high", "high_high", "low", "low_low"}, key)
}

// figureUnit is the unit of a figure given as a plain number.
func figureUnit(key, unit string) words.Text {
	if isLimit(key) {
		return unitWord(unit)
	}
	switch key {
	case "deadband", "deviation", "rate":
		unit, _, _ = strings.Cut(unit, " ") // a difference has no reference
		if unit == "kPa" {
			return "kPa"
		}
		return unitWord(strings.NewReplacer("degC", "K", "°C", "K").Replace(unit))
	}
	return ""
}

// alsoShown says what a limit of a rule's file is in the unit that pages show.
func (s *Server) alsoShown(alarm, text, unit string) words.Text {
	v, err := decimal(text)
	a := s.spec(alarm)
	if err != nil || a == nil {
		return ""
	}
	if u := s.unitNamed(a.Limited, a.Unit); u.text != unitWord(unit) && u.text != unitWord(a.Unit) {
		if canonical, err := strconv.ParseFloat(s.inUnitOf(fmt.Sprint(v, " ", unit), a.Unit), 64); err == nil {
			v = canonical
		}
		return words.Say("that is %s; that unit may be written behind a number", s.specValue(a.Limited, a.Unit, v))
	}
	return ""
}

// ownUnit reports that a figure is typed in the unit that pages show, which is not the
// rule's: another one is refused, with what it would be.
func (s *Server) ownUnit(text, alarm string) bool {
	a := s.spec(alarm)
	if a == nil {
		return false
	}
	typed, ref, _ := plant.ReadUnit(typedUnit.FindStringSubmatch(strings.TrimSpace(text))[2])
	shown, shownRef, ok := plant.ReadUnit(s.unitNamed(a.Limited, a.Unit).key)
	return ok && typed == shown && ref == shownRef
}

// trialRefusal is the key of a refusal in a request's context.
type trialRefusal struct{}

// tryRule takes the form: it starts a trial, and changes nothing else.
func (s *Server) tryRule(w http.ResponseWriter, r *http.Request) error {
	name := r.PathValue("name")
	if _, ok := s.status(name); !ok {
		return notFound("There is no such alarm.")
	}
	wish := engine.TrialWish{Alarm: name, Texts: map[string]string{}}
	wish.Span, _ = lengthOf(trialSpans, r.PostForm.Get("span"))
	var no *engine.Refused
	if wish.Span == 0 {
		no = &engine.Refused{Why: "Choose over which time to try it."}
	}
	for key, v := range r.PostForm {
		figure, ok := strings.CutPrefix(key, "f.")
		if !ok || len(v) == 0 {
			continue
		}
		if len(v[0]) > maxTrialText || !utf8.ValidString(v[0]) || strings.ContainsFunc(v[0], func(c rune) bool { return unicode.IsControl(c) && !unicode.IsSpace(c) }) {
			no = &engine.Refused{Why: "Plain text only, and not so long.", Field: figure}
		}
		typed := strings.ReplaceAll(v[0], "\r\n", "\n")
		if figure != "when" {
			typed = pointed(typed)
		}
		wish.Texts[figure] = typed
		if isLimit(figure) && typedUnit.MatchString(strings.TrimSpace(typed)) {
			if text, err := s.b.RuleText(r.Context(), name); err == nil && s.ownUnit(typed, name) {
				wish.Texts[figure] = s.inUnitOf(typed, text.Unit)
			}
		}
	}
	if no == nil {
		ctx, cancel := context.WithTimeout(r.Context(), commandTimeout)
		defer cancel()
		err := s.b.Try(ctx, wish)
		if err == nil {
			return seeOther(w, r, "/rules/"+escapeSegment(name)+"#rule-trial")
		}
		var ok bool
		if no, ok = errors.AsType[*engine.Refused](err); !ok {
			return fmt.Errorf("try a limit: %w", err)
		}
	}
	return s.render(w, r.WithContext(context.WithValue(r.Context(), trialRefusal{}, no)), http.StatusUnprocessableEntity, "", s.rulePage)
}

// stopTrial ends a trial.
func (s *Server) stopTrial(w http.ResponseWriter, r *http.Request) error {
	name := r.PathValue("name")
	if _, ok := s.status(name); !ok {
		return notFound("There is no such alarm.")
	}
	s.b.StopTrial(name)
	return seeOther(w, r, "/rules/"+escapeSegment(name)+"#rule-trial")
}

// trialView is a trial on the page.
type trialView struct {
	Running, Stopped, Empty bool
	Failed                  string
	Percent                 int
	Href                    string // to stop it
	Changes                 []trialChangeView
	Span, Basis             words.Text
	Asked                   string
	Rows                    []trialRow
	Worst                   []trialWorst
	Strip                   *drawing
	Faults                  []words.Text
	Late                    string // the archive begins within the time
	Kept, Reloaded          bool
	Lines                   []trialLineView
	Busy, BusyHref          string // another is running
}

type trialChangeView struct{ Word, Was, Is words.Text }

type trialRow struct {
	What, Present, Tried, Note words.Text
}

type trialWorst struct {
	When, Href     string
	Present, Tried string
}

type trialLineView struct {
	Where, Note words.Text
	Was, Text   string
}

// trialPart is the live part of the rule page about trying.
func (s *Server) trialPart(name string, reads []string) any {
	t, busy := s.b.Trial(name)
	v := &trialView{}
	if busy != "" && busy != name {
		v.Busy, v.BusyHref = busy, "/rules/"+escapeSegment(busy)
	}
	if t == nil {
		if v.Busy == "" {
			return nil
		}
		return v
	}
	v.Running, v.Stopped, v.Failed, v.Kept, v.Reloaded = t.Running, t.Stopped, t.Failed, t.Kept, t.Reloaded
	v.Percent, v.Href = int(100*t.Done), "/rules/"+escapeSegment(name)+"/try/stop"
	v.Span, v.Asked = words.Say("%s to %s", s.minute(t.From), s.minute(t.To)), s.clock(t.Asked).String()
	for _, c := range t.Changes {
		x := trialChangeView{Was: words.Verbatim(c.Was), Is: words.Verbatim(c.Is)}
		x.Word, _ = figureWord(c.Key)
		for _, p := range []*words.Text{&x.Was, &x.Is} {
			if *p == "" {
				*p = "none"
			} else if _, err := decimal(p.String()); err == nil {
				*p = valueUnit(*p, figureUnit(c.Key, c.Unit))
			}
		}
		v.Changes = append(v.Changes, x)
	}
	if t.Running || t.Stopped || t.Failed != "" {
		return v
	}
	if v.Empty = t.Samples == 0; v.Empty {
		return v
	}
	if late := t.First.Sub(t.From); late > 10*time.Minute && late > t.To.Sub(t.From)/50 {
		v.Late = s.minute(t.First).String()
	}
	v.Basis = words.Say("%d readings of the archive, worked out every %s, in %s", t.Samples, span(t.Step), words.Say("%.1f s", t.Took.Seconds()))
	days := t.To.Sub(t.From).Hours() / 24
	two := func(what words.Text, f func(*engine.TrialSide) words.Text) {
		v.Rows = append(v.Rows, trialRow{What: what, Present: f(&t.Present), Tried: f(&t.Tried)})
	}
	two("alarms raised", func(x *engine.TrialSide) words.Text {
		text := whole(x.Alarms)
		if days >= 1.5 {
			text = words.Say("%d, %s a day", x.Alarms, decimals(float64(x.Alarms)/days, 1))
		}
		if x.Stood {
			text += "; stood already at the beginning"
		}
		return text
	})
	two("time in alarm", func(x *engine.TrialSide) words.Text {
		if x.Active == 0 {
			return "none"
		}
		return words.Say("%s, %s %%", span(x.Active), decimals(100*x.Share, 1))
	})
	two("longest", func(x *engine.TrialSide) words.Text {
		if x.Longest == 0 {
			return dash
		}
		return span(x.Longest)
	})
	two("chattering", func(x *engine.TrialSide) words.Text { return times(x.Chattering) })
	if t.Present.Hidden+t.Tried.Hidden > 0 {
		two("came while hidden", func(x *engine.TrialSide) words.Text { return times(x.Hidden) })
	}
	for _, x := range []struct {
		what words.Text
		side *engine.TrialSide
	}{{"The present rule %s", &t.Present}, {"The tried rule %s", &t.Tried}} {
		if x.side.Fault != "" {
			v.Faults = append(v.Faults, words.Say(x.what, x.side.Fault))
		}
	}
	v.Worst = s.worstHours(t, reads)
	v.Strip = s.trialStrip(t)
	for _, l := range t.Lines {
		x := trialLineView{Where: words.Say("%s, line %d, instead of", l.File, l.Line), Was: l.Was, Note: l.Note, Text: strings.Join(l.Text, "\n")}
		switch {
		case l.Through == 0:
			x.Where = words.Say("%s, after line %d:", l.File, l.Line)
		case l.Through > l.Line:
			x.Where = words.Say("%s, lines %d to %d, instead of", l.File, l.Line, l.Through)
		}
		v.Lines = append(v.Lines, x)
	}
	return v
}

// times says how often.
func times(n int) words.Text {
	switch n {
	case 0:
		return "never"
	case 1:
		return "once"
	}
	return words.Say("%d times", n)
}

// worstHours puts the worst hours of both beside each other, with a way to what
// the values did then.
func (s *Server) worstHours(t *engine.Trial, reads []string) []trialWorst {
	var out []trialWorst
	at := map[time.Time]int{}
	for i, side := range []*engine.TrialSide{&t.Tried, &t.Present} {
		for _, h := range side.Hours {
			j, ok := at[h.At]
			if !ok {
				if len(out) >= 6 {
					continue
				}
				j = len(out)
				at[h.At] = j
				q := url.Values{"from": {h.At.Add(-15 * time.Minute).UTC().Format(time.RFC3339)}, "to": {h.At.Add(75 * time.Minute).UTC().Format(time.RFC3339)}}
				for _, path := range reads {
					if _, ok := s.b.House().Find(path); ok && len(q["tag"]) < 4 {
						q.Add("tag", path)
					}
				}
				out = append(out, trialWorst{When: s.minute(h.At).String(), Href: "/trends?" + q.Encode(), Present: dash, Tried: dash})
			}
			if i == 0 {
				out[j].Tried = fmt.Sprint(h.N)
			} else {
				out[j].Present = fmt.Sprint(h.N)
			}
		}
	}
	return out
}

// trialStrip draws both along the time.
func (s *Server) trialStrip(t *engine.Trial) *drawing {
	const (
		w, left, right = 1200.0, 84.0, 1192.0
		row, gap       = 22.0, 8.0
	)
	d := &drawing{ID: "trial", W: w, H: 2*row + gap + 24, Title: words.Say("When it would have been in alarm: present rule %s, tried rule %s of the time", decimals(100*t.Present.Share, 1)+" %", decimals(100*t.Tried.Share, 1)+" %")}
	for i, x := range []struct {
		word words.Text
		side *engine.TrialSide
	}{{"present", &t.Present}, {"tried", &t.Tried}} {
		y := float64(i) * (row + gap)
		d.Captions = append(d.Captions, caption{X: 0, Y: y + 16, Class: "tr-word", Anchor: "start", Text: x.word})
		d.Rects = append(d.Rects, rect{X: left, Y: y, W: right - left, H: row, Class: "tr-track"})
		n := len(x.side.Strip)
		for a := 0; a < n; a++ {
			if !x.side.Strip[a] {
				continue
			}
			b := a
			for b < n && x.side.Strip[b] {
				b++
			}
			width := max(2, float64(b-a)/float64(n)*(right-left))
			d.Rects = append(d.Rects, rect{X: min(right-width, left+float64(a)/float64(n)*(right-left)), Y: y, W: width, H: row, Class: "tr-in"})
			a = b
		}
	}
	base := 2*row + gap
	length := t.To.Sub(t.From)
	step, form := time.Hour, func(t time.Time) words.Text { return words.Text(t.Format("15:04")) }
	switch {
	case length > 10*24*time.Hour:
		step, form = 3*24*time.Hour, dateText
	case length > 3*24*time.Hour:
		step, form = 24*time.Hour, s.weekday
	case length > 12*time.Hour:
		step = 3 * time.Hour
	}
	from := t.From.In(s.zone)
	at := time.Date(from.Year(), from.Month(), from.Day(), 0, 0, 0, 0, s.zone)
	for ; at.Before(t.To); at = later(at, step) {
		x := left + float64(at.Sub(t.From))/float64(length)*(right-left)
		if x < left+20 || x > right-20 {
			continue
		}
		d.Lines = append(d.Lines, line{X1: x, Y1: base, X2: x, Y2: base + 5, Class: "tr-tick"})
		d.Captions = append(d.Captions, caption{X: x, Y: base + 19, Class: "tr-at", Anchor: "middle", Text: form(at)})
	}
	return d
}

// later adds a step by the clock on the wall: days stay days when it changes.
func later(at time.Time, step time.Duration) time.Time {
	if days := int(step / (24 * time.Hour)); days > 0 {
		return at.AddDate(0, 0, days)
	}
	return at.Add(step)
}
