//go:build !race

package console

import (
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"
)

// Eighty wrong sign-ins at once, under the same name or under others, from the
// same address, keep a right one from nothing.
func TestWrongSignInsShutNobodyOut(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make test: hashes many passwords")
	}
	for _, name := range []string{"operator", "somebody %d"} {
		g := newGated(t, nil)
		g.accounts.Users[1].Password = hashOf(t, testPassword) // a real one: it takes its time
		g.save()
		var all sync.WaitGroup
		wrong := make(chan int, 80)
		for i := range 80 {
			all.Go(func() {
				under := name
				if strings.Contains(name, "%") {
					under = fmt.Sprintf(name, i)
				}
				code, _, _ := g.signIn(under, "wrong")
				wrong <- code
			})
		}
		for waiting := 0; waiting < 30; time.Sleep(time.Millisecond) { // they stand before it
			g.s.gate.desk.mu.Lock()
			waiting = g.s.gate.desk.waiting
			g.s.gate.desk.mu.Unlock()
		}
		began := time.Now()
		code, _, _ := g.signIn("operator", testPassword)
		if took := time.Since(began); code != http.StatusSeeOther {
			t.Errorf("beside 80 wrong tries as %s: %d after %s", name, code, took)
		} else {
			t.Logf("beside 80 wrong tries as %s: signed in after %s", name, took.Round(time.Millisecond))
		}
		all.Wait()
		close(wrong)
		for c := range wrong {
			if c != http.StatusUnauthorized && c != http.StatusServiceUnavailable {
				t.Errorf("a wrong try: %d", c)
			}
		}
	}
}

func hashOf(t *testing.T, password string) string {
	t.Helper()
	var a Accounts
	if err := a.Set("operator", Operator, password); err != nil {
		t.Fatal(err)
	}
	return a.Users[0].Password
}
