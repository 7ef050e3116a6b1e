-- The records of frostgate. Ids are UUID version 7 made by the program; times
-- are UTC; every unit is in its column's name. Records that people edit carry
-- a version, raised by each edit, and leave a row in audit.

-- +goose Up

create extension if not exists btree_gist;

-- audit says who changed what. A change keeps only the columns that differ.
create table audit (
    id         bigint generated always as identity primary key,
    at         timestamptz not null,
    actor      text        not null,
    request_id text        not null default '',
    action     text        not null check (action in ('create', 'update', 'delete')),
    record     text        not null,
    record_id  uuid        not null,
    before     jsonb,
    after      jsonb
);
create index audit_record_idx on audit (record, record_id, id);
create index audit_at_idx on audit (at);

-- audit_change runs after each edit of an audited record. Its arguments are the
-- columns to leave out: secrets, and what the program itself derives. Who and
-- when come from the settings that a transaction of the program makes at its
-- start; an edit by hand is laid to the database user.
-- +goose StatementBegin
create function audit_change() returns trigger language plpgsql as $$
declare
    old_row jsonb := case when tg_op <> 'INSERT' then to_jsonb(old) - coalesce(tg_argv, '{}')::text[] end;
    new_row jsonb := case when tg_op <> 'DELETE' then to_jsonb(new) - coalesce(tg_argv, '{}')::text[] end;
    changed text[];
begin
    if tg_op = 'UPDATE' then
        select array_agg(key) into changed
        from jsonb_each(new_row)
        where value is distinct from old_row -> key and key not in ('version', 'updated_at');
        if changed is null then
            return null;
        end if;
        select jsonb_object_agg(key, value) into old_row from jsonb_each(old_row) where key = any (changed);
        select jsonb_object_agg(key, value) into new_row from jsonb_each(new_row) where key = any (changed);
    end if;
    insert into audit (at, actor, request_id, action, record, record_id, before, after)
    values (coalesce(nullif(current_setting('frostgate.now', true), '')::timestamptz, now()),
            coalesce(nullif(current_setting('frostgate.actor', true), ''), current_user),
            coalesce(current_setting('frostgate.request', true), ''),
            case tg_op when 'INSERT' then 'create' when 'UPDATE' then 'update' else 'delete' end,
            tg_table_name,
            case tg_op when 'DELETE' then old.id else new.id end,
            old_row, new_row);
    return null;
end
$$;
-- +goose StatementEnd

-- firm is the one contractor whose winter this is: a single row.
create table firm (
    id                    uuid primary key,
    version               bigint      not null default 1,
    created_at            timestamptz not null default now(),
    updated_at            timestamptz not null default now(),
    name                  text        not null default '' check (length(name) <= 200),
    units                 text        not null default 'us' check (units in ('us', 'si')),
    code                  text        not null default '' check (code in ('', 'us', 'csa', 'en', 'din')),
    calibration           jsonb       not null default '{}',
    limits                jsonb       not null default '[]',
    source_order          jsonb       not null default '{}', -- of weather sources, by variable
    quiet_starts_min      int check (quiet_starts_min between 0 and 1439),
    quiet_ends_min        int check (quiet_ends_min between 0 and 1439),
    quiet_critical_exempt boolean     not null default true,
    constraint firm_quiet_ends_min_check1 check ((quiet_starts_min is null) = (quiet_ends_min is null))
);
create unique index firm_single on firm ((true));
insert into firm (id) values ('01900000-0000-7000-8000-000000000001');
create trigger firm_audit after insert or update or delete on firm
    for each row execute function audit_change();

