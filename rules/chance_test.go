package rules

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// flat is weather of one air temperature, by the hour.
func flat(n int, airC float64) weather {
	w := weather{from: demoStart, hours: make([]wxHour, n)}
	for i := range w.hours {
		w.hours[i] = wxHour{airC: airC, airSDC: math.NaN(), windSDMS: math.NaN()}
	}
	return w
}

// northern are the states of the file's cities north of 38 degrees.
var northern = strings.Fields("NY PA AK ID CT VT WY IL OH CO MI IN KS ND MT MN WI NE SD WA OR UT DE NJ")

// TestBandCoversMorningLows compares the members' 5 to 95 percent band of air
// temperature with forecast and observed winter lows of northern US cities, 2021
// (National Weather Service bulletins): a stated 90 % band has to hold 85 to 95 %.
func TestBandCoversMorningLows(t *testing.T) {
	lows := []struct {
		leadH  int
		column int
	}{{12, 10}, {24, 8}, {36, 6}, {48, 4}}
	w := flat(49, 0)
	members, _ := drawMembers(&w, demoStart, 4001, 7)
	within, all := make([]int, len(lows)), make([]int, len(lows))
	band := make([][2]float64, len(lows))
	for k, l := range lows {
		errors := make([]float64, len(members))
		for i := range members {
			errors[i] = members[i].airC[l.leadH]
		}
		slices.Sort(errors)
		band[k] = [2]float64{errors[len(errors)/20], errors[len(errors)*19/20]}
	}
	for s := readOpen(t, "nws_high_low_forecasts_2021_half.csv.gz"); s.Scan(); {
		cell := strings.Split(s.Text(), ",")
		if !slices.Contains(northern, cell[2]) || !slices.Contains([]string{"11", "12", "01", "02", "03"}, cell[0][5:7]) {
			continue
		}
		observed, err := strconv.ParseFloat(cell[13], 64)
		if err != nil {
			continue
		}
		for k, l := range lows {
			forecast, err := strconv.ParseFloat(cell[l.column], 64)
			if err != nil {
				continue
			}
			all[k]++
			if e := (observed - forecast) / 1.8; e >= band[k][0] && e <= band[k][1] {
				within[k]++
			}
		}
	}
	for k, l := range lows {
		require.Greater(t, all[k], 500)
		share := float64(within[k]) / float64(all[k])
		t.Logf("%d h: band %+.1f to %+.1f C holds %.1f %% of %d lows", l.leadH, band[k][0], band[k][1], 100*share, all[k])
		require.InDelta(t, 0.90, share, 0.05, "%d h", l.leadH)
	}
}

// TestMembersHaveTheStatedSpread checks the generator against its own statement:
// standard deviation by lead (Table 9 of the model notes and the measured lows),
// and hourly persistence: with half of the deviation one bias of the run, the
// correlation of errors one hour apart is 1/4 + 3/4 x 0.96.
func TestMembersHaveTheStatedSpread(t *testing.T) {
	w := flat(170, -5)
	members, spread := drawMembers(&w, demoStart, 4000, 3)
	require.Equal(t, spreadMeasured, spread)
	_, spread = drawMembers(&w, demoStart.Add(-24*time.Hour), 1, 3)
	require.Equal(t, spreadPriorOnly, spread)
	for _, h := range []int{0, 12, 24, 48, 96, 168} {
		var sum, sum2, next, next2, cross float64
		for i := range members {
			e := members[i].airC[h]
			sum, sum2 = sum+e, sum2+e*e
			if h < 168 {
				n := members[i].airC[h+1]
				next, next2, cross = next+n, next2+n*n, cross+e*n
			}
		}
		sd := math.Sqrt(sum2 / float64(len(members)))
		want := forecastSD(float64(h)).airC
		require.InDelta(t, want, sd, 0.05*want, "hour %d", h)
		require.InDelta(t, 0, sum/float64(len(members)), 0.06*want)
		if h < 168 {
			require.InDelta(t, 0.25+0.75*errorPhi, cross/math.Sqrt(sum2*next2), 0.01)
		}
	}
}

func TestMembersFollowTheSeedAndTheSource(t *testing.T) {
	w := flat(72, 2)
	a, _ := drawMembers(&w, demoStart, 5, 11)
	b, _ := drawMembers(&w, demoStart, 5, 11)
	c, _ := drawMembers(&w, demoStart, 5, 12)
	require.Equal(t, a, b)
	require.NotEqual(t, a[0].airC, c[0].airC)

	for i := range w.hours {
		w.hours[i].airSDC = 0.25
	}
	members, spread := drawMembers(&w, demoStart, 2000, 1)
	require.Equal(t, spreadFromIssue, spread)
	sum2 := 0.0
	for i := range members {
		sum2 += members[i].airC[40] * members[i].airC[40]
	}
	require.InDelta(t, 0.25, math.Sqrt(sum2/2000), 0.02)
}

// TestChanceOfFreezingLikeReference compares the share of members that freeze
// before 500 psi with the reference Monte Carlo (row REF mc of the model notes,
// Gaussian, 200 members): 0.000 with blanket, 0.790 without, 0.000 with blanket in
// air 10 F colder or without accelerator, 1.000 with neither. Both estimates carry
// a sampling error of about 0.03. The reference does not say whether it also
// varied wind and cloud; here both vary, and where the first hours on the bare slab
// decide (10 F colder) that and the convection coefficient give a few percent.
func TestChanceOfFreezingLikeReference(t *testing.T) {
	for _, row := range []struct {
		name    string
		c       Case
		freezes float64
		within  float64
	}{
		{"demo", demoCase(), 0, 0.01},
		{"no blanket", with(demoCase(), bare), 0.790, 0.08},
		{"no accelerator", with(demoCase(), noAccelerator), 0, 0.04},
		{"10 F colder", with(demoCase(), colderBy10F), 0, 0.10},
		{"no accelerator, no blanket", with(with(demoCase(), bare), noAccelerator), 1, 0.02},
	} {
		row.c.AssessedAt = demoStart
		a := Assess(row.c, Options{Members: 400, Seed: 1})
		require.NotNil(t, a.Chance, row.name)
		t.Logf("%-28s P(freezes early) %.3f, 500 psi after %.1f %.1f %.1f h", row.name, a.Chance.FreezesEarly,
			hoursAfter(a.Chance.CriticalStrength.P10), hoursAfter(a.Chance.CriticalStrength.P50), hoursAfter(a.Chance.CriticalStrength.P90))
		require.InDelta(t, row.freezes, a.Chance.FreezesEarly, row.within, row.name)
	}
}

// TestChanceBandsLikeReference: hours to 500 psi p10/p50/p90 of the reference,
// demonstration 14.1/17.1/20.9 h, without accelerator 26.7/32.0/38.5 h.
func TestChanceBandsLikeReference(t *testing.T) {
	for _, row := range []struct {
		c    Case
		want [3]float64
	}{
		{demoCase(), [3]float64{14.1, 17.1, 20.9}},
		{with(demoCase(), noAccelerator), [3]float64{26.7, 32.0, 38.5}},
	} {
		row.c.AssessedAt = demoStart
		b := Assess(row.c, Options{Members: 400, Seed: 2}).Chance.CriticalStrength
		for i, p := range []*time.Time{b.P10, b.P50, b.P90} {
			require.InEpsilon(t, row.want[i], hoursAfter(p), 0.08)
		}
	}
}
