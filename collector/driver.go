package collector

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"github.com/gopcua/opcua/ua"

	"calandria/plant"
)

// driver does the work of Client.Run. One goroutine owns it; the only others
// are those that wait for the answer to a Publish.
type driver struct {
	c     *Client
	log   *slog.Logger
	pace  pace
	items []*item

	peer *peer // nil while the line is down
	// What may outlive the line.
	oldSess    *session
	oldStarted time.Time
	subs       []*subscription

	results  chan published // of the present line
	inflight int
	want     int // Publish requests to keep in flight (C2)
	acks     []*ua.SubscriptionAcknowledgement
	unstored []delivery // handed out, not acknowledged yet; without the samples
	number   uint64     // of the last batch
	kept     bool       // session and subscriptions are on the disk
	gap      gap
	started  bool // it has connected since the program began
	waiters  sync.WaitGroup

	pending  []delivery
	settleBy time.Time // unchanged values are read back then, at the latest; zero: settled
	heard    bool      // any message since the line came up
	broken   bool      // the line was up before and is down
	asked    time.Time // last request of any kind
	clock    clockOf
	found    []*item // scratch of take
	lastSaid string
	logged   map[*item]bool // faults that have been logged
	holes    []*hole        // to be filled from the server's history

	h       Health // working copy
	changed bool
	shown   time.Time
}

// delivery is a batch with what may be acknowledged once it is stored (C6).
type delivery struct {
	batch Batch
	ack   *ua.SubscriptionAcknowledgement
}

type published struct {
	res  *ua.PublishResponse
	acks []*ua.SubscriptionAcknowledgement
	at   time.Time // of receipt
	err  error
}

const (
	maxInFlight     = 3
	futureTolerance = 10 * time.Second
	stableAfter     = 30 * time.Second
)

func newDriver(c *Client) *driver {
	d := &driver{c: c, log: c.log, pace: c.pace, items: c.items, want: maxInFlight, logged: map[*item]bool{}}
	d.h = *c.health.Load()
	return d
}

// run is the life of a client.
func (d *driver) run(ctx context.Context) {
	defer d.waiters.Wait()
	d.setState(Connecting)
	if d.c.cfg.Archived != nil {
		d.remembered()
	}
	d.takeUp()
	tries := 0
	for ctx.Err() == nil {
		d.h.Counters.Attempts++
		began := time.Now()
		err := d.connect(ctx)
		if err == nil {
			up := time.Now()
			err = d.collect(ctx)
			if ctx.Err() != nil {
				break
			}
			if time.Since(up) > stableAfter {
				tries = 0
			}
			began = up
			d.lineLost(err)
		} else if ctx.Err() == nil {
			d.connectFailed(err)
		}
		// Whoever is away is looked for each second; who refuses is left alone longer
		// each time (D2).
		wait := d.pace.retryMin - time.Since(began)
		if !refusal(err) {
			tries = 0
		} else if tries++; tries > 1 {
			wait = min(d.pace.retryMax, d.pace.retryMin<<min(tries-1, 10))
			wait += time.Duration(rand.Float64() * 0.3 * float64(wait))
		}
		d.pause(ctx, wait)
	}
	d.farewell()
}

// passing are the answers of a server that starts, stops or forgets: it is asked
// again as one that is away.
var passing = []ua.StatusCode{ua.StatusBadServerHalted, ua.StatusBadShutdown, ua.StatusBadTCPServerTooBusy, ua.StatusBadTCPInternalError, ua.StatusBadResourceUnavailable,
	ua.StatusBadSessionClosed, ua.StatusBadSessionIDInvalid, ua.StatusBadSessionNotActivated, ua.StatusBadSecureChannelIDInvalid, ua.StatusBadTCPSecureChannelUnknown,
	ua.StatusBadNotConnected, ua.StatusBadDisconnect, ua.StatusBadInternalError, ua.StatusBadOutOfService, ua.StatusBadInvalidState}

