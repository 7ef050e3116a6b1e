package rules

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// frozenSlab is the demonstration without blankets in deep frost, judged some hours
// after the start.
func frozenSlab(afterH float64) Case {
	c := with(with(demoCase(), bare), colderBy10F)
	c.AssessedAt = demoStart.Add(hours(afterH))
	return c
}

// TestFrozenConcreteHasSomethingToDo: concrete that froze is covered and heated at
// once, kept at 50 °F or more for its period anew, not loaded, and proved by cores,
// field-cured cylinders or maturity; a licensed engineer decides (PCA; ACI 306R; ASTM
// C42, C31, C1074; from memory).
func TestFrozenConcreteHasSomethingToDo(t *testing.T) {
	a := Assess(frozenSlab(40), Options{})
	f := found(&a, "slab.freezes_early")
	require.NotNil(t, f)
	require.True(t, f.FirstAt.Before(demoStart.Add(40*time.Hour)))
	require.Contains(t, f.Sentence, "concrete froze")
	require.Equal(t, EffectProtect, f.Effect)
	r := f.Remedy
	require.NotNil(t, r)
	require.Equal(t, "recover", r.Kind)
	require.False(t, r.Passes, "no run proves what frost has broken")
	require.NotEmpty(t, r.Source.Document)
	kinds := map[string]string{}
	for _, s := range r.Steps {
		kinds[s.Kind] = s.Sentence
		require.Contains(t, r.Sentence, s.Sentence)
		require.NotEmpty(t, s.Source.Standing)
	}
	for _, words := range []string{"at once", "vented", "anew", "55 °F or more for 48 hours"} { // ACI 306R line 1, category 2 accelerated
		require.Contains(t, kinds["warm_up"], words)
	}
	require.Contains(t, kinds["no_load"], "loads")
	for _, words := range []string{"cores", "field-cured cylinders", "maturity", "licensed engineer"} {
		require.Contains(t, kinds["test_strength"], words)
	}
	require.Contains(t, a.Headline, "cover it at once")
	require.Equal(t, Protect, a.Verdict)
}

// TestConcreteThatCanStillBeSavedIsCovered: before it freezes, blankets at hand
// are what there is to do; and where nothing is at hand, nothing of resistance that
// can be hired is kept back.
func TestConcreteThatCanStillBeSavedIsCovered(t *testing.T) {
	c := with(demoCase(), bare)
	c.AssessedAt = demoStart.Add(hours(2))
	c.Pour.AtHand = []Cover{{RM2KW: 8 * usR}}
	a := Assess(c, Options{})
	f := found(&a, "slab.freezes_early")
	require.NotNil(t, f)
	require.Equal(t, "blankets", f.Remedy.Kind)
	require.True(t, f.Remedy.Passes)
	require.Contains(t, f.Sentence, "freezes")

	c = frozenSlab(2)
	for i := range c.Weather {
		*c.Weather[i].AirTempC -= 25
	}
	a = Assess(c, Options{})
	f = found(&a, "slab.freezes_early")
	require.NotNil(t, f)
	require.NotNil(t, f.Remedy)
	require.NotEmpty(t, f.Remedy.Sentence)
}
