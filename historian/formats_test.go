package historian

import (
	"context"
	"database/sql"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"calandria/historian/journal"
	"calandria/plant"
)

// What the sample folders hold: three hours of two tags that are in Parquet and in
// roll-ups, and ten minutes two days later that are in the log.
var (
	formatStart = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	formatParts = [][2]int{{0, 720}, {11520, 11560}} // steps of 15 s
)

const formatTag = "EV.EV1.vapour_pressure"

func formatPoint(i int) plant.Point {
	at := formatStart.Add(time.Duration(i) * 15 * time.Second)
	if i == 100 {
		return plant.BadPoint(at, plant.BadNoCommunication)
	}
	return plant.Point{Time: at, Value: math.Round(100*(50+10*math.Sin(float64(i)/40))) / 100, Quality: plant.Good}
}

// writeFormat writes a folder as the program of today does.
func writeFormat(t *testing.T, dir string) {
	t.Helper()
	now := formatStart
	a, err := Open(filepath.Join(dir, "archive"), Options{Now: func() time.Time { return now }})
	if err != nil {
		t.Fatal(err)
	}
	err = a.Describe(TagInfo{Path: formatTag, Unit: "kPa", Meaning: "vapour", Resolution: 0.01}, TagInfo{Path: "EV.economy", Meaning: "economy"})
	for _, part := range formatParts {
		for i := part[0]; i < part[1]; i++ {
			p := formatPoint(i)
			now = p.Time
			recs := []Record{{Path: formatTag, Point: p}}
			if i%4 == 0 {
				recs = append(recs, Record{Path: "EV.economy", Point: plant.Point{Time: now, Value: 3 + float64(i)/1000, Quality: plant.Good}})
			}
			err = errors.Join(err, a.Append(recs))
		}
		err = errors.Join(err, a.Flush(t.Context()))
		if part[0] == 0 {
			now = formatStart.Add(48 * time.Hour)
			err = errors.Join(err, a.Maintain(t.Context()))
		}
	}
	if err := errors.Join(err, a.Close()); err != nil {
		t.Fatal(err)
	}
	j, err := journal.Open(filepath.Join(dir, "journal.db"))
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}

// Folders of each version are read: every value, roll-up and record. Then they go on
// as folders of today, and are read again.
func TestFormats(t *testing.T) {
	folders, err := filepath.Glob("../testdata/historian/formats/*/archive")
	if err != nil || len(folders) != 4 {
		t.Fatal(folders, err)
	}
	for _, folder := range folders {
		name := filepath.Base(filepath.Dir(folder))
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.CopyFS(dir, os.DirFS(filepath.Dir(folder))); err != nil {
				t.Fatal(err)
			}
			within := 0.0
			if name == "rows" {
				within = 0.005 // rounded to a power of two below the resolution
			}
			a, err := Open(filepath.Join(dir, "archive"), Options{ReadOnly: true})
			if err != nil {
				t.Fatal(err)
			}
			checkFormatValues(t, a, within)
			kinds := map[string]int{}
			for _, l := range rollLevels {
				for _, c := range a.cold.list(l.kind, math.MinInt64, math.MaxInt64) {
					for _, e := range c.entries(formatTag) {
						if err := c.scanRoll(context.Background(), e, math.MinInt64, math.MaxInt64, func(r *rollAcc) { kinds[l.kind] += int(r.count) }); err != nil {
							t.Error(err)
						}
					}
				}
			}
			want := map[string]int{"rollup-1min": 719, "rollup-10min": 719, "rollup-1h": 719}
			if name == "rows" || name == "decimals" {
				delete(want, "rollup-10min")
			}
			for kind, n := range want {
				if kinds[kind] != n {
					t.Errorf("%s: %d samples, want %d", kind, kinds[kind], n)
				}
			}
			a.Close()
			now := formatStart.Add(40 * 24 * time.Hour)
			if a, err = Open(filepath.Join(dir, "archive"), Options{Now: func() time.Time { return now }}); err != nil {
				t.Fatal(err)
			}
			defer a.Close()
			if err := a.Maintain(t.Context()); err != nil {
				t.Fatal(err)
			}
			checkFormatValues(t, a, within)
			checkFormatJournal(t, filepath.Join(dir, "journal.db"))
		})
	}
}