create table sites (
    id          uuid primary key,
    version     bigint           not null default 1,
    created_at  timestamptz      not null,
    updated_at  timestamptz      not null,
    name        text             not null check (length(name) between 1 and 200),
    address     text             not null default '' check (length(address) <= 500),
    latitude    double precision not null check (latitude between -66 and 72),
    longitude   double precision not null check (longitude between -180 and 180),
    elevation_m double precision not null check (elevation_m between -430 and 6200),
    timezone    text             not null check ((timestamptz '2000-01-01 00:00Z' at time zone timezone) is not null),
    shade       double precision not null check (shade between 0 and 1),
    terrain     text             not null check (terrain in ('open', 'built', 'sheltered')),
    code        text             not null default '' check (code in ('', 'us', 'csa', 'en', 'din')),
    local_rules jsonb            not null default '[]',
    source_order jsonb           not null default '{}',
    archived_at timestamptz
);
create unique index sites_name_key on sites (lower(name)) where archived_at is null;
create index sites_created_idx on sites (created_at, id);
create trigger sites_audit after insert or update or delete on sites
    for each row execute function audit_change();

create table plants (
    id                     uuid primary key,
    version                bigint      not null default 1,
    created_at             timestamptz not null,
    updated_at             timestamptz not null,
    name                   text        not null check (length(name) between 1 and 200),
    latitude               double precision check (latitude between -90 and 90),
    longitude              double precision check (longitude between -180 and 180),
    aggregate_temp_c       double precision check (aggregate_temp_c between -50 and 60),
    aggregate_moisture_pct double precision check (aggregate_moisture_pct between 0 and 20),
    cement_temp_c          double precision check (cement_temp_c between -40 and 90),
    water_max_c            double precision check (water_max_c between 0 and 100),
    haul_min               double precision check (haul_min between 0 and 240),
    truck                  text        not null default '' check (truck in ('', 'drum', 'covered_dump', 'open_dump')),
    truck_m3               double precision not null default 0 check (truck_m3 between 0 and 20),
    accelerator_ok         boolean,
    daily_m3               double precision check (daily_m3 > 0),
    archived_at            timestamptz,
    constraint plants_longitude_check1 check ((latitude is null) = (longitude is null))
);
create unique index plants_name_key on plants (lower(name)) where archived_at is null;
create index plants_created_idx on plants (created_at, id);
create trigger plants_audit after insert or update or delete on plants
    for each row execute function audit_change();

create table crews (
    id             uuid primary key,
    version        bigint      not null default 1,
    created_at     timestamptz not null,
    updated_at     timestamptz not null,
    name           text        not null check (length(name) between 1 and 200),
    day_starts_min int         not null check (day_starts_min between 0 and 1439),
    day_ends_min   int         not null check (day_ends_min between 1 and 1440),
    days           smallint[]  not null check (days <@ '{1,2,3,4,5,6,7}'::smallint[] and cardinality(days) <= 7),
    machine        boolean,
    place_m3_h     double precision not null check (place_m3_h between 0 and 200),
    stagger_min    double precision not null check (stagger_min between 0 and 240),
    archived_at    timestamptz,
    constraint crews_day_ends_min_check1 check (day_ends_min > day_starts_min)
);
create unique index crews_name_key on crews (lower(name)) where archived_at is null;
create index crews_created_idx on crews (created_at, id);
create trigger crews_audit after insert or update or delete on crews
    for each row execute function audit_change();

create table mixes (
    id              uuid primary key,
    version         bigint      not null default 1,
    created_at      timestamptz not null,
    updated_at      timestamptz not null,
    name            text        not null check (length(name) between 1 and 200),
    note            text        not null default '' check (length(note) <= 2000),
    cement_type     text        not null check (cement_type in ('I', 'I/II', 'II', 'III')),
    cement_kg_m3    double precision not null check (cement_kg_m3 between 50 and 800),
    water_kg_m3     double precision not null check (water_kg_m3 between 50 and 400),
    aggregate_kg_m3 double precision not null check (aggregate_kg_m3 between 500 and 2500),
    fly_ash_kg_m3   double precision not null check (fly_ash_kg_m3 between 0 and 500),
    slag_kg_m3      double precision not null check (slag_kg_m3 between 0 and 700),
    strength_mpa    double precision not null check (strength_mpa between 5 and 120),
    slump_mm        double precision not null check (slump_mm between 0 and 300),
    air_pct         double precision not null check (air_pct between 0 and 15),
    admixtures      jsonb       not null default '[]',
    archived_at     timestamptz
);
create unique index mixes_name_key on mixes (lower(name)) where archived_at is null;
create index mixes_created_idx on mixes (created_at, id);
create trigger mixes_audit after insert or update or delete on mixes
    for each row execute function audit_change();

