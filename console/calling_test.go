package console

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/chromedp/chromedp"

	"calandria/alerting"
	"calandria/plant"
)

// TestOverdue: an alarm whose time to respond is over stays in sight on every page,
// also when it is acknowledged.
func TestOverdue(t *testing.T) {
	synctest.Test(t, overdue)
}

func overdue(t *testing.T) {
	m := newMill(t, time.Now())
	s := newServer(t, m, Options{})
	for _, a := range m.Picture().Alarms {
		if a.Annunciated {
			if err := m.Do(t.Context(), alerting.Command{Action: alerting.Acknowledge, Alarm: a.Name, Occurrence: a.Occurrence, User: "C. Dawn"}); err != nil {
				t.Fatal(err)
			}
		}
	}
	time.Sleep(20 * time.Minute)
	m.step(func(time.Time) {})
	for _, page := range []string{"/", "/trends", "/record"} {
		body := get(t, s.Handler(), page, http.StatusOK)
		if !strings.Contains(body, "No alarm waits") || !strings.Contains(body, "Over its time: <b>Vacuum of body 5 is falling</b>") {
			t.Errorf("%s does not say that an alarm is over its time: %s", page, body[strings.Index(body, "id=\"strip\""):][:900])
		}
	}
}

// TestFieldProblems: what is missing is said beside its field, what was written stays,
// and from the list one comes back to the list.
func TestFieldProblems(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	post := func(action string, form url.Values) string {
		w := ask(s.Handler(), http.MethodPost, "/alarms/EV5_vacuum_low/"+action, form.Encode(), nil)
		if w.Code != http.StatusUnprocessableEntity {
			t.Errorf("%s: status %d", action, w.Code)
		}
		return w.Body.String()
	}
	for _, c := range []struct {
		action, field, said string
		form                url.Values
	}{
		{"acknowledge", "name", "Say who you are first", url.Values{"occurrence": {"1"}, "comment": {"feed pump"}}},
		{"acknowledge", "who", "Say who you are first", url.Values{"occurrence": {"1"}, "from": {"list"}}},
		{"comment", "comment", "Write the comment first", url.Values{"name": {"C. Dawn"}}},
		{"shelve", "reason", "Give a reason", url.Values{"name": {"C. Dawn"}, "time": {"10m"}}},
		{"shelve", "time", "Choose for how long", url.Values{"name": {"C. Dawn"}, "reason": {"r"}}},
		{"remove", "why", "Give a reason", url.Values{"name": {"C. Dawn"}, "reason": {"of the other field"}}},
	} {
		body := post(c.action, c.form)
		at := strings.Index(body, `id="`+c.field+`"`)
		if at < 0 {
			t.Errorf("%s: no field %s", c.action, c.field)
			continue
		}
		tag := body[at:][:strings.Index(body[at:], ">")]
		if !strings.Contains(tag, `aria-invalid="true"`) || !strings.Contains(body[at:][:500], c.said) || strings.Count(body, c.said) != 1 {
			t.Errorf("%s: the problem does not stand at the field %s: %s", c.action, c.field, tag)
		}
		if c.field == "who" && !strings.Contains(body, `id="alarm-active"`) {
			t.Error("from the list one is led off it")
		}
		if v := c.form.Get("comment"); v != "" && !strings.Contains(body, `value="`+v+`"`) {
			t.Errorf("%s: what was written is lost", c.action)
		}
	}
	for path, want := range map[string]string{
		"/alarms/EV5_vacuum_low/acknowledge": "/alarms/EV5_vacuum_low", "/alarms/next": "/alarms/EV5_vacuum_low",
		"/alarms/next?after=nothing": "/alarms/EV5_vacuum_low",
	} {
		if w := ask(s.Handler(), http.MethodGet, path, "", nil); w.Code != http.StatusSeeOther || w.Header().Get("Location") != want {
			t.Errorf("GET %s: %d to %s, want %s", path, w.Code, w.Header().Get("Location"), want)
		}
	}
}

