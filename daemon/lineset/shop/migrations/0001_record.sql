-- The shop's record: what stations sent, exactly once, as the bytes that were hashed and as tables to ask.
-- SI units throughout (RFC 8428 symbols in `unit`); `at` is UTC by the station's clock as it stood then; `t_ns` is
-- visit time. A visit lies whole in the partition of the month in which its first block reached the shop (`month`).

CREATE SCHEMA IF NOT EXISTS lineset;

-- Rights are given to these (0003_roles.sql). They are made here without a login where nobody made them before; whoever
-- may make no roles has them made by the database's administrator.
DO $$
DECLARE
    role text;
BEGIN
    FOREACH role IN ARRAY ARRAY['lineset_collector', 'lineset_board', 'lineset_auditor'] LOOP
        IF NOT EXISTS (SELECT FROM pg_catalog.pg_roles WHERE rolname = role) THEN
            EXECUTE format('CREATE ROLE %I NOLOGIN', role);
        END IF;
    END LOOP;
END
$$;

CREATE TABLE lineset.station (
    station text PRIMARY KEY,
    public_key bytea,                    -- Ed25519, as first seen of a logged-in station, or as given
    added_at timestamptz NOT NULL DEFAULT now(),
    revoked_at timestamptz
);

CREATE TABLE lineset.visit (
    id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    station text NOT NULL REFERENCES lineset.station,
    visit text NOT NULL,
    journal text NOT NULL,               -- 32 hex digits, given when the journal was made
    month date NOT NULL,                 -- first day of the month of the first receipt: names the partition
    meta jsonb NOT NULL,                 -- what the hash chain begins with
    blocks integer NOT NULL DEFAULT 0,   -- received without a hole
    through bigint NOT NULL DEFAULT 0,   -- last seq of those
    head bytea NOT NULL,                 -- hash of the last of those, or genesis
    carried bytea,                       -- what the next block needs: counts, clock, channels, placements; JSON
    technician text NOT NULL DEFAULT '',
    phase text NOT NULL DEFAULT '',
    systems jsonb NOT NULL DEFAULT '[]',
    opened_at timestamptz,
    closed_at timestamptz,
    first_received_at timestamptz NOT NULL DEFAULT now(),
    last_received_at timestamptz NOT NULL DEFAULT now(),
    sealed_at timestamptz,               -- when the seal reached the shop
    seal jsonb,                          -- as in the contract (SealRecord)
    clock_ahead_s double precision,      -- most that the station's clock was ahead of the shop's when a block came
    receipt_cleared_at timestamptz,      -- when the final receipt was taken off the broker
    removed_at timestamptz,              -- when the record was removed by the shop's policy; the row remains
    UNIQUE (station, visit)
);
CREATE INDEX visit_by_opening ON lineset.visit (opened_at DESC, id DESC);
CREATE INDEX visit_by_month ON lineset.visit (month);

-- The bytes themselves: zlib of the framed rows, and when each block came.
CREATE TABLE lineset.block (
    month date NOT NULL,
    visit_id bigint NOT NULL,
    n integer NOT NULL,
    first bigint NOT NULL,
    last bigint NOT NULL,
    rows integer NOT NULL,
    gaps integer NOT NULL,
    t_ns bigint NOT NULL,
    previous bytea NOT NULL,
    hash bytea NOT NULL,
    data bytea NOT NULL,
    received_at timestamptz NOT NULL,
    collector text NOT NULL,
    PRIMARY KEY (month, visit_id, n)
) PARTITION BY RANGE (month);

-- One row for each value that an instrument sent; `n` counts the values of a frame from 0. Values are as sent, brought
-- to SI; a calibration's correction is not in them.
CREATE TABLE lineset.reading (
    month date NOT NULL,
    visit_id bigint NOT NULL,
    seq bigint NOT NULL,
    n integer NOT NULL,
    at timestamptz,          -- null where the clock's year is none that a calendar has
    t_ns bigint NOT NULL,
    instrument text NOT NULL,
    channel text NOT NULL,
    system text NOT NULL DEFAULT '',     -- empty: the channel sat nowhere
    point text NOT NULL DEFAULT '',
    value double precision,              -- SI; null when the instrument sent none, or a flag
    unit text NOT NULL DEFAULT '',
    sent double precision,               -- as sent, in sent_unit
    sent_unit text NOT NULL DEFAULT '',
    flag text NOT NULL DEFAULT '',
    PRIMARY KEY (month, visit_id, seq, n)
) PARTITION BY RANGE (month);

