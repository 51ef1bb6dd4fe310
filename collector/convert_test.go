package collector

import (
	"fmt"
	"math"
	"math/big"
	"strings"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"calandria/plant"
)

func TestNumber(t *testing.T) {
	for _, c := range []struct {
		v    any
		want float64
		q    plant.Quality
	}{
		{true, 1, plant.Good}, {false, 0, plant.Good},
		{int8(-128), -128, plant.Good}, {uint8(255), 255, plant.Good},
		{int16(-32768), -32768, plant.Good}, {uint16(65535), 65535, plant.Good},
		{int32(math.MinInt32), math.MinInt32, plant.Good}, {uint32(math.MaxUint32), math.MaxUint32, plant.Good},
		{int64(1 << 53), 1 << 53, plant.Good}, {int64(1<<53 + 1), 0, plant.BadOutOfRange},
		{int64(math.MinInt64), math.MinInt64, plant.Good}, {int64(math.MaxInt64), 0, plant.BadOutOfRange},
		{uint64(1 << 60), 1 << 60, plant.Good}, {uint64(math.MaxUint64), 0, plant.BadOutOfRange},
		{float32(0.5), 0.5, plant.Good}, {float32(math.Inf(1)), 0, plant.BadOutOfRange},
		{1e308, 1e308, plant.Good}, {math.NaN(), 0, plant.BadOutOfRange}, {math.Inf(-1), 0, plant.BadOutOfRange},
		{"1", 0, plant.BadTypeMismatch}, {time.Now(), 0, plant.BadTypeMismatch}, {[]float64{1}, 0, plant.BadTypeMismatch},
		{ua.NewExtensionObject(&ua.Range{Low: 1}), 0, plant.BadTypeMismatch}, {ua.NewLocalizedText("1"), 0, plant.BadTypeMismatch},
		{[]byte{1}, 0, plant.BadTypeMismatch},
	} {
		got, q := number(ua.MustVariant(c.v))
		if q != c.q || q.IsGood() && got != c.want || q.IsBad() && !math.IsNaN(got) {
			t.Errorf("%T %v gave %v (%s), want %v (%s)", c.v, c.v, got, q, c.want, c.q)
		}
	}
	for _, v := range []*ua.Variant{nil, {}} {
		if _, q := number(v); q != plant.BadNoData {
			t.Errorf("null gave %s", q)
		}
	}
}

func TestConvertKeepsTheStatusWhole(t *testing.T) {
	tag := &tagsOf("x")[0]
	tag.Scale, tag.Offset, tag.Low, tag.High = 100, 101.325, 0, 400 // bar gauge to kPa absolute
	received := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	source, server := received.Add(-time.Minute), received.Add(-time.Second)
	for _, c := range []struct {
		name string
		dv   ua.DataValue
		want float64
		code uint32
		at   time.Time
		from timeKind
	}{
		{"plain", ua.DataValue{Value: ua.MustVariant(1.5), SourceTimestamp: source, ServerTimestamp: server}, 251.325, 0, source, sourceClock},
		{"limit and overflow bits stay", ua.DataValue{Value: ua.MustVariant(1.5), Status: 0x40950680, SourceTimestamp: source}, 251.325, 0x40950680, source, sourceClock},
		{"unknown code by its severity", ua.DataValue{Value: ua.MustVariant(1.5), Status: 0xBFFF0001, SourceTimestamp: source}, math.NaN(), 0xBFFF0001, source, sourceClock},
		{"server's time", ua.DataValue{Value: ua.MustVariant(0.0), ServerTimestamp: server}, 101.325, 0, server, serverClock},
		{"1601 is not given", ua.DataValue{Value: ua.MustVariant(0.0), SourceTimestamp: time.Date(1601, 1, 1, 0, 0, 1, 0, time.UTC)}, 101.325, 0, received, ownClock},
		{"picoseconds", ua.DataValue{Value: ua.MustVariant(0.0), SourceTimestamp: source, SourcePicoseconds: 9900}, 101.325, 0, source.Add(99), sourceClock},
		{"out of range", ua.DataValue{Value: ua.MustVariant(3.5), SourceTimestamp: source}, math.NaN(), plant.BadOutOfRange.Code(), source, sourceClock},
		{"bad null keeps its reason", ua.DataValue{Status: ua.StatusBadSensorFailure, SourceTimestamp: source}, math.NaN(), uint32(ua.StatusBadSensorFailure), source, sourceClock},
		{"good null", ua.DataValue{Value: &ua.Variant{}, SourceTimestamp: source}, math.NaN(), plant.BadNoData.Code(), source, sourceClock},
	} {
		p, from := convert(tag, &c.dv, received)
		if p.Quality.Code() != c.code || !p.Time.Equal(c.at) || from != c.from || !(math.Abs(p.Value-c.want) < 1e-9 || math.IsNaN(p.Value) && math.IsNaN(c.want)) {
			t.Errorf("%s: %v %s at %v, want %v 0x%08X at %v", c.name, p.Value, p.Quality, p.Time, c.want, c.code, c.at)
		}
	}
	// OPC 10000-4, 7.39.1: info type DataValue in bits 10 and 11, overflow in bit 7.
	for code, want := range map[uint32]bool{0x480: true, 0x080: false, 0x400: false, 0x40900480: true, 0x880: false} {
		if overflowed(code) != want {
			t.Errorf("0x%08X: overflow %v", code, !want)
		}
	}
}

