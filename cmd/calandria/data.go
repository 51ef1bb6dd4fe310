package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"calandria/alerting"
	"calandria/cmd/service"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/historian/marks"
	"calandria/historian/series"
	"calandria/plant"
	"calandria/rules"
)

type exportCmd struct {
	Tags   []string `help:"Tag paths, separated by commas; a * at the end stands for any ending." required:""`
	From   string   `help:"Start: 2026-11-01, 2026-11-01T06:00:00+05:30, seconds or milliseconds since 1970, or an age such as 8h or 3d." required:""`
	To     string   `help:"End, not included; default now."`
	Format string   `help:"csv, json, parquet, or openmetrics for 'promtool tsdb create-blocks-from openmetrics'." default:"csv" enum:"csv,json,parquet,openmetrics"`
	Wide   bool     `help:"A column for each tag, a row for each time; else a row for each figure."`
	Zone   string   `help:"Time zone of dates without one, of days, and of the times written, such as Asia/Kolkata; default that of the plant file, else UTC."`
	Out    string   `help:"File to write; default standard output." type:"path"`
	Config string   `help:"The plant file; needed for openmetrics only." default:"plant.yaml" type:"path"`
	Data   string   `help:"The data folder." default:"data" type:"path"`

	Aggregate       []string      `help:"Write aggregates of OPC 10000-13 instead of the values, such as TimeAverage2, Maximum, Count, PercentGood."`
	Interval        plantDuration `help:"Time of one result of the aggregate, such as 10m, 8h or 1d; whole days by the calendar of the zone; default all of the time." placeholder:"DURATION"`
	UncertainAsGood bool          `help:"Let values of Uncertain quality count like Good ones in the percentages and bounds of the aggregate."`
}

// plantDuration is a duration as the plant file has it, also in days.
type plantDuration time.Duration

func (d *plantDuration) UnmarshalText(text []byte) error {
	x, err := plant.ParseDuration(string(text))
	*d = plantDuration(x)
	return err
}

func (c *exportCmd) Run(a *app) error {
	h, files, err := service.LoadPlant(c.Config)
	if err != nil && (!errors.Is(err, fs.ErrNotExist) || c.Format == "openmetrics") {
		return err
	}
	c.Format = cmp.Or(c.Format, "csv")
	q := plant.SeriesQuery{Format: c.Format, Columns: c.Wide, Versions: !c.Wide && len(c.Aggregate) == 0 && c.Format != "openmetrics",
		Aggregates: c.Aggregate, Interval: time.Duration(c.Interval), UncertainAsGood: c.UncertainAsGood, Zone: time.UTC}
	dir, site := filepath.Join(c.Data, "archive"), ""
	if h != nil {
		if h, err = service.WholeHouse(h, files); err != nil {
			return err
		}
		dir, site, c.Zone = service.ArchiveDir(h, c.Data), h.Config.Site.Name, cmp.Or(c.Zone, h.Config.Site.TimeZone)
	}
	if q.Zone, err = time.LoadLocation(c.Zone); err != nil {
		return fmt.Errorf("--zone: %w; give a name such as Asia/Kolkata or UTC", err)
	}
	if q.From, q.To, err = parseSpan(c.From, c.To, q.Zone); err != nil {
		return err
	}
	ar, err := service.OpenArchive(dir)
	if err != nil {
		return err
	}
	defer ar.Close()
	if q.Paths, err = expandPaths(ar, c.Tags); err != nil {
		return err
	}
	if err := series.Check(&q); err != nil {
		return fmt.Errorf("--%w", err)
	}
	about := series.About{Site: site, Progress: a.progress("writing")}
	if name := filepath.Join(c.Data, "journal.db"); slices.Contains(c.Aggregate, "AnnotationCount") {
		j, err := journal.Open(name)
		if err != nil {
			return fmt.Errorf("AnnotationCount counts the notes of the journal: %w", err)
		}
		defer j.Close()
		about.Notes = j.Notes
	}
	if c.Format == "openmetrics" {
		if about.Metric, err = service.MetricsOf(h, q.Paths); err != nil {
			return err
		}
	}
	return a.into(c.Out, func(w io.Writer) error { // what is damaged in the archive does not keep back the rest
		_, err := series.Write(a.ctx, ar, w, q, about)
		return err
	})
}

