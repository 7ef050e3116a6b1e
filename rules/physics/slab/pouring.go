package slab

import (
	"math"
	"slices"

	"frostgate/rules/physics/air"
	"frostgate/rules/physics/concrete"
	"frostgate/rules/physics/heat"
)

// pouring is one block of lanes of a PourRun while it is computed: the concrete
// cells, uppermost in the column, with their ages. Its loops over cells are left
// out by the race detector, as those of the column are.
type pouring struct {
	run    *PourRun
	model  *concrete.Model
	curves *curves
	column *heat.Column

	thickM  float64   // of what is computed: half a wall
	cells   []float64 // thickness of the concrete cells
	midM    []float64
	topPart []float64 // share of each cell in the top 25 mm, sum 1
	part    []float64 // in the whole
	basePt  []float64 // share of each ground cell in the top 25 mm of the ground

	// Equivalent ages at 20 C and their rates, by cell.
	heatAge, setAge, strengthAge    []heat.Lanes
	heatRate, setRate, strengthRate []heat.Lanes
	degree                          []heat.Lanes // of hydration
	refreshed                       []heat.Lanes // degree the material was last made for
	hurt                            [][heat.Width]bool

	now, before moment
	lanes       []laneRun
}

// moment is what all lanes have come to at the end of a step.
type moment struct {
	topSet, meanSet, bottomSet   heat.Lanes // setting ages
	topAge, meanAge              heat.Lanes // strength ages
	weakAge, hurtAge             heat.Lanes // least strength age of cells whole and hurt by frost
	coldestC, warmestC, topTempC heat.Lanes
	coldestCell                  [heat.Width]int
}

// pourBlock computes up to heat.Width lanes.
func (s *Solver) pourBlock(run *PourRun, lanes []Lane, results []Result) error {
	p := &s.pouring
	s.curves.of(run.Element.Model)
	p.run, p.model, p.curves, p.column = run, run.Element.Model, &s.curves, &s.column
	p.cut(&run.Element, run.Ground)
	if err := s.insert(lanes); err != nil {
		return err
	}
	p.start(lanes, results)
	s.advance()
	return nil
}

// cut makes the concrete cells: even, or for thick elements growing towards the
// middle.
func (p *pouring) cut(e *Element, g *Ground) {
	p.thickM = e.ThicknessM
	if e.Kind == Wall {
		p.thickM /= 2
	}
	p.cells = cutConcrete(p.cells[:0], p.thickM, &g.detail, e.Kind != Wall)
	p.midM, p.part, p.topPart = p.midM[:0], p.part[:0], p.topPart[:0]
	edge, top := 0.0, math.Min(topM, p.thickM)
	for _, w := range p.cells {
		p.midM = append(p.midM, edge+w/2)
		p.part = append(p.part, w/p.thickM)
		p.topPart = append(p.topPart, math.Max(0, math.Min(edge+w, top)-edge)/top)
		edge += w
	}
	p.basePt = p.basePt[:0]
	edge = 0
	for _, c := range g.cells {
		if edge >= topM {
			break
		}
		p.basePt = append(p.basePt, math.Min(edge+c.ThicknessM, topM)-edge)
		edge += c.ThicknessM
	}
	for i := range p.basePt {
		p.basePt[i] /= math.Min(edge, topM)
	}
}

const (
	minConcreteCells = 4
	// maxEvenCells is where cells begin to grow inwards, thickGrowth by how much.
	maxEvenCells = 24
	thickGrowth  = 1.25
)

// cutConcrete cuts a thickness into cells: even ones, or ones that grow from the
// upper face, and from the lower one too when both counts.
func cutConcrete(cells []float64, thickM float64, d *Detail, both bool) []float64 {
	n := max(minConcreteCells, int(math.Round(thickM/d.ConcreteM)))
	growth := d.ConcreteGrowth
	if growth == 0 && n > maxEvenCells {
		growth = thickGrowth
	}
	if growth == 0 || n == minConcreteCells {
		for range n {
			cells = append(cells, thickM/float64(n))
		}
		return cells
	}
	reach := thickM
	if both {
		reach /= 2
	}
	sum := 0.0
	for w := d.ConcreteM; sum < reach-1e-9; w *= growth {
		cells = append(cells, w)
		sum += w
	}
	for i := range cells {
		cells[i] *= reach / sum
	}
	if both {
		for _, cell := range slices.Backward(cells) {
			cells = append(cells, cell)
		}
	}
	return cells
}

