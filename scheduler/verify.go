package scheduler

import (
	"context"
	"time"

	"frostgate/db"
	"frostgate/scheduler/forecast"
)

// reportsWithin is how long stations may take to report an hour.
const reportsWithin = 3 * time.Hour

// verify compares what was forecast with what was measured since the last time.
func (s *Scheduler) verify(ctx context.Context) error {
	for _, source := range s.cfg.Sources {
		about := source.About()
		if !about.Measures {
			continue
		}
		err := s.db.Tx(ctx, actor, func(tx *db.Tx) error {
			_, err := tx.VerifyForecasts(ctx, about.Name, tx.Now().Add(-reportsWithin).Truncate(time.Hour))
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// leadTable is what the past says of a cell's forecasts.
func leadTable(errors []db.LeadError) forecast.LeadTable {
	var t forecast.LeadTable
	for _, e := range errors {
		t = append(t, forecast.LeadError{Variable: e.Variable, LeadH: e.LeadH, N: e.N, Sum: e.Sum, SumSq: e.SumSq})
	}
	return t
}