-- A pour is one placement. The last block of columns repeats what the latest
-- assessment says, for lists; writing it is not an edit: no version, no audit.
create table pours (
    id                 uuid primary key,
    version            bigint      not null default 1,
    created_at         timestamptz not null,
    updated_at         timestamptz not null,
    name               text        not null check (length(name) between 1 and 200),
    note               text        not null default '' check (length(note) <= 4000),
    site_id            uuid        not null references sites,
    plant_id           uuid        not null references plants,
    crew_id            uuid        not null references crews,
    mix_id             uuid        not null references mixes,
    element            text        not null check (element in ('slab_on_ground', 'footing', 'wall')),
    thickness_mm       double precision not null check (thickness_mm between 50 and 3000),
    width_mm           double precision not null check (width_mm between 0 and 20000),
    height_mm          double precision not null check (height_mm between 0 and 20000),
    length_mm          double precision not null check (length_mm between 0 and 1000000),
    area_m2            double precision not null check (area_m2 between 0 and 100000),
    volume_m3          double precision check (volume_m3 between 0 and 10000),
    waste_pct          double precision check (waste_pct between 0 and 100),
    base               jsonb       not null default '{}',
    foam_mm            double precision not null check (foam_mm between 0 and 500),
    vapour_retarder    boolean     not null,
    reinforced         boolean     not null,
    exposure           text        not null check (exposure in ('', 'C0', 'C1', 'C2', 'prestressed')),
    service_category   int         not null check (service_category between 0 and 4),
    form_r_m2k_w       double precision check (form_r_m2k_w between 0 and 10),
    windbreak          boolean     not null,
    lights             boolean     not null,
    placed_temp_c      double precision check (placed_temp_c between -5 and 60),
    haul_min           double precision check (haul_min between 0 and 240),
    protection         jsonb       not null default '[]',
    protection_at_hand jsonb       not null default '[]',
    ground_cover       jsonb       not null default '[]',
    starts_at          timestamptz not null,
    occupied_until     timestamptz not null,
    cancel_by          timestamptz,
    state              text        not null default 'planned' check (state in ('planned', 'placed', 'released', 'cancelled')),
    placed_at          timestamptz,
    released_at        timestamptz,
    cancelled_at       timestamptz,

    verdict            text        not null default '' check (verdict in ('', 'place', 'protect', 'move', 'unscored')),
    worst_rule         text        not null default '',
    worst_reason       text        not null default '',
    worst_probability  double precision,
    severity           text        not null default '',
    assessed_at        timestamptz,
    assessment_id      uuid,
    next_window_at     timestamptz,

    constraint pours_occupied_until_check check (occupied_until > starts_at and occupied_until <= starts_at + interval '7 days'),
    constraint pours_placed_at_check check (state not in ('placed', 'released') or placed_at is not null),
    constraint pours_released_at_check check ((state = 'released') = (released_at is not null)),
    constraint pours_cancelled_at_check check ((state = 'cancelled') = (cancelled_at is not null)),
    -- One crew is not in two places.
    constraint pours_crew_id_excl exclude using gist (crew_id with =, tstzrange(starts_at, occupied_until) with &&)
        where (state in ('planned', 'placed'))
) with (fillfactor = 80); -- room for the latest assessment to be rewritten in place
create index pours_starts_idx on pours (starts_at, id);
create index pours_crew_idx on pours (crew_id, starts_at, id);
create index pours_plant_idx on pours (plant_id, starts_at, id);
create index pours_site_idx on pours (site_id, starts_at, id);
create index pours_mix_idx on pours (mix_id);
create index pours_live_idx on pours (starts_at, id) where state in ('planned', 'placed');
create trigger pours_audit after insert or delete on pours
    for each row execute function audit_change('verdict', 'worst_rule', 'worst_reason', 'worst_probability', 'severity',
        'assessed_at', 'assessment_id', 'next_window_at');