// insert builds the column of a block: concrete on the ground of each lane.
func (s *Solver) insert(lanes []Lane) error {
	p, e, g := &s.pouring, &s.pouring.run.Element, s.pouring.run.Ground
	n := len(p.cells)
	s.cells = s.cells[:0]
	fresh := p.material(0, lanes[0].PlacedTempC)
	sink := 0.0
	if e.Kind == Footing {
		sink = 2 / ((e.FormRM2KW + 1/footingSideWm2K) * e.WidthM)
	}
	for _, w := range p.cells {
		s.cells = append(s.cells, heat.Cell{ThicknessM: w, Material: fresh, SinkWm3K: sink})
	}
	if e.Kind != Wall {
		s.cells[n-1].ContactM2KW = e.FoamM / foamWmK
		s.cells = append(s.cells, g.cells...)
	}
	if err := s.column.Reset(heat.Config{
		Cells: s.cells, Lanes: len(lanes), InitialC: restC, Heated: n, InsulatedBottom: e.Kind == Wall,
		FluxTolWm2: g.detail.FluxTolWm2, TempTolK: g.detail.TempTolK,
	}); err != nil {
		return err
	}
	s.surface = heat.Surface{}
	for l := range lanes {
		lane := &lanes[l]
		s.exposed[l] = newExposure(lane.Forcing, lane.Covers, 0, p.run.Site, lane.Factors.withDefaults())
		s.surface.SkinC[l] = lane.PlacedTempC
		for i := range p.cells {
			s.column.SetTemp(i, l, lane.PlacedTempC)
		}
		if e.Kind != Wall {
			s.lay(g.Adopt(lane.Ground), n, l, s.exposed[l].factors.GroundConductivity)
		}
	}
	return nil
}

// material is the concrete at a degree of hydration.
func (p *pouring) material(degree, tempC float64) heat.Material {
	k := p.model.ConductivityWmK(degree)
	return heat.Material{
		KUnfrozen: k, KFrozen: k,
		CUnfrozen: p.model.HeatCapacityJM3K(degree, tempC), CFrozen: p.model.FrozenHeatCapacityJM3K(degree, tempC),
		LatentJM3: p.model.LatentJM3(degree), FreezeC: p.model.FreezingPointC,
	}
}

// start sets the ages of all cells to those from batching to placing.
func (p *pouring) start(lanes []Lane, results []Result) {
	n := len(p.cells)
	for _, a := range []*[]heat.Lanes{&p.heatAge, &p.setAge, &p.strengthAge, &p.heatRate, &p.setRate, &p.strengthRate, &p.degree, &p.refreshed} {
		*a = resize(*a, n)
		clear(*a)
	}
	p.hurt = resize(p.hurt, n)
	clear(p.hurt)
	p.lanes = resize(p.lanes, len(lanes))
	for l := range lanes {
		lane, r := &lanes[l], &p.lanes[l]
		r.open(p, lane, &results[l])
		t, h := lane.PlacedTempC, lane.BatchedBeforeH
		for i := range n {
			hr, sr, mr := p.curves.at(t)
			if t < p.model.FreezingPointC {
				hr, sr, mr = p.throttle(i, l, t, hr, sr, mr)
			}
			p.heatRate[i][l], p.setRate[i][l], p.strengthRate[i][l] = hr, sr, mr
			p.heatAge[i][l], p.setAge[i][l], p.strengthAge[i][l] = h*hr, h*sr, h*mr
			p.degree[i][l] = p.curves.degreeAt(h * hr * r.perHeatTime)
			p.renew(i, l)
		}
		r.startJm2 = p.column.EnthalpyJM2(l)
	}
	p.column.ResetTally()
	p.nudge(0)
	p.sum()
	for l := range p.lanes {
		p.lanes[l].observe(p, l, 0, 0)
	}
}

// renew makes the material of a cell anew for its degree of hydration.
func (p *pouring) renew(i, l int) {
	p.refreshed[i][l] = p.degree[i][l]
	p.column.SetMaterial(i, l, p.material(p.degree[i][l], p.column.Temp(i)[l]))
}

// usualDegreeStep is Detail.DegreeStep where it is not given.
const usualDegreeStep = 0.02

// refresh renews the materials whose hydration has moved on.
func (p *pouring) refresh() {
	step := orDefault(p.run.Ground.detail.DegreeStep, usualDegreeStep)
	for i := range p.cells {
		for l := range p.lanes {
			if p.degree[i][l]-p.refreshed[i][l] > step {
				p.renew(i, l)
			}
		}
	}
}

// advance steps the block until every lane has ended.
func (s *Solver) advance() {
	p := &s.pouring
	s.rows(0)
	strides, afterH := p.run.Ground.detail.Steps, 0.0
	for {
		for len(strides) > 1 && afterH >= strides[0].UntilH-1e-9 {
			strides = strides[1:]
		}
		h := strides[0].StepS / secondsPerHour
		if p.end(afterH, h) {
			return
		}
		s.expose(afterH + h/2)
		p.release(h)
		s.column.Step(h*secondsPerHour, &s.surface)
		if afterH += h; math.Abs(afterH-math.Round(afterH)) < 1e-6 {
			afterH = math.Round(afterH)
		}
		p.nudge(afterH)
		p.age(h)
		p.sum()
		for l := range p.lanes {
			if r := &p.lanes[l]; !r.ended {
				s.evaporate(l, afterH, h)
				r.observe(p, l, afterH, h)
			}
		}
		if afterH == math.Round(afterH) {
			s.rows(afterH)
			p.refresh()
		}
	}
}

