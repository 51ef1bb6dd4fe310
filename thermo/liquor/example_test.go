package liquor_test

import (
	"errors"
	"fmt"

	"calandria/thermo/liquor"
	"calandria/thermo/steam"
)

// Syrup of 65 Brix boiling in the last body at 16 kPa absolute.
func ExampleBPEModel_Elevation() {
	for _, m := range []liquor.BPEModel{liquor.StarzakPeacock, liquor.BatterhamNorgate, liquor.Hugot} {
		bpe, err := m.Elevation(65, 84, 16, 0)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%-17s %.2f K\n", m, bpe)
	}
	// Output:
	// sp97              2.95 K
	// batterham-norgate 3.35 K
	// hugot             3.71 K
}

// The mother liquor of a strike from the boiling temperature and the vacuum.
func ExampleBPEModel_BrixFromElevation() {
	const p, tBoiling = 13, 55.87
	ts, _ := steam.Tsat(p)
	b, err := liquor.StarzakPeacock.BrixFromElevation(tBoiling-float64(ts), 100, p, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f Brix\n", float64(b))
	// Output: 74.0 Brix
}

// An equation used outside its source's range still gives a value, with a flag.
func ExampleExtrapolation() {
	v, err := liquor.Geankoplis.Elevation(65, 100, 16, 0)
	var x *liquor.Extrapolation
	if errors.As(err, &x) {
		fmt.Printf("%.2f K, but %v\n", v, x)
	}
	_, err = liquor.Geankoplis.Elevation(80, 100, 16, 0)
	fmt.Println(err)
	// Output:
	// 3.78 K, but boiling-point elevation (geankoplis) extrapolated: Brix 65 % is outside the source's range 0 to 50 %
	// Brix 80 % is out of range 0 to 70 %
}

func ExampleAccept() {
	h, flagged, err := liquor.Accept(liquor.Bubnik.Enthalpy(14, 86, 115))
	fmt.Printf("%.1f kJ/kg, extrapolated %t, %v\n", h, flagged, err)
	// Output: 447.0 kJ/kg, extrapolated true, <nil>
}

func ExampleSolubilityModel_Supersaturation() {
	s, err := liquor.Vavrinecz.Supersaturation(80, 85, 66, liquor.CaneImpurity())
	if err != nil {
		fmt.Println(err)
		return
	}
	zone, _ := liquor.TypicalZones().Zone(s)
	fmt.Printf("%.3f %s\n", s, zone)
	// Output: 1.156 metastable
}
