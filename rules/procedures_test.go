package rules

import (
	"strings"
	"testing"
)

const procedureRule = `
alarms:
  - name: low
    title: Low
    tag: EV.EV1.vapour_pressure
    low: 5
    unit: kPa
    deadband: 0.5
    on_delay: 10s
    severity: minor
    time_to_respond: 30m
    cause: a
    consequence: b
    response: c
    procedure: "SITE PROCEDURE: Vacuum loss"
`

func TestProcedures(t *testing.T) {
	h := house(t)
	list := File{Name: "site/procedures.yaml", Data: []byte("procedures:\n  vacuum loss: {title: Loss of vacuum, revision: 4, document: docs/vacuum.pdf}\n  venting: {document: \"https://d.local/1\"}\n")}
	s, err := Load([]File{{Name: "rules.yaml", Data: []byte(procedureRule)}, list}, h, Options{})
	if err != nil {
		t.Fatal(err)
	}
	a := s.Alarms()[0]
	if a.Procedure != "Loss of vacuum, revision 4" || a.Topic != "vacuum loss" || a.Document != "site/docs/vacuum.pdf" {
		t.Errorf("%q %q %q", a.Procedure, a.Topic, a.Document)
	}
	if p := s.Procedures(); len(s.Placeholders()) != 0 || len(p) != 2 || p[1].Title != "Venting" || p[1].Document != "https://d.local/1" {
		t.Errorf("%+v, placeholders %v", p, s.Placeholders())
	}
	for _, c := range []struct{ list, want string }{
		{"procedures: {x: {title: X}}", "no document"},
		{"procedures: {x: {document: a.exe}}", "cannot show"},
		{"procedures: {x: {document: \"ftp://h/a.pdf\"}}", "no file and no address"},
		{"procedures: {x: {document: a.pdf}, X: {document: b.pdf}}", "stands twice"},
		{"procedures: {x: {document: a.pdf, page: 3}}", "page"},
	} {
		_, err := Load([]File{{Name: "rules.yaml", Data: []byte(procedureRule)}, {Name: "p.yaml", Data: []byte(c.list)}}, house(t), Options{})
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "p.yaml:1") {
			t.Errorf("%s: %v", c.list, err)
		}
	}
}