// expandPaths resolves tag paths with a * at the end.
func expandPaths(ar *historian.Archive, wanted []string) ([]string, error) {
	var all []string
	for _, t := range ar.Tags() {
		all = append(all, t.Path)
	}
	paths, missing := plant.MatchPaths(wanted, all)
	if missing != "" {
		return nil, fmt.Errorf("the archive has no tag %q", missing)
	}
	return paths, nil
}

// moment reads a flag with a time in UTC; usual where it is left out.
func moment(flag, text string, usual time.Time) (time.Time, error) {
	return momentIn(time.UTC, flag, text, usual)
}

func momentIn(zone *time.Location, flag, text string, usual time.Time) (time.Time, error) {
	if text == "" {
		return usual, nil
	}
	t, err := plant.ParseMoment(text, zone, time.Now().UTC())
	if err != nil {
		err = fmt.Errorf("%s: %w", flag, err)
	}
	return t, err
}

// parseSpan reads --from and --to; an empty --to is now.
func parseSpan(fromText, toText string, zone *time.Location) (from, to time.Time, err error) {
	if from, err = momentIn(zone, "--from", fromText, time.Time{}); err == nil {
		to, err = momentIn(zone, "--to", toText, time.Now().UTC())
	}
	if err == nil && !from.Before(to) {
		err = errors.New("--from is not before --to")
	}
	return from, to, err
}

type importCmd struct {
	File   string `arg:"" help:"CSV with time, tag, value, unit, status; the form that export writes. Other units than the archive's are converted; a pressure in another unit says what it counts from, such as bar gauge, mmHg vacuum, mbar absolute; kPa alone is absolute." type:"existingfile"`
	Config string `help:"The plant file: its tags may be imported before the archive has any of them." default:"plant.yaml" type:"path"`
	Data   string `help:"The data folder; the service must not be running on it." default:"data" type:"path"`

	Recalculate bool   `help:"Calculate from the imported values, as if the program had watched all that time."`
	By          string `help:"Who imports: it goes into the journal with --recalculate." default:"${user}"`
}

func (c *importCmd) Run(a *app) error {
	h, files, err := service.LoadPlant(c.Config)
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
	fmt.Fprintln(a.out, counted(n, "sample"), "imported")
	if !c.Recalculate {
		fmt.Fprintln(a.out, "nothing is calculated from them yet: calandria recalculate --why ... does it, or import with --recalculate")
		return nil
	}
	job := recalculateCmd{ruleSource: ruleSource{Config: c.Config}, Step: service.JobStep, By: c.By, Why: "import of " + filepath.Base(c.File), Data: c.Data}
	return job.Run(a)
}

// read takes the file into the archive and gives the number of its samples.
func (c *importCmd) read(a *app, h *plant.House, files []rules.File) (int, error) {
	dir := filepath.Join(c.Data, "archive")
	var infos []historian.TagInfo
	if h != nil {
		own, err := service.WholeHouse(h, files)
		if err != nil {
			return 0, err
		}
		h = own
		dir, infos = service.ArchiveDir(h, c.Data), service.Describe(h)
	}
	if err := os.MkdirAll(c.Data, 0o750); err != nil {
		return 0, err
	}
	unlock, err := service.Lock(filepath.Join(c.Data, "lock"))
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
	if err := (&marks.Folder{Dir: filepath.Join(c.Data, service.MarksFolder)}).Forget(time.Time{}); err != nil {
		return 0, err
	}
	return series.Import(a.ctx, ar, f, c.File, h, time.Now())
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
