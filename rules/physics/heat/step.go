package heat

import "math"

// maxIterations bounds the solves of one step; energy closes at any number.
const maxIterations = 12

// Step advances every lane by dtS seconds under the surface top, whose skin
// temperatures, fluxes and evaporation it fills in.
func (c *Column) Step(dtS float64, top *Surface) {
	c.prepare(dtS)
	c.temp, c.old = c.old, c.temp
	var done [Width]bool
	c.solve(top, c.old, &done, true)
	for range maxIterations {
		if c.settled(top, &done) {
			break
		}
		c.solve(top, c.temp, &done, false)
	}
	c.finish(top)
}

// solve is one linear solve, linearised at temperatures at.
func (c *Column) solve(top *Surface, at []Lanes, done *[Width]bool, first bool) {
	c.Iterations++
	for l := range c.lanes {
		if !done[l] {
			top.linearise(l, c.half[0][l], at[0][l])
		}
	}
	c.eliminate(top)
	c.substitute(at, done, first)
}

// prepare renews what changed since the last step: conductivity with ice, faces,
// storage with the step.
func (c *Column) prepare(dtS float64) {
	if dtS != c.dtS {
		c.dtS, c.factorTo = dtS, c.n-1
		for i := range c.n {
			k, slope, storage := c.dz[i]/dtS, &c.slope[i], &c.storage[i]
			for l := range Width {
				storage[l] = k * slope[l]
			}
		}
	}
	for i, moved := range c.moved {
		if moved {
			c.conduct(i)
			c.moved[i] = c.freezing[i]
		}
	}
	if !c.anyStale {
		return
	}
	for i := range c.n {
		if c.stale[i] {
			if i > 0 && !c.stale[i-1] {
				c.join(i - 1)
			}
			c.join(i)
			c.factorTo = max(c.factorTo, min(i+1, c.n-1))
		}
	}
	clear(c.stale)
	c.anyStale = false
}

// conduct renews the half-cell resistances of a cell whose ice has changed.
func (c *Column) conduct(i int) {
	for l := range c.lanes {
		if m := &c.material[i][l]; m.KUnfrozen != m.KFrozen {
			c.half[i][l] = c.dz[i] / (2 * m.ConductivityWmK(c.temp[i][l]))
			c.spoil(i)
		}
	}
}

// join renews the conductance of the face below cell i.
func (c *Column) join(i int) {
	face, half := &c.face[i], &c.half[i]
	if i == c.n-1 {
		for l := range Width {
			face[l] = 1 / half[l]
		}
		if c.insulated {
			*face = Lanes{}
		}
		return
	}
	contact, next := c.contact[i], &c.half[i+1]
	for l := range Width {
		face[l] = 1 / (half[l] + contact + next[l])
	}
}

// eliminate runs from the bottom up, renewing pivots only above factorTo.
func (c *Column) eliminate(top *Surface) {
	c.factorTo = max(c.factorTo, len(c.Source)-1, 0)
	var y Lanes // right side carried up
	last := c.n - 1
	for l := range Width {
		y[l] = c.face[last][l] * c.BottomC[l]
	}
	i := last
	for ; i > c.factorTo; i-- {
		storage, old, couple, inverse, partial := &c.storage[i], &c.old[i], &c.couple[i], &c.inverse[i], &c.partial[i]
		if i == last {
			for l := range Width {
				y[l] += storage[l] * old[l]
			}
		} else {
			for l := range Width {
				y[l] = storage[l]*old[l] + couple[l]*y[l]
			}
		}
		if c.branched[i] {
			c.addChange(i, &y)
		}
		for l := range Width {
			partial[l] = y[l] * inverse[l]
		}
	}
	for ; i >= 0; i-- {
		c.pivot(i, &y, top)
	}
	c.factorTo = 0
}

// addChange adds what a change of branch does to the right side of cell i.
func (c *Column) addChange(i int, y *Lanes) {
	change := &c.change[i]
	for l := range Width {
		y[l] += change[l]
	}
}

// pivot eliminates cell i with new factors.
func (c *Column) pivot(i int, y *Lanes, top *Surface) {
	storage, old, face, couple, inverse, partial := &c.storage[i], &c.old[i], &c.face[i], &c.couple[i], &c.inverse[i], &c.partial[i]
	var diagonal Lanes
	if i == c.n-1 {
		for l := range Width {
			diagonal[l] = storage[l] + face[l]
			y[l] += storage[l] * old[l]
		}
	} else {
		next := &c.inverse[i+1]
		for l := range Width {
			k := face[l] * next[l]
			couple[l] = k
			diagonal[l] = storage[l] + face[l] - face[l]*k
			y[l] = storage[l]*old[l] + k*y[l]
		}
	}
	if i > 0 {
		above := &c.face[i-1]
		for l := range Width {
			diagonal[l] += above[l]
		}
	} else {
		for l := range Width {
			diagonal[l] += top.slope[l]
			y[l] += top.offset[l]
		}
	}
	if i < len(c.Source) {
		dz, source, sink := c.dz[i], &c.Source[i], c.dz[i]*c.SinkWm3K[i]
		for l := range Width {
			diagonal[l] += sink
			y[l] += dz*source[l] + sink*c.SinkC[l]
		}
	}
	if c.branched[i] {
		c.addChange(i, y)
	}
	for l := range Width {
		v := 1 / diagonal[l]
		inverse[l] = v
		partial[l] = y[l] * v
	}
}

