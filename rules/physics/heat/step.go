package heat

import "math"

// The race detector leaves out the loops over cells, marked go:norace, which it
// would slow more than tenfold: they touch only the column's own memory. A column
// that two goroutines use is still seen, in Step.

// maxIterations bounds the solves of one step; energy closes at any number.
const maxIterations = 12

// Step advances every lane by dtS seconds under the surface top, whose skin
// temperatures, fluxes and evaporation it fills in.
func (c *Column) Step(dtS float64, top *Surface) {
	c.prepare(dtS)
	c.temp, c.old = c.old, c.temp
	var done [Width]bool
	c.solve(top, c.old, &done, true)
	for k := range maxIterations {
		if c.settled(top, &done) {
			break
		}
		c.lastRound = k == maxIterations-1
		c.solve(top, c.temp, &done, false)
	}
	c.lastRound = false
	c.finish(top)
}

// solve is one linear solve, linearised at temperatures at.
func (c *Column) solve(top *Surface, at []Lanes, done *[Width]bool, first bool) {
	c.Iterations++
	for l := range c.lanes {
		if !done[l] {
			top.linearise(l, c.half[0][l], at[0][l], c.fluxTol)
		}
	}
	c.eliminate(top)
	c.substitute(at, done, first)
}

// prepare renews what changed since the last step: conductivity with ice, faces,
// storage with the step.
//
//go:norace
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
	for i := range c.n {
		if c.turned[i] {
			c.survey(i)
			c.turned[i] = false
		}
		if c.moved[i] {
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
//
//go:norace
func (c *Column) conduct(i int) {
	for l := range c.lanes {
		if m := &c.material[i][l]; m.KUnfrozen != m.KFrozen {
			c.half[i][l] = c.dz[i] / (2 * m.ConductivityWmK(c.temp[i][l]))
			c.spoil(i)
		}
	}
}

// join renews the conductance of the face below cell i.
//
//go:norace
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
//
//go:norace
func (c *Column) eliminate(top *Surface) {
	var y Lanes // right side carried up
	c.sourceWm2 = Lanes{}
	last := c.n - 1
	for l := range Width {
		y[l] = c.face[last][l] * c.BottomC[l]
	}
	c.couple[last] = All(1) // to the bottom
	for i := last; i >= 0; i-- {
		if i <= c.factorTo {
			c.pivot(i, top)
		}
		storage, old, couple, inverse, partial := &c.storage[i], &c.old[i], &c.couple[i], &c.inverse[i], &c.partial[i]
		if i < max(len(c.Source), c.sunk, 1) || c.branched[i] {
			for l := range Width {
				y[l] = storage[l]*old[l] + couple[l]*y[l]
			}
			c.extra(i, &y, top)
			for l := range Width {
				partial[l] = y[l] * inverse[l]
			}
			continue
		}
		for l := range Width {
			v := storage[l]*old[l] + couple[l]*y[l]
			y[l] = v
			partial[l] = v * inverse[l]
		}
	}
	c.factorTo = 0
}

// extra adds to the right side of cell i what not every cell has: heat from
// within and sideways, changes of branch, the surface.
//
//go:norace
func (c *Column) extra(i int, y *Lanes, top *Surface) {
	if i < len(c.Source) {
		dz, source := c.dz[i], &c.Source[i]
		for l := range Width {
			v := dz * source[l]
			y[l] += v
			c.sourceWm2[l] += v
		}
	}
	if i < c.sunk {
		sink := c.dz[i] * c.sinkWm3K[i]
		for l := range Width {
			y[l] += sink * c.SinkC[l]
		}
	}
	if c.branched[i] {
		for l, v := range &c.change[i] {
			y[l] += v
		}
	}
	if i == 0 {
		for l := range Width {
			y[l] += top.offset[l]
		}
	}
}

// pivot renews the factors of cell i.
//
//go:norace
func (c *Column) pivot(i int, top *Surface) {
	storage, face, couple, inverse := &c.storage[i], &c.face[i], &c.couple[i], &c.inverse[i]
	diagonal := *storage
	if i > 0 {
		above := &c.face[i-1]
		for l := range Width {
			diagonal[l] += above[l]
		}
	} else {
		for l := range Width {
			diagonal[l] += top.slope[l]
		}
	}
	if i < c.sunk {
		sink := c.dz[i] * c.sinkWm3K[i]
		for l := range Width {
			diagonal[l] += sink
		}
	}
	if i == c.n-1 {
		for l := range Width {
			inverse[l] = 1 / (diagonal[l] + face[l])
		}
		return
	}
	next := &c.inverse[i+1]
	for l := range Width {
		k := face[l] * next[l]
		couple[l] = k
		inverse[l] = 1 / (diagonal[l] + face[l] - face[l]*k)
	}
}

// substitute runs from the top down. The first time in a step every lane is
// taken; later only those not done. Lanes that leave the linear branch they were
// linearised in, at temperatures at, go through branch.
//
//go:norace
func (c *Column) substitute(at []Lanes, done *[Width]bool, first bool) {
	c.worstK = Lanes{}
	x := c.partial[0] // solved temperature of the cell above
	keep(&c.topC, &x, done)
	sink := c.sideways(0, &x)
	c.place(0, &x, at, done)
	for i := 1; i < c.n; i++ {
		partial, couple := &c.partial[i], &c.couple[i-1]
		if first && i >= c.sunk {
			temp, limit := &c.temp[i], c.warmC[i]
			var below uint64 // sign bit of any lane below limit
			for l := range Width {
				v := partial[l] + couple[l]*x[l]
				x[l], temp[l] = v, v
				below |= math.Float64bits(v - limit)
			}
			if below>>63 == 0 {
				continue
			}
		} else {
			for l := range Width {
				x[l] = partial[l] + couple[l]*x[l]
			}
		}
		if i < c.sunk {
			for l, v := range c.sideways(i, &x) {
				sink[l] += v
			}
		}
		c.place(i, &x, at, done)
	}
	keep(&c.bottomC, &x, done)
	keep(&c.sinkWm2, &sink, done)
}

// sideways is the heat that cell i gains through its sides.
//
//go:norace
func (c *Column) sideways(i int, x *Lanes) (gain Lanes) {
	if i < c.sunk {
		w := c.dz[i] * c.sinkWm3K[i]
		for l := range Width {
			gain[l] = w * (c.SinkC[l] - x[l])
		}
	}
	return gain
}

// keep copies the lanes that are not done.
//
//go:norace
func keep(to, from *Lanes, done *[Width]bool) {
	for l := range Width {
		if !done[l] {
			to[l] = from[l]
		}
	}
}

// place stores the solved temperatures of cell i, lane by lane.
//
//go:norace
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
	}
}

