package simulator

import (
	"context"
	"testing"
	"time"

	"github.com/gopcua/opcua"
	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"
)

// serve runs a server on a free port until the test ends.
func serve(t *testing.T, o Options) *Server {
	t.Helper()
	if testing.Short() {
		t.Skip("left to make test: starts a server")
	}
	s, err := NewServer(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Error(err)
			}
		case <-time.After(15 * time.Second):
			t.Error("the server does not end")
		}
	})
	return s
}

func connect(t *testing.T, s *Server) *opcua.Client {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	c, err := opcua.NewClient(s.Endpoint(), opcua.SecurityMode(ua.MessageSecurityModeNone), opcua.AutoReconnect(false))
	if err != nil {
		t.Fatal(err)
	}
	for { // the server needs a moment to listen
		if err = c.Connect(ctx); err == nil {
			break
		}
		if ctx.Err() != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() { c.Close(context.Background()) })
	return c
}

func nodeOf(t *testing.T, c *opcua.Client, path string) *ua.NodeID {
	t.Helper()
	ns, err := c.FindNamespace(context.Background(), Namespace)
	if err != nil {
		t.Fatal(err)
	}
	return ua.NewStringNodeID(ns, path)
}

// A client that none of this package's code is part of reads, browses,
// subscribes and is refused a write.
func TestServerServes(t *testing.T) {
	ctx := context.Background()
	m := New(3, time.Now().UTC().Add(-time.Minute))
	s := serve(t, Options{Model: m, Every: 50 * time.Millisecond})
	c := connect(t, s)

	p3 := nodeOf(t, c, "EV.EV3.vapour_pressure")
	res, err := c.Read(ctx, &ua.ReadRequest{TimestampsToReturn: ua.TimestampsToReturnBoth, NodesToRead: []*ua.ReadValueID{
		{NodeID: p3, AttributeID: ua.AttributeIDValue},
		{NodeID: p3, AttributeID: ua.AttributeIDDataType},
		{NodeID: nodeOf(t, c, "EV.EV3.vapour_pressure.EURange"), AttributeID: ua.AttributeIDValue},
		{NodeID: nodeOf(t, c, "EV.EV3.in_service"), AttributeID: ua.AttributeIDValue},
		{NodeID: nodeOf(t, c, "PA1.phase"), AttributeID: ua.AttributeIDValue},
		{NodeID: nodeOf(t, c, "EV.EV9.vapour_pressure"), AttributeID: ua.AttributeIDValue},
	}})
	if err != nil {
		t.Fatal(err)
	}
	if v := res.Results[0].Value.Float(); v < 70 || v > 80 {
		t.Errorf("p3 reads %v kPa", v)
	}
	if d := time.Since(res.Results[0].SourceTimestamp); d < 0 || d > time.Second {
		t.Errorf("source time is %v old", d)
	}
	if n, ok := res.Results[1].Value.Value().(*ua.NodeID); !ok || n.IntID() != id.Double {
		t.Errorf("data type %v", res.Results[1].Value.Value())
	}
	if r, ok := res.Results[2].Value.Value().(*ua.ExtensionObject); !ok {
		t.Errorf("range is %T", res.Results[2].Value.Value())
	} else if r, ok := r.Value.(*ua.Range); !ok || r.High != 160 {
		t.Errorf("range %+v", r)
	}
	if v, ok := res.Results[3].Value.Value().(bool); !ok || !v {
		t.Errorf("in service: %v", res.Results[3].Value.Value())
	}
	if v, ok := res.Results[4].Value.Value().(int32); !ok || v < 0 || v > 6 {
		t.Errorf("phase %v", res.Results[4].Value.Value())
	}
	if res.Results[5].Status != ua.StatusBadNodeIDUnknown {
		t.Errorf("an unknown node: %v", res.Results[5].Status)
	}

	w, err := c.Write(ctx, &ua.WriteRequest{NodesToWrite: []*ua.WriteValue{{NodeID: p3, AttributeID: ua.AttributeIDValue,
		Value: &ua.DataValue{EncodingMask: ua.DataValueValue, Value: ua.MustVariant(1.0)}}}})
	if err != nil || w.Results[0] != ua.StatusBadUserAccessDenied {
		t.Errorf("a write: %v, %v", w, err)
	}

	count := 0
	var walk func(n *opcua.Node)
	walk = func(n *opcua.Node) {
		kids, err := n.ReferencedNodes(ctx, id.HierarchicalReferences, ua.BrowseDirectionForward, ua.NodeClassAll, true)
		if err != nil {
			t.Fatal(err)
		}
		for _, k := range kids {
			if k.ID.Namespace() == p3.Namespace() {
				count++
				walk(k)
			}
		}
	}
	walk(c.Node(ua.NewNumericNodeID(0, id.ObjectsFolder)))
	if n := len(m.Instruments()); count < n {
		t.Errorf("browsing finds %d nodes, there are %d instruments", count, n)
	}

	notes := make(chan *opcua.PublishNotificationData, 100)
	sub, err := c.Subscribe(ctx, &opcua.SubscriptionParameters{Interval: 100 * time.Millisecond}, notes)
	if err != nil {
		t.Fatal(err)
	}
	good, bad := opcua.NewMonitoredItemCreateRequestWithDefaults(p3, ua.AttributeIDValue, 7), opcua.NewMonitoredItemCreateRequestWithDefaults(nodeOf(t, c, "EV.EV9.level"), ua.AttributeIDValue, 8)
	good.RequestedParameters.QueueSize, good.RequestedParameters.SamplingInterval = 20, 50
	mon, err := sub.Monitor(ctx, ua.TimestampsToReturnBoth, good, bad)
	if err != nil {
		t.Fatal(err)
	}
	if mon.Results[0].StatusCode != ua.StatusOK || mon.Results[0].RevisedQueueSize != 20 || mon.Results[1].StatusCode != ua.StatusBadNodeIDUnknown {
		t.Fatalf("monitored items: %+v %+v", mon.Results[0], mon.Results[1])
	}
	got, deadline := 0, time.After(10*time.Second)
	var last time.Time
	for got < 30 {
		select {
		case n := <-notes:
			if n.Error != nil {
				t.Fatal(n.Error)
			}
			d, ok := n.Value.(*ua.DataChangeNotification)
			if !ok {
				continue
			}
			for _, it := range d.MonitoredItems {
				if it.ClientHandle != 7 {
					t.Errorf("handle %d", it.ClientHandle)
				}
				if it.Value.SourceTimestamp.Before(last) {
					t.Error("values come out of order")
				}
				last = it.Value.SourceTimestamp
				got++
			}
		case <-deadline:
			t.Fatalf("only %d values", got)
		}
	}

	h, err := c.HistoryReadRawModified(ctx, []*ua.HistoryReadValueID{{NodeID: p3, DataEncoding: &ua.QualifiedName{}}},
		&ua.ReadRawModifiedDetails{StartTime: time.Now().Add(-time.Minute), EndTime: time.Now().Add(time.Minute), NumValuesPerNode: 5})
	if err != nil {
		t.Fatal(err)
	}
	if d, ok := h.Results[0].HistoryData.Value.(*ua.HistoryData); !ok || len(d.DataValues) != 5 || len(h.Results[0].ContinuationPoint) == 0 {
		t.Errorf("history: %+v", h.Results[0])
	}
	if err := sub.Cancel(ctx); err != nil {
		t.Error(err)
	}
}

