package collector

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"calandria/plant"
)

// BrowseOptions say where and how far to look.
type BrowseOptions struct {
	Server  plant.ServerConfig
	DataDir string // certificate and trust list, as for a Client
	// Root is where to start, a node id; default the Objects folder.
	Root string
	// MaxNodes bounds the walk; default 100000. MaxDepth likewise; default 20.
	MaxNodes, MaxDepth int
	// Standard includes the server's own diagnostics (namespace 0).
	Standard bool
}

// Variable is one variable found in a server.
type Variable struct {
	Node        string // in the nsu= form that plant.yaml takes
	Path        string // browse names from the root, joined by /
	Name        string // display name, else browse name
	Description string
	DataType    string // Double, Int32, Boolean ...; a node id if not of the standard
	Scalar      bool
	Value       string // as text, at the moment of browsing
	Quality     plant.Quality
	Time        time.Time
	Unit        string // EngineeringUnits, as the server displays it
	// EURange is the normal range [low, high], nil if not given.
	EURange  []float64
	Sampling time.Duration // MinimumSamplingInterval; 0 if not given
	Readable bool          // with the user signed in
	History  bool          // the server keeps history of it
}

// Numeric reports whether the variable can be a tag: one number or a boolean.
func (v Variable) Numeric() bool {
	if !v.Scalar {
		return false
	}
	switch v.DataType {
	case "Boolean", "SByte", "Byte", "Int16", "UInt16", "Int32", "UInt32", "Int64", "UInt64", "Float", "Double", "Number", "Integer", "UInteger", "Duration", "Enumeration", "BaseDataType":
		return true
	}
	return false
}

// ErrTruncated says that a walk ended at a limit of BrowseOptions.
var ErrTruncated = errors.New("browsing stopped at its limit of nodes or depth")

// Browse walks a server and lists its variables in the order found. If a limit
// ended the walk, the list so far comes with an error wrapping ErrTruncated.
func Browse(ctx context.Context, o BrowseOptions) ([]Variable, error) {
	o.Server = withDefaults(o.Server)
	if o.MaxNodes <= 0 {
		o.MaxNodes = 100000
	}
	if o.MaxDepth <= 0 {
		o.MaxDepth = 20
	}
	root := nodeRef{kind: 'i', num: id.ObjectsFolder}
	if o.Root != "" {
		var err error
		if root, err = parseNode(o.Root); err != nil {
			return nil, err
		}
	}
	p, err := visit(ctx, o.Server, o.DataDir)
	if err != nil {
		return nil, err
	}
	defer p.leave(context.WithoutCancel(ctx))
	start, ok := root.id(p.namespaces)
	if !ok {
		return nil, fmt.Errorf("browse server %s: it has no namespace %s", o.Server.Name, root.uri)
	}
	w := &walk{peer: p, o: o, seen: map[string]bool{start.String(): true}}
	if err := w.run(ctx, start); err != nil {
		return nil, fmt.Errorf("browse server %s: %w", o.Server.Name, err)
	}
	vars, err := w.describe(ctx)
	if err != nil {
		return nil, fmt.Errorf("read the variables of server %s: %w", o.Server.Name, err)
	}
	if w.truncated {
		return vars, fmt.Errorf("server %s: %w", o.Server.Name, ErrTruncated)
	}
	return vars, nil
}

// visit connects once, for a look; the error is in plain words.
func visit(ctx context.Context, s plant.ServerConfig, dataDir string) (*peer, error) {
	a, err := agree(ctx, s, dataDir, time.Now())
	var p *peer
	if err == nil {
		p, err = signIn(ctx, a)
	}
	if err != nil {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		return nil, fmt.Errorf("connect to server %s at %s: %s", s.Name, s.Endpoint, explain(err))
	}
	return p, nil
}

// walk is a breadth-first walk over the hierarchical references.
type walk struct {
	peer      *peer
	o         BrowseOptions
	seen      map[string]bool // references form loops
	found     []*found
	truncated bool
}

type found struct {
	id          *ua.NodeID
	ref         nodeRef
	path, name  string
	unit, limit *ua.NodeID // its EngineeringUnits and EURange properties
}

type place struct {
	id    *ua.NodeID
	path  string
	depth int
	at    *found // if it is a variable
}

