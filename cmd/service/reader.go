package service

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"

	"calandria/collector"
	"calandria/deploy"
	"calandria/engine"
	"calandria/engine/setup"
	"calandria/plant"
	"calandria/rules"
)

// reader reads one server, in a process of its own or in this one.
type reader interface {
	Health() collector.Health
	Batches() <-chan collector.Batch
	Changes() <-chan collector.Health
	Stored(number uint64)
	Run(ctx context.Context) error
}

// newReader reads a server in a process of its own. Only that of a demo is read
// here: it is of this program and lives by its clock.
func newReader(clock *engine.Clock, c collector.Config) (reader, error) {
	if clock.Simulated() {
		c.OneClock = true
		return collector.New(c)
	}
	return collector.NewRemote(c, append(ReaderCommand(), "--tags", strconv.Itoa(len(c.Tags))))
}

// ReaderCommand starts a reader.
func ReaderCommand() []string {
	exe, err := os.Executable()
	if err != nil {
		exe = os.Args[0]
	}
	return []string{exe, "read-server"}
}

// Library is the rule library that a first plant file gets, without the demo's own rules.
func Library() ([]rules.File, error) {
	files, err := RuleFilesFS(deploy.Rules())
	return slices.DeleteFunc(files, func(f rules.File) bool { return f.Name == "demo_site.yaml" }), err
}

// WritePlant writes a first plant file, and beside it the rule library in the folder rules,
// but for the demo's own rules. No file is replaced.
func WritePlant(name, text string) error {
	if err := WriteNew(name, text); err != nil {
		return err
	}
	return fs.WalkDir(deploy.Rules(), ".", func(path string, e fs.DirEntry, err error) error {
		if err != nil || path == "demo_site.yaml" {
			return err
		}
		to := filepath.Join(filepath.Dir(name), "rules", path)
		if e.IsDir() {
			return os.MkdirAll(to, 0o750)
		}
		data, err := fs.ReadFile(deploy.Rules(), path)
		if err == nil {
			err = WriteNew(to, string(data))
		}
		if errors.Is(err, fs.ErrExist) {
			return nil
		}
		return err
	})
}

// BrowseNodes lists what of a server can be a signal.
func BrowseNodes(ctx context.Context, sc plant.ServerConfig, data, root string, log *slog.Logger) (nodes []setup.Node, err error) {
	vars, err := collector.BrowseApart(ctx, ReaderCommand(), collector.BrowseOptions{Server: sc, DataDir: data, Root: root}, log)
	if err != nil && !errors.Is(err, collector.ErrTruncated) {
		return nil, err
	}
	for _, v := range vars {
		if v.Numeric() && v.Readable {
			nodes = append(nodes, nodeOf(v))
		}
	}
	return nodes, nil
}

func nodeOf(v collector.Variable) setup.Node {
	n := setup.Node{ID: v.Node, Path: v.Path, Name: v.Name, Description: v.Description, Unit: v.Unit, Range: v.EURange, Value: math.NaN(), State: v.DataType == "Boolean"}
	if x, err := strconv.ParseFloat(v.Value, 64); err == nil && v.Quality.Usable() {
		n.Value = x
	}
	return n
}
