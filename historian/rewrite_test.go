package historian

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"calandria/plant"
)

// rewriteRig is an archive with a calculated tag each 100 s over five days, and
// another tag beside it.
type rewriteRig struct {
	*Archive
	t   *testing.T
	dir string
	b   *brittle
	now time.Time
}

func newRewriteRig(t *testing.T) *rewriteRig {
	r := &rewriteRig{t: t, dir: t.TempDir(), b: &brittle{}, now: at(1e6)}
	r.open()
	for _, path := range []string{"EV.u", "EV.other"} {
		var pts []plant.Point
		for i := range 4320 {
			pts = append(pts, good(float64(i)*100, 1))
		}
		mustAppend(t, r.Archive, path, pts...)
	}
	return r
}

func (r *rewriteRig) open() {
	a, err := Open(r.dir, Options{Files: r.b, Now: func() time.Time { return r.now }, Hot: 24 * time.Hour})
	if err != nil {
		r.t.Fatal(err)
	}
	r.Archive = a
	r.t.Cleanup(func() { a.Close() })
}

func (r *rewriteRig) reopen() {
	r.Archive.Close()
	r.open()
}

// values is what reads give of [100,000 s, 200,000 s) as a count of each value.
func (r *rewriteRig) expect(what string, old, fresh int) {
	r.t.Helper()
	counts := map[float64]int{}
	for _, v := range collect(r.t, r.Archive, "EV.u", at(-1), at(1e9)) {
		counts[v.Value]++
	}
	if counts[1] != old || counts[2] != fresh {
		r.t.Fatalf("%s: %v, want %d old and %d new values", what, counts, old, fresh)
	}
	if n := len(collect(r.t, r.Archive, "EV.other", at(-1), at(1e9))); n != 4320 {
		r.t.Fatalf("%s: %d values of the other tag", what, n)
	}
	checkMerged(r.t, r.Archive, []string{"EV.other", "EV.u"}, at(-1), at(1e6))
}

func (r *rewriteRig) begin() *Rewrite {
	w, err := r.Rewrite(context.Background(), "7", []string{"EV.u", "EV.w"}, at(100_000), at(200_000))
	if err != nil {
		r.t.Fatal(err)
	}
	return w
}

// add tells [from, to) anew: a value each 130 s, so that most of the old times
// do not recur.
func add(w *Rewrite, from, to float64) error {
	for s := from; s < to; s += 130 {
		if err := w.Add("EV.u", good(s, 2)); err != nil {
			return err
		}
	}
	return w.Save(at(to), fmt.Appendf(nil, "state at %v", to))
}

const (
	oldAll  = 4320
	oldRest = 4320 - 1000 // outside the stretch
	newAll  = 2 * 385
)

func TestRewrite(t *testing.T) {
	for _, hot := range []bool{true, false} {
		t.Run(fmt.Sprint("hot=", hot), func(t *testing.T) {
			ctx := context.Background()
			r := newRewriteRig(t)
			if hot {
				r.now = at(150_000) // the stretch lies in both stores
			}
			if err := r.Maintain(ctx); err != nil {
				t.Fatal(err)
			}
			w := r.begin()
			if !w.Reached().Equal(at(100_000)) || w.Data() != nil {
				t.Fatal(w.Reached(), w.Data())
			}
			if err := w.Add("EV.other", good(100_000, 2)); err == nil {
				t.Error("a tag that is not told anew was taken")
			}
			if err := w.Add("EV.u", good(99_999, 2)); err == nil {
				t.Error("a value outside the stretch was taken")
			}
			if err := add(w, 100_000, 150_000); err != nil {
				t.Fatal(err)
			}
			if err := w.Add("EV.u", good(150_000, 2)); err != nil { // not saved: told again
				t.Fatal(err)
			}
			r.expect("before the end", oldAll, 0)
			r.reopen()
			r.expect("after an interruption", oldAll, 0)
			w = r.begin()
			if !w.Reached().Equal(at(150_000)) || string(w.Data()) != "state at 150000" {
				t.Fatal(w.Reached(), string(w.Data()))
			}
			if err := add(w, 150_000, 200_000); err != nil {
				t.Fatal(err)
			}
			if err := w.Commit(ctx); err != nil {
				t.Fatal(err)
			}
			r.expect("after the end", oldRest, newAll)
			// A later value of the same stretch is news, not hidden.
			mustAppend(t, r.Archive, "EV.u", good(100_001, 3))
			r.reopen()
			r.expect("opened again", oldRest, newAll)
			r.now = at(1e7)
			for range 3 {
				if err := r.Maintain(ctx); err != nil {
					t.Fatal(err)
				}
				r.expect("merged", oldRest, newAll)
			}
			if got := collect(t, r.Archive, "EV.u", at(100_001), at(100_002)); len(got) != 1 || got[0].Value != 3 {
				t.Fatalf("the later value: %v", got)
			}
			left, _ := filepath.Glob(filepath.Join(r.dir, stagedDir, "*"))
			if len(left) > 0 {
				t.Fatalf("left over: %v", left)
			}
			bs, err := r.Trend(ctx, "EV.u", at(110_000), at(190_000), 1)
			if err != nil || len(bs) != 1 || bs[0].Min != 2 {
				t.Fatalf("%+v %v", bs, err)
			}
		})
	}
}