create trigger pours_audit_edit after update on pours
    for each row when (old.version <> new.version) execute function audit_change();

-- cells are the places that the weather sources answer for: a grid cell, a
-- station, a zone of warnings. Sites share them.
create table cells (
    id              uuid primary key,
    created_at      timestamptz not null,
    source          text        not null check (length(source) between 1 and 60),
    key             text        not null check (length(key) between 1 and 200),
    latitude        double precision not null check (latitude between -90 and 90),
    longitude       double precision not null check (longitude between -180 and 180),
    elevation_m     double precision,
    meta            jsonb       not null default '{}',
    etag            text        not null default '',
    last_modified   text        not null default '',
    expires_at      timestamptz,
    next_due_at     timestamptz not null,
    failures        int         not null default 0,
    last_error      text        not null default '',
    fetched_at      timestamptz,
    succeeded_at    timestamptz,
    latest_issue_id uuid,
    latest_issued_at timestamptz,
    constraint cells_key_key unique (source, key)
);
create index cells_due_idx on cells (next_due_at, id);

create table site_cells (
    site_id   uuid        not null references sites on delete cascade,
    source    text        not null,
    cell_id   uuid        not null references cells,
    linked_at timestamptz not null, -- or last found to be still so
    primary key (site_id, source)
);
create index site_cells_cell_idx on site_cells (cell_id);

-- issues are forecasts (or hours observed) as one source gave them at one time;
-- never changed, only thinned with age.
create table issues (
    id             uuid primary key,
    cell_id        uuid        not null references cells,
    kind           text        not null check (kind in ('forecast', 'observed')),
    model          text        not null default '',
    elevation_m    double precision check (elevation_m between -430 and 9000),
    issued_at      timestamptz not null,
    fetched_at     timestamptz not null,
    payload_sha256 bytea       not null check (length(payload_sha256) = 32),
    first_hour_at  timestamptz not null,
    last_hour_at   timestamptz not null,
    reach_at       timestamptz not null,
    hours          int         not null,
    body           bytea,
    constraint issues_payload_sha256_key unique (cell_id, issued_at, payload_sha256)
);
create index issues_cell_idx on issues (cell_id, issued_at desc, fetched_at desc);
create index issues_fetched_idx on issues (fetched_at);

-- forecast_hours are the normalised hours of an issue; null is not supplied,
-- never zero. There is no foreign key to issues: its check for every row would
-- halve the rate of COPY, and only the thinning of issues deletes here.
create table forecast_hours (
    issue_id             uuid        not null,
    at                   timestamptz not null,
    air_temp_c           double precision,
    dew_point_c          double precision,
    rel_humidity         double precision,
    wind_ms              double precision,
    gust_ms              double precision,
    wind_from_deg        double precision,
    cloud                double precision,
    shortwave_wm2        double precision,
    precip_mm            double precision,
    precip_prob          double precision,
    precip_prob_window_h smallint,
    precip_type          text        not null default '',
    snowfall_mm_swe      double precision,
    snowfall_depth_m     double precision,
    ice_accum_mm         double precision,
    snow_depth_m         double precision,
    soil_temps           jsonb,
    skin_temp_c          double precision,
    pressure_pa          double precision,
    air_temp_sd_c        double precision,
    wind_sd_ms           double precision,
    flags                bigint      not null default 0,
    primary key (issue_id, at)
);

-- lead_errors sums forecast minus observed by cell, variable and lead.
create table lead_errors (
    cell_id  uuid   not null references cells on delete cascade,
    variable text   not null,
    lead_h   int    not null,
    n        bigint not null,
    sum      double precision not null,
    sum_sq   double precision not null,
    primary key (cell_id, variable, lead_h)
);

