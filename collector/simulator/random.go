package simulator

import (
	"math"
	"math/rand/v2"
)

// ou is a slow random disturbance: an Ornstein-Uhlenbeck process with standard
// deviation sigma and correlation time tau (s), mean 0.
type ou struct {
	sigma, tau float64
	x          float64
	dt, a, b   float64
}

func (o *ou) step(dt float64, r *rand.Rand) float64 {
	if dt != o.dt {
		o.dt, o.a = dt, math.Exp(-dt/o.tau)
		o.b = o.sigma * math.Sqrt(1-o.a*o.a)
	}
	o.x = o.a*o.x + o.b*r.NormFloat64()
	return o.x
}
