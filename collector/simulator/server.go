package simulator

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/server"
	"github.com/gopcua/opcua/ua"

	"calandria/plant"
)

// Options of a [Server].
type Options struct {
	// Now is the clock that the mill lives by; default the machine's.
	Now func() time.Time
	// Every is how often the mill is stepped and its instruments are read; default
	// 1s.
	Every time.Duration
	// Model is the mill; the server owns it until Run returns.
	Model *Model
	// Gaps adds one or two communication gaps a day, 5 to 60 s, in which every
	// instrument is Bad_NoCommunication.
	Gaps bool
	// Logger is quiet when all is well; default none.
	Logger *slog.Logger
}

// Server shows a mill over OPC UA, with subscriptions of its own making: queues,
// keep-alive, republishing and a short raw history. It refuses every write.
type Server struct {
	opt      Options
	endpoint string
	log      *slog.Logger

	mu    sync.Mutex // guards the model and the values read from it
	model *Model
	index map[string]int // node identifier to place in now
	now   []sample
	past  [][]sample // of each instrument

	ua   *server.Server
	ns   *server.NodeNameSpace
	subs *subscriptions
}

// sample is one value as it stands on the server. It is never changed.
type sample struct {
	value  float64
	status ua.StatusCode
	at     time.Time
	kind   valueKind
}

type valueKind uint8

const (
	analog valueKind = iota
	boolean
	integer
)

// historyDepth is how many values of each instrument HistoryRead reaches back at least:
// 20 minutes at one a second.
const historyDepth = 1200

func (s sample) data() *ua.DataValue {
	dv := &ua.DataValue{EncodingMask: ua.DataValueSourceTimestamp | ua.DataValueServerTimestamp, SourceTimestamp: s.at, ServerTimestamp: s.at}
	if s.status != ua.StatusOK {
		dv.EncodingMask |= ua.DataValueStatusCode
		dv.Status = s.status
	}
	if plant.QualityOf(uint32(s.status)).IsBad() {
		return dv
	}
	dv.EncodingMask |= ua.DataValueValue
	switch s.kind {
	case boolean:
		dv.Value = ua.MustVariant(s.value != 0)
	case integer:
		dv.Value = ua.MustVariant(int32(math.Round(s.value)))
	default:
		dv.Value = ua.MustVariant(s.value)
	}
	return dv
}

// NewServer prepares a server on loopback: it has neither encryption nor sign-in. It
// listens on nothing until Run, but already looks for a free port, so that Endpoint is
// known.
func NewServer(o Options) (*Server, error) {
	if o.Model == nil {
		return nil, errors.New("simulator: a server needs a model")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Every = cmp.Or(o.Every, time.Second); o.Every < 10*time.Millisecond {
		return nil, fmt.Errorf("simulator: a step every %s; give 10ms or more", o.Every)
	}
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, fmt.Errorf("simulator: look for a free port: %w", err)
	}
	port := free.Addr().(*net.TCPAddr).Port
	if err := free.Close(); err != nil {
		return nil, fmt.Errorf("simulator: free the port found: %w", err)
	}
	s := &Server{opt: o, log: o.Logger, model: o.Model, index: map[string]int{}, endpoint: fmt.Sprintf("opc.tcp://127.0.0.1:%d", port)}
	s.ua = server.New(server.EndPoint("127.0.0.1", port), server.EnableSecurity("None", ua.MessageSecurityModeNone),
		server.EnableAuthMode(ua.UserTokenTypeAnonymous), server.ServerName("Demo mill (invented)"), server.ProductName("Calandria simulator"),
		server.ManufacturerName("Calandria"), server.SetLogger(quiet{o.Logger}))
	s.model.SetGaps(o.Gaps)
	s.nodes()
	s.subs = newSubscriptions(s)
	s.read(o.Now())
	return s, nil
}

// quiet hands the library's warnings on as details: a client that goes away is
// nothing to report.
type quiet struct{ log *slog.Logger }

func (q quiet) Debug(string, ...any) {}
func (q quiet) Info(string, ...any)  {}
func (q quiet) Warn(f string, a ...any) {
	q.log.Debug("opc ua: " + strings.TrimSpace(fmt.Sprintf(f, a...)))
}
func (q quiet) Error(f string, a ...any) {
	q.log.Debug("opc ua: " + strings.TrimSpace(fmt.Sprintf(f, a...)))
}

// Endpoint is the address that clients use.
func (s *Server) Endpoint() string { return s.endpoint }

