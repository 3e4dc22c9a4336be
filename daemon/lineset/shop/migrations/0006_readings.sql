-- The rows of readings and derived values may go sooner than the rest: they take most of the room, and the blocks, which
-- stay, hold them all the same.
ALTER TABLE lineset.policy
    ADD COLUMN reading_months integer,   -- null: as long as the rest
    ADD CHECK (reading_months BETWEEN 1 AND months);
ALTER TABLE lineset.visit ADD COLUMN readings_removed_at timestamptz;
GRANT SELECT (readings_removed_at) ON lineset.visit TO lineset_board;

CREATE OR REPLACE VIEW record.visits AS
SELECT v.id AS visit_id, v.station, v.visit, v.journal, v.technician, v.phase, v.opened_at, v.closed_at,
       v.first_received_at, v.last_received_at, v.sealed_at, v.blocks, v.through, v.clock_ahead_s, v.removed_at,
       v.readings_removed_at
FROM lineset.visit v;
COMMENT ON COLUMN record.visits.readings_removed_at IS
    'UTC; when its readings and derived values were removed by the shop''s policy; null: they were not. The blocks stay';

-- Empties the partitions of a month's readings and derived values when nothing of its visits came since the months that
-- the policy keeps them. The partitions stay, so that what comes late has a place. As lineset.retain, this goes by the
-- owner's policy and the server's clock alone.
CREATE FUNCTION lineset.retain_readings(dry boolean) RETURNS TABLE (month date, visits bigint, bytes bigint)
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    parent text;
    part regclass;
    begins date;
    old record;
BEGIN
    PERFORM pg_advisory_xact_lock(7202, 1);
    SELECT date_trunc('month', now() AT TIME ZONE 'UTC') - make_interval(months => policy.reading_months) INTO begins
    FROM lineset.policy;
    IF begins IS NULL THEN
        RETURN;
    END IF;
    FOR old IN
        SELECT v.month AS first, count(*) AS n FROM lineset.visit v WHERE v.month < begins AND v.removed_at IS NULL
        GROUP BY v.month
        HAVING bool_and(v.last_received_at AT TIME ZONE 'UTC' < begins) AND bool_or(v.readings_removed_at IS NULL)
        ORDER BY v.month
    LOOP
        month := old.first;
        visits := old.n;
        bytes := 0;
        FOREACH parent IN ARRAY ARRAY['reading', 'derived'] LOOP
            part := to_regclass(format('lineset.%I', parent || to_char(old.first, '_YYYY_MM')));
            IF part IS NOT NULL THEN
                bytes := bytes + pg_total_relation_size(part);
                IF NOT dry THEN
                    EXECUTE format('TRUNCATE %s', part);
                END IF;
            END IF;
        END LOOP;
        IF NOT dry THEN
            UPDATE lineset.visit v SET readings_removed_at = now() WHERE v.month = old.first AND v.removed_at IS NULL;
        END IF;
        RETURN NEXT;
    END LOOP;
END
$$;
REVOKE ALL ON FUNCTION lineset.retain_readings FROM PUBLIC;
GRANT EXECUTE ON FUNCTION lineset.retain_readings TO lineset_collector;
