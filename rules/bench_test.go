package rules

import (
	"sync/atomic"
	"testing"
	"time"
)

// benchCase is the demonstration with a month of weather behind it and ten days
// ahead, its ground spun up.
func benchCase() Case {
	c := demoCase()
	c.Pour.Base.Temps = nil
	c.Pour.Protection = nil
	c.AssessedAt = demoStart.Add(-24 * time.Hour)
	hours := demoHours(40*24, 10)
	for i := range hours {
		hours[i].At = hours[i].At.Add(-30 * 24 * time.Hour)
	}
	c.Weather = hours
	c.Pour.AtHand = []Cover{{RM2KW: 4 * usR}, {RM2KW: 8 * usR}}
	return c
}

// BenchmarkAssess prints what one assessment costs: alone, with 51 members of the
// chance, with the daylight hours of seven days as windows, and with both.
func BenchmarkAssess(b *testing.B) {
	c := benchCase()
	starts := CandidateStarts(c)
	for _, run := range []struct {
		name string
		opt  Options
	}{
		{"single", Options{}},
		{"51_members", Options{Members: 51, Seed: 1}},
		{"windows", Options{Starts: starts}},
		{"full", Options{Members: 51, Seed: 1, Starts: starts}},
	} {
		b.Run(run.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if a := Assess(c, run.opt); a.Verdict == Unscored {
					b.Fatal(a.Unscored)
				}
			}
			b.ReportMetric(float64(len(run.opt.Starts)), "windows")
		})
	}
}

// BenchmarkRescore prints what 10,000 pours of a firm fully rescored would take on
// this machine: verdict, daylight windows over seven days, 51 members; cold, mild
// and warm weather by turns, on all processors.
func BenchmarkRescore(b *testing.B) {
	var cases []Case
	for i, addC := range []float64{0, 6, 14} {
		c := benchCase()
		c.Weather = demoHours(40*24, 10+1.8*addC)
		for k := range c.Weather {
			c.Weather[k].At = c.Weather[k].At.Add(-30 * 24 * time.Hour)
		}
		c.Pour.ThicknessMM += 25 * float64(i)
		cases = append(cases, c)
	}
	starts := CandidateStarts(cases[0])
	var next atomic.Int64
	b.RunParallel(func(pb *testing.PB) {
		for pb.Next() {
			c := cases[int(next.Add(1))%len(cases)]
			if a := Assess(c, Options{Members: 51, Seed: 1, Starts: starts}); a.Verdict == Unscored {
				b.Error(a.Unscored)
			}
		}
	})
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)*10000, "s/10k-pours")
}
