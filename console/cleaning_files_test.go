package console

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"calandria/thermo/fouling"
)

var monday = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

func aPlan() fouling.Plan {
	return fouling.Plan{Start: monday, Days: 14, CostUnit: "Bx days", Cost: 5000, CostNone: 9000, Cleanings: []fouling.Cleaning{
		{Body: "EV5; \"Körper fünf\", last body of the northern set with a long name\nsecond line", Day: monday, Hours: 10, First: monday, Last: monday.AddDate(0, 0, 1), Latest: monday.AddDate(0, 0, 2), WaitCost: 12, Saves: 400, Ratio: 0.7},
		{Body: "EV4", Day: monday.AddDate(0, 0, 5), Hours: 8.5, First: monday.AddDate(0, 0, 4), Last: monday.AddDate(0, 0, 6), Ratio: 0.8},
	}}
}

// Every output says what it is, and what not.
func TestOutputsCarryTheNotice(t *testing.T) {
	p := aPlan()
	p.Cleanings[0].Stop = "=1+1"
	var text, table bytes.Buffer
	if err := WritePlanCSV(&table, &p); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&table).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 1+len(p.Cleanings) {
		t.Fatalf("%d rows", len(rows))
	}
	for _, row := range rows[1:] {
		if row[len(row)-1] != fouling.Notice.String() {
			t.Errorf("row without the notice: %q", row)
		}
	}
	if rows[1][12] != "'=1+1" {
		t.Errorf("a formula passed into the CSV: %q", rows[1][12])
	}
	for _, w := range []func() error{
		func() error { return WritePlanCalendar(&text, &p, time.Time{}, "mill.example") },
		func() error { return WritePlanCalendar(&text, &p, monday, "") },
	} {
		if w() == nil {
			t.Error("a calendar without stamp or domain passed")
		}
	}
}

// unfold and check a calendar by the rules of RFC 5545: CRLF ends every line, no
// line is longer than 75 octets (3.1), components nest and are not empty (3.6),
// UID and DTSTAMP stand once in each (3.8.4.7, 3.8.7.2), text is escaped (3.3.11).
func checkCalendar(t *testing.T, data []byte) (events []map[string]string) {
	t.Helper()
	s := string(data)
	if !strings.HasSuffix(s, "\r\n") {
		t.Fatal("does not end in CRLF")
	}
	if strings.ContainsAny(strings.ReplaceAll(s, "\r\n", ""), "\r\n") {
		t.Fatal("a bare CR or LF")
	}
	for l := range strings.SplitSeq(s, "\r\n") {
		if len(l) > 75 {
			t.Errorf("%d octets: %q", len(l), l)
		}
		if !utf8.ValidString(l) {
			t.Errorf("a character was cut: %q", l)
		}
	}
	var open []string
	uids := map[string]bool{}
	var now map[string]string
	for l := range strings.SplitSeq(strings.TrimSuffix(strings.ReplaceAll(s, "\r\n ", ""), "\r\n"), "\r\n") {
		name, value, ok := strings.Cut(l, ":")
		if !ok {
			t.Fatalf("no colon in %q", l)
		}
		name, param, _ := strings.Cut(name, ";")
		switch name {
		case "BEGIN":
			open = append(open, value)
			now = map[string]string{"component": value}
			continue
		case "END":
			if len(open) == 0 || open[len(open)-1] != value {
				t.Fatalf("END:%s in %v", value, open)
			}
			if len(open) == 2 {
				for _, need := range []string{"UID", "DTSTAMP", "DTSTART", "SUMMARY", "DESCRIPTION"} {
					if now[need] == "" {
						t.Errorf("%s without %s", value, need)
					}
				}
				events = append(events, now)
			}
			open = open[:len(open)-1]
			continue
		}
		if len(open) == 1 {
			now[name] = value
			continue
		}
		if _, twice := now[name]; twice {
			t.Errorf("%s twice", name)
		}
		now[name] = value
		switch name {
		case "UID":
			if uids[value] || !strings.Contains(value, "@") {
				t.Errorf("UID %q", value)
			}
			uids[value] = true
		case "DTSTAMP":
			if _, err := time.Parse("20060102T150405Z", value); err != nil {
				t.Error(err)
			}
		case "DTSTART", "DTEND":
			if _, err := time.Parse("20060102", value); err != nil || param != "VALUE=DATE" {
				t.Errorf("%s: %v", l, err)
			}
		case "SUMMARY", "DESCRIPTION":
			for i := 0; i < len(value); i++ {
				switch value[i] {
				case '\\':
					i++
					if i == len(value) || !strings.ContainsRune(`\;,nN`, rune(value[i])) {
						t.Errorf("bad escape in %q", value)
					}
				case ';', ',':
					t.Errorf("unescaped %c in %q", value[i], value)
				}
			}
		}
	}
	if len(open) != 0 || len(events) == 0 {
		t.Errorf("open %v, %d events", open, len(events))
	}
	return events
}

