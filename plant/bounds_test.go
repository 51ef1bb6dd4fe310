package plant

import (
	"runtime"
	"strings"
	"testing"
)

// What a file is made of costs memory by its length, not by its depth. Nesting
// of 40 kB and 160 kB took 0.65 and 9.7 GB in the parser alone.
func TestFileIsBounded(t *testing.T) {
	for _, c := range []struct {
		bytes, mostMB int
	}{{40_000, 50}, {160_000, 150}, {8 << 20, 600}} {
		for _, part := range []string{"[", "{", "- ", "? ", "!a ", "&a ", "*a ", "a: ", "'", "\"", "[]", "{a: ", "<<: ", "[\n", "-\n ", "- a\n", "a: b\n", "a: |\n", "---\n", "%a\n", "#\n", "\t", "\x00", "a, "} {
			text := []byte(strings.Repeat(part, c.bytes/len(part)))
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, faults := DecodeYAML("x.yaml", text, &struct {
				A string `yaml:"a"`
			}{})
			runtime.ReadMemStats(&after)
			if mb := int(after.TotalAlloc-before.TotalAlloc) >> 20; mb > c.mostMB {
				t.Errorf("%d bytes of %q took %d MB, over %d", c.bytes, part, mb, c.mostMB)
			}
			if len(faults) == 0 {
				t.Errorf("%d bytes of %q were accepted", c.bytes, part)
			}
		}
	}
}

// A rule file that is a link to something secret must not print it.
func TestFaultQuotesNoOtherFile(t *testing.T) {
	const secret = "hunter2-canary"
	for _, text := range []string{secret, secret + ": x", "password: " + secret, "- " + secret, "user:" + secret + ":0:0", "[" + secret, "\"" + secret,
		"-----BEGIN KEY-----\n" + secret + "\n-----END KEY-----", secret + ": {" + secret, "a" + secret + ": [\n" + secret + ": b"} {
		_, err := Load("rules.yaml", []byte(text))
		if err == nil {
			t.Errorf("%q was accepted", text)
		} else if strings.Contains(err.Error(), secret) {
			t.Errorf("%q: the fault quotes it: %v", text, err)
		}
	}
	// A slip of the finger is still told.
	if _, err := Load("plant.yaml", []byte("sites: {name: x}")); err == nil || !strings.Contains(err.Error(), `did you mean "site"?`) {
		t.Errorf("a mistyped section: %v", err)
	}
}
