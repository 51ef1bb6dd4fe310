package historian

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"calandria/plant"
)

// An archive opens whatever stands in place of one of its files or folders, and
// gives what the others hold.
func TestArchiveOpensAnyway(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	at := time.Date(2026, 3, 27, 0, 0, 0, 0, time.UTC)
	now := at.Add(time.Hour)
	opt := Options{Now: func() time.Time { return now }}
	random := make([]byte, 5000)
	for i := range random {
		random[i] = byte(r.Uint32())
	}
	folder := func(p string) error { return errors.Join(os.RemoveAll(p), os.Mkdir(p, 0o700)) }
	file := func(p string) error { return errors.Join(os.RemoveAll(p), os.WriteFile(p, random, 0o600)) }
	cut := func(p string) error {
		info, err := os.Stat(p)
		if err != nil {
			return err
		}
		return os.Truncate(p, info.Size()/2)
	}
	for _, c := range []struct {
		name, file string
		damage     func(string) error
		kept       bool // the samples outlive it
	}{
		{"tags: random", "tags", file, true}, {"tags: cut", "tags", cut, true}, {"tags: a folder", "tags", folder, true},
		{"manifest: random", "manifest", file, true}, {"manifest: a folder", "manifest", folder, true},
		{"hot: a file", "hot", file, false}, {"raw: a file", "raw", file, true},
		{"segment: random", "hot/segment_00000001.log", file, false}, {"segment: cut", "hot/segment_00000001.log", cut, false},
		{"segment: a folder", "hot/segment_00000001.log", folder, false},
		{"hot.db of the first format: random", "hot.db", file, true}, {"hot.db: a folder", "hot.db", folder, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			open := func() *Archive {
				t.Helper()
				a, err := Open(dir, opt)
				if err != nil {
					t.Fatal(err)
				}
				return a
			}
			append1 := func(a *Archive, at time.Time) {
				t.Helper()
				if err := errors.Join(a.Append([]plant.Record{{Path: "EV.B1.level", Point: plant.Point{Time: at, Value: 50, Quality: plant.Good}}}), a.Flush(t.Context())); err != nil {
					t.Fatal(err)
				}
			}
			a := open()
			append1(a, at)
			append1(a, at.Add(time.Minute))
			if err := a.Close(); err != nil {
				t.Fatal(err)
			}
			if err := c.damage(filepath.Join(dir, c.file)); err != nil {
				t.Fatal(err)
			}
			a = open()
			append1(a, at.Add(2*time.Minute))
			if cov, err := a.Coverage(t.Context(), "EV.B1.level"); err != nil || c.kept && (cov.Samples != 3 || !cov.First.Equal(at)) {
				t.Errorf("%+v %v", cov, err)
			}
			if err := a.Close(); err != nil {
				t.Error(err)
			}
			a = open()
			if p, ok, err := a.Last(t.Context(), "EV.B1.level"); err != nil || !ok || !p.Time.Equal(at.Add(2*time.Minute)) {
				t.Errorf("what came after: %v %t %v", p, ok, err)
			}
			a.Close()
		})
	}
}
