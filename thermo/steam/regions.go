package steam

import "math"

// gibbs holds the dimensionless Gibbs free energy and its derivatives with respect
// to the reduced pressure (p) and the reciprocal reduced temperature (t).
type gibbs struct{ g, p, pp, t, tt, pt float64 }

// Integer powers come from a table filled with one multiplication each; a loop over
// the terms is then several times faster than math.Pow.

const (
	r1Shift = 41 // region 1: J from -41 to 17
	r1Max   = 32 // region 1: I from 0 to 32
	r2MaxI  = 24
	r2MaxJ  = 58
)

func powers1(x, y float64) (px [r1Max + 1]float64, py [r1Shift + 18]float64) {
	px[0], px[1] = 1, x
	for k := 2; k < len(px); k++ {
		px[k] = px[k>>1] * px[k-k>>1]
	}
	inv := 1 / y
	py[r1Shift] = 1
	py[r1Shift+1], py[r1Shift-1] = y, inv
	for k := 2; k <= 17; k++ {
		py[r1Shift+k] = py[r1Shift+k>>1] * py[r1Shift+k-k>>1]
	}
	for k := 2; k <= r1Shift; k++ {
		py[r1Shift-k] = py[r1Shift-k>>1] * py[r1Shift-k+k>>1]
	}
	return px, py
}

// region1 evaluates Eq. 7 and its derivatives; p in MPa, t in K.
func region1(p, t float64) gibbs {
	x, tau := 7.1-p/16.53, 1386/t
	y := tau - 1.222
	px, py := powers1(x, y)
	var g gibbs
	for i := range region1Terms {
		c := &region1Terms[i]
		v := c.n * px[c.i] * py[r1Shift+c.j]
		fi, fj := float64(c.i), float64(c.j)
		g.g += v
		g.p += fi * v
		g.pp += fi * (fi - 1) * v
		g.t += fj * v
		g.tt += fj * (fj - 1) * v
		g.pt += fi * fj * v
	}
	ix, iy := -1/x, 1/y // d(7.1-pi)/dpi = -1
	g.p *= ix
	g.pp *= ix * ix
	g.t *= iy
	g.tt *= iy * iy
	g.pt *= ix * iy
	return g
}

// enthalpy1 is h = R T* gamma_tau of region 1 alone, in kJ/kg; p in MPa, t in K.
func enthalpy1(p, t float64) float64 {
	y := 1386/t - 1.222
	px, py := powers1(7.1-p/16.53, y)
	var sum float64
	for i := range region1Terms {
		c := &region1Terms[i]
		sum += float64(c.j) * c.n * px[c.i] * py[r1Shift+c.j]
	}
	return gasR * 1386 * sum / y
}

func powers2(x, y float64) (px [r2MaxI + 1]float64, py [r2MaxJ + 1]float64) {
	px[0], px[1] = 1, x
	for k := 2; k < len(px); k++ {
		px[k] = px[k>>1] * px[k-k>>1]
	}
	py[0], py[1] = 1, y
	for k := 2; k < len(py); k++ {
		py[k] = py[k>>1] * py[k-k>>1]
	}
	return px, py
}

// region2 evaluates Eq. 15 to 17 and derivatives; p in MPa, t in K.
func region2(p, t float64) gibbs {
	tau := 540 / t
	y := tau - 0.5
	px, py := powers2(p, y)
	var g gibbs
	for i := range region2Terms {
		c := &region2Terms[i]
		v := c.n * px[c.i] * py[c.j]
		fi, fj := float64(c.i), float64(c.j)
		g.g += v
		g.p += fi * v
		g.pp += fi * (fi - 1) * v
		g.t += fj * v
		g.tt += fj * (fj - 1) * v
		g.pt += fi * fj * v
	}
	ip, iy := 1/p, 1/y
	g.p *= ip
	g.pp *= ip * ip
	g.t *= iy
	g.tt *= iy * iy
	g.pt *= ip * iy

	g.g += math.Log(p)
	g.p += ip
	g.pp -= ip * ip
	pt := 1 / (tau * tau * tau * tau * tau) // tau^-5, the lowest power
	var pw [9]float64                       // tau^-5 .. tau^3
	for k := range pw {
		pw[k] = pt
		pt *= tau
	}
	it := 1 / tau
	for i := range region2Ideal {
		c := &region2Ideal[i]
		v := c.n * pw[c.j+5]
		fj := float64(c.j)
		g.g += v
		g.t += fj * v * it
		g.tt += fj * (fj - 1) * v * it * it
	}
	return g
}

// enthalpy2 is h = R T* gamma_tau of region 2 alone, in kJ/kg; p in MPa, t in K.
func enthalpy2(p, t float64) float64 {
	tau := 540 / t
	y := tau - 0.5
	px, py := powers2(p, y)
	var sum float64
	for i := range region2Terms {
		c := &region2Terms[i]
		sum += float64(c.j) * c.n * px[c.i] * py[c.j]
	}
	sum /= y
	pt := 1 / (tau * tau * tau * tau * tau * tau) // d/dtau lowers every power by one
	var pw [9]float64
	for k := range pw {
		pw[k] = pt
		pt *= tau
	}
	for i := range region2Ideal {
		c := &region2Ideal[i]
		sum += float64(c.j) * c.n * pw[c.j+5]
	}
	return gasR * 540 * sum
}

// boundary23 is the pressure in kPa of the line between regions 2 and 3 at t in K,
// Eq. 5; boundary23T its inverse, Eq. 6.
func boundary23(t float64) float64 {
	return (0.34805185628969e3 + (-0.11671859879975e1+0.10192970039326e-2*t)*t) * 1e3
}

func boundary23T(p float64) float64 {
	return 0.57254459862746e3 + math.Sqrt((p*1e-3-0.1391883977887e2)/0.10192970039326e-2)
}
