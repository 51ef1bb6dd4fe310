package collector

import (
	"context"
	"fmt"
	"time"

	"github.com/gopcua/opcua/ua"

	"calandria/plant"
)

// hole is a stretch of time of one tag that the subscriptions did not cover and
// the server's history may (D6, H). Its ends are samples that have been handed
// out.
type hole struct {
	it    *item
	from  time.Time
	to    time.Time // of the first sample that came again; zero until then
	point []byte    // continuation point (H2)
	// since is when the program ended, by our clock, for the hole of a start; zero
	// for others, which the states given at the loss mark.
	since time.Time
}

// gap is what stays open of the holes of a start.
type gap struct {
	tags     int
	from, to time.Time      // by our clock
	marks    []plant.Sample // not handed out yet
}

const historyPage = 1000 // values a tag and call

// openHoles notes that tags may have samples after their last one.
func (d *driver) openHoles(items []*item) {
	for _, it := range items {
		if it.open != nil || it.newest.IsZero() || it.noHistory {
			continue
		}
		it.open = &hole{it: it, from: it.newest}
		if !d.started {
			it.open.since = d.c.cfg.Until
		}
		d.holes = append(d.holes, it.open)
	}
}

// restartHoles forgets continuation points, which end with their session.
func (d *driver) restartHoles() {
	for _, h := range d.holes {
		h.point = nil
	}
}

// backfill reads one page of history for as many holes as one call may hold.
// The samples go out with their own times; the receiver files them as late. It
// returns an error only if the line broke.
func (d *driver) backfill(ctx context.Context) error {
	const near = time.Minute // holes that one call reads lie together
	var now, rest []*hole
	for _, h := range d.holes {
		switch {
		case h.to.After(firstTime) && !h.to.After(h.from):
			// Nothing changed meanwhile.
		case h.it.noHistory && h.to.After(firstTime):
			d.leave(h)
		case h.to.IsZero(), h.it.sub == nil, len(now) >= max(1, d.peer.limits.history),
			len(now) > 0 && (now[0].to.Sub(h.to).Abs() > near || now[0].from.Sub(h.from).Abs() > near):
			rest = append(rest, h)
		default:
			now = append(now, h)
		}
	}
	if len(now) == 0 {
		d.holes = rest
		d.tellGap()
		return nil
	}
	from, to := now[0].from, now[0].to
	req := &ua.HistoryReadRequest{TimestampsToReturn: ua.TimestampsToReturnBoth}
	for _, h := range now {
		if h.from.Before(from) {
			from = h.from
		}
		if h.to.After(to) {
			to = h.to
		}
		req.NodesToRead = append(req.NodesToRead, &ua.HistoryReadValueID{NodeID: h.it.id, DataEncoding: &ua.QualifiedName{}, ContinuationPoint: h.point})
	}
	req.HistoryReadDetails = ua.NewExtensionObject(&ua.ReadRawModifiedDetails{StartTime: from, EndTime: to, NumValuesPerNode: historyPage})
	res, err := send[*ua.HistoryReadResponse](ctx, d.peer.line, d.peer.sess.token, req, requestTimeout)
	d.asked = time.Now()
	if err != nil {
		if !isStatus(err) {
			return fmt.Errorf("read history: %w", err)
		}
		d.log.Info("the server gives no history; gaps stay gaps", "reason", explain(err))
		for _, h := range now { // H4
			h.it.noHistory = true
			d.leave(h)
		}
		d.holes = rest
		d.tellGap()
		return nil
	}
	received := d.now()
	var samples []plant.Sample
	for i, h := range now {
		if i >= len(res.Results) {
			break
		}
		r := res.Results[i]
		switch {
		case r.StatusCode == ua.StatusBadContinuationPointInvalid && h.point != nil:
			h.point = nil // again from the last sample received
			rest = append(rest, h)
			continue
		case uint32(r.StatusCode)>>30 >= 2:
			h.it.noHistory = true // H1
			d.leave(h)
			continue
		}
		data, _ := structure(r.HistoryData).(*ua.HistoryData)
		if data != nil {
			for _, dv := range data.DataValues {
				if dv == nil {
					continue
				}
				p, clock := convert(h.it.tag, dv, received)
				if clock != sourceClock || !p.Time.After(h.from) || !p.Time.Before(h.to) {
					continue // overlap (H5)
				}
				h.from = p.Time
				p.Time = p.Time.Add(-h.it.offset)
				samples = append(samples, plant.Sample{Tag: h.it.tag.ID, Point: p, Offset: h.it.offset})
			}
		}
		if len(r.ContinuationPoint) > 0 {
			h.point = r.ContinuationPoint
			rest = append(rest, h)
		}
	}
	d.h.Counters.Backfilled += uint64(len(samples))
	d.holes = rest
	d.enqueue(samples, nil)
	d.tellGap()
	if len(rest) == 0 && d.h.Counters.Backfilled > 0 {
		d.log.Info("gaps filled from the server's history", "samples", d.h.Counters.Backfilled)
	}
	return nil
}

// leave marks a hole that nobody can fill: there is no data from the end of the
// program to the first sample.
func (d *driver) leave(h *hole) {
	at, to := h.since.Add(time.Millisecond), h.to.Add(-h.it.offset)
	if h.since.IsZero() || !to.After(at) {
		return
	}
	d.gap.marks = append(d.gap.marks, plant.Sample{Tag: h.it.tag.ID, Point: plant.BadPoint(at, plant.BadNoData)})
	d.gap.tags++
	d.gap.from = h.since
	if to.After(d.gap.to) {
		d.gap.to = to
	}
}

// tellGap says in words what stays open.
func (d *driver) tellGap() {
	if len(d.gap.marks) == 0 {
		return
	}
	d.enqueue(d.gap.marks, nil)
	d.gap.marks = nil
	text := fmt.Sprintf("no data of %d tags from %s to %s: the program was down, and the server has no history of them",
		d.gap.tags, d.gap.from.Format(time.RFC3339), d.gap.to.Format(time.RFC3339))
	if d.h.Gap != text {
		d.h.Gap, d.changed = text, true
		d.log.Warn("a gap stays in the archive", "gap", text)
	}
}
