package collector

import (
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// readerHere starts the reader of a test.
var readerHere = []string{os.Args[0], "read-server"}

func TestBrowse(t *testing.T) {
	s := startInterop(t, map[string]any{"plant": true, "variables": 1050})
	o := BrowseOptions{Server: plainServer(s.endpoint()), DataDir: t.TempDir()}
	vars, err := BrowseApart(t.Context(), readerHere, o, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	byNode := map[string]Variable{}
	for _, v := range vars {
		if _, twice := byNode[v.Node]; twice {
			t.Errorf("%s comes twice", v.Node)
		}
		byNode[v.Node] = v
		if strings.HasPrefix(v.Node, "i=") {
			t.Errorf("%s is the server's own", v.Node)
		}
	}
	if len(vars) < 1050+4+18 { // beyond the 1000 references a call brings at most
		t.Errorf("%d variables", len(vars))
	}
	v := byNode["nsu=urn:interop:test;s=Analog"]
	if v.Name != "Analog" || v.Path != "Test/Analog" || v.DataType != "Double" || !v.Scalar || v.Value != "98.6" || v.Unit != "°C" ||
		!slices.Equal(v.EURange, []float64{0, 150}) || v.Sampling != 20*time.Millisecond || !v.Readable || !v.Quality.IsGood() || v.Description != "an analog item" {
		t.Errorf("Analog: %+v", v)
	}
	if v := byNode["nsu=urn:interop:test;s=QE/V3/PT"]; v.Path != "Test/Fabrica/Evaporacion/Vaso3/QE/V3/PT" || v.Unit != "bar" || v.Value != "-0.42" {
		t.Errorf("nested: %+v", v)
	}
	o.MaxNodes = 50
	if vars, err := BrowseApart(t.Context(), readerHere, o, slog.New(slog.DiscardHandler)); !errors.Is(err, ErrTruncated) || len(vars) == 0 || len(vars) > 50 {
		t.Errorf("limit: %d variables, %v", len(vars), err)
	}
	o.MaxNodes, o.Root, o.Standard = 0, "i=2253", true
	if vars, err := BrowseApart(t.Context(), readerHere, o, slog.New(slog.DiscardHandler)); err != nil || !slices.ContainsFunc(vars, func(v Variable) bool { return v.Node == "i=2258" }) {
		t.Errorf("the server object: %d variables, %v", len(vars), err)
	}
	o.Root = "nsu=urn:elsewhere;s=X"
	if _, err := BrowseApart(t.Context(), readerHere, o, slog.New(slog.DiscardHandler)); err == nil || !strings.Contains(err.Error(), "no namespace urn:elsewhere") {
		t.Errorf("unknown root: %v", err)
	}
}

func TestLook(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 1})
	s.set("Any", "text")
	s.set("Late", 1, "status", "BadSensorFailure")
	tags := tagsOf("Still", "Nowhere", "nsu=urn:elsewhere;s=X", "Any", "Late", "i=85", "Analog")
	tags[6].Low, tags[6].High = 0, 50
	readings, faults, err := LookApart(t.Context(), readerHere, Config{Server: plainServer(s.endpoint()), Tags: tags, DataDir: t.TempDir()}, LookOptions{For: 300 * time.Millisecond, Every: 100 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"plant.yaml:11: EV.1: node nsu=urn:interop:test;s=Nowhere does not exist", "plant.yaml:12: EV.2: server mill has no namespace urn:elsewhere",
		"plant.yaml:13: EV.3: node nsu=urn:interop:test;s=Any is of type String", "plant.yaml:14: EV.4: node nsu=urn:interop:test;s=Late has no usable value now: Bad_SensorFailure",
		"plant.yaml:15: EV.5: node i=85 is no variable", "plant.yaml:16: EV.6: the reading 98.6 is outside the range"}
	if len(faults) != len(want) {
		t.Errorf("%d faults: %v", len(faults), faults)
	}
	for i, f := range faults {
		if i < len(want) && !strings.HasPrefix(f.Error(), want[i]) {
			t.Errorf("fault %q, want %q", f.Error(), want[i])
		}
	}
	if len(readings) != 2 || len(readings[1].Raw) < 3 || readings[1].Unit != "°C" || readings[1].Low != 0 || readings[1].High != 150 || !strings.HasPrefix(readings[1].Title, "Analog, ") {
		t.Errorf("readings %+v", readings)
	}
	s.do("stop")
	if _, _, err := LookApart(t.Context(), readerHere, Config{Server: plainServer(s.endpoint()), Tags: tags, DataDir: t.TempDir()}, LookOptions{}); err == nil || !strings.Contains(err.Error(), "nothing answers") {
		t.Errorf("absent server: %v", err)
	}
	s.do("start")
}

// The package has no path to the services that change a server (S10).
func TestReadOnly(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") {
			continue
		}
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, word := range []string{"WriteRequest", "WriteValue", "CallRequest", "CallMethodRequest", "HistoryUpdate", "AddNodes", "DeleteNodes",
			"AddReferences", "DeleteReferences", "SetTriggering", `gopcua/opcua"`, "UpdateDataDetails", "DeleteRawModifiedDetails"} {
			if strings.Contains(string(b), word) {
				t.Errorf("%s uses %s", f, word)
			}
		}
	}
}

// What a foreign server counts of all that we do is reading only (S10).
func TestReadOnlyAsSeenByTheServer(t *testing.T) {
	s := startInterop(t, map[string]any{"variables": 3, "ramp": 100, "history": true})
	p := newCutter(t, s.addr())
	cfg := plainServer(p.endpoint())
	r := newRig(t, cfg, tagsOf(ramps(3)...))
	r.awaitConnected()
	p.outage(func() { s.awaitTicks(3) })
	r.await("back", func() bool { h := r.c.Health(); return h.Connected() && h.Counters.Reconnects == 1 })
	s.do("drop")
	r.await("back", func() bool { h := r.c.Health(); return h.Connected() && h.Counters.Reconnects == 2 })
	if _, err := Browse(t.Context(), BrowseOptions{Server: cfg, DataDir: t.TempDir()}); err != nil {
		t.Error(err)
	}
	if _, _, err := LookApart(t.Context(), readerHere, Config{Server: cfg, Tags: tagsOf("T0"), DataDir: t.TempDir()}, LookOptions{}); err != nil {
		t.Error(err)
	}
	var got struct{ Counts map[string]int }
	s.ask(&got, "counts")
	allowed := []string{"GetEndpointsRequest", "CreateSessionRequest", "ActivateSessionRequest", "CloseSessionRequest", "ReadRequest", "BrowseRequest", "BrowseNextRequest",
		"CreateSubscriptionRequest", "DeleteSubscriptionsRequest", "CreateMonitoredItemsRequest", "PublishRequest", "RepublishRequest", "TransferSubscriptionsRequest",
		"HistoryReadRequest", "OpenSecureChannelRequest", "CloseSecureChannelRequest"}
	for k, n := range got.Counts {
		if !slices.Contains(allowed, k) {
			t.Errorf("the server saw %d of %s", n, k)
		}
	}
	if got.Counts["PublishRequest"] == 0 || got.Counts["ReadRequest"] == 0 {
		t.Errorf("the server counted nothing: %v", got.Counts)
	}
}
