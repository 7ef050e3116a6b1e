package rules

import "time"

// Stand-ins that let the package build until the rules on batch, surface, wind,
// crew, weather and season are in; each goes as its file comes.

func (c Case) withDefaults() (Case, []Assumption) {
	p := &c.Pour
	if p.BatchedAt.IsZero() {
		p.BatchedAt = p.StartsAt.Add(-45 * time.Minute)
	}
	if p.Base.Material == "" {
		p.Base.Material = "gravel"
	}
	if p.Base.DepthMM == 0 {
		p.Base.DepthMM = 150
	}
	if p.Base.MoisturePct == 0 {
		p.Base.MoisturePct = 4
	}
	if p.Base.Subgrade == "" {
		p.Base.Subgrade = "silt_clay"
	}
	if p.ServiceCategory == 0 {
		p.ServiceCategory = 2
	}
	if p.Crew.DayEndsAt.IsZero() {
		p.Crew.DayEndsAt = p.StartsAt.Add(10 * time.Hour)
	}
	if p.Crew.Machine == nil {
		p.Crew.Machine = new(p.AreaM2 >= 50)
	}
	if p.Crew.PlaceM3H == 0 {
		p.Crew.PlaceM3H = 15
	}
	if p.Plant.AcceleratorOK == nil {
		p.Plant.AcceleratorOK = new(true)
	}
	return c, nil
}
func (c *Case) orderBatch(l limitSet, airAtBatchC, dayBeforeMeanC float64) Batch {
	t := 18.0
	if c.Pour.PlacedTempC != nil {
		t = *c.Pour.PlacedTempC
	}
	return Batch{VolumeM3: c.Pour.AreaM2 * c.Pour.ThicknessMM / 1000, PlacedTempC: t}
}
func protectionPeriodH(c *Case) (float64, Source)                    { return 48, Source{} }
func dischargeLimit(c *Case, l limitSet, b *Batch) (float64, Source) { return 90, Source{} }
func (j *job) coldWeather() ColdWeather                              { return ColdWeather{} }
func (j *job) evaporation() []EvaporationRow                         { return nil }
func (j *job) tooStale() (time.Duration, bool)                       { return 0, false }
func (j *job) warmestPlacedC() float64                               { return 21 }
func (j *job) weatherStale() []Finding                               { return nil }
func (j *job) weatherWarning() []Finding                             { return nil }
func (j *job) seasonColdWeather() []Finding                          { return nil }
func (j *job) localRules() []Finding                                 { return nil }
func (j *job) batchWaterTooHot() []Finding                           { return nil }
func (j *job) batchPlacingTempLow() []Finding                        { return nil }
func (j *job) batchPlacingTempHigh() []Finding                       { return nil }
func (j *job) batchChlorideLimit() []Finding                         { return nil }
func (j *job) haulDischargeTime() []Finding                          { return nil }
func (j *job) surfaceEvaporation() []Finding                         { return nil }
func (j *job) surfaceRain() []Finding                                { return nil }
func (j *job) surfaceSnow() []Finding                                { return nil }
func (j *job) windBlankets() []Finding                               { return nil }
func (j *job) crewColdStress() []Finding                             { return nil }
