// Package simulator is an invented sugar mill for the demonstration and for
// tests: a quintuple evaporator set, three vacuum pans and their condensers,
// with instruments, scaling, cleaning and upsets, and an OPC UA server that
// shows the instruments to anybody who reads them.
//
// The model ([Model]) is arithmetic: it is stepped with event time, has no
// clock and no goroutine, and the same seed and the same steps give the same
// values. The server ([Server]) is the only edge.
//
// It is a model for showing and testing software. It is no design tool, and it
// says nothing about what any real vessel may do.
//
// # The model
//
// Robert bodies in forward feed; the juice of a body is at its outlet Brix:
//
//	chest      q = U A (Tc - Tj),           Tc1 = Tsat(steam), Tc(k+1) = Tv(k) - 0.3 K
//	           q = W (H - h'(Tc))           H enthalpy of the vapour that comes in
//	juice      q (1 - 0.015) = V H + L h - Lin hin,  h = (4.19 - 2.35 x) Tj
//	vapour     H = h"(Tv) + 1.9 BPE
//	boiling    Tj = Tv + BPE(x, Tv)
//	next chest W(k+1) = V(k) - bleed(k) + flash(k+1)
//
// BPE is the Batterham-Norgate form, from memory. The flash of condensate goes
// down the chests of effects 2 to 5; exhaust condensate returns unflashed. Each
// vapour space stores some vapour and each body some juice, which gives the lags.
//
// All numbers of the mill are invented.
package simulator
