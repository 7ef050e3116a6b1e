package slab

import (
	"fmt"
	"math"

	"frostgate/rules/physics/heat"
)

// A GroundLane is one run of ground without concrete.
type GroundLane struct {
	Forcing    *Forcing
	Start      State
	Covers     []Cover
	SnowUntilH float64 // the weather's snow lies on the ground until then
	Factors    Factors
}

// A GroundRun is ground under weather from one hour to another.
type GroundRun struct {
	Ground *Ground
	Site   Site
	FromH  float64
	ToH    float64 // not beyond the weather of a lane, which then holds its last hour
	StepH  float64 // 0 means 1 h
	// KeepFromH is when states and samples begin to be kept, one per step; the last
	// is always kept. Leave it at 0 to keep all, Forever to keep only the last.
	KeepFromH float64
	Lanes     []GroundLane
	Into      []Track // memory to use, may be nil
}

// A Track is what the ground did in one lane.
type Track struct {
	Samples []GroundSample
	ground  *Ground
	tempsC  []float64 // of each sample
	bottomC float64
	forcing *Forcing
	Balance Balance
}

// A GroundSample is the ground at one time.
type GroundSample struct {
	AtH      float64
	AirC     float64
	SkinC    float64 // outer face of what lies on the ground
	SurfaceC float64 // top 25 mm of the ground
	Frost
}

// A Balance is heat in J/m2 over a run, into the column positive:
// Stored = Surface + Bottom + Source + Sink + Property to rounding. Property is
// the change that came with the concrete's ageing properties, not with heat.
type Balance struct{ StoredJm2, SurfaceJm2, BottomJm2, SourceJm2, SinkJm2, PropertyJm2 float64 }

func balance(c *heat.Column, l int, startJm2 float64) Balance {
	t := &c.Tally
	return Balance{c.EnthalpyJM2(l) - startJm2, t.Surface[l], t.Bottom[l], t.Source[l], t.Sink[l], t.Property[l]}
}

// RunGround computes ground alone. It fails when the run is not possible; states
// are taken over to its Ground where they stem from another.
func (s *Solver) RunGround(run GroundRun) ([]Track, error) {
	if run.Ground == nil || !(run.ToH >= run.FromH) || run.StepH < 0 {
		return nil, fmt.Errorf("%w: ground run from %v to %v h", ErrInput, run.FromH, run.ToH)
	}
	for i := range run.Lanes {
		if run.Lanes[i].Forcing == nil || run.Lanes[i].Start.ground == nil {
			return nil, fmt.Errorf("%w: ground lane %d lacks weather or a start", ErrInput, i)
		}
	}
	run.StepH, run.Site = orDefault(run.StepH, 1), run.Site.withDefaults()
	tracks := resize(run.Into, len(run.Lanes))
	return tracks, blocks(len(run.Lanes), func(from, to int) error {
		return s.groundBlock(&run, run.Lanes[from:to], tracks[from:to])
	})
}

// resize gives s a length, keeping the memory its elements own.
func resize[T any](s []T, n int) []T {
	if cap(s) < n {
		s = append(s[:cap(s)], make([]T, n-cap(s))...)
	}
	return s[:n]
}

func (s *Solver) groundBlock(run *GroundRun, lanes []GroundLane, tracks []Track) error {
	g := run.Ground
	if err := s.column.Reset(heat.Config{
		Cells: g.cells, Lanes: len(lanes), InitialC: restC, Heated: 1, FluxTolWm2: g.detail.FluxTolWm2, TempTolK: g.detail.TempTolK,
	}); err != nil {
		return err
	}
	s.surface = heat.Surface{}
	var started [heat.Width]float64
	for l := range lanes {
		lane := &lanes[l]
		s.exposed[l] = newExposure(lane.Forcing, lane.Covers, lane.SnowUntilH, run.Site, lane.Factors.withDefaults())
		s.lay(g.Adopt(lane.Start), 0, l, s.exposed[l].factors.GroundConductivity)
		s.surface.SkinC[l] = lane.Start.tempsC[0]
		started[l] = s.column.EnthalpyJM2(l)
		tracks[l] = Track{Samples: tracks[l].Samples[:0], tempsC: tracks[l].tempsC[:0], ground: g, bottomC: lane.Start.bottomC, forcing: lane.Forcing}
	}
	s.column.ResetTally()

	bare := face{absorptance: run.Site.GroundAbsorptance}
	steps := int(math.Ceil((run.ToH-run.FromH)/run.StepH - 1e-9))
	for k := 0; ; k++ {
		atH := math.Min(run.FromH+float64(k)*run.StepH, run.ToH)
		if atH >= run.KeepFromH || k == steps {
			s.sample(tracks, atH)
		}
		if k == steps {
			break
		}
		h := math.Min(run.StepH, run.ToH-atH)
		for l := range lanes {
			s.exposed[l].fill(&s.surface, l, atH+h/2, bare)
			s.column.Source[0][l] = s.exposed[l].lies.heatWm2 / s.column.ThicknessM(0)
		}
		s.column.Step(h*secondsPerHour, &s.surface)
	}
	for l := range lanes {
		tracks[l].Balance = balance(&s.column, l, started[l])
	}
	return nil
}

