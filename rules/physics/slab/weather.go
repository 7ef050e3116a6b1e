package slab

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"frostgate/rules/physics/air"
	"frostgate/rules/physics/sun"
)

// ErrInput is wrapped by every refusal of this package.
var ErrInput = errors.New("cannot be computed")

// An Hour is the weather at a full hour; every member is known.
type Hour struct {
	AirTempC     float64
	DewPointC    float64 // above the air temperature it counts as equal to it
	WindMS       float64 // at 10 m
	Cloud        float64 // 0 to 1
	ShortwaveWm2 float64 // mean of the hour that begins here, on level ground
	SnowDepthM   float64
}

func (h *Hour) known() bool {
	sum := h.AirTempC + h.DewPointC + h.WindMS + h.Cloud + h.ShortwaveWm2 + h.SnowDepthM
	return !math.IsNaN(sum) && !math.IsInf(sum, 0) && math.Abs(h.AirTempC) < 90 && h.DewPointC > -90 &&
		h.WindMS >= 0 && h.ShortwaveWm2 >= 0 && h.SnowDepthM >= 0
}

// A Forcing is hourly weather made ready for the surface. It is read-only once
// made and may be shared.
type Forcing struct {
	hours []Hour
	ready []drive
}

// drive is what a surface needs of an hour.
type drive struct {
	airC, windMS, longwaveWm2, vapourKPa, sunWm2, snowM float64
	// sunRiseWm2 is how much sunlight grows over the hour about its mean.
	sunRiseWm2 float64
}

// NewForcing makes weather ready. It fails, naming the hour, on values that are
// not finite, negative where they cannot be, or beyond 90 C; and on no hours.
func NewForcing(hours []Hour) (*Forcing, error) {
	if len(hours) == 0 {
		return nil, fmt.Errorf("%w: no weather", ErrInput)
	}
	f := &Forcing{hours: slices.Clone(hours), ready: make([]drive, len(hours))}
	for i := range hours {
		if !hours[i].known() {
			return nil, fmt.Errorf("%w: weather hour %d: %+v", ErrInput, i, hours[i])
		}
		f.ready[i] = hours[i].drive()
	}
	f.slope(0, len(hours))
	return f, nil
}

// slope lets the sunlight of each hour rise or fall as between its neighbours,
// keeping the hour's mean and never below nothing.
func (f *Forcing) slope(from, to int) {
	last := len(f.ready) - 1
	for i := max(0, from); i < min(to, last+1); i++ {
		mean := f.ready[i].sunWm2
		rise := (f.ready[min(i+1, last)].sunWm2 - f.ready[max(i-1, 0)].sunWm2) / 2
		f.ready[i].sunRiseWm2 = math.Min(2*mean, math.Max(-2*mean, rise))
	}
}

func (h *Hour) drive() drive {
	dew := math.Min(h.DewPointC, h.AirTempC)
	return drive{
		airC:        h.AirTempC,
		windMS:      h.WindMS,
		longwaveWm2: air.LongwaveDownWm2(h.AirTempC, dew, h.Cloud),
		vapourKPa:   air.SaturationPressureKPa(dew),
		sunWm2:      h.ShortwaveWm2,
		snowM:       h.SnowDepthM,
	}
}

// EndH is the last hour known.
func (f *Forcing) EndH() float64 { return float64(len(f.hours) - 1) }

// AirC is the air temperature at a time.
func (f *Forcing) AirC(atH float64) float64 {
	d := f.at(atH)
	return d.airC
}

// at interpolates between the hours; before the first and after the last it
// holds.
func (f *Forcing) at(atH float64) drive {
	i := int(atH)
	if i < 0 || atH < 0 {
		return f.ready[0]
	}
	if i >= len(f.ready)-1 {
		return f.ready[len(f.ready)-1]
	}
	a, b, w := &f.ready[i], &f.ready[i+1], atH-float64(i)
	return drive{
		airC:        a.airC + w*(b.airC-a.airC),
		windMS:      a.windMS + w*(b.windMS-a.windMS),
		longwaveWm2: a.longwaveWm2 + w*(b.longwaveWm2-a.longwaveWm2),
		vapourKPa:   a.vapourKPa + w*(b.vapourKPa-a.vapourKPa),
		sunWm2:      a.sunWm2 + (w-0.5)*a.sunRiseWm2,
		snowM:       a.snowM + w*(b.snowM-a.snowM),
	}
}

// A Shift is what a member of a forecast adds to it, by hour; nil members add
// nothing. The dew point moves with the air; sunlight answers to cloud by Kasten
// and Czeplak 1980.
type Shift struct {
	AirC, WindMS, Cloud []float64
}

// Perturb fills dst, reusing its memory, with the hours from fromH to toH of f
// shifted, and the others as they are: a member of a forecast. The shift counts
// from hour 0.
func (f *Forcing) Perturb(dst *Forcing, fromH, toH int, s Shift) {
	dst.hours = append(dst.hours[:0], f.hours...)
	dst.ready = append(dst.ready[:0], f.ready...)
	for i := max(0, fromH); i < min(toH, len(dst.hours)); i++ {
		h := &dst.hours[i]
		if i < len(s.AirC) {
			h.AirTempC += s.AirC[i]
			h.DewPointC += s.AirC[i]
		}
		if i < len(s.WindMS) {
			h.WindMS = math.Max(0, h.WindMS+s.WindMS[i])
		}
		if i < len(s.Cloud) {
			was := h.Cloud
			h.Cloud = math.Min(1, math.Max(0, was+s.Cloud[i]))
			if h.ShortwaveWm2 > 0 {
				h.ShortwaveWm2 *= sun.CloudyWm2(1, h.Cloud) / sun.CloudyWm2(1, was)
			}
		}
		dst.ready[i] = h.drive()
	}
	dst.slope(fromH-1, toH+1)
}
