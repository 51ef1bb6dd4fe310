// Command testreport reads what 'go test -json' writes and prints it as
// 'go test' would, then how many tests were skipped for which reason, the
// slowest ten and one line with the counts. It ends with 1 when anything
// failed; with -whole also when a test was skipped.
//
//	go test -json ./... | testreport -whole
package main

import (
	"bufio"
	"cmp"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"
	"time"
)

const slowest = 10

// event is one line of 'go test -json'; see 'go doc test2json'.
type event struct {
	Action     string
	Package    string
	ImportPath string // of a build
	Test       string
	Elapsed    float64 // s
	Output     string
}

// result is one test that has ended.
type result struct {
	name    string // package and test
	elapsed float64
}

// report gathers the events of one run.
type report struct {
	out     io.Writer
	output  map[string]*strings.Builder // of each test still running, by package and test
	ended   []result                    // tests without tests below them
	parents map[string]bool
	skipped map[string][]string // tests, by what they said
	skips   int
	passed  int
	failed  int
	broken  bool // a package failed, or did not build
}

func main() {
	whole := flag.Bool("whole", false, "no test may be skipped")
	flag.Parse()
	r := report{out: os.Stdout, output: map[string]*strings.Builder{}, parents: map[string]bool{}, skipped: map[string][]string{}}
	if err := r.read(os.Stdin); err != nil {
		fmt.Fprintln(os.Stderr, "testreport:", err)
		os.Exit(1)
	}
	r.close()
	if r.failed > 0 || r.broken || *whole && r.skips > 0 {
		os.Exit(1)
	}
}

func (r *report) read(in io.Reader) error {
	lines := bufio.NewReader(in)
	for {
		line, err := lines.ReadBytes('\n')
		if len(line) > 0 {
			r.line(line)
		}
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return fmt.Errorf("read the events: %w", err)
		}
	}
}

// line takes one line. What is not an event is printed as it is.
func (r *report) line(line []byte) {
	var e event
	if err := json.Unmarshal(line, &e); err != nil || e.Action == "" {
		r.out.Write(line)
		return
	}
	switch {
	case e.Action == "build-output":
		io.WriteString(r.out, e.Output)
	case e.Action == "build-fail":
		r.broken = true
	case e.Test == "":
		r.ofPackage(e)
	default:
		r.ofTest(e)
	}
}

func (r *report) ofPackage(e event) {
	switch e.Action {
	case "output":
		if e.Output != "PASS\n" && e.Output != "FAIL\n" {
			io.WriteString(r.out, e.Output)
		}
	case "fail":
		r.broken = true
		// A process that was killed leaves tests without an end.
		var left []string
		for name := range r.output {
			if strings.HasPrefix(name, e.Package+" ") {
				left = append(left, name)
			}
		}
		slices.Sort(left)
		for _, name := range left {
			io.WriteString(r.out, r.output[name].String())
			delete(r.output, name)
		}
	}
}

func (r *report) ofTest(e event) {
	name := e.Package + " " + e.Test
	said := r.output[name]
	if said == nil {
		said = &strings.Builder{}
		r.output[name] = said
	}
	switch e.Action {
	case "run":
		if i := strings.LastIndexByte(e.Test, '/'); i > 0 {
			r.parents[e.Package+" "+e.Test[:i]] = true
		}
		return
	case "output":
		said.WriteString(e.Output)
		return
	case "pass":
		r.passed++
	case "fail":
		r.failed++
		io.WriteString(r.out, said.String())
	case "skip":
		why := reason(said.String())
		r.skipped[why] = append(r.skipped[why], name)
		r.skips++
	default: // start, pause, cont, bench
		return
	}
	delete(r.output, name)
	r.ended = append(r.ended, result{name, e.Elapsed})
}

// close prints what was skipped, the slowest tests and the counts.
func (r *report) close() {
	for _, why := range slices.Sorted(maps.Keys(r.skipped)) {
		names := r.skipped[why]
		fmt.Fprintf(r.out, "skipped, %s: %d, first %s\n", why, len(names), names[0])
	}
	tests := slices.DeleteFunc(slices.Clone(r.ended), func(t result) bool { return r.parents[t.name] })
	slices.SortStableFunc(tests, func(a, b result) int { return cmp.Compare(b.elapsed, a.elapsed) })
	fmt.Fprintf(r.out, "\nthe slowest tests:\n")
	for _, t := range tests[:min(slowest, len(tests))] {
		fmt.Fprintf(r.out, "  %8s  %s\n", time.Duration(t.elapsed*float64(time.Second)).Round(10*time.Millisecond), t.name)
	}
	fmt.Fprintf(r.out, "\n%d passed, %d failed, %d skipped\n", r.passed, r.failed, r.skips)
}

// reason is what a skipped test said last, without the place where it did.
func reason(said string) string {
	why := "without a reason"
	for line := range strings.Lines(said) {
		if _, text, ok := strings.Cut(line, ".go:"); ok {
			if _, text, ok = strings.Cut(text, ": "); ok {
				why = strings.TrimSpace(text)
			}
		}
	}
	return why
}
