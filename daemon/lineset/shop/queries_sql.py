"""SQL of the board's questions that is longer than a line."""

from __future__ import annotations

VISIT = (
    "id, station, visit, journal, technician, phase, systems, opened_at, closed_at, sealed_at, first_received_at, "
    "last_received_at, removed_at, readings_removed_at, blocks, through, head"
)
WANT = (
    "v.station, v.visit, w.seq, w.at, w.system, w.about, w.sign, w.urgency, w.wants, "
    "(v.closed_at IS NOT NULL OR v.sealed_at IS NOT NULL) AS closed"
)
# the id whole or in part, the title, or any text of the nameplate (serial number, model)
OF_SYSTEM = (
    "EXISTS (SELECT FROM jsonb_array_elements(systems) each WHERE each ->> 'id' ILIKE ? OR each ->> 'title' ILIKE ? "
    "OR (each -> 'nameplate')::text ILIKE ?)"
)
STATES = {
    "open": "closed_at IS NULL AND sealed_at IS NULL AND removed_at IS NULL",
    "closed": "closed_at IS NOT NULL AND sealed_at IS NULL AND removed_at IS NULL",
    "sealed": "sealed_at IS NOT NULL AND removed_at IS NULL",
    "removed": "removed_at IS NOT NULL",
}
# Spans are of visit time, which never steps; each is told by the wall time in its middle.
SERIES = """
WITH found AS ({found}), span AS (SELECT min(t_ns) AS low, max(t_ns) AS high FROM found)
SELECT extract(epoch FROM min(at) + (max(at) - min(at)) / 2)::float8 AS t, min(value) AS low, max(value) AS high,
       count(*)::int AS n, min(unit) AS unit
FROM found, span
GROUP BY least((found.t_ns - span.low) * $5::bigint / greatest(span.high - span.low, 1), $5::bigint - 1)
ORDER BY 1
"""
SERIES_OF_READINGS = SERIES.format(
    found="SELECT at, t_ns, value, unit FROM lineset.reading WHERE month = $1 AND visit_id = $2 AND system = $3 "
    "AND point = $4 AND value IS NOT NULL AND at IS NOT NULL"
)
SERIES_OF_DERIVED = SERIES.format(
    found="SELECT at, t_ns, (\"values\" -> $4 ->> 0)::float8 AS value, '' AS unit FROM lineset.derived "
    'WHERE month = $1 AND visit_id = $2 AND system = $3 AND "values" ? $4 AND at IS NOT NULL '
    "AND jsonb_typeof(\"values\" -> $4 -> 0) = 'number'"
)
# By each station's last visits: over all that a shop ever held it would take seconds.
STATIONS = """
SELECT s.station, s.revoked_at, l.received_last_at,
       extract(epoch FROM now() - l.received_last_at)::float8 AS silent_s, coalesce(l.open_visit, '') AS open_visit
FROM lineset.station s LEFT JOIN LATERAL (
    SELECT max(v.last_received_at) AS received_last_at,
           max(v.visit) FILTER (WHERE v.closed_at IS NULL AND v.sealed_at IS NULL
                                AND v.last_received_at > now() - interval '1 day') AS open_visit
    FROM (SELECT visit, closed_at, sealed_at, last_received_at FROM lineset.visit WHERE station = s.station
          ORDER BY opened_at DESC, id DESC LIMIT 10) v
) l ON true
WHERE s.station > $1 ORDER BY s.station LIMIT $2
"""
INSTRUMENTS = """
WITH last AS (
    SELECT DISTINCT ON (v.station, c.instrument, c.channel)
           v.station, c.instrument, c.channel, c.quantity, c.identity, c.calibrated, c.calibration_due, c.certificate,
           v.opened_at AS seen_at
    FROM lineset.station s CROSS JOIN LATERAL (
        SELECT id, station, opened_at FROM lineset.visit WHERE station = s.station
        ORDER BY opened_at DESC, id DESC LIMIT $1
    ) v JOIN lineset.instrument_channel c ON c.visit_id = v.id
    WHERE s.revoked_at IS NULL AND ($3 = '' OR s.station = $3)
    ORDER BY v.station, c.instrument, c.channel, v.opened_at DESC, c.seq DESC
), told AS (
    SELECT *, concat_ws('/', station, instrument, channel) AS key,
           CASE WHEN calibration_due IS NULL THEN 'unknown' WHEN calibration_due < current_date THEN 'over'
                WHEN calibration_due <= current_date + $2::int THEN 'soon' ELSE 'good' END AS standing
    FROM last
)
SELECT * FROM told
WHERE ($4 = '' OR standing = $4)
  AND (NOT $8 OR (coalesce(calibration_due, 'infinity'), key) > (coalesce($5::date, 'infinity'), $6))
ORDER BY coalesce(calibration_due, 'infinity'), key LIMIT $7
"""
