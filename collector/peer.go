package collector

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"
)

// peer is a server one is signed in to: its line, session and what it says of
// itself.
type peer struct {
	access     *access
	line       *line
	sess       *session
	namespaces []string
	started    time.Time
	state      int32
	level      int
	product    string
	limits     limits
}

// limits are how many operations one call may hold (G1). They start from what
// the server states, or from our own where it states nothing, and shrink if it
// still refuses.
type limits struct{ read, browse, items, history int }

// Our own limits keep one answer well below a megabyte.
var ownLimits = limits{read: 500, browse: 100, items: 1000, history: 50}

func (l *limits) clamp(stated limits) {
	low := func(own *int, s int) {
		if s > 0 {
			*own = min(*own, s)
		}
	}
	low(&l.read, stated.read)
	low(&l.browse, stated.browse)
	low(&l.items, stated.items)
	low(&l.history, stated.history)
}

// signIn opens a line and a fresh session.
func signIn(ctx context.Context, a *access) (*peer, error) {
	l, err := openLine(ctx, a.cfg.Endpoint, a.channel())
	if err != nil {
		return nil, err
	}
	p := &peer{access: a, line: l}
	if p.sess, err = createSession(ctx, l, a, a.cfg.SessionTimeout); err == nil {
		err = activate(ctx, l, a, p.sess)
	}
	if err == nil {
		err = p.identify(ctx)
	}
	if err != nil {
		l.close()
		return nil, err
	}
	return p, nil
}

// leave ends session and line.
func (p *peer) leave(ctx context.Context) {
	closeSession(ctx, p.line, p.sess)
	p.line.close()
}

func std(n uint32) *ua.NodeID { return ua.NewNumericNodeID(0, n) }

// identify reads what the server says of itself. Only the namespaces are
// needed; whatever else is missing stays unknown.
func (p *peer) identify(ctx context.Context) error {
	p.limits = ownLimits
	ids := []uint32{id.Server_NamespaceArray, id.Server_ServerStatus_StartTime, id.Server_ServerStatus_State, id.Server_ServiceLevel,
		id.Server_ServerStatus_BuildInfo_ProductName, id.Server_ServerStatus_BuildInfo_SoftwareVersion,
		id.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead, id.Server_ServerCapabilities_OperationLimits_MaxNodesPerBrowse,
		id.Server_ServerCapabilities_OperationLimits_MaxMonitoredItemsPerCall, id.Server_ServerCapabilities_OperationLimits_MaxNodesPerHistoryReadData}
	var req []*ua.ReadValueID
	for _, n := range ids {
		req = append(req, valueOf(std(n)))
	}
	dvs, err := p.read(ctx, req)
	if err != nil {
		return fmt.Errorf("read what the server says of itself: %w", err)
	}
	at := func(i int) any {
		if dvs[i] == nil || dvs[i].Value == nil || uint32(dvs[i].Status)>>30 >= 2 {
			return nil
		}
		return dvs[i].Value.Value()
	}
	ns, ok := at(0).([]string)
	if !ok || len(ns) == 0 {
		return fmt.Errorf("the server does not give its namespaces (%s); without them no node can be found", statusName(dvs[0].Status))
	}
	p.namespaces = ns
	p.started, _ = at(1).(time.Time)
	p.state, _ = at(2).(int32)
	p.level = -1
	if l, ok := at(3).(uint8); ok {
		p.level = int(l)
	}
	name, _ := at(4).(string)
	version, _ := at(5).(string)
	p.product = printable(strings.TrimSpace(name + " " + version))
	limit := func(i int) int { n, _ := at(i).(uint32); return int(min(n, 1<<20)) }
	p.limits.clamp(limits{read: limit(6), browse: limit(7), items: limit(8), history: limit(9)})
	return nil
}

func valueOf(n *ua.NodeID) *ua.ReadValueID { return attribute(n, ua.AttributeIDValue) }

func attribute(n *ua.NodeID, a ua.AttributeID) *ua.ReadValueID {
	return &ua.ReadValueID{NodeID: n, AttributeID: a, DataEncoding: &ua.QualifiedName{}}
}

// read reads attributes in chunks; the answer has one entry for each request.
func (p *peer) read(ctx context.Context, what []*ua.ReadValueID) ([]*ua.DataValue, error) {
	out := make([]*ua.DataValue, len(what))
	err := inChunks(len(what), &p.limits.read, func(lo, hi int) error {
		res, err := send[*ua.ReadResponse](ctx, p.line, p.sess.token, &ua.ReadRequest{TimestampsToReturn: ua.TimestampsToReturnBoth, NodesToRead: what[lo:hi]}, requestTimeout)
		if err != nil {
			return err
		}
		if len(res.Results) != hi-lo {
			return fmt.Errorf("the server answered %d reads with %d values", hi-lo, len(res.Results))
		}
		copy(out[lo:hi], res.Results)
		return nil
	})
	return out, err
}

// tooMany are the answers to a call with too many operations (G3).
var tooMany = []ua.StatusCode{ua.StatusBadTooManyOperations, ua.StatusBadRequestTooLarge, ua.StatusBadResponseTooLarge, ua.StatusBadEncodingLimitsExceeded}

// inChunks calls do for parts of n things. If the server finds a part too
// large, the limit is halved, for good, and the part done again.
func inChunks(n int, limit *int, do func(lo, hi int) error) error {
	for lo := 0; lo < n; {
		hi := min(n, lo+max(1, *limit))
		err := do(lo, hi)
		if code, ok := errors.AsType[ua.StatusCode](err); ok && slices.Contains(tooMany, code) && hi-lo > 1 {
			*limit = (hi - lo) / 2
			continue
		}
		if err != nil {
			return err
		}
		lo = hi
	}
	return nil
}

// serverStates are the names of ServerState (OPC 10000-5, 12.6).
var serverStates = []string{"Running", "Failed", "NoConfiguration", "Suspended", "Shutdown", "Test", "CommunicationFault", "Unknown"}

func serverStateName(s int32) string {
	if s < 0 || int(s) >= len(serverStates) {
		return fmt.Sprintf("state %d", s)
	}
	return serverStates[s]
}
