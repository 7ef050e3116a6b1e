package slab

import (
	"fmt"
	"math"

	"frostgate/rules/physics/heat"
	"frostgate/rules/physics/soil"
)

// A Layer is ground of one material.
type Layer struct {
	Material   heat.Material
	ThicknessM float64
}

// Soil is the column's material for a layer of ground.
func Soil(l soil.Layer) heat.Material {
	return heat.Material{
		KUnfrozen: l.UnfrozenWmK, KFrozen: l.FrozenWmK, CUnfrozen: l.UnfrozenJM3K, CFrozen: l.FrozenJM3K,
		LatentJM3: l.LatentJM3, FreezeC: l.FreezingC, RangeK: l.FreezingWidthC,
	}
}

// A Detail is how finely a run is computed.
type Detail struct {
	ConcreteM      float64 // cells of concrete at its faces
	ConcreteGrowth float64 // towards its middle; 0 means even cells where that is not too many
	BaseM          float64 // cells at the top of the ground
	EvenM          float64 // depth to which they stay so
	Growth         float64 // of cells below
	DepthM         float64 // of the ground; its lower face keeps the temperature of the start
	Steps          []Stride
	// FluxTolWm2 and TempTolK end the iteration of a step; see heat.Config.
	FluxTolWm2, TempTolK float64
	// DegreeStep is how far hydration goes before the concrete's properties follow; 0
	// means 0.02.
	DegreeStep float64
}

// A Stride is the length of steps until an hour after placing. Steps divide the
// hour; the last stride of a Detail goes on.
type Stride struct {
	UntilH float64
	StepS  float64
}

// The details. Usual is what models of this kind need to come within 0.05 h on
// set, 0.2 h on 500 psi and 0.5 K on the coldest cell. Coarse is for members and
// candidate starts by the hundred; TestCoarse holds it near Usual.
var (
	Fine = Detail{
		ConcreteM: .00635, BaseM: .00953, EvenM: .15, Growth: 1.08, DepthM: 3, Steps: []Stride{{Forever, 60}},
	}
	Usual = Detail{
		ConcreteM: .0127, BaseM: .01905, EvenM: .15, Growth: 1.15, DepthM: 3, Steps: []Stride{{12, 300}, {Forever, 900}},
	}
	Coarse = Detail{
		ConcreteM: .0127, ConcreteGrowth: 1.8, BaseM: .0127, Growth: 1.6, DepthM: 3,
		Steps: []Stride{{1, 300}, {4, 900}, {24, 1800}, {Forever, 3600}}, FluxTolWm2: 2, TempTolK: .05, DegreeStep: .05,
	}
)

// A Ground is a column of ground on the cells of a Detail. It is read-only once
// made and may be shared.
type Ground struct {
	detail Detail
	cells  []heat.Cell
	midM   []float64
	edgeM  []float64 // lower edges
}

// NewGround cuts layers, from the surface down, into cells; the last layer goes
// on to the depth of the detail. It fails on no layers, thicknesses that are not
// positive, a useless detail and materials that heat refuses.
func NewGround(layers []Layer, d Detail) (*Ground, error) {
	if len(layers) == 0 || !d.usable() {
		return nil, fmt.Errorf("%w: ground of %d layers, detail %+v", ErrInput, len(layers), d)
	}
	g := &Ground{detail: d}
	top := 0.0
	for i, l := range layers {
		bottom := top + l.ThicknessM
		if i == len(layers)-1 {
			bottom = math.Max(bottom, d.DepthM)
		}
		if !(bottom > top) || bottom > 50 {
			return nil, fmt.Errorf("%w: ground layer %d is %v m thick", ErrInput, i, l.ThicknessM)
		}
		g.cut(top, bottom, l.Material)
		top = bottom
	}
	if _, err := heat.New(heat.Config{Cells: g.cells, Lanes: 1}); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrInput, err)
	}
	return g, nil
}

func (d *Detail) usable() bool {
	for _, s := range d.Steps {
		if perHour := secondsPerHour / s.StepS; !(perHour >= 1) || perHour != math.Round(perHour) {
			return false
		}
	}
	return len(d.Steps) > 0 && d.ConcreteM > 0 && d.BaseM > 0 && d.DepthM > 0 && d.Growth >= 1 && (d.ConcreteGrowth == 0 || d.ConcreteGrowth > 1)
}

// cut makes the cells of one layer: even near the surface, growing below, scaled
// to fit.
func (g *Ground) cut(top, bottom float64, m heat.Material) {
	var widths []float64
	z := top
	for z < bottom-1e-9 {
		w := g.detail.BaseM
		if below := z - g.detail.EvenM; below > 0 {
			// The widths of a geometric row follow its depth.
			w += below * (g.detail.Growth - 1)
		}
		widths = append(widths, w)
		z += w
	}
	if n := len(widths); n > 1 && z-bottom > widths[n-1]/2 {
		z -= widths[n-1]
		widths = widths[:n-1]
	}
	scale := (bottom - top) / (z - top)
	edge := top
	for _, w := range widths {
		w *= scale
		g.cells = append(g.cells, heat.Cell{ThicknessM: w, Material: m})
		g.midM = append(g.midM, edge+w/2)
		edge += w
		g.edgeM = append(g.edgeM, edge)
	}
}

// Cells is the number of cells.
func (g *Ground) Cells() int { return len(g.cells) }

// A DepthTemp is one point of a profile.
type DepthTemp struct{ DepthM, TempC float64 }

// A Profile is a temperature by depth, the shallowest first: linear between its
// points, flat beyond.
type Profile []DepthTemp

