package laws

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// Each row of docs/faults.md says what follows from a fault and names the tests that
// make it; each of them is there, in a package that make test-faults runs.
func TestFaultsAreTested(t *testing.T) {
	read := func(name string) string {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	makefile := read("../../Makefile")
	_, target, _ := strings.Cut(makefile, "\ntest-faults:")
	target, _, _ = strings.Cut(target, "\n\n")
	var tests strings.Builder
	for _, m := range regexp.MustCompile(`\./[a-z/]+`).FindAllString(target, -1) {
		files, _ := os.ReadDir("../../" + m)
		for _, f := range files {
			if strings.HasSuffix(f.Name(), "_test.go") {
				tests.WriteString(read("../../" + m + "/" + f.Name()))
			}
		}
	}
	rows := 0
	for line := range strings.Lines(read("../../docs/faults.md")) {
		if !strings.HasPrefix(line, "| ") || strings.HasPrefix(line, "| fault") || strings.HasPrefix(line, "| ---") {
			continue
		}
		rows++
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		for _, c := range cells {
			if len(cells) != 7 || strings.TrimSpace(c) == "" {
				t.Errorf("%d cells, or one says nothing: %s", len(cells), line)
			}
		}
		names := regexp.MustCompile("`(Test[A-Za-z0-9]+)(/[a-z_-]+)?`").FindAllStringSubmatch(line, -1)
		for _, n := range names {
			if !strings.Contains(tests.String(), "func "+n[1]+"(t *testing.T)") {
				t.Errorf("no test %s: %s", n[1], line)
			}
			if n[2] != "" && !strings.Contains(tests.String(), `"`+n[2][1:]+`"`) {
				t.Errorf("no case %s of %s", n[2][1:], n[1])
			}
		}
		if len(names) == 0 {
			t.Errorf("no test: %s", line)
		}
	}
	if rows < 30 {
		t.Errorf("%d rows", rows)
	}
}
