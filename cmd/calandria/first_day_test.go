package main

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"calandria/cmd/service"
	"calandria/console"
	"calandria/engine"
)

// From nothing to a running watch in a browser: an independent OPC UA server of some forty
// variables with an Indian mill's names and a password, the page of the first plant file,
// and a start with the file that it wrote. A person's time for the 14 fields and nine
// presses is well under a quarter of an hour.
func TestFirstPlantFileInBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: starts a browser and a server")
	}
	server := startForeign(t, map[string]any{"mill": "indian", "users": true})
	dir := t.TempDir()
	file := filepath.Join(dir, "plant.yaml")
	open := func() (*service.Service, *testLog, error) {
		log := &testLog{}
		s, err := service.OpenRun(t.Context(), file, filepath.Join(dir, "data"), slog.New(slog.NewTextHandler(io.MultiWriter(log, t.Output()), nil)), nil, nil, nil)
		if err == nil {
			console.OptionsOf(s.House).Listen = "127.0.0.1:0"
		}
		return s, log, err
	}
	r := start(t, nil, open)
	r.await("a scan", time.Minute, func(*engine.Picture) bool { return true })
	ctx := browser(t, 4*time.Minute)
	do := func(what string, steps ...chromedp.Action[chromedp.Void]) {
		t.Helper()
		if err := chromedp.Do(ctx, steps...); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	settle := func(condition string) {
		t.Helper()
		for limit := time.Now().Add(time.Minute); ; time.Sleep(50 * time.Millisecond) {
			if ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool](condition)); err == nil && ok {
				return
			}
			if time.Now().After(limit) {
				text, _ := chromedp.Run(ctx, chromedp.Evaluate[string]("location.href + document.body.innerText"))
				t.Fatalf("%s: %.3000s", condition, text)
			}
		}
	}
	do("open", chromedp.Navigate("http://"+r.address+"/setup"))
	for id, text := range map[string]string{"endpoint": fmt.Sprintf("opc.tcp://127.0.0.1:%d", server.port), "user": "operator", "password": "pan1-secret-canary", "policy": "None",
		"site": "New mill", "altitude": "340", "zone": "Asia/Kolkata", "effects": "4", "surfaces": "1600", "condensers": "CD1", "pans": "PAN1, PAN2, PAN3", "pan_surfaces": "220"} {
		do(id, chromedp.Evaluate[chromedp.Void](fmt.Sprintf("document.getElementById(%q).value = %q", id, text)))
	}
	press := func(form string) {
		do(form, chromedp.Evaluate[chromedp.Void]("document.querySelector('form[action=\""+form+"\"] button.main').click()"))
	}
	press("/setup")
	// The password goes to no server that is not trusted: the page names the file to move.
	settle("document.body.innerText.includes('is not trusted yet') && document.readyState === 'complete'")
	rejected, err := filepath.Glob(filepath.Join(dir, "data", "rejected", "*"))
	if err != nil || len(rejected) != 1 {
		t.Fatalf("%v, %v", rejected, err)
	}
	trusted := filepath.Join(dir, "data", "trusted")
	if err := errors.Join(os.MkdirAll(trusted, 0o700), os.Rename(rejected[0], filepath.Join(trusted, filepath.Base(rejected[0])))); err != nil {
		t.Fatal(err)
	}
	do("again", chromedp.Evaluate[chromedp.Void]("document.getElementById('password').value = 'pan1-secret-canary'"))
	press("/setup")
	for vessel := range 10 { // set, four bodies, condenser, three pans, site
		settle(fmt.Sprintf("location.search === '?vessel=%d' && document.readyState === 'complete'", vessel))
		press("/setup/signals")
	}
	settle("location.pathname + location.search === '/setup' && document.querySelectorAll('#ladder-setup .lt-vapour, svg.drawing').length > 0 && document.readyState === 'complete'")
	press("/setup/write")
	settle("location.search === '?done=setup' && document.readyState === 'complete'")
	r.stop()
	text, err := os.ReadFile(file)
	if err != nil || strings.Contains(string(text), "canary") {
		t.Fatalf("%v: no file, or the password stands in it", err)
	}
	r = start(t, nil, open)
	p := r.await("values of the mill", time.Minute, func(p *engine.Picture) bool {
		tag, ok := r.House.Find("PAN3.level")
		return ok && p.Frame.Point(tag.ID).Usable()
	})
	// 0.42 kgf/cm2 over the air at 340 m (97.3 kPa by ISO 2533).
	if v := r.point(p, "EV.EV1.vapour_pressure"); v.Value < 137 || v.Value > 140 {
		t.Errorf("EV1 at %+v", v)
	}
	if len(r.Loop.Specs()) < 50 {
		t.Errorf("%d alarms: the rule library is not there", len(r.Loop.Specs()))
	}
	if m := regexp.MustCompile(`(?m)FILL IN`).FindAllString(string(text), -1); len(m) > 1 {
		t.Errorf("%d entries are left to be filled in", len(m)-1)
	}
}