// substitute runs from the top down. The first time in a step every lane is
// taken; later only those not done. Lanes that leave the linear branch they were
// linearised in, at temperatures at, go through branch.
func (c *Column) substitute(at []Lanes, done *[Width]bool, first bool) {
	c.worstK = Lanes{}
	sink := Lanes{}
	x := Lanes{} // solved temperature of the cell above
	for i := range c.n {
		partial := &c.partial[i]
		if i == 0 {
			x = *partial
			keep(&c.topC, &x, done)
		} else {
			couple := &c.couple[i-1]
			for l := range Width {
				x[l] = partial[l] + couple[l]*x[l]
			}
		}
		if i < len(c.SinkWm3K) && c.SinkWm3K[i] != 0 {
			w := c.dz[i] * c.SinkWm3K[i]
			for l := range Width {
				sink[l] += w * (c.SinkC[l] - x[l])
			}
		}
		if first && above(&x, c.warmC[i]) {
			c.temp[i] = x
			continue
		}
		c.place(i, &x, at, done)
	}
	keep(&c.bottomC, &x, done)
	keep(&c.sinkWm2, &sink, done)
}

// above says whether every lane is above limit.
func above(x *Lanes, limit float64) bool {
	for l := range Width {
		if x[l] < limit {
			return false
		}
	}
	return true
}

// keep copies the lanes that are not done.
func keep(to, from *Lanes, done *[Width]bool) {
	for l := range Width {
		if !done[l] {
			to[l] = from[l]
		}
	}
}

// place stores the solved temperatures of cell i, lane by lane.
func (c *Column) place(i int, x *Lanes, at []Lanes, done *[Width]bool) {
	temp, lo, hi := &c.temp[i], &c.lo[i], &c.hi[i]
	branched := false
	for l := range c.lanes {
		switch t := x[l]; {
		case done[l]:
		case t >= lo[l] && t <= hi[l]:
			temp[l] = t
		default:
			c.branch(i, l, at[i][l], t)
			branched = true
		}
	}
	if branched {
		c.branched[i], c.moved[i] = true, true
		c.factorTo = max(c.factorTo, i)
		c.survey(i)
	}
}

// branch takes the enthalpy that a solved temperature stands for, linearised at
// atC, back to a temperature, and linearises there.
func (c *Column) branch(i, l int, atC, solvedC float64) {
	m := &c.material[i][l]
	h := m.EnthalpyJM3(atC) + c.slope[i][l]*(solvedC-atC)
	t := m.TempC(h)
	c.temp[i][l] = t
	c.worstK[l] = math.Max(c.worstK[l], math.Abs(solvedC-t))
	c.slope[i][l] = m.SlopeJM3K(t)
	c.lo[i][l], c.hi[i][l] = m.linear(t)
	k, old := c.dz[i]/c.dtS, c.old[i][l]
	c.storage[i][l] = k * c.slope[i][l]
	c.change[i][l] = k * (c.slope[i][l]*(t-old) - (h - m.EnthalpyJM3(old)))
}

// settled marks the lanes whose step is solved and says whether all are.
func (c *Column) settled(top *Surface, done *[Width]bool) bool {
	all := true
	for l := range c.lanes {
		if !done[l] {
			done[l] = c.worstK[l] <= c.tempTol && top.leftOut(l, c.topC[l]) <= c.fluxTol
			all = all && done[l]
		}
	}
	return all
}

// finish closes the books of a step.
func (c *Column) finish(top *Surface) {
	for i, b := range c.branched {
		if b {
			c.change[i], c.branched[i] = Lanes{}, false
		}
	}
	last := c.n - 1
	for l := range c.lanes {
		top.settle(l, c.topC[l])
		c.Tally.Surface[l] += c.dtS * top.FluxWm2[l]
		c.Tally.Bottom[l] += c.dtS * c.face[last][l] * (c.BottomC[l] - c.bottomC[l])
		c.Tally.Sink[l] += c.dtS * c.sinkWm2[l]
	}
	for i := range c.Source {
		k, source := c.dtS*c.dz[i], &c.Source[i]
		for l := range Width {
			c.Tally.Source[l] += k * source[l]
		}
	}
}
