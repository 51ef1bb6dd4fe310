package console

import (
	"bytes"
	"encoding/csv"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

// A report says the same on its page, in CSV and in PDF; the PDF is read back by a
// program of others.
func TestReports(t *testing.T) {
	h := newServer(t, newMill(t, time.Now()), Options{Version: "0.0"}).Handler()
	for _, span := range []string{"day", "week", "season"} {
		page := ask(h, http.MethodGet, "/record/report?span="+span, "", nil)
		if page.Code != http.StatusOK || !strings.Contains(page.Body.String(), "water evaporated") {
			t.Fatalf("%s: %d %.400s", span, page.Code, page.Body.String())
		}
		w := ask(h, http.MethodGet, "/record/report?span="+span+"&format=csv", "", nil)
		rows, err := csv.NewReader(bytes.NewReader(w.Body.Bytes())).ReadAll()
		if err != nil || len(rows) < 10 || rows[1][0] != span {
			t.Errorf("%s: CSV %v, %d rows", span, err, len(rows))
		}
		w = ask(h, http.MethodGet, "/record/report?span="+span+"&format=pdf", "", nil)
		text := pdfText(t, w.Body.Bytes())
		for _, want := range []string{"Test Mill (invented)", "water evaporated", "economy", "Most frequent alarms", "no safety system"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: no %q in the PDF:\n%.800s", span, want, text)
			}
		}
		// Each figure of the table of totals is printed; the last one may have grown meanwhile.
		later := ask(h, http.MethodGet, "/record/report?span="+span+"&format=csv", "", nil).Body.String()
		for _, r := range rows[1:] {
			if !strings.Contains(later, ","+r[6]+"\n") {
				continue
			}
			if strings.HasSuffix(r[3], "totals") && !strings.Contains(text, r[6]) {
				t.Errorf("%s: %s %s, %s is not in the PDF", span, r[4], r[5], r[6])
			}
		}
	}
	for _, bad := range []string{"span=year", "at=yesterday", "at=2199-01-01", "format=doc"} {
		if w := ask(h, http.MethodGet, "/record/report?"+bad, "", nil); w.Code != http.StatusBadRequest {
			t.Errorf("%s: %d", bad, w.Code)
		}
	}
}

// A report names what the archive lacks: the text of the journal's entry is that of
// the collector and of the start.
func TestGapsInReports(t *testing.T) {
	at := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	rows := gapRows([]plant.Event{
		{Kind: plant.EventSource, Source: "mill", Text: "connection lost: timeout"},
		{Kind: plant.EventSource, Source: "mill", Text: "no data of 17 tags from 2026-03-01T10:00:00Z to 2026-03-01T11:30:00Z: the program was down, and the server has no history of them"},
		{Kind: plant.EventStart, Time: at, DurationS: 20},
		{Kind: plant.EventStart, Time: at, DurationS: 5400},
	}, func(t time.Time) string { return t.UTC().Format("02 15:04") })
	want := [][]string{{"mill: the server has no history", "01 10:00", "01 11:30", "17"}, {"the program was down", "02 04:30", "02 06:00", dash}}
	if len(rows) != 2 || !slices.Equal(rows[0], want[0]) || !slices.Equal(rows[1], want[1]) {
		t.Errorf("%q", rows)
	}
}

func pdfText(t *testing.T, pdf []byte) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "r.pdf")
	if err := os.WriteFile(name, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("pdftotext", "-layout", name, "-").Output()
	if err != nil {
		t.Fatalf("pdftotext: %v; run 'make test-deps'", err)
	}
	return string(out)
}
