package service

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"

	"calandria/alerting/notify"
	"calandria/console"
	"calandria/engine"
	"calandria/historian"
	"calandria/historian/influx"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/plant/files"
	"calandria/plant/words"
	"calandria/rules"
)

// ReadConfig reads a plant, rule or scenario file.
func ReadConfig(name string) ([]byte, error) { return files.Read(name, plant.MaxFileBytes) }

// LoadPlant reads plant.yaml and the rule files it names.
func LoadPlant(file string) (*plant.House, []rules.File, error) {
	data, err := ReadConfig(file)
	if err != nil {
		return nil, nil, fmt.Errorf("read configuration: %w; write one, or start with 'calandria init --endpoint opc.tcp://HOST:4840'", err)
	}
	h, err := quickly(func() (*plant.House, error) { return LoadHouse(file, data) })
	if err != nil {
		return nil, nil, err
	}
	files, err := ruleFiles(h)
	return h, files, err
}

// quickly runs a step of the start, in which all memory is new, with the garbage
// collector at a quarter of its work. Nothing else may use it meanwhile.
func quickly[T any](f func() (T, error)) (T, error) {
	defer debug.SetGCPercent(debug.SetGCPercent(400))
	return f()
}

// LoadHouse reads a plant file with the sections of all edges.
func LoadHouse(file string, data []byte) (*plant.House, error) {
	parts := []plant.Part{historian.Part(), influx.Part(), console.Part(), notify.Part(), notify.EscalationPart()}
	return plant.Load(file, data, parts...)
}

// MeasuredBy lists the measured tags of one server.
func MeasuredBy(h *plant.House, server string) []plant.Tag {
	var tags []plant.Tag
	for t := range h.Measured() {
		if t.Server == server {
			tags = append(tags, *t)
		}
	}
	return tags
}

// BesidePlant is a file that the plant file names: its path counts from there.
func BesidePlant(h *plant.House, name string) string {
	if name == "" || filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(filepath.Dir(h.Document.File), name)
}

// ArchiveDir is where a plant's archive is: in the data folder unless the
// configuration says otherwise.
func ArchiveDir(h *plant.House, data string) string {
	if dir := historian.KeepingOf(h).Dir; dir != "" {
		return dir
	}
	return filepath.Join(data, "archive")
}

// OpenKept opens the archive in a folder as the plant file keeps it; data is the
// data folder.
func OpenKept(h *plant.House, dir, data string, log *slog.Logger) (*historian.Archive, error) {
	k := historian.KeepingOf(h)
	return historian.Open(dir, historian.Options{Site: h.Config.Site.Name, Hot: k.Hot, Keep: k.Keep, Beside: data, Logger: log})
}

// OpenJournal opens a journal that exists.
func OpenJournal(data string) (*journal.Journal, error) {
	name := filepath.Join(data, "journal.db")
	if _, err := os.Stat(name); err != nil {
		return nil, fmt.Errorf("there is no journal in %s; give --data", data)
	}
	return journal.Open(name)
}

// ruleFiles reads the files of the rules: list; each entry may be a pattern.
func ruleFiles(h *plant.House) ([]rules.File, error) {
	var list []rules.File
	var faults plant.Faults
	for i, pattern := range h.Config.Rules {
		f := fmt.Sprintf("rules[%d]", i)
		names, err := filepath.Glob(BesidePlant(h, pattern))
		if err != nil {
			faults = append(faults, h.Document.Fault(f, words.Say("%q is not a file name or pattern", pattern), ""))
			continue
		}
		if len(names) == 0 {
			faults = append(faults, h.Document.Fault(f, words.Say("no file matches %q", pattern), "paths count from the folder of the plant file"))
		}
		slices.Sort(names)
		for _, n := range names {
			data, err := ReadConfig(n)
			if err != nil {
				faults = append(faults, h.Document.Fault(f, words.Of(err), ""))
				continue
			}
			list = append(list, rules.File{Name: n, Data: data})
		}
	}
	return list, faults.Err()
}

// RuleFilesFS reads all rule files of an embedded folder.
func RuleFilesFS(fsys fs.FS) ([]rules.File, error) {
	names, err := fs.Glob(fsys, "*.yaml")
	if err != nil {
		return nil, err
	}
	var files []rules.File
	for _, n := range names {
		data, err := fs.ReadFile(fsys, n)
		if err != nil {
			return nil, err
		}
		files = append(files, rules.File{Name: n, Data: data})
	}
	return files, nil
}

// WholeHouse is the house with its calculated and derived tags.
func WholeHouse(h *plant.House, files []rules.File) (*plant.House, error) {
	core, err := engine.New(h, files, rules.Options{})
	if err != nil {
		return nil, err
	}
	return core.House, nil
}

// OpenArchive opens an archive that exists, for reading beside a running
// service.
func OpenArchive(dir string) (*historian.Archive, error) {
	if _, err := os.Stat(dir); err != nil {
		return nil, fmt.Errorf("there is no archive in %s; give --data", filepath.Dir(dir))
	}
	return historian.Open(dir, historian.Options{ReadOnly: true})
}

// WriteNew writes a file that must not exist yet.
func WriteNew(name, content string) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if os.IsExist(err) {
		return fmt.Errorf("%s exists already; give another name: %w", name, os.ErrExist)
	}
	if err != nil {
		return err
	}
	_, err = f.WriteString(content)
	return errors.Join(err, f.Close())
}