func TestCalendar(t *testing.T) {
	p := aPlan()
	var b bytes.Buffer
	stamp := time.Date(2026, 3, 1, 7, 30, 0, 0, time.FixedZone("", 2*3600))
	if err := WritePlanCalendar(&b, &p, stamp, "mill.example"); err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(b.String(), "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:") {
		t.Errorf("begins %q", b.String()[:60])
	}
	ev := checkCalendar(t, b.Bytes())
	if len(ev) != len(p.Cleanings) {
		t.Fatalf("%d events for %d cleanings", len(ev), len(p.Cleanings))
	}
	plain := strings.NewReplacer(`\n`, "\n", `\,`, ",", `\;`, ";", `\\`, `\`)
	for i, e := range ev {
		if e["DTSTAMP"] != "20260301T053000Z" {
			t.Errorf("DTSTAMP %s", e["DTSTAMP"])
		}
		if e["DTSTART"] != p.Cleanings[i].Day.Format("20060102") || e["DTEND"] != p.Cleanings[i].Day.AddDate(0, 0, 1).Format("20060102") {
			t.Errorf("%s to %s for %s", e["DTSTART"], e["DTEND"], p.Cleanings[i].Day)
		}
		if !strings.Contains(plain.Replace(e["DESCRIPTION"]), fouling.Notice.String()) {
			t.Error("an event without the notice")
		}
		if want := "Proposed: clean " + p.Cleanings[i].Body; !strings.HasPrefix(plain.Replace(e["SUMMARY"]), want) {
			t.Errorf("summary %q, want %q", e["SUMMARY"], want)
		}
	}
	// An empty plan is a calendar too.
	p.Cleanings = nil
	b.Reset()
	if err := WritePlanCalendar(&b, &p, stamp, "mill.example"); err != nil {
		t.Fatal(err)
	}
	checkCalendar(t, b.Bytes())
}

func FuzzCalendar(f *testing.F) {
	f.Add("EV5", "holiday; with, all\\the \"signs\"\r\n", "mill.example")
	f.Add("Verdampfkörper 🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭🏭", "\xff\xfe", "a b")
	f.Fuzz(func(t *testing.T, name, stop, domain string) {
		p := fouling.Plan{Start: monday, Days: 3, Cleanings: []fouling.Cleaning{{Body: name, Day: monday, Stop: stop, Hours: 8}, {Body: "x", Day: monday}}}
		var b bytes.Buffer
		if err := WritePlanCalendar(&b, &p, monday, domain); err != nil {
			if domain == "" {
				return
			}
			t.Fatal(err)
		}
		checkCalendar(t, b.Bytes())
		b.Reset()
		if err := WritePlanCSV(&b, &p); err != nil {
			t.Fatal(err)
		}
		if _, err := csv.NewReader(&b).ReadAll(); err != nil && utf8.ValidString(name+stop) {
			t.Fatal(err)
		}
	})
}

// The page and the API show one figure for the % of clean, that of u_ratio, and the
// best boiling time beside the plan.
func TestCleaningAPI(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	w := ask(s.Handler(), "GET", "/api/v1/cleaning", "", nil)
	var got struct {
		Bodies []struct {
			Body     string
			Forecast struct{ Ratio, Limit float64 }
		}
		Plan struct {
			Cleanings []struct {
				Body     string
				WaitCost float64 `json:"wait_cost"`
			}
			Best  []struct{ Throughput struct{ Days float64 } } `json:"best_boiling"`
			Habit struct{ Together bool }
		}
		Notice string
	}
	if err := json.Unmarshal(w.Body.Bytes(), &got); err != nil || w.Code != http.StatusOK {
		t.Fatalf("%d %v: %s", w.Code, err, w.Body)
	}
	if len(got.Bodies) != 5 || got.Bodies[3].Forecast.Ratio != 0.86 || got.Bodies[3].Forecast.Limit != 0.7 || len(got.Plan.Cleanings) != 2 ||
		got.Plan.Cleanings[0].WaitCost != 2588 || len(got.Plan.Best) != 2 || got.Plan.Best[0].Throughput.Days != 9.6 || !got.Plan.Habit.Together || got.Notice == "" {
		t.Errorf("%s", w.Body)
	}
	if w := ask(s.Handler(), "GET", "/api/v1/cleaning?nocrew=someday", "", nil); w.Code != http.StatusBadRequest {
		t.Errorf("a bad weekday: %d", w.Code)
	}
}
