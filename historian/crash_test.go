package historian

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"calandria/historian/journal"
	"calandria/plant"
)

// The test binary plays the program that is killed when this is set.
const childEnv = "HISTORIAN_TEST_CHILD"

func TestMain(m *testing.M) {
	switch role, dir, _ := strings.Cut(os.Getenv(childEnv), ":"); role {
	case "write":
		childWrite(dir)
	case "quota":
		childQuota(dir)
	default:
		os.Exit(m.Run())
	}
}

func childFail(err error) {
	fmt.Println("error", err)
	os.Exit(1)
}

// childWrite stores sample after sample and event after event, moving and
// merging all the time, and says on stdout what it was told is durable.
func childWrite(dir string) {
	ctx := context.Background()
	var now time.Time
	a, err := Open(filepath.Join(dir, "archive"), Options{Hot: time.Hour, Now: func() time.Time { return now }})
	if err != nil {
		childFail(err)
	}
	j, err := journal.Open(filepath.Join(dir, "journal.db"))
	if err != nil {
		childFail(err)
	}
	first := 0
	if p, ok, err := a.Last(ctx, "A.count"); err != nil {
		childFail(err)
	} else if ok {
		first = int(p.Value) + 1
	}
	for i := first; ; i++ {
		s := float64(i) * 300
		now = at(s)
		if err := a.Append([]Record{{Path: "A.count", Point: good(s, float64(i))}, {Path: "B.count", Point: plant.BadPoint(at(s), plant.BadSensorFailure)}}); err != nil {
			childFail(err)
		}
		if err := a.Flush(ctx); err != nil {
			childFail(err)
		}
		fmt.Println("sample", i)
		ev, err := j.Append([]plant.Event{{Kind: plant.EventNote, Time: now, Text: fmt.Sprint(i)}}, journal.State{Parts: map[string][]byte{"": fmt.Appendf(nil, "state %d", i)}})
		if err != nil {
			childFail(err)
		}
		fmt.Println("event", ev[0].Seq)
		if i%7 == 0 {
			fmt.Println("compacts")
			if err := a.Maintain(ctx); err != nil {
				childFail(err)
			}
		}
	}
}

var kills = flag.Int("kills", 38, "how often the program is killed")

func TestKilledAtAnyMoment(t *testing.T) {
	dir := t.TempDir()
	rounds := *kills
	if testing.Short() {
		rounds = 3
	}
	acked, event := -1, uint64(0)
	for round := range rounds {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), childEnv+"=write:"+dir)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// Killed after a number of lines rather than a time, plus a little, so
		// that a slow machine tests the same: by turns anywhere, in the move to
		// Parquet, and while it starts.
		kill := func(within int) {
			time.AfterFunc(time.Duration(rand.Intn(within))*time.Microsecond, func() { cmd.Process.Kill() })
		}
		lines, compactions := 5+rand.Intn(100), 1+rand.Intn(8)
		if round%3 == 2 {
			kill(60_000)
		}
		sc := bufio.NewScanner(out)
		for n := 0; sc.Scan(); n++ {
			var i int
			switch line := sc.Text(); {
			case strings.HasPrefix(line, "error"):
				t.Fatalf("round %d: %s", round, line)
			case strings.HasPrefix(line, "sample "):
				fmt.Sscanf(line, "sample %d", &i)
				acked = max(acked, i)
			case strings.HasPrefix(line, "event "):
				fmt.Sscanf(line, "event %d", &i)
				event = max(event, uint64(i))
			case line == "compacts":
				if compactions--; compactions == 0 && round%3 == 1 {
					kill(10_000)
				}
			}
			if n == lines && round%3 == 0 {
				kill(3000)
			}
		}
		cmd.Wait()

		a, err := Open(filepath.Join(dir, "archive"), Options{})
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		for _, path := range []string{"A.count", "B.count"} {
			n := 0
			for v, err := range a.Versions(context.Background(), path, at(-1), at(1e9)) {
				if err != nil {
					t.Fatalf("round %d: %v", round, err)
				}
				if !v.Time.Equal(at(float64(n) * 300)) {
					t.Fatalf("round %d: %s sample %d has time %s", round, path, n, v.Time)
				}
				n++
			}
			if n <= acked {
				t.Fatalf("round %d: %s: %d samples, %d were acknowledged", round, path, n, acked+1)
			}
		}
		for _, kind := range coldKinds {
			left, _ := filepath.Glob(filepath.Join(dir, "archive", kind, "*.tmp"))
			if len(left) > 0 {
				t.Fatalf("round %d: half files after opening: %v", round, left)
			}
		}
		if err := a.Close(); err != nil {
			t.Fatal(err)
		}
		j, err := journal.Open(filepath.Join(dir, "journal.db"))
		if err != nil {
			t.Fatal(err)
		}
		if err := j.Verify(context.Background()); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		seq, _ := j.Head()
		if seq < event {
			t.Fatalf("round %d: journal ends at %d, %d was acknowledged", round, seq, event)
		}
		last, err := j.Read(context.Background(), plant.EventFilter{Newest: true, Limit: 1})
		if err != nil || len(last) != 1 {
			t.Fatalf("round %d: %v %v", round, last, err)
		}
		if st, err := j.State(); err != nil || string(st[""]) != "state "+last[0].Text {
			t.Fatalf("round %d: state %q beside event %q: %v", round, st, last[0].Text, err)
		}
		j.Close()
	}
	t.Logf("%d samples, %d events acknowledged over %d kills", acked+1, event, rounds)
}

