package fouling

// Growth gives the tests the curve of a law.
var Growth = growth

// Days until the median day from the moment asked; 0 once reached.
func (f *Forecast) Days() float64 {
	if f.Due.IsZero() {
		return 0
	}
	return max(0, f.Due.Sub(f.At).Hours()/24)
}