// Upset starts an upset by name; see Upsets. One that takes more than an hour to
// build up (scale, drift, gas) begins at its full extent: who watches the server
// does not wait for days.
func (s *Server) Upset(name string) error {
	return s.Do(func(m *Model) error {
		i, err := upsetIndex(name)
		if err != nil {
			return err
		}
		if m.upsetTable[i].Ramp > time.Hour {
			return m.StartFull(name)
		}
		return m.Start(name)
	})
}

// Do calls f with the model while nothing else uses it.
func (s *Server) Do(f func(m *Model) error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return f(s.model)
}

// Run serves until ctx ends. The mill is brought up to the clock first if it is
// behind it by not more than a day.
func (s *Server) Run(ctx context.Context) error {
	// The library's loops end with this context; closing the channels comes first.
	inner, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	if err := s.ua.Start(inner); err != nil {
		return fmt.Errorf("simulator: listen on %s: %w", s.endpoint, err)
	}
	defer func() {
		if err := s.ua.Close(); err != nil {
			s.log.Debug("close the server", "error", err)
		}
	}()
	now := s.opt.Now()
	s.mu.Lock()
	if behind := now.Sub(s.model.Now()); behind > 0 && behind <= 24*time.Hour {
		s.model.AdvanceTo(now)
	}
	s.mu.Unlock()
	s.read(now)

	step := time.NewTicker(s.opt.Every)
	defer step.Stop()
	pump := time.NewTicker(min(s.opt.Every, 50*time.Millisecond))
	defer pump.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-step.C:
			now := s.opt.Now()
			s.mu.Lock()
			s.model.AdvanceTo(now)
			s.mu.Unlock()
			s.read(now)
			s.subs.sample()
		case <-pump.C:
			s.subs.pump(time.Now())
		}
	}
}

// read takes over what the instruments say.
func (s *Server) read(now time.Time) {
	now = now.UTC().Truncate(time.Millisecond)
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, r := range s.model.Values() {
		v := &s.now[i]
		v.value, v.status, v.at = r.Raw, ua.StatusCode(r.Quality.Code()), now
		if s.past[i] = append(s.past[i], *v); len(s.past[i]) == 2*historyDepth {
			s.past[i] = slices.Clone(s.past[i][historyDepth:])
		}
	}
}

// place is where an instrument's node stands among the instruments.
func (s *Server) place(n *ua.NodeID) (int, bool) {
	i, ok := s.index[n.StringID()]
	return i, ok && n.Namespace() == s.ns.ID()
}

// current is the sample of an instrument.
func (s *Server) current(i int) sample {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now[i]
}

// nodes builds the address space: one folder for each piece of equipment.
func (s *Server) nodes() {
	ns := server.NewNodeNameSpace(s.ua, Namespace)
	s.ns = ns
	objects := s.ua.Node(ua.NewNumericNodeID(0, id.ObjectsFolder))
	root := ns.AddNode(folder(ua.NewStringNodeID(ns.ID(), "mill"), "Demo Mill (invented)"))
	objects.AddRef(root, server.RefTypeIDOrganizes, true)
	folders := map[string]*server.Node{"": root}
	var within func(path string) *server.Node
	within = func(path string) *server.Node {
		if f := folders[path]; f != nil {
			return f
		}
		parent, name := "", path
		if i := strings.LastIndexByte(path, '.'); i >= 0 {
			parent, name = path[:i], path[i+1:]
		}
		f := ns.AddNode(folder(ua.NewStringNodeID(ns.ID(), path), name))
		within(parent).AddRef(f, server.RefTypeIDOrganizes, true)
		folders[path] = f
		return f
	}
	is := s.model.Instruments()
	s.now, s.past = make([]sample, len(is)), make([][]sample, len(is))
	for i, in := range is {
		s.index[in.Path] = i
		owner, name := "", in.Path
		if j := strings.LastIndexByte(in.Path, '.'); j >= 0 {
			owner, name = in.Path[:j], in.Path[j+1:]
		}
		typ := uint32(id.Double)
		switch {
		case in.Dimension == plant.State:
			s.now[i].kind, typ = boolean, id.Boolean
		case in.Dimension == plant.AnyDimension:
			s.now[i].kind, typ = integer, id.Int32
		}
		n := ns.AddNode(variable(ua.NewStringNodeID(ns.ID(), in.Path), name, in.Title, typ, func() *ua.DataValue { return s.current(i).data() }))
		within(owner).AddRef(n, server.RefTypeIDHasComponent, true)
		if s.now[i].kind != analog {
			continue
		}
		unit := &ua.EUInformation{NamespaceURI: "http://www.opcfoundation.org/UA/units/un/cefact", UnitID: unitCode(in.Unit),
			DisplayName: ua.NewLocalizedText(in.Unit), Description: ua.NewLocalizedText(unitText(in))}
		property(ns, n, in.Path, "EngineeringUnits", id.EUInformation, ua.NewExtensionObject(unit))
		property(ns, n, in.Path, "EURange", id.Range, ua.NewExtensionObject(&ua.Range{Low: in.Low, High: in.High}))
	}
}

