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
// asks for; the others are refused. An item is an instrument and is sampled as often as
// the mill is stepped. Service requests arrive one by one on the library's goroutine;
// samples and publications come from Server.Run.

// Bounds. A full queue of values drops the oldest and marks the next.
const (
	maxQueue     = 1000 // values of an item
	maxRetained  = 100  // sent messages kept for Republish
	maxInMessage = 5000 // values in one message, unless fewer are asked for
)

type subscriptions struct {
	srv *Server

	mu      sync.Mutex
	subs    map[uint32]*subscription
	waiting map[string][]*publish // publish requests by session
	last    uint32                // number given to a subscription or an item
}

type publish struct {
	sc      *uasc.SecureChannel
	id      uint32
	handle  uint32
	results []ua.StatusCode // of its acknowledgements
}

type outgoing struct {
	*publish
	resp ua.Response
}

type subscription struct {
	id        uint32
	session   string
	interval  time.Duration
	keepAlive uint32
	lifetime  uint32
	most      int // values in one message

	items    []*monitored
	due      time.Time
	quiet    uint32 // intervals without a message
	lonely   uint32 // intervals without a publish request
	sequence uint32 // of the last message
	retained []*ua.NotificationMessage
	first    bool
	more     bool // values were left over, or a publish request was missing
}

