package console

import (
	"context"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"
)

// Figures of signing in; ours. No number of wrong tries closes an account or an
// address: IEC 62443-3-3 SR 1.11 asks for a limit, and a limit of the rate is one.
const (
	deskWaiting = 400 // tries that wait for their turn, of all
	deskWait    = 25 * time.Second
	wrongWindow = 15 * time.Minute
	// After wrongFree wrong tries of one address in wrongWindow its tries take turns
	// wrongPace apart, after wrongMany wrongSlow.
	wrongFree = 20
	wrongOwn  = 5 // of one name there: so many are not slowed by those under other names
	wrongMany = 200
	wrongPace = 250 * time.Millisecond
	wrongSlow = time.Second
	// A wrong answer is held back, twice as long each time up to answerMost.
	answerFirst = 100 * time.Millisecond
	answerMost  = 3 * time.Second
)

var errCrowded = errors.New("too many are signing in at once")

// desk lets one password be verified at a time. Who waits stands in a lane of
// name and address, and the lanes take turns: many tries in one lane hold up no
// other.
type desk struct {
	mu      sync.Mutex
	busy    bool
	waiting int
	lanes   map[string][]chan error
	order   []string             // lanes that wait, the next first
	free    map[string]time.Time // by lane: its next turn while it is slowed
}

// enter waits for a turn. leave must be called after it, unless it fails.
func (d *desk) enter(ctx context.Context, lane string) error {
	d.mu.Lock()
	if !d.busy {
		d.busy = true
		d.mu.Unlock()
		return nil
	}
	if d.waiting >= deskWaiting {
		longest := slices.MaxFunc(d.order, func(a, b string) int { return len(d.lanes[a]) - len(d.lanes[b]) })
		if len(d.lanes[longest]) <= len(d.lanes[lane]) {
			d.mu.Unlock()
			return errCrowded
		}
		last := d.lanes[longest][len(d.lanes[longest])-1]
		d.remove(longest, last)
		last <- errCrowded
	}
	turn := make(chan error, 1)
	if len(d.lanes[lane]) == 0 {
		d.order = append(d.order, lane)
	}
	d.lanes[lane] = append(d.lanes[lane], turn)
	d.waiting++
	d.mu.Unlock()
	select {
	case err := <-turn:
		return err
	case <-ctx.Done():
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.remove(lane, turn) {
		return ctx.Err()
	}
	if err := <-turn; err != nil { // it was chosen meanwhile
		return err
	}
	d.next()
	return ctx.Err()
}

// leave ends a turn.
func (d *desk) leave() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.next()
}

// next gives the turn to the next lane; needs d.mu.
func (d *desk) next() {
	if len(d.order) == 0 {
		d.busy = false
		return
	}
	lane := d.order[0]
	turn := d.lanes[lane][0]
	d.remove(lane, turn)
	if i := slices.Index(d.order, lane); i >= 0 {
		d.order = append(slices.Delete(d.order, i, i+1), lane)
	}
	turn <- nil
}

// remove takes one who waits out of a lane; needs d.mu.
func (d *desk) remove(lane string, turn chan error) bool {
	i := slices.Index(d.lanes[lane], turn)
	if i < 0 {
		return false
	}
	d.waiting--
	if d.lanes[lane] = slices.Delete(d.lanes[lane], i, i+1); len(d.lanes[lane]) == 0 {
		delete(d.lanes, lane)
		d.order = slices.DeleteFunc(d.order, func(l string) bool { return l == lane })
	}
	return true
}

// pace says how long a try of an address has to wait after so many wrong ones.
func (d *desk) pace(from string, wrong int, now time.Time) time.Duration {
	apart := wrongPace
	switch {
	case wrong < wrongFree:
		return 0
	case wrong >= wrongMany:
		apart = wrongSlow
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for address, at := range d.free {
		if at.Before(now) {
			delete(d.free, address)
		}
	}
	turn := d.free[from]
	if turn.Before(now) {
		turn = now
	}
	if turn.Sub(now) < deskWait {
		d.free[from] = turn.Add(apart)
	}
	return turn.Sub(now)
}

// rest waits, false if ctx ends before.
func rest(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// proxies are the addresses whose forwarded headers are believed.
type proxies []netip.Prefix

func proxiesOf(list []string) (out proxies, err error) {
	for _, text := range list {
		prefix, err := netip.ParsePrefix(text)
		if err != nil {
			address, single := netip.ParseAddr(text)
			if single != nil {
				return nil, err
			}
			prefix = netip.PrefixFrom(address.Unmap(), address.Unmap().BitLen())
		}
		out = append(out, prefix)
	}
	return out, nil
}

func (p proxies) named(host string) bool {
	a, err := netip.ParseAddr(host)
	return err == nil && slices.ContainsFunc(p, func(x netip.Prefix) bool { return x.Contains(a.Unmap()) })
}

type cameKey struct{}

// came is where a request came from.
type came struct {
	station string // for the record
	secure  bool   // a named proxy says that it came by TLS
}

// origin finds out where a request came from. Of the forwarded addresses the last
// one counts, which the named proxy itself has put there; what stands before it
// anybody can write.
func (p proxies) origin(r *http.Request) came {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		host = r.RemoteAddr
	}
	if !p.named(host) {
		return came{station: host}
	}
	c := came{station: host, secure: r.Header.Get("X-Forwarded-Proto") == "https"}
	if lines := r.Header.Values("X-Forwarded-For"); len(lines) > 0 {
		entries := strings.Split(lines[len(lines)-1], ",")
		if a, err := netip.ParseAddr(strings.TrimSpace(entries[len(entries)-1])); err == nil {
			c.station = a.Unmap().String() + " by proxy"
		}
	}
	return c
}

// station is where a request came from, for the record.
func station(r *http.Request) string {
	if c, ok := r.Context().Value(cameKey{}).(came); ok {
		return c.station
	}
	return proxies(nil).origin(r).station
}
