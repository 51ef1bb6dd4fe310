package simulator

import (
	"context"
	"encoding/binary"
	"errors"
	"slices"
	"sync"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/server"
	"github.com/gopcua/opcua/ua"
	"github.com/gopcua/opcua/uasc"
)

// The library's own subscriptions keep a queue of one, take any node for good
// and can lock up when a client goes away, so those are here that the collector
// asks for; the others are refused. Service
// requests arrive one by one on the library's goroutine; samples and
// publications come from Server.Run.

// Bounds. A full queue of values drops the oldest and marks the next; a full
// queue of publish requests answers the oldest with Bad_TooManyPublishRequests.
const (
	maxSubscriptions = 100
	maxItems         = 20000 // of a subscription
	maxQueue         = 1000  // values of an item
	maxPublish       = 20    // waiting requests of a session
	maxRetained      = 100   // sent messages kept for Republish
	maxInMessage     = 5000  // values in one message
)

type subscriptions struct {
	srv *Server

	mu       sync.Mutex
	subs     map[uint32]*subscription
	waiting  map[string][]*publish // publish requests by session
	nextSub  uint32
	nextItem uint32
	outbox   []outgoing
}

type publish struct {
	sc      *uasc.SecureChannel
	id      uint32
	handle  uint32
	results []ua.StatusCode // of its acknowledgements
}

type outgoing struct {
	sc   *uasc.SecureChannel
	id   uint32
	resp ua.Response
}

type subscription struct {
	id        uint32
	session   string
	interval  time.Duration
	keepAlive uint32
	lifetime  uint32
	maxValues int

	items    map[uint32]*monitored
	order    []uint32
	due      time.Time
	quiet    uint32 // intervals without a message
	lonely   uint32 // intervals without a publish request
	sequence uint32 // of the last message
	retained []*ua.NotificationMessage
	first    bool
	more     bool // values were left over, or a publish request was missing
}

type monitored struct {
	id      uint32
	handle  uint32
	node    *ua.NodeID
	attr    ua.AttributeID
	place   int // of the instrument; -1 for another attribute or node
	every   time.Duration
	queue   int
	oldest  bool // discard the oldest
	trigger ua.DataChangeTrigger
	due     time.Time
	last    *ua.DataValue
	values  []*ua.DataValue
}

func newSubscriptions(s *Server) *subscriptions {
	u := &subscriptions{srv: s, subs: map[uint32]*subscription{}, waiting: map[string][]*publish{}}
	handle(s.ua, id.CreateSubscriptionRequest_Encoding_DefaultBinary, u.create)
	handle(s.ua, id.DeleteSubscriptionsRequest_Encoding_DefaultBinary, u.delete)
	handle(s.ua, id.RepublishRequest_Encoding_DefaultBinary, u.republish)
	handle(s.ua, id.CreateMonitoredItemsRequest_Encoding_DefaultBinary, u.createItems)
	handle(s.ua, id.HistoryReadRequest_Encoding_DefaultBinary, s.historyRead)
	handle(s.ua, id.WriteRequest_Encoding_DefaultBinary, refuseWrite)
	// The library's own handlers would look into its own, empty tables.
	for _, service := range []uint16{id.TransferSubscriptionsRequest_Encoding_DefaultBinary, id.ModifySubscriptionRequest_Encoding_DefaultBinary, id.SetPublishingModeRequest_Encoding_DefaultBinary,
		id.ModifyMonitoredItemsRequest_Encoding_DefaultBinary, id.DeleteMonitoredItemsRequest_Encoding_DefaultBinary, id.SetMonitoringModeRequest_Encoding_DefaultBinary} {
		handle(s.ua, service, func(string, ua.Request) (ua.Response, error) { return nil, ua.StatusBadServiceUnsupported })
	}
	s.ua.RegisterHandler(id.PublishRequest_Encoding_DefaultBinary, u.publish)
	s.ua.RegisterHandler(id.GetEndpointsRequest_Encoding_DefaultBinary, s.getEndpoints)
	return u
}

