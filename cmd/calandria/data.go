package main

import (
	"bufio"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"calandria/alerting"
	"calandria/engine"
	"calandria/historian"
	"calandria/plant"
	"calandria/rules"
)

type exportCmd struct {
	Tags   []string `help:"Tag paths, separated by commas; a * at the end stands for any ending." required:""`
	From   string   `help:"Start: 2026-11-01, 2026-11-01T06:00:00Z, or an age such as 8h or 3d." required:""`
	To     string   `help:"End, not included; default now."`
	Format string   `help:"csv is the only one so far; the Parquet files of the archive can be opened directly." default:"csv" enum:"csv"`
	Out    string   `help:"File to write; default standard output." type:"path"`
	Data   string   `help:"The data folder." default:"data" type:"path"`

	Aggregate       string        `help:"Write an aggregate of OPC 10000-13 instead of the values, such as TimeAverage2, Maximum, Count, PercentGood."`
	Interval        time.Duration `help:"Time of one result of the aggregate, such as 10m or 8h; default all of the time." placeholder:"DURATION"`
	UncertainAsGood bool          `help:"Let values of Uncertain quality count like Good ones in the percentages and bounds of the aggregate."`
}

func (c *exportCmd) Run(a *app) error {
	from, to, err := parseSpan(c.From, c.To, time.Now().UTC())
	if err != nil {
		return err
	}
	ar, err := openArchive(filepath.Join(c.Data, "archive"))
	if err != nil {
		return err
	}
	defer ar.Close()
	paths, err := expandPaths(ar, c.Tags)
	if err != nil {
		return err
	}
	w := bufio.NewWriter(a.out)
	if c.Out != "" {
		f, err := os.Create(c.Out)
		if err != nil {
			return err
		}
		defer f.Close()
		w = bufio.NewWriter(f)
	}
	if c.Aggregate == "" {
		err = ar.ExportCSV(a.ctx, w, paths, from, to)
	} else {
		cfg := historian.DefaultAggregateConfig()
		cfg.TreatUncertainAsBad = !c.UncertainAsGood
		err = ar.ExportAggregates(a.ctx, w, paths, historian.Aggregate(c.Aggregate), cfg, from, to, c.Interval)
	}
	return errors.Join(err, w.Flush()) // what is damaged in the archive does not keep back the rest
}

// openArchive opens an archive that exists, for reading beside a running
// service.
func openArchive(dir string) (*historian.Archive, error) {
	if _, err := os.Stat(dir); err != nil {
		return nil, fmt.Errorf("there is no archive in %s; give --data", filepath.Dir(dir))
	}
	return historian.Open(dir, historian.Options{ReadOnly: true})
}

// expandPaths resolves tag paths with a * at the end.
func expandPaths(ar *historian.Archive, wanted []string) ([]string, error) {
	var paths []string
	for _, want := range wanted {
		want = strings.TrimSpace(want)
		prefix, wild := strings.CutSuffix(want, "*")
		found := false
		for _, t := range ar.Tags() {
			if t.Path == want || wild && strings.HasPrefix(t.Path, prefix) {
				paths, found = append(paths, t.Path), true
			}
		}
		if !found {
			return nil, fmt.Errorf("the archive has no tag %q", want)
		}
	}
	return paths, nil
}

// parseSpan reads --from and --to; an empty --to is now.
func parseSpan(fromText, toText string, now time.Time) (from, to time.Time, err error) {
	if from, err = parseTime(fromText, now); err != nil {
		return from, to, fmt.Errorf("--from: %w", err)
	}
	to = now
	if toText != "" {
		if to, err = parseTime(toText, now); err != nil {
			return from, to, fmt.Errorf("--to: %w", err)
		}
	}
	if !from.Before(to) {
		return from, to, errors.New("--from is not before --to")
	}
	return from, to, nil
}

// parseTime reads a date, a time with zone, or an age.
func parseTime(s string, now time.Time) (time.Time, error) {
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02 15:04", "2006-01-02"} {
		if t, err := time.Parse(layout, s); err == nil {
			return t.UTC(), nil
		}
	}
	if d, err := plant.ParseDuration(s); err == nil {
		return now.Add(-d), nil
	}
	return time.Time{}, fmt.Errorf("%q is neither a date (2026-11-01), nor a time (2026-11-01T06:00:00Z), nor an age (8h, 3d)", s)
}

