package service

import "testing"

// The archive keeps a twentieth of what an instrument can tell apart: of a flow
// meter good to 1 % of its reading, at a tenth of its range of 400 t/h.
func TestResolution(t *testing.T) {
	h, err := LoadHouse("plant.yaml", []byte(`site: {name: test}
opcua: {servers: [{name: s, endpoint: 'opc.tcp://127.0.0.1:4840', policy: None}]}
pans: [{name: P}]
tags:
  A: {node: 'nsu=urn:x;s=A', unit: t/h, range: [0, 400], accuracy_pct: 1}
  B: {node: 'nsu=urn:x;s=B', unit: t/h, accuracy_pct: 1}
  C: {node: 'nsu=urn:x;s=C', unit: t/h, range: [0, 400], accuracy: 2}
  D: {node: 'nsu=urn:x;s=D', unit: t/h, range: [0, 400]}
`))
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]float64{"A": 0.02, "B": 0, "C": 0.1, "D": 0}
	for _, in := range Describe(h) {
		if w, ok := want[in.Path]; ok {
			if delete(want, in.Path); in.Resolution != w {
				t.Errorf("%s: resolution %g, want %g", in.Path, in.Resolution, w)
			}
		}
	}
	if len(want) > 0 {
		t.Errorf("not described: %v", want)
	}
}
