package rules

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"calandria/plant"
	"calandria/plant/words"
)

// bigSite is a house of 5,000 tags and 10,000 alarms: 6,000 limits, 1,000
// arithmetic, 1,000 of several comparisons, 1,000 on averages, 1,000 with a
// suppression.
func bigSite(tb testing.TB) *bench {
	var p, r strings.Builder
	p.WriteString("site: {name: Big (invented)}\nopcua: {servers: [{name: s, endpoint: \"opc.tcp://127.0.0.1:4840\", policy: None, mode: None}]}\npans: [{name: PA}]\ntags:\n")
	for i := range 5000 {
		fmt.Fprintf(&p, "  t%d: {node: \"nsu=urn:x;i=%d\", unit: kPa, dimension: pressure}\n", i, i+1)
	}
	r.WriteString("alarms:\n")
	for i := range 10000 {
		a, b := i%5000, (i*7+1)%5000
		fmt.Fprintf(&r, "  - name: r%d\n   %s", i, texts)
		switch {
		case i < 6000:
			fmt.Fprintf(&r, "    tag: t%d\n    high: 120\n    unit: kPa\n    deadband: 2\n", a)
		case i < 7000:
			fmt.Fprintf(&r, "    when: abs(t%d - t%d) > kPa(30)\n", a, b)
		case i < 8000:
			fmt.Fprintf(&r, "    when: t%d > kPa(110) and t%d < kPa(90) or t%d > t%d\n", a, b, a, b)
		case i < 9000:
			fmt.Fprintf(&r, "    when: avg(t%d, \"10m\") > kPa(120)\n", a)
		default:
			fmt.Fprintf(&r, "    tag: t%d\n    low: 20\n    unit: kPa\n    suppress_when: t%d < kPa(50)\n", a, b)
		}
	}
	h, err := plant.Load("plant.yaml", []byte(p.String()))
	if err != nil {
		tb.Fatal(err)
	}
	s, err := Load([]File{{"rules.yaml", []byte(r.String())}}, h, Options{})
	if err != nil {
		tb.Fatal(err)
	}
	return &bench{s, tb, h, plant.NewFrame(len(h.Tags))}
}

// BenchmarkSecond is one second of a big site: a sample of each tag, then a
// scan.
func BenchmarkSecond(b *testing.B) {
	x := bigSite(b)
	n := 0
	emit := func(int, plant.AlarmInput) { n++ }
	put := func(id plant.TagID, p plant.Point) { x.f.Points[id] = p }
	sup := func(int, plant.Truth, words.Text) {}
	at := t0
	b.ReportAllocs()
	for b.Loop() {
		at = at.Add(time.Second)
		for i := range 5000 {
			x.f.Points[i] = plant.Point{Time: at, Value: 100 + float64(i%17), Quality: plant.Good}
			x.Sample(x.f, plant.TagID(i), emit, sup)
		}
		x.Scan(x.f, at, put, emit, sup)
	}
	b.ReportMetric(float64(n)/float64(b.N), "conditions/op")
}

func BenchmarkLoad(b *testing.B) {
	for b.Loop() {
		bigSite(b)
	}
}
