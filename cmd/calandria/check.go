package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"calandria/alerting/notify"
	"calandria/cmd/service"
	"calandria/cmd/table"
	"calandria/collector"
	"calandria/console"
	"calandria/engine"
	"calandria/plant"
	"calandria/plant/files"
	"calandria/plant/words"
	"calandria/rules"
)

type checkCmd struct {
	Config string        `help:"The plant file." default:"plant.yaml" type:"path"`
	Online bool          `help:"Ask the OPC UA servers too: does every node exist, do units and ranges agree, do the readings fit one another?"`
	For    time.Duration `help:"How long --online reads the signals of the running house." default:"10m"`
	Past   time.Duration `help:"How much of the archive is replayed to see which suppressions nearly always hold and which limits call often; 0s: none." default:"72h"`
	Data   string        `help:"The data folder: its archive, and the certificates for --online." default:"data" type:"path"`
	All    bool          `help:"Print every note and placeholder on a line of its own, with file and line."`
}

func (c *checkCmd) Run(a *app) error {
	h, ruleFiles, err := service.LoadPlant(c.Config)
	if err == nil {
		err = service.Equipped(h)
	}
	if err != nil {
		return err
	}
	core, err := engine.New(h, ruleFiles, rules.Options{})
	if err != nil {
		return err
	}
	h = core.House
	measured := len(slices.Collect(h.Measured()))
	fmt.Fprintf(a.out, "%s: %d pieces of equipment, %d measured tags, %d tags in all, %d alarms\n", c.Config, len(h.Equipment), measured, len(h.Tags), len(core.Rules.Alarms()))
	if err := console.Check(service.ConsoleOptions(h)); err != nil {
		return fmt.Errorf("%s: %w", c.Config, err)
	}
	report := checkReport{notes: core.Rules.Notes(), placeholders: core.Rules.Placeholders(), absent: engine.Lacking(h), misfits: core.Rules.CannotCall()}
	for _, p := range core.Rules.Procedures() {
		if strings.Contains(p.Document, "://") {
			continue
		}
		if _, err := files.Read(p.Document, 0); errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission) {
			report.absent = append(report.absent, plant.Fault{File: p.File, Line: p.Line, Field: "procedures." + p.Topic,
				Problem: words.Say("its document cannot be read: %s", words.Of(err)), Fix: "put the file there, or correct document:"}.Error())
		}
	}
	if e := notify.EscalationOf(h); e != nil && e.RotaFile != "" {
		data, err := service.ReadConfig(service.BesidePlant(h, e.RotaFile))
		if err == nil {
			_, err = service.ReadRota(h, e, data)
		}
		if err != nil {
			report.absent = append(report.absent, err.Error())
		}
	}
	hidden, err := c.hidden(a.ctx, h, ruleFiles)
	if err != nil {
		report.absent = append(report.absent, "which suppressions nearly always hold, and which limits call often, cannot be seen in the archive: "+err.Error())
	}
	for _, n := range hidden {
		if !slices.ContainsFunc(report.misfits, func(m rules.Note) bool { return m.Rule == n.Rule }) {
			report.misfits = append(report.misfits, n)
		}
	}
	for _, m := range engine.BoundTwice(h) {
		report.absent = append(report.absent, m.Error())
	}
	if c.All {
		report.writeAll(a.out)
	} else {
		report.write(a.out)
	}
	if !c.Online {
		return nil
	}
	return c.online(a, h)
}

// hiddenShare is the share of the time from which a suppression counts as always
// true. Ours.
const hiddenShare = 0.95

// hidden replays the archive, where there is one, and finds the alarms whose
// suppress_when nearly always held, and those that call often.
func (c *checkCmd) hidden(ctx context.Context, h *plant.House, ruleFiles []rules.File) (notes []rules.Note, err error) {
	dir := service.ArchiveDir(h, c.Data)
	if _, err := os.Stat(dir); err != nil || c.Past <= 0 {
		return nil, nil
	}
	ar, err := service.OpenArchive(dir)
	if err != nil {
		return nil, err
	}
	defer ar.Close()
	to := time.Now().UTC()
	run, err := engine.Judged(h, [][]rules.File{ruleFiles}, service.Past{Archive: ar}, to.Add(-c.Past), to, time.Minute)
	if err != nil {
		return nil, err
	}
	if err := run.Spread(ctx); err != nil || run.Samples == 0 {
		return nil, err
	}
	return misfits(run.Judges[0].Result), nil
}

// calledOften is how many calls of one alarm in the replayed days say that its limit does not
// fit the house. Ours: one a day, of the three that are usual.
const calledOften = 3

// misfits finds the alarms that a replay shows to call often, or to be nearly always suppressed.
func misfits(b *engine.Backtest) (notes []rules.Note) {
	for _, r := range b.Rules {
		if r.Alarms >= calledOften {
			notes = append(notes, rules.Note{File: r.Spec.File, Line: r.Spec.Line, Rule: r.Spec.Name, On: r.Spec.Source, Priority: r.Spec.Priority,
				Text: fmt.Sprintf("called %d times since %s: calandria limits shows how far its limit is from usual hours", r.Alarms, b.From.Format(time.DateOnly))})
		}
		if r.Suppressed >= hiddenShare {
			notes = append(notes, rules.Note{File: r.Spec.File, Line: r.Spec.Line, Rule: r.Spec.Name, On: r.Spec.Source, Priority: r.Spec.Priority,
				Text: fmt.Sprintf("suppress_when held for %.1f %% of the time since %s", 100*r.Suppressed, b.From.Format(time.DateOnly))})
		}
	}
	return notes
}

