package notify

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"calandria/alerting"
	"calandria/plant"
)

func zoneOf(t *testing.T, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// Days, nights that begin the day before, and holidays, in the zone of the site.
func TestRota(t *testing.T) {
	zone := zoneOf(t, "Europe/Berlin")
	yaml := `
holidays: [2026-12-25]
shifts:
  - {who: anna, days: [mon-fri], from: "06:00", to: "18:00"}
  - {who: ben, days: [mon-fri], from: "18:00", to: "06:00"}
  - {who: cem, days: [sat, sun], holidays: true}
`
	// The same weeks as a calendar (RFC 5545), written by hand.
	calendar := strings.ReplaceAll(`BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//test//EN
BEGIN:VEVENT
UID:1
DTSTAMP:20260101T000000Z
DTSTART;TZID=Europe/Berlin:20261130T060000
DTEND;TZID=Europe/Berlin:20261130T180000
RRULE:FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR
EXDATE;TZID=Europe/Berlin:20261225T060000
SUMMARY:anna
END:VEVENT
BEGIN:VEVENT
UID:2
DTSTAMP:20260101T000000Z
DTSTART;TZID=Europe/Berlin:20261130T180000
DTEND;TZID=Europe/Berlin:20261201T060000
RRULE:FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR
EXDATE;TZID=Europe/Berlin:20261225T180000
SUMMARY:ben
END:VEVENT
BEGIN:VEVENT
UID:3
DTSTAMP:20260101T000000Z
DTSTART;TZID=Europe/Berlin:20261128T000000
DURATION:P1D
RRULE:FREQ=WEEKLY;BYDAY=SA,SU
SUMMARY:cem
END:VEVENT
BEGIN:VEVENT
UID:4
DTSTAMP:20260101T000000Z
DTSTART;TZID=Europe/Berlin:20261225T000000
DTEND;TZID=Europe/Berlin:20261226T000000
SUMMARY:cem
END:VEVENT
END:VCALENDAR
`, "\n", "\r\n")
	for form, text := range map[string]string{"yaml": yaml, "calendar": calendar} {
		r, err := ReadRota("rota", []byte(text), zone)
		if err != nil {
			t.Fatal(form, err)
		}
		for at, want := range map[string]string{
			"2026-12-21 06:00": "anna",    // a Monday
			"2026-12-21 05:59": "",        // of Sunday night there is nobody but cem until midnight
			"2026-12-21 18:00": "ben",     //
			"2026-12-22 05:59": "ben",     // it began on Monday
			"2026-12-25 05:59": "ben cem", // Thursday's night runs into the holiday
			"2026-12-25 12:00": "cem",     // a Friday, and a holiday
			"2026-12-26 05:00": "cem",     // a Saturday; the night of the holiday was not ben's
			"2026-12-27 23:59": "cem",
		} {
			moment, err := time.ParseInLocation("2006-01-02 15:04", at, zone)
			if err != nil {
				t.Fatal(err)
			}
			if got := strings.Join(r.OnDuty(moment.UTC()), " "); got != want {
				t.Errorf("%s, %s: %q, want %q", form, at, got, want)
			}
		}
	}
	for _, bad := range []string{"shifts: [{who: a, days: [someday]}]", "holidays: [tomorrow]", "BEGIN:VCALENDAR\r\nnonsense", "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\nBEGIN:VEVENT\r\nUID:1\r\nSUMMARY:a\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"} {
		if _, err := ReadRota("rota", []byte(bad), zone); err == nil {
			t.Errorf("%q was accepted", bad)
		}
	}
}

// Not acknowledged: the next one, then everybody, once each; an acknowledgement or
// a return ends it; a start calls the step that is due by then again.
func TestEscalation(t *testing.T) {
	at := time.Date(2026, 12, 21, 12, 0, 0, 0, time.UTC)
	duty := &Rota{zone: time.UTC, Shifts: []Shift{{Who: "ben", hours: Hours{Days: [7]bool{true, true, true, true, true, true, true}, To: 24 * time.Hour}}}}
	fresh := func() *Escalation {
		return &Escalation{People: []string{"anna", "ben", "cem"}, After: 5 * time.Minute, Priority: "high"}
	}
	urgent := alerting.Status{Name: "A", Spec: &plant.AlarmSpec{Priority: plant.PriorityUrgent}, Active: true, Annunciated: true, Occurrence: 3, ActiveSince: at, LastChange: at}
	low := urgent
	low.Name, low.Spec = "LOW", &plant.AlarmSpec{Priority: plant.PriorityLow}
	run := func(e *Escalation, rota *Rota, until time.Duration, acked time.Duration) string {
		var out []string
		for d := time.Duration(0); d <= until; d += time.Second {
			a := urgent
			a.Annunciated = acked == 0 || d < acked
			for _, turn := range e.Due([]alerting.Status{a, low}, rota, at.Add(d)) {
				out = append(out, fmt.Sprintf("%s %s", d, strings.Join(turn.To, "+")))
			}
		}
		return strings.Join(out, ", ")
	}
	for _, c := range []struct {
		name, want   string
		rota         *Rota
		until, acked time.Duration
	}{
		{"nobody answers", "0s ben, 5m0s anna, 10m0s cem, 15m0s anna+ben+cem", duty, time.Hour, 0},
		{"the second answers", "0s ben, 5m0s anna", duty, time.Hour, 6 * time.Minute},
		{"no rota: the first of the list", "0s anna, 5m0s ben, 10m0s cem, 15m0s anna+ben+cem", nil, time.Hour, 0},
		{"nobody is on duty: everybody at once", "0s anna+ben+cem", &Rota{zone: time.UTC}, time.Hour, 0},
	} {
		if got := run(fresh(), c.rota, c.until, c.acked); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
	// A restart takes up who was called: nobody twice, but for a call of the last minute.
	for _, c := range []struct {
		stop time.Duration
		want string
	}{{7 * time.Minute, "10m0s cem, 15m0s anna+ben+cem"}, {5*time.Minute + 20*time.Second, "5m20s anna, 10m0s cem, 15m0s anna+ben+cem"}} {
		e := fresh()
		var before strings.Builder
		for d := time.Duration(0); d < c.stop; d += time.Second {
			for _, turn := range e.Due([]alerting.Status{urgent}, duty, at.Add(d)) {
				before.WriteString(strings.Join(turn.To, "+") + " ")
			}
		}
		stored, err := json.Marshal(e.Told)
		var told []Called
		if err = errors.Join(err, json.Unmarshal(stored, &told)); err != nil || before.String() != "ben anna " || len(told) != 1 || strings.Join(told[0].To, " ") != "ben anna" {
			t.Fatal(before.String(), told, err)
		}
		next := fresh()
		next.Resume(told, at.Add(c.stop))
		var got []string
		for d := c.stop; d <= time.Hour; d += time.Second {
			for _, turn := range next.Due([]alerting.Status{urgent}, duty, at.Add(d)) {
				got = append(got, fmt.Sprintf("%s %s", d, strings.Join(turn.To, "+")))
			}
		}
		if strings.Join(got, ", ") != c.want {
			t.Errorf("stopped after %s: %q, want %s", c.stop, got, c.want)
		}
	}
	e := fresh()
	if turns := e.Due([]alerting.Status{urgent}, duty, at.Add(7*time.Minute)); len(turns) != 1 || turns[0].Step != 2 || turns[0].To[0] != "anna" {
		t.Errorf("after a start: %+v", turns)
	}
}

// A link is good for its alarm, occurrence and time; any change shows.
func TestLinks(t *testing.T) {
	now := time.Date(2026, 12, 21, 12, 0, 0, 0, time.UTC)
	l := &Links{Address: "https://mill.example", Key: []byte(strings.Repeat("k", 32)), Expires: time.Minute}
	address := l.Make("anna", &plant.Event{Alarm: "A", Occurrence: 7}, now)
	token, ok := strings.CutPrefix(address, "https://mill.example/acknowledge/")
	if !ok {
		t.Fatal(address)
	}
	if x, err := l.Read(token, now.Add(59*time.Second), false); err != nil || x.Alarm != "A" || x.Occurrence != 7 || x.Receiver != "anna" {
		t.Errorf("%+v %v", x, err)
	}
	if _, err := l.Read(token, now.Add(61*time.Second), false); err == nil {
		t.Error("an expired link")
	}
	var kept map[string]time.Time
	l.Keep = func(used map[string]time.Time) { kept = used }
	if _, err := l.Read(token, now, true); err != nil {
		t.Error(err)
	}
	restarted := &Links{Address: l.Address, Key: l.Key, Expires: l.Expires, Used: kept}
	for _, l := range []*Links{l, restarted} {
		if _, err := l.Read(token, now, true); err == nil || !strings.Contains(err.Error(), "used already") {
			t.Errorf("a second time: %v", err)
		}
	}
	for i := range token {
		b := []byte(token)
		if b[i]++; b[i] == 'Z'+1 || b[i] == 'z'+1 || b[i] == '9'+1 {
			b[i] = 'A'
		}
		if _, err := l.Read(string(b), now, true); err == nil {
			t.Fatalf("altered at %d", i)
		}
	}
	other := &Links{Key: []byte(strings.Repeat("x", 32))}
	if _, err := other.Read(token, now, false); err == nil {
		t.Error("another key")
	}
}
