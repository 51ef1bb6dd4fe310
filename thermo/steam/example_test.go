package steam_test

import (
	"errors"
	"fmt"

	"calandria/thermo/steam"
)

// The vapour space of a last body under vacuum.
func ExampleTsat() {
	t, err := steam.Tsat(16)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f degC\n", float64(t))
	// Output: 55.31 degC
}

// A gauge pressure taken for an absolute one is often out of range and is then refused.
func ExampleRangeError() {
	_, err := steam.Tsat(-85) // a vacuum gauge, in kPa
	var r *steam.RangeError
	if errors.As(err, &r) {
		fmt.Println(r)
	}
	// Output: absolute pressure -85 kPa is out of range 0.611213 to 22064 kPa
}

func ExampleLatentHeat() {
	r, _ := steam.LatentHeat(101.325)
	fmt.Printf("%.1f kJ/kg\n", float64(r))
	// Output: 2256.5 kJ/kg
}
