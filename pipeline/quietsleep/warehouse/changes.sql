-- Why rows may have changed since the night before. `before_<table>` and `after_<table>` are the
-- two nights; `changes.py` registers them, and fills in when a row says
-- what the row before said as it was delivered.

-- Deliveries that came anew under their old name.
CREATE TEMP TABLE edited AS
SELECT a.centre, a.delivery
FROM after_deliveries AS a
JOIN before_deliveries AS b ON a.centre = b.centre AND a.delivery = b.delivery
WHERE a.sha256 IS DISTINCT FROM b.sha256;

-- Devices of both nights with an entry that only one of them has, or has so.
CREATE TEMP TABLE registered_anew AS
SELECT DISTINCT centre, device
FROM (
    SELECT coalesce(a.centre, b.centre) AS centre, coalesce(a.device, b.device) AS device
    FROM after_devices AS a
    FULL JOIN before_devices AS b
        ON a.centre = b.centre AND a.device = b.device
        AND (a.valid_from = b.valid_from OR b.valid_from IS NULL)  -- older nights knew no days
    WHERE a.registration_sha256 IS DISTINCT FROM b.registration_sha256
)
SEMI JOIN after_devices USING (centre, device)
SEMI JOIN before_devices USING (centre, device);

-- What was found of a recording or check in both nights, and whether it was measured in them.
CREATE TEMP MACRO was_read(state) AS coalesce(state IN ('measured', 'no_trial'), false);

-- Techniques and checks that the contract defines anew: a definition, an equation or a unit differs.
CREATE TEMP TABLE changed_formulas AS
SELECT DISTINCT a.owner
FROM after_quantities AS a
JOIN before_quantities AS b ON a.owner = b.owner AND a.level = b.level AND a.quantity = b.quantity
WHERE (a.definition, a.equation, a.unit) IS DISTINCT FROM (b.definition, b.equation, b.unit);

CREATE TEMP MACRO of_code(measured_by) AS
    CASE WHEN $other_contract OR measured_by IN (SELECT owner FROM changed_formulas)
    THEN $formula ELSE 'code' END;

CREATE TEMP TABLE check_pairs AS
SELECT coalesce(a.centre, b.centre) AS centre, coalesce(a.check_id, b.check_id) AS check_id,
    coalesce(a.kind, b.kind) AS kind,
    a.check_id IS NULL OR b.check_id IS NULL OR NOT ($checks_as_delivered)
        OR (e.delivery IS NOT NULL AND was_read(a.state) <> was_read(b.state)) AS new_file,
    was_read(a.state) AND NOT was_read(b.state) AS read_first,
    was_read(a.state) AND was_read(b.state) AND a.code_fingerprint <> b.code_fingerprint AS new_code,
    a.content_key <> b.content_key AND r.device IS NOT NULL AS new_device
FROM after_checks AS a
FULL JOIN before_checks AS b ON a.centre = b.centre AND a.check_id = b.check_id
LEFT JOIN edited AS e ON e.centre = a.centre AND e.delivery = a.delivery
LEFT JOIN registered_anew AS r ON r.centre = a.centre AND r.device = a.device;

CREATE TEMP TABLE changed_limits AS
SELECT DISTINCT coalesce(a.rule, b.rule) AS rule
FROM after_rules AS a
FULL JOIN before_rules AS b ON a.rule = b.rule AND a.valid_from = b.valid_from
WHERE a.changed_by IS DISTINCT FROM b.changed_by;

CREATE TEMP TABLE verdict_pairs AS
SELECT coalesce(a.centre, b.centre) AS centre, coalesce(a.item_kind, b.item_kind) AS item_kind,
    coalesce(a.item, b.item) AS item, coalesce(a.session, b.session) AS session,
    coalesce(a.technique, b.technique) AS technique, coalesce(a.rule, b.rule) AS rule,
    coalesce(a.waiver, b.waiver) AS waiver,
    a.waiver IS DISTINCT FROM b.waiver AS waived_anew, a.rule IS NULL OR b.rule IS NULL AS one_side
FROM after_verdicts AS a
FULL JOIN before_verdicts AS b
    ON a.centre = b.centre AND a.item_kind = b.item_kind AND a.item = b.item AND a.rule = b.rule