-- warnings are the official weather warnings in force, by site.
create table warnings (
    site_id     uuid        not null references sites on delete cascade,
    source      text        not null,
    external_id text        not null,
    event       text        not null,
    severity    text        not null default '',
    headline    text        not null default '',
    onset_at    timestamptz not null,
    ends_at     timestamptz,
    sent_at     timestamptz,
    primary key (site_id, source, external_id)
);

create table assessments (
    id                   uuid primary key,
    pour_id              uuid        not null references pours on delete cascade,
    pour_version         bigint      not null,
    at                   timestamptz not null,
    cause                text        not null default '',
    verdict              text        not null check (verdict in ('place', 'protect', 'move', 'unscored')),
    worst_rule           text        not null default '',
    worst_reason         text        not null default '',
    worst_probability    double precision check (worst_probability between 0 and 1),
    severity             text        not null default '',
    next_window_at       timestamptz,
    inputs_hash          bytea       not null check (length(inputs_hash) = 32),
    engine_version       text        not null,
    issue_ids            uuid[]      not null default '{}',
    origins              jsonb       not null default '[]', -- which variable of the weather came from where
    p_base_frozen        double precision check (p_base_frozen between 0 and 1),
    p_freezes_early      double precision check (p_freezes_early between 0 and 1),
    p_finish_after_dusk  double precision check (p_finish_after_dusk between 0 and 1),
    p_finish_after_hours double precision check (p_finish_after_hours between 0 and 1),
    news                 boolean     not null,
    document             jsonb       not null
);
-- The fast compression where the server has it: documents are stored all day.
-- +goose StatementBegin
do $$ begin
    alter table assessments alter column document set compression lz4;
exception when others then -- built without it: the usual compression serves
    null;
end $$;
-- +goose StatementEnd
create index assessments_pour_idx on assessments (pour_id, at desc, id desc);
create index assessments_at_idx on assessments (at);

create table observations (
    id         uuid primary key,
    version    bigint      not null default 1,
    created_at timestamptz not null,
    updated_at timestamptz not null,
    pour_id    uuid        not null references pours on delete cascade,
    kind       text        not null check (kind in ('base_frozen', 'base_temp', 'concrete_temp', 'slump', 'slab_temp',
        'initial_set', 'final_set', 'blanket_on', 'blanket_off', 'cylinder_strength')),
    at         timestamptz not null,
    value      double precision not null check (value between -100 and 5000),
    depth_mm   double precision not null check (depth_mm between 0 and 5000),
    note       text        not null default '' check (length(note) <= 2000),
    who        text        not null
);
create index observations_pour_idx on observations (pour_id, at, id);
create index observations_created_idx on observations (created_at, id);
create trigger observations_audit after insert or update or delete on observations
    for each row execute function audit_change();

-- alerts are states of a pour or of a source, not messages: one row per subject
-- and kind for ever, with episodes (raised to cleared) and gap-free transitions.
create table alerts (
    id              uuid primary key,
    created_at      timestamptz not null,
    updated_at      timestamptz not null,
    subject         text        not null generated always as (coalesce(pour_id::text, source)) stored,
    pour_id         uuid references pours,
    source          text,
    kind            text        not null check (length(kind) between 1 and 100),
    condition       text        not null check (condition in ('arming', 'raised', 'clearing', 'cleared')),
    operator_state  text        not null default 'none' check (operator_state in ('none', 'acknowledged', 'shelved', 'closed')),
    severity        text        not null check (severity in ('indeterminate', 'warning', 'minor', 'major', 'critical')),
    verified        boolean     not null default true,
    chattering      boolean     not null default false,
    inhibited_by    uuid,
    episode         int         not null default 0,
    transition      int         not null default 0,
    reason          text        not null default '',
    detail          jsonb       not null default '{}',
    memory          jsonb       not null default '{}',
    raised_at       timestamptz,
    cleared_at      timestamptz,
    changed_at      timestamptz not null,
    noticed_at      timestamptz,
    acknowledged_by text        not null default '',
    acknowledged_at timestamptz,
    acknowledged_until timestamptz,
    ack_note        text        not null default '',
    shelved_by      text        not null default '',
    shelve_reason   text        not null default '',
    shelved_until   timestamptz,
    wake_at         timestamptz,
    escalation      int         not null default 0, -- rank that is told
    escalated_at    timestamptz,                    -- since when
    reminded_at     timestamptz,
    follow_at       timestamptz,                    -- when time alone may do the next thing
    constraint alerts_subject_key unique (subject, kind),
    constraint alerts_subject_check check ((pour_id is null) <> (source is null))
);
create index alerts_pour_idx on alerts (pour_id);
create index alerts_created_idx on alerts (created_at desc, id desc);
create index alerts_open_idx on alerts (changed_at desc, id desc) where condition in ('raised', 'clearing');
create index alerts_wake_idx on alerts (wake_at) where wake_at is not null;
create index alerts_follow_idx on alerts (follow_at) where follow_at is not null;

