package api

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func zone(t require.TestingT, name string) *time.Location {
	zone, err := time.LoadLocation(name)
	require.NoError(t, err)
	return zone
}

func TestLocalTimesAsSpreadsheetsWriteThem(t *testing.T) {
	t.Parallel()
	chicago := zone(t, "America/Chicago")
	want := time.Date(2026, 1, 15, 13, 0, 0, 0, time.UTC) // 7:00 CST
	for _, text := range []string{
		"2026-01-15 07:00", "2026-01-15T07:00", "2026-01-15 07:00:00", "1/15/2026 7:00", "01/15/2026 07:00", "1/15/2026 7:00 AM",
		"1/15/2026 7:00 am", "1/15/26 7:00", "15.01.2026 07:00", "15.1.2026 7:00", "2026-01-15T07:00:00-06:00",
		"2026-01-15T13:00:00Z", "2026-01-15 07:00 -06:00", "2026-01-15 08:00 -05:00",
	} {
		got, err := localTime(text, chicago)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
	for _, text := range []string{"", "tomorrow", "2026-01-15", "15/1/2026 7:00", "2026-13-01 07:00", "2026-01-15 24:00", "2026-01-15 07:00 PST", "46037.29"} {
		_, err := localTime(text, chicago)
		require.Error(t, err, text)
	}
}

// The clocks of Chicago go from 2:00 to 3:00 on 2026-03-08 and from 2:00 back to 1:00 on 2026-11-01 (IANA tzdata, rule US).
func TestHoursThatAClockChangeSkipsOrRepeats(t *testing.T) {
	t.Parallel()
	chicago := zone(t, "America/Chicago")
	_, err := localTime("2026-03-08 02:30", chicago)
	require.EqualError(t, err, "does not exist on the site's clock, which skips that hour")
	_, err = localTime("2026-11-01 01:30", chicago)
	require.EqualError(t, err, "happens twice on the site's clock; add the offset, -05:00 or -06:00")

	for text, want := range map[string]time.Time{
		"2026-03-08 01:59":        time.Date(2026, 3, 8, 7, 59, 0, 0, time.UTC),
		"2026-03-08 03:00":        time.Date(2026, 3, 8, 8, 0, 0, 0, time.UTC),
		"2026-11-01 00:59":        time.Date(2026, 11, 1, 5, 59, 0, 0, time.UTC),
		"2026-11-01 02:00":        time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC),
		"2026-11-01 01:30 -05:00": time.Date(2026, 11, 1, 6, 30, 0, 0, time.UTC),
		"2026-11-01 01:30 -06:00": time.Date(2026, 11, 1, 7, 30, 0, 0, time.UTC),
	} {
		got, err := localTime(text, chicago)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
		require.Equal(t, text, writeLocal(want, chicago))
	}
}

func TestEveryMomentIsReadAsItWasWritten(t *testing.T) {
	t.Parallel()
	zones := []*time.Location{
		zone(t, "America/Chicago"), zone(t, "America/St_Johns"), zone(t, "Europe/Helsinki"), zone(t, "Australia/Lord_Howe"),
		zone(t, "America/Phoenix"), time.UTC,
	}
	rapid.Check(t, func(t *rapid.T) {
		in := rapid.SampledFrom(zones).Draw(t, "zone")
		at := time.Unix(rapid.Int64Range(1577836800, 2208988800).Draw(t, "second"), 0).UTC() // 2020 to 2040
		if rapid.Bool().Draw(t, "whole minute") {
			at = at.Truncate(time.Minute)
		}
		got, err := localTime(writeLocal(at, in), in)
		require.NoError(t, err)
		require.Equal(t, at, got)
	})
}