-- All derived values of a system at once, once a second: name -> [value, standard uncertainty], SI.
CREATE TABLE lineset.derived (
    month date NOT NULL,
    visit_id bigint NOT NULL,
    seq bigint NOT NULL,
    at timestamptz,
    t_ns bigint NOT NULL,
    system text NOT NULL,
    "values" jsonb NOT NULL,
    PRIMARY KEY (month, visit_id, seq)
) PARTITION BY RANGE (month);

-- Every other entry as it was recorded (frames, derived values, ticks and parts of photos are not among them).
CREATE TABLE lineset.event (
    month date NOT NULL,
    visit_id bigint NOT NULL,
    seq bigint NOT NULL,
    at timestamptz,
    t_ns bigint NOT NULL,
    kind text NOT NULL,
    system text NOT NULL DEFAULT '',
    name text NOT NULL DEFAULT '',
    body jsonb NOT NULL,
    PRIMARY KEY (month, visit_id, seq)
) PARTITION BY RANGE (month);
CREATE INDEX event_by_kind ON lineset.event (visit_id, kind, seq);

CREATE TABLE lineset.settled (
    month date NOT NULL,
    visit_id bigint NOT NULL,
    seq bigint NOT NULL,
    at timestamptz,
    system text NOT NULL,
    phase text NOT NULL,
    name text NOT NULL,
    settled boolean NOT NULL,            -- false: it stopped being steady
    value double precision,
    unit text NOT NULL DEFAULT '',
    u double precision,                  -- standard uncertainty, in the same unit
    low double precision,                -- 95 % interval
    high double precision,
    instrument text NOT NULL DEFAULT '',
    channel text NOT NULL DEFAULT '',
    origin text NOT NULL DEFAULT '',
    reason text NOT NULL DEFAULT '',
    PRIMARY KEY (month, visit_id, seq)
) PARTITION BY RANGE (month);

CREATE TABLE lineset.placement (
    month date NOT NULL,
    visit_id bigint NOT NULL,
    seq bigint NOT NULL,
    at timestamptz,
    instrument text NOT NULL,
    channel text NOT NULL,
    system text NOT NULL,                -- empty: taken away
    point text NOT NULL,
    by text NOT NULL,
    supersedes bigint NOT NULL,
    PRIMARY KEY (month, visit_id, seq)
) PARTITION BY RANGE (month);

CREATE TABLE lineset.check_verdict (
    month date NOT NULL,
    visit_id bigint NOT NULL,
    seq bigint NOT NULL,
    at timestamptz,
    system text NOT NULL,
    phase text NOT NULL,
    name text NOT NULL,
    title text NOT NULL,
    state text NOT NULL,                 -- pass, fail, undecided, not_applicable, advisory
    value double precision,
    unit text NOT NULL,
    u double precision,
    target double precision,
    low double precision,
    high double precision,
    probability double precision,        -- that the true value conforms
    rule text NOT NULL,
    source text NOT NULL,
    reason text NOT NULL,
    PRIMARY KEY (month, visit_id, seq)
) PARTITION BY RANGE (month);

CREATE TABLE lineset.finding (
    month date NOT NULL,
    visit_id bigint NOT NULL,
    seq bigint NOT NULL,
    at timestamptz,
    system text NOT NULL,
    phase text NOT NULL,
    id text NOT NULL,
    title text NOT NULL,
    state text NOT NULL,                 -- open, withdrawn
    category text NOT NULL,
    rank integer NOT NULL,
    confidence text NOT NULL,
    meaning text NOT NULL,
    next_step text NOT NULL,
    PRIMARY KEY (month, visit_id, seq)
) PARTITION BY RANGE (month);

