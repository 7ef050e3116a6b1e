package api

import (
	"context"
	"net/http"
	"slices"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
)

// A PourForm is a pour as people give it.
type PourForm struct {
	Name             string              `json:"name" minLength:"1" maxLength:"200" pattern:"[^\\s\\p{Z}]" patternDescription:"more than blanks" example:"Bay 3 slab"`
	Note             string              `json:"note,omitempty" maxLength:"4000"`
	SiteID           uuid.UUID           `json:"site_id" format:"uuid"`
	PlantID          uuid.UUID           `json:"plant_id" format:"uuid"`
	CrewID           uuid.UUID           `json:"crew_id" format:"uuid"`
	MixID            uuid.UUID           `json:"mix_id" format:"uuid"`
	StartsAt         time.Time           `json:"starts_at" doc:"When placing begins." example:"2026-01-15T07:00:00-06:00"`
	OccupiedUntil    *time.Time          `json:"occupied_until,omitempty" doc:"Until when the crew is busy with it, at most 7 days after the start. Without it: the end of the crew's day, or 10 hours."`
	CancelBy         *time.Time          `json:"cancel_by,omitempty" doc:"When the ready-mix order can last be cancelled."`
	Element          rules.Element       `json:"element" enum:"slab_on_ground,footing,wall"`
	ThicknessMM      float64             `json:"thickness_mm" minimum:"50" maximum:"3000" doc:"Least dimension." example:"125"`
	WidthMM          float64             `json:"width_mm,omitempty" minimum:"0" maximum:"20000" doc:"Of a footing."`
	HeightMM         float64             `json:"height_mm,omitempty" minimum:"0" maximum:"20000" doc:"Of a wall."`
	LengthMM         float64             `json:"length_mm,omitempty" minimum:"0" maximum:"1000000" doc:"Of a footing or wall."`
	AreaM2           float64             `json:"area_m2,omitempty" minimum:"0" maximum:"100000" doc:"Of a slab, or of one face of a wall." example:"70"`
	VolumeM3         *float64            `json:"volume_m3,omitempty" minimum:"0" maximum:"10000" doc:"As drawn; without it, from the dimensions."`
	WastePct         *float64            `json:"waste_pct,omitempty" minimum:"0" maximum:"100" doc:"Over the drawn volume; 7 when absent."`
	Base             rules.Base          `json:"base,omitzero" doc:"The ground under it."`
	FoamMM           float64             `json:"foam_mm,omitempty" minimum:"0" maximum:"500"`
	VapourRetarder   bool                `json:"vapour_retarder,omitempty"`
	Reinforced       bool                `json:"reinforced,omitempty"`
	Exposure         rules.Exposure      `json:"exposure,omitempty" enum:"C0,C1,C2,prestressed" doc:"Chloride class of ACI 318-19; C1 when reinforced and absent."`
	ServiceCategory  int                 `json:"service_category,omitempty" minimum:"1" maximum:"4" doc:"Of ACI 306R; 2 when absent."`
	FormRM2KW        *float64            `json:"form_r_m2k_w,omitempty" minimum:"0" maximum:"10" doc:"Thermal resistance of the forms of a wall or footing."`
	Windbreak        bool                `json:"windbreak,omitempty"`
	Lights           bool                `json:"lights,omitempty" doc:"The site is lit."`
	PlacedTempC      *float64            `json:"placed_temp_c,omitempty" minimum:"-5" maximum:"60" doc:"Of the concrete; without it, what the plant can deliver."`
	HaulMin          *float64            `json:"haul_min,omitempty" minimum:"0" maximum:"240" doc:"From this plant to this site; without it, the plant's own."`
	Protection       []rules.Protection  `json:"protection,omitempty" maxItems:"20" doc:"Blankets planned to lie on the concrete, and when."`
	ProtectionAtHand []rules.Cover       `json:"protection_at_hand,omitempty" maxItems:"20" doc:"Blankets that could be used beyond the plan."`
	GroundCover      []rules.GroundCover `json:"ground_cover,omitempty" maxItems:"20" doc:"What lies on the base before placing."`
}

// A Pour is a stored pour.
type Pour struct {
	Saved
	PourForm
	State       db.PourState `json:"state" enum:"planned,placed,released,cancelled"`
	PlacedAt    *time.Time   `json:"placed_at"`
	ReleasedAt  *time.Time   `json:"released_at"`
	CancelledAt *time.Time   `json:"cancelled_at"`
	Latest      *Latest      `json:"latest" doc:"The latest assessment in short; null when there is none yet. It comes by itself and doesn't raise the version."`
}

