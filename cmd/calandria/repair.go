package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"calandria/cmd/service"
	"calandria/console"
	"calandria/historian"
	"calandria/historian/journal"
	"calandria/plant"
	"calandria/plant/files"
)

type repairCmd struct {
	Config string `help:"The plant file." default:"plant.yaml" type:"path"`
	Data   string `help:"Folder for archive, journal and certificates." default:"data" type:"path"`
	Mend   bool   `help:"Set damaged files aside and take over what can be read of them, as a start does. The program must not run."`
	Good   string `help:"Write the plant and rule files with which the program ran last into this new folder." type:"path"`
	Done   bool   `help:"What was set aside is dealt with: move it to set-aside, and the alarm ends. The program may run."`
}

// Run says what of the program's files is damaged or was set aside, what follows
// from it and what to do; it mends what a start would.
func (c *repairCmd) Run(a *app) error {
	if c.Good != "" {
		if err := service.WriteGood(c.Data, c.Good); err != nil {
			return fmt.Errorf("write the last good plant and rule files: %w", err)
		}
		fmt.Fprintf(a.out, "the plant and rule files with which the program ran last are in %s\n", c.Good)
	}
	core, _, broken, err := service.UsableFiles(c.Config, c.Data)
	if err != nil {
		return err
	}
	h := core.House
	if c.Mend {
		if err := c.mend(a, h); err != nil {
			return err
		}
	}
	if c.Done {
		if err := c.done(a); err != nil {
			return err
		}
	}
	found := 0
	say := func(what, problem, follows, do string) {
		found++
		fmt.Fprintf(a.out, "%s\n  is:      %s\n  follows: %s\n  do:      %s\n", what, problem, follows, do)
	}
	if broken != nil {
		say(c.Config, broken.Error(), "changes of plant and rules since then are not in force", "mend what 'calandria check' names, or bring back the files that 'calandria repair --good FOLDER' writes; then start the service again")
	}
	const mend = "run 'calandria repair --mend' with the program stopped; a start does the same by itself"
	why, err := journal.Fault(filepath.Join(c.Data, "journal.db"))
	if err != nil {
		say("journal.db", "it cannot be read: "+err.Error(), "events are kept in a temporary folder only", "give the service the rights to read and write it")
	} else if why != "" {
		say("journal.db", why, "a start sets it aside and takes over what can be read", mend)
	}
	if _, err := historian.ReadCheckpoint(c.Data, service.CheckpointName); err != nil && !errors.Is(err, fs.ErrNotExist) {
		say(service.CheckpointName, err.Error(), "a start works out from the archive what was learned, which takes longer", mend)
	}
	for _, d := range c.archiveDamage(h) {
		say(d, "part of the archive is damaged", "its time is marked as lost in trends and exports", "bring the file back from a backup, then start the service again")
	}
	if file := service.ConsoleOptions(h).Accounts; file != "" {
		if _, err := console.LoadAccounts(file); err != nil {
			say(file, err.Error(), "who cannot be read in it cannot sign in", "'calandria repair --mend' keeps the entries that are whole; then 'calandria user add' for the others")
		}
	}
	for _, name := range service.AsideIn(c.Data) {
		note, err := files.Read(name+service.NoteEnd, 64<<10)
		if err != nil {
			note = []byte("set aside, without a note")
		}
		say(name, strings.TrimSpace(string(note)), "the alarm 'Files of the program are damaged' stands", "bring back the file from a backup if more was lost than you can bear; then 'calandria repair --done'")
	}
	if found == 0 {
		fmt.Fprintf(a.out, "%s: nothing is damaged and nothing is set aside\n", c.Data)
		return nil
	}
	return fmt.Errorf("%d files need attention", found)
}

func (c *repairCmd) archiveDamage(h *plant.House) (lines []string) {
	ar, err := service.OpenArchive(service.ArchiveDir(h, c.Data))
	if err != nil {
		return []string{err.Error()}
	}
	defer ar.Close()
	for _, d := range ar.Health().Damage {
		lines = append(lines, d.String())
	}
	return lines
}

// mend does what a start would do with damaged files.
func (c *repairCmd) mend(a *app, h *plant.House) error {
	now := time.Now()
	f, err := service.OpenFolder(c.Data, now, a.log)
	if err != nil {
		return err
	}
	defer f.Unlock()
	if f.Temporary != "" {
		return fmt.Errorf("%s; mend its rights or the disk first", f.Temporary)
	}
	ar, err := f.OpenArchive(h, now)
	if err != nil {
		return err
	}
	j, err := f.OpenJournal(now)
	if err != nil {
		return errors.Join(err, ar.Close())
	}
	f.CheckCheckpoint(now)
	if err := errors.Join(ar.Close(), j.Close()); err != nil {
		return err
	}
	file := service.ConsoleOptions(h).Accounts
	text, unread := files.Read(file, plant.MaxFileBytes)
	if _, err := console.LoadAccounts(file); file == "" || err == nil || unread != nil {
		return nil
	}
	saved := console.SalvageAccounts(text)
	if err := f.Aside(file, now, fmt.Sprintf("%d accounts and %d tokens were saved from it", len(saved.Users), len(saved.Tokens))); err != nil {
		return err
	}
	if len(saved.Users) == 0 {
		return nil
	}
	return saved.Save(file)
}

// done moves what was set aside out of sight of the alarm.
func (c *repairCmd) done(a *app) error {
	dir := filepath.Join(c.Data, "set-aside")
	for _, name := range files.Aside(c.Data) {
		if err := os.MkdirAll(dir, 0o750); err != nil {
			return err
		}
		to := filepath.Join(dir, strings.Replace(filepath.Base(name), files.AsideMark, "-", 1))
		if err := os.Rename(name, to); err != nil {
			return err
		}
		fmt.Fprintf(a.out, "%s is now %s\n", name, to)
	}
	return nil
}
