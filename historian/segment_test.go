package historian

import (
	"bytes"
	"context"
	"math"
	"math/rand"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"calandria/plant"
)

func randomRows(rng *rand.Rand, n int) []hotRow {
	var rows []hotRow
	for range n {
		r := hotRow{tag: int64(rng.Intn(40)), decimals: uint8([]int{0, 2, 14, exactDecimals}[rng.Intn(4)])}
		switch rng.Intn(4) {
		case 0:
			r.time = t0.UnixNano() + int64(rng.Intn(2000))*1e6
		case 1:
			r.time = t0.UnixNano() + rng.Int63n(1e12)
		case 2:
			r.time = plant.MinTime.UnixNano()
		default:
			r.time = plant.MaxTime.UnixNano() - rng.Int63n(1e18)
		}
		switch rng.Intn(5) {
		case 0:
			r.value = math.NaN()
		case 1:
			r.value = rng.NormFloat64() * math.Pow10(rng.Intn(60)-30)
		default:
			r.value = roundTo(rng.NormFloat64()*100, 2) + 0 // no -0, as settle has it
		}
		if rng.Intn(5) == 0 {
			r.status = rng.Uint32()
		}
		rows = append(rows, r)
	}
	sortRows(rows)
	return rows
}

func sameRow(a, b hotRow) bool {
	return a.tag == b.tag && a.time == b.time && a.status == b.status && math.Float64bits(a.value) == math.Float64bits(b.value)
}

// What goes into a frame or a chunk comes out, to the last bit.
func TestFrameRoundTrip(t *testing.T) {
	rng := rand.New(rand.NewSource(1))
	for range 200 {
		rows := randomRows(rng, rng.Intn(300))
		frame := appendFrame(nil, frameSamples, func(b []byte) []byte { return samplesBody(b, rows) })
		var got []hotRow
		if f, ok := frameAt(frame); !ok || len(f) != len(frame) {
			t.Fatal("its own frame is not good")
		}
		if err := decodeFrame(frame, func(r hotRow) { got = append(got, r) }); err != nil {
			t.Fatal(err)
		}
		if !slices.EqualFunc(got, rows, sameRow) {
			t.Fatalf("%d rows do not come back as they were", len(rows))
		}
		c := newChunk(rng.Intn(exactDecimals + 1))
		for i := range rows {
			c.add(&rows[i])
		}
		var s series
		c.read(math.MinInt64, math.MaxInt64, &s)
		for i, r := range rows {
			if s.time[i] != r.time || s.status[i] != r.status || math.Float64bits(s.value[i]) != math.Float64bits(r.value) {
				t.Fatalf("%v became %v %v %v", r, s.time[i], s.value[i], s.status[i])
			}
		}
	}
}

// A value at a resolution is the float64 next to a decimal number with the
// fewest decimals whose step is not above the resolution.
func TestRoundTo(t *testing.T) {
	for _, c := range []struct{ resolution, v, want float64 }{
		{0.01, 56.2371, 56.24}, {0.01, -0.005001, -0.01}, {0.05, 1.26, 1.26}, {0.001, 0.1 + 0.2, 0.3},
		{1, 12.4, 12}, {0.1, 1e300, 1e300}, {0, 1.0 / 3, 1.0 / 3}, {100, 1234.56, 1235}, {1e-20, 1.0 / 3, 0.33333333333333},
	} {
		if got := roundTo(c.v, decimalsOf(c.resolution)); got != c.want {
			t.Errorf("%v at %v is %v, want %v", c.v, c.resolution, got, c.want)
		}
	}
}

func FuzzFrame(f *testing.F) {
	rng := rand.New(rand.NewSource(1))
	for range 5 {
		rows := randomRows(rng, 20)
		b := appendFrame(nil, frameTags, func(b []byte) []byte { return tagBody(b, 3, "A.x", "kPa") })
		f.Add(appendFrame(b, frameSamples, func(b []byte) []byte { return samplesBody(b, rows) }))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		// Also bodies that a checksum would have kept out: no panic, bounded work.
		n := 0
		decodeFrame(append(make([]byte, frameHead), b...), func(hotRow) { n++ })
		decodeTags(append(make([]byte, frameHead), b...), func(int64, string, string) { n++ })
		if n > len(b) {
			t.Fatalf("%d samples out of %d bytes", n, len(b))
		}
		if err := DumpSegment(&bytes.Buffer{}, append([]byte(segmentMagic), b...), true); err != nil && err != errFrame {
			t.Fatal(err)
		}
	})
}

