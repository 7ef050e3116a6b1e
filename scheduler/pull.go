package scheduler

import (
	"context"
	"errors"
	"hash/fnv"
	"slices"
	"strings"
	"time"

	"frostgate/db"
	"frostgate/scheduler/forecast"

	"github.com/google/uuid"
	"github.com/riverqueue/river"
)

// kindObserved marks issues of hours that were measured.
const kindObserved = "observed"

const (
	linkTogether  = 500              // sites per tick that get their cell
	linkAgain     = 5                // sites per tick whose cell is asked for again: 2,000 in seven hours of a week
	claimTogether = 2000             // cells per tick
	claimLease    = 10 * time.Minute // after which a claimed cell is due again, whatever became of its job
	pullTimeout   = 5 * time.Minute
)

// claimDue gives new sites their cells, and puts a job into the queue for each
// batch of cells that are due.
func (s *Scheduler) claimDue(ctx context.Context) error {
	var all error
	for _, source := range s.cfg.Sources {
		all = errors.Join(all, s.linkSites(ctx, source), s.claimCells(ctx, source))
	}
	return all
}

// locator is what linking needs of a source of weather or of warnings.
type locator interface {
	About() forecast.About
	Locate(ctx context.Context, latitude, longitude, elevationM float64) (forecast.Cell, error)
}

// linkFor bounds the time that one tick asks one source where sites lie; the
// next goes on.
const linkFor = 10 * time.Second

func (s *Scheduler) linkSites(ctx context.Context, source locator) error {
	about := source.About()
	sites, err := s.db.SitesWithout(ctx, about.Name, linkTogether)
	if err != nil {
		return err
	}
	if about.Relocate > 0 {
		again, err := s.db.SitesLinkedBefore(ctx, about.Name, s.now().Add(-about.Relocate), linkAgain)
		if err != nil {
			return err
		}
		sites = append(sites, again...)
	}
	until := time.Now().Add(linkFor)
	for _, site := range sites {
		cell, err := source.Locate(ctx, site.Latitude, site.Longitude, site.ElevationM)
		if errors.Is(err, forecast.ErrOutside) {
			cell, err = forecast.Cell{Key: outsideKey, Latitude: site.Latitude, Longitude: site.Longitude}, nil
		}
		if err != nil {
			s.log.WarnContext(ctx, "site not located", "source", about.Name, "site", site.ID, "error", err)
		} else if err := s.link(ctx, about.Name, site.ID, cell); err != nil {
			return err
		}
		if isHosts(err) || time.Now().After(until) {
			break
		}
	}
	return nil
}

// isHosts reports whether an error would meet the next question as well.
func isHosts(err error) bool {
	fault, ok := errors.AsType[*forecast.Error](err)
	return ok && (fault.Host || fault.Status == 0 && fault.Retry)
}

// outsideKey is the cell of all sites that a source does not cover. It is never
// asked for; from time to time its sites are located anew.
const (
	outsideKey   = "outside"
	outsideLasts = 30 * 24 * time.Hour
)

func (s *Scheduler) link(ctx context.Context, source string, siteID uuid.UUID, cell forecast.Cell) error {
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		stored, err := tx.EnsureCell(ctx, db.Cell{
			Source: source, Key: cell.Key, Latitude: cell.Latitude, Longitude: cell.Longitude, ElevationM: &cell.ElevationM,
		})
		if err != nil {
			return err
		}
		if cell.Key == outsideKey && stored.FetchedAt == nil {
			err = tx.SaveFetch(ctx, db.Fetch{CellID: stored.ID, Succeeded: true, NextDueAt: tx.Now().Add(outsideLasts)})
		}
		return errors.Join(err, tx.LinkSite(ctx, siteID, source, stored.ID))
	})
}

