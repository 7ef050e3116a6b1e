package board

import (
	"encoding/base32"
	"errors"
	"net/http"
	"strconv"
	"strings"

	"frostgate/db"
	"frostgate/rules"

	"github.com/google/uuid"
)

// A sheetPage is the one page that the foreman takes along.
type sheetPage struct {
	Pour     db.PourLine
	Card     card
	Day      string
	Address  string
	Headline string
	Made     string
	Missing  string // why there are no numbers

	Order    []fact
	Hours    []fact
	Measures []string
	Base     []string
	Cautions []string
	Link     string  // back, short enough to type
	Code     *qrCode // the same, for a telephone
	Readings []string
}

// readings are the rows left empty for the hand.
var readings = []string{"Base at first light", "Truck 1: concrete", "Truck 2: concrete", "Truck 3: concrete", "Initial set", "Final set", "Blankets on", "Slab, first morning", "Blankets off"}

func (b *Board) sheet(v *visit) error {
	l, err := b.line(v)
	if err != nil {
		return err
	}
	s := newVoice(v.firm.Units, l.Timezone)
	site, err := b.db.Site(v.ctx(), v.caller.Scope, l.SiteID)
	if err != nil {
		return err
	}
	page := sheetPage{
		Pour: l, Card: newCard(v, l, nil), Day: s.day(&l.StartsAt), Address: site.Address, Made: s.day(l.AssessedAt),
		Link: b.outside(v) + "/p/" + shortID(l.ID), Readings: readings,
	}
	if page.Code, err = newQRCode(page.Link); err != nil {
		return err
	}
	if err := b.fillSheet(v, s, l, &page); err != nil {
		return err
	}
	return b.draw(v.Context, v, http.StatusOK, "sheet", frame{Title: "Sheet: " + l.Name, Nav: "week", Page: page})
}

func (b *Board) fillSheet(v *visit, s voice, l db.PourLine, page *sheetPage) error {
	stored, err := b.db.LatestAssessment(v.ctx(), v.caller.Scope, l.ID)
	if errors.Is(err, db.ErrNotFound) {
		page.Missing = "Not assessed yet: print the sheet again once the pour has a verdict."
		return nil
	}
	if err != nil {
		return err
	}
	a, err := stored.Decode()
	if err != nil {
		return err
	}
	mix, err := b.db.Mix(v.ctx(), v.caller.Scope, l.MixID)
	if err != nil {
		return err
	}
	page.Headline, page.Missing = withoutVerdict(a.Verdict, a.Headline), a.Unscored
	page.Order, page.Hours, page.Base = orderOf(s, &a, l, mix), sheetHours(s, &a), baseCheck(s, &a)
	page.Measures = measures(s, a.Findings)
	page.Cautions = a.Cautions
	return nil
}

// orderOf is the text to read to the plant.
func orderOf(s voice, a *rules.Assessment, l db.PourLine, mix db.Mix) []fact {
	order := []fact{{"Mix", l.MixName + ", " + s.Stress(mix.StrengthMPa) + " at 28 days"}}
	if mix.SlumpMM > 0 {
		order = append(order, fact{"Slump", s.Length(mix.SlumpMM)})
	}
	if mix.AirPct > 0 {
		order = append(order, fact{"Air", strconv.FormatFloat(mix.AirPct, 'g', 3, 64) + " %"})
	}
	if b := courseOf(a).batch; b != nil {
		order = append([]fact{{"Volume", s.Volume(b.OrderM3) + trucks(b)}}, order...)
		order = append(order, fact{"Mix water", waterWords(s, b)},
			fact{"Concrete on site", "at least " + s.Temp(b.PlacingMinC) + ", expected " + s.Temp(b.PlacedTempC)})
		for _, d := range b.Accelerators {
			order = append(order, fact{admixtureWord(d.Kind), doseWords(s, d)})
		}
	}
	if l.CancelBy != nil {
		order = append(order, fact{"Cancel by", s.clock(l.CancelBy)})
	}
	return order
}

