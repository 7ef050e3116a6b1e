package db

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"time"

	"github.com/google/uuid"
)

// Endpoint is where notices go. Its URL and signing secrets are secrets: stored
// sealed, read by EndpointKeys alone.
type Endpoint struct {
	Record
	Name         string // unique, without case
	Kind         string // the form of its messages; the alert package knows them
	Host         string // of the URL, for people and for budgets; set by the store
	CrewIDs      []uuid.UUID
	PlantIDs     []uuid.UUID
	MinSeverity  string // warning when empty
	Settings     json.RawMessage
	State        string // enabled when empty, or disabled
	StateReason  string
	StateAt      time.Time  // since when; set by the store
	FailingSince *time.Time // first failure after the last success
	AcceptedAt   *time.Time // last success
	Rank         int        // 0 is told at once, others by escalation
	DelayMin     int        // after the rank before, while nobody acknowledges
	Folded       int        // messages that the flood guard folded into others; set by the store
	FloodedUntil *time.Time // until when it last did
}

const endpointColumns = `e.id, e.version, e.created_at, e.updated_at, e.name, e.kind, e.host, e.crew_ids, e.plant_ids, e.min_severity,
	e.settings, e.state, e.state_reason, e.state_at, e.failing_since, e.accepted_at, e.rank, e.delay_min, e.folded, e.flooded_until`

const selectEndpoint = `select ` + endpointColumns + ` from endpoints e where e.id = @id`

// Endpoint gives one endpoint.
func (r reads) Endpoint(ctx context.Context, id uuid.UUID) (Endpoint, error) {
	e, err := one[Endpoint](ctx, r.q, selectEndpoint, args{"id": id})
	if err != nil {
		return Endpoint{}, fmt.Errorf("load endpoint %s: %w", id, err)
	}
	return e, nil
}

const selectEndpoints = `select ` + endpointColumns + ` from endpoints e where true`

// Endpoints lists endpoints as they were made.
func (r reads) Endpoints(ctx context.Context, p Page) (List[Endpoint], error) {
	l, err := list(ctx, r, newQuery(selectEndpoints, args{}), p, order{at: "e.created_at", id: "e.id"}, func(e Endpoint) Key { return e.created() })
	if err != nil {
		return l, fmt.Errorf("list endpoints: %w", err)
	}
	return l, nil
}

const insertEndpoint = `
insert into endpoints as e (id, created_at, updated_at, name, kind, url_sealed, host, crew_ids, plant_ids, min_severity,
	settings, state, state_reason, state_at, rank, delay_min)
values (@id, @now, @now, @name, @kind, @url_sealed, @host, @crew_ids, @plant_ids, @min_severity,
	coalesce(@settings::jsonb, '{}'), @state, @state_reason, @now, @rank, @delay_min)
returning ` + endpointColumns

// CreateEndpoint stores an endpoint with its URL and its first signing secret;
// an empty secret is none, for kinds that sign nothing.
func (tx *Tx) CreateEndpoint(ctx context.Context, e Endpoint, address, secret string) (Endpoint, error) {
	e.ID = newID(e.ID)
	stored, err := tx.createEndpoint(ctx, e, address)
	if err == nil && secret != "" {
		err = tx.addSecret(ctx, e.ID, secret)
	}
	if err != nil {
		return Endpoint{}, fmt.Errorf("create endpoint: %w", err)
	}
	return stored, nil
}

func (tx *Tx) createEndpoint(ctx context.Context, e Endpoint, address string) (Endpoint, error) {
	e = e.complete()
	sealed, host, err := tx.sealURL(e.ID, address)
	if err != nil {
		return Endpoint{}, err
	}
	return created[Endpoint](ctx, tx, insertEndpoint, record(e).set("url_sealed", sealed).set("host", host))
}

func (e Endpoint) complete() Endpoint {
	if e.MinSeverity == "" {
		e.MinSeverity = "warning"
	}
	if e.State == "" {
		e.State = "enabled"
	}
	return e
}

