package console

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// browserPages are the pages that a browser looks at.
var browserPages = []struct{ name, path string }{
	{"house", "/"}, {"set", "/vessel/EV"}, {"body", "/vessel/EV.EV5"}, {"pan", "/vessel/PA1"}, {"condenser", "/vessel/CD5"},
	{"alarms", "/alarms"}, {"alarm", "/alarms/EV5_vacuum_low"},
	{"trends", "/trends?tag=EV.EV5.u&tag=EV.EV5.vapour_pressure&tag=EV.EV4.vapour_pressure&tag=EV.EV5.u_ratio&span=8h"},
	{"record", "/record"}, {"instruments", "/instruments"}, {"rules", "/rules"}, {"procedures", "/procedures"}, {"error", "/nothing"},
	{"cleaning", "/cleaning"}, {"whatif", "/whatif?EV.EV5=clean"}, {"pans", "/pans"}, {"measures", "/record/measures"}, {"shift", "/record/shift"}, {"report", "/record/report?span=day"},
	{"rule", "/rules/EV5_vacuum_low"}, {"strike", "/strikes/1"}, {"look", "/look"}, {"setup", "/setup"}, {"wall", "/wall"}, {"search", "/search?q=vacuum"}, {"strike-running", "/pans/PA1/running"},
}

// TestSizes looks at every page from a phone to a wall screen, and at 200 % zoom
// (WCAG 2.2, 1.4.10 reflow and 2.5.8 target size): the page does not scroll
// sideways, no text lies on another, none is broken letter by letter. Other languages
// have longer words.
func TestSizes(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	for _, size := range []struct {
		name          string
		width, height int64
		zoom          float64
		language      string
	}{
		{"360", 360, 740, 1, "en"}, {"768", 768, 1024, 1, "en"}, {"853", 853, 480, 1.5, "en"}, {"640z2", 640, 360, 2, "en"},
		{"1280", 1280, 720, 1, "en"}, {"1920", 1920, 1080, 1, "en"}, {"3840", 3840, 2160, 1, "en"},
		{"360es", 360, 740, 1, "es"}, {"1280es", 1280, 720, 1, "es"}, {"360pt", 360, 740, 1, "pt"},
	} {
		b.speak(sv.url, size.language)
		b.do("size", chromedp.EmulateViewport(size.width, size.height, chromedp.EmulateScale(size.zoom)))
		for _, p := range browserPages {
			b.do("open "+p.path, chromedp.Navigate(sv.url+p.path))
			if p.name == "trends" {
				b.until("document.querySelectorAll('#charts canvas').length === 3", 5*time.Second)
			}
			name := fmt.Sprintf("%s-%s", p.name, size.name)
			for what, script := range map[string]string{
				"wider than the screen, by the boxes": wideScript, "texts on each other": coverScript,
				"broken letter by letter": letterScript, "targets under 24 px": targetScript,
			} {
				if got := eval[string](b, script); got != "" {
					t.Errorf("%s: %s: %.600s", name, what, got)
				}
			}
			if high := eval[int](b, "document.querySelector('.index') ? 0 : document.documentElement.scrollHeight"); size.width == 360 && high > 3000 {
				t.Errorf("%s: %d px high without an index", name, high)
			}
			if size.width != 3840 || p.path == "/" { // a picture that large takes seconds
				b.shot(name)
			}
		}
	}
}

// wideScript names what makes the page scroll sideways.
const wideScript = `(() => {
  const w = document.documentElement.clientWidth;
  if (document.documentElement.scrollWidth <= w) return '';
  return (document.documentElement.scrollWidth - w) + ' px: ' + [...document.querySelectorAll('body *')]
    .filter(e => e.getBoundingClientRect().right > w + 1 && !e.closest('.scroll, .aside, .skip'))
    .slice(-6).map(e => e.nodeName + '.' + (e.getAttribute('class') || '')).join(', ');
})()`

// visibleTexts are the texts that can be seen, each with its box as far as no
// ancestor cuts it off.
const visibleTexts = `(() => {
  const out = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n = walk.nextNode(); n; n = walk.nextNode()) {
    const text = n.nodeValue.trim(), el = n.parentElement;
    if (!text || el.closest('.aside, .skip, noscript, script, option, datalist, textarea, [hidden], details:not([open]) > :not(summary)')) continue;
    if (!el.checkVisibility()) continue;
    const range = document.createRange();
    range.selectNodeContents(n);
    for (const r of range.getClientRects()) {
      let box = {left: r.left, right: r.right, top: r.top, bottom: r.bottom};
      for (let a = el; a; a = a.parentElement) {
        const s = getComputedStyle(a);
        if (s.position === 'fixed') break;
        if (s.overflowX === 'visible' || a === document.body || a === document.documentElement) continue;
        const c = a.getBoundingClientRect();
        box = {left: Math.max(box.left, c.left), right: Math.min(box.right, c.right), top: Math.max(box.top, c.top), bottom: Math.min(box.bottom, c.bottom)};
      }
      if (box.right - box.left > 1 && box.bottom - box.top > 1) out.push({text, el, ...box});
    }
  }
  return out;
})()`

// coverScript names pairs of texts whose boxes cover each other by more than a
// sliver. What stays on the screen while the page scrolls under it is left out.
const coverScript = `(() => {
  const all = ` + visibleTexts + `.sort((a, b) => a.top - b.top);
  const out = [];
  for (let i = 0; i < all.length; i++) for (let j = i + 1; j < all.length && all[j].top < all[i].bottom; j++) {
    const a = all[i], b = all[j];
    if (a.el === b.el) continue;
    const sticky = e => { for (; e; e = e.parentElement) if (getComputedStyle(e).position === 'sticky') return true; return false; };
    const w = Math.min(a.right, b.right) - Math.max(a.left, b.left), h = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    const low = Math.min(a.bottom - a.top, b.bottom - b.top);
    if (w > 2 && h > Math.max(3, 0.35 * low) && sticky(a.el) === sticky(b.el)) out.push(a.text.slice(0, 40) + ' / ' + b.text.slice(0, 40));
  }
  return out.slice(0, 8).join(', ');
})()`

// letterScript names texts in columns too narrow for their words.
const letterScript = `(() => {
  const out = [], words = document.createRange();
  const walk = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);
  for (let n = walk.nextNode(); n; n = walk.nextNode()) {
    if (!n.parentElement.checkVisibility() || n.parentElement.closest('.aside, noscript, option, pre')) continue;
    const m = /[A-Za-z]{4,}/.exec(n.nodeValue);
    if (!m) continue;
    words.setStart(n, m.index);
    words.setEnd(n, m.index + m[0].length);
    if (new Set([...words.getClientRects()].map(r => Math.round(r.top))).size > 2) out.push(m[0]);
  }
  return out.slice(0, 8).join(', ');
})()`

// speak chooses a language at the foot of a page, as a person does.
func (b *browser) speak(url, language string) {
	b.t.Helper()
	b.do("speak "+language, chromedp.Navigate(url+"/alarms"), chromedp.Evaluate[chromedp.Void]("document.querySelector('[name=language][value="+language+"]').click()"))
	b.until("document.documentElement.lang === '"+language+"' && document.querySelector('[name=language][value="+language+"]').ariaCurrent === 'true'", 10*time.Second)
}
