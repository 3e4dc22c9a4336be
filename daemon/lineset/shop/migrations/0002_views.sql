-- Views for people, panels and exports: names instead of numbers, one row a thing, every column with its meaning and unit
-- (\d+ in psql, columns.json beside an export). Figures are SI, units are RFC 8428 symbols, times are UTC.
-- Whoever shows live jobs may read all of it but what people wrote and photographed: those two views are the auditor's.

CREATE SCHEMA record;
COMMENT ON SCHEMA record IS 'The shop''s record as views for people: SI units, UTC, every column commented.';

-- Which points a check rests on, at the end of all derivations. A test holds it to the program's own catalogue.
CREATE TABLE lineset.check_point (
    check_name text NOT NULL,
    point text NOT NULL,
    PRIMARY KEY (check_name, point)
);
INSERT INTO lineset.check_point (check_name, point) VALUES
    ('superheat', 'vapor_service_pressure'), ('superheat', 'vapor_line_temperature'),
    ('lowest_superheat', 'vapor_service_pressure'), ('lowest_superheat', 'vapor_line_temperature'),
    ('subcooling', 'liquid_service_pressure'), ('subcooling', 'liquid_line_temperature'),
    ('metering_device', 'vapor_service_pressure'), ('metering_device', 'vapor_line_temperature'),
    ('split', 'return_air_temperature'), ('split', 'supply_air_temperature'),
    ('herm_capacitor_under_load', 'herm_lead_current'), ('herm_capacitor_under_load', 'capacitor_herm_voltage'),
    ('herm_capacitor_bench', 'herm_capacitance'), ('fan_capacitor_under_load', 'fan_capacitor_lead_current'),
    ('fan_capacitor_under_load', 'capacitor_fan_voltage'), ('fan_capacitor_bench', 'fan_capacitance'),
    ('blower_capacitor_bench', 'blower_capacitance'), ('compressor_amps', 'compressor_common_current'),
    ('outdoor_fan_amps', 'outdoor_fan_current'), ('blower_amps', 'blower_current'),
    ('strip_amps', 'heat_strip_current'), ('strips_off', 'heat_strip_current'), ('line_voltage', 'line_voltage'),
    ('voltage_unbalance', 'line_voltage_ab'), ('voltage_unbalance', 'line_voltage_bc'),
    ('voltage_unbalance', 'line_voltage_ca'), ('control_voltage', 'control_voltage'),
    ('contactor_drop', 'contactor_drop'), ('static', 'return_static'), ('static', 'supply_static'),
    ('charge', 'vapor_service_pressure'), ('charge', 'vapor_line_temperature'),
    ('charge', 'liquid_service_pressure'), ('charge', 'liquid_line_temperature');

CREATE VIEW record.visits AS
SELECT v.id AS visit_id, v.station, v.visit, v.journal, v.technician, v.phase, v.opened_at, v.closed_at,
       v.first_received_at, v.last_received_at, v.sealed_at, v.blocks, v.through, v.clock_ahead_s, v.removed_at
FROM lineset.visit v;
COMMENT ON VIEW record.visits IS 'One row a visit. A visit is an opaque reference: no name or address is in the record.';

