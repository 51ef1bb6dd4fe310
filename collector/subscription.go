package collector

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/gopcua/opcua/id"
	"github.com/gopcua/opcua/ua"

	"calandria/plant"
)

// subscription is one publishing rate at the server.
type subscription struct {
	id     uint32
	rate   time.Duration // asked for; one subscription a rate
	health SubscriptionHealth

	next     uint32 // sequence number due (C4)
	stored   uint32 // of the last message that is on the disk
	held     map[uint32]*ua.NotificationMessage
	horizon  uint32    // a keep-alive said that this number comes next; 0: none
	gapSince time.Time // something is missing since then

	heard   time.Time
	settled bool // everything queued has come since the line came up
	gone    ua.StatusCode
	moved   bool // by our own transfer
}

// Handles of items that are no tags. Some servers count in 31 bits.
const (
	stateHandle = math.MaxInt32 - iota
	levelHandle
)

const (
	minQueue    = 10
	perMessage  = 4000 // notifications in one message, at most
	minLifetime = 5 * time.Minute
	hugeGap     = 10000 // messages; beyond, the numbers mean something else
)

var (
	errRefused   = errors.New("the server closed the session")
	errFlickers  = errors.New("the server loses its subscriptions as soon as they are made")
	errTaken     = errors.New("the server says that another session took our subscription")
	errNoAnswers = errors.New("the server refuses to publish")
)

// patience is how long a working subscription may be silent (C3).
func (s *subscription) patience(margin time.Duration) time.Duration {
	return s.health.KeepAlive + max(margin, 2*s.health.Publishing)
}

// rateOf is the publishing interval for a tag: the server's, or a longer one
// for tags sampled so seldom that it would only bring keep-alives.
func rateOf(t *plant.Tag, publish time.Duration) time.Duration {
	if t.Sampling >= 10*publish {
		return min(t.Sampling, time.Minute)
	}
	return publish
}

// queueFor holds two session timeouts of samples, so that an outage the session
// survives loses nothing, and some reserve (C10).
func queueFor(sampling, publish, session time.Duration, most int) uint32 {
	n := int64(2*session/sampling) + 2*int64(publish/sampling+1)
	return uint32(min(max(n, minQueue), int64(most)))
}

func after(seq uint32) uint32 {
	if seq == math.MaxUint32 {
		return 1
	}
	return seq + 1
}

// ahead reports whether a comes after b, across the wrap.
func ahead(a, b uint32) bool { return int32(a-b) > 0 }

// subscribe makes the subscriptions that are missing, and their items (D6).
func (d *driver) subscribe(ctx context.Context) error {
	publish := d.c.cfg.Server.Publish
	rates := []time.Duration{publish}
	for _, it := range d.items {
		if r := rateOf(it.tag, publish); !slices.Contains(rates, r) {
			rates = append(rates, r)
		}
	}
	for _, rate := range rates {
		if slices.ContainsFunc(d.subs, func(s *subscription) bool { return s.rate == rate }) {
			continue
		}
		s, err := d.createSubscription(ctx, rate)
		if err != nil {
			return err
		}
		d.subs = append(d.subs, s)
		if rate == publish {
			if err := d.watchServer(ctx, s); err != nil {
				return err
			}
		}
	}
	var missing []*item
	for _, it := range d.items {
		if it.sub == nil {
			missing = append(missing, it)
		}
	}
	return d.createItems(ctx, missing)
}

func (d *driver) createSubscription(ctx context.Context, rate time.Duration) (*subscription, error) {
	ms := float64(rate) / float64(time.Millisecond)
	keep := uint32(max(1, (d.pace.keepAlive+rate-1)/rate))
	life := uint32(max(3*int64(keep), int64(max(minLifetime, 2*d.peer.sess.timeout)/rate))) // C1
	res, err := send[*ua.CreateSubscriptionResponse](ctx, d.peer.line, d.peer.sess.token, &ua.CreateSubscriptionRequest{RequestedPublishingInterval: ms,
		RequestedLifetimeCount: life, RequestedMaxKeepAliveCount: keep, MaxNotificationsPerPublish: perMessage, PublishingEnabled: true}, requestTimeout)
	if err != nil {
		return nil, fmt.Errorf("create a subscription: %w", err)
	}
	// What was granted counts from here on (B1).
	got := time.Duration(res.RevisedPublishingInterval * float64(time.Millisecond))
	if got <= 0 {
		got = rate
	}
	s := &subscription{id: res.SubscriptionID, rate: rate, next: 1, held: map[uint32]*ua.NotificationMessage{}, heard: time.Now()}
	s.health = SubscriptionHealth{Asked: rate, Publishing: got, KeepAlive: time.Duration(res.RevisedMaxKeepAliveCount) * got}
	if got > rate+time.Millisecond {
		d.log.Info("the server publishes less often than asked", "asked", rate, "granted", got)
	}
	return s, nil
}

