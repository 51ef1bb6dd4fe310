package laws

import (
	"bytes"
	"maps"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// What the race detector's build leaves out runs in the other line of make test, and
// each name of that line is a test.
func TestNoTestIsLeftOut(t *testing.T) {
	makefile, err := os.ReadFile("../../Makefile")
	if err != nil {
		t.Fatal(err)
	}
	plain := regexp.MustCompile(`(?m)^PLAIN := \^\((.*)\)\$\$$`).FindSubmatch(makefile)
	if plain == nil {
		t.Fatal("the Makefile has no PLAIN")
	}
	list, err := exec.Command("git", "ls-files", "../../*_test.go").Output()
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]bool{}
	for file := range strings.FieldsSeq(string(list)) {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`(?m)^func (Test\w+)\(`).FindAllSubmatch(text, -1) {
			all[string(m[1])] = all[string(m[1])] || bytes.HasPrefix(text, []byte("//go:build !race"))
		}
	}
	named := strings.Split(string(plain[1]), "|")
	for _, name := range named {
		if _, ok := all[name]; !ok {
			t.Errorf("PLAIN of the Makefile names %s, and there is no such test", name)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(all)) {
		if all[name] && !slices.Contains(named, name) {
			t.Errorf("%s is built without the race detector only, and PLAIN of the Makefile does not name it", name)
		}
	}
}
