package heat_test

import (
	"math"
	"testing"

	"frostgate/rules/physics/heat"
)

// benchCells is a working column: concrete on gravel on silt.
func benchCells() []heat.Cell {
	cells := stack(.0127, .127, pore)
	cells = append(cells, stack(.01905, .1524, gravel)...)
	return append(cells, growing(.022, 1.15, 2.85, silt)...)
}

const benchSteps = 288

// thomas is the bare limit: a batched tridiagonal solve by Thomas's algorithm,
// lanes side by side, with given coefficients.
type thomas struct{ lower, diagonal, upper, right, c, x []heat.Lanes }

func newThomas(n int) *thomas {
	t := &thomas{}
	for _, s := range []*[]heat.Lanes{&t.lower, &t.diagonal, &t.upper, &t.right, &t.c, &t.x} {
		*s = make([]heat.Lanes, n)
	}
	for i := range n {
		t.lower[i], t.upper[i] = heat.All(-100), heat.All(-100)
		t.diagonal[i], t.right[i] = heat.All(250), heat.All(float64(i))
	}
	return t
}

func (t *thomas) solve() {
	n := len(t.x)
	for i := range n {
		lower, diagonal, upper, right, c, x := &t.lower[i], &t.diagonal[i], &t.upper[i], &t.right[i], &t.c[i], &t.x[i]
		if i == 0 {
			for l := range heat.Width {
				m := 1 / diagonal[l]
				c[l], x[l] = upper[l]*m, right[l]*m
			}
			continue
		}
		cp, xp := &t.c[i-1], &t.x[i-1]
		for l := range heat.Width {
			m := 1 / (diagonal[l] - lower[l]*cp[l])
			c[l] = upper[l] * m
			x[l] = (right[l] - lower[l]*xp[l]) * m
		}
	}
	for i := n - 2; i >= 0; i-- {
		c, x, next := &t.c[i], &t.x[i], &t.x[i+1]
		for l := range heat.Width {
			x[l] -= c[l] * next[l]
		}
	}
}

// BenchmarkBareThomas is what BenchmarkColumn is measured against: the same cells,
// lanes and steps, one solve each.
func BenchmarkBareThomas(b *testing.B) {
	t := newThomas(len(benchCells()))
	for b.Loop() {
		for range benchSteps {
			t.solve()
		}
	}
	perSolve(b, benchSteps, len(t.x))
}

func perSolve(b *testing.B, solves, cells int) {
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(solves*cells*heat.Width), "ns/cell")
}

// BenchmarkColumn steps a column through a day: dry, wet (evaporation asks for an
// exponential in each lane), wet with heat in the concrete, and freezing deep.
func BenchmarkColumn(b *testing.B) {
	for _, c := range []struct {
		name   string
		airC   float64
		source float64
		latent float64
	}{{"dry", 8, 0, 0}, {"wet", 8, 0, 80}, {"hydrating", 2, 800, 80}, {"freezing", -15, 0, 0}} {
		b.Run(c.name, func(b *testing.B) {
			cells := benchCells()
			column := newColumn(b, heat.Config{Cells: cells, Lanes: heat.Width, InitialC: 5, Heated: 10})
			top := winterDay()
			top.LatentWm2K = heat.All(c.latent)
			solves := 0
			for b.Loop() {
				b.StopTimer()
				for i := range cells {
					for l := range heat.Width {
						column.SetTemp(i, l, 5)
					}
				}
				for i := range column.Source {
					column.Source[i] = heat.All(c.source)
				}
				column.Iterations = 0
				b.StartTimer()
				for k := range benchSteps {
					now := c.airC + 5*math.Sin(2*math.Pi*float64(k)/benchSteps)
					for l := range heat.Width {
						top.AirC[l] = now + float64(l)/4
					}
					column.Step(300, top)
				}
				solves = column.Iterations
			}
			perSolve(b, solves, len(cells))
			b.ReportMetric(float64(solves)/benchSteps, "solves/step")
		})
	}
}

func winterDay() *heat.Surface {
	return &heat.Surface{
		ConvectWm2K: heat.All(13), LongwaveWm2: heat.All(220), SunWm2: heat.All(50), Emissivity: heat.All(.92),
		LatentWm2K: heat.All(80), VapourKPa: heat.All(.3),
	}
}