// refusal tells an answer of a server that is there from none, and from one that
// passes.
func refusal(err error) bool {
	var trust *trustError
	var code ua.StatusCode
	return isStatus(err) && !(errors.As(err, &code) && slices.Contains(passing, code)) || errors.As(err, &trust) || errors.Is(err, errNotWelcome) || errors.Is(err, errFlickers)
}

// pause waits, handing out what is pending.
func (d *driver) pause(ctx context.Context, wait time.Duration) {
	t := time.NewTimer(wait)
	defer t.Stop()
	for {
		out, head := d.head()
		select {
		case out <- head:
			d.delivered()
		case <-t.C:
			return
		case <-ctx.Done():
			return
		}
	}
}

// farewell closes the session and hands out what there is room for.
func (d *driver) farewell() {
	if d.peer != nil {
		if d.peer.sess != nil && !d.kept {
			closeSession(context.Background(), d.peer.line, d.peer.sess)
		}
		d.peer.line.close()
		d.peer = nil
	}
	d.flush()
	d.setState(Stopped)
	d.show()
}

// lineLost is the moment of detection: everything is Bad from now on (D7).
func (d *driver) lineLost(err error) {
	why := explain(err)
	d.dropLine()
	if !d.heard && errors.Is(err, errSilent) {
		// The session came back but its subscriptions did not speak: do not
		// trust it again, or the client would climb the same rung for ever.
		d.oldSess = nil
		d.dropSubscriptions(context.Background(), false)
	}
	d.broken = true
	d.setError(why)
	d.setState(Connecting)
	d.log.Warn("connection lost", "reason", why)
	d.lastSaid = why
	d.declare(d.items, plant.BadNoCommunication)
	d.flush()
	d.show()
}

func (d *driver) connectFailed(err error) {
	why := explain(err)
	d.dropLine()
	d.setError(why)
	if why != d.lastSaid {
		d.log.Warn("cannot connect; keeps trying", "reason", why)
		d.lastSaid = why
		d.changed = true
	}
	d.declare(d.items, plant.BadNoCommunication)
	d.flush()
	d.show()
}

// dropLine gives up the line and keeps session and subscriptions for later.
func (d *driver) dropLine() {
	if d.peer == nil {
		return
	}
	d.oldSess = d.peer.sess
	if !d.peer.started.IsZero() {
		d.oldStarted = d.peer.started
	}
	d.peer.line.cut()
	d.peer = nil
	d.waiters.Wait() // they end as soon as the connection is closed
	for d.inflight > 0 {
		r := <-d.results
		d.inflight--
		d.acks = append(d.acks, r.acks...) // of no harm if the server had them
		if r.err == nil {
			// It came just before the end: not to be lost.
			_ = d.message(context.Background(), r.res, r.at)
		}
	}
}

func (d *driver) setError(why string) { d.h.LastError = why }

func (d *driver) setState(s State) {
	if d.h.State != s {
		d.h.State, d.h.Since = s, time.Now().UTC()
		d.changed = true
	}
	d.show()
}

func (d *driver) now() time.Time { return d.c.cfg.Now().UTC() }