WHERE (a.waiver, a.limit_low, a.limit_high, a.severity, a.operator, a.quantity, a.rule IS NULL)
    IS DISTINCT FROM
    (b.waiver, b.limit_low, b.limit_high, b.severity, b.operator, b.quantity, b.rule IS NULL);

-- A verdict that one night lacks tells of a rule only where that night lacks the rule as well;
-- otherwise the item is new or gone.
CREATE TEMP TABLE verdict_causes AS
SELECT DISTINCT centre, item_kind, item, session, technique, CASE
    WHEN waived_anew AND NOT one_side AND starts_with(waiver, 'rv-') THEN 'review'
    WHEN waived_anew AND NOT one_side THEN 'waiver'
    WHEN rule IN (SELECT rule FROM changed_limits) THEN 'limit' ELSE 'rule' END AS cause
FROM verdict_pairs
WHERE NOT one_side
    OR (rule IN (SELECT rule FROM before_rules)) <> (rule IN (SELECT rule FROM after_rules));

CREATE TEMP TABLE check_causes AS
SELECT centre, check_id, 'file' AS cause FROM check_pairs WHERE new_file
UNION
SELECT centre, check_id, 'first measured' FROM check_pairs WHERE read_first AND NOT new_file
UNION
SELECT centre, check_id, of_code(kind) FROM check_pairs WHERE new_code
UNION
SELECT centre, check_id, 'device' FROM check_pairs WHERE new_device
UNION
SELECT centre, item, cause FROM verdict_causes WHERE item_kind = 'check';

-- Sessions that a changed check can have touched: those judged with it in either night.
CREATE TEMP TABLE causes_of_checks AS
SELECT DISTINCT l.centre, l.session, c.cause
FROM check_causes AS c
JOIN (
    SELECT centre, session, check_id FROM before_session_checks
    UNION SELECT centre, session, check_id FROM after_session_checks
) AS l ON l.centre = c.centre AND l.check_id = c.check_id;

CREATE TEMP TABLE recording_pairs AS
SELECT coalesce(a.centre, b.centre) AS centre, coalesce(a.session, b.session) AS session,
    coalesce(a.technique, b.technique) AS technique,
    a.item IS NULL OR b.item IS NULL OR NOT ($recordings_as_delivered)
        OR (e.delivery IS NOT NULL AND was_read(a.state) <> was_read(b.state)) AS new_file,
    was_read(a.state) AND NOT was_read(b.state) AS read_first,
    was_read(a.state) AND was_read(b.state) AND a.code_fingerprint <> b.code_fingerprint AS new_code,
    a.content_key <> b.content_key AND r.device IS NOT NULL AS new_device
FROM after_recordings AS a
FULL JOIN before_recordings AS b ON a.centre = b.centre AND a.item = b.item
LEFT JOIN edited AS e ON e.centre = a.centre AND e.delivery = a.delivery
LEFT JOIN after_sessions AS s ON s.centre = a.centre AND s.session = a.session
LEFT JOIN registered_anew AS r ON r.centre = s.centre AND r.device = s.device;

-- `technique` is NULL where a cause touches every technique of the session.
CREATE TEMP TABLE causes AS
SELECT centre, session, technique, 'file' AS cause FROM recording_pairs WHERE new_file
UNION
SELECT centre, session, technique, 'first measured' FROM recording_pairs
WHERE read_first AND NOT new_file
UNION
SELECT centre, session, technique, of_code(technique) FROM recording_pairs WHERE new_code
UNION
SELECT centre, session, technique, 'device' FROM recording_pairs WHERE new_device
UNION
SELECT coalesce(a.centre, b.centre), coalesce(a.session, b.session), NULL, 'file'
FROM after_sessions AS a
FULL JOIN before_sessions AS b ON a.centre = b.centre AND a.session = b.session
WHERE a.session IS NULL OR b.session IS NULL OR NOT ($sessions_as_delivered)
UNION
SELECT coalesce(a.centre, b.centre), coalesce(a.session, b.session),
    coalesce(a.technique, b.technique), 'review'
FROM after_reviews AS a
FULL JOIN before_reviews AS b ON a.review = b.review
WHERE a.state IS DISTINCT FROM b.state
UNION
SELECT centre, session, NULL, cause FROM causes_of_checks
UNION
SELECT centre, session, CASE WHEN item_kind <> 'session' THEN technique END, cause
FROM verdict_causes WHERE item_kind <> 'check';