// watchServer monitors the server's own state (B3, J1). A server without it is
// taken as running.
func (d *driver) watchServer(ctx context.Context, s *subscription) error {
	var req []*ua.MonitoredItemCreateRequest
	for handle, node := range map[uint32]uint32{stateHandle: id.Server_ServerStatus_State, levelHandle: id.Server_ServiceLevel} {
		req = append(req, monitor(std(node), handle, float64(s.health.Publishing)/float64(time.Millisecond), minQueue))
	}
	_, err := send[*ua.CreateMonitoredItemsResponse](ctx, d.peer.line, d.peer.sess.token, &ua.CreateMonitoredItemsRequest{SubscriptionID: s.id, TimestampsToReturn: ua.TimestampsToReturnBoth, ItemsToCreate: req}, requestTimeout)
	if err != nil && !isStatus(err) {
		return fmt.Errorf("watch the server's state: %w", err)
	}
	return nil
}

// monitor asks for an item: no filter, hence no deadband: status and value
// changes all come (C13, C14); the newest stay when the queue is full (C11).
func monitor(node *ua.NodeID, handle uint32, samplingMS float64, queue uint32) *ua.MonitoredItemCreateRequest {
	return &ua.MonitoredItemCreateRequest{ItemToMonitor: valueOf(node), MonitoringMode: ua.MonitoringModeReporting,
		RequestedParameters: &ua.MonitoringParameters{ClientHandle: handle, SamplingInterval: samplingMS, QueueSize: queue, DiscardOldest: true}}
}

// createItems begins to sample tags. Those the server refuses become faults;
// the others run (B5, L4).
func (d *driver) createItems(ctx context.Context, items []*item) error {
	now := time.Now()
	publish := d.c.cfg.Server.Publish
	groups := map[*subscription][]*item{}
	for _, it := range items {
		node, ok := it.ref.id(d.peer.namespaces)
		if !ok { // F1
			d.setFault(it, plant.BadNodeIDUnknown, fmt.Sprintf("server %s has no namespace %s", d.c.cfg.Server.Name, it.ref.uri),
				"check the URI with 'calandria browse'; the tag comes back by itself when the namespace appears", now.Add(d.pace.quick))
			continue
		}
		it.id = node
		i := slices.IndexFunc(d.subs, func(s *subscription) bool { return s.rate == rateOf(it.tag, publish) })
		if i < 0 {
			continue // its subscription is being made anew
		}
		groups[d.subs[i]] = append(groups[d.subs[i]], it)
	}
	for _, s := range slices.Clone(d.subs) {
		group := groups[s]
		slower := 0
		err := inChunks(len(group), &d.peer.limits.items, func(lo, hi int) error {
			part := group[lo:hi]
			req := make([]*ua.MonitoredItemCreateRequest, len(part))
			for i, it := range part {
				it.handle = uint32(it.tag.ID) + 1
				sampling := it.tag.Sampling
				if sampling <= 0 {
					sampling = s.health.Publishing
				}
				ms := float64(sampling) / float64(time.Millisecond)
				if d.pace.every {
					ms = 0
				}
				req[i] = monitor(it.id, it.handle, ms, queueFor(sampling, s.health.Publishing, d.peer.sess.timeout, d.pace.queue))
			}
			res, err := send[*ua.CreateMonitoredItemsResponse](ctx, d.peer.line, d.peer.sess.token, &ua.CreateMonitoredItemsRequest{SubscriptionID: s.id,
				TimestampsToReturn: ua.TimestampsToReturnBoth, ItemsToCreate: req}, requestTimeout)
			if err != nil {
				return err
			}
			if len(res.Results) != len(part) {
				return fmt.Errorf("the server answered %d items with %d results", len(part), len(res.Results))
			}
			for i, r := range res.Results {
				it := part[i]
				if uint32(r.StatusCode)>>30 >= 2 {
					d.refused(it, r.StatusCode, now)
					continue
				}
				it.sub, it.initial = s, true
				d.clearFault(it)
				if r.RevisedSamplingInterval > req[i].RequestedParameters.SamplingInterval*1.01 {
					slower++
				}
			}
			return nil
		})
		if err != nil {
			return fmt.Errorf("create monitored items: %w", err)
		}
		if slower > 0 {
			d.log.Info("the server samples some tags less often than asked", "tags", slower)
		}
	}
	d.logFaults()
	return nil
}

