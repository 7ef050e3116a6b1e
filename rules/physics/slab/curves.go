package slab

import (
	"math"

	"frostgate/rules/physics/concrete"
)

// curves are a mix's rates and degree of hydration tabulated, because the run
// asks for them in every cell at every step. Rates err by less than 4e-5 of
// themselves, the degree by less than 1e-5.
type curves struct {
	model  concrete.Model
	rates  [rateRows]rateRow
	degree [degreeRows]float64
}

// rateRow is the rates of heat, setting and strength at a temperature and their
// rise to the next row.
type rateRow struct{ heat, heatRise, set, setRise, strength, strengthRise float64 }

const (
	rateFromC, rateToC = -60.0, 130.0
	ratesPerK          = 4.0
	rateRows           = int((rateToC-rateFromC)*ratesPerK) + 1

	// The degree is tabulated by age, finely while young.
	youngH, youngPerH = 64.0, 8.0
	oldH, oldPerH     = 2048.0, 0.5
	youngRows         = int(youngH * youngPerH)
	degreeRows        = youngRows + int((oldH-youngH)*oldPerH) + 1
)

// of fills the curves for a model, unless they are its own already.
func (c *curves) of(m *concrete.Model) {
	if c.model == *m {
		return
	}
	c.model = *m
	for i := range c.rates {
		t := rateFromC + float64(i)/ratesPerK
		c.rates[i].heat, c.rates[i].set, c.rates[i].strength = m.HeatRate(t), m.SetRate(t), m.StrengthRate(t)
	}
	for i := range len(c.rates) - 1 {
		r, n := &c.rates[i], &c.rates[i+1]
		r.heatRise, r.setRise, r.strengthRise = n.heat-r.heat, n.set-r.set, n.strength-r.strength
	}
	for i := range c.degree {
		te := float64(i) / youngPerH
		if i > youngRows {
			te = youngH + float64(i-youngRows)/oldPerH
		}
		c.degree[i] = m.Degree(te)
	}
}

// at gives the rates of heat, setting and strength at a temperature, held within
// the table.
func (c *curves) at(tempC float64) (heat, set, strength float64) {
	x := (tempC - rateFromC) * ratesPerK
	if x < 0 {
		x = 0
	}
	i := int(x)
	if i >= rateRows {
		x, i = float64(rateRows-1), rateRows-1
	}
	w, r := x-float64(i), &c.rates[i]
	return r.heat + w*r.heatRise, r.set + w*r.setRise, r.strength + w*r.strengthRise
}

// degreeAt is the degree of hydration at an equivalent age.
func (c *curves) degreeAt(teH float64) float64 {
	x, base := teH*youngPerH, 0
	if teH >= youngH {
		x, base = (math.Min(teH, oldH-1)-youngH)*oldPerH, youngRows
	}
	i := int(x)
	a := c.degree[base+i]
	return a + (x-float64(i))*(c.degree[base+i+1]-a)
}