// restC is the temperature of lanes that are not in use.
const restC = 10.0

// lay puts a state into lane l of the column, from cell first down.
func (s *Solver) lay(st State, first, l int, conductivity float64) {
	for i, t := range st.tempsC {
		if conductivity != 1 {
			m := st.ground.cells[i].Material
			m.KUnfrozen *= conductivity
			m.KFrozen *= conductivity
			s.column.SetMaterial(first+i, l, m)
		}
		s.column.SetTemp(first+i, l, t)
	}
	s.column.BottomC[l] = st.bottomC
}

func (s *Solver) sample(tracks []Track, atH float64) {
	for l := range tracks {
		tr := &tracks[l]
		from := len(tr.tempsC)
		for i := range s.column.Cells() {
			tr.tempsC = append(tr.tempsC, s.column.Temp(i)[l])
		}
		st := State{tr.ground, tr.tempsC[from:len(tr.tempsC):len(tr.tempsC)], tr.bottomC}
		tr.Samples = append(tr.Samples, GroundSample{
			AtH: atH, AirC: tr.forcing.AirC(atH), SkinC: s.surface.SkinC[l], SurfaceC: st.SurfaceC(), Frost: st.Frost(),
		})
	}
}

// Last is the state at the end of the run.
func (t *Track) Last() State { return t.state(len(t.Samples) - 1) }

func (t *Track) state(i int) State {
	n := len(t.ground.cells)
	return State{t.ground, t.tempsC[i*n : (i+1)*n : (i+1)*n], t.bottomC}
}

// find is the sample at or before a time, held within what was kept, and how far
// the time lies towards the next.
func (t *Track) find(atH float64) (i int, w float64) {
	n := len(t.Samples)
	first, last := t.Samples[0].AtH, t.Samples[n-1].AtH
	if atH <= first || n == 1 {
		return 0, 0
	}
	if atH >= last {
		return n - 1, 0
	}
	step := t.Samples[1].AtH - first
	i = min(int((atH-first)/step), n-2)
	return i, (atH - t.Samples[i].AtH) / (t.Samples[i+1].AtH - t.Samples[i].AtH)
}

// StateAt is the state at a time, linear between those kept and held beyond them:
// the start of a pour.
func (t *Track) StateAt(atH float64) State {
	i, w := t.find(atH)
	a := t.state(i)
	if w < 1e-9 {
		return a
	}
	b := t.state(i + 1)
	to := State{a.ground, make([]float64, len(a.tempsC)), a.bottomC}
	for k := range to.tempsC {
		to.tempsC[k] = a.tempsC[k] + w*(b.tempsC[k]-a.tempsC[k])
	}
	return to
}

// At is the sample at a time, linear between those kept and held beyond them.
func (t *Track) At(atH float64) GroundSample {
	i, w := t.find(atH)
	if w < 1e-9 {
		return t.Samples[i]
	}
	a, b := t.Samples[i], t.Samples[i+1]
	mix := func(x, y float64) float64 { return x + w*(y-x) }
	return GroundSample{
		AtH: atH, AirC: mix(a.AirC, b.AirC), SkinC: mix(a.SkinC, b.SkinC), SurfaceC: mix(a.SurfaceC, b.SurfaceC),
		Frost: Frost{TopM: mix(a.TopM, b.TopM), BottomM: mix(a.BottomM, b.BottomM), IceM: mix(a.IceM, b.IceM)},
	}
}