func (s *Scheduler) claimCells(ctx context.Context, source forecast.Source) error {
	about := source.About()
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		cells, err := tx.ClaimCells(ctx, about.Name, claimTogether, claimLease)
		if err != nil {
			return err
		}
		ids := make([]uuid.UUID, 0, len(cells))
		for _, c := range cells {
			if c.Key != outsideKey {
				ids = append(ids, c.ID)
			} else if err := s.unlinkOutside(ctx, tx, c); err != nil {
				return err
			}
		}
		var jobs []river.InsertManyParams
		for batch := range slices.Chunk(ids, max(about.Batch, 1)) {
			jobs = append(jobs, river.InsertManyParams{Args: pullArgs{Source: about.Name, CellIDs: batch, ClaimedAt: tx.Now()}})
		}
		return s.insert(ctx, tx, jobs)
	})
}

func (s *Scheduler) unlinkOutside(ctx context.Context, tx *db.Tx, cell db.Cell) error {
	if err := tx.UnlinkCell(ctx, cell.ID); err != nil {
		return err
	}
	return tx.SaveFetch(ctx, db.Fetch{CellID: cell.ID, Succeeded: true, NextDueAt: tx.Now().Add(outsideLasts)})
}

type pullWorker struct {
	river.WorkerDefaults[pullArgs]
	s *Scheduler
}

func (w *pullWorker) Timeout(*river.Job[pullArgs]) time.Duration { return pullTimeout }

// Work asks a source for a batch of cells and stores each answer.
func (w *pullWorker) Work(ctx context.Context, job *river.Job[pullArgs]) error {
	i := slices.IndexFunc(w.s.cfg.Sources, func(s forecast.Source) bool { return s.About().Name == job.Args.Source })
	if i < 0 {
		return nil // configured away since
	}
	return w.s.pullJob(ctx, w.s.cfg.Sources[i], job.Args)
}

// pullJob asks for the cells of a job that were not asked for since it was made:
// one that waited long for its turn may have been overtaken by its successor.
func (s *Scheduler) pullJob(ctx context.Context, source forecast.Source, args pullArgs) error {
	cells, err := s.db.CellsByID(ctx, args.CellIDs)
	if err != nil {
		return err
	}
	cells = slices.DeleteFunc(cells, func(c db.Cell) bool {
		return c.FetchedAt != nil && c.FetchedAt.After(args.ClaimedAt) && !args.ClaimedAt.IsZero()
	})
	if len(cells) == 0 {
		return nil
	}
	return s.pull(ctx, source, cells)
}

func (s *Scheduler) pull(ctx context.Context, source forecast.Source, cells []db.Cell) error {
	about := source.About()
	asked := make([]forecast.Cell, len(cells))
	for i := range cells {
		asked[i] = askFor(about, cells[i], s.now())
	}
	results := source.Fetch(ctx, asked)
	if ctx.Err() != nil {
		return ctx.Err() // nobody is to blame; the job goes on elsewhere
	}
	var all error
	for i := range cells {
		all = errors.Join(all, s.take(ctx, about, cells[i], results[i]))
	}
	return errors.Join(all, s.restHost(ctx, about, results))
}

// askFor is the question for a cell. The history that the ground needs is asked
// once, and again what a silence left out; of what was measured, what came in
// since and reports that were late.
func askFor(about forecast.About, c db.Cell, now time.Time) forecast.Cell {
	asked := forecast.Cell{Key: c.Key, Latitude: c.Latitude, Longitude: c.Longitude, Since: now.Add(-48 * time.Hour)}
	if c.ElevationM != nil {
		asked.ElevationM = *c.ElevationM
	}
	oldest := now.Add(-historyBefore - 24*time.Hour)
	switch {
	case c.LatestIssueID == nil || c.SucceededAt == nil || c.SucceededAt.Before(oldest):
		asked.Since = oldest
	case about.Measures:
		asked.Since = c.SucceededAt.Add(-reportsWithin)
	case c.SucceededAt.Before(asked.Since):
		asked.Since = *c.SucceededAt
	}
	if c.LatestIssueID != nil {
		asked.ETag, asked.LastModified = c.ETag, c.LastModified
	}
	return asked
}

