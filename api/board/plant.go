package board

import (
	"cmp"
	"slices"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
)

// A plantsPage is what the plants are to deliver in the coming days.
type plantsPage struct {
	Plants []plantLoad
	Empty  string
}

type plantLoad struct {
	Name string
	Days []dayLoad
}

type dayLoad struct {
	Name  string
	Hours []hourLoad
	Total need
	Risk  string // volume of pours that may move or are unscored
	N     int
	total demand
	risk  float64
}

type hourLoad struct {
	Hour   string
	Need   need
	Share  int    // of the plant's busiest hour, in twentieths
	Pours  []card // that start in it
	AtRisk bool
	at     time.Time
	demand
}

// A demand is what a plant has to make: concrete with waste, heated mixing water and admixtures that speed the set.
type demand struct{ concreteM3, waterL, heatMJ, acceleratorKg float64 }

func (d *demand) add(o demand, share float64) {
	d.concreteM3 += o.concreteM3 * share
	d.waterL += o.waterL * share
	d.heatMJ += o.heatMJ * share
	d.acceleratorKg += o.acceleratorKg * share
}

// A need is a demand in words; empty where there is none.
type need struct{ Concrete, Water, Heat, Accelerator string }

func (d demand) words(s voice) need {
	n := need{Concrete: s.Volume(d.concreteM3)}
	if d.waterL > 0 {
		n.Water, n.Heat = s.Liquid(d.waterL), s.heat(d.heatMJ)
	}
	if d.acceleratorKg > 0 {
		n.Accelerator = s.Mass(d.acceleratorKg)
	}
	return n
}

// plants spreads each pour's demand over the hours in which its trucks are due.
func (b *Board) plants(v *visit) error {
	home, err := b.homeZone(v)
	if err != nil {
		return err
	}
	today := v.now.In(home.zone)
	found, err := b.db.Pours(v.ctx(), v.caller.Scope, db.PourFilter{
		DayFrom: today.Format(time.DateOnly), DayUntil: today.AddDate(0, 0, 6).Format(time.DateOnly), States: []db.PourState{db.Planned, db.Placed},
	}, db.Page{Limit: mostPours})
	if err != nil {
		return err
	}
	ids := make([]uuid.UUID, len(found.Items))
	for i, l := range found.Items {
		ids[i] = l.ID
	}
	stored, err := b.db.Batches(v.ctx(), v.caller.Scope, ids...)
	if err != nil {
		return err
	}
	batches := map[uuid.UUID]*rules.Batch{}
	for _, one := range stored {
		batches[one.PourID] = one.Batch
	}
	page := plantsPage{Plants: loads(v, found.Items, batches)}
	if len(found.Items) == 0 {
		page.Empty = "No pours in the coming seven days, so nothing to deliver."
	}
	return b.show(v, "plants", "plants", "Plants", page)
}

func loads(v *visit, lines []db.PourLine, batches map[uuid.UUID]*rules.Batch) []plantLoad {
	var all []plantLoad
	at := map[uuid.UUID]int{}
	for _, l := range lines {
		i, known := at[l.PlantID]
		if !known {
			i = len(all)
			at[l.PlantID] = i
			all = append(all, plantLoad{Name: l.PlantName})
		}
		all[i].add(v, l, batches[l.ID])
	}
	for i := range all {
		all[i].finish(newVoice(v.firm.Units, "UTC"))
	}
	slices.SortFunc(all, func(a, b plantLoad) int { return cmp.Compare(a.Name, b.Name) })
	return all
}

// add takes a pour in: its trucks, evenly loaded, from its start on at their spacing. A pour that is not assessed yet
// comes whole at its start.
func (p *plantLoad) add(v *visit, l db.PourLine, b *rules.Batch) {
	s := newVoice(v.firm.Units, l.Timezone)
	whole, trucks, spacing := demandOf(l.Pour, b), 1, time.Duration(0)
	if b != nil && b.Trucks > 1 {
		trucks, spacing = b.Trucks, time.Duration(b.TruckSpacingMin*float64(time.Minute))
	}
	move := standing(l.Pour) == rules.Move || standing(l.Pour) == rules.Unscored
	for i := range trucks {
		d, h := p.hour(s, l.StartsAt.Add(time.Duration(i)*spacing))
		if i == 0 {
			h.Pours = append(h.Pours, newCard(v, l, nil))
			d.N++
		}
		h.add(whole, 1/float64(trucks))
		d.total.add(whole, 1/float64(trucks))
		if move {
			h.AtRisk = true
			d.risk += whole.concreteM3 / float64(trucks)
		}
	}
}

// hour finds the hour that a moment lies in, of its day at the site.
func (p *plantLoad) hour(s voice, t time.Time) (*dayLoad, *hourLoad) {
	name := s.date(t)
	i := slices.IndexFunc(p.Days, func(d dayLoad) bool { return d.Name == name })
	if i < 0 {
		i = len(p.Days)
		p.Days = append(p.Days, dayLoad{Name: name})
	}
	d := &p.Days[i]
	full := t.Truncate(time.Hour)
	k := slices.IndexFunc(d.Hours, func(h hourLoad) bool { return h.at.Equal(full) })
	if k < 0 {
		k = len(d.Hours)
		d.Hours = append(d.Hours, hourLoad{at: full, Hour: s.hour(full)})
	}
	return d, &d.Hours[k]
}

func demandOf(p db.Pour, b *rules.Batch) demand {
	if b == nil {
		_, m3 := (&rules.Pour{
			Element: p.Element, ThicknessMM: p.ThicknessMM, WidthMM: p.WidthMM, HeightMM: p.HeightMM, LengthMM: p.LengthMM, AreaM2: p.AreaM2,
			VolumeM3: p.VolumeM3, WastePct: p.WastePct,
		}).Volumes()
		return demand{concreteM3: m3}
	}
	d := demand{concreteM3: b.OrderM3, acceleratorKg: b.AcceleratorKg}
	if b.HotWaterL != nil {
		d.waterL = *b.HotWaterL
	}
	if b.WaterHeatMJ != nil {
		d.heatMJ = *b.WaterHeatMJ
	}
	return d
}

// finish puts numbers into words, in the order of the hours; bars compare with the plant's busiest hour.
func (p *plantLoad) finish(s voice) {
	busiest := 0.0
	for _, d := range p.Days {
		for _, h := range d.Hours {
			busiest = max(busiest, h.concreteM3)
		}
	}
	slices.SortStableFunc(p.Days, func(a, b dayLoad) int { return a.Hours[0].at.Compare(b.Hours[0].at) })
	for i := range p.Days {
		d := &p.Days[i]
		slices.SortFunc(d.Hours, func(a, b hourLoad) int { return a.at.Compare(b.at) })
		d.Total, d.Risk = d.total.words(s), s.Volume(d.risk)
		for k := range d.Hours {
			h := &d.Hours[k]
			h.Need = h.words(s)
			if busiest > 0 {
				h.Share = max(1, int(20*h.concreteM3/busiest))
			}
		}
	}
}
