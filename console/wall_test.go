package console

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"calandria/plant"
)

// TestWall: what deviates stands on the wall, at the set or pan it belongs to,
// and what is as it should be does not.
func TestWall(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	v := s.wall(m.Picture(), time.Now())
	scenes := map[string]scene{}
	for _, x := range v.Scenes {
		scenes[x.Name] = x
	}
	for _, name := range []string{"EV", "PA1", "PB1", "PC1"} {
		if _, ok := scenes[name]; !ok {
			t.Errorf("%s is not on the wall", name)
		}
	}
	ev := scenes["EV"]
	if len(ev.Lines) == 0 || !strings.Contains(ev.Lines[0].Text.String(), "Vacuum of body 5") || ev.Lines[0].Mark == nil {
		t.Errorf("EV: %+v, want its alarm first", ev.Lines)
	}
	body := get(t, s.Handler(), "/wall", http.StatusOK)
	for _, no := range []string{"<button", "<input", "<nav", "<a "} {
		if strings.Contains(body, no) {
			t.Errorf("the wall view has a control: %s", no)
		}
	}
	get(t, s.Handler(), "/wall?seconds=0", http.StatusBadRequest)
}

// TestWallInBrowser: it goes from one scene to the next by itself, its type is
// large enough for 4 m, and it says when it is stale.
func TestWallInBrowser(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	b.do("open", chromedp.EmulateViewport(1920, 1080), chromedp.Navigate(sv.url+"/wall?seconds=1"))
	const shown = "[...document.querySelectorAll('.scene')].filter(e => e.checkVisibility()).map(e => e.querySelector('h2').textContent.trim()).join()"
	first := eval[string](b, shown)
	if !strings.HasPrefix(first, "EV") || strings.Contains(first, ",") {
		t.Errorf("first scene %q, want that of EV alone", first)
	}
	// 4 m x tan 15' = 17.5 mm; a 24-inch screen of 1920 px has 0.277 mm a pixel; a
	// capital letter is about 0.72 of the size of the type.
	if px := eval[float64](b, "Math.min(...[...document.querySelectorAll('.scene:not(.away) *, .wall-foot *')].filter(e => e.childElementCount === 0 && !e.closest('svg')).map(e => parseFloat(getComputedStyle(e).fontSize)))"); px*0.72*0.277 < 17.4 {
		t.Errorf("smallest type %.0f px: capital letters of %.1f mm, want 17.5", px, px*0.72*0.277)
	}
	if high := eval[bool](b, "document.documentElement.scrollHeight > innerHeight"); high {
		t.Error("a scene does not fit on the screen")
	}
	b.shot("wall-1920")
	b.until("("+shown+").startsWith('PA1')", 5*time.Second)
	b.shot("wall-pan-1920")
	sv.mill.step(func(now time.Time) { sv.mill.feed("EV2_level_low", now, plant.True, 8) })
	b.until("document.querySelector('.scene').textContent.includes('Juice level of body 2')", 5*time.Second)
	b.until("("+shown+").startsWith('EV')", 10*time.Second)
	if high := eval[bool](b, "document.documentElement.scrollHeight > innerHeight"); high {
		t.Error("a scene with long texts does not fit on the screen")
	}
	if n := eval[int](b, "document.querySelectorAll('.scene:not(.away) .wall-line.away').length"); n > 0 && !eval[bool](b, "/\\d/.test(document.querySelector('.scene:not(.away) .wall-more:not(.away)').textContent)") {
		t.Errorf("%d lines are hidden and not counted", n)
	}
	sv.hold <- true
	b.until("!document.getElementById('stale').hidden && document.body.innerText.includes('STALE')", 8*time.Second)
	b.shot("wall-stale-1920")
	b.clean()
}