// A log with ten commits is cut at every byte, and every byte is changed: what
// comes back is what was confirmed before the cut, or all but the damaged commit.
func TestSegmentDamaged(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir, at(0))
	for i := range 10 {
		mustAppend(t, a, "A.x", good(float64(i), float64(i)))
	}
	a.Close()
	file := filepath.Join(dir, hotDir, "segment_00000001.log")
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var ends []int
	walkFrames(whole[len(segmentMagic):], func(f []byte, _, to int) error {
		if f[3] == frameSamples {
			ends = append(ends, len(segmentMagic)+to)
		}
		return nil
	})
	if len(ends) != 10 || ends[9] != len(whole) {
		t.Fatal(ends, len(whole))
	}
	values := func() (out []float64) {
		b, err := Open(dir, Options{ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		for _, v := range collect(t, b, "A.x", at(-1), at(100)) {
			out = append(out, v.Value)
		}
		return out
	}
	for cut := range whole {
		if err := os.WriteFile(file, whole[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		want := 0
		for _, e := range ends {
			if e <= cut {
				want++
			}
		}
		if got := values(); len(got) != want {
			t.Fatalf("cut at %d: %v, want %d values", cut, got, want)
		}
	}
	for i := range whole {
		b := bytes.Clone(whole)
		b[i] ^= 0x20
		if err := os.WriteFile(file, b, 0o600); err != nil {
			t.Fatal(err)
		}
		hit := -1
		for k, e := range ends {
			if i < e && (k == 0 || i >= ends[k-1]) {
				hit = k
			}
		}
		got := values()
		if len(got) < 9 || len(got) == 9 && slices.Contains(got, float64(hit)) {
			t.Fatalf("byte %d of commit %d changed: %v", i, hit, got)
		}
	}
}

// A folder of the first format, made by the code of that time: its hot.db is
// read beside, then taken over once and removed.
func TestTakeOver(t *testing.T) {
	dir := t.TempDir()
	old, err := os.ReadFile("../testdata/historian/format1/hot.db")
	if err != nil {
		t.Fatal(err)
	}
	db := filepath.Join(dir, "hot.db")
	if err := os.WriteFile(db, old, 0o600); err != nil {
		t.Fatal(err)
	}
	expect := func(a *Archive) {
		t.Helper()
		got := collect(t, a, "EV.EV1.brix", at(-1), at(1e6))
		if len(got) != 50 || got[7].Value != 7.25 || got[7].Unit != "% Brix" || got[9].Quality != plant.BadSensorFailure {
			t.Fatal(len(got), got[7], got[9])
		}
		tags := a.Tags()
		if len(tags) != 2 || tags[0].Meaning != "juice" || tags[1].Path != "PA1.level" || tags[1].Unit != "m" {
			t.Fatal(tags)
		}
	}
	for range 2 {
		b, err := Open(dir, Options{ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		expect(b)
		b.Close()
	}
	for range 2 {
		a := openTest(t, dir, at(0))
		expect(a)
		if a.forwarding.Name != "influx http://one" || len(a.forwarding.Stretches) != 1 {
			t.Fatalf("%+v", a.forwarding.forwardPlace)
		}
		if left, _ := filepath.Glob(db + "*"); len(left) > 0 {
			t.Fatal("left: ", left)
		}
		a.Close()
	}
}

func TestDumpSegment(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir, at(0))
	mustAppend(t, a, "A.x", good(0, 1.5), plant.BadPoint(at(1), plant.BadSensorFailure))
	b, err := os.ReadFile(filepath.Join(dir, hotDir, "segment_00000001.log"))
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	if err := DumpSegment(&out, append(b, "CLF torn"...), true); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`tag 0 is A.x, in ""`, "2026-03-01T00:00:00.000000000Z A.x 1.5 Good", "A.x NaN Bad_SensorFailure", "torn tail"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in:\n%s", want, out.String())
		}
	}
}

// The dictionary of tags is lost: paths and units are in the log as well.
func TestTagsLost(t *testing.T) {
	dir := t.TempDir()
	a := openTest(t, dir, at(0))
	if err := a.Describe(TagInfo{Path: "A.first", Unit: "kPa"}, TagInfo{Path: "A.x", Unit: "t/h", Resolution: 0.1}); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, a, "A.x", good(0, 1.5))
	a.Close()
	if err := os.WriteFile(filepath.Join(dir, tagsFile), []byte("nonsense"), 0o600); err != nil {
		t.Fatal(err)
	}
	a = openTest(t, dir, at(0))
	if got := collect(t, a, "A.x", at(-1), at(10)); len(got) != 1 || got[0].Unit != "t/h" {
		t.Fatal(got)
	}
}

// Start with 20,000 tags: no step may grow with their square.
func BenchmarkOpen(b *testing.B) {
	dir := b.TempDir()
	a, err := Open(dir, Options{})
	if err != nil {
		b.Fatal(err)
	}
	infos, recs := manyTags(20_000)
	if err := a.Describe(infos...); err != nil {
		b.Fatal(err)
	}
	for k := range 100 { // 2 million samples in the log
		for i := range recs {
			recs[i].Point.Time = at(float64(k))
		}
		if err := a.Append(recs); err != nil {
			b.Fatal(err)
		}
		if err := a.Flush(context.Background()); err != nil {
			b.Fatal(err)
		}
	}
	began := cpu(b)
	for b.Loop() { // the first one is not closed: a start after a kill
		c, err := Open(dir, Options{})
		if err != nil {
			b.Fatal(err)
		}
		if err := c.Describe(infos...); err != nil {
			b.Fatal(err)
		}
		c.hot.seal()
	}
	b.ReportMetric(float64(cpu(b)-began)/float64(b.N)/1e6, "cpu-ms/op")
}

func manyTags(n int) (infos []TagInfo, recs []Record) {
	for i := range n {
		p := "EV.EV" + string(rune('1'+i%5)) + ".signal_" + time.Duration(i).String()
		infos = append(infos, TagInfo{Path: p, Unit: "kPa", Meaning: "a signal", Resolution: 0.01})
		recs = append(recs, Record{Path: p, Point: good(0, float64(i%500)/100)})
	}
	return infos, recs
}