// TestKeys: next, acknowledge and help by single keys, which can be turned off; the
// title says how many alarms wait; sound needs consent and can be silenced.
func TestKeys(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	b.do("open", chromedp.EmulateViewport(1280, 720), chromedp.Navigate(sv.url+"/"))
	b.until("/^\\(\\d+\\) /.test(document.title) && document.querySelector('link[rel=icon]').href.includes('icon-call')", 5*time.Second)
	icon := "fetch(document.querySelector('link[rel=icon]').href).then(r => r.text()).then(s => { window.iconText = s })"
	b.do("the icon", chromedp.Evaluate[chromedp.Void](icon))
	b.until("window.iconText?.includes('>' + /\\d+/.exec(document.title)[0] + '<')", 5*time.Second)
	before := eval[string](b, "document.title")

	b.until("!document.getElementById('sound').hidden", 2*time.Second)
	if word := eval[string](b, "document.querySelector('#sound summary').textContent"); word != "Sound off" {
		t.Errorf("before anybody consents: %q", word)
	}
	b.do("consent", chromedp.Click("#sound summary"), chromedp.Click("#sound [data-do=toggle]"))
	b.until("document.querySelector('#sound summary').textContent === 'Sound on'", 3*time.Second)
	// What a browser refuses is said where one asks for it.
	b.do("notices", chromedp.Click("#sound [data-do=notices]"))
	b.until("/^Notices( on|: the browser refuses them)$/.test(document.querySelector('#sound [data-do=notices]').textContent)", 5*time.Second)
	b.do("test tone", chromedp.Click("#sound [data-priority=\"1\"]"))
	b.shot("sound-1280")
	b.do("silence", chromedp.Click("#sound [data-do=silence]"))
	b.until("document.querySelector('#sound summary').textContent === 'Sound silenced'", 3*time.Second)
	b.do("go on by a link: the consent holds", chromedp.Click(".bar nav a[href='/alarms']"))
	b.until("location.pathname === '/alarms' && document.querySelector('#sound summary').textContent === 'Sound silenced'", 5*time.Second)
	sv.mill.step(func(now time.Time) { sv.mill.feed("EV2_level_low", now, plant.True, 8) })
	b.until("document.querySelector('#sound summary').textContent !== 'Sound silenced' && document.title !== '"+before+"'", 5*time.Second)

	b.do("next row", chromedp.KeyEvent("n"))
	b.until("document.activeElement.id === 'open-EV2_level_low'", time.Second)
	b.do("open", chromedp.Navigate(sv.url+"/"))
	b.do("next", chromedp.KeyEvent("n"))
	b.until("location.pathname === '/alarms/EV2_level_low' && document.readyState === 'complete'", 5*time.Second)
	b.do("acknowledge: asks for the name", chromedp.KeyEvent("a"))
	b.until("document.activeElement.id === 'name'", time.Second)
	b.do("name", chromedp.KeyEvent("Anna"))
	b.do("away from the field", chromedp.Evaluate[chromedp.Void]("document.activeElement.blur()"), chromedp.KeyEvent("a"))
	b.until("location.search === '?done=acknowledge' && document.readyState === 'complete'", 5*time.Second)
	b.do("help", chromedp.KeyEvent("?"))
	b.until("document.getElementById('keys').open", time.Second)
	b.do("turn keys off", chromedp.Click("#keys [data-do=keys]"), chromedp.KeyEvent("\x1b"))
	b.until("!document.getElementById('keys').open", time.Second)
	b.do("n does nothing", chromedp.KeyEvent("n"), chromedp.Sleep(300*time.Millisecond))
	if at := eval[string](b, "location.pathname"); at != "/alarms/EV2_level_low" {
		t.Errorf("with keys turned off n went to %s", at)
	}
	// A page opened by its address may not sound before a key is pressed: the browser says so.
	if text := b.log.String(); strings.Contains(text, "error") {
		t.Errorf("the page's console says:\n%s", text)
	}
}

// TestSystemLook: the pages follow the look of the system until somebody says otherwise.
func TestSystemLook(t *testing.T) {
	sv := serve(t)
	b := newBrowser(t, chromedp.Flag("blink-settings", "preferredColorScheme=0")) // dark
	b.do("open", chromedp.EmulateViewport(1280, 720), chromedp.Navigate(sv.url+"/"))
	if dark := eval[bool](b, "matchMedia('(prefers-color-scheme: dark)').matches"); !dark {
		t.Fatal("the browser did not take the dark look")
	}
	const ground = "getComputedStyle(document.body).backgroundColor"
	themes := parseTokens(t)
	rgb := func(theme string) string {
		var r, g, b int
		fmt.Sscanf(themes[theme]["ground"], "#%02x%02x%02x", &r, &g, &b)
		return fmt.Sprintf("rgb(%d, %d, %d)", r, g, b)
	}
	if got := eval[string](b, ground); got != rgb("night") {
		t.Errorf("ground %s, want that of the night %s", got, rgb("night"))
	}
	b.do("day, said by somebody", chromedp.Click(".to-day"))
	b.until("document.documentElement.dataset.theme === 'day' && "+ground+" === '"+rgb("day")+"'", 5*time.Second)
	b.do("as the system has it", chromedp.Click("footer [value=system]"))
	b.until("!document.documentElement.dataset.theme && "+ground+" === '"+rgb("night")+"'", 5*time.Second)
	b.do("trends", chromedp.Navigate(sv.url+"/trends?tag=EV.EV5.u&tag=EV.EV5.vapour_pressure"))
	b.until("document.querySelectorAll('#charts canvas').length === 2", 5*time.Second)
	b.shot("trends-system-dark")
	b.clean()
}

// TestLastTime: what was done when an alarm called before is said in one line, and not what
// is done about the present call.
func TestLastTime(t *testing.T) {
	s := newServer(t, newMill(t, time.Now()), Options{})
	now := time.Date(2026, 3, 2, 3, 0, 0, 0, time.UTC)
	at := func(minutes int) time.Time { return now.Add(time.Duration(minutes) * time.Minute) }
	events := []plant.Event{ // newest first
		{Kind: plant.EventAck, Time: at(-1), User: "C. Dawn"},
		{Kind: plant.EventAlarm, Time: at(-5), Annunciated: true},
		{Kind: plant.EventReturn, Time: at(-500)},
		{Kind: plant.EventComment, Time: at(-540), User: "B. Night", Comment: "vent was shut"},
		{Kind: plant.EventAck, Time: at(-590), User: "B. Night"},
		{Kind: plant.EventAlarm, Time: at(-600), Annunciated: true},
		{Kind: plant.EventAck, Time: at(-5000), User: "A. Day"},
		{Kind: plant.EventAlarm, Time: at(-5010), Annunciated: true},
	}
	want := "acknowledged by B. Night after 10 min; “vent was shut”; gone after 100 min."
	if got := s.lastTime(events, at(-5), now).String(); !strings.HasPrefix(got, "Last time, ") || !strings.HasSuffix(got, want) {
		t.Errorf("%q, want it to end with %q", got, want)
	}
	if got := s.lastTime(events[:2], at(-5), now); got != "" {
		t.Errorf("of an alarm that never called before: %q", got)
	}
}