// refused notes why the server does not sample a tag and when to ask again.
func (d *driver) refused(it *item, code ua.StatusCode, now time.Time) {
	problem, fix, wait := itemProblem(d.c.cfg.Server.Name, it, code), "", d.pace.quick
	switch code {
	case ua.StatusBadNodeIDUnknown, ua.StatusBadNodeIDInvalid:
		fix = "look the node up with 'calandria browse' and correct node:, or remove the tag"
	case ua.StatusBadUserAccessDenied, ua.StatusBadNotReadable, ua.StatusBadSecurityModeInsufficient:
		fix, wait = "give this client's user the right to read the node", d.pace.slow
	case ua.StatusBadAttributeIDInvalid:
		fix, wait = "the node is no variable: name the variable itself", d.pace.slow
	case ua.StatusBadTooManyMonitoredItems:
		fix, wait = "raise the server's limit of monitored items, or read fewer tags", d.pace.slow
	}
	d.setFault(it, plant.QualityOf(uint32(code)), problem, fix, now.Add(wait))
}

func itemProblem(server string, it *item, code ua.StatusCode) string {
	switch code {
	case ua.StatusBadNodeIDUnknown:
		return fmt.Sprintf("node %s does not exist on server %s", it.ref, server)
	case ua.StatusBadUserAccessDenied, ua.StatusBadNotReadable:
		return fmt.Sprintf("server %s does not let us read node %s (%s)", server, it.ref, statusName(code))
	}
	return fmt.Sprintf("server %s refuses node %s: %s", server, it.ref, statusName(code))
}

func (d *driver) setFault(it *item, q plant.Quality, problem, fix string, retry time.Time) {
	it.retryAt = retry
	if it.sub == nil {
		d.declare([]*item{it}, q)
	}
	if it.fault != nil && it.fault.Problem == problem {
		return
	}
	it.fault = newFault(it, q, problem, fix)
	delete(d.logged, it)
	d.changed = true
}

func newFault(it *item, q plant.Quality, problem, fix string) *TagFault {
	return &TagFault{Tag: it.tag.ID, Path: it.tag.Path, Node: it.tag.Node, File: it.tag.File, Line: it.tag.Line, Status: q, Problem: problem, Fix: fix, Since: time.Now().UTC()}
}

func (d *driver) clearFault(it *item) {
	it.retryAt = time.Time{}
	if it.fault == nil {
		return
	}
	d.log.Info("the tag can be read again", "tag", it.tag.Path)
	it.fault = nil
	delete(d.logged, it)
	d.changed = true
}

// logFaults tells each fault once; many of them in one line.
func (d *driver) logFaults() {
	const shown = 10
	n := 0
	for _, it := range d.items {
		if it.fault == nil || d.logged[it] {
			continue
		}
		d.logged[it] = true
		if n++; n <= shown {
			d.log.Warn("tag cannot be read", "fault", it.fault.Error())
		}
	}
	if n > shown {
		d.log.Warn("more tags cannot be read", "tags", n-shown)
	}
}

