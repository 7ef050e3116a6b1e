package slab

import (
	"frostgate/rules/physics/heat"
)

// A Solver computes runs. It keeps its memory from run to run; the zero value is
// ready. It must not be used by two goroutines at once.
type Solver struct {
	column  heat.Column
	cells   []heat.Cell
	surface heat.Surface
	exposed [heat.Width]exposure
	pouring pouring
	curves  curves
}

// blocks calls f for each heat.Width lanes of n.
func blocks(n int, f func(from, to int) error) error {
	for from := 0; from < n; from += heat.Width {
		if err := f(from, min(n, from+heat.Width)); err != nil {
			return err
		}
	}
	return nil
}

const secondsPerHour = 3600.0
