package db

import (
	"context"
	"fmt"
	"time"
)

const day = 24 * time.Hour

// Retention says how long things are kept; a zero is the default. What a stored
// assessment rests on stays as long as it does.
type Retention struct {
	Bodies      time.Duration // raw bodies of issues; default 7 days
	Issues      time.Duration // all issues; then one a day and cell; default 14 days
	DailyIssues time.Duration // the one a day; default 400 days
	Assessments time.Duration // all; then those that were news, and the latest; default 30 days
	Answers     time.Duration // to creates with a key; default 1 day
	Notices     time.Duration // settled, with deliveries and attempts; default 400 days
	Audit       time.Duration // default 400 days
}

// Thinned counts what Thin removed.
type Thinned struct {
	Bodies, Assessments, Issues, Hours, Answers, Notices, Audit int64
}

// Each statement takes a limited number of rows, to stay within the statement
// timeout and to lock little.
const (
	thinBodies = `
		update issues set body = null
		where id in (select id from issues where body is not null and fetched_at < @before order by fetched_at limit 500)`
	thinAssessments = `
		delete from assessments where id in (
			select a.id from assessments a join pours p on p.id = a.pour_id
			where a.at < @before and not a.news and p.assessment_id is distinct from a.id
				and not exists (select from alert_transitions t where t.assessment_id = a.id)
			order by a.at limit 2000)`
	thinIssues = `
		with kept as (
			select distinct unnest(issue_ids) as id from assessments
		), gone as (
			delete from issues where id in (
				select i.id from issues i
				where i.fetched_at < @before and i.id not in (select id from kept)
					and not exists (select from cells c where c.latest_issue_id = i.id)
					and (i.fetched_at < @daily_before or exists (
						select from issues j where j.cell_id = i.cell_id
							and j.fetched_at >= date_trunc('day', i.fetched_at, 'UTC')
							and (j.fetched_at, j.id) < (i.fetched_at, i.id)))
				order by i.fetched_at desc, i.id desc limit 300)
			returning id
		), hours as (
			delete from forecast_hours where issue_id in (select id from gone) returning 1
		)
		select (select count(*) from gone) as issues, (select count(*) from hours) as hours`
	thinAnswers = `delete from answers where ctid = any(array(select ctid from answers where created_at < @before limit 5000))`
	thinNotices = `
		delete from notices where id in (
			select n.id from notices n
			where n.created_at < @before and not exists (select from deliveries d where d.notice_id = n.id and d.state = 'pending')
			order by n.created_at limit 1000)`
	thinAudit = `delete from audit where id in (select id from audit where at < @before order by id limit 5000)`
)

// Thin removes what is older than it is kept for. It may be run at any time, by
// any replica, and broken off.
func (d *DB) Thin(ctx context.Context, now time.Time, r Retention) (Thinned, error) {
	var t Thinned
	for _, step := range []struct {
		sql   string
		keep  time.Duration
		usual time.Duration
		count *int64
	}{
		{thinBodies, r.Bodies, 7 * day, &t.Bodies},
		{thinAssessments, r.Assessments, 30 * day, &t.Assessments},
		{thinAnswers, r.Answers, day, &t.Answers},
		{thinNotices, r.Notices, 400 * day, &t.Notices},
		{thinAudit, r.Audit, 400 * day, &t.Audit},
	} {
		before := now.Add(-orDefault(step.keep, step.usual))
		if err := d.repeat(ctx, step.sql, before, step.count); err != nil {
			return t, err
		}
	}
	err := d.thinIssues(ctx, now, r, &t)
	return t, err
}

// repeat runs a statement until it finds nothing more to remove.
func (d *DB) repeat(ctx context.Context, sql string, before time.Time, count *int64) error {
	for {
		n, err := run(ctx, d.q, sql, args{"before": before})
		if err != nil {
			return fmt.Errorf("thin: %w", err)
		}
		if n == 0 {
			return nil
		}
		*count += n
	}
}

// thinIssues runs last, for the assessments that went no longer hold theirs.
func (d *DB) thinIssues(ctx context.Context, now time.Time, r Retention, t *Thinned) error {
	type removed struct{ Issues, Hours int64 }
	bounds := args{
		"before":       now.Add(-orDefault(r.Issues, 14*day)),
		"daily_before": now.Add(-orDefault(r.DailyIssues, 400*day)),
	}
	for {
		gone, err := one[removed](ctx, d.q, thinIssues, bounds)
		if err != nil {
			return fmt.Errorf("thin issues: %w", err)
		}
		if gone.Issues == 0 {
			return nil
		}
		t.Issues += gone.Issues
		t.Hours += gone.Hours
	}
}

func orDefault(d, def time.Duration) time.Duration {
	if d == 0 {
		return def
	}
	return d
}