// retryItems asks again for tags whose time has come.
func (d *driver) retryItems(ctx context.Context, now time.Time) error {
	var due []*item
	absent := false
	for _, it := range d.items {
		if it.sub == nil && !it.retryAt.IsZero() && now.After(it.retryAt) {
			due = append(due, it)
			_, known := it.ref.id(d.peer.namespaces)
			absent = absent || !known
		}
	}
	if len(due) == 0 {
		return nil
	}
	if absent { // F2: the array may have grown
		dvs, err := d.peer.read(ctx, []*ua.ReadValueID{valueOf(std(id.Server_NamespaceArray))})
		if err != nil && !isStatus(err) {
			return fmt.Errorf("read the namespaces: %w", err)
		}
		if err == nil && dvs[0].Value != nil {
			if ns, ok := dvs[0].Value.Value().([]string); ok && len(ns) >= len(d.peer.namespaces) {
				d.peer.namespaces = ns
			}
		}
	}
	if err := d.createItems(ctx, due); err != nil {
		if !isStatus(err) {
			return err
		}
		for _, it := range due {
			it.retryAt = now.Add(d.pace.quick)
		}
		return nil
	}
	if slices.ContainsFunc(due, func(it *item) bool { return it.sub != nil }) {
		d.settle()
	}
	return nil
}

// dropSubscriptions forgets all subscriptions; if the server may still have
// them, it is told.
func (d *driver) dropSubscriptions(ctx context.Context, tell bool) {
	var ids []uint32
	for _, s := range d.subs {
		ids = append(ids, s.id)
		d.forget(s)
	}
	d.subs, d.acks, d.unstored = nil, nil, nil
	if tell && len(ids) > 0 && d.peer != nil {
		// If this fails they live out their time.
		_, _ = send[*ua.DeleteSubscriptionsResponse](ctx, d.peer.line, d.peer.sess.token, &ua.DeleteSubscriptionsRequest{SubscriptionIDs: ids}, requestTimeout)
	}
}

// forget takes a subscription's items out of service.
func (d *driver) forget(s *subscription) {
	for _, it := range d.items {
		if it.sub == s {
			it.sub, it.retryAt = nil, time.Time{}
		}
	}
	d.subs = slices.DeleteFunc(slices.Clone(d.subs), func(o *subscription) bool { return o == s })
	d.acks = slices.DeleteFunc(d.acks, func(a *ua.SubscriptionAcknowledgement) bool { return a.SubscriptionID == s.id })
	d.unstored = slices.DeleteFunc(d.unstored, func(p delivery) bool { return p.ack.SubscriptionID == s.id })
}

// transfer moves the subscriptions to the new session (D4). Those refused are
// forgotten, to be made anew.
func (d *driver) transfer(ctx context.Context) error {
	subs := slices.Clone(d.subs)
	var ids []uint32
	for _, s := range subs {
		ids = append(ids, s.id)
	}
	res, err := send[*ua.TransferSubscriptionsResponse](ctx, d.peer.line, d.peer.sess.token, &ua.TransferSubscriptionsRequest{SubscriptionIDs: ids}, requestTimeout)
	if err != nil {
		if !isStatus(err) {
			return fmt.Errorf("move the subscriptions: %w", err)
		}
		d.dropSubscriptions(ctx, false)
		return nil
	}
	for i, s := range subs {
		if i >= len(res.Results) || uint32(res.Results[i].StatusCode)>>30 >= 2 {
			d.forget(s)
			continue
		}
		s.moved = true
		// Numbers before the first one still there are lost for good.
		first := uint32(0)
		for _, n := range res.Results[i].AvailableSequenceNumbers {
			if !ahead(s.next, n) && (first == 0 || ahead(first, n)) {
				first = n
			}
		}
		if first != 0 && ahead(first, s.next) {
			d.lost(s, first-s.next)
			s.next = first
		}
	}
	return nil
}

// catchUp fetches what was sent while the line was down, before anything is
// published (D5).
func (d *driver) catchUp(ctx context.Context) error {
	for _, s := range slices.Clone(d.subs) {
		for n := 0; ; n++ {
			if _, ok := s.held[s.next]; ok {
				d.drain(s)
				continue
			}
			nm, err := d.republish(ctx, s, s.next)
			if err != nil {
				return err
			}
			if nm == nil || n > hugeGap {
				break
			}
			d.take(s, nm, d.now(), false)
		}
	}
	return nil
}

