package api

import (
	"context"
	"slices"
	"time"

	"frostgate/db"

	"github.com/google/uuid"
)

// A CrewForm is a crew as people give it.
type CrewForm struct {
	Name       string  `json:"name" minLength:"1" maxLength:"200" pattern:"[^\\s\\p{Z}]" patternDescription:"more than blanks" doc:"Unique among the crews that are not archived." example:"Crew 2"`
	DayStarts  DayTime `json:"day_starts" doc:"On the clock of whatever site the crew works at." example:"07:00"`
	DayEnds    DayTime `json:"day_ends" doc:"After the start of the day; 24:00 is midnight." example:"17:00"`
	Days       []int16 `json:"days,omitempty" minimum:"1" maximum:"7" maxItems:"7" doc:"Days of work, each once: 1 is Monday, 7 is Sunday."`
	Machine    *bool   `json:"machine,omitempty" doc:"Whether it finishes slabs by machine; without it, slabs of 50 m2 and more."`
	PlaceM3H   float64 `json:"place_m3_h,omitempty" minimum:"0" maximum:"200" doc:"Concrete placed in an hour; 15 when absent."`
	StaggerMin float64 `json:"stagger_min,omitempty" minimum:"0" maximum:"240" doc:"Between trucks; without it, from the rate of placing."`
	Archived   bool    `json:"archived,omitempty" doc:"No longer offered; its pours stay."`
}

// A Crew is a stored crew.
type Crew struct {
	Saved
	CrewForm
	ArchivedAt *time.Time `json:"archived_at"`
}

func crews() resource[db.Crew, CrewForm, Crew] {
	return resource[db.Crew, CrewForm, Crew]{
		path: "/v1/crews", one: "crew", many: "crews", tag: "Places and people",
		deleting: "Only a crew that never had a pour can be deleted (409); archive it otherwise.",
		get:      (*db.DB).Crew, hold: (*db.Tx).Crew,
		create: (*db.Tx).CreateCrew, update: (*db.Tx).UpdateCrew, remove: (*db.Tx).DeleteCrew,
		record: func(c *db.Crew) *db.Record { return &c.Record },
		fill:   fillCrew, form: crewForm,
		view: func(c db.Crew) Crew {
			return Crew{Saved: saved(c.Record), CrewForm: crewForm(c), ArchivedAt: c.ArchivedAt}
		},
		pours: func(id uuid.UUID) db.PourFilter { return db.PourFilter{CrewIDs: []uuid.UUID{id}} },
	}
}

func fillCrew(_ context.Context, tx *db.Tx, f CrewForm, c db.Crew) (db.Crew, error) {
	c.Name, c.DayStartsMin, c.DayEndsMin, c.Days = neat(f.Name), f.DayStarts.minutes(), f.DayEnds.minutes(), f.Days
	c.Machine, c.PlaceM3H, c.StaggerMin = f.Machine, f.PlaceM3H, f.StaggerMin
	c.ArchivedAt = archived(f.Archived, c.ArchivedAt, tx.Now())
	if c.DayEndsMin <= c.DayStartsMin {
		return c, invalid(atPointer("/day_ends", "out_of_range", "must be after day_starts"))
	}
	return c, accepted(repeatedDays(c.Days))
}

// repeatedDays finds days that stand twice. The schema can't: its validator panics on entries that are no numbers.
func repeatedDays(days []int16) (violations []Violation) {
	for i, day := range days {
		if slices.Contains(days[:i], day) {
			violations = append(violations, atPointer(indexed("/days", i), "repeated", "stands twice"))
		}
	}
	return violations
}

func crewForm(c db.Crew) CrewForm {
	return CrewForm{
		Name: c.Name, DayStarts: dayTime(c.DayStartsMin), DayEnds: dayTime(c.DayEndsMin), Days: c.Days, Machine: c.Machine,
		PlaceM3H: c.PlaceM3H, StaggerMin: c.StaggerMin, Archived: c.ArchivedAt != nil,
	}
}