// brittle is a file layer that fails when told to.
type brittle struct {
	Disk
	fail func(op, name string) error
}

func (b *brittle) do(op, name string) error {
	if b.fail == nil {
		return nil
	}
	return b.fail(op, name)
}

func (b *brittle) Create(name string) (WriteFile, error) {
	if err := b.do("create", name); err != nil {
		return nil, err
	}
	f, err := b.Disk.Create(name)
	return &brittleFile{f, b, name}, err
}
func (b *brittle) Open(name string) (ReadFile, int64, error) {
	if err := b.do("open", name); err != nil {
		return nil, 0, err
	}
	return b.Disk.Open(name)
}
func (b *brittle) Rename(x, y string) error {
	if err := b.do("rename", x); err != nil {
		return err
	}
	return b.Disk.Rename(x, y)
}
func (b *brittle) Remove(name string) error {
	if err := b.do("remove", name); err != nil {
		return err
	}
	return b.Disk.Remove(name)
}
func (b *brittle) FreePct(dir string) float64 {
	if b.do("free", dir) != nil {
		return 4
	}
	return 40
}
func (b *brittle) SyncDir(name string) error {
	if err := b.do("syncdir", name); err != nil {
		return err
	}
	return b.Disk.SyncDir(name)
}

type brittleFile struct {
	WriteFile
	b    *brittle
	name string
}

func (f *brittleFile) Write(p []byte) (int, error) {
	if err := f.b.do("write", f.name); err != nil {
		n, _ := f.WriteFile.Write(p[:len(p)/2]) // a torn write
		return n, err
	}
	return f.WriteFile.Write(p)
}
func (f *brittleFile) Sync() error {
	if err := f.b.do("sync", f.name); err != nil {
		return err
	}
	return f.WriteFile.Sync()
}

// Every operation of the file layer fails once; nothing is lost, reads stay
// right, and the next maintenance mends it.
func TestFileLayerFailures(t *testing.T) {
	ctx := context.Background()
	noSpace := &os.PathError{Op: "write", Path: "raw", Err: syscall.ENOSPC}
	for _, op := range []string{"create", "write", "sync", "rename", "syncdir", "remove"} {
		for _, nth := range []int{0, 1, 3} {
			t.Run(fmt.Sprint(op, nth), func(t *testing.T) {
				dir := t.TempDir()
				b := &brittle{}
				now := at(0)
				a, err := Open(dir, Options{Files: b, Now: func() time.Time { return now }, Hot: time.Hour})
				if err != nil {
					t.Fatal(err)
				}
				defer a.Close()
				n := 0
				put := func() {
					var recs []Record
					for range 20 {
						recs = append(recs, Record{Path: "EV.EV1.brix", Point: good(float64(n)*1800, float64(n))})
						n++
					}
					if err := a.Append(recs); err != nil {
						t.Fatal(err)
					}
					if err := a.Flush(ctx); err != nil {
						if !errors.Is(err, syscall.ENOSPC) {
							t.Fatal(err)
						}
						if err := a.Flush(ctx); err != nil { // fails once
							t.Fatal(err)
						}
					}
					now = at(float64(n)*1800 + 7200)
				}
				count := 0
				failed := false
				b.fail = func(o, name string) error {
					if o != op {
						return nil
					}
					count++
					if count-1 == nth {
						failed = true
						return noSpace
					}
					return nil
				}
				for range 6 { // 60 h in six parts: days fill up and are merged
					put()
					err := a.Maintain(ctx)
					if err != nil && !errors.Is(err, syscall.ENOSPC) {
						t.Fatalf("another error than the injected one: %v", err)
					}
					if h := a.Health(); h.OK != (err == nil) {
						t.Fatalf("health %v after %v", h, err)
					}
					if got := collect(t, a, "EV.EV1.brix", at(0), at(1e9)); len(got) != n {
						t.Fatalf("%d samples, want %d", len(got), n)
					}
				}
				if !failed && !(op == "remove" && nth > 2) {
					t.Fatalf("%s was called %d times only", op, count)
				}
				b.fail = nil
				if err := a.Maintain(ctx); err != nil {
					t.Fatal(err)
				}
				a.Close()
				a2 := openTest(t, dir, now)
				for i, v := range collect(t, a2, "EV.EV1.brix", at(0), at(1e9)) {
					if v.Value != float64(i) {
						t.Fatalf("sample %d is %v", i, v)
					}
				}
			})
		}
	}
}