func unitText(in Instrument) string {
	if in.Reference == "" {
		return string(in.Dimension)
	}
	return fmt.Sprintf("%s, %s", in.Dimension, in.Reference)
}

// unitCode is the UNECE recommendation 20 code as OPC UA numbers it (OPC
// 10000-8, 5.6.3): the characters as bytes; -1 where there is none to be sure
// of. The codes are from memory.
func unitCode(unit string) int32 {
	code, ok := map[string]string{"kPa": "KPA", "bar": "BAR", "mbar": "MBR", "degC": "CEL", "%": "P1", "A": "AMP", "t/h": "E18"}[unit]
	if !ok {
		return -1
	}
	n := int32(0)
	for _, c := range []byte(code) {
		n = n<<8 | int32(c)
	}
	return n
}

func attributes(class ua.NodeClass, name, title string) server.Attributes {
	text := func(s string) *ua.DataValue { return server.DataValueFromValue(ua.NewLocalizedText(s)) }
	return server.Attributes{
		ua.AttributeIDNodeClass:     server.DataValueFromValue(uint32(class)),
		ua.AttributeIDBrowseName:    server.DataValueFromValue(&ua.QualifiedName{NamespaceIndex: 1, Name: name}),
		ua.AttributeIDDisplayName:   text(name),
		ua.AttributeIDDescription:   text(title),
		ua.AttributeIDWriteMask:     server.DataValueFromValue(uint32(0)),
		ua.AttributeIDUserWriteMask: server.DataValueFromValue(uint32(0)),
	}
}

func typeOf(n uint32) server.References {
	return server.References{{ReferenceTypeID: ua.NewNumericNodeID(0, id.HasTypeDefinition), IsForward: true,
		NodeID: ua.NewNumericExpandedNodeID(0, n), BrowseName: &ua.QualifiedName{Name: "type"}, DisplayName: ua.NewLocalizedText("type"),
		TypeDefinition: ua.NewNumericExpandedNodeID(0, 0)}}
}

func folder(nid *ua.NodeID, name string) *server.Node {
	return server.NewNode(nid, attributes(ua.NodeClassObject, name, name), typeOf(id.FolderType), nil)
}

func variable(nid *ua.NodeID, name, title string, dataType uint32, value func() *ua.DataValue) *server.Node {
	a := attributes(ua.NodeClassVariable, name, title)
	a[ua.AttributeIDDataType] = server.DataValueFromValue(ua.NewNumericNodeID(0, dataType))
	a[ua.AttributeIDValueRank] = server.DataValueFromValue(int32(-1))
	a[ua.AttributeIDAccessLevel] = server.DataValueFromValue(byte(ua.AccessLevelTypeCurrentRead | ua.AccessLevelTypeHistoryRead))
	a[ua.AttributeIDUserAccessLevel] = server.DataValueFromValue(byte(ua.AccessLevelTypeCurrentRead | ua.AccessLevelTypeHistoryRead))
	a[ua.AttributeIDHistorizing] = server.DataValueFromValue(true)
	typ := uint32(id.AnalogItemType)
	if dataType != id.Double {
		typ = id.BaseDataVariableType
	}
	return server.NewNode(nid, a, typeOf(typ), value)
}

func property(ns *server.NodeNameSpace, owner *server.Node, path, name string, dataType uint32, value *ua.ExtensionObject) {
	a := attributes(ua.NodeClassVariable, name, name)
	a[ua.AttributeIDBrowseName] = server.DataValueFromValue(&ua.QualifiedName{Name: name})
	a[ua.AttributeIDDataType] = server.DataValueFromValue(ua.NewNumericNodeID(0, dataType))
	a[ua.AttributeIDValueRank] = server.DataValueFromValue(int32(-1))
	a[ua.AttributeIDAccessLevel] = server.DataValueFromValue(byte(ua.AccessLevelTypeCurrentRead))
	a[ua.AttributeIDUserAccessLevel] = server.DataValueFromValue(byte(ua.AccessLevelTypeCurrentRead))
	dv := server.DataValueFromValue(value)
	n := ns.AddNode(server.NewNode(ua.NewStringNodeID(ns.ID(), path+"."+name), a, typeOf(id.PropertyType), func() *ua.DataValue { return dv }))
	owner.AddRef(n, server.RefType(id.HasProperty), true)
}
