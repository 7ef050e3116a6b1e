package board

import (
	"cmp"
	"net/url"
	"slices"
	"strings"
	"time"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
)

// mostPours is how many pours one page shows.
const mostPours = 1000

// lateAfter is how old assessments may be before the page doubts them: weather is pulled hourly, and each pull looks at
// its pours again.
const lateAfter = 3 * time.Hour

// A weekPage is the pours of some days.
type weekPage struct {
	Heading           string
	Filter            weekFilter
	Earlier, Later    string // addresses
	Here              string
	Now               string
	Counts            []count
	Days              []day
	Curing            []card // placed before, still protected
	Total             int
	Cut               bool // more than the page shows
	Late              string
	Empty             string
	Crews, Plants     []choice
	Verdicts          []choice
	CanAdd            bool
	Filtered, Printed bool
	News              news
}

// A weekFilter is what stands in the address.
type weekFilter struct {
	From     string // 2006-01-02
	Days     int
	Crew     string
	Plant    string
	Verdicts []rules.Verdict
	Text     string
	Changed  bool // only what has changed since the week was last seen
}

type count struct {
	Verdict rules.Verdict
	N       int
}

type choice struct {
	Value, Text string
	Chosen      bool
}

type day struct {
	Date, Name string
	Today      bool
	Crews      []crewDay
	N          int
}

type crewDay struct {
	Name  string
	Pours []card
}

// A card is a pour in the week.
type card struct {
	ID       uuid.UUID
	Name     string
	Site     string
	Crew     string
	Plant    string
	Starts   string
	Size     string
	Verdict  rules.Verdict
	Reason   string
	Chance   string
	Next     string
	CancelBy string
	State    db.PourState
	Alerts   int
	Changed  string // since the week was last seen
}

func (b *Board) week(v *visit) error {
	crews, plants, err := b.crewsAndPlants(v)
	if err != nil {
		return err
	}
	home, err := b.homeZone(v)
	if err != nil {
		return err
	}
	f := readWeekFilter(v, v.now.In(home.zone))
	first, _ := time.ParseInLocation(time.DateOnly, f.From, home.zone) // checked by readWeekFilter
	last := first.AddDate(0, 0, f.Days-1)
	filter := db.PourFilter{DayFrom: f.From, DayUntil: last.Format(time.DateOnly), Verdicts: f.Verdicts, Text: f.Text}
	filter.CrewIDs, filter.PlantIDs = one(f.Crew), one(f.Plant)
	found, err := b.db.Pours(v.ctx(), v.caller.Scope, filter, db.Page{Limit: mostPours})
	if err != nil {
		return err
	}
	filter.DayFrom, filter.DayUntil, filter.States, filter.StartsBefore = "", "", []db.PourState{db.Placed}, first
	curing, err := b.db.Pours(v.ctx(), v.caller.Scope, filter, db.Page{Limit: 100})
	if err != nil {
		return err
	}
	raised, err := b.raised(v)
	if err != nil {
		return err
	}
	page := weekPage{
		Heading: span(home, first, last), Filter: f, Now: home.day(&v.now), Total: len(found.Items), Cut: found.Next != nil,
		Earlier: f.address(first.AddDate(0, 0, -f.Days)), Later: f.address(first.AddDate(0, 0, f.Days)),
		Crews: choices(crews, f.Crew), Plants: choices(plants, f.Plant), CanAdd: v.dispatcher(),
		Filtered: f.Crew != "" || f.Plant != "" || f.Text != "" || len(f.Verdicts) > 0 || f.Changed,
	}
	changed := map[uuid.UUID]string{}
	if since, ok := seenAt(v.Context); ok {
		if changed, err = b.changes(v, since, found.Items); err != nil {
			return err
		}
		page.News = news{Since: ago(v.now, since), N: len(changed), Only: f.only(true).address(first), All: f.only(false).address(first)}
	}
	if f.Changed {
		found.Items = slices.DeleteFunc(found.Items, func(l db.PourLine) bool { return changed[l.ID] == "" })
	}
	page.Total, page.Here = len(found.Items), f.address(first)
	page.Days, page.Counts = byDay(v, found.Items, raised), counted(found.Items)
	for _, d := range page.Days {
		for _, c := range d.Crews {
			for i := range c.Pours {
				c.Pours[i].Changed = changed[c.Pours[i].ID]
			}
		}
	}
	for _, l := range curing.Items {
		page.Curing = append(page.Curing, newCard(v, l, raised))
	}
	for _, w := range []rules.Verdict{rules.Move, rules.Protect, rules.Place, rules.Unscored} {
		page.Verdicts = append(page.Verdicts, choice{string(w), verdictWord(w), slices.Contains(f.Verdicts, w)})
	}
	page.Late, page.Empty = lateness(v.now, found.Items), emptiness(page, len(crews) > 0)
	return b.show(v, "week", "week", "Week", page)
}

