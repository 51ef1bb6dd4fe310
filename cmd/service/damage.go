package service

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"calandria/historian"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/plant/files"
	"calandria/plant/words"
)

// folder is the data folder of a running program: alarms outrank files. What is
// damaged in it is set aside under another name, and if nothing can be written
// there the program works in a folder of its own until the next start.
type folder struct {
	dir       string
	given     string     // by --data; another than dir if that cannot be used
	Temporary words.Text // why
	Unlock    func()
	log       *slog.Logger
	events    []plant.Event // to be journalled
	found     atomic.Pointer[words.Text]
	old       atomic.Pointer[words.Text] // why the program runs with plant and rule files of before
}

// OpenFolder makes the data folder and locks it. That another program uses it is
// the only error.
func OpenFolder(dir string, now time.Time, log *slog.Logger) (*folder, error) {
	f := &folder{dir: dir, given: dir, log: log}
	var busy *busyError
	err := f.take(now)
	if err == nil || errors.As(err, &busy) {
		return f, err
	}
	if f.dir, err = f.substitute(words.Say("the data folder %s", f.given), err, now); err != nil {
		return f, err
	}
	for _, name := range []string{"journal.db", "journal.db-wal", CheckpointName} {
		f.copyFile(name)
	}
	// The certificates with which the servers know the program.
	if err := os.CopyFS(filepath.Join(f.dir, "pki"), os.DirFS(filepath.Join(f.given, "pki"))); err != nil && !errors.Is(err, fs.ErrNotExist) {
		log.Error("certificates of the data folder cannot be read; servers may refuse the program", "err", err)
	}
	f.Unlock, err = Lock(filepath.Join(f.dir, "lock"))
	return f, err
}

// take makes the folder usable, with what stands in its way set aside.
func (f *folder) take(now time.Time) error {
	if info, err := os.Stat(f.dir); err == nil && !info.IsDir() {
		if err := f.Aside(f.dir, now, "it is no folder"); err != nil {
			return err
		}
	}
	if err := os.MkdirAll(f.dir, 0o750); err != nil {
		return err
	}
	name := filepath.Join(f.dir, "lock")
	if info, err := os.Stat(name); err == nil && !info.Mode().IsRegular() {
		if err := f.Aside(name, now, "it is no regular file but "+files.Kind(info.Mode())); err != nil {
			return err
		}
	}
	unlock, err := Lock(name)
	if err != nil {
		return err
	}
	probe, err := os.CreateTemp(f.dir, ".probe-*")
	if err != nil {
		unlock()
		return err
	}
	f.Unlock = unlock
	return errors.Join(probe.Close(), os.Remove(probe.Name()))
}

func (f *folder) copyFile(name string) {
	b, err := os.ReadFile(filepath.Join(f.given, name))
	if err == nil {
		err = os.WriteFile(filepath.Join(f.dir, name), b, 0o600)
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		f.log.Error("part of the data folder cannot be read", "file", name, "err", err)
	}
}

// tell logs what was found and keeps it for the journal.
func (f *folder) tell(now time.Time, text string) {
	f.log.Error(text)
	f.events = append(f.events, plant.Event{Time: now, Kind: plant.EventRecord, Source: "calandria", Text: text})
}

// Aside sets a file aside and says why in a note beside it.
func (f *folder) Aside(name string, now time.Time, why string) error {
	to, err := files.SetAside(name, now)
	if err != nil || to == "" {
		return err
	}
	f.note(to, now, why)
	return nil
}

func (f *folder) note(aside string, now time.Time, why string) {
	what := filepath.Base(aside)
	what, _, _ = strings.Cut(what, files.AsideMark)
	f.tell(now, fmt.Sprintf("%s is damaged and was set aside as %s: %s", what, filepath.Base(aside), why))
	if err := os.WriteFile(aside+NoteEnd, []byte(why+"\n"), 0o640); err != nil {
		f.log.Error("no note beside what was set aside", "err", err)
	}
}

// NoteEnd ends the name of the note beside what was set aside.
const NoteEnd = ".txt"