func checkFormatValues(t *testing.T, a *Archive, within float64) {
	t.Helper()
	if d := a.Damage(time.Time{}, formatStart.Add(1e6*time.Second)); len(d) > 0 {
		t.Fatal(d)
	}
	var want []plant.Point
	for _, part := range formatParts {
		for i := part[0]; i < part[1]; i++ {
			want = append(want, formatPoint(i))
		}
	}
	got := collect(t, a, formatTag, formatStart, formatStart.Add(1e6*time.Second))
	if len(got) != len(want) {
		t.Fatalf("%d values, want %d", len(got), len(want))
	}
	for i, p := range want {
		g := got[i]
		if !g.Time.Equal(p.Time) || g.Quality != p.Quality || g.Unit != "kPa" || p.Usable() && !(math.Abs(g.Value-p.Value) <= within) {
			t.Fatalf("value %d is %+v, want %+v", i, g, p)
		}
	}
	economy := collect(t, a, "EV.economy", formatStart, formatStart.Add(1e6*time.Second))
	if len(economy) != len(want)/4 || economy[10].Value != 3.04 {
		t.Errorf("%d values of the economy", len(economy))
	}
	if in := a.Tags(); len(in) != 2 || in[0].Meaning != "vapour" {
		t.Errorf("tags: %+v", in)
	}
}

func checkFormatJournal(t *testing.T, path string) {
	t.Helper()
	for range 2 { // a journal of before is taken under the chain once
		j, err := journal.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := j.Verify(t.Context()); err != nil {
			t.Error(err)
		}
		events, err := j.Read(t.Context(), plant.EventFilter{Kinds: []plant.EventKind{plant.EventAlarm, plant.EventReturn}})
		if err != nil || len(events) != 2 || events[0].Alarm != "vacuum_low" {
			t.Errorf("events: %v %v", events, err)
		}
		cleanings, err1 := j.Cleanings(t.Context(), "", formatStart, formatStart.Add(time.Hour))
		strikes, err2 := j.Strikes(t.Context(), plant.StrikeFilter{})
		corrections, err3 := j.Corrections(t.Context(), "", time.Time{}, formatStart.Add(1e6*time.Second))
		if err := errors.Join(err1, err2, err3); err != nil || len(cleanings) != 1 || cleanings[0].User != "A. Day" || len(strikes) != 1 || strikes[0].Number != 7 || len(corrections) != 1 || corrections[0].Factor != 1.04 {
			t.Errorf("records: %v %v %v %v", cleanings, strikes, corrections, err)
		}
		if views, known, err := j.Setting("trend_views"); views != "[]" || !known || err != nil {
			t.Errorf("setting: %q %v", views, err)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// The newest sample is what the program of today writes; a change of a format needs a
// new sample, and a page in docs/formats.
func TestFormatsAreComplete(t *testing.T) {
	dir := t.TempDir()
	writeFormat(t, dir)
	if got, want := formatsOf(t, dir), formatsOf(t, "../testdata/historian/formats/explained"); !slices.Equal(got, want) {
		t.Errorf("the formats have changed: keep a folder of today in testdata/historian/formats.\ntoday:  %q\nsample: %q", got, want)
	}
}

// formatsOf says what the files of a folder are: kind, head, columns and keys.
func formatsOf(t *testing.T, dir string) (out []string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "archive", "*", "*"))
	if err != nil {
		t.Fatal(err)
	}
	more, err := filepath.Glob(filepath.Join(dir, "archive", "*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range append(files, more...) {
		b, err := os.ReadFile(name)
		if err != nil {
			continue // a folder
		}
		what, _, _ := strings.Cut(string(b), "\n")
		if strings.HasSuffix(name, ".parquet") {
			f, err := parquet.OpenFile(strings.NewReader(string(b)), int64(len(b)))
			if err != nil {
				t.Fatal(err)
			}
			what = f.Schema().String()
			for _, kv := range f.Metadata().KeyValueMetadata {
				what += " " + kv.Key
			}
			about, _ := f.Lookup(aboutKey)
			_, version, _ := strings.Cut(about, `"format":`)
			what += " " + strings.TrimRight(version[:2], ",")
		}
		out = append(out, strings.Split(filepath.Base(name), "_")[0]+": "+what)
	}
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, "journal.db")+"?immutable=1")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	err = eachRow(db, `SELECT sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name`, func(scan func(...any) error) error {
		var s string
		err := scan(&s)
		out = append(out, s)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}
