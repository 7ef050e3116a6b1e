package rules

import (
	"testing"
	"time"
)

// weekOfStarts is every daylight hour over seven days: 70 windows.
func weekOfStarts(from time.Time) []time.Time {
	var starts []time.Time
	for d := range 7 {
		for h := range 10 {
			starts = append(starts, from.Add(time.Duration(24*d+h)*time.Hour))
		}
	}
	return starts
}

// benchCase is the demonstration with a month of weather behind it and ten days
// ahead, its ground spun up.
func benchCase() Case {
	c := demoCase()
	c.Pour.Base.Temps = nil
	c.AssessedAt = demoStart.Add(-24 * time.Hour)
	hours := demoHours(40*24, 10)
	for i := range hours {
		hours[i].At = hours[i].At.Add(-30 * 24 * time.Hour)
	}
	c.Weather = hours
	c.Pour.AtHand = []Cover{{RM2KW: 4 * usR}, {RM2KW: 8 * usR}}
	return c
}

func BenchmarkAssess(b *testing.B) {
	c := benchCase()
	for _, run := range []struct {
		name string
		opt  Options
	}{
		{"single", Options{}},
		{"51_members", Options{Members: 51, Seed: 1}},
		{"70_windows", Options{Starts: weekOfStarts(demoStart)}},
		{"full", Options{Members: 51, Seed: 1, Starts: weekOfStarts(demoStart)}},
	} {
		b.Run(run.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if a := Assess(c, run.opt); a.Verdict == Unscored {
					b.Fatal(a.Unscored)
				}
			}
		})
	}
}