-- What people saw and said: observations, and remarks (kind note). Access-controlled, like photos.
CREATE TABLE lineset.observation (
    month date NOT NULL,
    visit_id bigint NOT NULL,
    seq bigint NOT NULL,
    at timestamptz,
    system text NOT NULL,
    about text NOT NULL,
    sign text NOT NULL,
    text text NOT NULL,
    photo text NOT NULL,
    urgency text NOT NULL,
    wants text[] NOT NULL DEFAULT '{}',  -- part, approval, return_visit
    by text NOT NULL,
    PRIMARY KEY (month, visit_id, seq)
) PARTITION BY RANGE (month);

CREATE TABLE lineset.photo (
    month date NOT NULL,
    visit_id bigint NOT NULL,
    seq bigint NOT NULL,                 -- entry of this part
    sha256 text NOT NULL,                -- of the whole
    media_type text NOT NULL,
    size bigint NOT NULL,
    part integer NOT NULL,
    parts integer NOT NULL,
    data bytea NOT NULL,
    PRIMARY KEY (month, visit_id, seq)
) PARTITION BY RANGE (month);
CREATE INDEX photo_by_hash ON lineset.photo (visit_id, sha256, part);

-- An instrument as a visit introduced it, with its calibration: one row a channel; once more when its identity is known.
CREATE TABLE lineset.instrument_channel (
    visit_id bigint NOT NULL,
    seq bigint NOT NULL,
    instrument text NOT NULL,
    channel text NOT NULL,
    profile text NOT NULL,
    profile_sha256 text NOT NULL,
    identity text NOT NULL DEFAULT '',   -- of the device, as far as it tells
    quantity text NOT NULL,
    calibrated date,
    calibration_due date,
    certificate text NOT NULL DEFAULT '',
    PRIMARY KEY (visit_id, seq, channel)
);

-- Blocks that wait for one before them, or for their other parts.
CREATE TABLE lineset.waiting_block (
    station text NOT NULL,
    visit text NOT NULL,
    n integer NOT NULL,
    part integer NOT NULL,
    parts integer NOT NULL,
    hash bytea NOT NULL,                 -- that the whole block says it has
    sha256 bytea NOT NULL,               -- of the payload
    payload bytea NOT NULL,
    received_at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (station, visit, n, part, sha256)
);

-- What was not taken, whole, with the reason; never dropped by the program.
CREATE TABLE lineset.set_aside (
    id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    station text NOT NULL,
    visit text NOT NULL,
    n integer,
    reason text NOT NULL,                -- as `problem` of a receipt
    words text NOT NULL,
    sha256 bytea NOT NULL,               -- of the payload
    payload bytea NOT NULL,
    received_at timestamptz NOT NULL DEFAULT now(),
    times integer NOT NULL DEFAULT 1,    -- how often the same came
    taken_at timestamptz,                -- when it was taken after all (a newer program), or put away by a person
    taken_by text NOT NULL DEFAULT '',
    UNIQUE (station, visit, sha256)
);

-- Who shares the work: a collector that was not heard of for some seconds has no share.
CREATE TABLE lineset.collector (
    name text PRIMARY KEY,
    started_at timestamptz NOT NULL DEFAULT now(),
    heard_at timestamptz NOT NULL DEFAULT now()
);

