package console

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// Lanes take turns, and a full desk sends away the newest of the longest lane.
func TestDesk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &desk{lanes: map[string][]chan error{}, free: map[string]time.Time{}}
		if err := d.enter(t.Context(), "first"); err != nil {
			t.Fatal(err)
		}
		var mu sync.Mutex
		var order []string
		crowded := 0
		try := func(ctx context.Context, lane string) {
			go func() {
				err := d.enter(ctx, lane)
				mu.Lock()
				if err != nil {
					crowded++
				} else {
					order = append(order, lane)
				}
				mu.Unlock()
				if err == nil {
					time.Sleep(time.Second)
					d.leave()
				}
			}()
			synctest.Wait()
		}
		for range deskWaiting + 7 {
			try(t.Context(), "flood")
		}
		for range 3 {
			try(t.Context(), "person")
		}
		short, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		try(short, "gone")
		d.leave()
		time.Sleep(10 * time.Second)
		synctest.Wait()
		mu.Lock()
		got := strings.Join(order[:7], " ")
		mu.Unlock()
		if got != "flood person gone flood person flood person" || crowded != 7+3+1 {
			t.Errorf("turns: %s; %d sent away", got, crowded)
		}
		time.Sleep(20 * time.Minute)
		synctest.Wait()
		mu.Lock()
		defer mu.Unlock()
		if len(order) != deskWaiting || d.busy || d.waiting != 0 || len(d.lanes) != 0 {
			t.Errorf("%d had their turn, %d wait; %v", len(order), d.waiting, d.busy)
		}
		now := time.Now()
		if p := d.pace("a", wrongFree-1, now); p != 0 {
			t.Error(p)
		}
		for i := range 3 {
			if p := d.pace("a", wrongFree, now); p != time.Duration(i)*wrongPace {
				t.Errorf("turn %d after %s", i, p)
			}
		}
	})
}

// Wrong tries slow their address, but not a name that has none of them while few names
// are tried, and never who has signed in from there; his own wrong tries slow him.
func TestLaneOfATry(t *testing.T) {
	g := &gate{wrong: map[string]*tries{}, good: map[string]time.Time{}, sessions: map[[32]byte]*session{}, idle: time.Hour}
	now := time.Now()
	slowed := func(name string) bool { _, n := g.lane(keysOf(name, "a")); return n >= wrongFree }
	g.open("Known", "x", keysOf("Known", "a"), now)
	for range 500 {
		g.note(keysOf("victim", "a"), now)
	}
	if !slowed("victim") || slowed("other") || slowed("known") {
		t.Error("one name under attack:", slowed("victim"), slowed("other"), slowed("known"))
	}
	for i := range 500 {
		g.note(keysOf(fmt.Sprint("spray", i), "a"), now)
	}
	if !slowed("other") || slowed("known") {
		t.Error("many names:", slowed("other"), slowed("known"))
	}
	if _, n := g.lane(keysOf("other", "b")); n != 0 {
		t.Error("another address is slowed")
	}
	for range wrongFree {
		g.note(keysOf("known", "a"), now)
	}
	if !slowed("known") {
		t.Error("who knows the way may guess on")
	}
}

// A forwarded address is believed from a named proxy only, and of it the last
// entry.
func TestForwarded(t *testing.T) {
	named, err := proxiesOf([]string{"127.0.0.1", "10.1.0.0/16", "::1"})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		p       proxies
		peer    string
		headers []string
		want    string
	}{
		{named, "127.0.0.1:9", []string{"192.0.2.1"}, "192.0.2.1 by proxy"},
		{named, "127.0.0.1:9", []string{"6.6.6.6, 192.0.2.1"}, "192.0.2.1 by proxy"},
		{named, "127.0.0.1:9", []string{"6.6.6.6", "7.7.7.7, 192.0.2.1"}, "192.0.2.1 by proxy"},
		{named, "[::1]:9", []string{"2001:db8::1"}, "2001:db8::1 by proxy"},
		{named, "10.1.2.3:9", []string{"nonsense"}, "10.1.2.3"},
		{named, "10.2.2.3:9", []string{"6.6.6.6"}, "10.2.2.3"},
		{nil, "127.0.0.1:9", []string{"6.6.6.6"}, "127.0.0.1"},
	} {
		r := httptest.NewRequest("GET", "/", nil)
		r.RemoteAddr = c.peer
		r.Header["X-Forwarded-For"] = c.headers
		r.Header.Set("X-Forwarded-Proto", "https")
		got := c.p.origin(r)
		if got.station != c.want || got.secure != (c.p != nil && !strings.HasPrefix(c.peer, "10.2")) {
			t.Errorf("%s %q: %+v, want %s", c.peer, c.headers, got, c.want)
		}
	}
	// Sprayed sign-ins under forged addresses count as of one.
	g := newGated(t, nil)
	var all sync.WaitGroup
	for i := range 25 {
		all.Go(func() {
			req, _ := http.NewRequest("POST", g.URL+"/sign-in", strings.NewReader(url.Values{"name": {fmt.Sprint("n", i)}, "password": {"wrong"}}.Encode()))
			req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			req.Header.Set("X-Forwarded-For", fmt.Sprintf("192.0.2.%d", i))
			if resp, err := (&http.Transport{}).RoundTrip(req); err == nil {
				resp.Body.Close()
			}
		})
	}
	all.Wait()
	g.s.gate.mu.Lock()
	defer g.s.gate.mu.Unlock()
	if n := g.s.gate.wrong["from 127.0.0.1"].count(); n != 25 {
		t.Errorf("%d wrong tries are counted of 25; %d keys", n, len(g.s.gate.wrong))
	}
}

// The pages of one person keep nobody else from a live page, and who is signed in
// and has none always gets one.
func TestSeatOfEachOperator(t *testing.T) {
	p := &seats{most: 100}
	for a := range 10 {
		for range 100 {
			p.take(fmt.Sprint("10.0.0.", a), "greedy")
		}
	}
	if len(p.taken) != 100 {
		t.Errorf("%d pages", len(p.taken))
	}
	for i := range 150 {
		if p.take("10.0.0.1", fmt.Sprint("operator", i)) == nil {
			t.Errorf("operator %d has no live page", i)
		}
	}
	if p.take("10.0.9.9", "") != nil {
		t.Error("somebody unknown has a page although all are taken by one each")
	}
}