// A PourLine is a pour in a list, with the names of what it refers to.
type PourLine struct {
	Pour
	SiteName  string `json:"site_name"`
	Timezone  string `json:"timezone" doc:"Of the site."`
	PlantName string `json:"plant_name"`
	CrewName  string `json:"crew_name"`
	MixName   string `json:"mix_name"`
}

// Latest is an assessment in short.
type Latest struct {
	AssessmentID     *uuid.UUID    `json:"assessment_id" format:"uuid" nullable:"true"`
	AssessedAt       *time.Time    `json:"assessed_at"`
	Verdict          rules.Verdict `json:"verdict" enum:"place,protect,move,unscored"`
	WorstRule        string        `json:"worst_rule"`
	WorstReason      string        `json:"worst_reason"`
	WorstProbability *float64      `json:"worst_probability"`
	Severity         string        `json:"severity"`
	NextWindowAt     *time.Time    `json:"next_window_at" doc:"The next start that places, or needs only protection at hand."`
}

// Saved is what every stored record has.
type Saved struct {
	ID        uuid.UUID `json:"id" format:"uuid"`
	Version   int64     `json:"version" doc:"Raised by each edit; the ETag."`
	CreatedAt time.Time `json:"created_at"`
	UpdatedAt time.Time `json:"updated_at"`
}

func saved(r db.Record) Saved {
	return Saved{ID: r.ID, Version: r.Version, CreatedAt: r.CreatedAt, UpdatedAt: r.UpdatedAt}
}

const moving = "When a patch moves starts_at alone, occupied_until, cancel_by, protection and ground_cover move along by as much."

func pours() resource[db.Pour, PourForm, Pour] {
	return resource[db.Pour, PourForm, Pour]{
		path: "/v1/pours", one: "pour", many: "pours", tag: "Pours", formHint: moving,
		deleting: "Takes its assessments and observations along. One that ever had an alert stays (409); cancel it.",
		get:      (*db.DB).Pour, hold: (*db.Tx).Pour,
		create: (*db.Tx).CreatePour, update: (*db.Tx).UpdatePour, remove: (*db.Tx).DeletePour,
		record: func(p *db.Pour) *db.Record { return &p.Record },
		news:   func(p *db.Pour) *time.Time { return p.AssessedAt },
		fill:   fillPour, form: pourForm, view: pourView, patched: movedAlong,
	}
}

func pourView(p db.Pour) Pour {
	view := Pour{
		Saved: saved(p.Record), PourForm: pourForm(p), State: p.State,
		PlacedAt: p.PlacedAt, ReleasedAt: p.ReleasedAt, CancelledAt: p.CancelledAt,
	}
	if p.Verdict != "" {
		view.Latest = &Latest{
			AssessmentID: p.AssessmentID, AssessedAt: p.AssessedAt, Verdict: p.Verdict, WorstRule: p.WorstRule,
			WorstReason: p.WorstReason, WorstProbability: p.WorstProbability, Severity: p.Severity, NextWindowAt: p.NextWindowAt,
		}
	}
	return view
}

func pourLine(l db.PourLine) PourLine {
	return PourLine{
		Pour: pourView(l.Pour), SiteName: l.SiteName, Timezone: l.Timezone, PlantName: l.PlantName, CrewName: l.CrewName, MixName: l.MixName,
	}
}

// fillPour puts a form's values into a record.
func fillPour(ctx context.Context, tx *db.Tx, f PourForm, p db.Pour) (db.Pour, error) {
	p.Name, p.Note, p.SiteID, p.PlantID, p.CrewID, p.MixID = neat(f.Name), neat(f.Note), f.SiteID, f.PlantID, f.CrewID, f.MixID
	p.Element, p.ThicknessMM, p.WidthMM, p.HeightMM, p.LengthMM = f.Element, f.ThicknessMM, f.WidthMM, f.HeightMM, f.LengthMM
	p.AreaM2, p.VolumeM3, p.WastePct, p.Base, p.FoamMM = f.AreaM2, f.VolumeM3, f.WastePct, f.Base, f.FoamMM
	p.VapourRetarder, p.Reinforced, p.Exposure, p.ServiceCategory = f.VapourRetarder, f.Reinforced, f.Exposure, f.ServiceCategory
	p.FormRM2KW, p.Windbreak, p.Lights, p.PlacedTempC, p.HaulMin = f.FormRM2KW, f.Windbreak, f.Lights, f.PlacedTempC, f.HaulMin
	p.Protection, p.ProtectionAtHand, p.GroundCover = f.Protection, f.ProtectionAtHand, f.GroundCover
	p.StartsAt, p.CancelBy = f.StartsAt.UTC(), utc(f.CancelBy)
	if violations := pourViolations(f); len(violations) > 0 {
		return p, invalid(violations...)
	}
	if f.OccupiedUntil != nil {
		p.OccupiedUntil = f.OccupiedUntil.UTC()
		return p, nil
	}
	until, err := endOfWork(ctx, tx, f)
	p.OccupiedUntil = until
	return p, err
}

