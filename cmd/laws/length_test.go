package laws

import (
	"go/ast"
	"go/token"
	"strings"
	"testing"
)

const (
	longestFunction = 100 // lines, from func to the closing brace
	mostBranches    = 30  // cyclomatic number without a reason beside it
	reasonMark      = "Branches: "
)

// branches is the cyclomatic number: one, and one for each if, for, case,
// && and ||. A function literal counts with the function it stands in.
func branches(fn *ast.FuncDecl) int {
	n := 1
	ast.Inspect(fn, func(node ast.Node) bool {
		switch x := node.(type) {
		case *ast.IfStmt, *ast.ForStmt, *ast.RangeStmt:
			n++
		case *ast.CaseClause:
			if x.List != nil {
				n++
			}
		case *ast.CommClause:
			if x.Comm != nil {
				n++
			}
		case *ast.BinaryExpr:
			if x.Op == token.LAND || x.Op == token.LOR {
				n++
			}
		}
		return true
	})
	return n
}

// TestFunctionsCanBeRead: a function fits on two screens, and one with many
// branches says why, in its doc comment, after "Branches: ".
func TestFunctionsCanBeRead(t *testing.T) {
	s := read(t)
	for _, f := range s.files {
		for _, d := range f.syntax.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok || fn.Body == nil {
				continue
			}
			name := f.folder + "." + name(fn)
			if lines := s.fset.Position(fn.End()).Line - s.fset.Position(fn.Pos()).Line + 1; lines > longestFunction {
				t.Errorf("%s: %s has %d lines, over %d", s.at(fn), name, lines, longestFunction)
			}
			if n := branches(fn); n > mostBranches && !strings.Contains(fn.Doc.Text(), reasonMark) {
				t.Errorf("%s: %s has %d branches, over %d, and gives no reason (%q in its doc comment)", s.at(fn), name, n, mostBranches, reasonMark)
			}
		}
	}
}

// name is the function's name, with its receiver's type.
func name(fn *ast.FuncDecl) string {
	if fn.Recv == nil {
		return fn.Name.Name
	}
	typ := fn.Recv.List[0].Type
	if star, ok := typ.(*ast.StarExpr); ok {
		typ = star.X
	}
	if gen, ok := typ.(*ast.IndexExpr); ok {
		typ = gen.X
	}
	if id, ok := typ.(*ast.Ident); ok {
		return id.Name + "." + fn.Name.Name
	}
	return fn.Name.Name
}
