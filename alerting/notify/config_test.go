package notify

import (
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

const notifyHouse = `site: {name: Mill (invented), time_zone: Africa/Johannesburg}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:4840", policy: None}]}
sets:
  - name: EV
    bodies:
      - {name: B1, heating_surface_m2: 100, tags: {vapour_pressure: {node: "nsu=urn:x;s=p"}}}
notify:
`

func TestNotifyFaults(t *testing.T) {
	const web = "  - {name: a, kind: webhook, secret_file: k, url: \"https://host/x\""
	const mail = "  - {name: m, kind: email, server: \"mail:587\", from: a@b.example, to: [c@d.example]"
	for _, c := range []struct{ yaml, want string }{
		{web + "}", ""},
		{mail + ", user: u, password_file: p, schedule: [{days: [mon-fri], from: 06:00, to: \"18:00\"}]}", ""},
		{"  - {name: am, kind: alertmanager, url: \"http://127.0.0.1:9093\", priority: medium, equipment: [EV.B1]}", ""},
		{"  - {name: am, kind: alertmanager, url: \"http://am:9093\", plain: true}", ""},
		{"  - {name: am, kind: alertmanager, url: \"http://am:9093\"}", "plant.yaml:8:36: notify[0].url: the address is not encrypted"},
		{"  - {name: am, kind: alertmanager, url: \"http://u:topsecret@am:9093\"}", "a password does not belong"},
		{"  - {name: am, kind: alertmanager, url: \"https://am\", schedule: [{days: [mon]}]}", "its own time intervals"},
		{"  - {name: am, kind: pigeon}", `kind "pigeon" is not known; use one of webhook, email, alertmanager`},
		{"  - {name: a, kind: webhook, url: \"https://host\"}", "no key to sign with"},
		{"  - {name: a, kind: webhook, secret: abc, url: \"https://host\"}", `unknown key; did you mean "server"?`},
		{web + ", priority: 2}", `priority "2" is not known`},
		{web + ", equipment: [EV.B2]}", `there is no equipment "EV.B2"; did you mean "EV.B1"?`},
		{web + ", to: [c@d.example]}", "kind webhook has no use for to"},
		{web + ", schedule: [{days: [monday]}]}", `"monday" is not a day; write mon`},
		{web + ", schedule: [{from: \"6:00\"}]}", `"6:00" is not a time of day`},
		{web + ", schedule: [{from: \"25:00\"}]}", "not a time of day"},
		{web + ", schedule: [{from: \"06:00\", to: \"06:00\"}]}", "end when they begin"},
		{web + ", keep: 10s}", "out of bounds"},
		{web + ", role: \"a\\nb\"}", "control character"},
		{mail + ", tls: none}", "unencrypted"},
		{mail + ", tls: none, plain: true, user: u, password_file: p}", "never sent unencrypted"},
		{mail + ", user: u}", "go together"},
		{"  - {name: m, kind: email, server: mail, from: a@b.example, to: [c@d.example]}", "not host:port"},
		{"  - {name: m, kind: email, server: \"mail:25\", from: \"a@b.example\\r\\nBcc: x@y\", to: [c@d.example]}", "not a mail address"},
		{"  - {name: m, kind: email, server: \"mail:25\", from: a@b.example, to: [\"c@d.example, e@f\"]}", "not a mail address"},
		{"  - {name: m, kind: email, server: \"mail:25\", from: a@b.example}", "nobody is to receive"},
		{web + "}\n" + web + "}", "is there twice"},
	} {
		_, err := plant.Load("plant.yaml", []byte(notifyHouse+c.yaml+"\n"), Part())
		switch {
		case c.want == "" && err != nil:
			t.Errorf("%s: %v", c.yaml, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%s:\n got %v\nwant %s", c.yaml, err, c.want)
		case err != nil && strings.Contains(err.Error(), "topsecret"):
			t.Errorf("the fault repeats a password: %v", err)
		}
	}
}

// The hours are those of the clock on the wall; a stretch over midnight
// belongs to the day on which it begins.
func TestHours(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin") // clocks go forward on 2026-03-29 at 02:00
	if err != nil {
		t.Fatal(err)
	}
	day := Schedule{Days: []string{"mon-fri"}, From: "06:00", To: "18:00"}
	night := Schedule{Days: []string{"sat"}, From: "22:00", To: "06:00"}
	for _, c := range []struct {
		s    Schedule
		at   string
		want bool
	}{
		{day, "2026-03-27 06:00", true}, // a Friday
		{day, "2026-03-27 05:59", false},
		{day, "2026-03-27 17:59", true},
		{day, "2026-03-27 18:00", false},
		{day, "2026-03-28 12:00", false},
		{night, "2026-03-28 22:00", true},
		{night, "2026-03-29 03:30", true}, // after the change of clocks
		{night, "2026-03-29 05:59", true},
		{night, "2026-03-29 06:00", false},
		{night, "2026-03-28 03:00", false},
		{night, "2026-03-29 23:00", false},
		{Schedule{}, "2026-03-29 23:59", true},
		{Schedule{Days: []string{"fri-mon"}, To: "24:00"}, "2026-03-29 23:59", true},
		{Schedule{Days: []string{"fri-mon"}}, "2026-03-26 12:00", false},
	} {
		h, err := c.s.Hours()
		if err != nil {
			t.Fatal(err)
		}
		at, err := time.ParseInLocation("2006-01-02 15:04", c.at, zone)
		if err != nil {
			t.Fatal(err)
		}
		if got := h.Holds(at); got != c.want {
			t.Errorf("%+v at %s: %t", c.s, c.at, got)
		}
	}
}