// sealURL also reads the host off the URL. Its errors don't repeat the URL.
func (tx *Tx) sealURL(id uuid.UUID, address string) (sealed []byte, host string, err error) {
	u, err := url.Parse(address)
	if err == nil && u.Scheme == "mailto" {
		u.Host = "mail"
	}
	if err != nil || u.Host == "" {
		return nil, "", &FieldError{Field: "url", Detail: "is not an absolute URL", kind: ErrInvalid}
	}
	sealed, err = tx.box.seal(address, "endpoint url "+id.String())
	return sealed, u.Host, err
}

const updateEndpoint = `
update endpoints e set version = e.version + 1, updated_at = @now, name = @name, kind = @kind,
	url_sealed = coalesce(@url_sealed::bytea, e.url_sealed), host = coalesce(@new_host::text, e.host), crew_ids = @crew_ids, plant_ids = @plant_ids,
	min_severity = @min_severity, settings = coalesce(@settings::jsonb, '{}'), state = @state, state_reason = @state_reason,
	state_at = case when e.state = @state then e.state_at else @now end,
	failing_since = case when e.state = @state then e.failing_since end, rank = @rank, delay_min = @delay_min
where e.id = @id and e.version = @version
returning ` + endpointColumns

// UpdateEndpoint edits an endpoint, its URL too unless address is empty. ErrStale
// when e.Version isn't the one stored.
func (tx *Tx) UpdateEndpoint(ctx context.Context, e Endpoint, address string) (Endpoint, error) {
	stored, err := tx.updateEndpoint(ctx, e.complete(), address)
	if err != nil {
		return Endpoint{}, fmt.Errorf("update endpoint %s: %w", e.ID, err)
	}
	return stored, nil
}

func (tx *Tx) updateEndpoint(ctx context.Context, e Endpoint, address string) (Endpoint, error) {
	a := record(e).set("url_sealed", nil).set("new_host", nil)
	if address != "" {
		sealed, host, err := tx.sealURL(e.ID, address)
		if err != nil {
			return Endpoint{}, err
		}
		a.set("url_sealed", sealed).set("new_host", host)
	}
	return edited(ctx, tx, updateEndpoint, a, func(ctx context.Context) (Endpoint, error) { return tx.Endpoint(ctx, e.ID) })
}

const deleteEndpoint = `delete from endpoints e where e.id = @id and e.version = @version`

// DeleteEndpoint removes an endpoint with its secrets and its deliveries.
func (tx *Tx) DeleteEndpoint(ctx context.Context, id uuid.UUID, version int64) error {
	err := removed(ctx, tx, deleteEndpoint, args{"id": id, "version": version}, func(ctx context.Context) (Endpoint, error) {
		return tx.Endpoint(ctx, id)
	})
	if err != nil {
		return fmt.Errorf("delete endpoint %s: %w", id, err)
	}
	return nil
}

const (
	insertSecret  = `insert into endpoint_secrets (id, endpoint_id, created_at, sealed) values (@id, @endpoint_id, @now, @sealed)`
	expireSecrets = `update endpoint_secrets set valid_until = @until
		where endpoint_id = @endpoint_id and (valid_until is null or valid_until > @until)`
)

func (tx *Tx) addSecret(ctx context.Context, endpointID uuid.UUID, secret string) error {
	id := newID(uuid.Nil)
	sealed, err := tx.box.seal(secret, "endpoint secret "+id.String())
	if err != nil {
		return err
	}
	_, err = run(ctx, tx.q, insertSecret, args{"id": id, "endpoint_id": endpointID, "now": tx.now, "sealed": sealed})
	return err
}

// RotateSecret gives an endpoint a new signing secret; the old ones stay valid
// beside it for a while.
func (tx *Tx) RotateSecret(ctx context.Context, id uuid.UUID, secret string, keepOld time.Duration) error {
	_, err := run(ctx, tx.q, expireSecrets, args{"endpoint_id": id, "until": tx.now.Add(keepOld)})
	if err == nil {
		err = tx.addSecret(ctx, id, secret)
	}
	if err != nil {
		return fmt.Errorf("rotate secret of endpoint %s: %w", id, err)
	}
	return nil
}

