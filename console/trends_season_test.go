//go:build !race

// Ten million values: the race detector has nothing to see here and takes ten times as
// long.

package console

import (
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"calandria/historian"
	"calandria/plant"
)

// season fills the archive with 120 days of a tag by the second, and of another by the
// minute, and makes the roll-ups.
func (m *fakeMill) season(fast, slow string) {
	m.t.Helper()
	if _, err := m.kept(nil); err != nil {
		m.t.Fatal(err)
	}
	now, w := time.Now().Truncate(time.Second), m.archive.Bulk(m.t.Context(), nil)
	for path, step := range map[string]time.Duration{fast: time.Second, slow: time.Minute} {
		tag, _ := m.house.Find(path)
		if err := m.archive.Describe(historian.TagInfo{Path: path, Unit: tag.Unit, Resolution: 0.001}); err != nil {
			m.t.Fatal(err)
		}
		m.filled[path] = true
		points := make([]plant.Point, 0, 86400)
		for ago := 120 * 24 * time.Hour; ago > 0; ago -= step {
			points = append(points, plant.Point{Time: now.Add(-ago), Value: math.Round(1000*m.values[path]*(1+0.1*math.Sin(ago.Hours())+0.01*math.Sin(ago.Minutes()))) / 1000, Quality: plant.Good})
			if len(points) == cap(points) || ago == step {
				if err := w.Add(path, points...); err != nil {
					m.t.Fatal(err)
				}
				points = points[:0]
			}
		}
	}
	if err := errors.Join(w.Close(), m.archive.Maintain(m.t.Context())); err != nil {
		m.t.Fatal(err)
	}
}

// The first picture of a season by the second, and a zoom into it, take little more
// than the API takes for the same figures: the ratio says it on any machine, and on a
// quiet one they are 300 ms and 150 ms.
func TestSeasonPaint(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	sv.mill.season("EV.EV5.vapour_pressure", "EV.EV5.u_ratio")
	drawn := func(name string) (ms float64) {
		t.Helper()
		b.until("document.getElementById('charts').dataset."+name+" !== undefined", 20*time.Second)
		return eval[float64](b, "Number(document.getElementById('charts').dataset."+name+")")
	}
	// api is the least time of three for what the page asks last, in the same browser.
	api := func() float64 {
		t.Helper()
		b.do("ask without drawing", chromedp.Evaluate[chromedp.Void](`window.api = 0; (async () => {
			const q = performance.getEntriesByType('resource').map(e => e.name).filter(n => n.includes('/api/v1/series')).pop(); let best = Infinity;
			for (let i = 0; i < 3; i++) { const t = performance.now(); await (await fetch(q, {cache: 'no-store'})).json(); best = Math.min(best, performance.now() - t); }
			window.api = best; performance.clearResourceTimings(); })()`))
		b.until("window.api > 0", 20*time.Second)
		return eval[float64](b, "window.api")
	}
	judge := func(what string, took, api, limit float64) {
		t.Helper()
		t.Logf("%s: %.0f ms, the API alone %.0f ms", what, took, api)
		if took > 2*limit && took > 8*api { // a busy machine is no fault of the page
			t.Errorf("%s takes %.0f ms, where the API takes %.0f ms", what, took, api)
		}
	}
	address := sv.url + "/trends?tag=EV.EV5.vapour_pressure&tag=EV.EV5.u_ratio&span=120d"
	b.do("open", chromedp.EmulateViewport(1920, 1080), chromedp.Navigate(address))
	drawn("painted") // the browser itself has to warm up once
	b.do("open", chromedp.Navigate(sv.url+"/record"), chromedp.Navigate(address))
	judge("a season from the click to the picture", drawn("painted"), api(), 300)
	b.do("to the charts", chromedp.Evaluate[chromedp.Void]("document.getElementById('charts').focus()"))
	for days := 60.0; days > 3; days /= 2 {
		b.do("zoom", chromedp.Evaluate[chromedp.Void]("delete document.getElementById('charts').dataset.drawn"), chromedp.KeyEvent("+"))
		took := drawn("drawn")
		judge(fmt.Sprintf("zoom to %.1f days", days), took, api(), 150)
	}
	if points := eval[float64](b, "document.querySelectorAll('#charts canvas').length"); points != 2 {
		t.Errorf("%.0f charts", points)
	}
	b.clean()
}
