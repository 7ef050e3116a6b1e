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
	Total string
	Risk  string // volume of pours that may move or are unscored
	N     int
	total float64
	risk  float64
}

type hourLoad struct {
	Hour    string
	Volume  string
	Share   int // of the plant's busiest hour, in twentieths
	Pours   []card
	AtRisk  bool
	m3      float64
	startAt time.Time
}

// plants counts a pour's concrete in the hour in which it starts: as drawn, with waste, without the rounding of the order.
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
	page := plantsPage{Plants: loads(v, found.Items)}
	if len(found.Items) == 0 {
		page.Empty = "No pours in the coming seven days, so nothing to deliver."
	}
	return b.show(v, "plants", "plants", "Plants", page)
}

func loads(v *visit, lines []db.PourLine) []plantLoad {
	var all []plantLoad
	at := map[uuid.UUID]int{}
	for _, l := range lines {
		i, known := at[l.PlantID]
		if !known {
			i = len(all)
			at[l.PlantID] = i
			all = append(all, plantLoad{Name: l.PlantName})
		}
		all[i].add(v, l)
	}
	for i := range all {
		all[i].finish(newVoice(v.firm.Units, "UTC"))
	}
	slices.SortFunc(all, func(a, b plantLoad) int { return cmp.Compare(a.Name, b.Name) })
	return all
}

func (p *plantLoad) add(v *visit, l db.PourLine) {
	s := newVoice(v.firm.Units, l.Timezone)
	name := s.date(l.StartsAt)
	i := slices.IndexFunc(p.Days, func(d dayLoad) bool { return d.Name == name })
	if i < 0 {
		i = len(p.Days)
		p.Days = append(p.Days, dayLoad{Name: name})
	}
	d := &p.Days[i]
	starts := l.StartsAt.Truncate(time.Hour)
	k := slices.IndexFunc(d.Hours, func(h hourLoad) bool { return h.startAt.Equal(starts) })
	if k < 0 {
		k = len(d.Hours)
		d.Hours = append(d.Hours, hourLoad{startAt: starts, Hour: s.hour(starts)})
	}
	h, m3 := &d.Hours[k], ordered(l.Pour)
	h.Pours = append(h.Pours, newCard(v, l, nil))
	h.m3 += m3
	d.total += m3
	d.N++
	if w := standing(l.Pour); w == rules.Move || w == rules.Unscored {
		h.AtRisk = true
		d.risk += m3
	}
}

// finish puts numbers into words; bars compare with the plant's busiest hour.
func (p *plantLoad) finish(s voice) {
	busiest := 0.0
	for _, d := range p.Days {
		for _, h := range d.Hours {
			busiest = max(busiest, h.m3)
		}
	}
	for i := range p.Days {
		d := &p.Days[i]
		d.Total, d.Risk = s.Volume(d.total), s.Volume(d.risk)
		for k := range d.Hours {
			h := &d.Hours[k]
			h.Volume = s.Volume(h.m3)
			if busiest > 0 {
				h.Share = max(1, int(20*h.m3/busiest))
			}
		}
	}
}

// usualWastePct stands in for a pour that names none, as in its assessment.
const usualWastePct = 7

func ordered(p db.Pour) float64 {
	waste := float64(usualWastePct)
	if p.WastePct != nil {
		waste = *p.WastePct
	}
	return drawn(p) * (1 + waste/100)
}

func drawn(p db.Pour) float64 {
	area := p.AreaM2
	switch {
	case p.VolumeM3 != nil:
		return *p.VolumeM3
	case p.Element == rules.Footing && p.LengthMM > 0:
		area = p.LengthMM * p.WidthMM / 1e6
	case p.Element == rules.Wall && p.LengthMM > 0 && p.HeightMM > 0:
		area = p.LengthMM * p.HeightMM / 1e6
	}
	return area * p.ThicknessMM / 1000
}