// Keys are what it takes to call an endpoint. They are never to be shown or
// logged.
type Keys struct {
	Kind    string // of the endpoint
	URL     string
	Secrets []string // valid ones, newest first
}

const (
	selectURL     = `select kind, url_sealed from endpoints where id = @id`
	selectSecrets = `select id, sealed from endpoint_secrets
		where endpoint_id = @id and (valid_until is null or valid_until > @now) order by created_at desc, id desc`
)

// EndpointKeys opens the URL and the signing secrets that are valid at a time.
func (r reads) EndpointKeys(ctx context.Context, id uuid.UUID, now time.Time) (Keys, error) {
	keys, err := r.endpointKeys(ctx, id, now)
	if err != nil {
		return Keys{}, fmt.Errorf("open keys of endpoint %s: %w", id, err)
	}
	return keys, nil
}

func (r reads) endpointKeys(ctx context.Context, id uuid.UUID, now time.Time) (Keys, error) {
	type address struct {
		Kind      string
		URLSealed []byte
	}
	to, err := one[address](ctx, r.q, selectURL, args{"id": id})
	if err != nil {
		return Keys{}, err
	}
	keys := Keys{Kind: to.Kind}
	if keys.URL, err = r.box.open(to.URLSealed, "endpoint url "+id.String()); err != nil {
		return Keys{}, err
	}
	type secret struct {
		ID     uuid.UUID
		Sealed []byte
	}
	secrets, err := many[secret](ctx, r.q, selectSecrets, args{"id": id, "now": now})
	if err != nil {
		return Keys{}, err
	}
	for _, s := range secrets {
		text, err := r.box.open(s.Sealed, "endpoint secret "+s.ID.String())
		if err != nil {
			return Keys{}, err
		}
		keys.Secrets = append(keys.Secrets, text)
	}
	return keys, nil
}

const markEndpoint = `
update endpoints set accepted_at = case when @accepted then @now else accepted_at end,
	failing_since = case when @accepted then null else coalesce(failing_since, @now) end
where id = @id
returning failing_since`

// MarkEndpoint notes that an attempt was accepted or failed, and gives since when
// the endpoint has only failed; nil when it doesn't.
func (tx *Tx) MarkEndpoint(ctx context.Context, id uuid.UUID, accepted bool) (*time.Time, error) {
	since, err := value[*time.Time](ctx, tx.q, markEndpoint, args{"id": id, "accepted": accepted, "now": tx.now})
	if err != nil {
		return nil, fmt.Errorf("mark endpoint %s: %w", id, err)
	}
	return since, nil
}

const disableEndpoint = `
update endpoints set version = version + 1, updated_at = @now, state = 'disabled', state_reason = @reason, state_at = @now
where id = @id and state = 'enabled'`

// DisableEndpoint stops an endpoint, and tells whether it wasn't stopped before.
func (tx *Tx) DisableEndpoint(ctx context.Context, id uuid.UUID, reason string) (bool, error) {
	n, err := run(ctx, tx.q, disableEndpoint, args{"id": id, "reason": reason, "now": tx.now})
	if err != nil {
		return false, fmt.Errorf("disable endpoint %s: %w", id, err)
	}
	return n > 0, nil
}

const refusals = `
select count(*) from (
	select t.status from attempts t join deliveries d on d.id = t.delivery_id
	where d.endpoint_id = @id order by t.at desc, t.number desc limit @latest
) latest where status in (401, 403)`

// Refusals tells how many of the latest attempts at an endpoint were answered 401
// or 403.
func (r reads) Refusals(ctx context.Context, id uuid.UUID, latest int) (int, error) {
	n, err := value[int](ctx, r.q, refusals, args{"id": id, "latest": latest})
	if err != nil {
		return 0, fmt.Errorf("count refusals of endpoint %s: %w", id, err)
	}
	return n, nil
}