func (p Profile) at(depthM float64) float64 {
	for i, q := range p {
		if depthM > q.DepthM {
			continue
		}
		if i == 0 {
			return q.TempC
		}
		o := p[i-1]
		return o.TempC + (q.TempC-o.TempC)*(depthM-o.DepthM)/(q.DepthM-o.DepthM)
	}
	return p[len(p)-1].TempC
}

// A State is the temperatures of a Ground at one time. It is small and read-only;
// copies share memory.
type State struct {
	ground  *Ground
	tempsC  []float64
	bottomC float64
}

// FromProfile is the state of a profile. It fails on an empty profile, depths
// that do not grow and temperatures that are not finite.
func (g *Ground) FromProfile(p Profile) (State, error) {
	for i, q := range p {
		if math.IsNaN(q.TempC) || math.Abs(q.TempC) > 90 || !(q.DepthM >= 0) || (i > 0 && !(q.DepthM > p[i-1].DepthM)) {
			return State{}, fmt.Errorf("%w: ground profile point %d: %+v", ErrInput, i, q)
		}
	}
	if len(p) == 0 {
		return State{}, fmt.Errorf("%w: empty ground profile", ErrInput)
	}
	return g.from(p.at), nil
}

// FromYear is the undisturbed ground on a day of the year (E35).
func (g *Ground) FromYear(y soil.Year, day float64) State {
	return g.from(func(depthM float64) float64 { return y.TempC(depthM, day) })
}

func (g *Ground) from(tempC func(depthM float64) float64) State {
	s := State{ground: g, tempsC: make([]float64, len(g.cells)), bottomC: tempC(g.edgeM[len(g.edgeM)-1])}
	for i, z := range g.midM {
		s.tempsC[i] = tempC(z)
	}
	return s
}

// Adopt takes the state of another ground over to the cells of g, keeping heat:
// ice counts. The lower face keeps its temperature. It costs about a microsecond.
func (g *Ground) Adopt(s State) State {
	if s.ground == g {
		return s
	}
	to := State{ground: g, tempsC: make([]float64, len(g.cells)), bottomC: s.bottomC}
	j, top := 0, 0.0
	for i, bottom := range g.edgeM {
		sum := 0.0 // enthalpy
		m := &g.cells[i].Material
		at := top
		for {
			for j < len(s.tempsC)-1 && s.ground.edgeM[j] <= at {
				j++
			}
			end := math.Min(bottom, s.ground.edgeM[j])
			if j == len(s.tempsC)-1 {
				end = bottom
			}
			sum += (end - at) * m.EnthalpyJM3(s.tempsC[j])
			if at = end; at >= bottom {
				break
			}
		}
		to.tempsC[i] = m.TempC(sum / (bottom - top))
		top = bottom
	}
	return to
}

// Shift is the state made dC warmer at the surface, fading linearly to nothing at
// depthM.
func (s State) Shift(dC, depthM float64) State {
	to := State{ground: s.ground, tempsC: make([]float64, len(s.tempsC)), bottomC: s.bottomC}
	for i, t := range s.tempsC {
		to.tempsC[i] = t + dC*math.Max(0, 1-s.ground.midM[i]/depthM)
	}
	return to
}

// TempC is the temperature at a depth, linear between the middles of cells.
func (s State) TempC(depthM float64) float64 {
	mid := s.ground.midM
	for i, z := range mid {
		if depthM > z {
			continue
		}
		if i == 0 {
			return s.tempsC[0]
		}
		return s.tempsC[i-1] + (s.tempsC[i]-s.tempsC[i-1])*(depthM-mid[i-1])/(z-mid[i-1])
	}
	return s.tempsC[len(s.tempsC)-1]
}

// EnthalpyJM2 is the heat stored, relative to all ground at its freezing point.
func (s State) EnthalpyJM2() float64 {
	sum := 0.0
	for i, t := range s.tempsC {
		sum += s.ground.cells[i].ThicknessM * s.ground.cells[i].Material.EnthalpyJM3(t)
	}
	return sum
}

// SurfaceC is the mean of the top 25 mm.
func (s State) SurfaceC() float64 {
	sum, top := 0.0, 0.0
	for i, bottom := range s.ground.edgeM {
		sum += s.tempsC[i] * math.Max(0, math.Min(bottom, topM)-top)
		if top = bottom; top >= topM {
			break
		}
	}
	return sum / topM
}

// topM is the depth of what counts as the top of concrete and base.
const topM = 0.0254

// Frost is where ground is frozen: below its freezing point. Both depths are 0
// without frost; a top above 0 means thaw from above.
type Frost struct {
	TopM, BottomM float64
	IceM          float64 // share of ice summed over the depth
}

// Frost finds the frost in the ground.
func (s State) Frost() Frost {
	var f Frost
	found := false
	aboveM, aboveD, edge := 0.0, 0.0, 0.0
	for i := range s.tempsC {
		m := &s.ground.cells[i].Material
		t, mid, next := s.tempsC[i], s.ground.midM[i], s.ground.edgeM[i]
		d := t - m.FreezeC
		f.IceM += (next - edge) * m.FrozenShare(t)
		edge = next
		switch {
		case d < 0 && !found:
			found = true
			if i > 0 {
				f.TopM = between(aboveM, aboveD, mid, d)
			}
			f.BottomM = next
		case d < 0:
			f.BottomM = next
		case i > 0 && aboveD < 0:
			f.BottomM = between(aboveM, aboveD, mid, d)
		}
		aboveM, aboveD = mid, d
	}
	return f
}

// between is where a line through two points crosses 0.
func between(aM, a, bM, b float64) float64 { return aM + (bM-aM)*a/(a-b) }