// show publishes the picture.
func (d *driver) show() {
	d.h.Active = 0
	d.h.Faults, d.h.Misstamped, d.h.StampOffset = nil, nil, 0
	var offsets []time.Duration
	for _, it := range d.items {
		if it.offset != 0 {
			offsets = append(offsets, it.offset)
			if len(d.h.Misstamped) < misstampedShown {
				d.h.Misstamped = append(d.h.Misstamped, Misstamp{it.tag.ID, it.offset})
			}
		}
		if it.sub != nil {
			d.h.Active++
		}
		if it.fault != nil {
			d.h.Faults = append(d.h.Faults, *it.fault)
		}
	}
	if d.h.MisstampedTags = len(offsets); len(offsets) > 0 {
		slices.Sort(offsets)
		d.h.StampOffset = offsets[len(offsets)/2]
	}
	d.h.Subscriptions = nil
	d.h.Confirmed = time.Time{}
	for _, s := range d.subs {
		d.h.Subscriptions = append(d.h.Subscriptions, s.health)
		if at := d.now().Add(-time.Since(s.heard)); d.h.State == Connected && !d.staleness().Seen() && (d.h.Confirmed.IsZero() || at.Before(d.h.Confirmed)) {
			d.h.Confirmed = at
		}
	}
	d.h.ClockSkew, d.h.ClockSkewKnown = d.clock.skew()
	d.h.ClockDrift, d.h.ClockDriftKnown = d.clock.drift()
	h := d.h
	h.Warnings = slices.Clone(d.h.Warnings)
	d.c.health.Store(&h)
	d.shown = time.Now()
	if !d.changed {
		return
	}
	d.changed = false
	for {
		select {
		case d.c.changes <- h:
			return
		default:
		}
		select {
		case <-d.c.changes: // full: the oldest gives way
		default:
		}
	}
}

// --- handing out

func (d *driver) head() (chan Batch, Batch) {
	if len(d.pending) == 0 {
		return nil, Batch{}
	}
	return d.c.out, d.pending[0].batch
}

// delivered notes that the head of pending has been taken.
func (d *driver) delivered() {
	p := d.pending[0]
	d.pending[0] = delivery{}
	d.pending = d.pending[1:]
	d.h.Counters.Batches++
	d.h.Counters.Samples += uint64(len(p.batch.Samples))
	if p.ack != nil {
		p.batch.Samples, p.batch.Received = nil, time.Now()
		d.unstored = append(d.unstored, p)
	}
	if len(d.pending) == 0 && !d.h.Stalled.IsZero() {
		d.log.Info("the receiver takes values again", "after", time.Since(d.h.Stalled).Round(time.Millisecond))
		d.h.Stalled = time.Time{}
		for _, s := range d.subs {
			s.heard = time.Now()
		}
	}
}

// release acknowledges what is stored, and what has waited too long for that.
func (d *driver) release(now time.Time) {
	stored, n := d.c.stored.Load(), 0
	for _, p := range d.unstored {
		if p.batch.Number > stored {
			if now.Sub(p.batch.Received) < d.pace.unstored {
				break
			}
			d.h.Counters.Unstored++
		}
		d.acks = append(d.acks, p.ack)
		for _, s := range d.subs {
			if s.id == p.ack.SubscriptionID {
				s.stored = p.ack.SequenceNumber
			}
		}
		n++
	}
	if d.unstored = slices.Delete(d.unstored, 0, n); n > 0 && d.kept {
		d.keepNumbers()
	}
}

// flush hands out as much as there is room for.
func (d *driver) flush() {
	for {
		out, head := d.head()
		select {
		case out <- head:
			d.delivered()
		default:
			if len(d.pending) > 0 && d.h.Stalled.IsZero() {
				d.h.Stalled = time.Now().UTC()
				d.h.Counters.Stalls++
				d.log.Warn("values are not taken fast enough; nothing is asked of the server meanwhile")
			}
			return
		}
	}
}

func (d *driver) enqueue(samples []plant.Sample, ack *ua.SubscriptionAcknowledgement) {
	if len(samples) == 0 {
		if ack != nil {
			// Behind those before it, so that the numbers go up.
			d.unstored = append(d.unstored, delivery{Batch{Received: time.Now(), Number: d.number}, ack})
		}
		return
	}
	d.number++
	d.pending = append(d.pending, delivery{Batch{Server: d.c.cfg.Server.Name, Received: d.now(), Samples: samples, Number: d.number}, ack})
}

