package marks

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

// A mark a day for the last days, a week apart before; the newest before a moment
// comes first, a damaged one is passed over, and what is forgotten is gone.
func TestMarks(t *testing.T) {
	m := Folder{Dir: filepath.Join(t.TempDir(), "learned")}
	first := time.Date(2026, 1, 1, 6, 0, 0, 0, time.UTC)
	for h := range 120 * 24 {
		at := first.Add(time.Duration(h) * time.Hour)
		if err := m.Keep(at, func() ([]byte, error) { return []byte(at.Format(time.DateOnly)), nil }); err != nil {
			t.Fatal(err)
		}
	}
	all := m.times()
	newest := all[len(all)-1]
	if n := len(all); n < 8+11 || n > 9+14 || newest.Sub(all[0]) > marksMost {
		t.Errorf("%d marks, the first of %s", n, all[0])
	}
	for i := 1; i < len(all); i++ {
		if gap := all[i].Sub(all[i-1]); gap > 7*24*time.Hour {
			t.Errorf("nothing between %s and %s", all[i-1], all[i])
		}
	}
	before := func(at time.Time) string {
		for data := range m.Before(at) {
			return string(data)
		}
		return ""
	}
	if got, want := before(newest), newest.Add(-24*time.Hour).Format(time.DateOnly); got != want {
		t.Errorf("before %s: %s, want %s", newest, got, want)
	}
	if err := os.WriteFile(filepath.Join(m.Dir, markName(all[len(all)-2])), []byte("damaged"), 0o640); err != nil {
		t.Fatal(err)
	}
	if got, want := before(newest), all[len(all)-3].Format(time.DateOnly); got != want {
		t.Errorf("past the damaged one: %s, want %s", got, want)
	}
	if err := m.Forget(all[3]); err != nil || len(m.times()) != 4 {
		t.Errorf("%v, %d marks left", err, len(m.times()))
	}
	if before(all[0]) != "" {
		t.Error("a mark of before the first")
	}
}