// end closes the lanes whose next step would go past their end, and those of
// which all is known where that suffices; it says whether none is left.
func (p *pouring) end(afterH, h float64) bool {
	over := true
	for l := range p.lanes {
		r := &p.lanes[l]
		if !r.ended && (r.startH+afterH+h > r.endH+1e-9 || p.run.StopWhenKnown && r.known() || p.run.StopOnGuard && r.guarded()) {
			r.close(p, l, afterH)
		}
		over = over && r.ended
	}
	return over
}

// expose sets the surface for the middle of a step.
func (s *Solver) expose(midH float64) {
	p := &s.pouring
	for l := range p.lanes {
		r := &p.lanes[l]
		bare := face{absorptance: air.AbsorptanceFresh, wetness: 1, upright: p.run.Element.Kind == Wall}
		if r.set {
			bare.wetness = wetnessAfterSet
		}
		if bare.upright {
			bare.wetness, bare.formM2KW = 0, p.run.Element.FormRM2KW
		}
		s.column.SinkC[l] = s.exposed[l].fill(&s.surface, l, r.startH+midH, bare)
		r.heatWm2 = s.exposed[l].lies.heatWm2
	}
}

// wetnessAfterSet is the share of free evaporation after final set. CAL.
const wetnessAfterSet = 0.2

// release puts the heat of hydration of a step of h hours into the column, at the
// rates of its beginning.
//
//go:norace
func (p *pouring) release(h float64) {
	perStep := p.model.HeatPerDegreeJM3 / (h * secondsPerHour)
	for i := range p.cells {
		age, rate, degree, source := &p.heatAge[i], &p.heatRate[i], &p.degree[i], &p.column.Source[i]
		for l := range p.lanes {
			age[l] += h * rate[l]
			d := p.curves.degreeAt(age[l] * p.lanes[l].perHeatTime)
			source[l] = perStep * (d - degree[l])
			degree[l] = d
		}
	}
	for l := range p.lanes {
		p.column.Source[0][l] += p.lanes[l].heatWm2 / p.cells[0]
	}
}

// age adds a step of h hours to the ages of set and strength, at the mean of the
// rates before and after it.
//
//go:norace
func (p *pouring) age(h float64) {
	half := h / 2
	for i := range p.cells {
		temp, set, strength := p.column.Temp(i), &p.setAge[i], &p.strengthAge[i]
		heatRate, setRate, strengthRate := &p.heatRate[i], &p.setRate[i], &p.strengthRate[i]
		for l := range p.lanes {
			hr, sr, mr := p.curves.at(temp[l])
			if temp[l] < p.model.FreezingPointC {
				hr, sr, mr = p.throttle(i, l, temp[l], hr, sr, mr)
			}
			set[l] += half * (setRate[l] + sr)
			strength[l] += half * (strengthRate[l] + mr)
			heatRate[l], setRate[l], strengthRate[l] = hr, sr, mr
		}
	}
}

// throttle slows the rates by the liquid share of the pore water (E52), and marks
// a cell that freezes before it is strong enough.
func (p *pouring) throttle(i, l int, tempC, hr, sr, mr float64) (heat, set, strength float64) {
	u := p.model.UnfrozenShare(tempC)
	p.lanes[l].freeze(p, i, l, 1-u)
	return u * hr, u * sr, u * mr
}

// sum takes the cells together into the moment, keeping the one before.
//
//go:norace
func (p *pouring) sum() {
	p.before, p.now = p.now, p.before
	m := &p.now
	*m = moment{weakAge: heat.All(Forever), hurtAge: heat.All(Forever), coldestC: heat.All(Forever), warmestC: heat.All(-Forever)}
	for i := range p.cells {
		set, strength, temp := &p.setAge[i], &p.strengthAge[i], p.column.Temp(i)
		part, hurt := p.part[i], &p.hurt[i]
		for l := range heat.Width { // lanes at rest too: a fixed number costs less
			m.meanSet[l] += part * set[l]
			m.meanAge[l] += part * strength[l]
			if t := temp[l]; t < m.coldestC[l] {
				m.coldestC[l], m.coldestCell[l] = t, i
			}
			if t := temp[l]; t > m.warmestC[l] {
				m.warmestC[l] = t
			}
			if hurt[l] {
				m.hurtAge[l] = min(m.hurtAge[l], strength[l])
			} else {
				m.weakAge[l] = min(m.weakAge[l], strength[l])
			}
		}
		if top := p.topPart[i]; top > 0 {
			for l := range heat.Width {
				m.topSet[l] += top * set[l]
				m.topAge[l] += top * strength[l]
				m.topTempC[l] += top * temp[l]
			}
		}
	}
	m.bottomSet = p.setAge[len(p.cells)-1]
}