// take stores what came of one cell, and has the pours that rest on it assessed
// when there is a new issue.
func (s *Scheduler) take(ctx context.Context, about forecast.About, cell db.Cell, r forecast.Result) error {
	if errors.Is(r.Err, errResting) {
		return s.postpone(ctx, cell, r.Err)
	}
	outcome := "unchanged"
	err := s.db.Tx(ctx, actor, func(tx *db.Tx) error {
		f := db.Fetch{CellID: cell.ID, Succeeded: r.Err == nil, ETag: r.ETag, LastModified: r.LastModified}
		if r.Err != nil {
			outcome = "failed"
			f.Error, f.NextDueAt = brief(r.Err), tx.Now().Add(pauseAfter(cell.Failures+1, r.Err))
			if errors.Is(r.Err, forecast.ErrMoved) {
				f.NextDueAt = tx.Now()
				return errors.Join(tx.SaveFetch(ctx, f), tx.UnlinkCell(ctx, cell.ID))
			}
			return tx.SaveFetch(ctx, f)
		}
		f.NextDueAt = nextDue(phaseOf(about, cell), about.Period, tx.Now())
		if !r.ExpiresAt.IsZero() {
			f.ExpiresAt = &r.ExpiresAt
			if r.ExpiresAt.After(f.NextDueAt) {
				f.NextDueAt = r.ExpiresAt
			}
		}
		if r.Issue != nil {
			isNew, err := s.storeIssue(ctx, tx, cell.ID, r.Issue)
			if err != nil {
				return err
			}
			if isNew {
				outcome = "new"
			}
		}
		return tx.SaveFetch(ctx, f)
	})
	if err != nil {
		return err
	}
	s.metrics.pulls.WithLabelValues(about.Name, outcome).Inc()
	if r.Err != nil {
		s.log.WarnContext(ctx, "weather not pulled", "source", about.Name, "cell", cell.Key, "failures", cell.Failures+1, "error", r.Err)
	} else if r.Notice != "" {
		s.log.WarnContext(ctx, "weather source has a word for its operator", "source", about.Name, "notice", r.Notice)
	}
	return nil
}

// postpone waits for a host that rests. Nobody was asked, so it is no failure of
// the cell.
func (s *Scheduler) postpone(ctx context.Context, cell db.Cell, err error) error {
	pause := restUnsaid
	if fault, ok := errors.AsType[*forecast.Error](err); ok {
		pause = max(pause, fault.After)
	}
	return s.db.Tx(ctx, actor, func(tx *db.Tx) error { return tx.PostponeCell(ctx, cell.ID, tx.Now().Add(pause)) })
}

func (s *Scheduler) storeIssue(ctx context.Context, tx *db.Tx, cellID uuid.UUID, i *forecast.Issue) (bool, error) {
	issue := db.Issue{
		CellID: cellID, Kind: "forecast", Model: i.Model, IssuedAt: i.IssuedAt, FetchedAt: i.FetchedAt,
		PayloadSHA256: i.SHA256[:], ReachAt: i.Reach(), Body: i.Body, ElevationM: &i.Cell.ElevationM,
	}
	if i.Observed {
		issue.Kind = kindObserved
	}
	stored, isNew, err := tx.StoreIssue(ctx, issue, hoursOf(i))
	if err != nil || !isNew || i.Observed {
		return isNew, err // what was measured is read with the next forecast
	}
	pours, err := tx.PoursOn(ctx, stored.LastHourAt, cellID)
	if err != nil {
		return false, err
	}
	return true, s.enqueueAssess(ctx, tx, causeWeather, pours)
}