create table alert_transitions (
    alert_id       uuid        not null references alerts on delete cascade,
    number         int         not null check (number > 0),
    at             timestamptz not null,
    episode        int         not null,
    event          text        not null check (length(event) between 1 and 60),
    condition      text        not null,
    operator_state text        not null,
    severity       text        not null,
    verified       boolean     not null,
    reason         text        not null,
    detail         jsonb       not null default '{}',
    actor          text        not null,
    note           text        not null default '',
    assessment_id  uuid,
    primary key (alert_id, number)
);
create index alert_transitions_at_idx on alert_transitions (at);

create table endpoints (
    id              uuid primary key,
    version         bigint      not null default 1,
    created_at      timestamptz not null,
    updated_at      timestamptz not null,
    name            text        not null check (length(name) between 1 and 200),
    kind            text        not null check (length(kind) between 1 and 60),
    url_sealed      bytea       not null,
    host            text        not null,
    crew_ids        uuid[],
    plant_ids       uuid[],
    min_severity    text        not null default 'warning' check (min_severity in ('warning', 'minor', 'major', 'critical')),
    settings        jsonb       not null default '{}',
    state           text        not null default 'enabled' check (state in ('enabled', 'disabled')),
    state_reason    text        not null default '',
    state_at        timestamptz not null,
    failing_since   timestamptz,
    accepted_at     timestamptz,
    rank            int         not null default 0 check (rank between 0 and 9),
    delay_min       int         not null default 0 check (delay_min between 0 and 1440),
    folded          int         not null default 0, -- messages that the flood guard folded into others
    flooded_until   timestamptz                     -- until when it last did
);
create unique index endpoints_name_key on endpoints (lower(name));
create index endpoints_created_idx on endpoints (created_at, id);
create trigger endpoints_audit after insert or delete on endpoints
    for each row execute function audit_change('url_sealed', 'failing_since', 'accepted_at');
create trigger endpoints_audit_edit after update on endpoints
    for each row when (old.version <> new.version) execute function audit_change('url_sealed', 'failing_since', 'accepted_at');

-- Signing secrets of an endpoint; while one rotates out, two are valid.
create table endpoint_secrets (
    id          uuid primary key,
    endpoint_id uuid        not null references endpoints on delete cascade,
    created_at  timestamptz not null,
    sealed      bytea       not null,
    valid_until timestamptz
);
create index endpoint_secrets_endpoint_idx on endpoint_secrets (endpoint_id);
create trigger endpoint_secrets_audit after insert or update or delete on endpoint_secrets
    for each row execute function audit_change('sealed');

-- notices are what is worth saying, once; deliveries are one notice to one
-- endpoint, as the very bytes sent; attempts are single tries.
create table notices (
    id         uuid primary key,
    created_at timestamptz not null,
    alert_id   uuid references alerts,
    transition int,
    type       text        not null check (length(type) between 1 and 60),
    reason     text        not null default '',
    payload    bytea       not null,
    constraint notices_type_key unique (alert_id, transition, type),
    foreign key (alert_id, transition) references alert_transitions
);
create index notices_created_idx on notices (created_at, id);

