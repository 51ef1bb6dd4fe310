package simulator

import (
	"math"
	"testing"
)

func TestBaseCase(t *testing.T) {
	m := NewMill()
	s, err := m.Solve(Base(), nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("%+v", s)
	if math.Abs(s.Brix[4]-65) > 0.001 {
		t.Errorf("Brix %v", s.Brix[4])
	}
}
