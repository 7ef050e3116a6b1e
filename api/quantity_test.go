package api

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// NIST Special Publication 811 (2008), appendix B.8: 1 in = 25.4 mm, 1 ft = 0.3048 m, 1 ft2 = 0.09290304 m2,
// 1 yd3 = 0.7645549 m3, C = (F - 32)/1.8, 1 F ft2 h/Btu = 0.1761102 K m2/W.
func TestConversionsAreThoseOfNIST(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		of        dimension
		unit      string
		value, si float64
	}{
		{thickness, "in", 1, 25.4},
		{extent, "ft", 1, 304.8},
		{extent, "m", 1.5, 1500},
		{area, "ft2", 1, 0.09290304},
		{area, "sf", 1000, 92.90304},
		{volume, "yd3", 1, 0.764554857984},
		{temperature, "F", 32, 0},
		{temperature, "°F", 212, 100},
		{temperature, "F", -40, -40},
		{resistance, "R", 1, 0.1761102},
		{resistance, "R", 4, 0.7044408},
		{percent, "%", 7, 7},
	} {
		u, ok := c.of.find(c.unit, false)
		require.True(t, ok, c.unit)
		require.InDelta(t, c.si, u.toRecord(c.value), 1e-9, "%v %s", c.value, c.unit)
	}
}

func TestWhatIsWrittenReadsBackTheSame(t *testing.T) {
	t.Parallel()
	all := []dimension{thickness, extent, area, volume, temperature, resistance, percent, minutes}
	rapid.Check(t, func(t *rapid.T) {
		of := rapid.SampledFrom(all).Draw(t, "of")
		us := rapid.Bool().Draw(t, "us")
		u, ok := of.find("", us)
		require.True(t, ok)
		// A record's value as people enter it: up to six digits.
		record := significant(float64(rapid.IntRange(-999_999, 999_999).Draw(t, "n")) / 100)
		text := u.write(record)
		value, err := number(text, false)
		require.NoError(t, err)
		require.Equal(t, record, u.toRecord(value), text)
	})
}

func TestRoundValuesStayRound(t *testing.T) {
	t.Parallel()
	inch, _ := thickness.find("", true)
	require.Equal(t, "5", inch.write(127))
	require.Equal(t, "5.5", inch.write(139.7))
	fahrenheit, _ := temperature.find("", true)
	require.Equal(t, "55", fahrenheit.write(fahrenheit.toRecord(55)))
	millimetres, _ := thickness.find("", false)
	require.Equal(t, "125", millimetres.write(125))
}

func TestNumbersAsSpreadsheetsWriteThem(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text  string
		comma bool
		want  float64
	}{
		{"5", false, 5},
		{"5.25", false, 5.25},
		{".5", false, .5},
		{"-3", false, -3},
		{"+3", false, 3},
		{"1,250", false, 1250},
		{"1,250.5", false, 1250.5},
		{"12,5", true, 12.5},
		{"12.5", true, 12.5},
		{"1250", true, 1250},
	} {
		got, err := number(c.text, c.comma)
		require.NoError(t, err, c.text)
		require.Equal(t, c.want, got, c.text)
	}
	for _, c := range []struct {
		text  string
		comma bool
	}{
		{"", false},
		{"five", false},
		{"5 in", false},
		{"12,5", false},
		{"1.250", true},
		{"1e3", false},
		{"NaN", false},
		{"Inf", false},
		{"0x10", false},
		{"1_000", false},
		{"--5", false},
		{"=5", false},
		{"5,5,5", true},
	} {
		_, err := number(c.text, c.comma)
		require.Error(t, err, c.text)
	}
}
