package steam_test

import "calandria/thermo/steam"

// conductivityStates: python3-iapws 1.5.2, IAPWS97(P, T).k, computed for this test.
var conductivityStates = []struct {
	vapour bool
	p      steam.KPa
	t      steam.Celsius
	wmk    float64
}{
	{false, 101.325, 20, 0.5980109948505555},
	{false, 101.325, 60, 0.6510179604028908},
	{false, 200, 100, 0.6772728142405181},
	{false, 1000, 150, 0.6813711198894348},
	{false, 2000, 200, 0.6603976565522591},
	{true, 16, 60, 0.02103049956986823},
	{true, 101.325, 105, 0.024984872922667444},
	{true, 173.4, 125, 0.026966591375391542},
	{true, 1000, 200, 0.03631225225752641},
	{true, 2000, 300, 0.047048273531630665},
}
