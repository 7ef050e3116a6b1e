package rules

import (
	"testing"
	"time"

	"frostgate/rules/physics/curing"
	"frostgate/rules/physics/mix"

	"github.com/stretchr/testify/require"
)

// slabThick is a filled-in slab of a thickness.
func filled(change func(*Case)) (Case, limitSet) {
	c, _ := with(demoCase(), change).withDefaults()
	l, _ := c.limits()
	return c, l
}

// TestProtectionPeriod is ACI 306R-88 Tables 5.1 and 5.3 (306R-10 and -16: 7.1):
// category 2 three days, two with type III or an accelerator; category 3 six days
// for strength, four accelerated.
func TestProtectionPeriod(t *testing.T) {
	fast := func(c *Case) { c.Pour.Mix.CementType, c.Pour.Mix.Admixtures = "III", nil }
	dosed := func(c *Case) { c.Pour.Mix.Admixtures = []Admixture{{Kind: nonchloride, DosePct: 1.4}} }
	for _, x := range []struct {
		category int
		change   func(*Case)
		days     float64
		id       string
	}{
		{1, noAccelerator, 2, "A4-01"},
		{1, fast, 1, "A4-01"},
		{2, noAccelerator, 3, "A4-02"},
		{2, fast, 2, "A4-02"},
		{2, dosed, 2, "A4-02"},
		{3, noAccelerator, 6, "A4-03"},
		{3, fast, 4, "A4-03"},
		{4, noAccelerator, 3, "A4-04"},
		{4, fast, 2, "A4-04"}, // and strength in place is to be proved
	} {
		c, _ := filled(func(c *Case) { c.Pour.ServiceCategory = x.category; x.change(c) })
		hours, src := c.periodH(0)
		require.Equal(t, 24*x.days, hours, "category %d", x.category)
		require.Equal(t, x.id, src.ID)
	}
	little, _ := filled(func(c *Case) { c.Pour.Mix.Admixtures = []Admixture{{Kind: nonchloride, DosePct: 0.2}} })
	hours, _ := little.periodH(0)
	require.Equal(t, 72.0, hours, "a trace of accelerator does not accelerate")
}

func baringF(surfaceF, airF, lowestF float64) baring {
	return baring{surfaceC: celsius(surfaceF), airC: celsius(airF), lowestC: celsius(lowestF), windMS: 3}
}

// TestBaringASlab: a 4 in slab at 60 F may not be bared in air of 0 F after three
// days (possible drop of 60 F over the 50 F in 24 h of 306R; the case is in
// Concrete Construction on 306.1-90); at 55 F in air of 36 F it may (within 20 F).
func TestBaringASlab(t *testing.T) {
	c, l := filled(func(c *Case) { c.Pour.ThicknessMM = 4 * inchMM })
	require.False(t, c.mayBare(l, baringF(60, 0, 0)))
	require.True(t, c.mayBare(l, baringF(55, 36, 10)))
	require.True(t, c.mayBare(l, baringF(60, 20, 10)), "exactly 50 F to the coldest of the day")
	require.False(t, c.mayBare(l, baringF(60, 20, 9)))
	thick, l := filled(func(c *Case) { c.Pour.ThicknessMM = 40 * inchMM })
	require.False(t, thick.mayBare(l, baringF(60, 30, 29)), "30 F for 36 to 72 in")
	require.True(t, thick.mayBare(l, baringF(60, 30, 30)))
}