// pourViolations finds what neither the schema of the form nor that of the database can: the rules' own conditions,
// and times that contradict each other.
func pourViolations(f PourForm) []Violation {
	violations := fromRules(rules.Pour{
		Element: f.Element, ThicknessMM: f.ThicknessMM, WidthMM: f.WidthMM, HeightMM: f.HeightMM, LengthMM: f.LengthMM, AreaM2: f.AreaM2,
		VolumeM3: f.VolumeM3, StartsAt: f.StartsAt, PlacedTempC: f.PlacedTempC, Base: f.Base, FoamMM: f.FoamMM, VapourRetarder: f.VapourRetarder,
		Reinforced: f.Reinforced, Exposure: f.Exposure, ServiceCategory: f.ServiceCategory, FormRM2KW: f.FormRM2KW,
		WindbreakUp: f.Windbreak, Protection: f.Protection, AtHand: f.ProtectionAtHand, GroundCover: f.GroundCover, WastePct: f.WastePct,
	}.Violations(), "/mix", "/plant", "/crew")
	if !f.StartsAt.IsZero() && (f.StartsAt.Year() < 2000 || f.StartsAt.Year() > 2099) {
		violations = append(violations, atPointer("/starts_at", "out_of_range", "must lie between 2000 and 2099"))
	}
	if f.OccupiedUntil != nil && !f.OccupiedUntil.After(f.StartsAt) {
		violations = append(violations, atPointer("/occupied_until", "out_of_range", "must be after starts_at"))
	}
	if f.CancelBy != nil && f.CancelBy.After(f.StartsAt) {
		violations = append(violations, atPointer("/cancel_by", "out_of_range", "must not be after starts_at"))
	}
	return violations
}

// endOfWork is when a crew is free again after a pour: at the end of its day, or 10 hours after the start.
func endOfWork(ctx context.Context, tx *db.Tx, f PourForm) (time.Time, error) {
	latest := f.StartsAt.UTC().Add(10 * time.Hour)
	crew, err := tx.Crew(ctx, db.Scope{}, f.CrewID)
	if err != nil {
		return latest, missing(err, "/crew_id")
	}
	site, err := tx.Site(ctx, db.Scope{}, f.SiteID)
	if err != nil {
		return latest, missing(err, "/site_id")
	}
	zone, err := time.LoadLocation(site.Timezone)
	if err != nil {
		return latest, err
	}
	local := f.StartsAt.In(zone)
	end := time.Date(local.Year(), local.Month(), local.Day(), 0, crew.DayEndsMin, 0, 0, zone).UTC()
	if end.After(f.StartsAt) && end.Before(latest) {
		return end, nil
	}
	return latest, nil
}

func pourForm(p db.Pour) PourForm {
	return PourForm{
		Name: p.Name, Note: p.Note, SiteID: p.SiteID, PlantID: p.PlantID, CrewID: p.CrewID, MixID: p.MixID,
		StartsAt: p.StartsAt.UTC(), OccupiedUntil: utc(&p.OccupiedUntil), CancelBy: utc(p.CancelBy),
		Element: p.Element, ThicknessMM: p.ThicknessMM, WidthMM: p.WidthMM, HeightMM: p.HeightMM, LengthMM: p.LengthMM,
		AreaM2: p.AreaM2, VolumeM3: p.VolumeM3, WastePct: p.WastePct, Base: p.Base, FoamMM: p.FoamMM,
		VapourRetarder: p.VapourRetarder, Reinforced: p.Reinforced, Exposure: p.Exposure, ServiceCategory: p.ServiceCategory,
		FormRM2KW: p.FormRM2KW, Windbreak: p.Windbreak, Lights: p.Lights, PlacedTempC: p.PlacedTempC, HaulMin: p.HaulMin,
		Protection: p.Protection, ProtectionAtHand: p.ProtectionAtHand, GroundCover: p.GroundCover,
	}
}

