package rules

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"

	"github.com/expr-lang/expr"
)

// What the rules make of an expression of numbers is what the library's own machine makes
// of it.
func TestNumbersAreThoseOfTheLibrary(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, src := range []string{
		"a + b * c", "(a - b) / c", "-a * (b - -c)", "abs(a - b) + sqrt(abs(c))", "min(a, b, c) - max(b, c, 2.5)",
		"a > b ? a - b : b * c", "a > b and not (b >= c) or c == 3 ? min(a, c) : abs(b)", "(a < b ? b <= c : a != c) ? 1 : a / 4",
		"a - b - c", "a / b / c", "a * 2.5e-1 + 1000", "max(a, b) > 0 ? (a > 1 ? a : b) : c",
	} {
		machine, err := expr.Compile(src, expr.Env(map[string]float64{"a": 0, "b": 0, "c": 0}), expr.AsFloat64(),
			expr.Function("sqrt", func(x ...any) (any, error) { return math.Sqrt(x[0].(float64)), nil }, new(func(float64) float64)))
		if err != nil {
			t.Fatal(src, err)
		}
		for range 50 {
			env := map[string]float64{"a": rng.NormFloat64() * 10, "b": rng.NormFloat64() * 10, "c": float64(rng.IntN(7)) - 2.5}
			of := func(name string) string {
				return "  - {name: " + name + ", dimension: ratio, meaning: x, expr: '" + strconv.FormatFloat(env[name], 'f', -1, 64) + "'}\n"
			}
			b := newBench(t, "derived:\n"+of("a")+of("b")+of("c")+"  - {name: out, dimension: ratio, meaning: x, expr: '"+src+"'}\n")
			b.scan(t0)
			want, err := expr.Run(machine, env)
			if got := b.value("out"); err != nil || got.Value != want || !got.Quality.IsGood() {
				t.Fatalf("%s of %v: %+v, the library has %v (%v)", src, env, got, want, err)
			}
		}
	}
}
