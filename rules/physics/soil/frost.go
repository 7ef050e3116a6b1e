package soil

import "math"

// StefanM is the frost depth that a surface freezing index reaches, latent heat
// alone (Stefan 1891); it errs deep.
func StefanM(conductivityWmK, latentJM3, surfaceIndexCD float64) float64 {
	return math.Sqrt(2 * conductivityWmK * math.Max(0, surfaceIndexCD) * kelvinDay / latentJM3)
}

// A Winter is what the layered frost depth methods need of the weather.
type Winter struct {
	SurfaceIndexCD float64 // n-factor times air freezing index, C days
	DurationD      float64 // of the freezing season
	MeanAnnualC    float64 // mean air temperature of the year
}

// surface is the mean surface temperature below freezing over the season.
func (w Winter) surfaceC() float64 { return w.SurfaceIndexCD / w.DurationD }

// thermalRatio is alpha of Aldrich and Paynter 1953; 0 where the yearly mean lies
// below freezing.
func (w Winter) thermalRatio() float64 { return math.Max(0, w.MeanAnnualC) / w.surfaceC() }

// BerggrenM is the frost depth by the modified Berggren formula in uniform ground
// (Aldrich and Paynter 1953; TM 5-852-6), with the average of frozen and unfrozen
// properties. 0 without frost.
func BerggrenM(conductivityWmK, capacityJM3K, latentJM3 float64, w Winter) float64 {
	if w.SurfaceIndexCD <= 0 {
		return 0
	}
	mu := capacityJM3K * w.surfaceC() / latentJM3
	return BerggrenLambda(mu, w.thermalRatio()) * StefanM(conductivityWmK, latentJM3, w.SurfaceIndexCD)
}

// BerggrenLambda is the correction on Stefan's depth that the Aldrich-Paynter chart
// gives for the fusion parameter mu and the thermal ratio alpha, here solved
// exactly (E36); 1 at mu 0.
func BerggrenLambda(mu, alpha float64) float64 {
	if mu <= 0 {
		return 1
	}
	return frontRoot(1/mu, alpha) * math.Sqrt(2/mu)
}

// BerggrenBound is the simple upper bound on lambda in public use, too high when
// alpha is large.
func BerggrenBound(mu, alpha float64) float64 { return 1 / math.Sqrt(1+mu*(alpha+0.5)) }

// frontRoot solves E36 for g, the front's depth over 2 sqrt(a t).
func frontRoot(invMu, alpha float64) float64 {
	return bisect(1e-12, 6, func(g float64) float64 {
		return math.Exp(-g*g)*(1/math.Erf(g)-alpha/math.Erfc(g)) - math.Sqrt(math.Pi)*g*invMu
	})
}

// A FrostLayer is one layer of a layered profile, with averages of frozen and
// unfrozen properties.
type FrostLayer struct {
	ThicknessM      float64
	ConductivityWmK float64
	CapacityJM3K    float64
	LatentJM3       float64 // 0 for pavement
}

// LayeredFrostM is the frost depth in a layered profile by the modified Berggren
// formula (E37; TM 5-852-6; MEM), and the index each wholly frozen layer took. The
// last layer goes on without end.
func LayeredFrostM(layers []FrostLayer, w Winter) (depthM float64, usedCD []float64) {
	left := w.SurfaceIndexCD
	if left <= 0 {
		return 0, nil
	}
	var p profile
	for i, l := range layers {
		need := p.indexCD(l, l.ThicknessM, w)
		if i == len(layers)-1 || need > left {
			return p.depthM + p.reach(l, left, w), usedCD
		}
		usedCD = append(usedCD, need)
		left -= need
		p.add(l)
	}
	return p.depthM, usedCD
}

// profile sums up the layers frozen so far.
type profile struct {
	depthM, resistance, latent, capacity float64
}

func (p *profile) add(l FrostLayer) {
	p.depthM += l.ThicknessM
	p.resistance += l.ThicknessM / l.ConductivityWmK
	p.latent += l.LatentJM3 * l.ThicknessM
	p.capacity += l.CapacityJM3K * l.ThicknessM
}

// indexCD is the index that freezes d m of layer l below p. With weighted L and C,
// L/lambda^2 is C vs/(2 g^2), which also holds where L is 0.
func (p *profile) indexCD(l FrostLayer, d float64, w Winter) float64 {
	depth := p.depthM + d
	latent := (p.latent + l.LatentJM3*d) / depth
	capacity := (p.capacity + l.CapacityJM3K*d) / depth
	heat := capacity * w.surfaceC()
	g := frontRoot(latent/heat, w.thermalRatio())
	share := 1.0
	if latent > 0 {
		share = l.LatentJM3 / latent
	}
	return share * heat / (2 * g * g) * d * (p.resistance + d/(2*l.ConductivityWmK)) / kelvinDay
}

// reach is how far into layer l an index goes.
func (p *profile) reach(l FrostLayer, indexCD float64, w Winter) float64 {
	const deepest = 30.0
	return bisect(0, deepest, func(d float64) float64 { return indexCD - p.indexCD(l, d, w) })
}
