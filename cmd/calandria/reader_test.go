package main

import (
	"context"
	"flag"
	"os"
	"testing"
)

// The program starts itself to read a server. In a test it is the test binary.
func TestMain(m *testing.M) {
	if len(os.Args) >= 2 && os.Args[1] == "read-server" {
		os.Exit(run(context.Background(), os.Args[1:], os.Stdout, os.Stderr))
	}
	flag.Parse()
	if err := flag.Set("test.parallel", "16"); err != nil { // those wait for servers more than they work
		panic(err)
	}
	os.Exit(m.Run())
}
