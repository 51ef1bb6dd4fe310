package collector

import (
	"context"
	"testing"
	"time"

	"github.com/gopcua/opcua/ua"

	"calandria/plant"
)

const benchItems = 1000

// publishAnswer is a Publish answer with one value of each of n items, encoded
// as a server sends it.
func publishAnswer(tb testing.TB, n int) []byte {
	tb.Helper()
	now := time.Now().UTC()
	d := &ua.DataChangeNotification{}
	for i := range n {
		dv := &ua.DataValue{Value: ua.MustVariant(float64(i)), SourceTimestamp: now, ServerTimestamp: now}
		dv.UpdateMask()
		d.MonitoredItems = append(d.MonitoredItems, &ua.MonitoredItemNotification{ClientHandle: uint32(i + 1), Value: dv})
	}
	res := &ua.PublishResponse{ResponseHeader: &ua.ResponseHeader{Timestamp: now, ServiceDiagnostics: &ua.DiagnosticInfo{}, AdditionalHeader: ua.NewExtensionObject(nil)},
		SubscriptionID: 1, NotificationMessage: &ua.NotificationMessage{SequenceNumber: 1, PublishTime: now, NotificationData: []*ua.ExtensionObject{ua.NewExtensionObject(d)}}}
	b, err := ua.Encode(res)
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

func decodeAnswer(tb testing.TB, b []byte) *ua.PublishResponse {
	res := &ua.PublishResponse{}
	if _, err := ua.Decode(b, res); err != nil {
		tb.Fatal(err)
	}
	return res
}

// benchDriver is a driver with n items and a subscription, without a line.
func benchDriver(tb testing.TB, n int) *driver {
	tb.Helper()
	c, err := New(Config{Server: plainServer("opc.tcp://127.0.0.1:1"), Tags: tagsOf(ramps(n)...), DataDir: tb.TempDir(), Queue: 1})
	if err != nil {
		tb.Fatal(err)
	}
	d := newDriver(c)
	s := &subscription{id: 1, next: 1, held: map[uint32]*ua.NotificationMessage{}}
	d.subs = []*subscription{s}
	for _, it := range d.items {
		it.sub = s
	}
	return d
}

// BenchmarkValue compares what a value costs: "bare" is a client that only
// decodes with gopcua and throws the values away, "collector" goes on to put
// messages in order, convert, recognise duplicates and hand a batch out. The
// ratio is printed as bare_x.
func BenchmarkValue(b *testing.B) {
	raw := publishAnswer(b, benchItems)
	var bare float64
	perValue := func(b *testing.B) float64 {
		v := float64(b.Elapsed().Nanoseconds()) / float64(b.N) / benchItems
		b.ReportMetric(v, "ns/value")
		return v
	}
	b.Run("bare", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			decodeAnswer(b, raw)
		}
		bare = perValue(b)
	})
	b.Run("collector", func(b *testing.B) {
		d := benchDriver(b, benchItems)
		b.ReportAllocs()
		seq := uint32(0)
		at := time.Now().UTC()
		for b.Loop() {
			res := decodeAnswer(b, raw)
			seq++
			at = at.Add(time.Millisecond)
			res.NotificationMessage.SequenceNumber = seq
			for _, m := range res.NotificationMessage.NotificationData[0].Value.(*ua.DataChangeNotification).MonitoredItems {
				m.Value.SourceTimestamp = at
			}
			if err := d.message(context.Background(), res, time.Now().UTC()); err != nil {
				b.Fatal(err)
			}
			d.flush()
			if batch := <-d.c.out; len(batch.Samples) != benchItems {
				b.Fatalf("%d samples", len(batch.Samples))
			}
			d.unstored = d.unstored[:0]
		}
		v := perValue(b)
		if bare > 0 {
			b.ReportMetric(v/bare, "bare_x")
		}
	})
}

// The steady state of a thousand tags stays cheap: no more than one allocation
// a message and none a value beyond decoding.
func TestMessageAllocations(t *testing.T) {
	d := benchDriver(t, benchItems)
	res := decodeAnswer(t, publishAnswer(t, benchItems))
	data := res.NotificationMessage.NotificationData[0].Value.(*ua.DataChangeNotification)
	seq, at := uint32(0), time.Now().UTC()
	n := testing.AllocsPerRun(50, func() {
		seq++
		at = at.Add(time.Millisecond)
		res.NotificationMessage.SequenceNumber = seq
		for _, m := range data.MonitoredItems {
			m.Value.SourceTimestamp = at
		}
		if err := d.message(context.Background(), res, time.Now().UTC()); err != nil {
			t.Fatal(err)
		}
		d.flush()
		<-d.c.out
		d.unstored = d.unstored[:0]
	})
	if n > 20 {
		t.Errorf("%v allocations for a message of %d values", n, benchItems)
	}
	if d.items[0].last != at || d.items[0].declared != (plant.Quality{}) {
		t.Errorf("the messages did not arrive: %v", d.items[0].last)
	}
}