type importCmd struct {
	File   string `arg:"" help:"CSV with time, tag, value, unit, status; the form that export writes. Other units than the archive's are converted; a pressure in another unit says what it counts from, such as bar gauge, mmHg vacuum, mbar absolute; kPa alone is absolute." type:"existingfile"`
	Config string `help:"The plant file: its tags may be imported before the archive has any of them." default:"plant.yaml" type:"path"`
	Data   string `help:"The data folder; the service must not be running on it." default:"data" type:"path"`

	Recalculate bool   `help:"Calculate from the imported values, as if the program had watched all that time."`
	By          string `help:"Who imports: it goes into the journal with --recalculate." default:"${user}"`
}

func (c *importCmd) Run(a *app) error {
	h, files, err := loadPlant(c.Config)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if h == nil && c.Recalculate {
		return fmt.Errorf("--recalculate needs the plant file; there is none at %s", c.Config)
	}
	n, err := c.read(a, h, files)
	if err != nil {
		return err
	}
	noun := "samples"
	if n == 1 {
		noun = "sample"
	}
	fmt.Fprintf(a.out, "%d %s imported\n", n, noun)
	if !c.Recalculate {
		fmt.Fprintln(a.out, "nothing is calculated from them yet: calandria recalculate --why ... does it, or import with --recalculate")
		return nil
	}
	again := recalculateCmd{ruleSource: ruleSource{Config: c.Config}, Step: jobStep, By: c.By, Why: "import of " + filepath.Base(c.File), Data: c.Data}
	return again.Run(a)
}

// read takes the file into the archive and gives the number of its samples.
func (c *importCmd) read(a *app, h *plant.House, files []rules.File) (int, error) {
	dir := filepath.Join(c.Data, "archive")
	var infos []historian.TagInfo
	if h != nil {
		own, err := h.Again()
		if err != nil {
			return 0, err
		}
		if _, err := engine.New(own, files, rules.Options{}); err != nil { // it adds the calculated tags
			return 0, err
		}
		h = own
		dir, infos = archiveDir(h, c.Data), describe(h)
	}
	if err := os.MkdirAll(c.Data, 0o750); err != nil {
		return 0, err
	}
	unlock, err := lock(filepath.Join(c.Data, "lock"))
	if err != nil {
		return 0, err
	}
	defer unlock()
	ar, err := historian.Open(dir, historian.Options{})
	if err != nil {
		return 0, err
	}
	defer ar.Close()
	if err := ar.Describe(infos...); err != nil {
		return 0, err
	}
	if len(ar.Tags()) == 0 {
		return 0, fmt.Errorf("the archive in %s has no tags yet and there is no plant file %s; give --config", c.Data, c.Config)
	}
	f, err := os.Open(c.File)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	// What was learned day by day did not know of these values.
	if err := (&historian.Marks{Dir: filepath.Join(c.Data, marksFolder)}).Forget(time.Time{}); err != nil {
		return 0, err
	}
	return ar.ImportCSV(a.ctx, f, c.File, h)
}

type verifyCmd struct {
	Data string `help:"The data folder." default:"data" type:"path"`
}

func (c *verifyCmd) Run(a *app) error {
	name := filepath.Join(c.Data, "journal.db")
	if _, err := os.Stat(name); err != nil {
		return fmt.Errorf("there is no journal in %s; give --data", c.Data)
	}
	j, err := historian.OpenJournal(name, historian.JournalOptions{})
	if err != nil {
		return err
	}
	defer j.Close()
	if err := j.Verify(a.ctx); err != nil {
		return err
	}
	seq, hash := j.Head()
	fmt.Fprintf(a.out, "%d entries, none altered or removed; last hash %s\n", seq, hash)
	return nil
}

type replayCasesCmd struct {
	File string `arg:"" help:"Alarm cases, one JSON object a line." type:"existingfile"`
}

func (c *replayCasesCmd) Run(a *app) error {
	f, err := os.Open(c.File)
	if err != nil {
		return err
	}
	defer f.Close()
	results, err := alerting.ReplayCases(f)
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	failed := 0
	for _, r := range results {
		word := "pass"
		if !r.Passed() {
			word = "FAIL"
			failed++
		}
		fmt.Fprintf(a.out, "%s %s %s\n", word, r.ID, r.Title)
		for _, f := range r.Failures {
			fmt.Fprintf(a.out, "     %s\n", f)
		}
	}
	fmt.Fprintf(a.out, "%d cases, %d passed, %d failed\n", len(results), len(results)-failed, failed)
	if failed > 0 {
		return fmt.Errorf("%d cases failed", failed)
	}
	return nil
}