create table deliveries (
    id              uuid primary key,
    created_at      timestamptz not null,
    updated_at      timestamptz not null,
    notice_id       uuid        not null references notices on delete cascade,
    endpoint_id     uuid        not null references endpoints on delete cascade,
    alert_id        uuid references alerts,
    transition      int,
    severity        text        not null default '',
    webhook_id      text        not null,
    content_type    text        not null,
    body            bytea       not null,
    state           text        not null default 'pending' check (state in ('pending', 'accepted', 'dead', 'superseded', 'suppressed')),
    reason          text        not null default '',
    attempts        int         not null default 0,
    next_attempt_at timestamptz,
    claimed_by      text        not null default '',
    claimed_until   timestamptz,
    settled_at      timestamptz,
    constraint deliveries_endpoint_id_key unique (notice_id, endpoint_id),
    constraint deliveries_webhook_id_key unique (webhook_id),
    constraint deliveries_next_attempt_at_check check ((state = 'pending') = (next_attempt_at is not null))
);
create index deliveries_due_idx on deliveries (endpoint_id, next_attempt_at, id) where state = 'pending';
create index deliveries_order_idx on deliveries (endpoint_id, alert_id, transition) where state = 'pending';
create index deliveries_endpoint_idx on deliveries (endpoint_id, created_at desc, id desc);
create index deliveries_alert_idx on deliveries (alert_id, transition);
create index deliveries_created_idx on deliveries (created_at desc, id desc);

-- tellings are rulings: whether an endpoint is told of a notice, when, by which
-- rule. One that waits becomes part of a delivery, with others or alone, or is
-- told to nobody for a reason.
create table tellings (
    id          uuid primary key,
    created_at  timestamptz not null,
    notice_id   uuid        not null references notices on delete cascade,
    endpoint_id uuid        not null references endpoints on delete cascade,
    alert_id    uuid references alerts,
    transition  int,
    severity    text        not null default '',
    ends        boolean     not null default false, -- it says that the alert is over
    ruling      text        not null check (ruling in ('now', 'hold', 'never')),
    rule        text        not null,
    sentence    text        not null,
    state       text        not null check (state in ('waiting', 'told', 'untold')),
    due_at      timestamptz,
    settled_at  timestamptz,
    delivery_id uuid references deliveries on delete set null,
    constraint tellings_notice_id_key unique (notice_id, endpoint_id),
    constraint tellings_state_check1 check ((state = 'waiting') = (settled_at is null))
);
create index tellings_waiting_idx on tellings (endpoint_id, due_at) where state = 'waiting';
create index tellings_alert_idx on tellings (alert_id, endpoint_id, transition);
create index tellings_delivery_idx on tellings (delivery_id);

-- suppressions are planned times in which alerts are not told: of the firm, or of
-- a site, a crew or a pour.
create table suppressions (
    id           uuid primary key,
    version      bigint      not null default 1,
    created_at   timestamptz not null,
    updated_at   timestamptz not null,
    site_id      uuid references sites,
    crew_id      uuid references crews,
    pour_id      uuid references pours on delete cascade,
    starts_at    timestamptz not null,
    ends_at      timestamptz not null,
    reason       text        not null check (length(reason) between 1 and 2000),
    critical_too boolean     not null default false,
    made_by      text        not null,
    closed_at    timestamptz, -- when its end was carried out
    constraint suppressions_ends_at_check check (ends_at > starts_at and ends_at <= starts_at + interval '92 days'),
    constraint suppressions_subject_check check (num_nonnulls(site_id, crew_id, pour_id) <= 1)
);
create index suppressions_starts_idx on suppressions (starts_at, id);
create index suppressions_open_idx on suppressions (ends_at) where closed_at is null;
create trigger suppressions_audit after insert or delete on suppressions
    for each row execute function audit_change();