// movedAlong shifts what hangs on the start of a pour, when a patch moves the start and leaves them out.
func movedAlong(before db.Pour, form PourForm, names func(string) bool) PourForm {
	by := form.StartsAt.Sub(before.StartsAt)
	if by == 0 {
		return form
	}
	shift := func(at *time.Time) *time.Time {
		if at == nil {
			return nil
		}
		moved := at.Add(by)
		return &moved
	}
	if !names("occupied_until") {
		form.OccupiedUntil = shift(form.OccupiedUntil)
	}
	if !names("cancel_by") {
		form.CancelBy = shift(form.CancelBy)
	}
	if !names("protection") {
		form.Protection = slices.Clone(form.Protection)
		for i, p := range form.Protection {
			form.Protection[i].OnAt, form.Protection[i].OffAt = p.OnAt.Add(by), shift(p.OffAt)
		}
	}
	if !names("ground_cover") {
		form.GroundCover = slices.Clone(form.GroundCover)
		for i, c := range form.GroundCover {
			form.GroundCover[i].OnAt, form.GroundCover[i].OffAt = c.OnAt.Add(by), shift(c.OffAt)
		}
	}
	return form
}

func utc(at *time.Time) *time.Time {
	if at == nil {
		return nil
	}
	moved := at.UTC()
	return &moved
}

// PoursInput narrows a list of pours.
type PoursInput struct {
	DayFrom      string          `query:"day_from" format:"date" pattern:"^(19|20)" patternDescription:"a date from 1900 to 2099, such as 2026-01-15" doc:"First day of start, on the calendar of each site."`
	DayUntil     string          `query:"day_until" format:"date" pattern:"^(19|20)" patternDescription:"a date from 1900 to 2099, such as 2026-01-15" doc:"Last day of start, inclusive."`
	StartsFrom   time.Time       `query:"starts_from" doc:"At or after."`
	StartsBefore time.Time       `query:"starts_before"`
	Site         []string        `query:"site_id" format:"uuid" maxItems:"100" doc:"One or several, separated by commas."`
	Plant        []string        `query:"plant_id" format:"uuid" maxItems:"100"`
	Crew         []string        `query:"crew_id" format:"uuid" maxItems:"100"`
	Mix          []string        `query:"mix_id" format:"uuid" maxItems:"100"`
	Verdict      []rules.Verdict `query:"verdict" enum:"place,protect,move,unscored" maxItems:"4" doc:"unscored has those never assessed, too."`
	State        []db.PourState  `query:"state" enum:"planned,placed,released,cancelled" maxItems:"4"`
	Text         string          `query:"text" maxLength:"100" doc:"Part of the name or note of the pour or of the name of the site, in any case."`
}

func (in PoursInput) filter() db.PourFilter {
	return db.PourFilter{
		StartsFrom: in.StartsFrom, StartsBefore: in.StartsBefore, DayFrom: in.DayFrom, DayUntil: in.DayUntil,
		SiteIDs: ids(in.Site), PlantIDs: ids(in.Plant), CrewIDs: ids(in.Crew), MixIDs: ids(in.Mix),
		Verdicts: in.Verdict, States: in.State, Text: in.Text,
	}
}

// ids parses what the schema has checked.
func ids(texts []string) []uuid.UUID {
	var list []uuid.UUID
	for _, text := range texts {
		if id, err := uuid.Parse(text); err == nil {
			list = append(list, id)
		}
	}
	return list
}

func (a *API) servePours() {
	r := pours()
	serve(a, route{
		method: http.MethodGet, path: r.path, id: "list-pours", tag: r.tag, summary: "List pours",
		about: "By start. Several values of a filter are alternatives; several filters narrow each other.", roles: anyRole,
	}, func(ctx context.Context, in *struct {
		PageInput
		PoursInput
	},
	) (*listed[PourLine], error) {
		page, err := in.page(ctx)
		if err != nil {
			return nil, err
		}
		found, err := a.db.Pours(ctx, scopeOf(ctx), in.filter(), page)
		if err != nil {
			return nil, err
		}
		return answerList(ctx, found, pourLine), nil
	})
	serveResource(a, r)
	a.serveSteps(r)
}