// declare makes tags Bad by our own knowledge, unless they already are.
func (d *driver) declare(items []*item, q plant.Quality) {
	now := d.now()
	var samples []plant.Sample
	for _, it := range items {
		if it.declared == q {
			continue
		}
		at := now
		if !at.After(it.last) && it.last.Sub(now) < futureTolerance {
			at = it.last.Add(time.Millisecond)
		}
		it.declared, it.declaredAt, it.last = q, at, at
		samples = append(samples, plant.Sample{Tag: it.tag.ID, Point: plant.BadPoint(at, q)})
	}
	d.enqueue(samples, nil)
}

// --- the ladder

// connect climbs the ladder until subscriptions run. On an error the line is
// down, but what may still live at the server is kept.
func (d *driver) connect(ctx context.Context) error {
	step := func(s string) { d.h.Step = s }

	step("channel")
	a, err := agree(ctx, d.c.cfg.Server, d.c.cfg.DataDir, time.Now())
	if err != nil {
		return err
	}
	l, err := openLine(ctx, a.cfg.Endpoint, a.channel())
	if err != nil {
		return err
	}
	p := &peer{access: a, line: l}
	d.peer, d.results, d.inflight, d.heard = p, make(chan published, maxInFlight), 0, false
	d.h.Warnings, d.h.CertificateEnds = a.warnings, a.certEnds
	d.h.SecurityMode, d.h.User = a.cfg.Mode, a.cfg.User

	reactivated, err := d.openSession(ctx, p, step)
	if err != nil {
		return err
	}

	step("identify")
	if err := p.identify(ctx); err != nil {
		return err
	}
	d.h.ServerStarted, d.h.ServiceLevel = p.started, p.level
	d.setServerState(p.state)
	if !d.oldStarted.IsZero() && !p.started.Equal(d.oldStarted) || d.renumbered() {
		// The server started anew, or counts its namespaces differently: all
		// ids are void (D8, F2).
		d.dropSubscriptions(ctx, reactivated)
	}

	if len(d.subs) > 0 && !reactivated {
		step("transfer") // D4
		if err := d.transfer(ctx); err != nil {
			return err
		}
	}
	if len(d.subs) > 0 {
		step("republish") // D5
		if err := d.catchUp(ctx); err != nil {
			return err
		}
	}
	kept := len(d.subs)
	step("recreate") // D6
	if err := d.subscribe(ctx); err != nil {
		return err
	}
	d.restartHoles()
	if d.broken {
		if kept == 0 {
			d.openHoles(d.items)
		}
		if d.started {
			d.h.Counters.Reconnects++
		}
		switch {
		case kept == 0:
			d.h.Counters.Recreated++
		case reactivated:
			d.h.Counters.Reactivated++
		default:
			d.h.Counters.Transferred++
		}
	}
	d.started = true
	d.settle()
	d.keep()
	step("")
	d.setState(Connected)
	how := "new subscriptions"
	if kept > 0 && reactivated {
		how = "the session lived on"
	} else if kept > 0 {
		how = "subscriptions moved to a new session"
	}
	d.log.Info("connected", "product", p.product, "security", a.cfg.Policy+"/"+a.cfg.Mode, "how", how, "tags", len(d.items), "faults", len(d.h.Faults))
	d.lastSaid = ""
	for _, w := range a.warnings {
		d.log.Warn(w)
	}
	return nil
}

// openSession takes the old session up again (D1), or makes a new one (D3).
func (d *driver) openSession(ctx context.Context, p *peer, step func(string)) (reactivated bool, err error) {
	if d.oldSess != nil {
		step("reactivate")
		p.sess = d.oldSess
		switch err := activate(ctx, p.line, p.access, p.sess); {
		case err == nil:
			return true, nil
		case !isStatus(err):
			return false, err // the line broke again: the session may still live
		default:
			d.log.Debug("the session is gone", "reason", explain(err))
			p.sess, d.oldSess = nil, nil
		}
	}
	step("new session")
	s, err := createSession(ctx, p.line, p.access, p.access.cfg.SessionTimeout)
	if err == nil {
		err = activate(ctx, p.line, p.access, s)
	}
	if err != nil {
		p.line.close()
		d.peer = nil
		return false, err
	}
	p.sess = s
	return false, nil
}