// branch takes the enthalpy that a solved temperature stands for, linearised at
// atC, back to a temperature, and linearises there. Where that would run beyond the
// solved temperature, as out of the freezing range into the frozen branch with its
// small capacity, the next round starts from the solved temperature instead.
//
//go:norace
func (c *Column) branch(i, l int, atC, solvedC float64) {
	m, old := &c.material[i][l], c.old[i][l]
	was := m.EnthalpyJM3(old)
	h := was
	if atC != old {
		h = m.EnthalpyJM3(atC)
	}
	h += c.slope[i][l] * (solvedC - atC)
	t := m.TempC(h)
	if d := math.Abs(solvedC - t); d > c.worstK[l] {
		c.worstK[l] = d
	}
	if beyond := (t-solvedC)*(solvedC-atC) > 0; beyond && c.worstK[l] > c.tempTol && !c.lastRound {
		t, h = solvedC, m.EnthalpyJM3(solvedC)
	}
	c.temp[i][l] = t
	c.slope[i][l] = m.SlopeJM3K(t)
	if lo, hi := m.linear(t); lo != c.lo[i][l] || hi != c.hi[i][l] {
		c.lo[i][l], c.hi[i][l], c.turned[i] = lo, hi, true
	}
	k := c.dz[i] / c.dtS
	c.storage[i][l] = k * c.slope[i][l]
	c.change[i][l] = k * (c.slope[i][l]*(t-old) - (h - was))
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
		c.Tally.Source[l] += c.dtS * c.sourceWm2[l]
		c.Tally.Sink[l] += c.dtS * c.sinkWm2[l]
	}
}
