package console

import (
	"cmp"
	"context"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"calandria/engine"
	"calandria/plant"
)

// shotsDir is where the screenshots go; it is not under version control.
const shotsDir = "../test-output/console"

// browser is a page in Debian's Chromium. A missing browser fails the test.
type browser struct {
	t   *testing.T
	ctx context.Context
	log *consoleLog
}

func newBrowser(t *testing.T, more ...chromedp.ExecAllocatorOption) *browser {
	t.Helper()
	if testing.Short() {
		t.Skip("left to make test: starts a browser")
	}
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		t.Fatal("no chromium on this machine: install Debian's chromium, the pages cannot be tested without it")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	opts = append(opts, more...)
	alloc, stop := chromedp.NewExecAllocator(t.Context(), opts...)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	ctx, cancel = context.WithTimeout(ctx, 5*time.Minute)
	t.Cleanup(cancel)
	b := &browser{t: t, ctx: ctx, log: &consoleLog{}}
	messages := chromedp.Console(ctx)
	go func() {
		for m, err := range messages {
			if err != nil {
				return
			}
			b.log.add(fmt.Sprint(m))
		}
	}()
	return b
}

func (b *browser) do(what string, steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	if err := chromedp.Do(b.ctx, steps...); err != nil {
		b.t.Fatalf("%s: %v\nconsole of the page:\n%s", what, err, b.log)
	}
}

// eval runs an expression in the page.
func eval[T any](b *browser, expression string) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		b.t.Fatalf("evaluate %s: %v\nconsole of the page:\n%s", expression, err, b.log)
	}
	return v
}

// until waits for an expression to hold and returns how long it took.
func (b *browser) until(expression string, limit time.Duration) time.Duration {
	b.t.Helper()
	begin := time.Now()
	for {
		// An error is a page that is just being left: ask again.
		ok, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](expression))
		if err == nil && ok {
			return time.Since(begin)
		}
		if time.Since(begin) > limit {
			text, _ := chromedp.Run(b.ctx, chromedp.Evaluate[string]("location.href + '\\n' + document.body.innerText"))
			b.t.Fatalf("waited %v for %s (%v)\npage:\n%.3000s\nconsole of the page:\n%s", limit, expression, err, text, b.log)
		}
		select {
		case <-b.ctx.Done():
			b.t.Fatalf("wait for %s: %v", expression, b.ctx.Err())
		case <-time.After(50 * time.Millisecond):
		}
	}
}

