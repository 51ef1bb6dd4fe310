package engine_test

import (
	"bytes"
	"io/fs"
	"math"
	"reflect"
	"testing"
	"time"

	"calandria/collector/simulator"
	"calandria/deploy"
	"calandria/engine"
	"calandria/plant"
	"calandria/rules"
)

// millHouse is the invented mill's house, without the tags of a core.
func millHouse(t testing.TB) *plant.House {
	t.Helper()
	h, err := plant.Load("plant.demo.yaml", deploy.Demo())
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func libraryFiles(t testing.TB) []rules.File {
	t.Helper()
	var files []rules.File
	names, err := fs.Glob(deploy.Rules(), "*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range names {
		data, err := fs.ReadFile(deploy.Rules(), n)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, rules.File{Name: n, Data: data})
	}
	return files
}

// mill gives the readings of the invented mill, step by step.
type mill struct {
	model *simulator.Model
	tags  []plant.Tag // measured
	nodes []int
}

func newMill(h *plant.House, seed uint64, at time.Time) *mill {
	m := &mill{model: simulator.New(seed, at)}
	byNode := map[string]int{}
	for i, in := range m.model.Instruments() {
		byNode[in.Node()] = i
	}
	for _, t := range h.Tags {
		if n, ok := byNode[t.Node]; ok && t.Source == plant.Measured {
			m.tags, m.nodes = append(m.tags, t), append(m.nodes, n)
		}
	}
	return m
}

// step moves the mill on and gives what its instruments show.
func (m *mill) step(at time.Time) []plant.Sample {
	m.model.AdvanceTo(at)
	readings := m.model.Values()
	out := make([]plant.Sample, len(m.tags))
	for i, t := range m.tags {
		v, q := t.Convert(readings[m.nodes[i]].Raw, readings[m.nodes[i]].Quality)
		out[i] = plant.Sample{Tag: t.ID, Point: plant.Point{Time: at, Value: v, Quality: q}}
	}
	return out
}

func newCore(t testing.TB, h *plant.House) *engine.Core {
	t.Helper()
	c, err := engine.New(h, libraryFiles(t), rules.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// A core that is saved and restored goes on as if nothing had happened: the same
// frames to the last bit, the same forecasts, suspects, strikes.
func TestRestoredCoreGoesOn(t *testing.T) {
	begin := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	const step, hours = 20 * time.Second, 14
	h := millHouse(t)
	m := newMill(h, 3, begin)
	lived := newCore(t, h)
	lived.Begin(begin)
	lived.AllWell(begin)
	var resumed *engine.Core
	n := int(hours * time.Hour / step)
	for i := range n {
		at := begin.Add(time.Duration(i) * step)
		samples := m.step(at)
		cores := []*engine.Core{lived}
		if resumed != nil {
			cores = append(cores, resumed)
		}
		for _, c := range cores {
			for _, s := range samples {
				c.Sample(s, at)
			}
			c.Scan(at)
		}
		if i%(n/5) == n/10 { // five restarts, between scans
			of := lived
			if resumed != nil {
				of = resumed
			}
			data, err := of.Save(at)
			if err != nil {
				t.Fatal(err)
			}
			cp, err := engine.ReadCheckpoint(data)
			if err != nil {
				t.Fatal(err)
			}
			if resumed, err = engine.Resume(millHouse(t), libraryFiles(t), cp, at.Add(time.Second)); err != nil {
				t.Fatal(err)
			}
			again, err := resumed.Save(at)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(data, again) {
				t.Fatalf("the checkpoint of what was restored differs: %d bytes and %d", len(data), len(again))
			}
			t.Logf("%s: a checkpoint of %d bytes", at.Format("15:04"), len(data))
		}
		if resumed != nil {
			sameFrames(t, lived, resumed, at)
		}
	}
	a, b := lived.Picture(lived.Frame.At), resumed.Picture(lived.Frame.At)
	for _, x := range []struct {
		what string
		a, b any
	}{{"reasons", a.Reasons, b.Reasons}, {"strikes", a.Strikes, b.Strikes}, {"suspects", lived.Calc.Suspects(), resumed.Calc.Suspects()},
		{"vacuum", lived.Calc.Vacuum(), resumed.Calc.Vacuum()}} {
		if !same(x.a, x.b) {
			t.Errorf("%s differ after the restarts:\n%+v\n%+v", x.what, x.a, x.b)
		}
	}
	for i, s := range lived.Calc.Scales("") {
		r := resumed.Calc.Scales("")[i]
		if !same(s.Forecast, r.Forecast) || !same(s.Cycles, r.Cycles) {
			t.Errorf("%s: forecast %+v, after the restarts %+v", s.Body, s.Forecast, r.Forecast)
		}
	}
}

func sameFrames(t *testing.T, a, b *engine.Core, at time.Time) {
	t.Helper()
	differ := 0
	for i := range a.Frame.Points {
		p, q := a.Frame.Points[i], b.Frame.Points[i]
		if p.Quality != q.Quality || !p.Time.Equal(q.Time) || p.Value != q.Value && !(math.IsNaN(p.Value) && math.IsNaN(q.Value)) {
			if differ++; differ < 10 {
				t.Errorf("%s: %s is %v, after the restart %v", at.Format("15:04:05"), a.House.Tags[i].Path, p, q)
			}
		}
	}
	if differ > 0 {
		t.Fatalf("%d of %d tags differ", differ, len(a.Frame.Points))
	}
}

// same compares deeply; NaN equals NaN, and times are compared as moments.
func same(a, b any) bool { return alike(reflect.ValueOf(a), reflect.ValueOf(b)) }

func alike(a, b reflect.Value) bool {
	if a.IsValid() != b.IsValid() {
		return false
	}
	if !a.IsValid() {
		return true
	}
	if x, ok := a.Interface().(time.Time); ok {
		return x.Equal(b.Interface().(time.Time))
	}
	switch a.Kind() {
	case reflect.Float64:
		return a.Float() == b.Float() || math.IsNaN(a.Float()) && math.IsNaN(b.Float())
	case reflect.Struct:
		for i := range a.NumField() {
			if a.Type().Field(i).IsExported() && !alike(a.Field(i), b.Field(i)) {
				return false
			}
		}
		return true
	case reflect.Pointer:
		if a.IsNil() || b.IsNil() {
			return a.IsNil() == b.IsNil()
		}
		return alike(a.Elem(), b.Elem())
	case reflect.Slice, reflect.Array:
		if a.Len() != b.Len() {
			return false
		}
		for i := range a.Len() {
			if !alike(a.Index(i), b.Index(i)) {
				return false
			}
		}
		return true
	case reflect.Map:
		if a.Len() != b.Len() {
			return false
		}
		for _, k := range a.MapKeys() {
			if !alike(a.MapIndex(k), b.MapIndex(k)) {
				return false
			}
		}
		return true
	}
	return reflect.DeepEqual(a.Interface(), b.Interface())
}

func BenchmarkSave(b *testing.B) {
	begin := time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)
	h := millHouse(b)
	m, c := newMill(h, 3, begin), newCore(b, h)
	c.Begin(begin)
	for at := begin; at.Before(begin.Add(12 * time.Hour)); at = at.Add(time.Minute) {
		for _, s := range m.step(at) {
			c.Sample(s, at)
		}
		c.Scan(at)
	}
	for b.Loop() {
		data, err := c.Save(c.Frame.At)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(len(data)), "bytes")
	}
}