// handle registers a service. The function is not called without a session, and its
// answer needs no header.
func handle[R ua.Request](srv *server.Server, typeID uint16, f func(session string, r R) (ua.Response, error)) {
	srv.RegisterHandler(typeID, func(_ *uasc.SecureChannel, r ua.Request, _ uint32) (ua.Response, error) {
		req, ok := r.(R)
		if !ok {
			return nil, ua.StatusBadRequestTypeInvalid
		}
		session := srv.Session(req.Header())
		if session == nil {
			return refusal(req, ua.StatusBadSessionIDInvalid), nil
		}
		resp, err := f(session.AuthTokenID.String(), req)
		if code, ok := errors.AsType[ua.StatusCode](err); ok {
			return refusal(req, code), nil
		}
		if err == nil {
			resp.SetHeader(header(req.Header().RequestHandle, ua.StatusOK))
		}
		return resp, err
	})
}

func header(handle uint32, code ua.StatusCode) *ua.ResponseHeader {
	return &ua.ResponseHeader{Timestamp: time.Now(), RequestHandle: handle, ServiceResult: code,
		ServiceDiagnostics: &ua.DiagnosticInfo{}, StringTable: []string{}, AdditionalHeader: ua.NewExtensionObject(nil)}
}

func refusal(r ua.Request, code ua.StatusCode) ua.Response {
	return &ua.ServiceFault{ResponseHeader: header(r.Header().RequestHandle, code)}
}

// getEndpoints tells the endpoint whatever address it was asked under, so that
// the server can stand behind a relay.
func (s *Server) getEndpoints(_ *uasc.SecureChannel, r ua.Request, _ uint32) (ua.Response, error) {
	req, ok := r.(*ua.GetEndpointsRequest)
	if !ok {
		return nil, ua.StatusBadRequestTypeInvalid
	}
	return &ua.GetEndpointsResponse{ResponseHeader: header(req.RequestHeader.RequestHandle, ua.StatusOK), Endpoints: s.ua.Endpoints()}, nil
}

func refuseWrite(_ string, r *ua.WriteRequest) (ua.Response, error) {
	res := make([]ua.StatusCode, len(r.NodesToWrite))
	for i := range res {
		res[i] = ua.StatusBadUserAccessDenied
	}
	return &ua.WriteResponse{Results: res, DiagnosticInfos: []*ua.DiagnosticInfo{}}, nil
}

func (u *subscriptions) find(session string, n uint32) (*subscription, ua.StatusCode) {
	s := u.subs[n]
	if s == nil || s.session != session {
		return nil, ua.StatusBadSubscriptionIDInvalid
	}
	return s, ua.StatusOK
}

func (s *subscription) revise(intervalMS float64, lifetime, keepAlive uint32) {
	if !(intervalMS >= 50) {
		intervalMS = 50
	}
	s.interval = time.Duration(min(intervalMS, 60000) * float64(time.Millisecond))
	s.keepAlive = min(max(keepAlive, 1), 10000)
	s.lifetime = max(lifetime, 3*s.keepAlive)
}

func (u *subscriptions) create(session string, r *ua.CreateSubscriptionRequest) (ua.Response, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if len(u.subs) >= maxSubscriptions {
		return nil, ua.StatusBadTooManySubscriptions
	}
	u.nextSub++
	s := &subscription{id: u.nextSub, session: session, items: map[uint32]*monitored{}, first: true, maxValues: maxInMessage}
	s.revise(r.RequestedPublishingInterval, r.RequestedLifetimeCount, r.RequestedMaxKeepAliveCount)
	if n := int(r.MaxNotificationsPerPublish); n > 0 && n < maxInMessage {
		s.maxValues = n
	}
	s.due = time.Now().Add(s.interval)
	u.subs[s.id] = s
	return &ua.CreateSubscriptionResponse{SubscriptionID: s.id,
		RevisedPublishingInterval: float64(s.interval) / float64(time.Millisecond), RevisedLifetimeCount: s.lifetime, RevisedMaxKeepAliveCount: s.keepAlive}, nil
}