// decodeVariant is the stack's decoder. In v0.9.1 it panics on an array of
// negative length; that is its fault, not what this test is after.
func decodeVariant(b []byte) (v *ua.Variant, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("decoder: %v", r)
		}
	}()
	v = &ua.Variant{}
	_, err = v.Decode(b)
	return v, err
}

// FuzzVariant decodes what a server might send and converts it: whatever comes,
// a Good result is a finite number that equals what was sent.
func FuzzVariant(f *testing.F) {
	for _, v := range []any{true, int8(-1), uint8(1), int16(-2), uint16(2), int32(-3), uint32(3), int64(-1 << 62), uint64(1<<63 + 1), float32(1.5), 2.5, "x", []float64{1, 2}} {
		b, err := ua.MustVariant(v).Encode()
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b, uint32(0))
	}
	tag := &tagsOf("x")[0]
	f.Fuzz(func(t *testing.T, b []byte, status uint32) {
		v, err := decodeVariant(b)
		if err != nil {
			return
		}
		got, q := number(v)
		if q.IsBad() != math.IsNaN(got) || q.IsGood() && math.IsInf(got, 0) {
			t.Fatalf("%v (%s)", got, q)
		}
		if q.IsGood() {
			exact := new(big.Float).SetPrec(64)
			switch x := v.Value().(type) {
			case int64:
				exact.SetInt64(x)
			case uint64:
				exact.SetUint64(x)
			default:
				exact.SetFloat64(got)
			}
			if exact.Cmp(new(big.Float).SetFloat64(got)) != 0 {
				t.Fatalf("%v became %v", v.Value(), got)
			}
		}
		p, _ := convert(tag, &ua.DataValue{Value: v, Status: ua.StatusCode(status)}, time.Now())
		if p.Quality.IsBad() != math.IsNaN(p.Value) {
			t.Fatalf("%v (%s)", p.Value, p.Quality)
		}
		if status>>30 >= 2 && p.Quality.Code() != status {
			t.Fatalf("status 0x%08X became %s", status, p.Quality)
		}
		valueText(v)
		typeName(v)
	})
}

