-- What an observation wants of the shop may be taken back by a later one of the same visit, which names it. Both stay.
ALTER TABLE lineset.observation ADD COLUMN withdraws bigint NOT NULL DEFAULT 0;

CREATE OR REPLACE VIEW lineset.wanted AS
SELECT o.month, o.visit_id, o.seq, o.at, o.system, o.about, o.sign, o.urgency, o.wants
FROM lineset.observation o
WHERE NOT EXISTS (
    SELECT FROM lineset.observation w
    WHERE w.month = o.month AND w.visit_id = o.visit_id AND w.withdraws = o.seq AND w.seq > o.seq
);

CREATE OR REPLACE VIEW record.observations AS
SELECT o.visit_id, v.station, v.visit, o.seq, o.at, o.system, o.about, o.sign, o.text, o.photo, o.urgency, o.wants, o.by,
       o.withdraws,
       (SELECT min(w.seq) FROM lineset.observation w
        WHERE w.month = o.month AND w.visit_id = o.visit_id AND w.withdraws = o.seq AND w.seq > o.seq) AS withdrawn_by
FROM lineset.observation o JOIN lineset.visit v ON v.id = o.visit_id AND v.month = o.month;
COMMENT ON COLUMN record.observations.wants IS
    'part, approval, return_visit: what was wanted of the shop when it was said; withdrawn_by tells whether it still is';
COMMENT ON COLUMN record.observations.withdraws IS 'entry whose wants hold no longer since this one; 0: none';
COMMENT ON COLUMN record.observations.withdrawn_by IS
    'entry that says that its wants hold no longer; null: none, it is still wanted';