// isStatus tells the server's refusal from a broken line.
func isStatus(err error) bool {
	var code ua.StatusCode
	if !errors.As(err, &code) {
		return false
	}
	switch code {
	case ua.StatusBadTimeout, ua.StatusBadCommunicationError, ua.StatusBadConnectionClosed, ua.StatusBadServerNotConnected, ua.StatusBadSecureChannelClosed:
		return false
	}
	return true
}

// renumbered reports whether any live item's node id now means something else.
func (d *driver) renumbered() bool {
	for _, it := range d.items {
		if it.sub == nil {
			continue
		}
		id, ok := it.ref.id(d.peer.namespaces)
		if !ok || id.String() != it.id.String() {
			return true
		}
	}
	return false
}

// settle arranges that values which stay as they are get read back.
func (d *driver) settle() {
	longest := time.Second
	for _, s := range d.subs {
		s.settled = false
		longest = max(longest, 2*s.health.Publishing+time.Second)
	}
	d.settleBy = time.Now().Add(min(longest, 10*time.Second))
}

// collect runs until the line is lost or ctx ends.
func (d *driver) collect(ctx context.Context) error {
	tick := time.NewTicker(d.pace.tick)
	defer tick.Stop()
	now := time.Now()
	for _, s := range d.subs {
		s.heard = now
	}
	for {
		d.flush()
		for len(d.pending) == 0 && d.inflight < d.want && len(d.subs) > 0 {
			d.publish(ctx)
		}
		out, head := d.head()
		select {
		case <-ctx.Done():
			return ctx.Err()
		case out <- head:
			d.delivered()
		case err := <-d.peer.line.down:
			if err != nil && isStatus(err) {
				continue // a refused request; whoever asked is told
			}
			return err
		case r := <-d.results:
			d.inflight--
			if err := d.answered(ctx, r); err != nil {
				return err
			}
		case now := <-tick.C:
			if err := d.supervise(ctx, now); err != nil {
				return err
			}
		}
	}
}

// supervise does what is due: silence, gaps, settling, retries, the picture.
func (d *driver) supervise(ctx context.Context, now time.Time) error {
	for _, s := range slices.Clone(d.subs) {
		if d.inflight > 0 && len(d.pending) == 0 && now.Sub(s.heard) > s.patience(d.pace.margin) {
			return errSilent // C3: do not wait for TCP
		}
		if !s.gapSince.IsZero() && now.Sub(s.gapSince) >= d.pace.grace {
			if err := d.fillGap(ctx, s); err != nil {
				return err
			}
		}
	}
	if !d.settleBy.IsZero() && len(d.pending) == 0 {
		all := true
		for _, s := range d.subs {
			all = all && s.settled
		}
		if all || now.After(d.settleBy) {
			d.settleBy = time.Time{}
			if err := d.readBack(ctx); err != nil {
				return err
			}
		}
	}
	if err := d.retryItems(ctx, now); err != nil {
		return err
	}
	if len(d.holes) > 0 && d.settleBy.IsZero() && len(d.pending) == 0 {
		if err := d.backfill(ctx); err != nil {
			return err
		}
	}
	// Without Publish in flight the session must be kept alive (B2).
	if d.inflight == 0 && now.Sub(d.asked) > d.peer.sess.timeout/3 {
		d.asked = now
		if _, err := d.peer.read(ctx, []*ua.ReadValueID{valueOf(std(2259))}); err != nil && !isStatus(err) {
			return err
		}
	}
	if d.changed || now.Sub(d.shown) >= time.Second {
		d.show()
	}
	return nil
}