func (u *subscriptions) each(session string, ids []uint32, f func(s *subscription)) []ua.StatusCode {
	res := make([]ua.StatusCode, len(ids))
	for i, n := range ids {
		var s *subscription
		if s, res[i] = u.find(session, n); s != nil {
			f(s)
		}
	}
	return res
}

func (u *subscriptions) delete(session string, r *ua.DeleteSubscriptionsRequest) (ua.Response, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	res := u.each(session, r.SubscriptionIDs, func(s *subscription) { delete(u.subs, s.id) })
	return &ua.DeleteSubscriptionsResponse{Results: res, DiagnosticInfos: []*ua.DiagnosticInfo{}}, nil
}

func (s *subscription) available() []uint32 {
	ns := make([]uint32, 0, len(s.retained))
	for _, m := range s.retained {
		ns = append(ns, m.SequenceNumber)
	}
	return ns
}

func (u *subscriptions) republish(session string, r *ua.RepublishRequest) (ua.Response, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	s, code := u.find(session, r.SubscriptionID)
	if s == nil {
		return nil, code
	}
	s.lonely = 0
	for _, m := range s.retained {
		if m.SequenceNumber == r.RetransmitSequenceNumber {
			return &ua.RepublishResponse{NotificationMessage: m}, nil
		}
	}
	return nil, ua.StatusBadMessageNotAvailable
}

// settings takes over sampling, queue and filter; it returns what they were
// revised to.
func (it *monitored) settings(p *ua.MonitoringParameters, publishing time.Duration, scan time.Duration) ua.StatusCode {
	it.handle = p.ClientHandle
	if it.every = publishing; p.SamplingInterval >= 0 {
		it.every = time.Duration(min(p.SamplingInterval, 3.6e6) * float64(time.Millisecond))
	}
	it.every = max(it.every, scan)
	it.queue = int(min(max(p.QueueSize, 1), maxQueue))
	it.oldest = p.DiscardOldest
	it.trigger = ua.DataChangeTriggerStatusValue
	if p.Filter == nil || p.Filter.Value == nil {
		return ua.StatusOK
	}
	f, ok := p.Filter.Value.(*ua.DataChangeFilter)
	if !ok || f.DeadbandType != 0 {
		return ua.StatusBadMonitoredItemFilterUnsupported
	}
	it.trigger = f.Trigger
	return ua.StatusOK
}

func (u *subscriptions) createItems(session string, r *ua.CreateMonitoredItemsRequest) (ua.Response, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	s, code := u.find(session, r.SubscriptionID)
	if s == nil {
		return nil, code
	}
	if len(r.ItemsToCreate) == 0 {
		return nil, ua.StatusBadNothingToDo
	}
	now := time.Now()
	res := make([]*ua.MonitoredItemCreateResult, len(r.ItemsToCreate))
	for i, c := range r.ItemsToCreate {
		res[i] = &ua.MonitoredItemCreateResult{FilterResult: ua.NewExtensionObject(nil)}
		if c.ItemToMonitor == nil || c.ItemToMonitor.NodeID == nil || c.RequestedParameters == nil {
			res[i].StatusCode = ua.StatusBadNodeIDInvalid
			continue
		}
		if len(s.items) >= maxItems {
			res[i].StatusCode = ua.StatusBadTooManyMonitoredItems
			continue
		}
		it := &monitored{node: c.ItemToMonitor.NodeID, attr: c.ItemToMonitor.AttributeID, place: -1, due: now}
		n := u.srv.ua.Node(it.node)
		if n == nil {
			res[i].StatusCode = ua.StatusBadNodeIDUnknown
			continue
		}
		if it.node.Namespace() == u.srv.ns.ID() && it.attr == ua.AttributeIDValue {
			if p, ok := u.srv.index[it.node.StringID()]; ok {
				it.place = p
			}
		}
		if dv := u.value(it); plainBad(dv) {
			res[i].StatusCode = dv.Status
			continue
		}
		if st := it.settings(c.RequestedParameters, s.interval, u.srv.opt.Every); st != ua.StatusOK {
			res[i].StatusCode = st
			continue
		}
		u.nextItem++
		it.id = u.nextItem
		s.items[it.id] = it
		s.order = append(s.order, it.id)
		it.take(u.value(it), now)
		res[i].MonitoredItemID, res[i].RevisedQueueSize = it.id, uint32(it.queue)
		res[i].RevisedSamplingInterval = float64(it.every) / float64(time.Millisecond)
	}
	return &ua.CreateMonitoredItemsResponse{Results: res, DiagnosticInfos: []*ua.DiagnosticInfo{}}, nil
}

