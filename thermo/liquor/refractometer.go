package liquor

import "calandria/thermo/steam"

// RefractiveIndex returns the refractive index at 589 nm and 20 degC of a sucrose
// solution of b % Brix: a least-squares fit of the table ICUMSA SPS-3, w = B/100,
//
//	n = 1.33298881 + 0.14266847 w + 0.05540826 w^2 + 0.01005748 w^3
//	    + 0.01586161 w^4 - 0.01074238 w^5
//
// largest residual 3e-6. Range 0 to 85 % Brix, flagged to 90. The table's five-decimal
// values are largely from memory; they agree with the CRC Handbook within 6e-5 to 70
// and 1e-4 at 80 Brix.
func RefractiveIndex(b Brix) (float64, error) {
	sb := span{"Brix", "%", 0, 85, 0, 90}
	if err := sb.check(float64(b)); err != nil {
		return 0, err
	}
	w := float64(b) / 100
	v := 1.33298881 + w*(0.14266847+w*(0.05540826+w*(0.01005748+w*(0.01586161-0.01074238*w))))
	const name = "refractive index"
	return result(name, v, sb.flag(float64(b), name, v))
}

// BrixFromRefractiveIndex returns % Brix for the refractive index n at 589 nm and 20
// degC: a fit of the same table, u = n - 1.33299,
//
//	B = 700.33990878 u - 1844.3461853 u^2 + 5482.45823154 u^3
//	    - 12316.61077785 u^4 + 15693.84143343 u^5
//
// largest residual 0.004 Brix. Range 1.33299 to 1.50398 (0 to 85 Brix); flagged down
// to 1.3325 (a slightly negative Brix, the noise of an instrument in water) and up to
// 1.5150.
func BrixFromRefractiveIndex(n float64) (Brix, error) {
	sn := span{"refractive index", "1", 1.33299, 1.50398, 1.3325, 1.5150}
	if err := sn.check(n); err != nil {
		return 0, err
	}
	u := n - 1.33299
	v := u * (700.33990878 + u*(-1844.3461853+u*(5482.45823154+u*(-12316.61077785+15693.84143343*u))))
	const name = "Brix from refractive index"
	x, err := result(name, v, sn.flag(n, name, v))
	return Brix(x), err
}

// BrixFromRefractiveIndexPoly5 is [BrixFromRefractiveIndex] by the polynomial of the
// enology texts (from memory),
//
//	B = -99127.4536 + 318417.95 n - 413145.80 n^2 + 270177.93 n^3
//	    - 88885.21 n^4 + 11758.74 n^5
//
// within 0.03 Brix of ICUMSA SPS-3, mostly 0.02 below it. Range as there.
func BrixFromRefractiveIndexPoly5(n float64) (Brix, error) {
	sn := span{"refractive index", "1", 1.33299, 1.50398, 1.3325, 1.5150}
	if err := sn.check(n); err != nil {
		return 0, err
	}
	v := -99127.4536 + n*(318417.95+n*(-413145.80+n*(270177.93+n*(-88885.21+n*11758.74))))
	const name = "Brix from refractive index"
	x, err := result(name, v, sn.flag(n, name, v))
	return Brix(x), err
}

// RefractometerCorrection returns the correction in % Brix to add to the reading b of
// a sugar-scale refractometer whose prism is at temperature t instead of 20 degC,
// d = t - 20,
//
//	c = d (5.72789888e-2 + 6.41458281e-4 B - 5.60698435e-6 B^2)
//	    + d^2 (3.18104807e-4 - 2.89121623e-6 B - 3.94967179e-8 B^2)
//
// a fit of OIV-MA-AS2-02 Table I (10 to 16 degC) and the CRC Handbook (21 to 30 degC),
// root mean square 0.009, largest residual 0.04 Brix. [RefractometerCorrection1936]
// gives up to 0.1 Brix more at 30 degC: the tables disagree there.
//
// Range 10 to 30 degC, 5 to 75 Brix; flagged to 0 to 40 degC, 0 to 85 Brix. In-line
// refractometers at 50 to 80 degC carry a compensation of their own: this one is not
// for them.
func RefractometerCorrection(b Brix, t steam.Celsius) (float64, error) {
	return refractometerCorrection(b, t, 5, [6]float64{5.72789888e-2, 6.41458281e-4, -5.60698435e-6, 3.18104807e-4, -2.89121623e-6, -3.94967179e-8})
}

// RefractometerCorrection1936 is [RefractometerCorrection] by another table,
//
//	c = d (6.17927012e-2 + 5.64184389e-4 B - 4.72905673e-6 B^2)
//	    + d^2 (1.08281276e-3 - 1.91618909e-5 B + 9.48510193e-8 B^2)
//
// a fit of the International temperature correction table of 1936 (ICUMSA; 10 to 30 degC,
// 0 to 70 Brix; its rows above 22 degC from memory) and of OIV-MA-AS2-02 Table I (10 to 16
// degC, 10 to 75 Brix): root mean square 0.006, largest residual 0.03 Brix. It agrees with
// the refractive index of water at 30 degC, 0.735 Brix. Range 10 to 30 degC, 0 to 75
// Brix; flagged as the other.
func RefractometerCorrection1936(b Brix, t steam.Celsius) (float64, error) {
	return refractometerCorrection(b, t, 0, [6]float64{6.17927012e-2, 5.64184389e-4, -4.72905673e-6, 1.08281276e-3, -1.91618909e-5, 9.48510193e-8})
}

func refractometerCorrection(b Brix, t steam.Celsius, lowest float64, k [6]float64) (float64, error) {
	sb := span{"Brix", "%", lowest, 75, 0, 85}
	st := span{"temperature", "degC", 10, 30, 0, 40}
	if err := firstError(sb.check(float64(b)), st.check(float64(t))); err != nil {
		return 0, err
	}
	x, d := float64(b), float64(t)-20
	v := d*(k[0]+x*(k[1]+x*k[2])) + d*d*(k[3]+x*(k[4]+x*k[5]))
	const name = "refractometer temperature correction"
	return result(name, v, sb.flag(x, name, v), st.flag(float64(t), name, v))
}