// TestBaringAWall is the graph of CSA A23.1 (same in ACI 306R): 0.6 m and L/H 7
// allow 15 C, 0.3 m and L/H 0 29 C, by linear interpolation 0.45 m and L/H 4
// 18.75 C. It holds in wind up to 25 km/h.
func TestBaringAWall(t *testing.T) {
	for _, x := range []struct{ thickM, ratio, limitC float64 }{{0.6, 7, 15}, {0.45, 4, 18.75}, {0.3, 20, 12}} {
		got, known := curing.DifferenceC(1000*x.thickM, x.ratio, 3)
		require.True(t, known)
		require.InDelta(t, x.limitC, got, 1e-9)
		c, l := filled(func(c *Case) {
			c.Pour.Element, c.Pour.ThicknessMM, c.Pour.HeightMM, c.Pour.LengthMM = Wall, 1000*x.thickM, 2000, 2000*x.ratio
		})
		require.True(t, c.mayBare(l, baring{surfaceC: x.limitC - 0.1, airC: 0, lowestC: 0, windMS: 3}))
		require.False(t, c.mayBare(l, baring{surfaceC: x.limitC + 0.1, airC: 0, lowestC: 0, windMS: 3}))
		require.False(t, c.mayBare(l, baring{surfaceC: x.limitC - 0.1, airC: 0, lowestC: 0, windMS: 8}), "29 km/h: the graph says nothing")
	}
	thin, _ := curing.DifferenceC(300, 0, 3)
	require.InDelta(t, 29, thin, 1e-9)
	unknown, l := filled(func(c *Case) { c.Pour.Element, c.Pour.HeightMM, c.Pour.LengthMM = Wall, 0, 0 })
	require.False(t, unknown.mayBare(l, baring{surfaceC: 12.5, airC: 0, lowestC: 0, windMS: 3}), "a wall of unknown length is taken as long")
}

// TestC94Editions: 100 min and 250 revolutions are over the limit of ASTM C94 up to
// 2012 and of 2013 to 2020, and as the ticket has it from 2021.
func TestC94Editions(t *testing.T) {
	require.True(t, mix.C94Discharge(2012).Over(100, 250, 0))
	require.True(t, mix.C94Discharge(2015).Over(100, 250, 0))
	require.False(t, mix.C94Discharge(2021).Over(100, 250, 0))
	require.True(t, mix.C94Discharge(2021).Over(100, 250, 90))

	// Here the current edition is an override with what the ticket says.
	c := with(demoCase(), cold55)
	c.Pour.BatchedAt = c.Pour.StartsAt.Add(-70 * time.Minute)
	require.Len(t, jobOf(t, c).haulDischargeTime(), 1)
	c.Firm.Limits = []LimitChange{{Limit: "haul.discharge_min", Value: 120, Override: true, Reason: "ticket (C94-21)"}}
	require.Empty(t, jobOf(t, c).haulDischargeTime())
}

// TestWallForms: 12 h in all at 50 F or more, not necessarily in one stretch (ACI
// 347R-94): 5 h at 52 F, 6 h at 45 F and 7 h at 51 F are enough, an hour less is not.
func TestWallForms(t *testing.T) {
	rows := func(warm int) course {
		r := course{start: demoStart, critical: demoStart}
		add := func(n int, f float64) {
			for range n {
				r.rows = append(r.rows, runRow{at: demoStart.Add(hours(float64(len(r.rows)))), coldestC: celsius(f)})
			}
		}
		add(5, 52)
		add(6, 45)
		add(warm, 51)
		add(20, 40)
		return r
	}
	enough, short := rows(7), rows(6)
	require.Equal(t, demoStart.Add(18*time.Hour), enough.formsOff(curing.FormTempC, curing.WallFormsH))
	require.True(t, short.formsOff(curing.FormTempC, curing.WallFormsH).IsZero())
	enough.critical = demoStart.Add(30 * time.Hour)
	require.Equal(t, demoStart.Add(30*time.Hour), enough.formsOff(curing.FormTempC, curing.WallFormsH), "not before the critical strength")
	enough.critical = time.Time{}
	require.True(t, enough.formsOff(curing.FormTempC, curing.WallFormsH).IsZero())
}

func TestFormsFinding(t *testing.T) {
	c := with(demoCase(), func(c *Case) { c.Pour.Element = Wall })
	j := jobOf(t, c)
	for h := range 40 {
		j.run.rows = append(j.run.rows, runRow{at: demoStart.Add(hours(float64(h))), coldestC: 12})
	}
	require.Empty(t, j.formsStrip(), "500 psi is not reached")
	j.run.critical = demoStart.Add(9 * time.Hour)
	f := j.formsStrip()
	require.Len(t, f, 1)
	require.Equal(t, "Forms may come off from Tue 7:00 p.m., after 12 hours at 50 °F or more; lay blankets at once while it is cold.", f[0].Sentence)
	j.c.Pour.Element = SlabOnGround
	require.Empty(t, j.formsStrip())
}