// setServerState makes all values stale while the server does not run (B3).
func (d *driver) setServerState(s int32) {
	name := serverStateName(s)
	if d.h.ServerState == name {
		return
	}
	before := d.h.ServerState
	d.h.ServerState = name
	d.changed = true
	if s != 0 {
		d.log.Warn("the server is not running; its values do not count", "state", name)
	} else if before != "" && before != "Running" {
		d.log.Info("the server is running again", "was", before)
		d.settle()
	}
	if q := d.staleness(); q.Seen() {
		d.declare(d.items, q)
	}
}

// staleness is the quality of all values in the server's present state; not
// seen while it runs.
func (d *driver) staleness() plant.Quality {
	switch d.h.ServerState {
	case "", "Running":
		return plant.Quality{}
	case "CommunicationFault":
		return plant.BadNoCommunication
	}
	return plant.BadOutOfService
}

// readBack states again the values that did not change during a loss. Their
// source time lies before the moment they were declared Bad, so they are stated
// at the time the server vouched for them.
func (d *driver) readBack(ctx context.Context) error {
	if d.staleness().Seen() {
		return nil
	}
	var items []*item
	var what []*ua.ReadValueID
	for _, it := range d.items {
		if it.sub != nil && it.declared.Seen() {
			items, what = append(items, it), append(what, valueOf(it.id))
		}
	}
	if len(items) == 0 {
		return nil
	}
	dvs, err := d.peer.read(ctx, what)
	d.asked = time.Now()
	if err != nil {
		if isStatus(err) {
			d.log.Warn("unchanged values could not be read back", "reason", explain(err))
			return nil
		}
		return fmt.Errorf("read values back: %w", err)
	}
	var samples []plant.Sample
	now := d.now()
	for i, dv := range dvs {
		it := items[i]
		if dv == nil {
			continue
		}
		p, _ := convert(it.tag, dv, now)
		it.remember(p)
		stamp := p.Time
		d.place(it, &p, now, false, false)
		if !p.Time.After(it.declaredAt) {
			if p.Time = now; !p.Time.After(it.declaredAt) {
				p.Time = it.declaredAt.Add(time.Millisecond)
			}
		}
		it.declared = plant.Quality{}
		it.last = p.Time
		d.noteType(it, dv)
		samples = append(samples, plant.Sample{Tag: it.tag.ID, Point: p, Offset: stamp.Sub(p.Time)})
	}
	d.enqueue(samples, nil)
	return nil
}

// item is one monitored tag.
type item struct {
	tag    *plant.Tag
	ref    nodeRef
	id     *ua.NodeID
	sub    *subscription // nil: not sampled
	handle uint32

	last time.Time // of the newest point handed out, by our clock
	// offset is how far the clock behind the stamps is ahead of ours; 0 while it
	// can be believed.
	offset  time.Duration
	initial bool // nothing has come since it was made at the server
	newer   int  // place of its newest sample in the message
	// declared is the quality this program gave the tag at declaredAt by its
	// own knowledge; not seen once the server has spoken since.
	declared   plant.Quality
	declaredAt time.Time

	recent [16]plant.Point // the last handed out, to know replayed ones (D10)
	next   int
	newest time.Time // source's own time of the newest sample
	have   time.Time // the same of what was on the disk at the start
	open   *hole     // since the last loss, until a sample comes
	// noHistory is set where the server has none of this node.
	noHistory bool

	typ      ua.TypeID // seen last
	typeTold bool
	fault    *TagFault
	retryAt  time.Time
}

// seen reports whether a point has come before. It needs asking only for
// points that are not newer than all before.
func (it *item) seen(p plant.Point) bool {
	for i := range it.recent {
		r := &it.recent[i]
		if r.Quality == p.Quality && r.Time.Equal(p.Time) && (r.Value == p.Value || math.IsNaN(r.Value) && math.IsNaN(p.Value)) {
			return true
		}
	}
	return false
}

func (it *item) remember(p plant.Point) {
	it.recent[it.next] = p
	it.next = (it.next + 1) % len(it.recent)
}
