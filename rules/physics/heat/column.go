package heat

import (
	"errors"
	"fmt"
	"math"
)

// Width is the number of lanes of a Column.
const Width = 8

// Lanes holds one value per lane.
type Lanes [Width]float64

// All is the same value in every lane.
func All(v float64) Lanes {
	var x Lanes
	for l := range x {
		x[l] = v
	}
	return x
}

// A Cell is one finite volume.
type Cell struct {
	ThicknessM float64
	Material   Material
	// ContactM2KW is a resistance on the face to the next cell: a thin layer
	// without heat capacity such as foam.
	ContactM2KW float64
	// SinkWm3K lets the cell lose heat sideways (E17): SinkWm3K (SinkC - T). Cells
	// with a sink come first.
	SinkWm3K float64
}

// Config describes a Column.
type Config struct {
	Cells    []Cell  // from the surface down
	Lanes    int     // lanes in use, 1 to Width; the others rest
	InitialC float64 // of all cells
	// Heated is how many of the upper cells take Source.
	Heated int
	// InsulatedBottom closes the lower face; otherwise it is kept at BottomC.
	InsulatedBottom bool
	// FluxTolWm2 and TempTolK end the iteration of a step; 0 means the defaults,
	// 0.01 W/m2 and 1e-3 K. They touch accuracy, not the closure of energy.
	FluxTolWm2, TempTolK float64
}

// ErrColumn is returned by New for a column that cannot be.
var ErrColumn = errors.New("column cannot be built")

// A Tally is heat in J/m2 since New or ResetTally, into the column positive:
// stored enthalpy grew by the sum of its members.
type Tally struct {
	Surface, Bottom, Source, Sink Lanes
	// Property is the change of stored enthalpy that came with changed materials
	// and set temperatures, not with heat.
	Property Lanes
}

// A Column is a stack of cells in Width lanes. Make it with New. It must not be
// used by two goroutines at once.
type Column struct {
	// Source is heat put into each of the upper cells during the next step, W/m3.
	Source []Lanes
	// SinkC is the temperature that cells with a sink lose heat to.
	SinkC Lanes
	// BottomC is the temperature of the lower face, unless insulated.
	BottomC Lanes
	// Tally is the heat taken in so far.
	Tally Tally
	// Iterations counts linear solves so far.
	Iterations int

	n, lanes  int
	insulated bool
	fluxTol   float64
	tempTol   float64
	dtS       float64

	dz, contact, sinkWm3K []float64
	sunk                  int // cells above hold all sinks
	material              [][Width]Material

	temp, old []Lanes // the solved step and the one before
	slope     []Lanes // dH/dT, J/(m3 K)
	lo, hi    []Lanes // interval around temp where slope holds
	storage   []Lanes // dz slope/dt, W/(m2 K)
	half      []Lanes // resistance of half a cell, m2K/W
	face      []Lanes // conductance to the next cell, W/(m2 K); last: to the bottom face
	inverse   []Lanes // of the pivot
	couple    []Lanes // face x inverse of the next cell
	partial   []Lanes // right side after elimination
	change    []Lanes // on the right side of cells that changed branch in this step

	warmC    []float64 // all lanes are linear above this; +Inf when one is not
	freezing []bool    // some lane has ice and water
	moved    []bool    // some lane's share of ice has changed
	branched []bool    // some lane changed branch in this step
	turned   []bool    // some lane may be on another branch: survey
	stale    []bool    // half changed: faces are to be renewed
	factorTo int       // pivots of cells 0..factorTo are to be renewed
	anyStale bool

	lastRound     bool  // of a step: no more iteration after this solve
	worstK        Lanes // solved temperature against that of its enthalpy, worst cell
	topC, bottomC Lanes // solved temperatures of the outer cells, which carry the fluxes
	sinkWm2       Lanes
	sourceWm2     Lanes
}

// New makes a column; see Reset.
func New(cfg Config) (*Column, error) {
	c := new(Column)
	return c, c.Reset(cfg)
}

// Reset makes the column anew, reusing its memory. It fails on no cells,
// thicknesses, conductivities or capacities that are not positive, a solute law
// at or above 0 C, and lanes out of range.
func (c *Column) Reset(cfg Config) error {
	n := len(cfg.Cells)
	if n == 0 || cfg.Lanes < 1 || cfg.Lanes > Width || cfg.Heated < 0 || cfg.Heated > n {
		return fmt.Errorf("%w: %d cells, %d lanes, %d heated", ErrColumn, n, cfg.Lanes, cfg.Heated)
	}
	for i := range cfg.Cells {
		if err := cfg.Cells[i].check(); err != nil {
			return fmt.Errorf("cell %d: %w", i, err)
		}
	}
	c.n, c.lanes, c.insulated, c.dtS = n, cfg.Lanes, cfg.InsulatedBottom, 0
	c.fluxTol, c.tempTol = orDefault(cfg.FluxTolWm2, 0.01), orDefault(cfg.TempTolK, 1e-3)
	c.Tally, c.Iterations = Tally{}, 0
	c.SinkC, c.BottomC = All(cfg.InitialC), All(cfg.InitialC)
	resize(&c.Source, cfg.Heated)
	resize(&c.sinkWm3K, n)
	c.sunk = 0
	for _, s := range []*[]Lanes{
		&c.temp, &c.old, &c.slope, &c.lo, &c.hi, &c.storage, &c.half,
		&c.face, &c.inverse, &c.couple, &c.partial, &c.change,
	} {
		resize(s, n)
	}
	resize(&c.dz, n)
	resize(&c.contact, n)
	resize(&c.material, n)
	resize(&c.warmC, n)
	for _, s := range []*[]bool{&c.freezing, &c.moved, &c.branched, &c.turned, &c.stale} {
		resize(s, n)
	}
	for i := range cfg.Cells {
		cell := &cfg.Cells[i]
		c.dz[i], c.contact[i], c.sinkWm3K[i] = cell.ThicknessM, cell.ContactM2KW, cell.SinkWm3K
		if cell.SinkWm3K > 0 {
			c.sunk = i + 1
		}
		c.temp[i], c.old[i] = All(cfg.InitialC), All(cfg.InitialC)
		for l := range Width {
			c.material[i][l] = cell.Material
			c.renew(i, l)
		}
	}
	return nil
}

