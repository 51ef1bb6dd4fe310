package collector

import (
	"cmp"
	"context"
	"errors"
	"fmt"
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
	if r == nil || r.NodeID == nil || r.NodeID.NodeID == nil || r.NodeID.ServerIndex != 0 {
		return place{}, false // of another server
	}
	node := ua.NewNodeIDFromExpandedNodeID(r.NodeID)
	ref, ok := refOf(node, w.peer.namespaces)
	if !ok {
		return place{}, false
	}
	browseName, ns := "", uint16(0)
	if r.BrowseName != nil {
		browseName, ns = r.BrowseName.Name, r.BrowseName.NamespaceIndex
	}
	if r.ReferenceTypeID != nil && r.ReferenceTypeID.Namespace() == 0 && r.ReferenceTypeID.IntID() == id.HasProperty {
		if from.at != nil && ns == 0 {
			switch browseName {
			case "EngineeringUnits":
				from.at.unit = node
			case "EURange":
				from.at.limit = node
			}
		}
		return place{}, false
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
		var again []int
		for k, r := range res.Results {
			i := now[k]
			if r.StatusCode == ua.StatusBadNoContinuationPoints && len(now) > 1 {
				again = append(again, i) // fewer nodes a call
				continue
			}
			out[i] = r.References
			if err := w.more(ctx, r.ContinuationPoint, &out[i]); err != nil {
				return nil, err
			}
		}
		todo = append(again, todo[len(now):]...)
		if len(again) > 0 {
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

// describe reads what there is to know of the variables found.
func (w *walk) describe(ctx context.Context) ([]Variable, error) {
	attrs := []ua.AttributeID{ua.AttributeIDValue, ua.AttributeIDDataType, ua.AttributeIDValueRank, ua.AttributeIDUserAccessLevel,
		ua.AttributeIDMinimumSamplingInterval, ua.AttributeIDDescription, ua.AttributeIDHistorizing}
	var req []*ua.ReadValueID
	for _, f := range w.found {
		for _, a := range attrs {
			req = append(req, attribute(f.id, a))
		}
	}
	var props []*ua.ReadValueID
	for _, f := range w.found {
		for _, n := range []*ua.NodeID{f.unit, f.limit} {
			if n != nil {
				props = append(props, valueOf(n))
			}
		}
	}
	got, err := w.peer.read(ctx, req)
	if err != nil {
		return nil, err
	}
	gotProps, err := w.peer.read(ctx, props)
	if err != nil {
		return nil, err
	}
	prop := func() any { v := plainValue(gotProps[0]); gotProps = gotProps[1:]; return v }
	var vars []Variable
	now := time.Now().UTC()
	for i, f := range w.found {
		v := w.variable(f, got[i*len(attrs):], now)
		if f.unit != nil {
			if x, ok := structure(prop()).(*ua.EUInformation); ok && x.DisplayName != nil {
				v.Unit = printable(strings.TrimSpace(x.DisplayName.Text))
			}
		}
		if f.limit != nil {
			if x, ok := structure(prop()).(*ua.Range); ok && x.Low <= x.High {
				v.EURange = []float64{x.Low, x.High}
			}
		}
		vars = append(vars, v)
	}
	return vars, nil
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

// CheckOnline connects to the server once and tries every tag of it: does the
// node exist, may it be read, is it a number, is its value usable now. It
// returns the faults found, in the order of tags, or an error if the server
// could not be asked.
func CheckOnline(ctx context.Context, cfg Config) ([]TagFault, error) {
	cfg.Server = withDefaults(cfg.Server)
	items, err := makeItems(cfg)
	if err != nil {
		return nil, err
	}
	p, err := visit(ctx, cfg.Server, cfg.DataDir)
	if err != nil {
		return nil, err
	}
	defer p.leave(context.WithoutCancel(ctx))
	var faults []TagFault
	add := func(it *item, q plant.Quality, problem, fix string) {
		faults = append(faults, *newFault(it, q, problem, fix))
	}
	var known []*item
	var what []*ua.ReadValueID
	for _, it := range items {
		node, ok := it.ref.id(p.namespaces)
		if !ok {
			add(it, plant.BadNodeIDUnknown, fmt.Sprintf("server %s has no namespace %s", cfg.Server.Name, it.ref.uri), "its namespaces are "+printable(strings.Join(p.namespaces, ", ")))
			continue
		}
		known, what = append(known, it), append(what, valueOf(node))
	}
	dvs, err := p.read(ctx, what)
	if err != nil {
		return faults, fmt.Errorf("read the tags of server %s: %s", cfg.Server.Name, explain(err))
	}
	now := time.Now().UTC()
	for i, dv := range dvs {
		it := known[i]
		switch dv.Status {
		case ua.StatusBadNodeIDUnknown, ua.StatusBadNodeIDInvalid:
			add(it, plant.BadNodeIDUnknown, itemProblem(cfg.Server.Name, it, dv.Status), "look the node up with 'calandria browse' and correct node:")
			continue
		case ua.StatusBadAttributeIDInvalid:
			add(it, plant.BadAttributeIDInvalid, fmt.Sprintf("node %s is no variable", it.ref), "name the variable itself")
			continue
		case ua.StatusBadUserAccessDenied, ua.StatusBadNotReadable:
			add(it, plant.QualityOf(uint32(dv.Status)), itemProblem(cfg.Server.Name, it, dv.Status), "give this client's user the right to read the node")
			continue
		}
		pt, _ := convert(it.tag, dv, now)
		switch {
		case pt.Quality == plant.BadTypeMismatch:
			add(it, pt.Quality, fmt.Sprintf("node %s is of type %s, not a number", it.ref, typeName(dv.Value)), "name a node that holds one number")
		case pt.Quality == plant.BadOutOfRange:
			raw, _ := number(dv.Value)
			add(it, pt.Quality, fmt.Sprintf("the reading %g is outside the range of the tag (%g to %g %s)", raw, it.tag.Low, it.tag.High, it.tag.Unit), "check unit:, reference: and range:, and the instrument")
		case pt.Quality.IsBad():
			add(it, pt.Quality, fmt.Sprintf("node %s has no usable value now: %s", it.ref, pt.Quality), "check the instrument and its wiring to the server")
		}
	}
	slices.SortStableFunc(faults, func(a, b TagFault) int { return cmp.Compare(a.Tag, b.Tag) })
	return faults, nil
}
