// Package evaporator computes a multiple-effect evaporator from measured tags:
// evaporation and Brix body by body, heat-transfer coefficients, steam by
// balance, economy, their uncertainty, and the instrument that does not fit
// the others. It also predicts the steady state of a set from its surfaces and
// coefficients.
//
// The model is the usual one for Robert bodies:
//
//	solids            F x0 = L x                          no entrainment
//	chest             q = W (H_in - h'(Tc))                condensate leaves saturated
//	juice side        q (1 - loss) + L_in h_in = V H + L h
//	vapour            H = h"(p) + cpv BPE                  superheated by the elevation
//	juice             Tj = Tsat(p) + BPE(x_out, p)         the body boils at its outlet Brix
//	next chest        W_2 = V_1 - bleed_1 + flash_2
//	condensate flash  X = M (h'(Tc_1) - h'(Tc_2))/lambda(Tc_2)
//	coefficient       U = q/(A (Tc - Tj))
//
// Which readings are enough for what, best first (Results.Row):
//
//	juice flow, Brix before and after every body     everything; bleeds by balance
//	juice flow, feed and syrup Brix                   everything but the check of the steam meter
//	  and steam flow                                  and that; or one bleed without a meter
//	juice flow, feed Brix, steam flow                 everything; the syrup Brix is calculated
//	feed and syrup Brix, steam flow                   everything; the juice flow is calculated
//	temperatures only                                 their shares; by the Rillieux count what it gives
//
// with pressures (or thermometers) up the ladder and the feed temperature in all rows
// but the last. A flow that is looked for is solved together with the evaporations, see
// balances.go: with exact readings there is always an answer, and what a set of readings
// is refused for is true of the readings (tests draw thousands of sets).
//
//	from tags      Set.Evaluate, Set.Uncertainty       a Result each, with its origin or why there is none
//	instruments    Set.Reconcile, Reconcile            checks, suspects, reconciled values
//	ahead          Set.Predict                         state of a set from surfaces and coefficients
//	clean bodies   Correlation (Dessin, Swedish), LevelTable
//	heaters        HeaterBleedTH
//	entrainment    VapourVelocity
//
// Flows are in t/h, temperatures in degC, differences in K, pressures in kPa
// absolute, duties in kW, coefficients in kW/(m2 K), Brix in % by mass. The
// hydrostatic head is reported but stays inside U.
//
// The package is arithmetic: it has no clock and never returns a number it could
// not compute. A Result without a value says in plain words what was missing.
// Nothing outlives a call: a Set holds scratch space.
//
// Bodies stand in the order of the juice, their effects in that of the vapour:
// forward, backward and mixed feed are computed alike, from tags as well as ahead.
package evaporator
