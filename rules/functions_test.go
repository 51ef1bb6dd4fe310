package rules

import (
	"slices"
	"testing"

	"github.com/expr-lang/expr/ast"
)

// The table of functions holds each function of the language once, and no other.
func TestFunctionsAreAll(t *testing.T) {
	names := functionNames()
	if n := len(slices.Compact(slices.Clone(names))); n != len(names) {
		t.Errorf("%d of %d names stand twice", len(names)-n, len(names))
	}
	for n := range windowFunctions {
		if !slices.Contains(names, n) {
			t.Errorf("%s has no row", n)
		}
	}
	for n := range literals {
		if !slices.Contains(names, n) {
			t.Errorf("%s has no row", n)
		}
	}
	for _, n := range names {
		r := &reader{set: &Set{}}
		r.call(0, n, []ast.Node{})
		for _, c := range r.complaints {
			if c.problem.String() == "there is no function "+n+" in the rule language" {
				t.Errorf("%s has a row, but the language does not know it", n)
			}
		}
	}
}
