package main

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"calandria/console"
)

// The accounts file through the commands, passwords by standard input.
func TestUserCommands(t *testing.T) {
	file := filepath.Join(t.TempDir(), "accounts.yaml")
	do := func(input string, args ...string) (string, error) {
		t.Helper()
		in, w, err := os.Pipe()
		if err != nil {
			t.Fatal(err)
		}
		defer in.Close()
		io.WriteString(w, input)
		w.Close()
		var c cli
		k, err := kong.New(&c, kong.Vars{"user": "tester"})
		if err != nil {
			t.Fatal(err)
		}
		parsed, err := k.Parse(append(append([]string{"user"}, args...), "--file", file))
		if err != nil {
			return "", err
		}
		var out bytes.Buffer
		err = parsed.Run(&app{ctx: context.Background(), in: in, out: &out, errOut: io.Discard, log: slog.New(slog.DiscardHandler)})
		return out.String(), err
	}
	must := func(want, input string, args ...string) {
		t.Helper()
		if out, err := do(input, args...); err != nil || !strings.Contains(out, want) {
			t.Fatalf("%v: %q %v", args, out, err)
		}
	}
	refused := func(want, input string, args ...string) {
		t.Helper()
		if out, err := do(input, args...); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v: %q %v, want %q", args, out, err, want)
		}
	}
	refused("calandria user add", "", "list")
	refused("at least 12", "short\n", "add", "ann")
	must("ann may sign in as operator", "kettle violet hinge\n", "add", "ann")
	refused("already", "kettle violet hinge\n", "add", "Ann", "--role", "viewer")
	refused("that day has passed", "", "token", "old", "--until", "2020-01-31")
	must("bob may sign in as engineer", "anvil copper thread", "add", "bob", "--role", "engineer")
	must("ann is supervisor", "", "role", "ann", "supervisor")
	must("ann may sign in as supervisor", "marble lantern ridge\r\n", "password", "ann")
	refused("no account", "", "role", "carl", "viewer")
	refused("2027-01-31", "", "token", "grafana", "--until", "soon")
	must("Keep it", "", "token", "grafana", "--until", "2030-01-31")
	must("token  2030-01-31", "", "list")
	must("removed", "", "remove", "bob")
	must("removed", "", "remove", "grafana")
	refused("last account", "", "remove", "ann")
	a, err := console.LoadAccounts(file)
	if err != nil || len(a.Users) != 1 || a.Users[0].Role != console.Supervisor || len(a.Tokens) != 0 {
		t.Errorf("%+v %v", a, err)
	}
}
