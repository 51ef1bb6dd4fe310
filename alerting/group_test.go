package alerting

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"calandria/plant"
)

func pictured(name string, p plant.Priority, area string, at time.Duration, change ...func(*Status)) *Status {
	s := &Status{Name: name, Spec: &plant.AlarmSpec{Name: name, Priority: p, Area: area}, ActiveSince: time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC).Add(at)}
	for _, f := range change {
		f(s)
	}
	return s
}

func ofGroup(g string, first bool) func(*Status) {
	return func(s *Status) { s.Group, s.FirstUp = g, first }
}

func lineWords(list []*Status, lines []Line) (out []string) {
	for _, l := range lines {
		var w strings.Builder
		w.WriteString(list[l.Lead].Name)
		for _, m := range l.Members {
			w.WriteString(" " + list[m].Name)
		}
		if l.Burst {
			w.WriteString(" burst")
		}
		out = append(out, w.String())
	}
	return out
}

// R-F3: what goes under what. The figures of the flood are those of EEMUA 191 and
// ISA-18.2 (more than ten in ten minutes, from memory).
func TestFold(t *testing.T) {
	low, high := plant.PriorityLow, plant.PriorityHigh
	many := func(n int, each time.Duration, change ...func(*Status)) (list []*Status) {
		for i := range n {
			list = append(list, pictured(fmt.Sprintf("a%d", i), low, "evaporator", time.Duration(i)*each, change...))
		}
		return list
	}
	for _, c := range []struct {
		name string
		list []*Status
		want []string
	}{
		{"nothing", nil, nil},
		{"a group under its first-up", []*Status{
			pictured("A", low, "e", time.Minute, ofGroup("g", false)), pictured("B", low, "e", 0, ofGroup("g", true)), pictured("C", low, "e", 0)},
			[]string{"B A", "C"}},
		{"no mark, no folding", []*Status{pictured("A", low, "e", 0, ofGroup("g", false)), pictured("B", low, "e", 0, ofGroup("g", false))}, []string{"A", "B"}},
		{"no mark yet, but one would get it", []*Status{
			pictured("A", low, "e", 0, ofGroup("g", false), func(s *Status) { s.bids = true }), pictured("B", low, "e", 0, ofGroup("g", false))}, []string{"A B"}},
		{"high stays out", []*Status{pictured("H", high, "e", time.Minute, ofGroup("g", false)), pictured("B", low, "e", 0, ofGroup("g", true))}, []string{"H", "B"}},
		{"highly managed and system stay out", []*Status{
			pictured("B", low, "e", 0, ofGroup("g", true)),
			pictured("M", low, "e", 0, ofGroup("g", false), func(s *Status) { s.Spec.HighlyManaged = true }),
			pictured("S", low, "e", 0, ofGroup("g", false), func(s *Status) { s.Spec.Class = "system" })}, []string{"B", "M", "S"}},
		{"ten in ten minutes can be read", many(10, 30*time.Second), []string{"a0", "a1", "a2", "a3", "a4", "a5", "a6", "a7", "a8", "a9"}},
		{"eleven are a burst", many(11, 30*time.Second), []string{"a0 a1 a2 a3 a4 a5 a6 a7 a8 a9 a10 burst"}},
		{"eleven in more than ten minutes are none", many(11, time.Minute), []string{"a0", "a1", "a2", "a3", "a4", "a5", "a6", "a7", "a8", "a9", "a10"}},
		{"by area, and high stays out", append(many(10, time.Second), pictured("H", high, "evaporator", time.Minute), pictured("P", low, "pans", time.Minute), pictured("Q", low, "pans", 2*time.Minute)),
			[]string{"a0 a1 a2 a3 a4 a5 a6 a7 a8 a9 burst", "H", "P Q burst"}},
		{"a group that the burst takes in goes with it", append(many(10, time.Second), pictured("F", low, "evaporator", time.Minute, ofGroup("g", true)), pictured("G", low, "evaporator", time.Minute, ofGroup("g", false))),
			[]string{"a0 a1 a2 a3 a4 a5 a6 a7 a8 a9 F G burst"}},
		{"eleven of a group are one line, not a burst", many(11, time.Second, func(s *Status) { s.Group, s.FirstUp = "g", s.Name == "a0" }), []string{"a0 a1 a2 a3 a4 a5 a6 a7 a8 a9 a10"}},
	} {
		if got := lineWords(c.list, Fold(c.list)); !slices.Equal(got, c.want) {
			t.Errorf("%s:\n got %q\nwant %q", c.name, got, c.want)
		}
	}
}

// Whatever the list, every alarm stands in it once, and what is urgent or high, highly
// managed or of class system has its own line.
func TestFoldHidesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 40).Draw(t, "n")
		var list []*Status
		for i := range n {
			s := pictured(fmt.Sprint(i), plant.Priority(rapid.IntRange(0, 4).Draw(t, "priority")), rapid.SampledFrom([]string{"", "e", "p"}).Draw(t, "area"),
				time.Duration(rapid.IntRange(0, 30).Draw(t, "minute"))*time.Minute)
			s.Index, s.Group, s.FirstUp = i, rapid.SampledFrom([]string{"", "g", "h"}).Draw(t, "group"), rapid.Bool().Draw(t, "first")
			s.Spec.HighlyManaged = rapid.IntRange(0, 9).Draw(t, "managed") == 0
			if rapid.IntRange(0, 9).Draw(t, "system") == 0 {
				s.Spec.Class = "system"
			}
			list = append(list, s)
		}
		seen := make([]int, n)
		at := -1
		for _, l := range Fold(list) {
			if l.Lead <= at {
				t.Fatal("the order of the list is lost")
			}
			at = l.Lead
			seen[l.Lead]++
			for _, m := range l.Members {
				seen[m]++
				if p := list[m].Spec; p.Priority == plant.PriorityUrgent || p.Priority == plant.PriorityHigh || p.HighlyManaged || p.Class == "system" {
					t.Fatalf("%s is folded away", list[m].Name)
				}
			}
		}
		for i, k := range seen {
			if k != 1 {
				t.Fatalf("%d stands %d times", i, k)
			}
		}
	})
}
