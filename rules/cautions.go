package rules

import "slices"

// cautions are what every crew has to be told besides the verdict, as far as the
// pour gives cause.
func (j *job) cautions() []string {
	p := &j.c.Pour
	list := []string{
		"Wet cement burns skin and eyes: wear waterproof gloves, boots and eye protection, and wash splashes off at once.",
	}
	cold := j.limits.cold(j.underMaintained(&j.run).lowestAirC)
	heated := slices.ContainsFunc(p.GroundCover, func(g GroundCover) bool { return g.Kind == "heated" })
	if cold || heated {
		list = append(list, "Vent every heater: carbon monoxide kills in enclosures, and carbon dioxide in the first 24 hours leaves a soft, dusting surface.")
	}
	if w := j.batch.WaterTempC; w != nil && *w > waterOrderC {
		list = append(list, "Hot water can flash-set cement: water and aggregate first, cement last, admixtures once the water has cooled.")
	}
	if slices.ContainsFunc(p.Mix.Admixtures, func(a Admixture) bool { return a.Kind == "calcium_chloride" }) {
		list = append(list, "Calcium chloride is barred with prestressing, embedded aluminium or galvanised metal, and where the specification forbids it; it is no antifreeze.")
	}
	if j.wx.minAirC(p.StartsAt, p.Crew.DayEndsAt) < coldStressC {
		list = append(list, "Cold stress: dry gloves and layers, warm-up breaks in shelter, nobody working alone.")
	}
	if j.shield.needed {
		list = append(list, "Edges, corners and projecting bars cool first: double the cover there, lap and weigh blankets down, and keep them dry.")
	}
	return append(list, "Local code, the project's specification and its engineer decide; a computed strength is no proof of strength in place.")
}

const (
	waterOrderC = 38.0 // 100 F: order of charging (TM 5-852-4; PCA)
	coldStressC = -7.0 // air from which the caution is given. CAL
)