// An upset started through the server shows, and a broken instrument sends its
// status and no value.
func TestServerUpsetAndFault(t *testing.T) {
	began := time.Now()
	m := NewWith(3, began.UTC(), Settings{})
	fast := func() time.Time { return began.Add(600 * time.Since(began)) }
	s := serve(t, Options{Model: m, Every: 20 * time.Millisecond, Now: fast})
	c := connect(t, s)
	if err := s.Upset("no such thing"); err == nil {
		t.Error("an unknown upset is accepted")
	}
	if err := s.Upset("air-leak"); err != nil {
		t.Fatal(err)
	}
	if err := s.Do(func(m *Model) error { return m.Fault("EV.EV2.level", Open, 0) }); err != nil {
		t.Fatal(err)
	}
	p5, l2 := nodeOf(t, c, "EV.EV5.vapour_pressure"), nodeOf(t, c, "EV.EV2.level")
	deadline := time.Now().Add(15 * time.Second)
	for {
		res, err := c.Read(context.Background(), &ua.ReadRequest{NodesToRead: []*ua.ReadValueID{
			{NodeID: p5, AttributeID: ua.AttributeIDValue}, {NodeID: l2, AttributeID: ua.AttributeIDValue}}})
		if err != nil {
			t.Fatal(err)
		}
		if res.Results[0].Value.Float() > 230 && res.Results[1].Status == ua.StatusBadSensorFailure && res.Results[1].Value.Value() == nil {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("p5 %v mbar, level %v", res.Results[0].Value.Value(), res.Results[1].Status)
		}
	}
}

func TestServerOptions(t *testing.T) {
	m := New(1, t0)
	for name, o := range map[string]Options{
		"no model":  {},
		"too quick": {Model: m, Every: time.Microsecond},
	} {
		if _, err := NewServer(o); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
