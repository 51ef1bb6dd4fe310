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

// powers1 fills px with x^0.. and py with y^J at r1Shift+J.
func powers1(px *[r1Max + 1]float64, py *[r1Shift + 18]float64, x, y float64) {
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
}

// region1 evaluates Eq. 7 and its derivatives; p in MPa, t in K.
func region1(p, t float64) gibbs {
	x, tau := 7.1-p/16.53, 1386/t
	y := tau - 1.222
	var px [r1Max + 1]float64
	var py [r1Shift + 18]float64
	powers1(&px, &py, x, y)
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

// enthalpy1 is h = R T* gamma_tau of region 1 alone, in kJ/kg; p in MPa, t in K. The
// evaporator balances call it many times a scan, so the sum is written out: J n x^I y^J
// in the order of the table, powers by as few multiplications as they need.
func enthalpy1(p, t float64) float64 {
	c := &region1Terms
	x := 7.1 - p/16.53
	y := 1386/t - 1.222
	w := 1 / y
	y2, w2 := y*y, w*w
	y3, y4, w4 := y*y2, y2*y2, w2*w2
	w3, w5, w8 := w*w2, w*w4, w4*w4
	y8 := y4 * y4
	w11 := w8 * w3
	w16 := w8 * w8
	w32 := w16 * w16
	x2 := x * x
	x3, x4 := x*x2, x2*x2
	x5, x8 := x*x4, x4*x4
	x21 := x8 * x8 * x5
	x29 := x21 * x8

	i0 := -2*c[0].n*w2 - c[1].n*w + c[3].n*y + 2*c[4].n*y2 + 3*c[5].n*y3 + 4*c[6].n*y4 + 5*c[7].n*y4*y
	i1 := -9*c[8].n*w8*w - 7*c[9].n*w5*w2 - c[10].n*w + c[12].n*y + 3*c[13].n*y3
	i2 := -3*c[14].n*w3 + c[16].n*y + 3*c[17].n*y3 + 17*c[18].n*y8*y8*y
	i3 := -4*c[19].n*w4 + 6*c[21].n*y4*y2
	i4 := -5*c[22].n*w5 - 2*c[23].n*w2 + 10*c[24].n*y8*y2
	i5 := -8 * c[25].n * w8
	i8 := -11*c[26].n*w11 - 6*c[27].n*w4*w2
	i21 := -29*c[28].n - 31*c[29].n*x2*w2                                 // times w^29
	i29 := -38*c[30].n - w*x*(39*c[31].n+w*x*(40*c[32].n+41*w*x*c[33].n)) // times w^38
	sum := i0 + x*i1 + x2*i2 + x3*i3 + x4*i4 + x5*i5 + x8*i8 + x21*w16*w11*w2*i21 + x29*w32*w4*w2*i29
	return gasR * 1386 * sum * w
}

func powers2(px *[r2MaxI + 1]float64, py *[r2MaxJ + 1]float64, x, y float64) {
	px[0], px[1] = 1, x
	for k := 2; k < len(px); k++ {
		px[k] = px[k>>1] * px[k-k>>1]
	}
	py[0], py[1] = 1, y
	for k := 2; k < len(py); k++ {
		py[k] = py[k>>1] * py[k-k>>1]
	}
}

// region2 evaluates Eq. 15 to 17 and derivatives; p in MPa, t in K.
func region2(p, t float64) gibbs {
	tau := 540 / t
	y := tau - 0.5
	var px [r2MaxI + 1]float64
	var py [r2MaxJ + 1]float64
	powers2(&px, &py, p, y)
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
// Written out like enthalpy1.
func enthalpy2(p, t float64) float64 {
	c := &region2Terms
	tau := 540 / t
	y := tau - 0.5
	y2 := y * y
	y3 := y2 * y
	y4 := y2 * y2
	y6, y7 := y3*y3, y4*y3
	y8 := y4 * y4
	y10 := y8 * y2
	y16 := y8 * y8
	y20 := y16 * y4
	y32 := y16 * y16
	y35 := y32 * y3
	p2 := p * p
	p3, p4 := p2*p, p2*p2
	p8 := p4 * p4
	p16 := p8 * p8

	// gamma^r: J n pi^I y^J
	i1 := c[1].n*y + 2*c[2].n*y2 + 3*c[3].n*y3 + 6*c[4].n*y6
	i2 := c[5].n*y + 2*c[6].n*y2 + 4*c[7].n*y4 + 7*c[8].n*y7 + 36*c[9].n*y35*y
	i3 := c[11].n*y + 3*c[12].n*y3 + 6*c[13].n*y6 + 35*c[14].n*y35
	i4 := c[15].n*y + 2*c[16].n*y2 + 3*c[17].n*y3
	i5 := 7 * c[18].n * y7
	i6 := 3*c[19].n*y3 + 16*c[20].n*y16 + 35*c[21].n*y35
	i7 := 11*c[23].n*y8*y3 + 25*c[24].n*y20*y4*y
	i8 := 8*c[25].n*y8 + 36*c[26].n*y35*y
	i9 := 13 * c[27].n * y10 * y3
	i10 := 4*c[28].n*y4 + 10*c[29].n*y10 + 14*c[30].n*y10*y4
	i16 := 29*c[31].n*y20*y8*y + 50*c[32].n*y35*y8*y7
	i18 := 57 * c[33].n * y35 * y20 * y2
	i20 := 20*c[34].n*y20 + 35*c[35].n*y35 + 48*c[36].n*y32*y16
	i21 := 21 * c[37].n * y20 * y
	i22 := 53 * c[38].n * y35 * y16 * y2
	i23 := 39 * c[39].n * y35 * y4
	i24 := 26*c[40].n*y20*y6 + 40*c[41].n*y20*y20 + 58*c[42].n*y35*y20*y3
	sum := p*(i1+p*i2+p2*i3+p3*i4) + p4*(p*i5+p2*i6+p3*i7) +
		p8*(i8+p*i9+p2*i10) + p16*(i16+p2*i18+p4*(i20+p*i21+p2*i22+p3*i23+p4*i24))
	sum /= y

	// gamma^o: J n tau^(J-1), J from -5 to 3
	o := &region2Ideal
	it := 1 / tau
	ideal := o[1].n + 2*o[7].n*tau + 3*o[8].n*tau*tau -
		it*it*(o[6].n+it*(2*o[5].n+it*(3*o[4].n+it*(4*o[3].n+it*5*o[2].n))))
	return gasR * 540 * (sum + ideal)
}

// boundary23T is the temperature in K of the line between regions 2 and 3 at p in kPa,
// R7-97 Eq. 6.
func boundary23T(p float64) float64 {
	return 0.57254459862746e3 + math.Sqrt((p*1e-3-0.1391883977887e2)/0.10192970039326e-2)
}
