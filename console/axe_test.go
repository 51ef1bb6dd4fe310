package console

import (
	"encoding/json"
	"os"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// TestAxe has axe-core (4.14.1) look at every page in both looks, on a phone and on a desk: no serious
// and no critical violation.
func TestAxe(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	axe, err := os.ReadFile("../testdata/axe/node_modules/axe-core/axe.min.js")
	if err != nil {
		t.Fatalf("the accessibility checker is not installed: run 'make test-deps' (%v)", err)
	}
	const run = `axe.run(document, {resultTypes: ['violations']}).then(r => JSON.stringify(r.violations
  .filter(v => v.impact === 'serious' || v.impact === 'critical')
  .map(v => ({id: v.id, help: v.help, nodes: v.nodes.slice(0, 4).map(n => n.html.slice(0, 160))}))))`
	for _, look := range []struct {
		theme, language string
		width, height   int64
	}{{"day", "en", 1280, 720}, {"night", "en", 360, 740}, {"day", "es", 360, 740}} {
		b.speak(sv.url, look.language)
		b.do("look", chromedp.EmulateViewport(look.width, look.height), chromedp.Navigate(sv.url+"/"),
			chromedp.Evaluate[chromedp.Void]("document.querySelector('.to-"+look.theme+"').click()"))
		b.until("document.documentElement.dataset.theme === '"+look.theme+"'", 5*time.Second)
		for _, p := range browserPages {
			b.do("open "+p.path, chromedp.Navigate(sv.url+p.path), chromedp.Evaluate[chromedp.Void](string(axe)+";undefined"))
			var found []struct {
				ID, Help string
				Nodes    []string
			}
			text, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](run, chromedp.EvalAwaitPromise))
			if err != nil {
				t.Fatalf("%s: %v", p.name, err)
			}
			if err := json.Unmarshal([]byte(text), &found); err != nil {
				t.Fatal(err)
			}
			for _, v := range found {
				t.Errorf("%s, %s: %s: %s\n%s", p.name, look.theme, v.ID, v.Help, v.Nodes)
			}
		}
	}
}
