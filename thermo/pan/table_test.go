package pan_test

import (
	"flag"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"calandria/thermo/pan"
)

var update = flag.Bool("update", false, "write docs/strikes.md anew")

const page = "../../docs/strikes.md"

// handbook is the page about strikes, made from the table and the limits.
func handbook() string {
	var b strings.Builder
	b.WriteString(`# How strikes are found

Calandria finds the strikes of a batch pan from its tags. There is no signal "strike
begins" in most pans. The program looks at level, vapour pressure, valves, flows and
temperature. It knows ten phases:

`)
	for p := pan.Unknown; p <= pan.WashOut; p++ {
		fmt.Fprintf(&b, "%d. %s\n", p, p)
	}
	b.WriteString(`
The numbers are those of the quantity ` + "`phase_found`" + `. A wash-out with water is no strike: it is not
counted and not compared. A pan that was only rinsed, or whose vacuum was only tried, is no
strike either.

## The table of phases

The pan is in one phase. At every scan the program tries the rows of this phase from
the top. A row fits when all its conditions have held for the time under "held for". The
first row that fits is taken. The new phase is dated back to where its evidence began.

A condition on a tag that is not usable does not hold. "No level" and "no tag of the feed"
hold then. A word in the form ` + "`full_pct`" + ` is a limit; the next section has its figure.

| in phase | when | held for | next phase | it began | shown as |
| --- | --- | --- | --- | --- | --- |
`)
	code := strings.NewReplacer("{", "`", "}", "`")
	for _, r := range pan.Table() {
		held, began, words := "at once", "with the conditions", r.Words
		if r.Held != "" {
			held = "`" + r.Held + "`"
		}
		if r.Began != "" {
			began = r.Began
		}
		if r.Note != "" {
			words = strings.TrimPrefix(words+"; note: "+regexp.MustCompile(`%[^ ]*`).ReplaceAllString(strings.ReplaceAll(r.Note, " %% ", " % "), "…"), "; ")
		}
		fmt.Fprintf(&b, "| %s | %s | %s | %s | %s | %s |\n", r.From, code.Replace(r.When), held, r.To, began, words)
	}
	b.WriteString(`
## The limits

A site can set each limit for each pan in ` + "`plant.yaml`" + `:

` + "```yaml" + `
pans:
  - name: PA1
    strike_limits: {vacuum_below_kpa: 55, full_pct: 90}
` + "```" + `

An unknown name, or a figure outside its range, is a fault at the start: it is shown with
file, line, field, range and default. "Ours" means that the figure was chosen by this
project on simulated pans. "Common practice" means that the trade uses such a figure, and
that no printed source was at hand.

| limit | unit | default | range | meaning | source |
| --- | --- | --- | --- | --- | --- |
`)
	for _, s := range pan.LimitSpecs[pan.NoLimit+1:] {
		unit := s.Unit
		if unit == "" {
			unit = "ratio"
		}
		fmt.Fprintf(&b, "| `%s` | %s | %g | %g to %g | %s | %s |\n", s.Name, unit, s.Default, s.Low, s.High, s.Meaning, s.Source)
	}
	b.WriteString(`
## What a pan usually does

Each pan learns from its own strikes what is usual. It takes the newest 20 strikes of the
grade that were seen whole, from charge to drop. From five strikes on it knows, for each
phase:

- how long the phase lasts, and the longest that is still usual;
- supersaturation and temperature, in eight parts of the phase: of the feed by the level,
  where there is one, of the other phases by time;
- the highest supersaturation, for the phases before the feed;
- the vapour pressure;
- the level at the end of the charge and at the end of the boiling.

The usual value is the median. Its spread is the median deviation from it, as one standard
deviation. With few strikes the spread is taken wider. One odd strike moves neither.

A thermometer that reads wrong is in the usual values. So is an elevation that does
not fit the site, or a purity that is a point off. A departure from them means something where the
figure itself would not. Therefore the alarms on supersaturation, temperature, pressure and
length of a phase speak of departures. Before five strikes they say nothing. What a departure
must be is set in the rules, beside each alarm: so much, and so many spreads.

Where the pan is washed out with water, the program learns how much the thermometer reads
above boiling water (` + "`thermometer_offset_found`" + `). Two wash-outs are enough. It changes no
supersaturation by itself: take the figure over as ` + "`thermometer_offset_k`" + ` when the laboratory
agrees.
`)
	return b.String()
}

