package api

import (
	"context"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
)

// A MixForm is a concrete as people order it.
type MixForm struct {
	Name          string            `json:"name" minLength:"1" maxLength:"200" pattern:"[^\\s\\p{Z}]" patternDescription:"more than blanks" doc:"Unique among the mixes that are not archived." example:"4000 winter"`
	Note          string            `json:"note,omitempty" maxLength:"2000"`
	CementType    string            `json:"cement_type" enum:"I,I/II,II,III"`
	CementKgM3    float64           `json:"cement_kg_m3" minimum:"50" maximum:"800" example:"332"`
	WaterKgM3     float64           `json:"water_kg_m3" minimum:"50" maximum:"400" doc:"Total, with the free moisture of the aggregates." example:"160"`
	AggregateKgM3 float64           `json:"aggregate_kg_m3" minimum:"500" maximum:"2500" example:"1850"`
	FlyAshKgM3    float64           `json:"fly_ash_kg_m3,omitempty" minimum:"0" maximum:"500"`
	SlagKgM3      float64           `json:"slag_kg_m3,omitempty" minimum:"0" maximum:"700"`
	StrengthMPa   float64           `json:"strength_mpa" minimum:"5" maximum:"120" doc:"Specified at 28 days." example:"27.6"`
	SlumpMM       float64           `json:"slump_mm,omitempty" minimum:"0" maximum:"300"`
	AirPct        float64           `json:"air_pct,omitempty" minimum:"0" maximum:"15"`
	Admixtures    []rules.Admixture `json:"admixtures,omitempty" maxItems:"20"`
	Archived      bool              `json:"archived,omitempty" doc:"No longer offered; its pours stay."`
}

// A Mix is a stored mix.
type Mix struct {
	Saved
	MixForm
	ArchivedAt *time.Time `json:"archived_at"`
}

func mixes() resource[db.Mix, MixForm, Mix] {
	return resource[db.Mix, MixForm, Mix]{
		path: "/v1/mixes", one: "mix", many: "mixes", tag: "Places and people",
		deleting: "Only a mix that no pour ever used can be deleted (409); archive it otherwise.",
		get:      (*db.DB).Mix, hold: (*db.Tx).Mix,
		create: (*db.Tx).CreateMix, update: (*db.Tx).UpdateMix, remove: (*db.Tx).DeleteMix,
		record: func(m *db.Mix) *db.Record { return &m.Record },
		fill:   fillMix, form: mixForm,
		view:  func(m db.Mix) Mix { return Mix{Saved: saved(m.Record), MixForm: mixForm(m), ArchivedAt: m.ArchivedAt} },
		pours: func(id uuid.UUID) db.PourFilter { return db.PourFilter{MixIDs: []uuid.UUID{id}} },
	}
}

func fillMix(_ context.Context, tx *db.Tx, f MixForm, m db.Mix) (db.Mix, error) {
	m.Name, m.Note = neat(f.Name), neat(f.Note)
	m.Mix = rules.Mix{
		CementType: f.CementType, CementKgM3: f.CementKgM3, WaterKgM3: f.WaterKgM3, AggregateKgM3: f.AggregateKgM3,
		FlyAshKgM3: f.FlyAshKgM3, SlagKgM3: f.SlagKgM3, StrengthMPa: f.StrengthMPa, SlumpMM: f.SlumpMM, AirPct: f.AirPct,
		Admixtures: f.Admixtures,
	}
	m.ArchivedAt = archived(f.Archived, m.ArchivedAt, tx.Now())
	return m, accepted(fromRules(m.Violations()))
}

func mixForm(m db.Mix) MixForm {
	return MixForm{
		Name: m.Name, Note: m.Note, CementType: m.CementType, CementKgM3: m.CementKgM3, WaterKgM3: m.WaterKgM3,
		AggregateKgM3: m.AggregateKgM3, FlyAshKgM3: m.FlyAshKgM3, SlagKgM3: m.SlagKgM3, StrengthMPa: m.StrengthMPa,
		SlumpMM: m.SlumpMM, AirPct: m.AirPct, Admixtures: m.Admixtures, Archived: m.ArchivedAt != nil,
	}
}