// plainBad says that an attribute does not exist, as against a bad reading.
func plainBad(dv *ua.DataValue) bool {
	return dv.Status == ua.StatusBadNodeIDUnknown || dv.Status == ua.StatusBadAttributeIDInvalid
}

func (u *subscriptions) value(it *monitored) *ua.DataValue {
	if it.place >= 0 {
		return u.srv.current(it.place).data()
	}
	ns, err := u.srv.ua.Namespace(int(it.node.Namespace()))
	if err != nil {
		return &ua.DataValue{EncodingMask: ua.DataValueStatusCode, Status: ua.StatusBadNodeIDUnknown}
	}
	dv := ns.Attribute(it.node, it.attr)
	if dv == nil {
		return &ua.DataValue{EncodingMask: ua.DataValueStatusCode, Status: ua.StatusBadAttributeIDInvalid}
	}
	return dv
}

// take queues a value if it differs from the last one by the item's filter.
func (it *monitored) take(dv *ua.DataValue, now time.Time) {
	if now.Before(it.due) {
		return
	}
	// Keep to the grid, so that a late tick does not shift all later ones.
	for !it.due.After(now) {
		it.due = it.due.Add(max(it.every, time.Millisecond))
	}
	if it.last != nil && !it.differs(dv) {
		return
	}
	it.last = dv
	it.push(dv)
}

func (it *monitored) differs(dv *ua.DataValue) bool {
	if dv.Status != it.last.Status {
		return true
	}
	if it.trigger == ua.DataChangeTriggerStatus {
		return false
	}
	if it.trigger == ua.DataChangeTriggerStatusValueTimestamp && !dv.SourceTimestamp.Equal(it.last.SourceTimestamp) {
		return true
	}
	if dv.Value == nil || it.last.Value == nil {
		return dv.Value != it.last.Value
	}
	x, y := dv.Value.Value(), it.last.Value.Value()
	switch x.(type) {
	case float64, bool, int32, uint32, int64, string, time.Time:
		return x != y
	}
	return false // a structure: constant on this server
}

func (it *monitored) push(dv *ua.DataValue) {
	if len(it.values) >= it.queue {
		const overflow = ua.StatusCode(0x480) // info type DataValue, overflow
		if it.oldest {
			it.values = it.values[1:]
			if it.queue > 1 && len(it.values) > 0 {
				it.values[0] = marked(it.values[0], overflow)
			}
		} else {
			it.values = it.values[:len(it.values)-1]
			if it.queue > 1 {
				dv = marked(dv, overflow)
			}
		}
	}
	it.values = append(it.values, dv)
}

func marked(dv *ua.DataValue, bits ua.StatusCode) *ua.DataValue {
	c := *dv
	c.Status |= bits
	c.EncodingMask |= ua.DataValueStatusCode
	return &c
}

