package console

import (
	"bytes"
	"fmt"
	"image"
	_ "image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// TestPrint prints pages out of the night look and reads the PDF back: the paper is white,
// the ink is dark, and nothing that a plan rests on is lost.
func TestPrint(t *testing.T) {
	sv, b := serve(t), newBrowser(t)
	b.do("night", chromedp.EmulateViewport(1280, 720), chromedp.Navigate(sv.url+"/"), chromedp.Evaluate[chromedp.Void]("document.querySelector('.to-night').click()"))
	b.until("document.documentElement.dataset.theme === 'night'", 10*time.Second)
	for path, words := range map[string][]string{
		"/":                        {"Evaporator set", "boiling-point rise", "Condensers"},
		"/vessel/EV.EV5":           {"Measured", "Calculated"},
		"/alarms":                  {"Vacuum"},
		"/alarms/EV5_vacuum_low":   {"vacuum"},
		"/cleaning":                {"limit met", "rests on", "A cleaning takes, h", "1 % of U costs a day", "Recorded"},
		"/pans":                    {"PA1", "Strikes that are over"},
		"/record":                  {"what", "who"},
		"/record/shift":            {"Shift report", "water evaporated", "handed over by"},
		"/record/report?span=week": {"Week report", "economy"},
		"/record/measures":         {"commonly quoted"},
		"/instruments":             {"Contradicts the others"},
		"/rules":                   {"consequence"},
		"/whatif?EV.EV5=clean":     {"The set then"},
		"/strikes/1":               {"Profile"},
	} {
		b.do("open "+path, chromedp.Navigate(sv.url+path))
		pdf, err := chromedp.Run(b.ctx, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperA4)))
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		text := strings.Join(strings.Fields(pdfText(t, pdf)), " ")
		for _, w := range words {
			if !strings.Contains(strings.ToLower(text), strings.ToLower(w)) {
				t.Errorf("%s: no %q on paper: %.600s", path, w, text)
			}
		}
		if paper, ink := shades(t, pdf, "print-"+strings.Trim(strings.NewReplacer("/", "-", "?", "-").Replace(path), "-")); paper < 225 || ink > 70 {
			t.Errorf("%s: paper of brightness %.0f, darkest %d, of 255", path, paper, ink)
		}
	}
}

// shades gives the mean and the darkest grey of the first sheet.
func shades(t *testing.T, pdf []byte, name string) (mean float64, darkest uint32) {
	t.Helper()
	dir := t.TempDir()
	file := filepath.Join(dir, "p.pdf")
	if err := os.WriteFile(file, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("pdftoppm", "-png", "-r", "60", "-f", "1", "-l", "1", "-singlefile", file, filepath.Join(dir, "p")).CombinedOutput()
	if err != nil {
		t.Fatalf("pdftoppm: %v %s; run 'make test-deps'", err, out)
	}
	data, err := os.ReadFile(filepath.Join(dir, "p.png"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(shotsDir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(shotsDir, fmt.Sprintf("%.60s.png", name)), data, 0o644); err != nil {
		t.Fatal(err)
	}
	img, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	darkest = 255
	r := img.Bounds()
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			red, green, blue, _ := img.At(x, y).RGBA()
			grey := (red + green + blue) / 3 >> 8
			mean += float64(grey)
			darkest = min(darkest, grey)
		}
	}
	return mean / float64(r.Dx()*r.Dy()), darkest
}
