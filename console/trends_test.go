package console

import (
	"cmp"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"calandria/plant"
	"calandria/thermo"
	"calandria/thermo/fouling"
)

// TestTrendsWorkbench goes through the trends as an engineer who plans a cleaning
// would: adds a tag, zooms, moves, compares, saves, takes away; without a page load,
// and with all of it in the address.
func TestTrendsWorkbench(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	sv.mill.past.Corrections = []plant.Correction{{ID: 1, Tag: "EV.EV5.u_ratio", From: time.Now().Add(-72 * time.Hour), To: time.Now().Add(-60 * time.Hour), Factor: 1.04, By: "D. Noon", Reason: "read low"}}
	for _, day := range []int{44, 30, 16} {
		at := time.Now().Add(-time.Duration(day) * 24 * time.Hour)
		sv.mill.cleanings = append(sv.mill.cleanings, plant.Cleaning{Body: "EV.EV5", Start: at.Add(-10 * time.Hour), End: at, Method: "caustic", User: "A. Day"})
	}
	drawn := func(canvases int) {
		t.Helper()
		b.until("document.querySelectorAll('#charts canvas').length === "+string(rune('0'+canvases))+" && document.getElementById('chart-state').textContent !== 'Reading the archive.'", 8*time.Second)
	}
	b.do("open", chromedp.EmulateViewport(1280, 720), chromedp.Navigate(sv.url+"/trends?span=7d"))
	b.do("mark the page", chromedp.Evaluate[chromedp.Void]("window.same = true"))

	// Words find a tag; Enter adds the first.
	b.tabTo("e.id === 'add'")
	b.do("type", chromedp.KeyEvent("ev5 against"))
	b.until("document.querySelector('#found button')?.dataset.path === 'EV.EV5.u_ratio'", 8*time.Second)
	b.shot("trends-search-1280")
	b.do("take", chromedp.KeyEvent("\r"))
	drawn(1)
	// A vessel without words lists its tags; one more click takes one.
	b.do("choose a vessel", chromedp.Evaluate[chromedp.Void]("(e => { e.value = 'EV.EV5'; e.dispatchEvent(new Event('change')); })(document.getElementById('of'))"))
	b.until("document.querySelectorAll('#found button').length > 12 && [...document.querySelectorAll('#found button')].every(x => x.dataset.path.startsWith('EV.EV5.'))", 8*time.Second)
	b.shot("trends-vessel-1280")
	b.do("all again", chromedp.Evaluate[chromedp.Void]("(e => { e.value = ''; e.dispatchEvent(new Event('change')); })(document.getElementById('of'))"))
	b.until("document.querySelectorAll('#found button').length === 0", 8*time.Second)
	b.do("another", chromedp.Evaluate[chromedp.Void]("document.getElementById('add').focus()"), chromedp.KeyEvent("EV.EV5.vapour_pressure\r"))
	drawn(2)
	if q := eval[string](b, "location.search"); !strings.Contains(q, "tag=EV.EV5.u_ratio&tag=EV.EV5.vapour_pressure") || !strings.Contains(q, "span=7d") {
		t.Errorf("the address is %s", q)
	}
	b.until("document.getElementById('marks-count').textContent.includes('correction')", 8*time.Second)
	if rows := eval[int](b, "document.querySelectorAll('#stats tbody tr').length"); rows != 2 {
		t.Errorf("%d rows of statistics", rows)
	}
	b.shot("trends-workbench-1280")

	// The cursor reads value and quality.
	b.do("point", chromedp.Evaluate[chromedp.Void](`(() => { const o = document.querySelector('.u-over'), r = o.getBoundingClientRect();
		for (const k of ['mouseenter', 'mousemove']) o.dispatchEvent(new MouseEvent(k, {clientX: r.left + r.width / 2, clientY: r.top + 30, bubbles: true})); })()`))
	b.until("/, Good/.test(document.querySelector('#chosen .at').textContent)", 8*time.Second)

	// A drag zooms and fetches finer values; the address has it, Back returns.
	left, top, width := eval[float64](b, "document.querySelector('.u-over').getBoundingClientRect().left"), eval[float64](b, "document.querySelector('.u-over').getBoundingClientRect().top"), eval[float64](b, "document.querySelector('.u-over').getBoundingClientRect().width")
	mouse := func(kind input.DispatchMouseEventType, x float64, o ...chromedp.MouseOption) chromedp.Action[chromedp.Void] {
		return chromedp.MouseEvent(kind, left+x*width, top+40, o...)
	}
	held := chromedp.Button("left")
	b.do("zoom", mouse(chromedp.MousePressed, 0.5, held, chromedp.ClickCount(1)), mouse(chromedp.MouseMoved, 0.53, held), mouse(chromedp.MouseMoved, 0.6, held), mouse(chromedp.MouseReleased, 0.6, held, chromedp.ClickCount(1)))
	b.until("location.search.includes('from=')", 8*time.Second)
	span := eval[float64](b, "(q => (q.get('to') - q.get('from')) / 3600e3)(new URLSearchParams(location.search))")
	if span < 14 || span > 20 {
		t.Errorf("a drag over a tenth of a week shows %.1f h", span)
	}
	drawn(2)
	b.do("back", chromedp.Evaluate[chromedp.Void]("history.back()"))
	b.until("location.search.includes('span=7d')", 8*time.Second)
	drawn(2)

	// Keys: the charts have the focus, arrows move, plus zooms, 0 follows again.
	b.do("keys", chromedp.Evaluate[chromedp.Void]("document.getElementById('charts').focus()"), chromedp.KeyEvent("-"), chromedp.KeyEvent("+"), chromedp.KeyEvent("+"))
	b.until("location.search.includes('from=')", 8*time.Second)
	drawn(2)
	b.do("now", chromedp.KeyEvent("0"))
	b.until("location.search.includes('span=')", 8*time.Second)

	// Typed times; what is no time is said.
	set := func(id, v string) {
		b.do("set "+id, chromedp.Evaluate[chromedp.Void]("(e => { e.focus(); e.value = '"+v+"'; })(document.getElementById('"+id+"'))"))
	}
	set("from", "the day before")
	b.do("show", chromedp.Evaluate[chromedp.Void]("document.getElementById('range').requestSubmit()"))
	b.until("document.getElementById('chart-state').textContent.includes('from: write a time')", 8*time.Second)
	set("from", "20d")
	set("to", time.Now().Add(-time.Hour).UTC().Format(time.RFC3339))
	b.do("show", chromedp.Evaluate[chromedp.Void]("document.getElementById('range').requestSubmit()"))
	b.until("(q => Math.abs((q.get('to') - q.get('from')) / 86400e3 - 20) < 0.1)(new URLSearchParams(location.search))", 8*time.Second)

	view := func(name, name2 string, canvases int) {
		b.do(name, chromedp.Evaluate[chromedp.Void]("(e => { e.value = '"+name+"'; e.dispatchEvent(new Event('change')); })(document.getElementById('view'))"))
		b.until("location.search.includes('view="+name+"')", 8*time.Second)
		b.until("document.getElementById('chart-state').textContent.includes('"+name2+"')", 8*time.Second)
		drawn(canvases)
		b.shot("trends-" + name + "-1280")
		if rows := eval[int](b, "document.querySelectorAll('#stats tbody tr').length"); name != "strikes" && rows < 2 {
			t.Errorf("%s: %d rows of statistics", name, rows)
		}
	}
	view("scatter", "correlation", 1)
	// Figures of a scatter: F. J. Anscombe, Graphs in Statistical Analysis, The American
	// Statistician 27 (1973) 17-21, first data set: correlation 0.816, y = 3.00 + 0.500 x.
	b.do("Anscombe", chromedp.Evaluate[chromedp.Void](`window.said = ''; import(new URL('trends-draw.js', document.querySelector('script[src*="trends.js"]').src)).then(m => {
		const host = document.body.appendChild(document.createElement('div')), time = [...Array(11).keys()];
		window.said = new m.Charts(host, {zoom() {}, back() {}, cursor() {}}).scatter([{path: 'x', label: 'x', unit: '', index: 0}, {path: 'y', label: 'y', unit: '', index: 1}],
			{x: {time, mean: [10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5]}, y: {time, mean: [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68]}});
		host.remove(); }); 0`))
	b.until("/11 pairs.*correlation 0.816.*slope 0.500/.test(window.said)", 8*time.Second)
	view("before", "2 stretches", 2)
	view("cycles", "4 stretches", 2)
	// The cursor reads each stretch with its quality.
	b.do("point", chromedp.Evaluate[chromedp.Void](`(() => { const o = document.querySelector('.u-over'), r = o.getBoundingClientRect();
		for (const k of ['mouseenter', 'mousemove']) o.dispatchEvent(new MouseEvent(k, {clientX: r.left + r.width / 3, clientY: r.top + 30, bubbles: true})); })()`))
	b.until("/, Good/.test(document.querySelector('.chart h3').textContent)", 8*time.Second)
	view("strikes", "no recorded strike", 2)
	b.do("lines", chromedp.Navigate(sv.url+"/trends?tag=PA1.supersaturation&view=strikes&span=7d"))
	b.until("document.getElementById('chart-state').textContent.startsWith('2 stretches')", 8*time.Second)
	b.shot("trends-strikes-of-pan-1280")
	b.do("one chart", chromedp.Navigate(sv.url+"/trends?tag=EV.EV5.u_ratio&tag=EV.EV5.vapour_pressure&tag=EV.EV5.u&span=14d&one=yes"))
	drawn(1)
	b.shot("trends-axes-1280")

	// Saved under a name, and listed.
	b.do("save", chromedp.Evaluate[chromedp.Void](`(() => { document.getElementById('take').open = true; const f = document.getElementById('keep');
		f.elements.view.value = 'body 5, before a cleaning'; f.elements.name.value = 'E. Plan'; f.requestSubmit(); })()`))
	b.until("document.readyState === 'complete' && [...document.querySelectorAll('.presets a')].some(a => a.textContent === 'body 5, before a cleaning')", 5*time.Second)
	b.do("open it", chromedp.Evaluate[chromedp.Void]("[...document.querySelectorAll('.presets a')].find(a => a.textContent.startsWith('body 5')).click()"))
	drawn(1)
	// The charts as a picture.
	b.do("ask for the picture", chromedp.Evaluate[chromedp.Void](`window.png = null; URL.createObjectURL = b => { window.png = b; return '#'; }; document.getElementById('png').click()`))
	b.until("window.png && window.png.type === 'image/png' && window.png.size > 5000", 8*time.Second)
	// What is in the file is what the API gives.
	b.do("ask for the file", chromedp.Evaluate[chromedp.Void](`window.file = ''; fetch('/api/v1/series?' + new URLSearchParams(new FormData(document.getElementById('export')))).then(r => r.text()).then(t => { window.file = t.slice(0, 40); }); 0`))
	b.until("window.file.startsWith('time,tag,value,unit,status,site\\n')", 5*time.Second)
	if text := strings.TrimSpace(strings.ReplaceAll(b.log.String(), "error: Failed to load resource: the server responded with a status of 400 (Bad Request)", "")); text != "" {
		t.Errorf("the page's console says:\n%s", text)
	}
}