func hoursOf(i *forecast.Issue) []db.Hour {
	hours := make([]db.Hour, len(i.Hours))
	for k := range i.Hours {
		h := &i.Hours[k]
		hours[k] = db.Hour{
			Hour: h.Hour, RelHumidity: h.RelHumidity, WindFromDeg: h.WindFromDeg, SnowfallMMSWE: h.SnowfallSWEMM,
			SnowfallDepthM: h.SnowfallDepthM, IceAccumMM: h.IceAccumMM, SkinTempC: h.SkinTempC, PressurePa: h.PressurePa,
			Flags: int64(h.Flags), //nolint:gosec // the flags fit, see forecast.Flags
		}
		if h.PrecipProbWindowH > 0 {
			hours[k].PrecipProbWindowH = new(int16(h.PrecipProbWindowH)) //nolint:gosec // 1, 6 or 12
		}
		for _, t := range h.SoilTemps {
			hours[k].SoilTemps = append(hours[k].SoilTemps, db.SoilTemp(t))
		}
	}
	return hours
}

// HourOf is a stored hour as the sources give it.
func HourOf(h *db.Hour) forecast.Hour {
	f := forecast.Hour{
		Hour: h.Hour, RelHumidity: h.RelHumidity, WindFromDeg: h.WindFromDeg, SnowfallSWEMM: h.SnowfallMMSWE,
		SnowfallDepthM: h.SnowfallDepthM, IceAccumMM: h.IceAccumMM, SkinTempC: h.SkinTempC, PressurePa: h.PressurePa,
		Flags: forecast.Flags(h.Flags), //nolint:gosec // stored from the same
	}
	if h.PrecipProbWindowH != nil {
		f.PrecipProbWindowH = int(*h.PrecipProbWindowH)
	}
	for _, t := range h.SoilTemps {
		f.SoilTemps = append(f.SoilTemps, forecast.SoilTemp(t))
	}
	return f
}

// nextDue is the first time in a phase of a period that lies at least half of it
// ahead. Each cell has its own constant phase, so that a fleet of cells is asked
// for evenly.
func nextDue(phase uint64, period time.Duration, now time.Time) time.Time {
	if period <= 0 {
		period = time.Hour
	}
	next := now.Truncate(period).Add(time.Duration(phase % uint64(period))) //nolint:gosec // positive
	for next.Before(now.Add(period / 2)) {
		next = next.Add(period)
	}
	return next
}

// phaseOf is the cell's own, or that of the station which it asks first: cells
// that share one are due together, and it is asked once for all.
func phaseOf(about forecast.About, cell db.Cell) uint64 {
	if !about.Measures {
		return seedOf(cell.ID)
	}
	station, _, _ := strings.Cut(cell.Key, ",")
	h := fnv.New64a()
	_, _ = h.Write([]byte(station)) // never fails
	return h.Sum64()
}

// pauses follow failures in a row: soon at first, then rarely.
var pauses = []time.Duration{
	time.Minute, 2 * time.Minute, 5 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 3 * time.Hour, 6 * time.Hour,
}

// pauseAfter is how long a cell is left alone after so many failures. A question
// that can only get the same answer waits an hour at least; an asked-for pause is
// kept.
func pauseAfter(failures int, err error) time.Duration {
	pause := pauses[min(failures, len(pauses))-1]
	if fault, ok := errors.AsType[*forecast.Error](err); ok {
		pause = max(pause, fault.After)
		if !fault.Retry {
			pause = max(pause, time.Hour)
		}
	}
	return pause
}

// brief is an error fit for a column and a page.
func brief(err error) string {
	text := err.Error()
	return text[:min(len(text), 500)]
}

// restUnsaid is the rest of a host that is over its limit and doesn't say until
// when.
const restUnsaid = time.Minute

// restHost keeps all replicas from a host that asks for it.
func (s *Scheduler) restHost(ctx context.Context, about forecast.About, results []forecast.Result) error {
	var rest time.Duration
	for _, r := range results {
		if fault, ok := errors.AsType[*forecast.Error](r.Err); ok && fault.Host && !errors.Is(r.Err, errResting) {
			rest = max(rest, fault.After, restUnsaid)
		}
	}
	if rest == 0 {
		return nil
	}
	s.log.WarnContext(ctx, "weather host is left alone", "host", about.Host, "for", rest)
	return s.db.CloseHost(ctx, about.Host, s.now().Add(rest))
}