CREATE VIEW record.systems AS
SELECT v.id AS visit_id, v.station, v.visit, v.opened_at, s.system ->> 'id' AS system,
       s.system ->> 'refrigerant' AS refrigerant, s.system ->> 'metering_device' AS metering_device,
       s.system ->> 'kind' AS kind, s.system ->> 'capacity_control' AS capacity_control,
       (s.system #>> '{nameplate,capacity_w}')::double precision AS capacity_w,
       (s.system #>> '{nameplate,herm_capacitor_f}')::double precision AS herm_capacitor_f,
       (s.system #>> '{nameplate,fan_capacitor_f}')::double precision AS fan_capacitor_f,
       (s.system #>> '{nameplate,blower_capacitor_f}')::double precision AS blower_capacitor_f,
       (s.system #>> '{nameplate,capacitor_tolerance}')::double precision AS capacitor_tolerance,
       (s.system #>> '{nameplate,year_made}')::integer AS year_made,
       (s.system #>> '{nameplate,year_installed}')::integer AS year_installed
FROM lineset.visit v
CROSS JOIN LATERAL jsonb_array_elements(
    CASE WHEN jsonb_typeof(v.systems) = 'array' THEN v.systems ELSE '[]' END) AS s (system);
COMMENT ON VIEW record.systems IS 'One row a system of a visit, as last described in it.';

CREATE VIEW record.readings AS
SELECT r.visit_id, v.station, v.visit, r.seq, r.n, r.at, r.t_ns / 1e9::double precision AS t_s, r.instrument, r.channel,
       r.system, r.point, r.value, r.unit, r.sent, r.sent_unit, r.flag
FROM lineset.reading r JOIN lineset.visit v ON v.id = r.visit_id AND v.month = r.month;
COMMENT ON VIEW record.readings IS
    'Every value that an instrument sent. In SI, without the correction of a calibration; settled_values have it.';

CREATE VIEW record.derived_values AS
SELECT d.visit_id, v.station, v.visit, d.seq, d.at, d.t_ns / 1e9::double precision AS t_s, d.system, each.key AS name,
       (each.value ->> 0)::double precision AS value, (each.value ->> 1)::double precision AS u
FROM lineset.derived d JOIN lineset.visit v ON v.id = d.visit_id AND v.month = d.month
CROSS JOIN LATERAL jsonb_each(CASE WHEN jsonb_typeof(d."values") = 'object' THEN d."values" ELSE '{}' END) AS each;
COMMENT ON VIEW record.derived_values IS 'Superheat, subcooling, split and all other derived values, once a second.';

CREATE VIEW record.settled_values AS
SELECT s.visit_id, v.station, v.visit, s.seq, s.at, s.system, s.phase, s.name, s.value, s.unit, s.u, s.low, s.high,
       s.instrument, s.channel, s.origin
FROM lineset.settled s JOIN lineset.visit v ON v.id = s.visit_id AND v.month = s.month
WHERE s.settled;
COMMENT ON VIEW record.settled_values IS 'What became steady enough for a verdict: the window''s mean, corrected.';

CREATE VIEW record.verdicts AS
SELECT c.visit_id, v.station, v.visit, c.seq, c.at, c.system, c.phase, c.name, c.title, c.state, c.value, c.unit, c.u,
       c.target, c.low, c.high, c.probability, c.rule, c.source, c.reason,
       c.seq = max(c.seq) OVER (PARTITION BY c.visit_id, c.system, c.phase, c.name) AS is_last
FROM lineset.check_verdict c JOIN lineset.visit v ON v.id = c.visit_id AND v.month = c.month;
COMMENT ON VIEW record.verdicts IS 'Every verdict of a check, whenever it changed; is_last marks the one that stands.';

CREATE VIEW record.findings AS
SELECT f.visit_id, v.station, v.visit, f.seq, f.at, f.system, f.phase, f.id, f.title, f.state, f.category, f.rank,
       f.confidence, f.meaning, f.next_step,
       f.seq = max(f.seq) OVER (PARTITION BY f.visit_id, f.system, f.phase, f.id) AS is_last
FROM lineset.finding f JOIN lineset.visit v ON v.id = f.visit_id AND v.month = f.month;
COMMENT ON VIEW record.findings IS 'What explains the readings of a running system, whenever that changed.';

CREATE VIEW record.placements AS
SELECT p.visit_id, v.station, v.visit, p.seq, p.at, p.instrument, p.channel, p.system, p.point, p.by, p.supersedes
FROM lineset.placement p JOIN lineset.visit v ON v.id = p.visit_id AND v.month = p.month;
COMMENT ON VIEW record.placements IS 'Where each channel was said to sit, from this entry on.';

CREATE VIEW record.instruments AS
SELECT i.visit_id, v.station, v.visit, i.seq, i.instrument, i.channel, i.profile, i.profile_sha256, i.identity,
       i.quantity, i.calibrated, i.calibration_due, i.certificate,
       COALESCE(v.opened_at, v.first_received_at)::date <= i.calibration_due AS valid_at_opening
FROM lineset.instrument_channel i JOIN lineset.visit v ON v.id = i.visit_id;
COMMENT ON VIEW record.instruments IS 'Channels of instruments as a visit introduced them, with their calibration.';

-- The calibration of each settled value's channel on the day that it was read.
CREATE VIEW record.calibrations_used AS
SELECT s.visit_id, v.station, v.visit, s.seq, s.at, s.system, s.phase, s.name, s.instrument, s.channel, i.identity,
       i.quantity, i.calibrated, i.calibration_due, i.certificate,
       CASE WHEN i.calibration_due IS NOT NULL THEN (s.at AT TIME ZONE 'UTC')::date <= i.calibration_due END AS valid
FROM lineset.settled s JOIN lineset.visit v ON v.id = s.visit_id AND v.month = s.month
LEFT JOIN LATERAL (
    SELECT c.* FROM lineset.instrument_channel c
    WHERE c.visit_id = s.visit_id AND c.instrument = s.instrument AND c.channel = s.channel AND c.seq <= s.seq
    ORDER BY c.seq DESC LIMIT 1
) i ON true
WHERE s.settled AND s.instrument <> '';
COMMENT ON VIEW record.calibrations_used IS 'For each settled value its channel''s calibration, and whether it held that day.';

-- What a verdict rests on: for each of its points the channel whose value had settled last when it was given, or, where
-- nothing had settled there, the channels that sat there.
CREATE VIEW record.verdict_calibrations AS
SELECT c.visit_id, v.station, v.visit, c.seq, c.at, c.system, c.phase, c.name, c.title, c.state, c.is_last, p.point,
       used.instrument, used.channel, i.identity, i.calibrated, i.calibration_due,
       COALESCE((used.at AT TIME ZONE 'UTC')::date > i.calibration_due, false) AS expired
FROM (
    SELECT *, seq = max(seq) OVER (PARTITION BY visit_id, system, phase, name) AS is_last FROM lineset.check_verdict
) c
JOIN lineset.visit v ON v.id = c.visit_id AND v.month = c.month
JOIN lineset.check_point p ON p.check_name = split_part(c.name, '.', 1)
LEFT JOIN LATERAL (
    SELECT s.instrument, s.channel, s.at FROM lineset.settled s
    WHERE s.month = c.month AND s.visit_id = c.visit_id AND s.seq < c.seq AND s.system = c.system AND s.settled
      AND s.instrument <> '' AND s.name IN (p.point, p.point || '.' || split_part(c.name, '.', 2))
    ORDER BY s.seq DESC LIMIT 1
) settled ON true
JOIN LATERAL (
    SELECT settled.instrument, settled.channel, settled.at WHERE settled.instrument IS NOT NULL
    UNION ALL
    SELECT there.instrument, there.channel, c.at FROM (
        SELECT DISTINCT ON (l.instrument, l.channel) l.instrument, l.channel, l.system, l.point
        FROM lineset.placement l WHERE l.month = c.month AND l.visit_id = c.visit_id AND l.seq < c.seq
        ORDER BY l.instrument, l.channel, l.seq DESC
    ) there
    WHERE settled.instrument IS NULL AND there.system = c.system
      AND there.point IN (p.point, p.point || '.' || split_part(c.name, '.', 2))
) used ON true
LEFT JOIN LATERAL (
    SELECT k.identity, k.calibrated, k.calibration_due FROM lineset.instrument_channel k
    WHERE k.visit_id = c.visit_id AND k.instrument = used.instrument AND k.channel = used.channel AND k.seq <= c.seq
    ORDER BY k.seq DESC LIMIT 1
) i ON true
WHERE c.state IN ('pass', 'fail', 'undecided', 'advisory');
COMMENT ON VIEW record.verdict_calibrations IS
    'One row a verdict, point and channel that it rested on, and whether the channel''s calibration had run out by then.';

CREATE VIEW record.capacitor_history AS
SELECT DISTINCT ON (s.visit_id, s.system, s.name) s.visit_id, v.station, v.visit, s.at, s.system,
       split_part(s.name, '_', 1) AS capacitor,
       CASE WHEN s.name LIKE '%\_under\_load' THEN 'under_load' ELSE 'bench' END AS how,
       s.value AS capacitance_f, s.u AS u_f, y.rating_f, COALESCE(y.tolerance, 0.06) AS tolerance,
       y.tolerance IS NULL AS tolerance_assumed, y.rating_f * (1 - COALESCE(y.tolerance, 0.06)) AS limit_f,
       s.value / NULLIF(y.rating_f, 0) AS share_of_rating
FROM lineset.settled s JOIN lineset.visit v ON v.id = s.visit_id AND v.month = s.month
LEFT JOIN LATERAL (
    SELECT CASE split_part(s.name, '_', 1) WHEN 'herm' THEN x.herm_capacitor_f WHEN 'fan' THEN x.fan_capacitor_f
                                           ELSE x.blower_capacitor_f END AS rating_f,
           x.capacitor_tolerance AS tolerance
    FROM record.systems x WHERE x.visit_id = s.visit_id AND x.system = s.system
) y ON true
WHERE s.settled AND s.name IN ('herm_capacitance', 'fan_capacitance', 'blower_capacitance',
                               'herm_capacitance_under_load', 'fan_capacitance_under_load')
ORDER BY s.visit_id, s.system, s.name, s.seq DESC;
COMMENT ON VIEW record.capacitor_history IS
    'The last capacitance of each capacitor in each visit beside its marking. A system is known by its id: main is no id.';

CREATE VIEW record.clamp_comparison AS
WITH clamp AS (
    SELECT DISTINCT ON (s.visit_id, s.system, s.phase, s.name, s.instrument) s.visit_id, v.station, v.visit, s.at,
           s.system, s.phase, s.name AS conductor, s.instrument, s.channel,
           COALESCE(NULLIF((
               SELECT k.identity FROM lineset.instrument_channel k
               WHERE k.visit_id = s.visit_id AND k.instrument = s.instrument AND k.channel = s.channel AND k.seq <= s.seq
               ORDER BY k.seq DESC LIMIT 1), ''), v.station || '/' || s.instrument) AS meter,
           s.value AS current_a, s.u AS u_a
    FROM lineset.settled s JOIN lineset.visit v ON v.id = s.visit_id AND v.month = s.month
    WHERE s.settled AND s.unit = 'A' AND s.origin = 'instrument' AND s.system <> 'main'
      AND s.name NOT LIKE '%inrush%' AND s.value > 0
    ORDER BY s.visit_id, s.system, s.phase, s.name, s.instrument, s.seq DESC
)
SELECT a.visit_id, a.station, a.visit, a.at, a.system, a.phase, a.conductor, a.meter, a.instrument, a.channel,
       a.current_a, a.u_a, every.meters - 1 AS peer_meters, every.n - own.n AS peer_readings,
       (every.total - own.total) / (every.n - own.n) AS peer_mean_a,
       a.current_a * (every.n - own.n) / (every.total - own.total) - 1 AS part_off
FROM clamp a
JOIN (
    SELECT system, conductor, phase, count(*) AS n, sum(current_a) AS total, count(DISTINCT meter) AS meters
    FROM clamp GROUP BY system, conductor, phase
) every USING (system, conductor, phase)
JOIN (
    SELECT system, conductor, phase, meter, count(*) AS n, sum(current_a) AS total
    FROM clamp GROUP BY system, conductor, phase, meter
) own USING (system, conductor, phase, meter)
WHERE every.n > own.n;
COMMENT ON VIEW record.clamp_comparison IS
    'Each settled current beside what other meters read on the same conductor of the same system in the same phase.';

CREATE VIEW record.comparisons AS
SELECT e.visit_id, v.station, v.visit, e.seq, e.at, e.body ->> 'how' AS how, e.body ->> 'phase' AS phase,
       e.body ->> 'instrument' AS instrument, e.body ->> 'channel' AS channel, e.body ->> 'quantity' AS quantity,
       e.body ->> 'unit' AS unit, (e.body ->> 'offset')::double precision AS offset_value,
       (e.body ->> 'u')::double precision AS u, e.body ->> 'against' AS against,
       COALESCE((e.body ->> 'applied')::boolean, true) AS applied
FROM lineset.event e JOIN lineset.visit v ON v.id = e.visit_id AND v.month = e.month
WHERE e.kind = 'comparison';
COMMENT ON VIEW record.comparisons IS
    'Channels held against atmosphere or against each other while the system rested: what each reads too high.';

CREATE VIEW record.received AS
SELECT b.visit_id, v.station, v.visit, b.n, b.first, b.last, b.rows, b.gaps, b.received_at, b.collector,
       encode(b.hash, 'hex') AS hash
FROM lineset.block b JOIN lineset.visit v ON v.id = b.visit_id AND v.month = b.month;
COMMENT ON VIEW record.received IS 'When each block of a visit reached the shop, and the hash that vouches for it.';

-- The auditor's alone.
CREATE VIEW record.observations AS
SELECT o.visit_id, v.station, v.visit, o.seq, o.at, o.system, o.about, o.sign, o.text, o.photo, o.urgency, o.wants, o.by
FROM lineset.observation o JOIN lineset.visit v ON v.id = o.visit_id AND v.month = o.month;
COMMENT ON VIEW record.observations IS 'What people saw and said. Access-controlled: for the auditor.';

CREATE VIEW record.photos AS
SELECT p.visit_id, v.station, v.visit, min(p.seq) AS seq, p.sha256, p.media_type, p.size, count(*) AS parts_here,
       max(p.parts) AS parts
FROM lineset.photo p JOIN lineset.visit v ON v.id = p.visit_id AND v.month = p.month
GROUP BY p.visit_id, v.station, v.visit, p.sha256, p.media_type, p.size;
COMMENT ON VIEW record.photos IS 'Photos and recordings by their hash; their bytes are in lineset.photo. For the auditor.';

-- What each column holds. A view of its own is named where a column means something else there.
DO $$
DECLARE
    told record;
    meant text;
BEGIN
    CREATE TEMPORARY TABLE meaning (view_name text, column_name text, meaning text) ON COMMIT DROP;
    INSERT INTO meaning VALUES
        ('', 'visit_id', 'number of the visit in this database'),
        ('', 'station', 'name of the station (the van''s laptop)'),
        ('', 'visit', 'name of the visit, an opaque reference'),
        ('', 'journal', '32 hex digits that name the journal'),
        ('', 'technician', 'name or number of who did the work, as the station gave it'),
        ('', 'phase', 'phase of the visit: at_rest, before, work, drying, after'),
        ('visits', 'phase', 'phase that the visit is in, or ended in: at_rest, before, work, drying, after'),
        ('', 'opened_at', 'UTC, by the station''s clock; when the visit was opened'),
        ('', 'closed_at', 'UTC, by the station''s clock; when the visit was closed; null while it is open'),
        ('', 'first_received_at', 'UTC, by the shop''s clock; when its first block came'),
        ('', 'last_received_at', 'UTC, by the shop''s clock; when its newest block came'),
        ('', 'sealed_at', 'UTC, by the shop''s clock; when the seal came; null: not yet'),
        ('', 'blocks', 'number of blocks received without a hole'),
        ('', 'through', 'last entry of those blocks'),
        ('', 'clock_ahead_s', 's; most that the station''s clock was ahead of the shop''s when a block came'),
        ('', 'removed_at', 'UTC; when the record was removed by the shop''s policy; null: it is there'),
        ('', 'system', 'id of the system served; a system is known by it across visits, but for the id main'),
        ('', 'refrigerant', 'designation of the refrigerant'),
        ('', 'metering_device', 'txv, eev, fixed_orifice, capillary; null or empty: not given'),
        ('', 'kind', 'split_ac, split_heat_pump, package_ac, package_heat_pump; null or empty: not given'),
        ('', 'capacity_control', 'single, two_stage, inverter; null or empty: not given'),
        ('', 'capacity_w', 'W; rated capacity by the nameplate'),
        ('', 'herm_capacitor_f', 'F; marking of the capacitor section HERM'),
        ('', 'fan_capacitor_f', 'F; marking of the capacitor section FAN'),
        ('', 'blower_capacitor_f', 'F; marking of the blower''s capacitor'),
        ('', 'capacitor_tolerance', 'part of one; half width of the capacitors'' marking; null: not read'),
        ('', 'year_made', 'year of manufacture by the nameplate'),
        ('', 'year_installed', 'year of installation'),
        ('', 'seq', 'number of the journal''s entry; with station and visit it names it for ever'),
        ('instruments', 'seq', 'number of the journal''s entry that told it; the last one before a reading holds for it'),
        ('photos', 'seq', 'number of the first entry that holds a part of it'),
        ('', 'n', 'place of the value in its frame, from 0'),
        ('received', 'n', 'number of the block, from 1'),
        ('', 'at', 'UTC, by the station''s clock as it stood then; null where that is no time'),
        ('', 't_s', 's; visit time, which no step of the clock changes'),
        ('', 'instrument', 'id of the instrument at its station; empty for a derived value'),
        ('', 'channel', 'channel of the instrument'),
        ('', 'point', 'where the channel sat: a point of the system; empty: nowhere'),
        ('verdict_calibrations', 'point', 'point of the system whose value the verdict rested on'),
        ('', 'value', 'SI, in unit; null where there is none'),
        ('derived_values', 'value', 'SI, in the unit of its name (Cel, K, Pa, W, F ...)'),
        ('', 'unit', 'RFC 8428 symbol of the unit'),
        ('', 'sent', 'value as the instrument sent it, in sent_unit'),
        ('', 'sent_unit', 'unit as sent'),
        ('', 'flag', 'empty, or why it is no good value: over_range, hold, low_battery ...'),
        ('', 'name', 'name of the point or derived value'),
        ('verdicts', 'name', 'name of the check'),
        ('verdict_calibrations', 'name', 'name of the check'),
        ('', 'u', 'standard uncertainty, in the unit of the value'),
        ('comparisons', 'u', 'standard uncertainty of the offset, in unit'),
        ('', 'low', 'lower end of the 95 % interval, in unit'),
        ('', 'high', 'upper end of the 95 % interval, in unit'),
        ('verdicts', 'low', 'lower limit, in unit; null: none'),
        ('verdicts', 'high', 'upper limit, in unit; null: none'),
        ('', 'origin', 'instrument, entered (by a person), derived'),
        ('', 'title', 'in words'),
        ('', 'state', 'pass, fail, undecided, not_applicable, advisory'),
        ('findings', 'state', 'open, withdrawn'),
        ('', 'target', 'target, in unit; null: none'),
        ('', 'probability', 'part of one; that the true value conforms'),
        ('', 'rule', 'decision rule'),
        ('', 'source', 'what the limit rests on'),
        ('', 'reason', 'in words'),
        ('', 'is_last', 'whether no later one of the same kind came in this phase of the visit'),
        ('', 'id', 'id of the cause'),
        ('', 'category', 'instrument, electrical, air, refrigerant, or empty'),
        ('', 'rank', '1 is the likeliest'),
        ('', 'confidence', 'clear, likely, probable, possible'),
        ('', 'meaning', 'what it means, in words'),
        ('', 'next_step', 'what to do next, in words'),
        ('', 'by', 'who placed or said it'),
        ('', 'supersedes', 'entry that this one puts right; 0: none'),
        ('', 'profile', 'name of the instrument''s profile'),
        ('', 'profile_sha256', 'SHA-256 of the profile''s text, hex'),
        ('', 'identity', 'serial or address of the device, as far as it tells; empty or null: it does not'),
        ('', 'quantity', 'what the channel measures'),
        ('', 'calibrated', 'day of the certificate or comparison; null: none on record'),
        ('', 'calibration_due', 'last day on which the calibration holds; null: none on record'),
        ('', 'certificate', 'number of the certificate, or how it was compared'),
        ('', 'valid_at_opening', 'whether the calibration held when the visit was opened; null: no due day on record'),
        ('', 'valid', 'whether the calibration held on the day of the reading (UTC); null: no due day on record'),
        ('', 'expired', 'whether the channel''s calibration had run out when it was read; false also where none is on record'),
        ('', 'capacitor', 'herm, fan, blower'),
        ('', 'how', 'bench (isolated and discharged), under_load (from current and voltage)'),
        ('comparisons', 'how', 'zero (against atmosphere), side_by_side'),
        ('', 'capacitance_f', 'F; last settled capacitance of the visit'),
        ('', 'u_f', 'F; standard uncertainty'),
        ('', 'rating_f', 'F; marking of the capacitor; null: not given'),
        ('', 'tolerance', 'part of one; half width of the marking, 0.06 where the label was not read'),
        ('', 'tolerance_assumed', 'whether the tolerance is the usual one (common practice) since the label was not read'),
        ('', 'limit_f', 'F; least capacitance that the marking allows'),
        ('', 'share_of_rating', 'part of one; capacitance over marking'),
        ('', 'conductor', 'point of the system: which conductor'),
        ('', 'meter', 'identity of the clamp meter, or station/instrument where it tells none'),
        ('', 'current_a', 'A; last settled current of this meter on the conductor in the phase'),
        ('', 'u_a', 'A; standard uncertainty'),
        ('', 'peer_meters', 'number of other meters that read this conductor in this phase, in any visit'),
        ('', 'peer_readings', 'number of their readings'),
        ('', 'peer_mean_a', 'A; mean of their readings'),
        ('', 'part_off', 'part of one; this reading over the peers'' mean, minus one: negative reads low'),
        ('', 'offset_value', 'what the channel reads too high, in unit'),
        ('', 'against', 'atmosphere, or the channels that it was compared with'),
        ('', 'applied', 'whether the offset is taken off what the channel reads from then on'),
        ('', 'first', 'first entry of the block'),
        ('', 'last', 'last entry of the block'),
        ('', 'rows', 'number of entries in the block'),
        ('', 'gaps', 'number of gaps in the block: entries that the station could not record'),
        ('', 'received_at', 'UTC, by the shop''s clock; when the block came'),
        ('', 'collector', 'name of the collector that stored it'),
        ('', 'hash', 'SHA-256 of the block and of all before it, hex'),
        ('', 'about', 'point or task that it is about; empty: the system as a whole'),
        ('', 'sign', 'id of a quick observation; empty: free words'),
        ('', 'text', 'in words'),
        ('', 'photo', 'SHA-256 of the photo that goes with it, hex; empty: none'),
        ('', 'urgency', 'now, soon, next_visit, note, or empty'),
        ('', 'wants', 'part, approval, return_visit: what is wanted of the shop'),
        ('', 'sha256', 'SHA-256 of the whole, hex'),
        ('', 'media_type', 'media type (RFC 6838)'),
        ('', 'size', 'B; bytes of the whole'),
        ('', 'parts_here', 'number of parts received'),
        ('', 'parts', 'number of parts of the whole');
    FOR told IN
        SELECT c.table_name, c.column_name FROM information_schema.columns c WHERE c.table_schema = 'record'
    LOOP
        SELECT m.meaning INTO meant FROM meaning m
        WHERE m.column_name = told.column_name AND m.view_name IN ('', told.table_name)
        ORDER BY m.view_name DESC LIMIT 1;
        IF meant IS NULL THEN
            RAISE EXCEPTION 'nothing is told of column %.%', told.table_name, told.column_name;
        END IF;
        EXECUTE format('COMMENT ON COLUMN record.%I.%I IS %L', told.table_name, told.column_name, meant);
    END LOOP;
END
$$;

GRANT USAGE ON SCHEMA record TO lineset_board, lineset_auditor;
GRANT SELECT ON
    record.visits, record.systems, record.readings, record.derived_values, record.settled_values, record.verdicts,
    record.findings, record.placements, record.instruments, record.calibrations_used, record.verdict_calibrations,
    record.capacitor_history, record.clamp_comparison, record.comparisons, record.received
    TO lineset_board, lineset_auditor;
GRANT SELECT ON record.observations, record.photos TO lineset_auditor;
