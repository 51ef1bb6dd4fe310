package engine

import (
	"reflect"
	"testing"

	"calandria/thermo"
)

// A checkpoint leaves out functions and interfaces. What holds state must not be
// one: each that there is stands here with the reason why it holds none.
func TestNothingIsForgotten(t *testing.T) {
	stateless := map[string]string{
		"evaporator.water.tsat":      "formula",
		"evaporator.water.psat":      "formula",
		"evaporator.water.satLiquid": "formula",
		"evaporator.water.satVapour": "formula",
		"thermo.input.scale":         "reads fields of its own view",
		"thermo.witness.open":        "by the configuration: how a vessel is seen to stand open",
		"fouling.Tracker.fitEr":      "why there is no fit: the next hour tries again",
	}
	seen := map[reflect.Type]bool{}
	var walk func(reflect.Type)
	walk = func(x reflect.Type) {
		if seen[x] || skipped(x) {
			return
		}
		seen[x] = true
		switch x.Kind() {
		case reflect.Struct:
			if x == timeType {
				return
			}
			for f := range x.Fields() {
				f := f
				if f.Tag.Get("state") == "-" {
					continue
				}
				configuration := f.Type.Kind() == reflect.Pointer
				if skipped(f.Type) && !configuration && stateless[x.String()+"."+f.Name] == "" {
					t.Errorf("%s.%s is a %s: a checkpoint does not keep it", x, f.Name, f.Type)
				}
				walk(f.Type)
			}
		case reflect.Pointer, reflect.Slice, reflect.Array, reflect.Map:
			walk(x.Elem())
		}
	}
	walk(reflect.TypeFor[*thermo.Calculator]())
}
