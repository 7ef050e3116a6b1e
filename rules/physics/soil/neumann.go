package soil

import "math"

// OnePhaseRoot is g of Neumann's one-phase problem for a Stefan number: ground at
// its freezing point whose surface drops below; the front lies at 2 g sqrt(a t).
func OnePhaseRoot(stefan float64) float64 {
	return bisect(0, 6, func(g float64) float64 {
		return stefan - math.Sqrt(math.Pi)*g*math.Exp(g*g)*math.Erf(g)
	})
}

// A Neumann is the two-phase freezing of a half space (E38; Neumann about 1860,
// Carslaw and Jaeger 1959).
type Neumann struct {
	FrozenWmK, FrozenJM3K     float64
	UnfrozenWmK, UnfrozenJM3K float64
	LatentJM3                 float64
	SurfaceC                  float64 // held from time 0
	FreezingC                 float64
	InitialC                  float64
}

func (n Neumann) diffusivities() (frozen, unfrozen float64) {
	return n.FrozenWmK / n.FrozenJM3K, n.UnfrozenWmK / n.UnfrozenJM3K
}

// Root is g: the front lies at 2 g sqrt(af t), af that of the frozen ground.
func (n Neumann) Root() float64 {
	af, au := n.diffusivities()
	r := math.Sqrt(af / au)
	return bisect(1e-12, 5/math.Max(1, r), func(g float64) float64 {
		out := n.FrozenWmK * (n.FreezingC - n.SurfaceC) * math.Exp(-g*g) / (math.Sqrt(math.Pi*af) * math.Erf(g))
		in := n.UnfrozenWmK * (n.InitialC - n.FreezingC) * math.Exp(-g*g*r*r) / (math.Sqrt(math.Pi*au) * math.Erfc(g*r))
		return out - in - n.LatentJM3*g*math.Sqrt(af)
	})
}

// FrontM is the depth of the front at a time.
func (n Neumann) FrontM(timeS float64) float64 {
	af, _ := n.diffusivities()
	return 2 * n.Root() * math.Sqrt(af*timeS)
}

// TempC is the temperature at a depth and a time.
func (n Neumann) TempC(depthM, timeS float64) float64 {
	af, au := n.diffusivities()
	g := n.Root()
	if depthM <= 2*g*math.Sqrt(af*timeS) {
		return n.SurfaceC + (n.FreezingC-n.SurfaceC)*math.Erf(depthM/(2*math.Sqrt(af*timeS)))/math.Erf(g)
	}
	return n.InitialC - (n.InitialC-n.FreezingC)*math.Erfc(depthM/(2*math.Sqrt(au*timeS)))/math.Erfc(g*math.Sqrt(af/au))
}