// republish fetches one message again; nil if the server does not have it. A
// subscription the server does not know is forgotten.
func (d *driver) republish(ctx context.Context, s *subscription, seq uint32) (*ua.NotificationMessage, error) {
	res, err := send[*ua.RepublishResponse](ctx, d.peer.line, d.peer.sess.token, &ua.RepublishRequest{SubscriptionID: s.id, RetransmitSequenceNumber: seq}, requestTimeout)
	var code ua.StatusCode
	switch {
	case err == nil:
		if res.NotificationMessage == nil || res.NotificationMessage.SequenceNumber != seq {
			return nil, nil
		}
		d.h.Counters.Republished++
		return res.NotificationMessage, nil
	case errors.As(err, &code) && code == ua.StatusBadSubscriptionIDInvalid:
		s.gone = code
		d.forget(s)
		return nil, nil
	case isStatus(err):
		return nil, nil // not available, or no such service
	}
	return nil, fmt.Errorf("fetch a missed message: %w", err)
}

// publish puts one more request on its way.
func (d *driver) publish(ctx context.Context) {
	d.release(time.Now())
	acks := d.acks
	d.acks = nil
	if acks == nil {
		acks = []*ua.SubscriptionAcknowledgement{}
	}
	wait := 2 * time.Minute
	for _, s := range d.subs {
		wait = max(wait, 2*maxInFlight*s.patience(d.pace.margin))
	}
	l, token, results := d.peer.line, d.peer.sess.token, d.results
	d.inflight++
	d.asked = time.Now()
	d.waiters.Go(func() {
		res, err := send[*ua.PublishResponse](ctx, l, token, &ua.PublishRequest{SubscriptionAcknowledgements: acks}, wait)
		results <- published{res, acks, d.now(), err} // has room for all in flight
	})
}

// answered takes the answer to a Publish.
func (d *driver) answered(ctx context.Context, r published) error {
	if r.err != nil {
		d.acks = append(d.acks, r.acks...)
		var code ua.StatusCode
		if !errors.As(r.err, &code) {
			return r.err
		}
		switch code {
		case ua.StatusBadTooManyPublishRequests: // C2
			if d.want > 1 {
				d.want--
				return nil
			}
			return errNoAnswers
		case ua.StatusBadNoSubscription:
			if d.settleBy.IsZero() {
				return d.renew(ctx, slices.Clone(d.subs))
			}
			if d.inflight > 0 {
				return nil // sent before the subscriptions were made
			}
			return errFlickers
		case ua.StatusBadSessionIDInvalid, ua.StatusBadSessionClosed, ua.StatusBadSessionNotActivated:
			return errRefused
		case ua.StatusBadTimeout:
			return errSilent
		}
		return r.err
	}
	for _, code := range r.res.Results {
		if uint32(code)>>30 >= 2 && code != ua.StatusBadSequenceNumberUnknown && code != ua.StatusBadSubscriptionIDInvalid {
			d.log.Debug("an acknowledgement was refused", "status", statusName(code))
		}
	}
	if err := d.message(ctx, r.res, r.at); err != nil {
		return err
	}
	if slices.ContainsFunc(d.subs, func(s *subscription) bool { return s.gone == ua.StatusGoodSubscriptionTransferred }) {
		// Another session took it, or the server is about to end ours: climb the
		// ladder, which finds out.
		for _, s := range d.subs {
			s.gone = 0
		}
		return errTaken
	}
	var gone []*subscription
	for _, s := range d.subs {
		if s.gone != 0 {
			gone = append(gone, s)
		}
	}
	if len(gone) > 0 {
		return d.renew(ctx, gone)
	}
	return nil
}

// renew makes subscriptions anew that the server has lost while the line
// stands (C8).
func (d *driver) renew(ctx context.Context, subs []*subscription) error {
	for _, s := range subs {
		why := "no longer there"
		if s.gone != 0 {
			why = statusName(s.gone)
		}
		d.log.Warn("the server dropped a subscription; making a new one", "status", why)
		d.lost(s, 1)
		d.forget(s)
	}
	d.settle()
	err := d.subscribe(ctx)
	d.changed = true
	return err
}

