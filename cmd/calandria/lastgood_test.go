//go:build unix

package main

import (
	"context"
	"errors"
	"log/slog"
	"maps"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/cmd/service"
	"calandria/engine"
	"calandria/plant"
)

// A start whose plant or rule file is damaged or gone begins with those of before:
// the alarm of the plant comes, every page and an alarm say so, 'repair' explains it
// and writes the good files; once the file is mended a reload ends the alarm.
func TestStartsWithTheLastGoodFiles(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts the program many times")
	}
	first := newSmallMill(t, "", damageRules())
	first.start()
	first.await("values", 10*time.Second, func(s *engine.Picture) bool { return first.alarm(s, "pressure").Active })
	first.stop()
	for _, file := range []string{"plant.yaml", "rules/a.yaml"} {
		kinds := damages(filepath.Join(first.dir, file))
		kinds["gone"] = nil
		kinds["a fault"] = nil
		for _, kind := range slices.Sorted(maps.Keys(kinds)) {
			t.Run(file+" "+kind, func(t *testing.T) {
				m := &smallMill{t: t, dir: t.TempDir(), data: t.TempDir()}
				path := filepath.Join(m.dir, file)
				if err := errors.Join(os.CopyFS(m.data, os.DirFS(first.data)), os.CopyFS(m.dir, os.DirFS(first.dir))); err != nil {
					t.Fatal(err)
				}
				was, err := os.ReadFile(path)
				if err != nil {
					t.Fatal(err)
				}
				switch kind {
				case "gone":
					err = os.Remove(path)
				case "cut":
					err = os.Truncate(path, int64(strings.Index(string(was), "heating_surface")+strings.Index(string(was), "hazard: none")+5)) // one of them is there
				case "a fault":
					err = os.WriteFile(path, append(slices.Clone(was), "\nunheard_of: 1\n"...), 0o600)
				default:
					err = damages(path)[kind]()
				}
				if err != nil {
					t.Fatal(err)
				}
				m.start()
				m.await("watching, and the damage as an alarm", 20*time.Second, func(s *engine.Picture) bool {
					return m.alarm(s, "pressure").Active && m.alarm(s, "damaged") != nil && m.alarm(s, "damaged").Active
				})
				if page, more := m.get("/trends"), m.get("/instruments"); !strings.Contains(page, "files of the program") || !strings.Contains(more, "runs with the plant and rule files of") {
					t.Errorf("the pages say nothing of it: %s", page)
				}
				good := filepath.Join(t.TempDir(), "good")
				out := &strings.Builder{}
				err = (&repairCmd{Config: filepath.Join(m.dir, "plant.yaml"), Data: m.data, Good: good}).Run(&app{ctx: context.Background(), out: out, log: slog.New(slog.DiscardHandler)})
				if err == nil || !strings.Contains(out.String(), "cannot be used") {
					t.Errorf("repair says %v: %s", err, out)
				}
				saved, err := os.ReadFile(filepath.Join(good, file))
				if err == nil && string(saved) != string(was) {
					err = errors.New("it differs")
				}
				if err = errors.Join(err, os.RemoveAll(path), os.WriteFile(path, saved, 0o600)); err != nil {
					t.Fatal(err)
				}
				m.mustReload()
				m.await("the end of the alarm", 20*time.Second, func(s *engine.Picture) bool { return !m.alarm(s, "damaged").Active })
			})
		}
	}
}

// Changes of plant and rule files are journalled with what the system knows of who
// made them, whether the program ran or not.
func TestChangesOfFilesAreJournalledWithWho(t *testing.T) {
	m := newSmallMill(t, "", damageRules())
	m.start()
	m.rules(damageRules() + "\n# by hand\n")
	m.mustReload()
	m.stop()
	m.write("plant.yaml", smallPlant+"\n# by hand too\n")
	if err := os.Rename(filepath.Join(m.dir, "rules/a.yaml"), filepath.Join(m.dir, "rules/b.yaml")); err != nil {
		t.Fatal(err)
	}
	m.start()
	m.await("values", 10*time.Second, func(s *engine.Picture) bool { return m.alarm(s, "pressure").Active })
	me, err := user.Current()
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range m.events(plant.EventConfig) {
		if strings.Contains(e.Text, "SHA-256") {
			got = append(got, e.Text)
			if e.User != me.Username && !strings.Contains(e.Text, "no longer") {
				t.Errorf("%s: by %q, we are %s", e.Text, e.User, me.Username)
			}
		}
	}
	a, b := service.ShortSum([]byte(damageRules())), service.ShortSum([]byte(damageRules()+"\n# by hand\n"))
	for i, want := range []string{"a.yaml was changed: SHA-256 " + a + " -> " + b, "plant.yaml was changed: SHA-256 " + service.ShortSum([]byte(smallPlant)) + " -> ",
		"b.yaml was changed: SHA-256 none -> " + b, "a.yaml is in use no longer: SHA-256 " + b} {
		if i >= len(got) || !strings.HasPrefix(got[i], want) {
			t.Errorf("entry %d of %q, want %q", i, got, want)
		}
	}
}
