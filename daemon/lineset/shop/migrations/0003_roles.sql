-- What each role may do, and no more. Record tables are never updated or emptied by anybody but the owner.
--   collector  stores: reads and adds; changes only how a visit stands, what waits and what was put aside
--   board      sees all but remarks and observations, photos, and the bytes of blocks
--   auditor    reads everything and changes nothing

GRANT USAGE ON SCHEMA lineset TO lineset_collector, lineset_board, lineset_auditor;

GRANT SELECT, INSERT ON
    lineset.block, lineset.reading, lineset.derived, lineset.event, lineset.settled, lineset.placement,
    lineset.check_verdict, lineset.finding, lineset.observation, lineset.photo, lineset.instrument_channel,
    lineset.station, lineset.visit
    TO lineset_collector;
GRANT UPDATE (public_key) ON lineset.station TO lineset_collector;
GRANT UPDATE (blocks, through, head, carried, technician, phase, systems, opened_at, closed_at, last_received_at,
              sealed_at, seal, clock_ahead_s, receipt_cleared_at) ON lineset.visit TO lineset_collector;
GRANT SELECT, INSERT, DELETE ON lineset.waiting_block TO lineset_collector;
GRANT SELECT, INSERT, UPDATE (times, taken_at, taken_by) ON lineset.set_aside TO lineset_collector;
GRANT SELECT, INSERT, UPDATE, DELETE ON lineset.collector TO lineset_collector;
GRANT SELECT ON lineset.policy, lineset.migration TO lineset_collector;
GRANT USAGE ON ALL SEQUENCES IN SCHEMA lineset TO lineset_collector;
GRANT EXECUTE ON FUNCTION lineset.make_month, lineset.retain TO lineset_collector;

GRANT SELECT ON
    lineset.reading, lineset.derived, lineset.settled, lineset.placement, lineset.check_verdict, lineset.finding,
    lineset.instrument_channel, lineset.station, lineset.collector, lineset.policy, lineset.migration
    TO lineset_board;
GRANT SELECT (id, station, visit, journal, month, meta, blocks, through, head, technician, phase, systems, opened_at,
              closed_at, first_received_at, last_received_at, sealed_at, seal, clock_ahead_s, receipt_cleared_at,
              removed_at) ON lineset.visit TO lineset_board;
GRANT SELECT (month, visit_id, n, first, last, rows, gaps, t_ns, previous, hash, received_at, collector)
    ON lineset.block TO lineset_board;
GRANT SELECT (id, station, visit, n, reason, words, sha256, received_at, times, taken_at, taken_by)
    ON lineset.set_aside TO lineset_board;
GRANT SELECT (station, visit, n, part, received_at) ON lineset.waiting_block TO lineset_board;

-- Events without what people wrote: remarks, observations and the commands that brought them have no body here; what
-- was noted beside a task or a handling of refrigerant, whose certificate that was, why a phase was forced, and the
-- station's configuration (files, links, serial numbers) are left out.
CREATE VIEW lineset.event_for_board AS
SELECT month, visit_id, seq, at, t_ns, kind, system, name,
       CASE WHEN kind IN ('note', 'observation', 'command', 'blob', 'introduced') OR jsonb_typeof(body) <> 'object'
            THEN NULL
            ELSE body - CASE WHEN kind IN ('phase', 'closed') THEN ARRAY['reason']
                             ELSE ARRAY['note', 'certified', 'config', 'technician'] END
       END AS body
FROM lineset.event;
GRANT SELECT ON lineset.event_for_board TO lineset_board;

-- What the shop is asked for, without the words that came with it.
CREATE VIEW lineset.wanted AS
SELECT month, visit_id, seq, at, system, about, sign, urgency, wants FROM lineset.observation;
GRANT SELECT ON lineset.wanted TO lineset_board;

GRANT SELECT ON ALL TABLES IN SCHEMA lineset TO lineset_auditor;
ALTER DEFAULT PRIVILEGES IN SCHEMA lineset GRANT SELECT ON TABLES TO lineset_auditor;