// message files one message under its subscription, in order. received is by our
// own clock.
func (d *driver) message(ctx context.Context, res *ua.PublishResponse, received time.Time) error {
	now := time.Now()
	d.heard = true
	if h := res.ResponseHeader; h != nil && h.Timestamp.After(firstTime) && !d.c.cfg.OneClock {
		d.clock.note(h.Timestamp, received)
	}
	i := slices.IndexFunc(d.subs, func(s *subscription) bool { return s.id == res.SubscriptionID })
	if i < 0 || res.NotificationMessage == nil {
		return nil // of a subscription given up
	}
	s, nm := d.subs[i], res.NotificationMessage
	s.heard = now
	s.settled = s.settled || !res.MoreNotifications
	seq := nm.SequenceNumber
	switch {
	case len(nm.NotificationData) == 0: // keep-alive: the number that comes next (C4)
		if ahead(seq, s.next) {
			s.horizon = seq
			s.mark(now)
		}
	case seq == s.next:
		d.take(s, nm, received, !res.MoreNotifications)
		d.drain(s)
	case ahead(seq, s.next):
		if len(s.held) < 4*maxInFlight {
			s.held[seq] = nm // else it is fetched again
		}
		s.mark(now)
	default: // had it
		d.acks = append(d.acks, &ua.SubscriptionAcknowledgement{SubscriptionID: s.id, SequenceNumber: seq})
	}
	return nil
}

// mark notes a hole in the numbers. The requests in flight are answered by
// several goroutines, so it may close by itself.
func (s *subscription) mark(now time.Time) {
	if s.gapSince.IsZero() {
		s.gapSince = now
	}
}

// drain takes the messages that were held and are now due.
func (d *driver) drain(s *subscription) {
	for {
		nm, ok := s.held[s.next]
		if !ok {
			break
		}
		delete(s.held, s.next)
		d.take(s, nm, d.now(), false)
	}
	if s.horizon != 0 && !ahead(s.horizon, s.next) {
		s.horizon = 0
	}
	if len(s.held) == 0 && s.horizon == 0 {
		s.gapSince = time.Time{}
	}
}

// fillGap fetches what is missing before the messages held (C5).
func (d *driver) fillGap(ctx context.Context, s *subscription) error {
	d.drain(s)
	if s.gapSince.IsZero() {
		return nil
	}
	upTo := s.horizon
	for seq := range s.held {
		if upTo == 0 || ahead(upTo, seq) {
			upTo = seq
		}
	}
	d.h.Counters.Gaps++
	var missing uint32
	if upTo-s.next > hugeGap {
		missing = upTo - s.next
		s.next = upTo
	}
	for s.next != upTo {
		nm, err := d.republish(ctx, s, s.next)
		if err != nil {
			return err
		}
		if s.gone != 0 {
			return d.renew(ctx, []*subscription{s})
		}
		if nm == nil {
			missing++
			s.next = after(s.next)
			continue
		}
		d.take(s, nm, d.now(), false)
	}
	if missing > 0 {
		d.lost(s, missing)
	}
	d.drain(s)
	return nil
}

// lost notes messages that are gone for good: which tags they held is unknown,
// so all of the subscription are Bad_DataLost until they speak again or are
// read back.
func (d *driver) lost(s *subscription, messages uint32) {
	d.h.Counters.Lost += uint64(messages)
	d.log.Warn("messages of the server are lost", "messages", messages)
	var items []*item
	for _, it := range d.items {
		if it.sub == s {
			items = append(items, it)
		}
	}
	d.declare(items, plant.BadDataLost)
	d.openHoles(items)
	d.settle()
}

// take turns the message that is due into samples. present says that it is the
// last the server had, so that the newest sample of a tag in it is its present
// value.
func (d *driver) take(s *subscription, nm *ua.NotificationMessage, received time.Time, present bool) {
	s.next = after(nm.SequenceNumber)
	d.h.Counters.Messages++
	var samples []plant.Sample
	for _, x := range nm.NotificationData {
		if x == nil {
			continue
		}
		switch n := x.Value.(type) {
		case *ua.DataChangeNotification:
			if samples == nil {
				samples = make([]plant.Sample, 0, len(n.MonitoredItems))
			}
			d.found = d.found[:0]
			for i, m := range n.MonitoredItems {
				var it *item
				if m != nil && m.Value != nil {
					if it = d.byHandle(m.ClientHandle); it != nil {
						it.newer = i
					} else {
						d.serverSays(m)
					}
				}
				d.found = append(d.found, it)
			}
			for i, it := range d.found {
				if it != nil {
					samples = d.sample(samples, it, n.MonitoredItems[i].Value, received, present && it.newer == i)
				}
			}
		case *ua.StatusChangeNotification: // C8
			if n.Status == ua.StatusGoodSubscriptionTransferred && s.moved {
				s.moved = false // the news that we moved it ourselves
				continue
			}
			s.gone = n.Status
			s.gone = cmp.Or(s.gone, ua.StatusBadNoSubscription)
		}
	}
	d.enqueue(samples, &ua.SubscriptionAcknowledgement{SubscriptionID: s.id, SequenceNumber: nm.SequenceNumber})
}