func sheetHours(s voice, a *rules.Assessment) []fact {
	t := courseOf(a)
	hours := []fact{
		{"Place from", s.clock(&t.StartsAt)},
		{"Discharged by", dischargeWords(s, &t.Timeline)},
		{"Initial set, top", s.clock(t.InitialSetAt)},
		{"Finishing", orDash(rangeWords(s, t.FinishingStartsAt, t.FinishingEndsAt))},
		{"Dusk", s.clock(t.DuskAt)},
		{"Final set, top", s.clock(t.FinalSetAt)},
	}
	if p := a.Protection; p != nil && p.Layers > 0 {
		hours = append(hours, fact{"Blankets", protectionWords(s, p)})
	}
	return append(hours,
		fact{s.Stress(t.firstMPa) + " everywhere", s.clock(t.CriticalStrengthAt)},
		fact{"Saw cut", orDash(rangeWords(s, t.SawcutFromAt, t.SawcutUntilAt))},
		fact{"Protect at least to", s.clock(t.ProtectUntilAt)})
}

// dischargeWords are when the first truck has to be empty, and when it had better be.
func dischargeWords(s voice, t *rules.Timeline) string {
	if t.DischargeBestBy == nil {
		return s.clock(t.DischargeBy)
	}
	return s.clock(t.DischargeBy) + ", best by " + s.Hour(t.DischargeBestBy.In(s.zone))
}

func orDash(text string) string {
	if text == "" {
		return dash
	}
	return text
}

// baseCheck is what to do at first light, before any concrete is batched.
func baseCheck(s voice, a *rules.Assessment) []string {
	check := []string{"Push a bar or screwdriver into the base in at least three places, in the shade first: it must go in; ice or a hard crust is frost."}
	if a.Ground != nil {
		check = append(check, "Measure just below the surface. Predicted at the start: "+s.Temp(a.Ground.SurfaceC)+", "+frostWords(s, a.Ground)+".")
	}
	return append(check, "Frozen anywhere: do not place. Call the dispatcher, and enter it at the address below.")
}

func frostWords(s voice, g *rules.Ground) string {
	if g.FrostDepthMM > 0 {
		return "frost " + s.Length(g.FrostDepthMM) + " deep"
	}
	return "no frost"
}

// measures are the remedies that pass of what asks for something, each once, those that forbid placing first.
func measures(s voice, findings []rules.Finding) []string {
	var all []string
	for _, want := range []rules.Effect{rules.EffectMove, rules.EffectProtect} {
		for _, f := range findings {
			if f.Effect != want || f.Remedy == nil || !f.Remedy.Passes {
				continue
			}
			for _, m := range remedyWords(s, f.Remedy) {
				all = withMeasure(all, m)
			}
		}
	}
	return all
}

// withMeasure adds one unless it is there, or there with more said of it.
func withMeasure(all []string, m string) []string {
	for i, other := range all {
		if strings.HasPrefix(other, m) {
			return all
		}
		if strings.HasPrefix(m, other) {
			all[i] = m
			return all
		}
	}
	return append(all, m)
}

// outside is the address at which people reach the board.
func (b *Board) outside(v *visit) string {
	if b.publicURL != "" {
		return b.publicURL
	}
	return v.Scheme() + "://" + v.Request().Host
}

// shortIDs are written in 26 letters and digits that are hard to mistake by hand.
var shortIDs = base32.NewEncoding("0123456789abcdefghjkmnpqrstvwxyz").WithPadding(base32.NoPadding)

func shortID(id uuid.UUID) string { return shortIDs.EncodeToString(id[:]) }

// short leads from the address on a sheet to where readings are entered.
func (b *Board) short(v *visit) error {
	raw, err := shortIDs.DecodeString(v.Param("short"))
	if err != nil {
		return db.ErrNotFound
	}
	id, err := uuid.FromBytes(raw)
	if err != nil {
		return db.ErrNotFound
	}
	return v.Redirect(http.StatusSeeOther, "/pours/"+id.String()+"#observations")
}