func (b *browser) shot(name string) {
	b.t.Helper()
	png, err := chromedp.Run(b.ctx, chromedp.CaptureScreenshot())
	if err != nil {
		b.t.Fatalf("screenshot %s: %v", name, err)
	}
	if err := os.MkdirAll(shotsDir, 0o755); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(shotsDir, name+".png"), png, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// mill serves a console over the fake mill on a loopback port. Its picture is
// renewed every second until stop is called.
type served struct {
	mill *fakeMill
	url  string
	stop func()
	hold chan bool // true: no new pictures
}

func serve(t *testing.T) *served {
	t.Helper()
	m := newMill(t, time.Now())
	s, err := New(m, Options{Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 2)
	go func() { done <- s.Serve(ctx, l) }()
	sv := &served{mill: m, url: "http://" + l.Addr().String(), hold: make(chan bool)}
	go func() {
		tick := time.NewTicker(time.Second)
		defer tick.Stop()
		held := false
		for {
			select {
			case <-ctx.Done():
				done <- nil
				return
			case held = <-sv.hold:
			case <-tick.C:
				if !held {
					m.step(func(time.Time) {})
				}
			}
		}
	}()
	stopped := false
	sv.stop = func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		for range 2 {
			if err := <-done; err != nil {
				t.Errorf("serve: %v", err)
			}
		}
	}
	t.Cleanup(sv.stop)
	return sv
}

// keys presses Tab until the focused element satisfies a condition.
func (b *browser) tabTo(condition string) {
	b.t.Helper()
	for range 80 {
		if eval[bool](b, "(e => "+condition+")(document.activeElement)") {
			return
		}
		b.do("tab", chromedp.KeyEvent("\t"))
	}
	b.t.Fatalf("no element with %s can be reached with Tab", condition)
}

// TestKeyboardJourney: an alarm comes, is seen in the strip, opened and
// acknowledged, without a mouse.
func TestKeyboardJourney(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	b.do("open", chromedp.EmulateViewport(1280, 720), chromedp.Navigate(sv.url+"/"))
	b.until("document.querySelector('.strip-title').textContent.includes('Vacuum of body 5')", 5*time.Second)
	if eval[string](b, "document.getElementById('announce').textContent") != "" {
		t.Error("an alarm that stood on the page when it came was announced as new")
	}
	sv.mill.step(func(now time.Time) { sv.mill.feed("EV2_level_low", now, plant.True, 8) })
	took := b.until("document.querySelector('.strip-title').textContent.includes('Juice level of body 2')", 3*time.Second)
	t.Logf("a new alarm stood in the strip after %v", took.Round(10*time.Millisecond))
	b.until("document.getElementById('announce').textContent.includes('Priority 1, urgent: Juice level of body 2 is very low')", 3*time.Second)

	b.tabTo("e.matches('.strip-alarm')")
	b.do("open the alarm", chromedp.KeyEvent("\r"))
	b.until("location.pathname === '/alarms/EV2_level_low' && document.readyState === 'complete'", 5*time.Second)
	text := eval[string](b, "document.querySelector('main').innerText")
	for _, want := range []string{"Restore juice to the body", "Likely cause", "If nothing is done", "How to check", "Take care.", "Steam and hot liquor", "Site procedure",
		"This program advises; it is no safety system", "Time to respond", "unacknowledged"} {
		if !strings.Contains(text, want) {
			t.Errorf("the alarm's page does not say %q", want)
		}
	}
	b.tabTo("e.id === 'name'")
	b.do("name", chromedp.KeyEvent("C. Dawn"))
	b.tabTo("e.matches('button.main')")
	b.do("acknowledge", chromedp.KeyEvent("\r"))
	b.until("location.search === '?done=acknowledge' && document.readyState === 'complete'", 5*time.Second)
	b.until("document.querySelector('#alarm-state').innerText.includes('acknowledged') && !document.querySelector('#alarm-state').innerText.includes('unacknowledged')", 3*time.Second)
	b.until("document.querySelector('.strip-title').textContent.includes('Vacuum of body 5')", 3*time.Second)
	if got := eval[string](b, "document.querySelector('.who').innerText"); !strings.Contains(got, "C. Dawn") {
		t.Errorf("the name is not remembered: %q", got)
	}
	events, _ := sv.mill.Events(t.Context(), plant.EventFilter{Match: "EV2_level_low", Kinds: []plant.EventKind{plant.EventAck}, Limit: 5})
	if len(events) != 1 || events[0].User != "C. Dawn" || events[0].Station != "127.0.0.1" {
		t.Errorf("journal: %+v, want one ACK by C. Dawn from 127.0.0.1", events)
	}

	// The list: acknowledge in one step, the name being known.
	b.do("open", chromedp.Navigate(sv.url+"/alarms"))
	b.tabTo("e.textContent === 'Acknowledge' && e.ariaLabel.includes('Vacuum of body 5')")
	b.do("acknowledge", chromedp.KeyEvent("\r"))
	b.until("location.search === '?done=acknowledge'", 5*time.Second)
	b.until("document.querySelectorAll('#alarm-active tr.unack').length === 1", 3*time.Second)
	// What a person types is not lost when the page renews itself, and an open
	// detail stays open.
	b.do("open", chromedp.Navigate(sv.url+"/alarms"))
	b.tabTo("e.id === 'who'")
	b.do("type", chromedp.KeyEvent("XYZ"))
	sv.mill.step(func(now time.Time) { sv.mill.feed("EV2_level_low", now, plant.False, 14) })
	b.until("!document.querySelector('#alarm-active').innerText.includes('Juice level of body 2')", 3*time.Second)
	if v := eval[string](b, "document.activeElement.id + document.getElementById('who').value"); !strings.Contains(v, "XYZ") || !strings.HasPrefix(v, "who") {
		t.Errorf("focus or typed text was lost: %q", v)
	}
	b.clean()
}

// clean fails the test if the page's console has complaints, such as a
// violation of the content security policy.
func (b *browser) clean() {
	b.t.Helper()
	if text := b.log.String(); text != "" {
		b.t.Errorf("the page's console says:\n%s", text)
	}
}

// TestStale: a page says STALE within three seconds of the server's death, of
// a cut stream, and of a loop that stands still behind a live server.
func TestStale(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	for _, page := range []string{"/", "/vessel/EV.EV5", "/alarms", "/trends?tag=EV.EV5.u", "/record", "/instruments", "/rules"} {
		b.do("open "+page, chromedp.EmulateViewport(1280, 720), chromedp.Navigate(sv.url+page))
		b.until("!document.body.classList.contains('stale') && document.getElementById('stale').hidden", time.Second)
	}
	b.do("open", chromedp.Navigate(sv.url+"/"))
	b.do("let a few beats pass", chromedp.Sleep(3500*time.Millisecond))
	if eval[bool](b, "document.body.classList.contains('stale')") {
		t.Fatal("a live page says STALE")
	}
	sv.hold <- true
	took := b.until("document.body.classList.contains('stale') && document.getElementById('stale').innerText.includes('stands still')", 8*time.Second)
	t.Logf("a loop that stands still was seen after %v", took.Round(10*time.Millisecond))
	sv.hold <- false
	b.until("!document.body.classList.contains('stale')", 4*time.Second)
	begin := time.Now()
	sv.stop()
	b.until("document.body.classList.contains('stale') && document.getElementById('stale').innerText.includes('STALE')", 4*time.Second)
	if took := time.Since(begin); took > 3*time.Second {
		t.Errorf("STALE after %v, want at most 3 s", took)
	} else {
		t.Logf("STALE %v after the server was stopped", took.Round(10*time.Millisecond))
	}
	b.shot("stale-1280")
}

// TestScreenshots renders every page at two sizes in both themes for a person
// to look at, and checks what a program can: nothing sticks out sideways, no
// two texts of the ladder lie on each other, targets are large enough.
func TestScreenshots(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	for _, theme := range []string{"day", "night"} {
		b.do("open", chromedp.Navigate(sv.url+"/"))
		b.do("switch theme", chromedp.Evaluate[chromedp.Void]("document.querySelector('.to-"+theme+"').click()"))
		b.until("document.documentElement.dataset.theme === '"+theme+"'", 5*time.Second)
		for _, size := range [][2]int64{{1280, 720}, {1920, 1080}} {
			b.do("size", chromedp.EmulateViewport(size[0], size[1]))
			for _, p := range browserPages {
				b.do("open "+p.path, chromedp.Navigate(sv.url+p.path))
				if p.name == "trends" {
					b.until("document.querySelectorAll('#charts canvas').length === 3", 5*time.Second)
				}
				b.do("settle", chromedp.Sleep(150*time.Millisecond))
				name := fmt.Sprintf("%s-%d-%s", p.name, size[0], theme)
				b.shot(name)
				if wide := eval[int](b, "document.documentElement.scrollWidth - innerWidth"); wide > 0 {
					t.Errorf("%s: the page is %d px wider than the screen", name, wide)
				}
				if got := eval[string](b, overlapScript); got != "" {
					t.Errorf("%s: texts on each other: %s", name, got)
				}
				if got := eval[string](b, targetScript); got != "" {
					t.Errorf("%s: targets under 24 px: %s", name, got)
				}
			}
		}
	}
}

// overlapScript names pairs of texts in drawings whose boxes cover each other
// by more than a sliver.
const overlapScript = `(() => {
  const out = [];
  for (const svg of document.querySelectorAll('svg.drawing')) {
    const texts = [...svg.querySelectorAll('text')].map(t => [t.textContent, t.getBoundingClientRect()]);
    for (let i = 0; i < texts.length; i++) for (let j = i + 1; j < texts.length; j++) {
      const a = texts[i][1], b = texts[j][1];
      const w = Math.min(a.right, b.right) - Math.max(a.left, b.left), h = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (w > 2 && h > 5) out.push(texts[i][0] + ' / ' + texts[j][0]);
    }
  }
  return out.join(', ');
})()`

// targetScript names controls smaller than WCAG 2.2's 2.5.8 allows (24 CSS
// pixels), links within text excepted.
const targetScript = `(() => [...document.querySelectorAll('button, select, input:not([type=hidden]):not([type=checkbox]), .choose, .button, .bar nav a, .strip a, .seg a')]
  .map(e => [e, e.getBoundingClientRect()]).filter(([e, r]) => r.width > 0 && (r.height < 23.5 || r.width < 23.5))
  .map(([e, r]) => (e.textContent || e.name) + ' ' + Math.round(r.width) + 'x' + Math.round(r.height)).join(', '))()`

// TestStatesToLookAt shows the pages in trouble: an urgent alarm with the
// source lost, and a reason on focus.
func TestStatesToLookAt(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	sv.hold <- true
	sv.mill.step(func(now time.Time) {
		sv.mill.feed("EV2_level_low", now.Add(-4*time.Minute), plant.True, 8)
		for path := range sv.mill.values {
			if strings.HasPrefix(path, "EV.EV3.") || strings.HasPrefix(path, "PB1.") {
				delete(sv.mill.values, path)
			}
		}
	})
	sv.mill.mu.Lock()
	p := *sv.mill.picture
	p.Sources = []engine.Source{{Name: "mill", Since: time.Now().Add(-2 * time.Minute), LastError: "connection refused"}}
	p.Health = []engine.Health{{Name: "archive", OK: true, Text: "written a second ago"}, {Name: "journal", Text: "cannot be written; 12 events wait"}}
	p.Strikes = p.Strikes[:1]
	sv.mill.picture = &p
	sv.mill.mu.Unlock()
	for _, theme := range []string{"day", "night"} {
		b.do("open", chromedp.EmulateViewport(1280, 720), chromedp.Navigate(sv.url+"/"))
		if theme == "night" {
			b.do("switch theme", chromedp.Evaluate[chromedp.Void]("document.querySelector('.to-night').click()"))
			b.until("document.documentElement.dataset.theme === 'night'", 5*time.Second)
		}
		b.do("focus", chromedp.Click("#condensers tr:nth-child(3) td:last-child .absent"))
		b.shot("trouble-1280-" + theme)
		if got := eval[string](b, "getComputedStyle(document.activeElement, '::after').content"); !strings.Contains(got, "needs the vapour pressure") {
			t.Errorf("the reason is not shown on focus: %s", got)
		}
	}
	sv.mill.mu.Lock()
	sv.mill.past.Corrections = []plant.Correction{{ID: 1, Tag: "EV.EV5.vapour_pressure", From: time.Now().Add(-4 * time.Hour), Factor: 1.04, By: "D. Noon", Reason: "read low"}}
	sv.mill.mu.Unlock()
	b.do("open", chromedp.Navigate(sv.url+"/trends?tag=EV.EV5.vapour_pressure&tag=EV.EV5.u"))
	b.until("document.getElementById('marks-count').textContent.includes('1 correction')", 5*time.Second)
	b.shot("corrected-1280-night")
	b.clean()
}

// Lists are sorted by their heads, also by keyboard: numbers as numbers, and a third
// time as they were.
func TestSorting(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	b.do("open", chromedp.Navigate(sv.url+"/record/report?span=day"))
	b.until("document.querySelectorAll('button.sort').length > 3", 5*time.Second)
	column := "Array.from(document.querySelectorAll('table.plain tbody')[1].rows, r => r.cells[1].textContent.trim()).join(' ')"
	was := eval[string](b, column)
	press := func() {
		eval[bool](b, "document.querySelectorAll('table.plain')[1].querySelectorAll('button.sort')[1].focus(), true")
		b.do("press", chromedp.KeyEvent("\r"))
	}
	press()
	up := strings.Fields(eval[string](b, column))
	if len(up) < 3 || !slices.IsSortedFunc(up, func(a, b string) int { return cmp.Compare(atof(t, a), atof(t, b)) }) {
		t.Errorf("up: %v", up)
	}
	press()
	slices.Reverse(up)
	if down := strings.Fields(eval[string](b, column)); !slices.Equal(down, up) {
		t.Errorf("down: %v", down)
	}
	press()
	if got := eval[string](b, column); got != was {
		t.Errorf("%q is not as it was, %q", got, was)
	}

	// A list that renews itself stays as it was arranged.
	b.do("open", chromedp.Navigate(sv.url+"/instruments?show=all&of=EV.EV5"))
	b.until("document.querySelectorAll('input.filter').length === 1", 10*time.Second)
	eval[bool](b, "document.querySelectorAll('.readings button.sort')[0].focus(), true")
	b.do("down", chromedp.KeyEvent("\r"), chromedp.KeyEvent("\r"))
	eval[bool](b, "document.querySelector('input.filter').focus(), true")
	b.do("filter", chromedp.KeyEvent("temperature"))
	rows := "Array.from(document.querySelectorAll('.readings tbody tr'), r => r).filter(r => !r.hidden).map(r => r.cells[0].textContent.trim()).join(';')"
	want := eval[string](b, rows)
	names := strings.Split(want, ";")
	if len(names) < 3 || !strings.Contains(names[0], "temperature") || names[0] < names[len(names)-1] {
		t.Errorf("down, with temperature: %q", names)
	}
	if said := eval[string](b, "document.querySelector('.filter-line b').textContent"); !strings.Contains(said, "hidden by these words") {
		t.Errorf("how many rows are hidden is not said: %q", said)
	}
	picture := eval[string](b, "document.querySelector('.strip .at').textContent")
	b.until("document.querySelector('.strip .at').textContent !== '"+picture+"'", 10*time.Second)
	if got := eval[string](b, rows); got != want {
		t.Errorf("after the next picture:\n%s\nwant\n%s", got, want)
	}
	if eval[string](b, "document.activeElement.value + document.querySelector('.readings th').ariaSort") != "temperaturedescending" {
		t.Error("the field or the order was lost with the next picture")
	}

	// A matrix is sorted by any of its columns, also under two rows of heads.
	b.do("open", chromedp.Navigate(sv.url+"/strikes/1"))
	heads := eval[string](b, "Array.from(document.querySelectorAll('.compare button.sort'), e => e.textContent.trim()).join(' ')")
	if want := "phase is usual more is usual is usual is usual is usual"; heads != want {
		t.Errorf("heads to sort by: %q, want %q", heads, want)
	}
	eval[bool](b, "document.querySelectorAll('.compare button.sort')[2].click(), true")
	usual := strings.Fields(eval[string](b, "Array.from(document.querySelectorAll('.compare tbody tr'), r => r.cells[2].textContent.trim()).filter(s => /\\d/.test(s)).join(' ')"))
	if len(usual) < 3 || !slices.IsSortedFunc(usual, func(a, b string) int { return cmp.Compare(atof(t, a), atof(t, b)) }) {
		t.Errorf("usual minutes by phase, up: %v", usual)
	}
	// Times are in order of time, with what is of another day, and lengths by their length.
	eval[bool](b, "import('/static/lists.js').then(m => { window.rank = m.rank; }), true")
	b.until("window.rank !== undefined", 5*time.Second)
	for _, list := range []string{"30 s|5 min|1 h 02 min|3 h 00 min|2 d 1 h", "1:05|2:59|10:00", "-0:20|+0:05|+1:10", "2|10.5|1 200", "2026-11-30 23:59|2026-12-01 00:01"} {
		got := eval[string](b, "'"+list+"'.split('|').reverse().sort((a, b) => rank(a) - rank(b) || a.localeCompare(b)).join('|')")
		if got != list {
			t.Errorf("%q, want %q", got, list)
		}
	}
	days := eval[bool](b, `(() => {
		const day = n => new Date(Date.now() - n * 864e5).toLocaleString('en', {day: 'numeric'}) + ' ' + new Date(Date.now() - n * 864e5).toLocaleString('en', {month: 'short'});
		const list = [day(170), day(40) + ' 12:00', day(1) + ' 23:59', '00:00:01', '23:59:59', day(-2), day(-60)];
		return list.every((s, i) => i === 0 || rank(list[i - 1]) < rank(s));
	})()`)
	if !days {
		t.Error("days are not in order of time")
	}
	b.clean()
}

func atof(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Error(err)
	}
	return v
}

func TestScriptsOff(t *testing.T) {
	// The first picture is in the HTML itself: no script is needed to read it.
	m := newMill(t, time.Now())
	s, err := New(m, Options{})
	if err != nil {
		t.Fatal(err)
	}
	body := get(t, s.Handler(), "/", http.StatusOK)
	for _, want := range []string{"Vacuum of body 5 is falling", "41.9", `<polyline class="st-trace"`, "Scripts are off", "kPa abs"} {
		if !strings.Contains(body, want) {
			t.Errorf("the house page without scripts lacks %q", want)
		}
	}
}