// OpenArchive opens the archive, in a temporary folder if its own cannot be used.
func (f *folder) OpenArchive(h *plant.House, now time.Time) (*historian.Archive, error) {
	dir := ArchiveDir(h, f.dir)
	if info, err := os.Stat(dir); err == nil && !info.IsDir() {
		if err := f.Aside(dir, now, "it is no folder"); err != nil {
			f.log.Error("in place of the archive's folder is a file", "err", err)
		}
	}
	a, err := OpenKept(h, dir, f.dir, f.log)
	if err == nil {
		return a, nil
	}
	if dir, err = f.substitute(words.Say("the archive %s", dir), err, now); err != nil {
		return nil, err
	}
	return OpenKept(h, dir, f.dir, f.log)
}

// substitute makes a folder in place of something that cannot be used.
func (f *folder) substitute(what words.Text, why error, now time.Time) (string, error) {
	dir, err := os.MkdirTemp("", "calandria-data-")
	if err != nil {
		return "", errors.Join(why, err)
	}
	f.Temporary = words.Say("%s cannot be used: %s", what, why)
	f.tell(now, fmt.Sprintf("%s; the program works in %s, which nothing keeps", f.Temporary, dir))
	return dir, nil
}

// OpenJournal opens the journal, or a new one with what can be read of the
// damaged one.
func (f *folder) OpenJournal(now time.Time) (*journal.Journal, error) {
	j, saved, err := journal.OpenAnyway(filepath.Join(f.dir, "journal.db"), now)
	if err != nil {
		var dir string
		if dir, err = f.substitute("the journal", err, now); err != nil {
			return nil, err
		}
		j, saved, err = journal.OpenAnyway(filepath.Join(dir, "journal.db"), now)
	}
	if saved != nil {
		f.note(saved.Aside, now, saved.String())
	}
	return j, err
}

// set lists what was set aside in the data folder, with the notes.
func (f *folder) set() (lines []words.Text) {
	for _, name := range AsideIn(f.given) {
		why, err := files.Read(name+NoteEnd, 64<<10)
		line := words.Say("set aside: %s", filepath.Base(name))
		if err == nil {
			line += words.Verbatim(": " + strings.TrimSpace(string(why)))
		}
		lines = append(lines, line)
	}
	return lines
}

// CheckCheckpoint sets a damaged checkpoint aside: the start reads the archive
// instead.
func (f *folder) CheckCheckpoint(now time.Time) {
	_, err := historian.ReadCheckpoint(f.dir, CheckpointName)
	if err == nil || errors.Is(err, fs.ErrNotExist) {
		return
	}
	if err := f.Aside(filepath.Join(f.dir, CheckpointName), now, err.Error()+"; what was learned is worked out from the archive again"); err != nil {
		f.log.Error("the damaged checkpoint stays where it is", "err", err)
	}
}

// busyError says that another program works on the data folder.
type busyError struct{}

func (*busyError) Error() string {
	return "the data folder is in use by another calandria; stop it, or give another --data"
}

// AsideIn lists what was set aside in the data folder, without the notes and the
// companions of a database.
func AsideIn(dir string) []string {
	return slices.DeleteFunc(files.Aside(dir), func(name string) bool {
		return slices.ContainsFunc([]string{NoteEnd, "-wal", "-shm"}, func(end string) bool { return strings.HasSuffix(name, end) })
	})
}

// look says what is damaged, for the pages and the alarm.
func (f *folder) look() {
	lines := f.set()
	if f.Temporary != "" {
		lines = append(lines, words.Say("nothing is kept beyond the next start: %s", f.Temporary))
	}
	if old := f.old.Load(); old != nil {
		lines = append(lines, *old)
	}
	text := words.Join(lines, "; ")
	if text != "" {
		text = words.Say("%s; 'calandria repair' explains", text)
	}
	f.found.Store(&text)
}

// Damage is what look found last.
func (f *folder) Damage() words.Text {
	if text := f.found.Load(); text != nil {
		return *text
	}
	return ""
}

// lookEvery is how often a running program looks what is set aside, so that the
// alarm ends with the repair.
const lookEvery = 10 * time.Second

// Run looks again and again until ctx ends: a disk that hangs must not hold up
// the loop.
func (f *folder) Run(ctx context.Context) error { return every(ctx, lookEvery, f.look) }

// every does something now, and again and again until ctx ends.
func every(ctx context.Context, wait time.Duration, do func()) error {
	tick := time.NewTicker(wait)
	defer tick.Stop()
	for {
		do()
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}
