// Package deploy holds the sample configuration that goes with the program: the
// plant file of the demonstration and the rule files.
package deploy

import (
	"embed"
	"io/fs"
)

//go:embed plant.demo.yaml
var demo []byte

//go:embed rules
var files embed.FS

// Demo returns the plant file of the demonstration mill, plant.demo.yaml. The
// slice is the caller's.
func Demo() []byte { return append([]byte(nil), demo...) }

// Rules returns the sample rule files; their names are relative to the folder
// rules, such as "evaporator.yaml".
func Rules() fs.FS {
	sub, err := fs.Sub(files, "rules")
	if err != nil {
		panic(err) // only for an invalid path, and the path is a constant
	}
	return sub
}
