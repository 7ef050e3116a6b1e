package api

import (
	"context"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
)

// A PlantForm is a ready-mix plant as people give it.
type PlantForm struct {
	Name                 string   `json:"name" minLength:"1" maxLength:"200" pattern:"[^\\s\\p{Z}]" patternDescription:"more than blanks" doc:"Unique among the plants that are not archived." example:"River plant"`
	Latitude             *float64 `json:"latitude,omitempty" minimum:"-90" maximum:"90" dependentRequired:"longitude"`
	Longitude            *float64 `json:"longitude,omitempty" minimum:"-180" maximum:"180" dependentRequired:"latitude"`
	AggregateTempC       *float64 `json:"aggregate_temp_c,omitempty" minimum:"-50" maximum:"60" doc:"Without it, the mean air of the day before."`
	AggregateMoisturePct *float64 `json:"aggregate_moisture_pct,omitempty" minimum:"0" maximum:"20" doc:"Free moisture; 2 when absent."`
	CementTempC          *float64 `json:"cement_temp_c,omitempty" minimum:"-40" maximum:"90" doc:"10 when absent."`
	WaterMaxC            *float64 `json:"water_max_c,omitempty" minimum:"0" maximum:"100" doc:"Hottest water that it can batch; 71 when absent."`
	HaulMin              *float64 `json:"haul_min,omitempty" minimum:"0" maximum:"240" doc:"Usual haul; 45 when absent."`
	Truck                string   `json:"truck,omitempty" enum:"drum,covered_dump,open_dump" doc:"drum when absent."`
	TruckM3              float64  `json:"truck_m3,omitempty" minimum:"0" maximum:"20" doc:"7.6 when absent."`
	Accelerator          *bool    `json:"accelerator,omitempty" doc:"Whether it can dose one; true when absent."`
	DailyM3              *float64 `json:"daily_m3,omitempty" exclusiveMinimum:"0" maximum:"100000" doc:"Concrete that it can give in a day."`
	Archived             bool     `json:"archived,omitempty" doc:"No longer offered; its pours stay."`
}

// A Plant is a stored plant.
type Plant struct {
	Saved
	PlantForm
	ArchivedAt *time.Time `json:"archived_at"`
}

func plants() resource[db.Plant, PlantForm, Plant] {
	return resource[db.Plant, PlantForm, Plant]{
		path: "/v1/plants", one: "plant", many: "plants", tag: "Places and people",
		deleting: "Only a plant that no pour ever used can be deleted (409); archive it otherwise.",
		get:      (*db.DB).Plant, hold: (*db.Tx).Plant,
		create: (*db.Tx).CreatePlant, update: (*db.Tx).UpdatePlant, remove: (*db.Tx).DeletePlant,
		record: func(p *db.Plant) *db.Record { return &p.Record },
		fill:   fillPlant, form: plantForm,
		view: func(p db.Plant) Plant {
			return Plant{Saved: saved(p.Record), PlantForm: plantForm(p), ArchivedAt: p.ArchivedAt}
		},
		pours: func(id uuid.UUID) db.PourFilter { return db.PourFilter{PlantIDs: []uuid.UUID{id}} },
	}
}

func fillPlant(_ context.Context, tx *db.Tx, f PlantForm, p db.Plant) (db.Plant, error) {
	p.Name, p.Latitude, p.Longitude, p.DailyM3 = neat(f.Name), f.Latitude, f.Longitude, f.DailyM3
	p.Plant = rules.Plant{
		AggregateTempC: f.AggregateTempC, AggregateMoisturePct: f.AggregateMoisturePct, CementTempC: f.CementTempC,
		WaterMaxC: f.WaterMaxC, HaulMin: f.HaulMin, Truck: f.Truck, TruckM3: f.TruckM3, AcceleratorOK: f.Accelerator,
	}
	p.ArchivedAt = archived(f.Archived, p.ArchivedAt, tx.Now())
	return p, accepted(fromRules(p.Violations()))
}

func plantForm(p db.Plant) PlantForm {
	return PlantForm{
		Name: p.Name, Latitude: p.Latitude, Longitude: p.Longitude, AggregateTempC: p.AggregateTempC,
		AggregateMoisturePct: p.AggregateMoisturePct, CementTempC: p.CementTempC, WaterMaxC: p.WaterMaxC, HaulMin: p.HaulMin,
		Truck: p.Truck, TruckM3: p.TruckM3, Accelerator: p.AcceleratorOK, DailyM3: p.DailyM3, Archived: p.ArchivedAt != nil,
	}
}