type monitored struct {
	handle uint32
	place  int // of the instrument
	queue  int
	last   sample
	values []*ua.DataValue
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

func (u *subscriptions) create(session string, r *ua.CreateSubscriptionRequest) (ua.Response, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.last++
	s := &subscription{id: u.last, session: session, first: true, keepAlive: min(max(r.RequestedMaxKeepAliveCount, 1), 10000)}
	s.interval = time.Duration(min(max(r.RequestedPublishingInterval, 50), 60000) * float64(time.Millisecond))
	s.lifetime = max(r.RequestedLifetimeCount, 3*s.keepAlive)
	if s.most = int(r.MaxNotificationsPerPublish); s.most == 0 {
		s.most = maxInMessage
	}
	s.due = time.Now().Add(s.interval)
	u.subs[s.id] = s
	return &ua.CreateSubscriptionResponse{SubscriptionID: s.id,
		RevisedPublishingInterval: float64(s.interval) / float64(time.Millisecond), RevisedLifetimeCount: s.lifetime, RevisedMaxKeepAliveCount: s.keepAlive}, nil
}

func (u *subscriptions) delete(session string, r *ua.DeleteSubscriptionsRequest) (ua.Response, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	res := make([]ua.StatusCode, len(r.SubscriptionIDs))
	for i, n := range r.SubscriptionIDs {
		if _, res[i] = u.find(session, n); res[i] == ua.StatusOK {
			delete(u.subs, n)
		}
	}
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

func (u *subscriptions) createItems(session string, r *ua.CreateMonitoredItemsRequest) (ua.Response, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	s, code := u.find(session, r.SubscriptionID)
	if s == nil {
		return nil, code
	}
	res := make([]*ua.MonitoredItemCreateResult, len(r.ItemsToCreate))
	for i, c := range r.ItemsToCreate {
		res[i] = &ua.MonitoredItemCreateResult{StatusCode: ua.StatusBadNodeIDUnknown, FilterResult: ua.NewExtensionObject(nil)}
		if c.ItemToMonitor == nil || c.ItemToMonitor.NodeID == nil || c.RequestedParameters == nil {
			continue
		}
		place, known := u.srv.place(c.ItemToMonitor.NodeID)
		if !known || c.ItemToMonitor.AttributeID != ua.AttributeIDValue {
			continue
		}
		if f := c.RequestedParameters.Filter; f != nil && f.Value != nil {
			res[i].StatusCode = ua.StatusBadMonitoredItemFilterUnsupported
			continue
		}
		it := &monitored{handle: c.RequestedParameters.ClientHandle, place: place, queue: int(min(max(c.RequestedParameters.QueueSize, 1), maxQueue))}
		it.take(u.srv.current(place))
		s.items = append(s.items, it)
		u.last++
		res[i].StatusCode, res[i].MonitoredItemID, res[i].RevisedQueueSize = ua.StatusOK, u.last, uint32(it.queue)
		res[i].RevisedSamplingInterval = float64(u.srv.opt.Every) / float64(time.Millisecond)
	}
	return &ua.CreateMonitoredItemsResponse{Results: res, DiagnosticInfos: []*ua.DiagnosticInfo{}}, nil
}

// take queues a sample if its value or status is another than before.
func (it *monitored) take(x sample) {
	if !it.last.at.IsZero() && x.value == it.last.value && x.status == it.last.status {
		return
	}
	it.last = x
	it.values = append(it.values, x.data())
	if len(it.values) <= it.queue {
		return
	}
	it.values = it.values[1:]
	if it.queue > 1 {
		const overflow = ua.StatusCode(0x480) // info type DataValue, overflow
		it.values[0].Status |= overflow
		it.values[0].EncodingMask |= ua.DataValueStatusCode
	}
}

// sample looks at all items; the instruments have just been read.
func (u *subscriptions) sample() {
	u.mu.Lock()
	defer u.mu.Unlock()
	for _, s := range u.subs {
		for _, it := range s.items {
			it.take(u.srv.current(it.place))
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
	u.waiting[session] = append(q, p)
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
	var out []outgoing
	for _, s := range u.subs {
		if now.Before(s.due) && !s.more {
			continue
		}
		ticked := !now.Before(s.due)
		for !now.Before(s.due) {
			s.due = s.due.Add(s.interval)
		}
		if p := u.request(s, ticked); p != nil {
			out = append(out, outgoing{p, u.message(s, p, now)})
		}
	}
	u.mu.Unlock()
	for _, o := range out {
		if err := o.sc.SendResponseWithContext(context.Background(), o.id, o.resp); err != nil {
			u.srv.log.Debug("a publication did not reach its client", "error", err)
		}
	}
}

// request takes the publish request with which something is to be said now; nil for none.
func (u *subscriptions) request(s *subscription, ticked bool) *publish {
	have := slices.ContainsFunc(s.items, func(it *monitored) bool { return len(it.values) > 0 })
	if ticked {
		s.quiet++
	}
	if s.more = false; !have && !(s.first && ticked) && s.quiet < s.keepAlive {
		return nil
	}
	q := u.waiting[s.session]
	if len(q) > 0 {
		u.waiting[s.session] = q[1:]
		return q[0]
	}
	s.more = true
	if ticked {
		if s.lonely++; s.lonely > s.lifetime {
			delete(u.subs, s.id)
			delete(u.waiting, s.session)
		}
	}
	return nil
}

// message is what a subscription has to say; without values it says that it lives.
func (u *subscriptions) message(s *subscription, p *publish, now time.Time) *ua.PublishResponse {
	s.lonely, s.quiet, s.first = 0, 0, false
	msg := &ua.NotificationMessage{SequenceNumber: s.sequence + 1, PublishTime: now, NotificationData: []*ua.ExtensionObject{}}
	var notes []*ua.MonitoredItemNotification
	for _, it := range s.items {
		for ; len(it.values) > 0 && len(notes) < s.most; it.values = it.values[1:] {
			notes = append(notes, &ua.MonitoredItemNotification{ClientHandle: it.handle, Value: it.values[0]})
		}
		s.more = s.more || len(it.values) > 0
	}
	if len(notes) > 0 {
		data := ua.NewExtensionObject(&ua.DataChangeNotification{MonitoredItems: notes, DiagnosticInfos: []*ua.DiagnosticInfo{}})
		data.UpdateMask()
		msg.NotificationData = append(msg.NotificationData, data)
		s.sequence++
		s.retained = append(s.retained, msg)
		s.retained = s.retained[max(0, len(s.retained)-maxRetained):]
	}
	return &ua.PublishResponse{ResponseHeader: header(p.handle, ua.StatusOK), SubscriptionID: s.id,
		AvailableSequenceNumbers: s.available(), MoreNotifications: s.more, NotificationMessage: msg, Results: p.results, DiagnosticInfos: []*ua.DiagnosticInfo{}}
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
		place, known := s.place(n.NodeID)
		if !known {
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
	values = []*ua.DataValue{}
	for _, v := range s.past[place] {
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
