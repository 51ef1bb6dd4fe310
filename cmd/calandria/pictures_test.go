package main

import (
	"bufio"
	"context"
	"encoding/json"
	"flag"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

var pictures = flag.String("pictures", "", "folder for the pictures of the front page, made from the demo (a minute)")

// TestPictures makes the pictures of the front page. It is for `make pictures`.
func TestPictures(t *testing.T) {
	if *pictures == "" {
		t.Log("run with -pictures FOLDER")
		return
	}
	address := demoPages(t)
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(need(t, "chromium")), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.UserDataDir(t.TempDir()))
	alloc, stop := chromedp.NewExecAllocator(t.Context(), opts...)
	defer stop()
	ctx, cancel := chromedp.NewContext(alloc)
	defer cancel()
	ctx, cancel = context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	for name, path := range map[string]string{"house": "/", "alarms": "/alarms"} {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(1280, 720), chromedp.Navigate(address+path)); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if err := os.WriteFile(filepath.Join(*pictures, name+".png"), png, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// demoPages starts a demo with its past, and gives the address of its console once what it
// calculates can be believed.
func demoPages(t *testing.T, args ...string) (address string) {
	t.Helper()
	cmd := exec.Command(program(t), append([]string{"demo", "--listen", "127.0.0.1:0"}, args...)...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Signal(os.Interrupt); cmd.Wait() })
	lines := bufio.NewScanner(out)
	for address == "" && lines.Scan() {
		if m := regexp.MustCompile(`Console +(http://\S+)`).FindStringSubmatch(lines.Text()); m != nil {
			address = m[1]
		}
	}
	if address == "" {
		t.Fatal("the demo ended before it said where its console is")
	}
	go func() { // the demo goes on printing
		for lines.Scan() {
		}
	}()
	awaitValues(t, address)
	return address
}

// awaitValues waits until the calculated values of the demo can be believed.
func awaitValues(t *testing.T, address string) {
	t.Helper()
	for limit := time.Now().Add(5 * time.Minute); time.Now().Before(limit); time.Sleep(time.Second) {
		res, err := http.Get(address + "/api/v1/picture")
		if err != nil {
			continue
		}
		var p struct {
			Values []struct{ Path, Quality string }
		}
		err = json.NewDecoder(res.Body).Decode(&p)
		res.Body.Close()
		if err != nil {
			continue
		}
		for _, v := range p.Values {
			if v.Path == "EV.EV5.u" && v.Quality == "Good" {
				return
			}
		}
	}
	t.Log("after five minutes U is not Good yet: the pictures show it as it is")
}
