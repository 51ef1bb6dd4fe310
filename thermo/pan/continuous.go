package pan

import (
	"errors"
	"fmt"

	"calandria/thermo/liquor"
)

// Compartment is one compartment of a continuous pan, as it is read. What is not
// known has OK false.
type Compartment struct {
	Name            string
	MassecuiteC     Reading
	PressureKPa     Reading // of the compartment; usually one vapour space for all
	LiquorPurityPct Reading
	MassecuiteBrix  Reading
	LevelPct        Reading
}

// CompartmentState is what follows.
type CompartmentState struct {
	Name   string  `json:"name"`
	Liquor Liquor  `json:"liquor"`
	OK     bool    `json:"ok"`
	Why    string  `json:"why,omitempty"` // if not OK
	Brix   Reading `json:"brix"`          // of the massecuite, as read
	// CrystalPct on massecuite, from the Brix of massecuite and liquor.
	CrystalPct Reading `json:"crystal_pct"`
	// Note says in plain words what is not as it should be.
	Note string `json:"note,omitempty"`
}

// Compartments works out each compartment of a continuous pan, in the order of
// flow from the seed. The crystal content must rise and the purity of the liquor
// fall along the way; where they do not, a note says so. At most 40.
func Compartments(cs []Compartment, s Site) ([]CompartmentState, error) {
	if len(cs) > 40 {
		return nil, errors.New("continuous pan: more than 40 compartments")
	}
	out := make([]CompartmentState, len(cs))
	for i, c := range cs {
		o := &out[i]
		o.Name, o.Brix = c.Name, c.MassecuiteBrix.checked(0, 100)
		t, p, q := c.MassecuiteC.checked(0, 130), c.PressureKPa.checked(1, 200), c.LiquorPurityPct.checked(1, 100)
		switch {
		case !t.OK:
			o.Why = "no usable massecuite temperature"
		case !p.OK:
			o.Why = "no usable vapour pressure"
		case !q.OK:
			o.Why = "no purity of the mother liquor"
		default:
			l, err := MotherLiquor(LiquorReading{MassecuiteC: t.Value, PressureKPa: p.Value, LiquorPurityPct: q.Value, SigmaK: 0.1, SigmaKPa: 0.1, SigmaPurityPct: 1}, s)
			if err != nil {
				o.Why = err.Error()
				break
			}
			o.Liquor, o.OK = l, true
			if o.Brix.OK {
				if x, err := liquor.CrystalContent(liquor.Brix(o.Brix.Value), l.Brix); err == nil {
					o.CrystalPct = Reading{x, true}
				}
			}
		}
		if lv := c.LevelPct.checked(0, 150); lv.OK && lv.Value < 15 {
			o.note("level under 15 %: dry compartment")
		}
		if !o.OK {
			continue
		}
		switch l := o.Liquor; {
		case l.Zone == liquor.Undersaturated:
			o.note("undersaturated: crystals dissolve")
		case l.Zone == liquor.Intermediate:
			o.note("above the metastable zone: false grain may form")
		case l.Zone == liquor.Labile:
			o.note("labile: grain forms of itself")
		}
		for j := i - 1; j >= 0; j-- {
			if b := &out[j]; b.OK {
				if o.Liquor.Purity > b.Liquor.Purity+1 {
					o.note(fmt.Sprintf("purer liquor than in %s", b.Name))
				}
				break
			}
		}
		for j := i - 1; j >= 0; j-- {
			if b := &out[j]; b.CrystalPct.OK && o.CrystalPct.OK {
				if o.CrystalPct.Value < b.CrystalPct.Value-2 {
					o.note(fmt.Sprintf("less crystal than in %s", b.Name))
				}
				break
			}
		}
	}
	return out, nil
}

func (o *CompartmentState) note(s string) {
	if o.Note != "" {
		o.Note += "; "
	}
	o.Note += s
}
