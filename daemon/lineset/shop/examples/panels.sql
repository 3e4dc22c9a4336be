-- What panels of a dashboard ask of the shop's database, one statement a panel: psql -v from=... -v to=... -f panels.sql
-- Figures are SI; the factors to customary units are written out where a panel shows those.

-- panel: total superheat over time [degF], one line a system: a mean for each ten seconds
SELECT date_bin('10 seconds', at, timestamptz 'epoch') AS time, station || ' ' || system AS metric,
       round((avg(value) * 1.8)::numeric, 2) AS value
FROM record.derived_values
WHERE name = 'total_superheat' AND at BETWEEN :'from' AND :'to'
GROUP BY 1, 2 ORDER BY 1, 2;

-- panel: any reading over time [SI], one line a point: a mean for each minute
SELECT date_bin('1 minute', at, timestamptz 'epoch') AS time, station || ' ' || system || ' ' || point AS metric, unit,
       avg(value) AS value
FROM record.readings
WHERE point <> '' AND flag = '' AND at BETWEEN :'from' AND :'to'
GROUP BY 1, 2, 3 ORDER BY 1, 2;

-- panel: entries that reached the shop, each minute, by station
SELECT date_bin('1 minute', received_at, timestamptz 'epoch') AS time, station AS metric, sum(rows) AS value
FROM record.received
WHERE received_at BETWEEN :'from' AND :'to'
GROUP BY 1, 2 ORDER BY 1, 2;

-- panel: open visits, and for how long nothing has come of them [s]
SELECT station, visit, phase, opened_at, extract(epoch FROM now() - last_received_at)::bigint AS silent_s
FROM record.visits
WHERE sealed_at IS NULL AND removed_at IS NULL
ORDER BY last_received_at;

-- panel: verdicts that stand, by check and outcome
SELECT title, count(*) FILTER (WHERE state = 'pass') AS pass, count(*) FILTER (WHERE state = 'fail') AS fail,
       count(*) FILTER (WHERE state = 'undecided') AS undecided, count(*) FILTER (WHERE state = 'advisory') AS advisory
FROM record.verdicts
WHERE is_last AND at BETWEEN :'from' AND :'to'
GROUP BY title ORDER BY fail DESC, title;

-- panel: what was found and still stands, the commonest first
SELECT title, count(DISTINCT (visit_id, system)) AS systems
FROM record.findings
WHERE is_last AND state = 'open' AND id <> 'nothing_found' AND at BETWEEN :'from' AND :'to'
GROUP BY title ORDER BY systems DESC, title;

-- panel: calibrations that end within thirty days, or have ended, of the instruments as last introduced
SELECT DISTINCT ON (station, instrument, channel) station, instrument, channel, calibration_due,
       calibration_due - current_date AS days_left
FROM record.instruments
WHERE calibration_due IS NOT NULL AND calibration_due < current_date + 30
ORDER BY station, instrument, channel, visit_id DESC, seq DESC;
