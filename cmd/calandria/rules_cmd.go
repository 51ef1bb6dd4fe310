package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"calandria/cmd/demo"
	"calandria/cmd/service"
	"calandria/cmd/table"
	"calandria/engine"
	"calandria/historian"
	"calandria/plant"
	"calandria/rules"
)

type rulesCmd struct {
	List    rulesListCmd    `cmd:"" help:"List the alarms of the rule files."`
	Explain rulesExplainCmd `cmd:"" help:"Show a rule in words, its inputs, its truth and what it waits for."`
}

// ruleSource is where a command takes plant and rules from.
type ruleSource struct {
	Config string `help:"The plant file." default:"plant.yaml" type:"path"`
	Demo   bool   `help:"Use the demo's plant file and rules."`
}

func (s ruleSource) load() (*plant.House, []rules.File, error) {
	if s.Demo {
		return demo.House("opc.tcp://127.0.0.1:4840", "127.0.0.1:0")
	}
	return service.LoadPlant(s.Config)
}

// open also opens the archive.
func (s ruleSource) open(data string) (h *plant.House, files []rules.File, ar *historian.Archive, err error) {
	if h, files, err = s.load(); err == nil {
		ar, err = service.OpenArchive(service.ArchiveDir(h, data))
	}
	return h, files, ar, err
}

// core makes one of plant and rules.
func (s ruleSource) core() (*engine.Core, error) {
	h, files, err := s.load()
	if err != nil {
		return nil, err
	}
	return engine.New(h, files, rules.Options{})
}

type rulesListCmd struct{ ruleSource }

func (c *rulesListCmd) Run(a *app) error {
	core, err := c.core()
	if err != nil {
		return err
	}
	t := table.New("alarm", "priority", "of", "title", "where")
	for _, s := range core.Rules.Alarms() {
		t.Row(s.Name, s.Priority.String(), s.Source, s.Title, fmt.Sprintf("%s:%d", s.File, s.Line))
	}
	t.Write(a.out)
	fmt.Fprintf(a.out, "%d alarms\n", len(core.Rules.Alarms()))
	return nil
}

type rulesExplainCmd struct {
	ruleSource
	Name string        `arg:"" help:"Name of the alarm."`
	Data string        `help:"The data folder, for the present inputs." default:"data" type:"path"`
	At   string        `help:"The moment to explain; default the newest in the archive."`
	Warm time.Duration `help:"How much of the past is replayed first, so that windows and delays are as they were." default:"3h"`
}

func (c *rulesExplainCmd) Run(a *app) error {
	core, err := c.core()
	if err != nil {
		return err
	}
	index, ok := core.Alarms.Index(c.Name)
	if !ok {
		var names, kind []string // a rule with for: makes an alarm for each vessel
		for _, s := range core.Rules.Alarms() {
			if names = append(names, s.Name); strings.HasPrefix(s.Name, c.Name+".") {
				kind = append(kind, s.Name)
			}
		}
		if len(kind) > 0 {
			return fmt.Errorf("the rule %q makes an alarm for each vessel; give one of them: %s", c.Name, strings.Join(kind, ", "))
		}
		return fmt.Errorf("there is no alarm %q; %s", c.Name, plant.DidYouMean(plant.Nearest(c.Name, names), "%q", "'calandria rules list' has their names"))
	}
	h := core.House
	ar, err := service.OpenArchive(service.ArchiveDir(h, c.Data))
	if err != nil {
		return err
	}
	defer ar.Close()
	at, err := moment("--at", c.At, service.Newest(a.ctx, h, service.Past{Archive: ar}))
	if err != nil {
		return err
	}
	if at.IsZero() {
		return fmt.Errorf("the archive holds no measured value of this plant")
	}
	step := max(h.Config.Scan, 10*time.Second)
	core.Calc.NoUncertainty()
	if err := core.Follow(a.ctx, service.Past{Archive: ar}, at.Add(-c.Warm), at.Add(time.Nanosecond), engine.Steps{{Before: at, Step: step}, {Step: time.Second}}, nil); err != nil {
		return err
	}
	printExplanation(a, core, index, at)
	return nil
}

func printExplanation(a *app, c *engine.Core, index int, at time.Time) {
	e := c.Rules.Explain(index, c.Frame, at)
	spec := c.Rules.Alarms()[index]
	st := c.Alarms.Status(index)
	fmt.Fprintf(a.out, "%s  (%s:%d)\n%s, priority %s\n\n", spec.Name, spec.File, spec.Line, spec.Title, spec.Priority)
	fmt.Fprintf(a.out, "raised when   %s\n", e.Words)
	if e.OnlyWords != "" {
		fmt.Fprintf(a.out, "only while    %s  (%s now)\n", e.OnlyWords, e.Only)
	}
	if e.SuppressWords != "" {
		fmt.Fprintf(a.out, "hidden while  %s  (%s now)\n", e.SuppressWords, e.Suppress)
	}
	fmt.Fprintf(a.out, "at            %s\ncondition     %s\nstate         %s\n\n", at.Format(time.RFC3339), e.Raise, st.Word)
	parts := table.New("comparison", "left", "right", "unit", "truth")
	for _, p := range e.Parts {
		parts.Row(p.Words.String(), number(p.Left), number(p.Right), p.Unit, p.Truth.String())
	}
	parts.Write(a.out)
	fmt.Fprintln(a.out)
	reads := table.New("reads", "value", "unit", "quality", "age")
	for _, r := range e.Reads {
		age := "no data"
		if r.Age >= 0 {
			age = r.Age.Round(time.Second).String()
		}
		reads.Row(r.Words.String(), number(r.Value), r.Unit, r.Quality.String(), age)
	}
	reads.Write(a.out)
	for _, w := range e.Waits {
		fmt.Fprintln(a.out, "\n"+w)
	}
	if e.Fault.Count > 0 {
		fmt.Fprintf(a.out, "\nfault of the rule itself, %d times: %s\n", e.Fault.Count, e.Fault.Reason)
	}
}

func number(v float64) string {
	if math.IsNaN(v) {
		return "–"
	}
	return strconv.FormatFloat(v, 'g', 5, 64)
}
