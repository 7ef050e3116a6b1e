package mix

import "math"

// SolidsHeat is the specific heat of cement and aggregates relative to water
// (ACI 306R, PCA; TM 5-852-4); 0.20 for quick field work.
const SolidsHeat = 0.22

// Ice: its specific heat relative to water and its heat of fusion over the
// specific heat of water, in C deg (79.7 cal/g; ACI prints 80).
const (
	iceHeat    = 0.50
	iceFusionC = 80.0
)

// An Aggregate is one aggregate of a batch with its own moisture.
type Aggregate struct {
	MassKg     float64 // surface-dry
	MoistureKg float64 // free; it is ice when TempC is below 0
	TempC      float64
}

// A Batch is the materials of one batch.
type Batch struct {
	Aggregates []Aggregate
	CementKg   float64 // with all supplementary materials
	CementC    float64
	WaterKg    float64 // added, without the free moisture
	WaterC     float64
	IceKg      float64 // added as ice at 0 C; hot weather only
	SolidsHeat float64 // relative to water; 0 means SolidsHeat
}

func (b Batch) solidsHeat() float64 {
	if b.SolidsHeat == 0 {
		return SolidsHeat
	}
	return b.SolidsHeat
}

// heat is the batch's heat above water at 0 C without the added water, and the
// capacity of all of it; both relative to 1 kg of water.
func (b Batch) heat() (withoutWater, capacity float64) {
	c := b.solidsHeat()
	withoutWater = c*b.CementKg*b.CementC - iceFusionC*b.IceKg
	capacity = c*b.CementKg + b.WaterKg + b.IceKg
	for _, a := range b.Aggregates {
		withoutWater += c*a.MassKg*a.TempC + a.MoistureKg*moistureHeat(a.TempC)
		capacity += c*a.MassKg + a.MoistureKg
	}
	return withoutWater, capacity
}

// moistureHeat is the heat of free moisture at tempC above water at 0 C.
func moistureHeat(tempC float64) float64 {
	if tempC < 0 {
		return iceHeat*tempC - iceFusionC
	}
	return tempC
}

// TempC is the temperature of the concrete as mixed (ACI 306R; PCA; TM 5-852-4),
// with moisture frozen on aggregates below 0 C. An answer at or below 0 C means
// that the mix would hold ice.
func (b Batch) TempC() float64 {
	h, capacity := b.heat()
	return (h + b.WaterKg*b.WaterC) / capacity
}

// WaterForC is the temperature the added water needs for the concrete to be
// targetC as mixed. It may lie beyond what water can have; see [Batch.Heat].
// Without added water it is +Inf where the batch is too cold, else -Inf.
func (b Batch) WaterForC(targetC float64) float64 {
	h, capacity := b.heat()
	if b.WaterKg <= 0 {
		return math.Inf(int(math.Copysign(1, targetC*capacity-h)))
	}
	return (targetC*capacity - h) / b.WaterKg
}

// AggregatesForC is the common temperature all aggregates need for the concrete to
// be targetC as mixed with water at waterC: 0 when thawed is warm enough, +Inf
// without aggregates.
func (b Batch) AggregatesForC(targetC, waterC float64) float64 {
	thawed := b
	thawed.WaterC = waterC
	thawed.Aggregates = make([]Aggregate, len(b.Aggregates))
	aggregateCapacity := 0.0
	for i, a := range b.Aggregates {
		aggregateCapacity += b.solidsHeat()*a.MassKg + a.MoistureKg
		thawed.Aggregates[i] = Aggregate{MassKg: a.MassKg, MoistureKg: a.MoistureKg}
	}
	if aggregateCapacity <= 0 {
		return math.Inf(1)
	}
	h, capacity := thawed.heat()
	return math.Max(0, (targetC*capacity-h-b.WaterKg*waterC)/aggregateCapacity)
}

// A Heating says how a batch comes to a target.
type Heating struct {
	WaterNeededC float64 // what the target asks of the water; beyond any limit when Limited
	WaterC       float64 // what to batch: the needed temperature, within the limits
	MixedC       float64 // what the concrete is then
	Limited      bool    // water alone does not reach the target
	AggregatesC  float64 // when Limited: what the aggregates need besides
}

// Heat finds the water temperature for a target between that of the unheated
// water coldC and the hottest that may be batched, maxC; where that is not enough
// it says what comes out and how warm the aggregates would have to be.
func (b Batch) Heat(targetC, coldC, maxC float64) Heating {
	needed := b.WaterForC(targetC)
	b.WaterC = math.Min(math.Max(needed, coldC), maxC)
	h := Heating{WaterNeededC: needed, WaterC: b.WaterC, MixedC: b.TempC()}
	if needed > maxC {
		h.Limited = true
		h.AggregatesC = b.AggregatesForC(targetC, maxC)
	}
	return h
}

// Limits on heated materials, in C.
const (
	WaterOrderC      = 38.0 // 100 F: join water and aggregate before cement (TM 5-852-4; PCA)
	WaterSequenceC   = 60.0 // 140 F: coarse aggregate and water first, cement last (ACI 306R-16 5.3)
	WaterCementC     = 74.0 // 165 F: hottest water to meet cement (Kirksville MO 6-125)
	WaterCeilingC    = 82.0 // 180 F: upper limit, and only onto aggregate (Concrete Construction)
	AggregateMeanC   = 66.0 // 150 F: hottest mean of a batch of aggregate (TM 5-852-4; ACI 306R-88)
	AggregateAnyC    = 100.0
	AggregateUsualC  = 15.0 // 60 F: rarely more is needed with water at 60 C (ACI 306R)
	ConcreteCeilingC = 32.0 // 90 F: hottest concrete from heated materials (ASTM C94-15a, 12.11)
)
