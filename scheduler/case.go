package scheduler

import (
	"time"

	"frostgate/db"
	"frostgate/rules"
)

// CaseOf is what the engine is asked of a stored pour: judged at a time, on some
// weather. Concrete that is in place starts when it was placed.
func CaseOf(in db.PourInput, firm db.Firm, w Weather, now time.Time) rules.Case {
	return rules.Case{
		Site:       in.Site.Site,
		Pour:       pourOf(in),
		Weather:    w.Hours,
		AssessedAt: now,
		IssuedAt:   w.IssuedAt,
		Warnings:   w.Warnings,

		WarningsUnknown: w.WarningsUnknown,
		Firm:            rules.Firm{Units: firm.Units, Code: firm.Code, Calibration: firm.Calibration, Limits: firm.Limits},
	}
}

func pourOf(in db.PourInput) rules.Pour {
	p := in.Pour
	r := rules.Pour{
		Element: p.Element, ThicknessMM: p.ThicknessMM, WidthMM: p.WidthMM, HeightMM: p.HeightMM, LengthMM: p.LengthMM,
		AreaM2: p.AreaM2, VolumeM3: p.VolumeM3, StartsAt: startOf(p), PlacedTempC: p.PlacedTempC, Base: p.Base,
		FoamMM: p.FoamMM, VapourRetarder: p.VapourRetarder, Reinforced: p.Reinforced, Exposure: p.Exposure,
		ServiceCategory: p.ServiceCategory, FormRM2KW: p.FormRM2KW, WindbreakUp: p.Windbreak,
		Mix: in.Mix.Mix, Plant: in.Plant.Plant, Protection: p.Protection, AtHand: p.ProtectionAtHand,
		GroundCover: p.GroundCover, WastePct: p.WastePct,
	}
	if p.CancelBy != nil {
		r.CancelBy = *p.CancelBy
	}
	if p.HaulMin != nil {
		r.Plant.HaulMin = p.HaulMin
	}
	r.Crew = rules.Crew{Machine: in.Crew.Machine, PlaceM3H: in.Crew.PlaceM3H, Lights: p.Lights}
	if zone, err := time.LoadLocation(in.Site.Timezone); err == nil {
		r.Crew.DayEndsAt = dayMinute(r.StartsAt.In(zone), in.Crew.DayEndsMin)
	}
	for _, o := range in.Observations {
		r.Observations = append(r.Observations, rules.Observation{Kind: o.Kind, At: o.At, Value: o.Value, DepthMM: o.DepthMM})
	}
	return r
}

func startOf(p db.Pour) time.Time {
	if p.State != db.Planned && p.PlacedAt != nil {
		return *p.PlacedAt
	}
	return p.StartsAt
}

// dayMinute is a minute of the local day that t falls on. On a day of a clock
// change it is still what the clock on the wall shows.
func dayMinute(t time.Time, minute int) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, minute, 0, 0, t.Location())
}
