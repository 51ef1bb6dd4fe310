package main

import (
	"strings"
	"testing"
)

// The events were recorded from go1.26; their form is that of 'go doc test2json'.
func TestReport(t *testing.T) {
	const events = `{"Action":"start","Package":"m/a"}
{"Action":"run","Package":"m/a","Test":"TestGood"}
{"Action":"output","Package":"m/a","Test":"TestGood","Output":"=== RUN   TestGood\n"}
{"Action":"run","Package":"m/a","Test":"TestGood/part"}
{"Action":"pass","Package":"m/a","Test":"TestGood/part","Elapsed":2.5}
{"Action":"pass","Package":"m/a","Test":"TestGood","Elapsed":2.6}
{"Action":"run","Package":"m/a","Test":"TestLater"}
{"Action":"output","Package":"m/a","Test":"TestLater","Output":"    a_test.go:7: needs a server\n"}
{"Action":"skip","Package":"m/a","Test":"TestLater","Elapsed":0}
{"Action":"output","Package":"m/a","Output":"PASS\n"}
{"Action":"output","Package":"m/a","Output":"ok  \tm/a\t2.7s\n"}
{"Action":"pass","Package":"m/a","Elapsed":2.7}
{"ImportPath":"m/c","Action":"build-output","Output":"c.go:1: undefined: x\n"}
{"ImportPath":"m/c","Action":"build-fail"}
go: a line of its own
{"Action":"run","Package":"m/b","Test":"TestBad"}
{"Action":"output","Package":"m/b","Test":"TestBad","Output":"    b_test.go:9: 1 is not 2\n"}
{"Action":"fail","Package":"m/b","Test":"TestBad","Elapsed":0.1}
{"Action":"run","Package":"m/b","Test":"TestKilled"}
{"Action":"output","Package":"m/b","Test":"TestKilled","Output":"panic: gone\n"}
{"Action":"output","Package":"m/b","Output":"FAIL\tm/b\t0.2s\n"}
{"Action":"fail","Package":"m/b","Elapsed":0.2}
`
	const want = "ok  \tm/a\t2.7s\n" + `c.go:1: undefined: x
go: a line of its own
    b_test.go:9: 1 is not 2
` + "FAIL\tm/b\t0.2s\n" + `panic: gone
skipped, needs a server: 1, first m/a TestLater

the slowest tests:
      2.5s  m/a TestGood/part
     100ms  m/b TestBad
        0s  m/a TestLater

2 passed, 1 failed, 1 skipped
`
	var out strings.Builder
	r := report{out: &out, output: map[string]*strings.Builder{}, parents: map[string]bool{}, skipped: map[string][]string{}}
	if err := r.read(strings.NewReader(events)); err != nil {
		t.Fatal(err)
	}
	r.close()
	if out.String() != want {
		t.Errorf("got\n%s\nwant\n%s", out.String(), want)
	}
	if !r.broken {
		t.Error("a package that failed was not noticed")
	}
}
