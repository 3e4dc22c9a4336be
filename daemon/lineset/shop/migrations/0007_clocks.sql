-- A clock that jumps must remove nothing. What is old is so by the shop's clock and by its station's: a visit that came
-- while the shop's clock was years behind has a month long past, and its station's clock tells that it is not old; and
-- a shop's clock that is years ahead is told by nobody else's. So the months that are kept are counted from the shop's
-- now, or from two months behind the latest that any station wrote down where that is earlier (a shop to which nothing
-- comes for longer removes nothing until something does).
CREATE FUNCTION lineset.kept_from(months integer) RETURNS date
LANGUAGE sql STABLE SET search_path = pg_catalog, pg_temp AS $$
    SELECT (date_trunc('month', least(now(), max(greatest(v.opened_at, v.closed_at)) + interval '2 months')
                                AT TIME ZONE 'UTC') - make_interval(months => kept_from.months))::date
    FROM lineset.visit v
$$;
REVOKE ALL ON FUNCTION lineset.kept_from FROM PUBLIC;

-- Whether a visit is of a day since `begins` by its station's clock; one that is days ahead tells nothing.
CREATE FUNCTION lineset.is_of(visit lineset.visit, begins date) RETURNS boolean
LANGUAGE sql STABLE SET search_path = pg_catalog, pg_temp AS $$
    SELECT coalesce(
        greatest(visit.opened_at, visit.closed_at)
            BETWEEN (begins::timestamp AT TIME ZONE 'UTC') AND now() + interval '1 day',
        false
    )
$$;
REVOKE ALL ON FUNCTION lineset.is_of FROM PUBLIC;

-- As before, by these two.
CREATE OR REPLACE FUNCTION lineset.retain(dry boolean) RETURNS TABLE (month date, visits bigint, bytes bigint)
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    parent text;
    part text;
    begins date;
    old record;
BEGIN
    PERFORM pg_advisory_xact_lock(7202, 1);
    SELECT lineset.kept_from(policy.months) INTO begins FROM lineset.policy;
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
              WHERE v.month = to_date(right(c.relname, 7), 'YYYY_MM')
                AND (v.last_received_at AT TIME ZONE 'UTC' >= begins OR lineset.is_of(v, begins))
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

CREATE OR REPLACE FUNCTION lineset.retain_readings(dry boolean) RETURNS TABLE (month date, visits bigint, bytes bigint)
LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    parent text;
    part regclass;
    begins date;
    old record;
BEGIN
    PERFORM pg_advisory_xact_lock(7202, 1);
    SELECT lineset.kept_from(policy.reading_months) INTO begins FROM lineset.policy;
    IF begins IS NULL THEN
        RETURN;
    END IF;
    FOR old IN
        SELECT v.month AS first, count(*) AS n FROM lineset.visit v WHERE v.month < begins AND v.removed_at IS NULL
        GROUP BY v.month
        HAVING bool_and(v.last_received_at AT TIME ZONE 'UTC' < begins AND NOT lineset.is_of(v, begins))
           AND bool_or(v.readings_removed_at IS NULL)
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
