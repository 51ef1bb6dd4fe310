package laws

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// module is the module's path, as go.mod has it.
const module = "calandria"

// file is one Go file that is not a test.
type file struct {
	folder, name string // "thermo/pan", "strike.go"
	syntax       *ast.File
}

// source is the whole repository without its tests.
type source struct {
	fset  *token.FileSet
	files []file
}

// read parses every Go file of the repository, of every platform.
func read(t *testing.T) source {
	t.Helper()
	const root = "../.."
	s := source{fset: token.NewFileSet()}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && (d.Name() == "testdata" || d.Name() == "node_modules" || d.Name() == ".git"):
			return fs.SkipDir
		case d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go"):
			return nil
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		tree, err := parser.ParseFile(s.fset, rel, text, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		folder, name := rel[:strings.LastIndexByte(rel, '/')], rel[strings.LastIndexByte(rel, '/')+1:]
		s.files = append(s.files, file{folder, name, tree})
		return nil
	})
	if err != nil {
		t.Fatalf("read the source: %v", err)
	}
	if len(s.files) < 100 {
		t.Fatalf("only %d files found: is the test run in its folder?", len(s.files))
	}
	return s
}

// at is the place of a node, as "folder/file.go:12".
func (s source) at(n ast.Node) string {
	p := s.fset.Position(n.Pos())
	return p.Filename + ":" + strconv.Itoa(p.Line)
}

// imports gives the name that each import has in the file, by its path.
func (f file) imports() map[string]string {
	out := map[string]string{}
	for _, imp := range f.syntax.Imports {
		path, _ := strconv.Unquote(imp.Path.Value) // the parser has seen to it
		name := path[strings.LastIndexByte(path, '/')+1:]
		if imp.Name != nil {
			name = imp.Name.Name
		}
		out[path] = name
	}
	return out
}