// The page in docs/ is made from the table: it says what the program does.
func TestHandbookPage(t *testing.T) {
	want := handbook()
	if *update {
		if err := os.WriteFile(page, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != want {
		t.Error("docs/strikes.md is not what the table says: go test ./thermo/pan -run Handbook -update")
	}
}

// Every limit has words and a range around its default, is used by the table, and can be
// found by its name; every limit that the table names exists.
func TestLimitsAreComplete(t *testing.T) {
	used := handbook()
	var named []string
	for _, r := range pan.Table() {
		for _, m := range regexp.MustCompile(`\{(\w+)\}`).FindAllStringSubmatch(r.When, -1) {
			named = append(named, m[1])
		}
	}
	for _, n := range named {
		if _, ok := pan.LimitNamed(n); !ok {
			t.Errorf("the table names a limit %q that there is not", n)
		}
	}
	for i, s := range pan.LimitSpecs {
		if pan.Limit(i) == pan.NoLimit {
			continue
		}
		if s.Name == "" || s.Meaning == "" || s.Source == "" || !(s.Low <= s.Default && s.Default <= s.High) || !strings.Contains(used, s.Name) {
			t.Errorf("limit %d: %+v", i, s)
		}
		if l, ok := pan.LimitNamed(s.Name); !ok || l != pan.Limit(i) {
			t.Errorf("%s is found as %v", s.Name, l)
		}
	}
	l := pan.DefaultLimits()
	if err := l.Set(pan.FullAbove, 300); err == nil {
		t.Error("a level of 300 % is taken")
	}
	if l.Check() != "" {
		t.Error(l.Check())
	}
	l[pan.VacuumBelow] = 90
	if l.Check() == "" {
		t.Error("a vacuum that begins where it is broken is taken")
	}
}

// Remarks are data with words: they come back from JSON, and plain words of older records
// are read too.
func TestRemarks(t *testing.T) {
	for _, c := range []struct {
		r    pan.Remark
		want string
	}{
		{pan.Remark{Code: pan.CutOver, Figures: [2]float64{44.6}}, "cut over: the level fell to 45 % under vacuum"},
		{pan.Remark{Code: pan.GapBefore, At: day}, "no readings for some time before 06:00:00"},
		{pan.Remark{Code: pan.UAgainstUsual, Phase: pan.FeedOn, Figures: [2]float64{66.7}}, "U in feed on is 67 % of usual"},
		{pan.Remark{Code: pan.TookLong, Phase: pan.FeedOn, Figures: [2]float64{131, 88}}, "feed on took 131 min, usually 88"},
		{pan.Remark{Code: pan.SAgainstUsual, Phase: pan.Tighten, Figures: [2]float64{-0.071}}, "supersaturation in tighten is -0.07 against usual"},
		{pan.Remark{Code: pan.ThinnerThanLiquor, Figures: [2]float64{80, 82.25}}, "massecuite of 80.0 Brix is thinner than its liquor, 82.2: spindle Brix, or a wrong purity"},
		{pan.Remark{Code: pan.NoDrop}, "ended without a drop"},
		{pan.Remark{Code: pan.Written, Text: "as it was written"}, "as it was written"},
	} {
		if got := c.r.Words().String(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
		body, err := c.r.MarshalJSON()
		if err != nil {
			t.Fatal(err)
		}
		var back pan.Remark
		if err := back.UnmarshalJSON(body); err != nil || back != c.r {
			t.Errorf("%s came back as %+v: %v", body, back, err)
		}
	}
	var old pan.Remark
	if err := old.UnmarshalJSON([]byte(`"cut over: the level fell to 45 % under vacuum"`)); err != nil || old.Code != pan.Written || !strings.HasPrefix(old.Words().String(), "cut over") {
		t.Errorf("%+v, %v", old, err)
	}
}
