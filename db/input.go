package db

import (
	"context"
	"fmt"

	"github.com/google/uuid"
)

// PourInput is all that is stored of a pour for assessing it, but the weather.
type PourInput struct {
	Pour         Pour
	Site         Site
	Plant        Plant
	Crew         Crew
	Mix          Mix
	Observations []Observation // in order of time
	InputsHash   []byte        // of the latest assessment; nil when there is none
}

const (
	poursByID  = `select ` + pourColumns + ` from pours p where p.id = any(@ids) order by p.starts_at, p.id`
	sitesByID  = `select ` + siteColumns + ` from sites s where s.id = any(@ids)`
	plantsByID = `select ` + plantColumns + ` from plants pl where pl.id = any(@ids)`
	crewsByID  = `select ` + crewColumns + ` from crews c where c.id = any(@ids)`
	mixesByID  = `select ` + mixColumns + ` from mixes m where m.id = any(@ids)`

	observationsByPour = `select ` + observationColumns + ` from observations o where o.pour_id = any(@ids) order by o.at, o.id`
	latestHashes       = `
		select p.id as pour_id, a.inputs_hash
		from pours p join assessments a on a.id = p.assessment_id
		where p.id = any(@ids)`
)

// PourInputs loads pours with what they use, by start; those that are gone are
// left out. It takes the same few queries for any number of pours.
func (r reads) PourInputs(ctx context.Context, ids []uuid.UUID) ([]PourInput, error) {
	inputs, err := r.pourInputs(ctx, ids)
	if err != nil {
		return nil, fmt.Errorf("load inputs of %d pours: %w", len(ids), err)
	}
	return inputs, nil
}

func (r reads) pourInputs(ctx context.Context, ids []uuid.UUID) ([]PourInput, error) {
	pours, err := many[Pour](ctx, r.q, poursByID, args{"ids": ids})
	if err != nil {
		return nil, err
	}
	inputs := make([]PourInput, len(pours))
	place := map[uuid.UUID]*PourInput{}
	var sites, plants, crews, mixes []uuid.UUID
	for i, p := range pours {
		inputs[i].Pour = p
		place[p.ID] = &inputs[i]
		sites, plants = append(sites, p.SiteID), append(plants, p.PlantID)
		crews, mixes = append(crews, p.CrewID), append(mixes, p.MixID)
	}
	siteOf, err := byID(ctx, r, sitesByID, sites, func(s Site) uuid.UUID { return s.ID })
	if err != nil {
		return nil, err
	}
	plantOf, err := byID(ctx, r, plantsByID, plants, func(p Plant) uuid.UUID { return p.ID })
	if err != nil {
		return nil, err
	}
	crewOf, err := byID(ctx, r, crewsByID, crews, func(c Crew) uuid.UUID { return c.ID })
	if err != nil {
		return nil, err
	}
	mixOf, err := byID(ctx, r, mixesByID, mixes, func(m Mix) uuid.UUID { return m.ID })
	if err != nil {
		return nil, err
	}
	for i := range inputs {
		in := &inputs[i]
		in.Site, in.Plant = siteOf[in.Pour.SiteID], plantOf[in.Pour.PlantID]
		in.Crew, in.Mix = crewOf[in.Pour.CrewID], mixOf[in.Pour.MixID]
	}
	return inputs, r.addHistory(ctx, ids, place)
}

// addHistory adds what was seen on site and the hash of the last assessment.
func (r reads) addHistory(ctx context.Context, ids []uuid.UUID, place map[uuid.UUID]*PourInput) error {
	observations, err := many[Observation](ctx, r.q, observationsByPour, args{"ids": ids})
	if err != nil {
		return err
	}
	for _, o := range observations {
		if in := place[o.PourID]; in != nil { // a pour may come between two queries
			in.Observations = append(in.Observations, o)
		}
	}
	type hash struct {
		PourID     uuid.UUID
		InputsHash []byte
	}
	hashes, err := many[hash](ctx, r.q, latestHashes, args{"ids": ids})
	for _, h := range hashes {
		if in := place[h.PourID]; in != nil {
			in.InputsHash = h.InputsHash
		}
	}
	return err
}

func byID[T any](ctx context.Context, r reads, sql string, ids []uuid.UUID, id func(T) uuid.UUID) (map[uuid.UUID]T, error) {
	rows, err := many[T](ctx, r.q, sql, args{"ids": ids})
	found := make(map[uuid.UUID]T, len(rows))
	for _, row := range rows {
		found[id(row)] = row
	}
	return found, err
}
