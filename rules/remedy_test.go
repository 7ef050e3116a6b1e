package rules

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// applied is the case with a remedy carried out at the last moment it names.
func applied(c Case, r *Remedy) Case {
	p := &c.Pour
	switch r.Kind {
	case "blankets":
		already := 0.0
		for _, l := range p.Protection {
			already += l.RM2KW
		}
		if extra := *r.RM2KW - already; extra > 1e-9 {
			p.Protection = append(slices.Clone(p.Protection), Protection{RM2KW: extra, OnAt: *r.By})
		}
	case "cover_ground":
		p.GroundCover = append(slices.Clone(p.GroundCover), GroundCover{Kind: "blanket", RM2KW: *r.RM2KW, OnAt: *r.By})
	case "heat_ground":
		p.GroundCover = append(slices.Clone(p.GroundCover), GroundCover{Kind: "heated", RM2KW: *r.RM2KW, HeatWM2: heatUnderCoverWm2, OnAt: *r.By})
	case "accelerator", insteadOfChloride:
		for i := range r.Steps {
			if r.Steps[i].Kind == "blankets" {
				c = applied(c, &r.Steps[i])
			}
		}
		return reordered(c, r)
	case "hotter_water", "heat_aggregates", "warmer_concrete", "cooler_concrete":
		return reordered(c, r)
	case "windbreak":
		p.WindbreakUp = true
	case "lights":
		p.Crew.Lights = true
	case "earlier_start", "later_start", "another_day":
		by := r.StartsAt.Sub(p.StartsAt)
		p.StartsAt, p.Crew.DayEndsAt = *r.StartsAt, p.Crew.DayEndsAt.Add(by)
		p.Protection = shifted(p.Protection, by)
	}
	return c
}

// reordered is the case with what a remedy changes of the order.
func reordered(c Case, r *Remedy) Case {
	p := &c.Pour
	if r.DosePct != nil {
		p.Mix.Admixtures = slices.DeleteFunc(slices.Clone(p.Mix.Admixtures), func(a Admixture) bool {
			return a.Kind == nonchloride || a.Kind == calciumChloride && r.Kind == insteadOfChloride
		})
		p.Mix.Admixtures = append(p.Mix.Admixtures, Admixture{Kind: nonchloride, DosePct: *r.DosePct})
	}
	if r.PlacedC != nil {
		p.PlacedTempC = r.PlacedC
	}
	if r.Kind == "heat_aggregates" {
		p.Plant.AggregateTempC = r.ValueC
	}
	return c
}

// onOrder is the case with all that the remedies at hand of an assessment order.
func onOrder(c Case, a *Assessment) Case {
	warmest := math.Inf(-1)
	for i := range a.Findings {
		f := &a.Findings[i]
		if r := f.Remedy; r != nil && r.AtHand && r.Passes && f.Effect != Note {
			if c = reordered(c, r); r.PlacedC != nil {
				warmest = math.Max(warmest, *r.PlacedC)
				c.Pour.PlacedTempC = &warmest
			}
		}
	}
	return c
}

// TestRemediesPassTheirOwnRerun carries out what assessments of a whole winter
// propose and assesses again: a remedy that is said to pass takes its finding
// away or down, a start that is said to work works, and all that is at hand
// together leaves nothing that asks to move.
func TestRemediesPassTheirOwnRerun(t *testing.T) {
	t.Parallel()
	engine := []string{"ground.frozen", "slab.freezes_early", "finish.after_dusk", "finish.after_hours", "slab.thermal_shock"}
	seen := map[string]int{}
	for _, y := range typicalYears {
		all := typicalWinter(t, y.file, y.offset)
		for n, day := 0, time.Date(2025, 11, 3, 7, 30, 0, 0, time.UTC); day.Before(time.Date(2026, 3, 28, 0, 0, 0, 0, time.UTC)); n, day = n+1, day.AddDate(0, 0, 4) {
			start := day.Add(-y.offset)
			c := winterPour(y.site, start)
			c.AssessedAt = start.Add(-40 * time.Hour)
			if n%2 == 0 {
				c.Pour.AtHand = append(c.Pour.AtHand, Cover{RM2KW: 1.41})
				c.Pour.GroundCover = []GroundCover{{Kind: "blanket", RM2KW: 1.41, OnAt: start.AddDate(0, 0, -6)}}
				c.Pour.PlacedTempC = new(18.0)
			}
			now := int(start.Sub(all[0].At).Hours())
			c.Weather = all[max(0, now-30*24):min(len(all), now+7*24)]
			a := Assess(c, Options{})
			oneDose(t, &a)
			together := onOrder(c, &a)
			movesLeft := false
			for i := range a.Findings {
				f := &a.Findings[i]
				if f.Remedy == nil || !f.Remedy.Passes || !slices.Contains(engine, f.Rule) {
					movesLeft = movesLeft || f.remaining() == EffectMove
					continue
				}
				movesLeft = movesLeft || f.remaining() == EffectMove
				seen[f.Remedy.Kind]++
				rerun := c
				if f.Remedy.StartsAt == nil {
					rerun = onOrder(rerun, &a)
				}
				if f.Rule != "ground.frozen" && f.Remedy.StartsAt == nil {
					rerun = onFitBase(rerun, &a)
				}
				rerun = applied(rerun, f.Remedy)
				b := Assess(rerun, Options{})
				if f.Remedy.StartsAt != nil {
					require.Contains(t, []Verdict{Place, Protect}, b.Verdict, "%s %s: %s\n%s", day, f.Rule, f.Remedy.Sentence, b.Headline)
					continue
				}
				if f.Remedy.AtHand {
					together = applied(together, f.Remedy)
				}
				after := found(&b, f.Rule)
				require.True(t, after == nil || after.Effect.rank() < f.Effect.rank() || (f.Rule == "ground.frozen" && f.Effect == EffectProtect),
					"%s %s: %s\n%s", day, f.Rule, f.Remedy.Sentence, b.Headline)
			}
			if !movesLeft {
				require.NotEqual(t, Move, Assess(together, Options{}).Verdict, "%s", day)
			}
		}
	}
	t.Log(seen)
	for _, kind := range []string{"blankets", "cover_ground", "accelerator", "another_day"} {
		require.Positive(t, seen[kind], kind)
	}
}

// oneDose checks that remedies with an accelerator agree on its dose and come
// before the concrete is batched.
func oneDose(t *testing.T, a *Assessment) {
	t.Helper()
	var dose *float64
	for _, f := range a.Findings {
		if f.Remedy == nil || f.Remedy.DosePct == nil {
			continue
		}
		if dose != nil {
			require.Equal(t, *dose, *f.Remedy.DosePct, f.Remedy.Sentence)
		}
		dose = f.Remedy.DosePct
		require.True(t, f.Remedy.By.Before(a.Timeline.StartsAt))
	}
}

// onFitBase is the case on the base as the ground's own remedy at hand makes it,
// which other remedies count on.
func onFitBase(c Case, a *Assessment) Case {
	if f := found(a, "ground.frozen"); f != nil && f.Remedy != nil && f.Remedy.AtHand {
		return applied(c, f.Remedy)
	}
	return c
}