// sample looks at all items; the instruments have just been read.
func (u *subscriptions) sample(now time.Time) {
	u.mu.Lock()
	defer u.mu.Unlock()
	// A tick of the ticker may come a little early.
	now = now.Add(u.srv.opt.Every / 10)
	for _, s := range u.subs {
		for _, it := range s.items {
			if now.Before(it.due) {
				continue
			}
			it.take(u.value(it), now)
		}
	}
}

func (u *subscriptions) publish(sc *uasc.SecureChannel, r ua.Request, reqID uint32) (ua.Response, error) {
	req, ok := r.(*ua.PublishRequest)
	if !ok {
		return nil, ua.StatusBadRequestTypeInvalid
	}
	sess := u.srv.ua.Session(req.RequestHeader)
	if sess == nil {
		return refusal(req, ua.StatusBadSessionIDInvalid), nil
	}
	session := sess.AuthTokenID.String()
	u.mu.Lock()
	defer u.mu.Unlock()
	p := &publish{sc: sc, id: reqID, handle: req.RequestHeader.RequestHandle, results: make([]ua.StatusCode, len(req.SubscriptionAcknowledgements))}
	for i, a := range req.SubscriptionAcknowledgements {
		p.results[i] = u.acknowledge(session, a)
	}
	subscribed := false
	for _, s := range u.subs {
		if s.session == session {
			subscribed = true
			s.lonely = 0
		}
	}
	if !subscribed {
		return refusal(req, ua.StatusBadNoSubscription), nil
	}
	// Requests that came over a channel since replaced cannot be answered.
	q := slices.DeleteFunc(u.waiting[session], func(w *publish) bool { return w.sc != sc })
	q = append(q, p)
	if len(q) > maxPublish {
		u.outbox = append(u.outbox, outgoing{q[0].sc, q[0].id, &ua.ServiceFault{ResponseHeader: header(q[0].handle, ua.StatusBadTooManyPublishRequests)}})
		q = q[1:]
	}
	u.waiting[session] = q
	return nil, nil // answered by pump
}

func (u *subscriptions) acknowledge(session string, a *ua.SubscriptionAcknowledgement) ua.StatusCode {
	s, code := u.find(session, a.SubscriptionID)
	if s == nil {
		return code
	}
	for i, m := range s.retained {
		if m.SequenceNumber == a.SequenceNumber {
			s.retained = append(s.retained[:i:i], s.retained[i+1:]...)
			return ua.StatusOK
		}
	}
	return ua.StatusBadSequenceNumberUnknown
}

// pump publishes what is due. Only Server.Run calls it, so that messages leave
// in order; they are written without the lock.
func (u *subscriptions) pump(now time.Time) {
	u.mu.Lock()
	for _, s := range u.subs {
		if now.Before(s.due) && !s.more {
			continue
		}
		ticked := !now.Before(s.due)
		for !now.Before(s.due) {
			s.due = s.due.Add(s.interval)
		}
		u.publishOne(s, now, ticked)
	}
	out := u.outbox
	u.outbox = nil
	u.mu.Unlock()
	for _, o := range out {
		if err := o.sc.SendResponseWithContext(context.Background(), o.id, o.resp); err != nil {
			u.srv.log.Debug("a publication did not reach its client", "error", err)
		}
	}
}