// online looks at the servers, at the same time, and compares what they say and
// read with the plant file.
func (c *checkCmd) online(a *app, h *plant.House) error {
	var mu sync.Mutex
	var faults plant.Faults
	var readings []plant.Reading
	if c.For > 0 {
		fmt.Fprintf(a.out, "\nreading the signals for %s; --for 0s only tries the nodes\n", c.For)
	}
	group, ctx := errgroup.WithContext(a.ctx)
	for _, sc := range h.Config.OPCUA.Servers {
		group.Go(func() error {
			tags := service.MeasuredBy(h, sc.Name)
			o := collector.LookOptions{For: c.For, Every: max(min(time.Second, c.For/25), c.For/300)}
			progress := a.progress("reading " + sc.Name)
			o.Progress = func(done time.Duration) { progress(min(1, done.Seconds()/c.For.Seconds()), time.Now()) }
			got, found, err := collector.LookApart(ctx, service.ReaderCommand(), collector.Config{Server: sc, Tags: tags, DataDir: c.Data, Logger: a.log}, o)
			if err != nil {
				return fmt.Errorf("ask server %s: %w", sc.Name, err)
			}
			mu.Lock()
			defer mu.Unlock()
			readings = append(readings, got...)
			for _, f := range found {
				faults = append(faults, plant.Fault{File: f.File, Line: f.Line, Field: f.Path, Problem: words.Verbatim(f.Problem), Fix: words.Verbatim(f.Fix)})
			}
			fmt.Fprintf(a.out, "server %s: %d of %d tags can be read\n", sc.Name, len(tags)-len(found), len(tags))
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return err
	}
	misbound, cold := engine.Bindings(h, readings)
	faults = append(faults, misbound...)
	for _, set := range cold {
		fmt.Fprintf(a.out, "%s is cold: its temperatures, Brix and flows were not compared; look once more while it runs\n", set)
	}
	if len(faults) == 0 {
		fmt.Fprintln(a.out, "the servers' units and ranges agree with the plant file, and the readings with one another")
	}
	return faults.Err()
}

// lookAt says which server to look at, and how.
type lookAt struct {
	Endpoint     string `help:"Address of the server, opc.tcp://host:4840." required:""`
	Policy       string `help:"Security policy: None, Basic256Sha256, Aes128_Sha256_RsaOaep, Aes256_Sha256_RsaPss." default:"Basic256Sha256"`
	Mode         string `help:"Security mode: None, Sign, SignAndEncrypt; default as the policy needs."`
	User         string `help:"User name."`
	PasswordFile string `help:"File with the password." type:"path"`
	Root         string `help:"Node id to start from; default the Objects folder."`
}

func (l lookAt) server() (plant.ServerConfig, error) {
	if !strings.HasPrefix(l.Endpoint, "opc.tcp://") {
		return plant.ServerConfig{}, fmt.Errorf("--endpoint %s is not an OPC UA address: write opc.tcp://host:4840", l.Endpoint)
	}
	if l.Mode == "" {
		l.Mode = "SignAndEncrypt"
		if l.Policy == "None" {
			l.Mode = "None"
		}
	}
	return plant.ServerConfig{Name: "plant", Endpoint: l.Endpoint, Policy: l.Policy, Mode: l.Mode, User: l.User, PasswordFile: l.PasswordFile,
		Publish: time.Second, SessionTimeout: time.Minute}, nil
}

type browseCmd struct {
	lookAt
	Standard bool   `help:"Include the server's own diagnostics."`
	Data     string `help:"Folder with the certificates." default:"data" type:"path"`
}

func (c *browseCmd) Run(a *app) error {
	sc, err := c.server()
	if err != nil {
		return err
	}
	vars, err := collector.BrowseApart(a.ctx, service.ReaderCommand(), collector.BrowseOptions{Server: sc, DataDir: c.Data, Root: c.Root, Standard: c.Standard}, a.log)
	if err != nil && !errors.Is(err, collector.ErrTruncated) {
		return err
	}
	if err != nil {
		a.log.Warn("the server has more than was listed; give --root", "err", err)
	}
	if len(vars) == 0 {
		if c.Root != "" {
			return fmt.Errorf("the server shows no variables below --root %s: compare the node id with a list without --root", c.Root)
		}
		return errors.New("the server shows no variables to this user: ask its administrator for the rights Browse and Read")
	}
	t := table.New("node", "name", "type", "value", "unit", "quality", "sampling", "path")
	for _, v := range vars {
		sampling := ""
		if v.Sampling > 0 {
			sampling = v.Sampling.String()
		}
		kind := v.DataType
		if !v.Scalar {
			kind += "[]"
		}
		t.Row(v.Node, v.Name, kind, v.Value, v.Unit, v.Quality.String(), sampling, v.Path)
	}
	t.Write(a.out)
	fmt.Fprintf(a.out, "%d variables\n", len(vars))
	return nil
}
