package api

import (
	"context"
	"strings"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
)

// A SiteForm is a site as people give it.
type SiteForm struct {
	Name        string              `json:"name" minLength:"1" maxLength:"200" pattern:"[^\\s\\p{Z}]" patternDescription:"more than blanks" doc:"Unique among the sites that are not archived." example:"North yard"`
	Address     string              `json:"address,omitempty" maxLength:"500"`
	Latitude    float64             `json:"latitude" minimum:"-66" maximum:"72" doc:"Degrees north." example:"42.0"`
	Longitude   float64             `json:"longitude" minimum:"-180" maximum:"180" doc:"Degrees east." example:"-88.0"`
	ElevationM  float64             `json:"elevation_m,omitempty" minimum:"-430" maximum:"6200" example:"220"`
	Timezone    string              `json:"timezone" minLength:"1" maxLength:"60" doc:"IANA name." example:"America/Chicago"`
	Shade       float64             `json:"shade,omitempty" minimum:"0" maximum:"1" doc:"Share of direct sun that is kept off."`
	Terrain     rules.Terrain       `json:"terrain,omitempty" enum:"open,built,sheltered" doc:"To the wind; open when absent."`
	Code        rules.Code          `json:"code,omitempty" enum:"us,csa,en,din" doc:"Body of published limits at the site; the firm's when absent."`
	LocalRules  []rules.LocalRule   `json:"local_rules,omitempty" maxItems:"50" doc:"Limits of the authority at the site; they only tighten."`
	SourceOrder map[string][]string `json:"source_order,omitempty" doc:"Order of the weather sources by variable at this site, the preferred first; the firm's where a variable is absent."`
	Archived    bool                `json:"archived,omitempty" doc:"No longer offered; its pours stay."`
}

// A Site is a stored site.
type Site struct {
	Saved
	SiteForm
	ArchivedAt *time.Time `json:"archived_at"`
}

func sites() resource[db.Site, SiteForm, Site] {
	return resource[db.Site, SiteForm, Site]{
		path: "/v1/sites", one: "site", many: "sites", tag: "Places and people",
		deleting: "Only a site that no pour ever used can be deleted (409); archive it otherwise.",
		get:      (*db.DB).Site, hold: (*db.Tx).Site,
		create: (*db.Tx).CreateSite, update: (*db.Tx).UpdateSite, remove: (*db.Tx).DeleteSite,
		record: func(s *db.Site) *db.Record { return &s.Record },
		fill:   fillSite, form: siteForm,
		view: func(s db.Site) Site {
			return Site{Saved: saved(s.Record), SiteForm: siteForm(s), ArchivedAt: s.ArchivedAt}
		},
		pours: func(id uuid.UUID) db.PourFilter { return db.PourFilter{SiteIDs: []uuid.UUID{id}} },
	}
}

// fillSite puts a form's values into a record. A site that moves forgets the cells of the weather sources, which are
// found anew.
func fillSite(ctx context.Context, tx *db.Tx, f SiteForm, s db.Site) (db.Site, error) {
	moved := s.ID != uuid.Nil && (s.Latitude != f.Latitude || s.Longitude != f.Longitude || s.ElevationM != f.ElevationM)
	s.Name, s.Address = neat(f.Name), neat(f.Address)
	s.Site = rules.Site{
		Latitude: f.Latitude, Longitude: f.Longitude, ElevationM: f.ElevationM, Timezone: f.Timezone,
		Shade: f.Shade, Terrain: f.Terrain, Code: f.Code, LocalRules: f.LocalRules,
	}
	s.SourceOrder = f.SourceOrder
	s.ArchivedAt = archived(f.Archived, s.ArchivedAt, tx.Now())
	violations := append(fromRules(s.Violations()), checkOrder(s.SourceOrder)...)
	if len(violations) == 0 && !strings.Contains(f.Timezone, "/") && f.Timezone != "UTC" {
		violations = append(violations, atPointer("/timezone", "invalid", "must be an IANA time zone of a place, such as America/Chicago"))
	}
	if len(violations) > 0 || !moved {
		return s, accepted(violations)
	}
	return s, tx.UnlinkSite(ctx, s.ID)
}

func siteForm(s db.Site) SiteForm {
	return SiteForm{
		Name: s.Name, Address: s.Address, Latitude: s.Latitude, Longitude: s.Longitude, ElevationM: s.ElevationM,
		Timezone: s.Timezone, Shade: s.Shade, Terrain: s.Terrain, Code: s.Code, LocalRules: s.LocalRules, SourceOrder: s.SourceOrder, Archived: s.ArchivedAt != nil,
	}
}