func (u *subscriptions) publishOne(s *subscription, now time.Time, ticked bool) {
	have := slices.ContainsFunc(s.order, func(n uint32) bool { return len(s.items[n].values) > 0 })
	if ticked {
		s.quiet++
	}
	if !have && !(s.first && ticked) && s.quiet < s.keepAlive {
		s.more = false
		return
	}
	q := u.waiting[s.session]
	if len(q) == 0 {
		s.more = true
		if ticked {
			if s.lonely++; s.lonely > s.lifetime {
				delete(u.subs, s.id)
				delete(u.waiting, s.session)
			}
		}
		return
	}
	p := q[0]
	u.waiting[s.session] = q[1:]
	s.lonely, s.quiet, s.first, s.more = 0, 0, false, false
	msg := &ua.NotificationMessage{SequenceNumber: nextSequence(s.sequence), PublishTime: now, NotificationData: []*ua.ExtensionObject{}}
	if have {
		var notes []*ua.MonitoredItemNotification
		for _, n := range s.order {
			it := s.items[n]
			for ; len(it.values) > 0 && len(notes) < s.maxValues; it.values = it.values[1:] {
				notes = append(notes, &ua.MonitoredItemNotification{ClientHandle: it.handle, Value: it.values[0]})
			}
			s.more = s.more || len(it.values) > 0
		}
		data := ua.NewExtensionObject(&ua.DataChangeNotification{MonitoredItems: notes, DiagnosticInfos: []*ua.DiagnosticInfo{}})
		data.UpdateMask()
		msg.NotificationData = append(msg.NotificationData, data)
		s.sequence = msg.SequenceNumber
		s.retained = append(s.retained, msg)
		if len(s.retained) > maxRetained {
			s.retained = s.retained[1:]
		}
	}
	u.outbox = append(u.outbox, outgoing{p.sc, p.id, &ua.PublishResponse{ResponseHeader: header(p.handle, ua.StatusOK), SubscriptionID: s.id,
		AvailableSequenceNumbers: s.available(), MoreNotifications: s.more, NotificationMessage: msg, Results: p.results, DiagnosticInfos: []*ua.DiagnosticInfo{}}})
}

func nextSequence(n uint32) uint32 {
	if n++; n == 0 {
		n = 1
	}
	return n
}

// historyRead answers raw reads from the last values of each instrument.
func (s *Server) historyRead(_ string, r *ua.HistoryReadRequest) (ua.Response, error) {
	if r.HistoryReadDetails == nil {
		return nil, ua.StatusBadHistoryOperationInvalid
	}
	d, ok := r.HistoryReadDetails.Value.(*ua.ReadRawModifiedDetails)
	if !ok || d.IsReadModified {
		return nil, ua.StatusBadHistoryOperationUnsupported
	}
	res := make([]*ua.HistoryReadResult, len(r.NodesToRead))
	for i, n := range r.NodesToRead {
		res[i] = &ua.HistoryReadResult{HistoryData: ua.NewExtensionObject(nil)}
		place, known := s.index[n.NodeID.StringID()]
		if !known || n.NodeID.Namespace() != s.ns.ID() {
			res[i].StatusCode = ua.StatusBadNodeIDUnknown
			continue
		}
		from := d.StartTime
		if len(n.ContinuationPoint) == 8 {
			from = time.Unix(0, int64(binary.BigEndian.Uint64(n.ContinuationPoint)))
		}
		if r.ReleaseContinuationPoints {
			continue // they hold nothing
		}
		values, next := s.between(place, from, d.EndTime, int(d.NumValuesPerNode))
		if !next.IsZero() {
			res[i].ContinuationPoint = binary.BigEndian.AppendUint64(nil, uint64(next.UnixNano()))
		}
		if len(values) == 0 {
			res[i].StatusCode = ua.StatusGoodNoData
		}
		res[i].HistoryData = ua.NewExtensionObject(&ua.HistoryData{DataValues: values})
	}
	return &ua.HistoryReadResponse{Results: res, DiagnosticInfos: []*ua.DiagnosticInfo{}}, nil
}

// between lists values in [from, to), newest last, at most limit if that is
// more than 0; next is the time of the first one left out.
func (s *Server) between(place int, from, to time.Time, limit int) (values []*ua.DataValue, next time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	ring := s.past[place]
	n := len(ring)
	first := 0
	if n == historyDepth {
		first = s.at % historyDepth
	}
	values = []*ua.DataValue{}
	for i := range n {
		v := ring[(first+i)%n]
		if v.at.Before(from) || !v.at.Before(to) {
			continue
		}
		if limit > 0 && len(values) == limit {
			return values, v.at
		}
		values = append(values, v.data())
	}
	return values, time.Time{}
}
