package evaporator_test

import (
	"fmt"

	"calandria/thermo/evaporator"
)

// A double effect without instruments for bleeds: the second body's pressure
// transmitter fails, its thermometer stands in; then that fails too.
func ExampleSet_Evaluate() {
	d := evaporator.Conventions(
		evaporator.Body{Name: "EV1", Effect: 1, AreaM2: 600},
		evaporator.Body{Name: "EV2", Effect: 2, AreaM2: 600})
	d.BleedFrom = [evaporator.MaxEffects]bool{} // no bleed lines
	set, err := evaporator.New(d)
	if err != nil {
		fmt.Println(err)
		return
	}
	m := evaporator.Measurement{
		JuiceTH:   evaporator.Read(60, 0.3),
		FeedBrix:  evaporator.Read(15, 0.1),
		FeedC:     evaporator.Read(100, 0.3),
		SyrupBrix: evaporator.Read(55, 0.3),
		SteamKPa:  evaporator.Read(170, 0.5),
	}
	m.Bodies[0].VapourKPa = evaporator.Read(95, 0.3)
	m.Bodies[1].VapourC = evaporator.Read(60, 0.3)
	r := set.NewResults()
	set.Uncertainty(&m, r)
	fmt.Println(r.Row)
	fmt.Printf("steam %.1f +/- %.1f t/h, %s\n", r.SteamTH.Value, r.SteamTH.Sigma, r.SteamTH.How)
	fmt.Printf("U of EV2 %.2f +/- %.2f kW/(m2 K)\n", r.Bodies[1].U.Value, r.Bodies[1].U.Sigma)

	m.Bodies[1].VapourC.OK = false
	set.Evaluate(&m, r)
	fmt.Println(r.Bodies[1].U.How, "-", r.Bodies[1].U.Reason)
	// Output:
	// from juice flow, feed Brix and syrup Brix
	// steam 21.9 +/- 0.1 t/h, balanced
	// U of EV2 0.62 +/- 0.01 kW/(m2 K)
	// absent - EV2: no usable vapour-space pressure, vapour temperature or next chest pressure
}
