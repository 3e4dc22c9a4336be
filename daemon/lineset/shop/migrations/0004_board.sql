-- For the board's questions about stations: the last visits of each, without going through all that it ever made.
CREATE INDEX visit_by_station ON lineset.visit (station, opened_at DESC, id DESC);
