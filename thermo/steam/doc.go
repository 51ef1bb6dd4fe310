// Package steam holds the properties of water and steam after the industrial
// formulation IAPWS-IF97, as far as a boiling house needs them: exhaust steam,
// vapour, condensate, flash, let-down stations and thermocompressors.
//
// # What it covers
//
//	saturation line   Tsat, Psat, PsatSlope                    region 4   0 to 373.946 degC
//	saturated         SatLiquidEnthalpy, SatVapourEnthalpy,    1, 2, 3    0 to 373.946 degC, 0.611213 to 22064 kPa
//	                  LatentHeat, LiquidEnthalpyAt,
//	                  SatVapour
//	liquid            Liquid                                   1, 3       0 to 373.946 degC, to 100 MPa
//	steam             Vapour                                   2, 3       0 to 800 degC, to 100 MPa
//
// Region 3 (the neighbourhood of the critical point, which begins at 16.5 MPa and 350
// degC) is solved for its density by iteration, a few microseconds a call. Region 5
// (above 800 degC) is not carried: no boiling house reaches it, and it is refused with a
// [*RangeError].
//
// # Units
//
// Pressure is absolute, in kPa ([KPa]); temperature in degC ([Celsius]); enthalpy in
// kJ/kg ([KJPerKg]); entropy in kJ/(kg K). A gauge reads gauge pressure or vacuum:
// convert with the site's barometer first. Under pan vacuum 1 kPa is 1.5 K of boiling
// temperature.
//
// # Source and accuracy
//
// IAPWS R7-97(2012), Revised Release on the IAPWS Industrial Formulation 1997 for the
// Thermodynamic Properties of Water and Steam. The tests reproduce every check value of the releases'
// tables to the last printed digit, and 300 states of an independent implementation to
// 1e-9. At the borders between regions properties jump by what the release allows (0.05 %
// in volume, 0.2 kJ/kg, 1 % in heat capacity). The formulation itself is good to about 0.02 to 0.1 % in volume, 0.2 % in
// specific heat and 0.05 % in saturation pressure in this range (from memory).
//
// # Errors
//
// A value out of range, NaN and the infinities give a [*RangeError] that names the
// quantity and the range; the value returned beside an error is zero. No function
// returns NaN, panics, allocates when all is well, or keeps state: all may be called
// from any goroutine.
//
// The numbers are for watching a process. The design and protection of pressure
// vessels, relief valves and vacuum breakers is a matter of the local code and of
// licensed practice.
package steam