-- For how many months the record is kept (written by the owner from the shop's settings), and since when.
CREATE TABLE lineset.policy (
    one boolean PRIMARY KEY DEFAULT true CHECK (one),
    months integer NOT NULL CHECK (months >= 1),
    since timestamptz NOT NULL DEFAULT now()
);

-- The tables that are partitioned by month.
CREATE FUNCTION lineset.monthly() RETURNS text[] LANGUAGE sql IMMUTABLE AS $$
    SELECT ARRAY['block', 'reading', 'derived', 'event', 'settled', 'placement', 'check_verdict', 'finding', 'observation',
                 'photo']
$$;

-- Makes what is missing of a month's partitions; only the month that it is, the one before and the two after. Runs with
-- the owner's rights, so that a collector owns no table. Attaching takes no lock that readers or writers wait for.
CREATE FUNCTION lineset.make_month(wanted date) RETURNS boolean LANGUAGE plpgsql SECURITY DEFINER
SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    parent text;
    part text;
    made boolean := false;
    present date := date_trunc('month', now() AT TIME ZONE 'UTC')::date;
BEGIN
    IF wanted <> date_trunc('month', wanted::timestamp)::date
       OR wanted < present - interval '1 month' OR wanted > present + interval '2 months' THEN
        RAISE EXCEPTION 'no partitions are made for %', wanted;
    END IF;
    PERFORM pg_advisory_xact_lock(7202, 1);
    FOREACH parent IN ARRAY lineset.monthly() LOOP
        part := parent || to_char(wanted, '_YYYY_MM');
        IF to_regclass(format('lineset.%I', part)) IS NULL THEN
            EXECUTE format('CREATE TABLE lineset.%I (LIKE lineset.%I INCLUDING ALL)', part, parent);
            EXECUTE format('ALTER TABLE lineset.%I ATTACH PARTITION lineset.%I FOR VALUES FROM (%L) TO (%L)', parent,
                           part, wanted, (wanted + interval '1 month')::date);
            made := true;
        END IF;
    END LOOP;
    RETURN made;
END
$$;
REVOKE ALL ON FUNCTION lineset.make_month FROM PUBLIC;

-- Removes the months that the policy no longer keeps: every visit of such a month last sent something before the month
-- that the policy begins with. The visits' own rows remain and say when the rest was removed. Nothing is removed while
-- there is no policy. Runs with the owner's rights: a collector can set off what the owner decided, and nothing else.
CREATE FUNCTION lineset.retain(dry boolean) RETURNS TABLE (month date, visits bigint, bytes bigint)
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    parent text;
    part text;
    begins date;
    old record;
BEGIN
    PERFORM pg_advisory_xact_lock(7202, 1);
    SELECT date_trunc('month', now() AT TIME ZONE 'UTC') - make_interval(months => policy.months) INTO begins
    FROM lineset.policy;
    IF begins IS NULL THEN
        RETURN;
    END IF;
    FOR old IN
        SELECT to_date(right(c.relname, 7), 'YYYY_MM') AS first
        FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid
        WHERE i.inhparent = 'lineset.block'::regclass AND c.relname ~ '^block_[0-9]{4}_[0-9]{2}$'
          AND to_date(right(c.relname, 7), 'YYYY_MM') < begins
          AND NOT EXISTS (
              SELECT FROM lineset.visit v
              WHERE v.month = to_date(right(c.relname, 7), 'YYYY_MM') AND v.last_received_at AT TIME ZONE 'UTC' >= begins
          )
        ORDER BY 1
    LOOP
        month := old.first;
        SELECT count(*) INTO visits FROM lineset.visit v WHERE v.month = old.first;
        bytes := 0;
        FOREACH parent IN ARRAY lineset.monthly() LOOP
            part := parent || to_char(old.first, '_YYYY_MM');
            IF to_regclass(format('lineset.%I', part)) IS NOT NULL THEN
                bytes := bytes + pg_total_relation_size(to_regclass(format('lineset.%I', part)));
                IF NOT dry THEN
                    EXECUTE format('ALTER TABLE lineset.%I DETACH PARTITION lineset.%I', parent, part);
                    EXECUTE format('DROP TABLE lineset.%I', part);
                END IF;
            END IF;
        END LOOP;
        IF NOT dry THEN
            DELETE FROM lineset.instrument_channel c USING lineset.visit v
            WHERE v.month = old.first AND c.visit_id = v.id;
            UPDATE lineset.visit v SET removed_at = now(), carried = NULL WHERE v.month = old.first;
        END IF;
        RETURN NEXT;
    END LOOP;
END
$$;
REVOKE ALL ON FUNCTION lineset.retain FROM PUBLIC;
