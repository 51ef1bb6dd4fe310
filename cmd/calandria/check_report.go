package main

import (
	"cmp"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"calandria/rules"
)

// checkReport is what 'calandria check' says beside faults: the serious first,
// a line for each kind of rule.
type checkReport struct {
	notes        []rules.Note
	placeholders []rules.Placeholder
	absent       []string     // what balances and forecasts will lack
	misfits      []rules.Note // alarms that cannot call, or hardly ever
}

// kindNotes are the notes about one kind of rule: the vessels it was left out
// for, by reason.
type kindNotes struct {
	kind    string
	first   rules.Note
	count   int
	reasons []string
	on      map[string][]string
}

// gather groups the notes of one kind by rule, in the order in which the rules
// stand, more serious priorities first.
func (r checkReport) gather(kind rules.NoteKind) (groups []*kindNotes, count int) {
	for _, n := range r.notes {
		if n.Kind != kind {
			continue
		}
		count++
		name := n.Rule
		switch {
		case kind == rules.TagLeftOut && n.On != "":
			name = strings.TrimPrefix(name, n.On+".")
		case kind == rules.AlarmLeftOut && n.On != "":
			name = strings.TrimSuffix(name, "."+n.On)
		}
		i := slices.IndexFunc(groups, func(g *kindNotes) bool { return g.first.File == n.File && g.first.Line == n.Line })
		if i < 0 {
			i = len(groups)
			groups = append(groups, &kindNotes{kind: name, first: n, on: map[string][]string{}})
		}
		g := groups[i]
		g.count++
		why := strings.TrimPrefix(strings.TrimPrefix(n.Text, "left out: "), "stays without value: ")
		if n.On != "" {
			why = strings.ReplaceAll(strings.ReplaceAll(why, n.On+" has no ", "no "), n.On+".", "")
		}
		if p := r.inactive(name); kind == rules.AlarmLeftOut && why == "a limit is the site's to state" && p != "" {
			why = p
		}
		if !slices.Contains(g.reasons, why) {
			g.reasons = append(g.reasons, why)
		}
		g.on[why] = append(g.on[why], cmp.Or(n.On, "the house"))
	}
	slices.SortStableFunc(groups, func(a, b *kindNotes) int { return cmp.Compare(a.first.Priority, b.first.Priority) })
	return groups, count
}

// inactive says which limit the site has to state before a rule runs.
func (r checkReport) inactive(rule string) string {
	for _, p := range r.placeholders {
		if p.Inactive && p.Rule == rule {
			return fmt.Sprintf("%s is the site's to state: %s:%d", p.Field, filepath.Base(p.File), p.Line)
		}
	}
	return ""
}

func place(n rules.Note) string { return fmt.Sprintf("%s:%d", filepath.Base(n.File), n.Line) }

// write prints the groups and a summary.
func (r checkReport) write(w io.Writer) {
	var summary []string
	section := func(count int, what, heading string, args ...any) bool {
		if count == 0 {
			return false
		}
		fmt.Fprintf(w, "\n"+heading+"\n", args...)
		summary = append(summary, fmt.Sprintf("%s: %d", what, count))
		return true
	}
	leftOut := func(kind rules.NoteKind, heading, what string) {
		groups, count := r.gather(kind)
		if !section(count, what+" left out", heading) {
			return
		}
		summary[len(summary)-1] += fmt.Sprintf(", of %d kinds", len(groups))
		for _, g := range groups {
			var why []string
			for _, reason := range g.reasons {
				why = append(why, fmt.Sprintf("%s (%s)", strings.Join(g.on[reason], ", "), reason))
			}
			name := g.kind
			if kind == rules.AlarmLeftOut {
				name = g.first.Priority.String() + "  " + name
			}
			fmt.Fprintf(w, "  %s: %s  %s\n", name, strings.Join(why, "; "), place(g.first))
		}
	}
	slices.SortStableFunc(r.misfits, func(a, b rules.Note) int { return cmp.Compare(a.Priority, b.Priority) })
	section(len(r.misfits), "alarms that do not fit the house", "These alarms do not fit the house. They cannot call (a limit beyond its instrument, or a suppression that nearly always holds), or they call often. Look at the first ones first:")
	for _, n := range r.misfits {
		fmt.Fprintf(w, "  %s  %s: %s  %s\n", n.Priority, n.Rule, n.Text, place(n))
	}
	leftOut(rules.AlarmLeftOut, "Alarms left out. They do not run until the tag or the limit is there:", "alarms")
	leftOut(rules.TagLeftOut, "Derived tags left out for want of a tag:", "derived tags")
	section(len(r.absent), "lacking for balances and forecasts", "Lacking for balances and forecasts:")
	for _, n := range r.absent {
		fmt.Fprintf(w, "  %s\n", n)
	}
	groups, count := r.gather(rules.UnitTaken)
	section(count, "units taken", "Units taken or worked out. See that they are meant:")
	for _, g := range groups {
		more := ""
		if g.count > 1 {
			more = fmt.Sprintf(" (and %d more)", g.count-1)
		}
		fmt.Fprintf(w, "  %s: %s%s  %s\n", g.kind, g.first.Text, more, place(g.first))
	}
	groups, count = r.gather(rules.Remark)
	section(count, "other remarks", "Other remarks: %d, on %s", count, firstFew(groups, func(g *kindNotes) string { return g.kind }))
	section(len(r.placeholders), "to fill in", "To fill in, as the site's to state: %d texts or limits, of %s", len(r.placeholders),
		firstFew(r.placeholders, func(p rules.Placeholder) string { return p.Rule }))
	if len(summary) == 0 {
		fmt.Fprintln(w, "no fault in the files, nothing left out")
		return
	}
	fmt.Fprintf(w, "\nno fault in the files; %s; --all prints every one with its line\n", strings.Join(summary, "; "))
}

// firstFew names the first few of a list.
func firstFew[T any](list []T, name func(T) string) string {
	var names []string
	for _, x := range list {
		if n := name(x); !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	const few = 4
	if len(names) <= few {
		return strings.Join(names, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(names[:few], ", "), len(names)-few)
}

// writeAll prints every note and placeholder on a line of its own.
func (r checkReport) writeAll(w io.Writer) {
	for kind := rules.AlarmLeftOut; kind <= rules.Remark; kind++ {
		for _, n := range r.notes {
			if n.Kind == kind {
				fmt.Fprintln(w, "note:", n)
			}
		}
	}
	for _, n := range r.misfits {
		fmt.Fprintln(w, "note:", n)
	}
	for _, n := range r.absent {
		fmt.Fprintln(w, "note:", n)
	}
	for _, p := range r.placeholders {
		fmt.Fprintf(w, "to fill in: %s:%d: rule %s: %s still has a placeholder\n", p.File, p.Line, p.Rule, p.Field)
	}
	fmt.Fprintf(w, "no fault in the files; %d notes, %d to fill in\n", len(r.notes)+len(r.absent), len(r.placeholders))
}
