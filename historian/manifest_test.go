package historian

import (
	"bytes"
	"context"
	"fmt"
	"math/rand"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

// damageRig is an archive of ten days, one file a day, of two tags.
func damageRig(t *testing.T) (dir string, open func() *Archive) {
	t.Helper()
	dir = t.TempDir()
	now := at(20 * 86400)
	open = func() *Archive {
		a, err := Open(dir, Options{Hot: time.Hour, Now: func() time.Time { return now }})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { a.Close() })
		return a
	}
	a := open()
	if err := a.Describe(TagInfo{Path: "A.exact", Unit: "kPa"}, TagInfo{Path: "A.dec", Unit: "kPa", Resolution: 0.01}); err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewSource(1))
	for day := range 10 {
		w := a.Bulk(context.Background(), nil)
		for _, p := range []string{"A.exact", "A.dec"} {
			for i := range 1440 {
				if err := w.Add(p, good(float64(day*86400+i*60), rng.NormFloat64()*10)); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
	}
	a.Close()
	return dir, open
}

func rawFiles(t *testing.T, dir string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, kindRaw, "*.parquet"))
	if err != nil || len(files) != 20 {
		t.Fatal(len(files), err)
	}
	return files
}

// Ten ways to damage one of the files: the others are read in full, the lost
// stretch is named in what is read, in Health, and as the error of an export.
func TestDamage(t *testing.T) {
	ctx := context.Background()
	flip := func(share float64) func([]byte) []byte {
		return func(b []byte) []byte {
			i := int(share * float64(len(b)-1))
			b[i] ^= 0x40
			return b
		}
	}
	ways := map[string]func([]byte) []byte{
		"gone":          nil,
		"empty":         func([]byte) []byte { return []byte{} },
		"cut":           func(b []byte) []byte { return b[:len(b)/2] },
		"one byte less": func(b []byte) []byte { return b[:len(b)-1] },
		"longer":        func(b []byte) []byte { return append(b, 0) },
		"zeroed":        func(b []byte) []byte { return make([]byte, len(b)) },
		"first byte":    flip(0),
		"an early byte": flip(0.1),
		"in the middle": flip(0.5),
		"in the footer": flip(0.99),
		"last byte":     flip(1),
		"a hole":        func(b []byte) []byte { copy(b[len(b)/3:len(b)/3+200], make([]byte, 200)); return b },
	}
	for what, change := range ways {
		t.Run(what, func(t *testing.T) {
			dir, open := damageRig(t)
			file := rawFiles(t, dir)[8]
			before, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if change == nil {
				err = os.Remove(file)
			} else {
				err = os.WriteFile(file, change(bytes.Clone(before)), 0o600)
			}
			if err != nil {
				t.Fatal(err)
			}
			a := open()
			if err := a.Scrub(ctx, nil); err != nil {
				t.Fatal(err)
			}
			h := a.Health()
			if len(h.Damage) != 1 || h.Damage[0].File != file {
				t.Fatalf("%v", h.Damage)
			}
			marks := 0
			for _, p := range []string{"A.exact", "A.dec"} {
				n := 0
				for _, v := range collect(t, a, p, at(-1), at(1e9)) {
					if v.Quality.Code()&^extraData == plant.BadDataLost.Code() {
						marks++
						if v.Time.Before(h.Damage[0].From) || v.Time.After(h.Damage[0].To) {
							t.Errorf("a mark at %v, outside the damage %v", v.Time, h.Damage[0])
						}
					} else {
						n++
					}
				}
				if n < 9*1440 {
					t.Errorf("%s: only %d samples: more than one file is lost", p, n)
				}
			}
			if d := a.Damage(at(-1), at(1e9)); len(d) == 0 || !strings.Contains((&DamageError{d}).Error(), filepath.Base(file)) {
				t.Errorf("damage %v", d)
			}
			if err := a.Maintain(ctx); err != nil { // merges the rest
				t.Fatal(err)
			}
			if err := a.Merged(ctx, []string{"A.exact", "A.dec"}, at(-1), at(1e9), func([]plant.Sample) error { return nil }); err != nil {
				t.Fatal(err)
			}
			a.Close()
			// Brought back from a backup, all is well.
			if err := os.WriteFile(file, before, 0o600); err != nil {
				t.Fatal(err)
			}
			a = open()
			if err := a.Scrub(ctx, nil); err != nil {
				t.Fatal(err)
			}
			for _, p := range []string{"A.exact", "A.dec"} {
				if n := len(collect(t, a, p, at(-1), at(1e9))); n != 14400 {
					t.Errorf("%s: %d samples after the repair", p, n)
				}
			}
			if d := a.Health().Damage; len(d) != 0 {
				t.Errorf("after the repair: %v", d)
			}
		})
	}
}

// Files are in the manifest after every change, and files without a checksum,
// as the first format left them, get one.
func TestManifest(t *testing.T) {
	dir, open := damageRig(t)
	if err := os.Remove(filepath.Join(dir, manifestFile)); err != nil {
		t.Fatal(err)
	}
	a := open()
	if err := a.Scrub(context.Background(), nil); err != nil {
		t.Fatal(err)
	}
	a.Close()
	file := rawFiles(t, dir)[3]
	b, _ := os.ReadFile(file)
	b[100] ^= 1
	if err := os.WriteFile(file, b, 0o600); err != nil {
		t.Fatal(err)
	}
	a = open()
	if err := a.Scrub(context.Background(), nil); err != nil {
		t.Fatal(err)
	}
	if d := a.Health().Damage; len(d) != 1 || !strings.Contains(d[0].Problem.String(), "checksum") {
		t.Fatal(d)
	}
	// One process removes and merges while another one reads: no false alarm.
	b2, err := Open(dir, Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer b2.Close()
	if err := a.Maintain(context.Background()); err != nil {
		t.Fatal(err)
	}
	if n := len(collect(t, b2, "A.dec", at(-1), at(1e9))); n < 9*1440 {
		t.Fatal(n)
	}
	if d := b2.Health().Damage; len(d) > 1 {
		t.Fatal(fmt.Sprint(d))
	}
}

// A file that is replaced while the files are proven is not damaged.
func TestScrubWhileFilesAreReplaced(t *testing.T) {
	ctx := context.Background()
	dir, _ := damageRig(t)
	a, err := Open(dir, Options{Hot: time.Hour, Now: func() time.Time { return at(60 * 86400) }}) // the month is complete
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	merged := false
	if err := a.Scrub(ctx, func(context.Context, int) {
		if !merged {
			merged = true
			if err := a.Maintain(ctx); err != nil {
				t.Error(err)
			}
		}
	}); err != nil {
		t.Fatal(err)
	}
	if n := len(a.cold.list(kindRaw, plant.MinTime.UnixNano(), plant.MaxTime.UnixNano())); n >= 20 {
		t.Fatalf("%d files: nothing was merged", n)
	}
	if d := a.Damage(plant.MinTime, plant.MaxTime); len(d) > 0 {
		t.Errorf("damage: %v", d)
	}
}