func (w *walk) run(ctx context.Context, start *ua.NodeID) error {
	level := []place{{id: start}}
	for len(level) > 0 {
		var next []place
		err := inChunks(len(level), &w.peer.limits.browse, func(lo, hi int) error {
			part := level[lo:hi]
			refs, err := w.references(ctx, part)
			if err != nil {
				return err
			}
			for i, list := range refs {
				for _, r := range list {
					if n, ok := w.step(part[i], r); ok {
						next = append(next, n)
					}
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
		level = next
	}
	return nil
}

// step follows one reference.
func (w *walk) step(from place, r *ua.ReferenceDescription) (place, bool) {
	node, ok := w.reference(r)
	if !ok || from.property(r, node) {
		return place{}, false
	}
	ref, ok := refOf(node, w.peer.namespaces)
	if !ok {
		return place{}, false
	}
	browseName := ""
	if r.BrowseName != nil {
		browseName = r.BrowseName.Name
	}
	if !w.o.Standard && node.Namespace() == 0 {
		return place{}, false
	}
	key := node.String()
	if w.seen[key] {
		return place{}, false
	}
	if len(w.seen) >= w.o.MaxNodes || from.depth+1 >= w.o.MaxDepth {
		w.truncated = true
		return place{}, false
	}
	w.seen[key] = true
	n := place{id: node, path: strings.TrimPrefix(from.path+"/"+printable(browseName), "/"), depth: from.depth + 1}
	if r.NodeClass == ua.NodeClassVariable {
		name := browseName
		if r.DisplayName != nil && r.DisplayName.Text != "" {
			name = r.DisplayName.Text
		}
		n.at = &found{id: node, ref: ref, path: n.path, name: printable(name)}
		w.found = append(w.found, n.at)
	}
	return n, true
}

// reference is the node of this server that a reference leads to.
func (w *walk) reference(r *ua.ReferenceDescription) (*ua.NodeID, bool) {
	if r == nil || r.NodeID == nil || r.NodeID.NodeID == nil || r.NodeID.ServerIndex != 0 {
		return nil, false // of another server
	}
	return ua.NewNodeIDFromExpandedNodeID(r.NodeID), true
}

// property reports whether a reference leads to a property, and keeps those that
// say what a number means (OPC 10000-8, 5.3.2).
func (p place) property(r *ua.ReferenceDescription, node *ua.NodeID) bool {
	if r.ReferenceTypeID == nil || r.ReferenceTypeID.Namespace() != 0 || r.ReferenceTypeID.IntID() != id.HasProperty {
		return false
	}
	if p.at != nil && r.BrowseName != nil && r.BrowseName.NamespaceIndex == 0 {
		switch r.BrowseName.Name {
		case "EngineeringUnits":
			p.at.unit = node
		case "EURange":
			p.at.limit = node
		}
	}
	return true
}

// references browses places and follows continuation points to the end (G4).
func (w *walk) references(ctx context.Context, part []place) ([][]*ua.ReferenceDescription, error) {
	out := make([][]*ua.ReferenceDescription, len(part))
	todo := make([]int, len(part))
	for i := range part {
		todo[i] = i
	}
	for chunk := len(part); len(todo) > 0; {
		now := todo[:min(chunk, len(todo))]
		req := &ua.BrowseRequest{View: &ua.ViewDescription{ViewID: ua.NewTwoByteNodeID(0)}, RequestedMaxReferencesPerNode: 1000}
		for _, i := range now {
			req.NodesToBrowse = append(req.NodesToBrowse, &ua.BrowseDescription{NodeID: part[i].id, BrowseDirection: ua.BrowseDirectionForward,
				ReferenceTypeID: std(id.HierarchicalReferences), IncludeSubtypes: true,
				NodeClassMask: uint32(ua.NodeClassObject | ua.NodeClassVariable), ResultMask: uint32(ua.BrowseResultMaskAll)})
		}
		res, err := send[*ua.BrowseResponse](ctx, w.peer.line, w.peer.sess.token, req, requestTimeout)
		if err != nil {
			return nil, err
		}
		if len(res.Results) != len(now) {
			return nil, fmt.Errorf("the server answered %d nodes with %d results", len(now), len(res.Results))
		}
		var smaller []int
		for k, r := range res.Results {
			i := now[k]
			if r.StatusCode == ua.StatusBadNoContinuationPoints && len(now) > 1 {
				smaller = append(smaller, i) // fewer nodes a call
				continue
			}
			out[i] = r.References
			if err := w.more(ctx, r.ContinuationPoint, &out[i]); err != nil {
				return nil, err
			}
		}
		todo = append(smaller, todo[len(now):]...)
		if len(smaller) > 0 {
			chunk = max(1, chunk/2)
		}
	}
	return out, nil
}

func (w *walk) more(ctx context.Context, point []byte, out *[]*ua.ReferenceDescription) error {
	for len(point) > 0 {
		release := len(*out) > w.o.MaxNodes
		res, err := send[*ua.BrowseNextResponse](ctx, w.peer.line, w.peer.sess.token, &ua.BrowseNextRequest{ReleaseContinuationPoints: release, ContinuationPoints: [][]byte{point}}, requestTimeout)
		if err != nil {
			return err
		}
		if release || len(res.Results) == 0 {
			w.truncated = w.truncated || release
			return nil
		}
		*out = append(*out, res.Results[0].References...)
		point = res.Results[0].ContinuationPoint // an empty page may have one
	}
	return nil
}

// variable puts together what the attributes say, in the order of describe.
func (w *walk) variable(f *found, dv []*ua.DataValue, now time.Time) Variable {
	v := Variable{Node: f.ref.String(), Path: f.path, Name: f.name, Value: valueText(dv[0].Value), Quality: plant.QualityOf(uint32(dv[0].Status))}
	v.Time, _ = stamp(dv[0], now)
	if n, ok := plainValue(dv[1]).(*ua.NodeID); ok {
		v.DataType = w.dataType(n)
	}
	rank, ok := plainValue(dv[2]).(int32)
	v.Scalar = !ok || rank < 0 && rank != -3 || rank == -3 && dv[0].Value != nil && !dv[0].Value.Has(ua.VariantArrayValues)
	if dv[0].Value != nil && dv[0].Value.Has(ua.VariantArrayValues) {
		v.Scalar = false
	}
	access, ok := plainValue(dv[3]).(uint8)
	v.Readable = !ok || access&1 != 0
	v.History = access&4 != 0
	if h, ok := plainValue(dv[6]).(bool); ok && h {
		v.History = true
	}
	if ms, ok := plainValue(dv[4]).(float64); ok && ms > 0 && ms < 1e9 {
		v.Sampling = time.Duration(ms * float64(time.Millisecond))
	}
	if d, ok := plainValue(dv[5]).(*ua.LocalizedText); ok && d != nil {
		v.Description = printable(d.Text)
	}
	return v
}

// describeAtOnce bounds how much of what the server says is held at a time.
const describeAtOnce = 2000

// describe reads what there is to know of the variables found.
func (w *walk) describe(ctx context.Context) (vars []Variable, err error) {
	attrs := []ua.AttributeID{ua.AttributeIDValue, ua.AttributeIDDataType, ua.AttributeIDValueRank, ua.AttributeIDUserAccessLevel,
		ua.AttributeIDMinimumSamplingInterval, ua.AttributeIDDescription, ua.AttributeIDHistorizing}
	for part := range slices.Chunk(w.found, describeAtOnce) {
		var req []*ua.ReadValueID
		for _, f := range part {
			for _, a := range attrs {
				req = append(req, attribute(f.id, a))
			}
		}
		got, err := w.peer.read(ctx, req)
		if err != nil {
			return nil, err
		}
		before, now := len(vars), time.Now().UTC()
		for i, f := range part {
			vars = append(vars, w.variable(f, got[i*len(attrs):], now))
		}
		err = w.properties(ctx, part, func(i int, unit string, eu []float64) { vars[before+i].Unit, vars[before+i].EURange = unit, eu })
		if err != nil {
			return vars, err
		}
	}
	return vars, nil
}

// properties reads the units and normal ranges of variables; set has those of the
// i-th, "" and nil where the server states none.
func (w *walk) properties(ctx context.Context, list []*found, set func(i int, unit string, euRange []float64)) error {
	var what []*ua.ReadValueID
	for _, f := range list {
		for _, n := range []*ua.NodeID{f.unit, f.limit} {
			if n != nil {
				what = append(what, valueOf(n))
			}
		}
	}
	got, err := w.peer.read(ctx, what)
	if err != nil {
		return err
	}
	next := func() any { v := plainValue(got[0]); got = got[1:]; return structure(v) }
	for i, f := range list {
		unit, euRange := "", []float64(nil)
		if f.unit != nil {
			if x, ok := next().(*ua.EUInformation); ok && x.DisplayName != nil {
				unit = printable(strings.TrimSpace(x.DisplayName.Text))
			}
		}
		if f.limit != nil {
			if x, ok := next().(*ua.Range); ok && x.Low <= x.High && number64(x.Low) != nil && number64(x.High) != nil {
				euRange = []float64{x.Low, x.High}
			}
		}
		set(i, unit, euRange)
	}
	return nil
}

func plainValue(dv *ua.DataValue) any {
	if dv == nil || dv.Value == nil || uint32(dv.Status)>>30 >= 2 {
		return nil
	}
	return dv.Value.Value()
}

func structure(v any) any {
	if e, ok := v.(*ua.ExtensionObject); ok && e != nil {
		return e.Value
	}
	return nil
}

// abstractTypes are data types of namespace 0 beyond the built-in ones that
// variables are often declared with (OPC 10000-6, annex A).
var abstractTypes = map[uint32]string{24: "BaseDataType", 26: "Number", 27: "Integer", 28: "UInteger", 29: "Enumeration", 290: "Duration", 294: "UtcTime"}

func (w *walk) dataType(n *ua.NodeID) string {
	if n.Namespace() == 0 {
		if s, ok := abstractTypes[n.IntID()]; ok {
			return s
		}
		if s, ok := typeNames[ua.TypeID(min(n.IntID(), 255))]; ok {
			return s
		}
	}
	if r, ok := refOf(n, w.peer.namespaces); ok {
		return r.String()
	}
	return n.String()
}

func valueText(v *ua.Variant) string {
	if v == nil || v.Value() == nil {
		return ""
	}
	if v.Has(ua.VariantArrayValues) {
		return fmt.Sprintf("%s [%d]", typeName(v), v.ArrayLength())
	}
	switch x := v.Value().(type) {
	case float64:
		return strconv.FormatFloat(x, 'g', -1, 64)
	case float32:
		return strconv.FormatFloat(float64(x), 'g', -1, 32)
	case string:
		return strconv.Quote(printable(x))
	case time.Time:
		return x.Format(time.RFC3339)
	case *ua.LocalizedText:
		return strconv.Quote(printable(x.Text))
	case bool, int8, uint8, int16, uint16, int32, uint32, int64, uint64:
		return fmt.Sprint(x)
	}
	return typeName(v)
}

// Look connects to the server once, tries every tag of it and reads the tags for
// a while: does the node exist, may it be read, is it a number, is its value
// usable now. It returns the faults found, in the order of tags, and of the tags
// without a fault what the server says of their nodes and what they read. The
// error says that the server could not be asked.
func Look(ctx context.Context, cfg Config, o LookOptions) ([]plant.Reading, []TagFault, error) {
	cfg.Server = withDefaults(cfg.Server)
	items, err := makeItems(cfg)
	if err != nil {
		return nil, nil, err
	}
	p, err := visit(ctx, cfg.Server, cfg.DataDir)
	if err != nil {
		return nil, nil, err
	}
	defer p.leave(context.WithoutCancel(ctx))
	l := &look{peer: p, server: cfg.Server.Name}
	if err := l.try(ctx, items); err != nil {
		return nil, l.faults, fmt.Errorf("read the tags of server %s: %s", cfg.Server.Name, explain(err))
	}
	slices.SortStableFunc(l.faults, func(a, b TagFault) int { return cmp.Compare(a.Tag, b.Tag) })
	if err := l.names(ctx); err != nil {
		return nil, l.faults, fmt.Errorf("read what server %s says of its nodes: %s", cfg.Server.Name, explain(err))
	}
	return l.readings, l.faults, l.watch(ctx, o)
}

// LookOptions say how long to read on after the first reading.
type LookOptions struct {
	For, Every time.Duration
	Progress   func(done time.Duration) // nil for none
}

// look is one visit to a server; nodes and readings go together.
type look struct {
	peer     *peer
	server   string
	faults   []TagFault
	nodes    []*ua.NodeID
	readings []plant.Reading
}

func (l *look) try(ctx context.Context, items []*item) error {
	add := func(it *item, q plant.Quality, problem, fix string) {
		l.faults = append(l.faults, *newFault(it, q, problem, fix))
	}
	var known []*item
	var nodes []*ua.NodeID
	for _, it := range items {
		node, ok := it.ref.id(l.peer.namespaces)
		if !ok {
			add(it, plant.BadNodeIDUnknown, fmt.Sprintf("server %s has no namespace %s", l.server, it.ref.uri), "its namespaces are "+printable(strings.Join(l.peer.namespaces, ", ")))
			continue
		}
		known, nodes = append(known, it), append(nodes, node)
	}
	dvs, err := l.peer.read(ctx, values(nodes))
	if err != nil {
		return err
	}
	now := time.Now().UTC()
	for i, dv := range dvs {
		if l.tryOne(known[i], dv, now, add) {
			raw, _ := number(dv.Value)
			l.nodes = append(l.nodes, nodes[i])
			l.readings = append(l.readings, plant.Reading{Tag: known[i].tag.ID, Title: known[i].ref.String(), Low: math.NaN(), High: math.NaN(), Raw: []float64{raw}})
		}
	}
	return nil
}

func values(nodes []*ua.NodeID) (what []*ua.ReadValueID) {
	for _, n := range nodes {
		what = append(what, valueOf(n))
	}
	return what
}

// tryOne reports whether a tag can be read; a range that the reading is outside
// of is a fault too, but no reason to look away.
func (l *look) tryOne(it *item, dv *ua.DataValue, now time.Time, add func(it *item, q plant.Quality, problem, fix string)) bool {
	switch dv.Status {
	case ua.StatusBadNodeIDUnknown, ua.StatusBadNodeIDInvalid:
		add(it, plant.BadNodeIDUnknown, itemProblem(l.server, it, dv.Status), "look the node up with 'calandria browse' and correct node:")
		return false
	case ua.StatusBadAttributeIDInvalid:
		add(it, plant.BadAttributeIDInvalid, fmt.Sprintf("node %s is no variable", it.ref), "name the variable itself")
		return false
	case ua.StatusBadUserAccessDenied, ua.StatusBadNotReadable:
		add(it, plant.QualityOf(uint32(dv.Status)), itemProblem(l.server, it, dv.Status), "give this client's user the right to read the node")
		return false
	}
	pt, _ := convert(it.tag, dv, now)
	switch {
	case pt.Quality == plant.BadTypeMismatch:
		add(it, pt.Quality, fmt.Sprintf("node %s is of type %s, not a number", it.ref, typeName(dv.Value)), "name a node that holds one number")
		return false
	case pt.Quality == plant.BadOutOfRange:
		raw, _ := number(dv.Value)
		add(it, pt.Quality, fmt.Sprintf("the reading %g is outside the range of the tag (%g to %g %s)", raw, it.tag.Low, it.tag.High, it.tag.Unit), "check unit:, reference: and range:, and the instrument")
	case pt.Quality.IsBad():
		add(it, pt.Quality, fmt.Sprintf("node %s has no usable value now: %s", it.ref, pt.Quality), "check the instrument and its wiring to the server")
		return false
	}
	return true
}

// names reads the display names, units and normal ranges of the nodes.
func (l *look) names(ctx context.Context) error {
	w := &walk{peer: l.peer, o: BrowseOptions{MaxNodes: len(l.nodes), MaxDepth: 2}}
	var at []place
	var list []*found
	for _, n := range l.nodes {
		list = append(list, &found{id: n})
		at = append(at, place{id: n, at: list[len(list)-1]})
	}
	err := inChunks(len(at), &l.peer.limits.browse, func(lo, hi int) error {
		refs, err := w.references(ctx, at[lo:hi])
		for i, some := range refs {
			for _, r := range some {
				if n, ok := w.reference(r); ok {
					at[lo+i].property(r, n)
				}
			}
		}
		return err
	})
	if err != nil {
		return err
	}
	var what []*ua.ReadValueID
	for _, n := range l.nodes {
		what = append(what, attribute(n, ua.AttributeIDDisplayName))
	}
	titles, err := l.peer.read(ctx, what)
	if err != nil {
		return err
	}
	for i := range list {
		if t, ok := plainValue(titles[i]).(*ua.LocalizedText); ok && t != nil {
			l.readings[i].Title = printable(t.Text) + ", " + l.readings[i].Title
		}
	}
	return w.properties(ctx, list, func(i int, unit string, eu []float64) {
		l.readings[i].Unit = unit
		if eu != nil {
			l.readings[i].Low, l.readings[i].High = eu[0], eu[1]
		}
	})
}

// watch reads on.
func (l *look) watch(ctx context.Context, o LookOptions) error {
	if o.For <= 0 || len(l.nodes) == 0 {
		return nil
	}
	tick := time.NewTicker(max(o.Every, 100*time.Millisecond))
	defer tick.Stop()
	what := values(l.nodes)
	for start := time.Now(); time.Since(start) < o.For; {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
		dvs, err := l.peer.read(ctx, what)
		if err != nil {
			return fmt.Errorf("read the tags of server %s: %s", l.server, explain(err))
		}
		for i, dv := range dvs {
			raw, q := number(dv.Value)
			if q.IsBad() || plant.QualityOf(uint32(dv.Status)).IsBad() {
				raw = math.NaN()
			}
			l.readings[i].Raw = append(l.readings[i].Raw, raw)
		}
		if o.Progress != nil {
			o.Progress(time.Since(start))
		}
	}
	return nil
}
