package console

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"calandria/plant"
	"calandria/plant/words"
	"calandria/thermo/pan"
)

// A report says the same on its page, in CSV and in PDF; the PDF is read back by a
// program of others.
func TestReports(t *testing.T) {
	h := newServer(t, newMill(t, time.Now()), Options{Version: "0.0"}).Handler()
	for _, span := range []string{"shift", "day", "week", "season"} {
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
	}, func(t time.Time) words.Text { return words.Text(t.UTC().Format("02 15:04")) })
	want := [][]string{{"mill: the server has no history", "01 10:00", "01 11:30", "17"}, {"the program was down", "02 04:30", "02 06:00", dash}}
	if len(rows) != 2 || fmt.Sprint(rows) != fmt.Sprint(want) {
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

// A task stands on the report of each shift until somebody says that it is done; both are
// in the journal.
func TestTasks(t *testing.T) {
	m := newMill(t, time.Now())
	h := newServer(t, m, Options{}).Handler()
	w := ask(h, http.MethodPost, "/record/note", "from=shift&task=yes&name=Ada&text=Change+the+gauge+glass&source=EV.EV2", sameOrigin)
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/record/shift?done=handed" {
		t.Fatalf("%d to %s", w.Code, w.Header().Get("Location"))
	}
	given := m.events[len(m.events)-1]
	if given.Kind != plant.EventTask || given.User != "Ada" {
		t.Fatalf("journalled as %+v", given)
	}
	open := func() bool {
		return strings.Contains(get(t, h, "/record/shift", http.StatusOK), "Change the gauge glass <small>EV.EV2")
	}
	if !open() || !strings.Contains(pdfText(t, ask(h, http.MethodGet, "/record/report?span=shift&format=pdf", "", nil).Body.Bytes()), "Change the gauge glass") {
		t.Error("the task does not stand on the report")
	}
	path := fmt.Sprintf("/record/tasks/%d/done", given.Seq)
	if w := ask(h, http.MethodPost, path, "", sameOrigin); w.Code != http.StatusUnprocessableEntity || !open() {
		t.Errorf("done by nobody: %d", w.Code)
	}
	if w := ask(h, http.MethodPost, path, "name=Ben", sameOrigin); w.Code != http.StatusSeeOther || open() {
		t.Errorf("done: %d", w.Code)
	}
	if e := m.events[len(m.events)-1]; e.Kind != plant.EventDone || e.Occurrence != given.Seq || e.User != "Ben" {
		t.Errorf("journalled as %+v", e)
	}
	if w := ask(h, http.MethodPost, path, "name=Ben", sameOrigin); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("done twice: %d", w.Code)
	}
}

// TestTargets: means against what the site wants.
func TestTargets(t *testing.T) {
	least, most := 1., 2.
	s := newServer(t, newMill(t, time.Now()), Options{Targets: map[string]Target{
		"EV.economy": {Least: &least}, "EV.syrup_brix": {Least: &least, Most: &most}, "EV.ecconomy": {Most: &most}}})
	page := squeeze(get(t, s.Handler(), "/record/shift", http.StatusOK))
	for _, want := range []string{"EV economy\n</th>\n<td class=\"n\">\nfrom 1.00\n", "EV syrup Brix\n</th>\n<td class=\"n\">\nfrom 1.0 to 2.0\n", "there is no such tag", "\nyes\n", "\nno\n"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q", want)
		}
	}
}

// TestIdlePans: an average of a pan counts only while a strike ran.
func TestIdlePans(t *testing.T) {
	now := time.Now()
	m := newMill(t, now)
	s := newServer(t, m, Options{})
	boiling := s.boiling(t.Context(), now.Add(-24*time.Hour), now, now)
	records, err := m.StrikeRecords(t.Context(), plant.StrikeFilter{Limit: 1})
	if err != nil || len(records) == 0 {
		t.Fatal("the fixture has no strike", err)
	}
	r := records[0]
	if !boiling(r.Pan, r.Start.Add(time.Minute)) || boiling(r.Pan, r.Start.Add(-time.Minute)) {
		t.Errorf("strike of %s from %v to %v is not where %s boils", r.Pan, r.Start, r.End, r.Pan)
	}
	drop, ok := r.Phase(pan.Drop)
	if !ok || boiling(r.Pan, drop.Start.Add(time.Minute)) || !boiling(r.Pan, drop.Start.Add(-time.Minute)) {
		t.Errorf("the drop of %s at %v counts as boiling, or there is none", r.Pan, drop.Start)
	}
	for path, want := range map[string]string{"CD5.approach": "", "CDA.approach": "PA1", "PA1.vapour_pressure": "PA1", "EV.economy": ""} {
		if tag, ok := m.House().Find(path); !ok || strings.Join(s.pansBehind(tag), " ") != want {
			t.Errorf("%s: pans behind it are %v, want %q", path, s.pansBehind(tag), want)
		}
	}
}

// TestOrders: reports go to a folder and by mail, once each, at the time of events; what
// fails is tried again.
func TestOrders(t *testing.T) {
	dir, fails := t.TempDir(), 1
	var sent []string
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{Mail: func(_ context.Context, to, subject, name, kind string, data []byte) error {
		if fails--; fails >= 0 {
			return errors.New("no route")
		}
		sent = append(sent, to+" "+subject+" "+name+" "+kind)
		if !bytes.HasPrefix(data, []byte("%PDF")) {
			t.Error("no PDF is attached")
		}
		return nil
	}})
	at := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC) // Monday, an hour into the first shift
	orders := []ReportOrder{{Span: "shift", Folder: dir}, {Span: "week", Folder: dir, Files: []string{"pdf", "csv"}}, {Span: "day", Mail: "office"}}
	run := func(now time.Time) (faults int) {
		for i := range orders {
			if s.order(t.Context(), &orders[i], now) != nil {
				faults++
			}
		}
		return faults
	}
	if n := run(at); n != 1 {
		t.Errorf("%d orders failed, want that of the mail", n)
	}
	m.events = append(m.events, plant.Event{}) // numbers go on
	if n := run(at.Add(time.Minute)) + run(at.Add(2*time.Minute)); n != 0 {
		t.Errorf("%d orders failed", n)
	}
	if len(sent) != 1 || sent[0] != "office Test Mill (invented): Day report, 2026-03-01 06:00 to 2026-03-02 06:00 report-day-2026-03-01.pdf application/pdf" {
		t.Errorf("sent %q", sent)
	}
	names, _ := filepath.Glob(filepath.Join(dir, "*"))
	for i := range names {
		names[i] = filepath.Base(names[i])
	}
	if got := strings.Join(names, " "); got != "report-shift-2026-03-01-2200.pdf report-week-2026-02-23.csv report-week-2026-02-23.pdf" {
		t.Errorf("files %s", got)
	}
	for field, o := range map[string]ReportOrder{"span": {Span: "year", Folder: "x"}, "hours": {Span: "day", Hours: 8, Folder: "x"}, "folder": {Span: "day"}, "files": {Span: "day", Folder: "x", Files: []string{"doc"}}} {
		if got, _, _ := o.check(); got != field {
			t.Errorf("%+v: fault of %q, want %s", o, got, field)
		}
	}
}
