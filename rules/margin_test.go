package rules

import (
	"strings"
	"testing"

	"calandria/plant"
)

// Which limit an alarm has is read off its condition, and one that lies outside the
// range of its instrument is told.
func TestLimitOfAnAlarm(t *testing.T) {
	h, err := plant.Load("plant.yaml", []byte(`site: {name: Small Mill (invented)}
opcua: {servers: [{name: s, endpoint: "opc.tcp://127.0.0.1:1", policy: None, mode: None}]}
sets: [{name: EV, bodies: [{name: B1, heating_surface_m2: 100, tags: {vapour_pressure: {node: "nsu=u;s=p", unit: kPa}, level: {node: "nsu=u;s=l", range: [0, 110]}}}]}]
`))
	if err != nil {
		t.Fatal(err)
	}
	const rest = `, title: t, severity: moderate, time_to_respond: 4m, cause: c., consequence: c., response: r.}`
	cases := []struct{ rule, key, out string }{
		{`tag: EV.B1.level, unit: "%", high: 70`, "high", ""},
		{`tag: EV.B1.level, unit: "%", high: 110`, "high", "cannot be passed"},
		{`tag: EV.B1.level, unit: "%", low: 0`, "low", "cannot be passed"},
		{`when: EV.B1.level > limit.most and EV.B1.vapour_pressure < kPa(50), limits: {most: pct(80)}`, "limits.most", ""},
		{`when: EV.B1.level > limit.most or EV.B1.vapour_pressure < kPa(50), limits: {most: pct(80)}`, "", ""},
		{`when: EV.B1.level > 2 * limit.most, limits: {most: pct(40)}`, "", ""},
		{`when: 'avg(EV.B1.level, "10m") > limit.most', limits: {most: pct(120)}`, "limits.most", ""},
		{`tag: EV.B1.level, unit: "%", high: 70, suppress_when: EV.B1.level > pct(10)`, "high", ""},
		{`tag: EV.B1.level, unit: "%", high: 70, suppress_when: EV.B1.level >= pct(0)`, "high", "holds at any reading"},
		{`tag: EV.B1.level, unit: "%", high: 70, suppress_when: not (EV.B1.level == pct(111)) and EV.B1.level < pct(120)`, "high", "holds at any reading"},
		{`tag: EV.B1.level, unit: "%", high: 70, suppress_when: 'max_over(EV.B1.level, "1h") > pct(-1) or EV.B1.vapour_pressure > kPa(5)'`, "high", "holds at any reading"},
		{`tag: EV.B1.level, unit: "%", high: 70, suppress_when: EV.B1.level == pct(50) or EV.B1.vapour_pressure > kPa(5)`, "high", ""},
		{`tag: EV.B1.level, unit: "%", high: 70, suppress_when: is_bad(EV.B1.level)`, "high", ""},
	}
	var file strings.Builder
	file.WriteString("alarms:\n")
	for i, c := range cases {
		file.WriteString("  - {name: a" + string(rune('a'+i)) + ", " + c.rule + rest + "\n")
	}
	s, err := Load([]File{{Name: "a.yaml", Data: []byte(file.String())}}, h, Options{})
	if err != nil {
		t.Fatal(err)
	}
	said := map[string]string{}
	for _, n := range s.CannotCall() {
		said[n.Rule] = n.Text
	}
	for i, c := range cases {
		l, ok := s.Limit(i)
		if ok != (c.key != "") || l.Key != c.key {
			t.Errorf("%s: limit %+v, want %q", c.rule, l, c.key)
		}
		if got := said[s.Alarms()[i].Name]; (got == "") != (c.out == "") || !strings.Contains(got, c.out) {
			t.Errorf("%s: %q, want %q", c.rule, got, c.out)
		}
	}
}