// serverSays takes what the server tells of itself.
func (d *driver) serverSays(m *ua.MonitoredItemNotification) {
	switch m.ClientHandle {
	case stateHandle:
		if v, ok := m.Value.Value.Value().(int32); ok {
			d.setServerState(v)
		}
	case levelHandle:
		if v, ok := m.Value.Value.Value().(uint8); ok && d.h.ServiceLevel != int(v) {
			d.h.ServiceLevel = int(v)
			d.changed = true
		}
	}
}

// sample adds what one notification means. present says that the server sent it
// as the tag's present value.
func (d *driver) sample(samples []plant.Sample, it *item, dv *ua.DataValue, received time.Time, present bool) []plant.Sample {
	p, clock := convert(it.tag, dv, received)
	if q := d.staleness(); q.Seen() && !p.Quality.IsBad() {
		p = plant.BadPoint(p.Time, q)
	}
	stamp := p.Time
	repeated := !it.initial && !stamp.After(it.have) && (!present || stamp.Equal(it.have))
	if repeated || !stamp.After(it.newest) && it.seen(p) { // D10
		return samples
	}
	it.remember(p)
	if it.open != nil {
		it.open.to, it.open = stamp, nil
	}
	initial := it.initial
	it.initial = false
	fits := d.place(it, &p, received, present && !initial, stamp.After(it.newest) && !it.declared.Seen())
	if overflowed(uint32(dv.Status)) { // C11
		d.h.Counters.Overflows++
		if at := p.Time.Add(-time.Millisecond); at.After(it.last) {
			samples = append(samples, plant.Sample{Tag: it.tag.ID, Point: plant.BadPoint(at, plant.BadDataLost)})
		}
	}
	d.noteType(it, dv)
	if it.declared.Seen() && p.Time.After(it.declaredAt) && !d.staleness().Seen() {
		it.declared = plant.Quality{}
	}
	if clock == sourceClock && (present || stamp.After(it.newest)) {
		it.newest = stamp
	}
	samples = append(samples, plant.Sample{Tag: it.tag.ID, Point: p, Offset: stamp.Sub(p.Time)})
	if present && initial && !fits && p.Time.Before(received) && !it.declared.Seen() {
		// It has not changed for long, and the server vouches for it now.
		p.Time = received
		samples = append(samples, plant.Sample{Tag: it.tag.ID, Point: p, Offset: stamp.Sub(p.Time)})
	}
	if p.Time.After(it.last) {
		it.last = p.Time
	}
	return samples
}

func (d *driver) byHandle(h uint32) *item {
	i, ok := slices.BinarySearchFunc(d.items, h, func(it *item, h uint32) int { return int(int64(it.tag.ID) + 1 - int64(h)) })
	if !ok {
		return nil
	}
	return d.items[i]
}

// noteType raises and clears the fault of a tag whose node is no number, and
// tells of a type that changed (I4).
func (d *driver) noteType(it *item, dv *ua.DataValue) {
	if dv.Value == nil || dv.Value.Value() == nil || uint32(dv.Status)>>30 >= 2 {
		return
	}
	if _, q := number(dv.Value); q == plant.BadTypeMismatch {
		d.setFault(it, q, fmt.Sprintf("node %s is of type %s, not a number", it.ref, typeName(dv.Value)), "name a node that holds one number", time.Time{})
		d.logFaults()
		return
	}
	if it.fault != nil && it.fault.Status == plant.BadTypeMismatch {
		d.clearFault(it)
	}
	t := dv.Value.Type()
	if it.typ != 0 && it.typ != t && !it.typeTold {
		it.typeTold = true // once: some nodes change it with every value
		d.log.Warn("the type of a node changed", "tag", it.tag.Path, "was", typeNames[it.typ], "is", typeNames[t])
	}
	it.typ = t
}