func TestParseNode(t *testing.T) {
	namespaces := []string{namespaceZero, "urn:server", "urn:mill", "http://x;y/"}
	for _, c := range []struct{ in, want, id string }{
		{"nsu=urn:mill;s=EV.EV3.P", "", "ns=2;s=EV.EV3.P"},
		{"nsu=urn:mill;s=a;s=b;i=3", "", "ns=2;s=a;s=b;i=3"},
		{"nsu=urn:mill;i=4294967295", "", "ns=2;i=4294967295"},
		{"nsu=http://x%3By/;s=1", "", "ns=3;s=1"},
		{"nsu=http://opcfoundation.org/UA/;i=2258", "i=2258", "i=2258"},
		{"i=2258", "", "i=2258"},
		{"ns=0;i=2258", "i=2258", "i=2258"},
		{"nsu=urn:mill;g=72962b91-fa75-4ae6-8d28-b404dc7daf63", "nsu=urn:mill;g=72962B91-FA75-4AE6-8D28-B404DC7DAF63", "ns=2;g=72962B91-FA75-4AE6-8D28-B404DC7DAF63"}, // GUID of OPC 10000-6, 5.2.2.6
		{"nsu=urn:mill;b=M/RbKBsRVkePCePcx24oRA==", "", "ns=2;b=M/RbKBsRVkePCePcx24oRA=="},                                                                            // OPC 10000-6, 5.3.1.10
	} {
		r, err := parseNode(c.in)
		if err != nil {
			t.Errorf("%s: %v", c.in, err)
			continue
		}
		want := c.want
		if want == "" {
			want = c.in
		}
		if r.String() != want {
			t.Errorf("%s reads back as %s", c.in, r)
		}
		id, ok := r.id(namespaces)
		if !ok || id.String() != c.id {
			t.Errorf("%s is %v, want %s", c.in, id, c.id)
		}
		if back, ok := refOf(id, namespaces); !ok || back != r {
			t.Errorf("%s comes back as %s", c.in, back)
		}
	}
	for in, why := range map[string]string{
		"": "no identifier", "s": "no identifier", "nsu=urn:mill": "no identifier", "nsu=;s=x": "URI is empty", "ns=2;s=x": "changes when a server restarts",
		"i=4294967296": "0 to 4294967295", "i=-1": "0 to 4294967295", "g=1234": "GUID", "b=%%%": "base64", "x=1": "starts with none",
	} {
		if _, err := parseNode(in); err == nil || !strings.Contains(err.Error(), why) {
			t.Errorf("%q: %v, want %q", in, err, why)
		}
	}
	if r, _ := parseNode("nsu=urn:other;s=x"); true {
		if _, ok := r.id(namespaces); ok {
			t.Error("an unknown namespace was found")
		}
	}
}

func FuzzParseNode(f *testing.F) {
	for _, s := range []string{"nsu=urn:mill;s=EV.P", "i=85", "nsu=a;g=72962B91-FA75-4AE6-8D28-B404DC7DAF63", "b=QQ==", "ns=0;s=x", "nsu=a%3B;i=1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r, err := parseNode(s)
		if err != nil {
			return
		}
		again, err := parseNode(r.String())
		if err != nil || again != r {
			t.Fatalf("%q reads back as %q: %v", s, r, err)
		}
		if r.uri == "" || strings.Contains(r.uri, namespaceZero) {
			return
		}
		id, ok := r.id([]string{namespaceZero, r.uri})
		if !ok {
			t.Fatalf("%q has no id", s)
		}
		if back, ok := refOf(id, []string{namespaceZero, r.uri}); !ok || back != r {
			t.Fatalf("%q comes back as %q", s, back)
		}
	})
}

// A configuration that cannot work is refused with its line, all at once.
func TestNewNamesBadNodes(t *testing.T) {
	_, err := New(Config{Server: plainServer("opc.tcp://localhost"), Tags: tagsOf("T0", "ns=2;s=x", "g=1"), DataDir: t.TempDir()})
	if err == nil || !strings.Contains(err.Error(), "plant.yaml:11") || !strings.Contains(err.Error(), "plant.yaml:12") {
		t.Errorf("%v", err)
	}
}