func readWeekFilter(v *visit, today time.Time) weekFilter {
	q := v.QueryParams()
	f := weekFilter{From: q.Get("from"), Days: 7, Crew: q.Get("crew"), Plant: q.Get("plant"), Text: strings.TrimSpace(q.Get("text"))}
	if d, err := time.Parse(time.DateOnly, f.From); err != nil || d.Year() < 2000 || d.Year() > 2099 {
		f.From = today.Format(time.DateOnly)
	}
	if q.Get("days") == "1" {
		f.Days = 1
	}
	f.Changed = q.Get("changed") == "1"
	if len(f.Text) > 100 {
		f.Text = strings.ToValidUTF8(f.Text[:100], "")
	}
	for _, w := range q["verdict"] {
		if w := rules.Verdict(w); slices.Contains([]rules.Verdict{rules.Place, rules.Protect, rules.Move, rules.Unscored}, w) {
			f.Verdicts = append(f.Verdicts, w)
		}
	}
	return f
}

// address is the same page from another day on.
func (f weekFilter) address(from time.Time) string {
	q := url.Values{"from": {from.Format(time.DateOnly)}}
	for name, value := range map[string]string{"crew": f.Crew, "plant": f.Plant, "text": f.Text} {
		if value != "" {
			q.Set(name, value)
		}
	}
	for _, w := range f.Verdicts {
		q.Add("verdict", string(w))
	}
	if f.Days == 1 {
		q.Set("days", "1")
	}
	if f.Changed {
		q.Set("changed", "1")
	}
	return "/?" + q.Encode()
}

// only is the same filter with or without what has not changed.
func (f weekFilter) only(changed bool) weekFilter {
	f.Changed = changed
	return f
}

func span(s voice, first, last time.Time) string {
	if first.Equal(last) {
		return s.date(first)
	}
	return s.date(first) + " to " + s.date(last)
}

// one is a list of one id, or none.
func one(text string) []uuid.UUID {
	if id, err := uuid.Parse(text); err == nil {
		return []uuid.UUID{id}
	}
	return nil
}

type named struct {
	id   uuid.UUID
	name string
}

func choices(all []named, chosen string) []choice {
	list := make([]choice, len(all))
	for i, n := range all {
		list[i] = choice{n.id.String(), n.name, n.id.String() == chosen}
	}
	return list
}

func (b *Board) crewsAndPlants(v *visit) (crews, plants []named, err error) {
	foundCrews, err := b.db.Crews(v.ctx(), v.caller.Scope, db.Filter{}, db.Page{Limit: mostPours})
	if err != nil {
		return nil, nil, err
	}
	for _, c := range foundCrews.Items {
		crews = append(crews, named{c.ID, c.Name})
	}
	foundPlants, err := b.db.Plants(v.ctx(), v.caller.Scope, db.Filter{}, db.Page{Limit: mostPours})
	if err != nil {
		return nil, nil, err
	}
	for _, p := range foundPlants.Items {
		plants = append(plants, named{p.ID, p.Name})
	}
	byName := func(a, b named) int { return strings.Compare(strings.ToLower(a.name), strings.ToLower(b.name)) }
	slices.SortFunc(crews, byName)
	slices.SortFunc(plants, byName)
	return crews, plants, nil
}

// homeZone is the zone in which the page says today: that of the firm's first site.
func (b *Board) homeZone(v *visit) (voice, error) {
	sites, err := b.db.Sites(v.ctx(), v.caller.Scope, db.Filter{}, db.Page{Limit: 1})
	if err != nil || len(sites.Items) == 0 {
		return newVoice(v.firm.Units, "UTC"), err
	}
	return newVoice(v.firm.Units, sites.Items[0].Timezone), nil
}

// raised counts the alerts that wait for somebody, by pour.
func (b *Board) raised(v *visit) (map[uuid.UUID]int, error) {
	found, err := b.db.Alerts(v.ctx(), v.caller.Scope, db.AlertFilter{Conditions: inForce, OperatorStates: []string{"none"}}, db.Page{Limit: mostPours})
	if err != nil {
		return nil, err
	}
	counts := map[uuid.UUID]int{}
	for _, a := range found.Items {
		if a.PourID != nil {
			counts[*a.PourID]++
		}
	}
	return counts, nil
}

