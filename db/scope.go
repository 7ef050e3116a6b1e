package db

import "github.com/google/uuid"

// Scope narrows what a caller sees and touches to some crews, some plants, or
// both. The zero Scope sees all. A pour is seen when its crew and its plant are
// in the lists that are set; what hangs on a pour is seen with it; a site or a
// mix is seen when a seen pour uses it; crews and plants when they are listed.
type Scope struct {
	Crews  []uuid.UUID // nil is every crew; empty is none
	Plants []uuid.UUID // nil is every plant; empty is none
}

// All tells that nothing is narrowed.
func (s Scope) All() bool { return s.Crews == nil && s.Plants == nil }

// The conditions of a scope, for a pour p, a crew c, a plant pl, a site s and a
// mix m.
const (
	scopeAll   = `(@scope_crews::uuid[] is null and @scope_plants::uuid[] is null)`
	seenCrew   = `(@scope_crews::uuid[] is null or c.id = any(@scope_crews))`
	seenPlant  = `(@scope_plants::uuid[] is null or pl.id = any(@scope_plants))`
	seenPour   = `(@scope_crews::uuid[] is null or p.crew_id = any(@scope_crews)) and (@scope_plants::uuid[] is null or p.plant_id = any(@scope_plants))`
	seenBySite = `(` + scopeAll + ` or exists (select from pours p where p.site_id = s.id and ` + seenPour + `))`
	seenByMix  = `(` + scopeAll + ` or exists (select from pours p where p.mix_id = m.id and ` + seenPour + `))`
)

// on adds the scope to a statement's arguments.
func (s Scope) on(a args) args {
	return a.set("scope_crews", s.Crews).set("scope_plants", s.Plants)
}
