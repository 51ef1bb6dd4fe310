package historian

import (
	"syscall"
	"testing"
	"time"
)

// cpu is the processor time that the process has used: what a benchmark tells of
// on a machine that others use too.
func cpu(t testing.TB) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
