package service

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"maps"
	"net"
	"os"
	"path/filepath"
	"slices"
	"time"

	"calandria/console"
	"calandria/engine"
	"calandria/historian"
	"calandria/plant"
	"calandria/plant/files"
	"calandria/plant/words"
	"calandria/rules"
)

// good is the plant file with its rule files as the program began or reloaded with
// them last. A start without usable files begins with these, and what differs from
// them at a start or reload is a change that somebody made.
type good struct {
	At    time.Time
	Plant rules.File
	Rules []rules.File
}

const goodName = "last-good.files"

func readGood(dir string) (g good, err error) {
	data, err := historian.ReadCheckpoint(dir, goodName)
	if err == nil {
		err = json.Unmarshal(data, &g)
	}
	return g, err
}

// keepGood stores the files of now as the last good ones, and tells in what they
// differ from those before.
func (s *Service) keepGood(ruleFiles []rules.File, now time.Time) (changes []plant.Event) {
	before, err := readGood(s.dir)
	h := s.House
	next := good{now, rules.File{Name: h.Document.File, Data: h.Document.Source}, ruleFiles}
	if err == nil {
		changes = changedFiles(before, next, now)
	}
	if err == nil && len(changes) == 0 {
		return nil
	}
	data, err := json.Marshal(next)
	if err == nil {
		err = historian.WriteCheckpoint(s.dir, goodName, data)
	}
	if err != nil {
		s.Log.Error("the plant and rule files are not kept for a start without them", "err", err)
	}
	return changes
}

// changedFiles tells which files were changed, by whom as far as the system knows.
func changedFiles(before, next good, now time.Time) (events []plant.Event) {
	was := map[string][]byte{}
	for _, f := range append(before.Rules, before.Plant) {
		was[f.Name] = f.Data
	}
	tell := func(name, user, text string) {
		events = append(events, plant.Event{Time: now, Kind: plant.EventConfig, Source: engine.SystemOwner, User: user, Text: filepath.Base(name) + " " + text})
	}
	for _, f := range append([]rules.File{next.Plant}, next.Rules...) {
		old, known := was[f.Name]
		delete(was, f.Name)
		from, to := ShortSum(old), ShortSum(f.Data)
		if known && from == to {
			continue
		}
		if !known {
			from = "none"
		}
		owner, written := files.Writer(f.Name)
		tell(f.Name, owner, fmt.Sprintf("was changed: SHA-256 %s -> %s, written %s, owner %s", from, to, written.Format(time.RFC3339), cmp.Or(owner, "not known")))
	}
	for _, name := range slices.Sorted(maps.Keys(was)) {
		tell(name, "", "is in use no longer: SHA-256 "+ShortSum(was[name]))
	}
	return events
}

func ShortSum(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:6])
}

// UsableFiles makes a core of the plant file and its rule files, or of the last good
// ones of the data folder, and says why.
func UsableFiles(file, data string) (core *engine.Core, ruleFiles []rules.File, broken, err error) {
	g, unread := readGood(data)
	h, ruleFiles, err := LoadPlant(file)
	if unread != nil && errors.Is(err, fs.ErrNotExist) { // a fresh machine
		h, err = LoadHouse(file, []byte("site: {name: New site}\n"))
	}
	if err == nil {
		core, err = NewCore(h, ruleFiles)
	}
	if err == nil && unread == nil {
		err = Equipped(h)
	}
	if err == nil && unread == nil {
		err = cut(g, append([]rules.File{{Name: file, Data: h.Document.Source}}, ruleFiles...))
	}
	if err == nil {
		return core, ruleFiles, nil, nil
	}
	if unread != nil {
		return nil, nil, nil, err
	}
	broken = words.Errorf("the program runs with the plant and rule files of %s, for those of now cannot be used: %s", g.At.UTC().Format(time.RFC3339), firstFault(err))
	if h, unread = LoadHouse(file, g.Plant.Data); unread == nil {
		ruleFiles = g.Rules
		core, unread = NewCore(h, ruleFiles)
	}
	if unread != nil {
		return nil, nil, nil, err
	}
	return core, ruleFiles, broken, nil
}

// Equipped tells of a house without anything to watch.
func Equipped(h *plant.House) error {
	if h.Equipped() {
		return nil
	}
	return h.Document.Fault("", "there is neither an evaporator set nor a pan", "add sets: or pans:; 'calandria init' asks what there is and writes a plant file")
}

// cut tells of a file that is the beginning of the last good one and ends within a
// line: it may read well and is torn all the same.
func cut(g good, now []rules.File) error {
	for _, was := range append(g.Rules, g.Plant) {
		for _, f := range now {
			if f.Name == was.Name && len(f.Data) < len(was.Data) && bytes.HasPrefix(was.Data, f.Data) && !bytes.HasSuffix(f.Data, []byte("\n")) {
				return words.Errorf("%s is torn: it ends within a line of what it was before", f.Name)
			}
		}
	}
	return nil
}

// firstFault shortens a list of faults.
func firstFault(err error) error {
	if faults, ok := errors.AsType[plant.Faults](err); ok && len(faults) > 1 {
		return words.Errorf("%s (and %d more faults: 'calandria check' lists them)", faults[0], len(faults)-1)
	}
	return err
}

// OpenRun opens the service over the files of a site, or over the last good ones.
// listen takes the console's address before the past is read; nil leaves it to Run.
func OpenRun(ctx context.Context, file, data string, log *slog.Logger, asked <-chan os.Signal, progress func(float64, time.Time),
	listen func(address string) (net.Listener, error)) (*Service, error) {
	core, ruleFiles, broken, err := UsableFiles(file, data)
	if err != nil {
		return nil, err
	}
	source := core.House.Document.Source
	var ln net.Listener
	if listen != nil {
		if ln, err = listen(console.OptionsOf(core.House).Listen); err != nil {
			return nil, err
		}
	}
	s, err := Open(ctx, engine.NewClock(), core, ruleFiles, data, log, progress)
	if err != nil {
		if ln != nil {
			ln.Close()
		}
		return nil, err
	}
	s.Listener = ln
	now := time.Now()
	s.Reload = &Reloader{s: s, file: file, data: source, files: ruleFiles, asked: asked}
	if broken != nil {
		s.folder.tell(now, broken.Error())
		s.folder.old.Store(new(words.Of(broken)))
		s.folder.look()
		s.Loop.Events = append(s.Loop.Events, s.folder.events[len(s.folder.events)-1])
		return s, nil
	}
	if empty := Equipped(core.House); empty != nil {
		log.Warn("nothing is watched: the console says what to do next", "file", file, "err", empty)
		return s, nil
	}
	s.Loop.Events = append(s.Loop.Events, s.keepGood(ruleFiles, now)...)
	return s, nil
}

// WriteGood writes the last good files into a new folder, to compare or bring back.
func WriteGood(data, dir string) error {
	g, err := readGood(data)
	if err != nil {
		return err
	}
	if err := os.Mkdir(dir, 0o750); err != nil {
		return err
	}
	for _, f := range slices.Insert(g.Rules, 0, g.Plant) {
		name := f.Name
		if rel, err := filepath.Rel(filepath.Dir(g.Plant.Name), f.Name); err == nil && filepath.IsLocal(rel) {
			name = rel
		}
		name = filepath.Join(dir, name)
		if err := errors.Join(os.MkdirAll(filepath.Dir(name), 0o750), os.WriteFile(name, f.Data, 0o640)); err != nil {
			return err
		}
	}
	return nil
}