// resize makes s n zeroes long, in its own memory where that suffices.
func resize[T any](s *[]T, n int) {
	if cap(*s) < n {
		*s = make([]T, n)
		return
	}
	*s = (*s)[:n]
	clear(*s)
}

func orDefault(v, def float64) float64 {
	if v == 0 {
		return def
	}
	return v
}

func (cell *Cell) check() error {
	m := &cell.Material
	positive := cell.ThicknessM > 0 && m.KUnfrozen > 0 && m.KFrozen > 0 && m.CUnfrozen > 0 && m.CFrozen > 0
	if !positive || m.LatentJM3 < 0 || m.RangeK < 0 || cell.ContactM2KW < 0 || cell.SinkWm3K < 0 || (m.RangeK == 0 && m.FreezeC >= 0) {
		return fmt.Errorf("%w: %+v", ErrColumn, *cell)
	}
	return nil
}

// Cells is the number of cells.
func (c *Column) Cells() int { return c.n }

// ThicknessM is the thickness of cell i.
func (c *Column) ThicknessM(i int) float64 { return c.dz[i] }

// Temp is the temperature of cell i in each lane, to be read until the next
// step; set it with SetTemp.
func (c *Column) Temp(i int) *Lanes { return &c.temp[i] }

// SetTemp sets the temperature of cell i in lane l.
func (c *Column) SetTemp(i, l int, tempC float64) {
	m := &c.material[i][l]
	c.Tally.Property[l] += c.dz[i] * (m.EnthalpyJM3(tempC) - m.EnthalpyJM3(c.temp[i][l]))
	c.temp[i][l] = tempC
	c.renew(i, l)
}

// SetMaterial replaces the material of cell i in lane l at its temperature.
func (c *Column) SetMaterial(i, l int, m Material) {
	was := &c.material[i][l]
	c.Tally.Property[l] += c.dz[i] * (m.EnthalpyJM3(c.temp[i][l]) - was.EnthalpyJM3(c.temp[i][l]))
	*was = m
	c.renew(i, l)
}

// ResetTally forgets the heat taken in so far.
func (c *Column) ResetTally() { c.Tally = Tally{} }

// EnthalpyJM2 is the heat stored in lane l relative to every cell at its freezing
// point.
func (c *Column) EnthalpyJM2(l int) float64 {
	sum := 0.0
	for i := range c.n {
		sum += c.dz[i] * c.material[i][l].EnthalpyJM3(c.temp[i][l])
	}
	return sum
}

// IceM is the depth of ice in lane l: the frozen share summed over the cells.
func (c *Column) IceM(l int) float64 {
	sum := 0.0
	for i := range c.n {
		sum += c.dz[i] * c.material[i][l].FrozenShare(c.temp[i][l])
	}
	return sum
}

// renew finds the branch of the enthalpy law and the half-cell resistance of one
// lane of a cell at its temperature.
func (c *Column) renew(i, l int) {
	m := &c.material[i][l]
	t := c.temp[i][l]
	c.slope[i][l] = m.SlopeJM3K(t)
	c.lo[i][l], c.hi[i][l] = m.linear(t)
	c.half[i][l] = c.dz[i] / (2 * m.ConductivityWmK(t))
	if c.dtS > 0 {
		c.storage[i][l] = c.dz[i] * c.slope[i][l] / c.dtS
	}
	c.spoil(i)
	c.turned[i] = true
}

// survey finds what holds for all lanes of a cell.
func (c *Column) survey(i int) {
	c.warmC[i], c.freezing[i] = math.Inf(-1), false
	for l := range c.lanes {
		if c.hi[i][l] < math.Inf(1) { // not in the unfrozen branch
			c.warmC[i] = math.Inf(1)
			if c.lo[i][l] > math.Inf(-1) { // nor in the frozen one
				c.freezing[i], c.moved[i] = true, true
			}
			continue
		}
		c.warmC[i] = max(c.warmC[i], c.lo[i][l])
	}
}

// spoil marks the faces of a cell as outdated.
func (c *Column) spoil(i int) {
	c.stale[i], c.anyStale = true, true
}