// byDay sorts pours into the local days of their sites and there into crews.
func byDay(v *visit, lines []db.PourLine, raised map[uuid.UUID]int) []day {
	var days []day
	at := map[string]int{}
	for _, l := range lines {
		s := newVoice(v.firm.Units, l.Timezone)
		date := l.StartsAt.In(s.zone).Format(time.DateOnly)
		i, known := at[date]
		if !known {
			i = len(days)
			at[date] = i
			days = append(days, day{Date: date, Name: s.date(l.StartsAt), Today: date == v.now.In(s.zone).Format(time.DateOnly)})
		}
		days[i].add(l.CrewName, newCard(v, l, raised))
	}
	slices.SortFunc(days, func(a, b day) int { return cmp.Compare(a.Date, b.Date) })
	for _, d := range days {
		slices.SortFunc(d.Crews, func(a, b crewDay) int { return cmp.Compare(strings.ToLower(a.Name), strings.ToLower(b.Name)) })
	}
	return days
}

func (d *day) add(crew string, c card) {
	d.N++
	i := slices.IndexFunc(d.Crews, func(c crewDay) bool { return c.Name == crew })
	if i < 0 {
		i = len(d.Crews)
		d.Crews = append(d.Crews, crewDay{Name: crew})
	}
	d.Crews[i].Pours = append(d.Crews[i].Pours, c)
}

func newCard(v *visit, l db.PourLine, raised map[uuid.UUID]int) card {
	s := newVoice(v.firm.Units, l.Timezone)
	c := card{
		ID: l.ID, Name: l.Name, Site: l.SiteName, Crew: l.CrewName, Plant: l.PlantName, Starts: s.hour(l.StartsAt),
		Size: size(s, l.Pour), Verdict: standing(l.Pour), Reason: l.WorstReason, Chance: percent(l.WorstProbability),
		State: l.State, Alerts: raised[l.ID],
	}
	if l.Verdict == "" {
		c.Reason = "Not assessed yet. This takes a moment after a pour is entered; it also needs weather for the site."
	}
	if l.State == db.Placed {
		c.Starts = s.clock(&l.StartsAt)
	}
	if l.State == db.Planned && l.NextWindowAt != nil && l.NextWindowAt.After(v.now) && (c.Verdict == rules.Move || c.Verdict == rules.Protect) {
		c.Next = s.clock(l.NextWindowAt)
	}
	if l.State == db.Planned && l.CancelBy != nil && l.CancelBy.After(v.now) && c.Verdict != rules.Place {
		c.CancelBy = s.clock(l.CancelBy)
	}
	return c
}

// standing is a pour's verdict; what was never assessed is unscored.
func standing(p db.Pour) rules.Verdict { return cmp.Or(p.Verdict, rules.Unscored) }

// size is what is placed, in few words.
func size(s voice, p db.Pour) string {
	text := elementWords[p.Element] + ", " + s.Length(p.ThicknessMM)
	if p.AreaM2 > 0 {
		text += ", " + s.area(p.AreaM2)
	}
	return text
}

func counted(lines []db.PourLine) []count {
	counts := []count{{Verdict: rules.Move}, {Verdict: rules.Protect}, {Verdict: rules.Place}, {Verdict: rules.Unscored}}
	for _, l := range lines {
		if l.State == db.Cancelled {
			continue
		}
		for i := range counts {
			if counts[i].Verdict == standing(l.Pour) {
				counts[i].N++
			}
		}
	}
	return counts
}

// lateness is a doubt about all that is shown, when no pour to come was looked at for long.
func lateness(now time.Time, lines []db.PourLine) string {
	var newest time.Time
	waiting := false
	for _, l := range lines {
		if l.State != db.Planned || l.StartsAt.Before(now) {
			continue
		}
		waiting = true
		if l.AssessedAt != nil && l.AssessedAt.After(newest) {
			newest = *l.AssessedAt
		}
	}
	if !waiting || newest.IsZero() || now.Sub(newest) < lateAfter {
		return ""
	}
	return "These verdicts are old: the last was made " + ago(now, newest) +
		". Do not rely on them alone. Check that frostgate runs and reaches its weather sources, and look at the forecast yourself."
}

// setUpFirst is said to whom opens the board of a firm that has nothing yet.
func setUpFirst(edits bool) string {
	if edits {
		return "Nothing is set up yet. Add sites, plants, crews and mixes under Firm, then pours here."
	}
	return "Nothing is set up yet. A dispatcher adds sites, plants, crews and mixes first."
}

func emptiness(p weekPage, crews bool) string {
	switch {
	case p.Total > 0:
		return ""
	case p.Filtered:
		return "No pour matches these filters. Widen them, or look at another week."
	case !crews:
		return setUpFirst(p.CanAdd)
	case p.CanAdd:
		return "No pours on these days. Add one, or look at another week."
	}
	return "No pours on these days. Look at another week, or ask the dispatcher."
}