// A full disk: the log cannot grow, and each refused write leaves a torn frame.
func TestHotDiskFull(t *testing.T) {
	ctx := context.Background()
	b := &brittle{}
	dir := t.TempDir()
	a, err := Open(dir, Options{Queue: 10_000, Files: b})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	written := 0
	limit := func(writes int) {
		b.fail = func(op, _ string) error {
			if op == "write" {
				if written++; written > writes {
					return syscall.ENOSPC
				}
			}
			return nil
		}
	}
	mustAppend(t, a, "A.x", good(0, 0))
	limit(5)
	i := 1
	var appendErr error
	for range 100 {
		var recs []Record
		for range 1000 {
			recs = append(recs, Record{Path: "A.x", Point: good(float64(i), float64(i))})
			i++
		}
		if appendErr = a.Append(recs); errors.Is(appendErr, ErrQueueFull) {
			break
		}
		a.Flush(ctx)
	}
	if !errors.Is(appendErr, ErrQueueFull) || !strings.Contains(appendErr.Error(), "full") {
		t.Fatalf("append on a full disk: %v", appendErr)
	}
	h := a.Health()
	if h.FreePct != 40 {
		t.Errorf("%v %% free", h.FreePct)
	}
	if h.OK || h.LastError == nil || h.Refused != 1000 || h.Pending != 10_000 {
		t.Fatalf("health: %+v", h)
	}
	if err := a.Flush(ctx); err == nil {
		t.Fatal("flush on a full disk says nothing")
	}
	limit(1 << 30) // room again
	if err := a.Flush(ctx); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, a, "A.x", good(float64(i), float64(i)))
	if h := a.Health(); !h.OK || h.Pending != 0 {
		t.Fatalf("health after recovery: %+v", h)
	}
	got := collect(t, a, "A.x", at(0), at(1e9))
	bad := 0
	for _, v := range got {
		if v.Quality.Code() == plant.BadDataLost.Code() {
			bad++
			if !v.Time.Equal(at(float64(i - 1000))) {
				t.Errorf("the gap is marked at %s, want %s", v.Time, at(float64(i-1000)))
			}
		}
	}
	if len(got) != i-1000+2 || bad != 1 {
		t.Fatalf("%d samples with %d gap marks, want %d with 1", len(got), bad, i-1000+2)
	}
}

// childQuota runs under a limit on the size of files: every write beyond it
// fails with EFBIG, also inside SQLite.
func childQuota(dir string) {
	signal.Ignore(syscall.SIGXFSZ)
	lim := syscall.Rlimit{Cur: 40 << 10, Max: 40 << 10}
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &lim); err != nil {
		childFail(err)
	}
	a, err := Open(dir, Options{})
	if err != nil {
		childFail(err)
	}
	ctx := context.Background()
	for i := range 30 {
		var recs []Record
		for k := range 300 {
			recs = append(recs, Record{Path: "A.x", Point: good(float64(i*300+k), rand.Float64())})
		}
		err := a.Append(recs)
		if ferr := a.Flush(ctx); ferr == nil {
			fmt.Println("sample", (i+1)*300)
		} else if err == nil {
			err = ferr
		}
		a.Maintain(ctx)
		if err != nil {
			fmt.Println("refused", err)
		}
		if got := a.Health(); got.LastError == nil && i > 25 {
			childFail(errors.New("no failure seen under the limit"))
		}
	}
	fmt.Println("done")
	os.Exit(0)
}

func TestQuota(t *testing.T) {
	dir := t.TempDir()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childEnv+"=quota:"+dir)
	out, err := cmd.CombinedOutput()
	if err != nil || !strings.Contains(string(out), "done") || !strings.Contains(string(out), "refused") {
		t.Fatalf("%v\n%s", err, out)
	}
	acked := 0
	for line := range strings.Lines(string(out)) {
		var n int
		if _, err := fmt.Sscanf(line, "sample %d", &n); err == nil {
			acked = n
		}
	}
	a := openTest(t, dir, at(0))
	if n := len(collect(t, a, "A.x", at(0), at(1e9))); n < acked || acked == 0 {
		t.Fatalf("%d samples, %d were acknowledged", n, acked)
	}
}