func TestRewriteOfAnotherStretchStartsAnew(t *testing.T) {
	r := newRewriteRig(t)
	if err := add(r.begin(), 100_000, 150_000); err != nil {
		t.Fatal(err)
	}
	w, err := r.Rewrite(context.Background(), "7", []string{"EV.u"}, at(100_000), at(180_000))
	if err != nil || !w.Reached().Equal(at(100_000)) {
		t.Fatal(w.Reached(), err)
	}
	if err := add(w, 100_000, 110_000); err != nil {
		t.Fatal(err)
	}
	if err := w.Abandon(); err != nil {
		t.Fatal(err)
	}
	r.reopen()
	r.expect("abandoned", oldAll, 0)
	for _, name := range []string{"", "a/b", "a_b", "a.b"} {
		if _, err := r.Rewrite(context.Background(), name, []string{"EV.u"}, at(0), at(1)); err == nil {
			t.Errorf("name %q was taken", name)
		}
	}
}

// The disk fills, or fails, at the n-th step of each kind: what is in force is
// all of the old values or all of the new ones, also after opening again, and
// the rewrite goes on when there is space.
func TestRewriteFullDisk(t *testing.T) {
	ctx := context.Background()
	for _, op := range []string{"create", "write", "sync", "rename", "syncdir", "remove"} {
		for _, nth := range []int{0, 1, 2, 4, 7, 11} {
			r := newRewriteRig(t)
			if err := r.Maintain(ctx); err != nil {
				t.Fatal(err)
			}
			run := func() error {
				w, err := r.Rewrite(ctx, "7", []string{"EV.u", "EV.w"}, at(100_000), at(200_000))
				if err != nil {
					return err
				}
				for from := float64(w.Reached().Sub(t0) / time.Second); from < 200_000; from += 50_000 {
					if err := add(w, from, from+50_000); err != nil {
						return err
					}
				}
				return w.Commit(ctx)
			}
			count := 0
			r.b.fail = func(o, _ string) error {
				if o == op {
					if count++; count > nth {
						return syscall.ENOSPC
					}
				}
				return nil
			}
			err := run()
			r.b.fail = nil
			what := fmt.Sprint(op, nth)
			if err != nil && !errors.Is(err, syscall.ENOSPC) {
				t.Fatalf("%s: %v", what, err)
			}
			all := map[float64]int{}
			count2 := func() {
				clear(all)
				for _, v := range collect(t, r.Archive, "EV.u", at(-1), at(1e9)) {
					all[v.Value]++
				}
				if !(all[1] == oldAll && all[2] == 0) && !(all[1] == oldRest && all[2] == newAll) {
					t.Fatalf("%s: a mixture: %v", what, all)
				}
			}
			count2()
			r.reopen()
			count2()
			if all[2] == 0 {
				if err := run(); err != nil {
					t.Fatalf("%s: tried again: %v", what, err)
				}
			}
			r.expect(what, oldRest, newAll)
			r.reopen()
			r.expect(what, oldRest, newAll)
		}
	}
}