// Views are kept once for everybody and once for each person.
func TestChangeViews(t *testing.T) {
	stored := ""
	for _, v := range []TrendView{{"a", "tag=x", "", "A"}, {"a", "tag=y", "B", "B"}, {"a", "tag=z", "", "C"}} {
		var err error
		if stored, err = ChangeViews(stored, v, false); err != nil {
			t.Fatal(err)
		}
	}
	views, err := ReadViews(stored)
	if err != nil || len(views) != 2 || views[0].Query != "tag=z" || views[1].Owner != "B" {
		t.Errorf("%v %v", views, err)
	}
	stored, err = ChangeViews(stored, views[0], true)
	if rest, _ := ReadViews(stored); err != nil || len(rest) != 1 || rest[0].Owner != "B" {
		t.Errorf("%v %v", rest, err)
	}
	if _, err := ReadViews("{"); err == nil {
		t.Error("what is no list is read")
	}
	if b, _ := json.Marshal(views[1]); string(b) != `{"name":"a","query":"tag=y","owner":"B","by":"B"}` {
		t.Error(string(b))
	}
}

// TestMarksOfCleanings: a cleaning that nobody recorded, found by its signal or by U, has its
// mark; one that is on record has one mark, not two.
func TestMarksOfCleanings(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	now := m.Picture().At
	marks := func() (out []string) {
		list, err := s.marks(t.Context(), []string{"EV.EV5.u_ratio"}, now.Add(-30*24*time.Hour), now)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range list {
			if x.Kind == "cleaning" {
				out = append(out, x.Source+" "+now.Sub(cmp.Or(x.To, x.From)).Round(time.Hour).String()+" "+x.Text)
			}
		}
		return out
	}
	recorded, err := m.Cleanings(t.Context(), "", now.Add(-30*24*time.Hour), now)
	if err != nil {
		t.Fatal(err)
	}
	got := marks()
	found := slices.ContainsFunc(got, func(x string) bool { return strings.HasPrefix(x, "EV.EV5 432h0m0s") })
	known := slices.ContainsFunc(recorded, func(c plant.Cleaning) bool { return c.Body == "EV.EV5" && now.Sub(c.End) < 20*24*time.Hour })
	if !found && !known || len(got) != len(slices.Compact(slices.Clone(got))) {
		t.Errorf("marks %q, on record %+v", got, recorded)
	}
	body := thermo.Scale{Started: now, Cleaned: true, Cycles: []fouling.Cycle{{Start: now.Add(-40 * time.Hour)}, {Start: now.Add(-20 * time.Hour)}}}
	if c := cyclesOf(&body); len(c) != 2 || !c[1].Start.Equal(now) {
		t.Errorf("cycles that a cleaning began: %+v", c)
	}
}
