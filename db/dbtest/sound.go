package dbtest

import (
	"testing"

	"frostgate/db"

	"github.com/stretchr/testify/require"
)

// unsound counts what may be found in no database at no moment, whatever died.
var unsound = []struct{ what, sql string }{
	{"alerts with gaps in their transitions", `
		select count(*) from alerts a left join (
			select alert_id, count(*) as n, max(number) as last from alert_transitions group by alert_id
		) t on t.alert_id = a.id
		where a.transition <> coalesce(t.n, 0) or a.transition <> coalesce(t.last, 0)`},
	{"transitions with no notice, or many", `
		select count(*) from alert_transitions t
		where 1 <> (select count(*) from notices n where n.alert_id = t.alert_id and n.transition = t.number)`},
	{"notices on alerts without one ruling for each endpoint", `
		select count(*) from notices n, endpoints e
		where n.alert_id is not null and 1 <> (select count(*) from tellings t where t.notice_id = n.id and t.endpoint_id = e.id)`},
	{"rulings that no message tells, or that wait for nothing", `
		select count(*) from tellings where state = 'told' and delivery_id is null or state = 'waiting' and due_at is null`},
	{"deliveries whose notice was decided and that nothing rules", `
		select count(*) from deliveries d where d.alert_id is not null and not exists (select from tellings t where t.delivery_id = d.id)`},
	{"episodes that begin or end twice", `
		select count(*) from (
			select event, lag(event) over (partition by alert_id order by number) as before from alert_transitions where event in ('alert.raised', 'alert.cleared')
		) steps where event = before`},
	{"accepted deliveries without the attempt that was", `
		select count(*) from deliveries d where d.state = 'accepted'
			and not exists (select from attempts t where t.delivery_id = d.id and t.outcome = 'accepted' and t.number = d.attempts)`},
}

// RequireSound holds a database against what is true of its alerts and their
// messages at every moment: transitions without gaps, each with one notice and a
// ruling for each endpoint; no episode begun or ended twice; nothing accepted
// without an attempt. It is for databases whose endpoints were there before their
// alerts, and on whose alerts nobody acted.
func RequireSound(t testing.TB, d *db.DB) {
	t.Helper()
	for _, u := range unsound {
		var n int
		require.NoError(t, d.Pool().QueryRow(t.Context(), u.sql).Scan(&n))
		require.Zero(t, n, u.what)
	}
}