create trigger suppressions_audit_edit after update on suppressions
    for each row when (old.version <> new.version) execute function audit_change();

create table attempts (
    delivery_id   uuid        not null references deliveries on delete cascade,
    number        int         not null,
    at            timestamptz not null,
    duration_ms   int         not null,
    outcome       text        not null check (outcome in ('accepted', 'retry', 'permanent', 'gone', 'unknown')),
    status        int,
    error         text        not null default '',
    response      text        not null default '',
    retry_after_s double precision,
    replica       text        not null default '',
    addresses     jsonb       not null default '[]', -- of a mail: what was said to each
    primary key (delivery_id, number)
);

-- calls are what the clock has to say of a pour, each once for each day that the
-- pour is to start on.
create table calls (
    pour_id   uuid        not null references pours on delete cascade,
    type      text        not null check (length(type) between 1 and 60),
    day       date        not null, -- of the start, in the site's zone
    at        timestamptz not null,
    until     timestamptz not null, -- when it is of no more use
    severity  text        not null check (severity in ('warning', 'minor', 'major', 'critical')),
    state     text        not null default 'waiting' check (state in ('waiting', 'said', 'missed')),
    notice_id uuid references notices on delete set null,
    primary key (pour_id, type, day)
);
create index calls_waiting_idx on calls (at) where state = 'waiting';

-- digests are the moments at which endpoints got theirs.
create table digests (
    endpoint_id uuid        not null references endpoints on delete cascade,
    at          timestamptz not null,
    notice_id   uuid references notices on delete set null,
    primary key (endpoint_id, at)
);

create table tokens (
    id           uuid primary key,
    version      bigint      not null default 1,
    created_at   timestamptz not null,
    updated_at   timestamptz not null,
    name         text        not null check (length(name) between 1 and 200),
    role         text        not null check (role in ('dispatcher', 'viewer', 'field')),
    crew_ids     uuid[],
    plant_ids    uuid[],
    hash         bytea       not null check (length(hash) = 32),
    prefix       text        not null check (length(prefix) <= 16),
    expires_at   timestamptz,
    revoked_at   timestamptz,
    last_used_at timestamptz,
    constraint tokens_hash_key unique (hash)
);
create index tokens_created_idx on tokens (created_at, id);
create trigger tokens_audit after insert or delete on tokens
    for each row execute function audit_change('hash', 'last_used_at');
create trigger tokens_audit_edit after update on tokens
    for each row when (old.version <> new.version) execute function audit_change('hash', 'last_used_at');

-- answers keep what a create was answered, by the client's key, for a day.
create table answers (
    token_id    uuid        not null,
    route       text        not null,
    key         text        not null check (length(key) between 1 and 255),
    fingerprint bytea       not null,
    created_at  timestamptz not null,
    status      int         not null,
    headers     jsonb       not null default '{}',
    body        bytea       not null,
    primary key (token_id, route, key)
);
create index answers_created_idx on answers (created_at);

-- replicas tell that they live; the jobs of one that fell silent are freed.
create table replicas (
    id         text primary key,
    started_at timestamptz not null,
    seen_at    timestamptz not null
);

-- hosts share the rate of calls to each outside host between replicas, and a
-- breaker: open after too many failures, then tried by one call.
create table hosts (
    host         text primary key,
    free_at      timestamptz not null,
    closed_until timestamptz,
    breaker      text        not null default 'shut' check (breaker in ('shut', 'open', 'trying')),
    counted_from timestamptz not null default '-infinity',
    calls        int         not null default 0,
    failures     int         not null default 0,
    skew_s       double precision
);

-- +goose Down
drop table hosts, replicas, answers, tokens, digests, calls, attempts, suppressions, tellings, deliveries, notices, endpoint_secrets, endpoints,
    alert_transitions, alerts, observations, assessments, warnings, lead_errors, forecast_hours, issues, site_cells, cells,
    pours, mixes, crews, plants, sites, firm, audit;
drop function audit_change;
