package laws

import (
	"go/ast"
	"path"
	"slices"
	"strings"
	"testing"
)

// core lists the packages that are arithmetic. Of engine the loop is an edge.
var core = []string{
	"plant", "rules", "alerting", "engine",
	"thermo", "thermo/steam", "thermo/liquor", "thermo/evaporator", "thermo/condenser", "thermo/fouling", "thermo/pan",
}

// edgeFiles are the files of core packages that are edges, by pattern.
var edgeFiles = []string{"engine/loop*.go"}

// outside lists what reaches out of the core: a package, or a folder of them
// when it ends in a slash. Random numbers without a seed are outside too.
var outside = []string{
	"os", "os/", "io/ioutil", "io/fs", "net", "net/", "syscall", "database/", "embed",
	"log", "log/", "expvar", "github.com/prometheus/",
	"sync", "sync/", "runtime", "runtime/", "context", "golang.org/x/sync/", "testing", "testing/",
	"math/rand", "math/rand/", "crypto/rand", "unsafe",
}

// inside lists what is outside by its name and arithmetic all the same: a context
// only says that a replay is to end.
var inside = []string{"net/url", "context"}

// excused lists files that need one thing from outside, with the reason.
var excused = map[string]string{
	"engine/state.go unsafe": "a checkpoint keeps fields that are not exported",
}

// clock lists what reads or waits for a clock, or depends on the machine's
// own time zone. A zone by its name is a table, and linked into the program.
var clock = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTicker", "NewTimer", "Local"}

func isEdge(f file) bool {
	return slices.ContainsFunc(edgeFiles, func(pattern string) bool {
		ok, _ := path.Match(pattern, f.folder+"/"+f.name)
		return ok
	})
}

// TestCoreIsArithmetic is the first law: the same points in give the same
// events out, because nothing else comes in.
func TestCoreIsArithmetic(t *testing.T) {
	s := read(t)
	for _, f := range s.files {
		if !slices.Contains(core, f.folder) || isEdge(f) {
			continue
		}
		imports := f.imports()
		for path := range imports {
			for _, out := range outside {
				if !slices.Contains(inside, path) && excused[f.folder+"/"+f.name+" "+path] == "" && (path == out || strings.HasSuffix(out, "/") && strings.HasPrefix(path, out)) {
					t.Errorf("%s/%s imports %s: the core is arithmetic", f.folder, f.name, path)
				}
			}
		}
		ast.Inspect(f.syntax, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GoStmt:
				t.Errorf("%s starts a goroutine: the core has none", s.at(n))
			case *ast.SelectStmt, *ast.ChanType, *ast.SendStmt:
				t.Errorf("%s uses a channel: the core has no goroutine to talk to", s.at(n))
			case *ast.SelectorExpr:
				if x, ok := n.X.(*ast.Ident); ok && x.Name == imports["time"] && slices.Contains(clock, n.Sel.Name) {
					t.Errorf("%s uses time.%s: time is an argument in the core", s.at(n), n.Sel.Name)
				}
			}
			return true
		})
	}
}

// TestNoInit keeps the start in one place: nothing runs before main.
func TestNoInit(t *testing.T) {
	s := read(t)
	for _, f := range s.files {
		for _, d := range f.syntax.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil && fn.Name.Name == "init" {
				t.Errorf("%s has an init function", s.at(fn))
			}
		}
	}
}
