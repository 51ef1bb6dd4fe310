package historian

import (
	"context"
	"fmt"
	"syscall"
	"testing"
)

// Who asks is told once the samples are on the disk, and not before.
func TestStoredIsToldAfterTheCommit(t *testing.T) {
	b := &brittle{}
	a, err := Open(t.TempDir(), Options{Files: b, Queue: 3})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	told := ""
	put := func(n, samples int) error {
		recs := make([]Record, samples)
		for i := range recs {
			recs[i] = Record{Path: "A.x", Point: good(float64(10*n+i), 1)}
		}
		return a.Append(recs, func() { told += fmt.Sprint(n) })
	}
	flush := func(want string) {
		t.Helper()
		a.Flush(context.Background())
		if told != want {
			t.Fatalf("told %q, want %q", told, want)
		}
	}
	put(1, 1)
	put(2, 1)
	if told != "" {
		t.Fatal("told before the commit")
	}
	flush("12")
	b.fail = func(op, _ string) error {
		if op == "sync" {
			return syscall.ENOSPC
		}
		return nil
	}
	put(3, 2)
	flush("12")
	if err := put(4, 2); err == nil { // one of them is refused: nobody will be told
		t.Fatal("more samples than the queue holds are taken")
	}
	b.fail = nil
	flush("123")
	put(5, 1)
	flush("1235")
}
