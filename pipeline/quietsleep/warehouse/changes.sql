-- Why rows may have changed since the night before. `before_<table>` and `after_<table>` are the
-- two nights; `changes.py` registers them.

CREATE TEMP TABLE check_pairs AS
SELECT coalesce(a.centre, b.centre) AS centre, coalesce(a.check_id, b.check_id) AS check_id, CASE
    WHEN a.file_sha256 IS DISTINCT FROM b.file_sha256 OR a.delivery IS DISTINCT FROM b.delivery
    THEN 'file' ELSE 'code' END AS cause
FROM after_checks AS a
FULL JOIN before_checks AS b ON a.centre = b.centre AND a.check_id = b.check_id
WHERE a.file_sha256 IS DISTINCT FROM b.file_sha256 OR a.delivery IS DISTINCT FROM b.delivery
    OR a.content_key IS DISTINCT FROM b.content_key;

CREATE TEMP TABLE decided AS
SELECT DISTINCT coalesce(a.rule, b.rule) AS rule
FROM after_rules AS a
FULL JOIN before_rules AS b ON a.rule = b.rule AND a.valid_from = b.valid_from
WHERE a.decided_by IS DISTINCT FROM b.decided_by;

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
    WHEN rule IN (SELECT rule FROM decided) THEN 'decision' ELSE 'rule' END AS cause
FROM verdict_pairs
WHERE NOT one_side
    OR (rule IN (SELECT rule FROM before_rules)) <> (rule IN (SELECT rule FROM after_rules));

CREATE TEMP TABLE check_causes AS
SELECT centre, check_id, cause FROM check_pairs
UNION
SELECT centre, item, cause FROM verdict_causes WHERE item_kind = 'check';

-- Visits that a changed check can have touched: those on its device within a day after it.
CREATE TEMP TABLE check_visits AS
SELECT DISTINCT s.centre, s.session, c.cause
FROM check_causes AS c
JOIN (
    SELECT centre, check_id, device, done_at FROM before_checks
    UNION SELECT centre, check_id, device, done_at FROM after_checks
) AS k ON k.centre = c.centre AND k.check_id = c.check_id
JOIN (
    SELECT centre, session, device, tested_at FROM before_sessions
    UNION SELECT centre, session, device, tested_at FROM after_sessions
) AS s ON s.centre = k.centre AND s.device = k.device
    AND s.tested_at BETWEEN k.done_at AND k.done_at + INTERVAL 24 HOURS;

CREATE TEMP TABLE recording_pairs AS
SELECT coalesce(a.centre, b.centre) AS centre, coalesce(a.session, b.session) AS session,
    coalesce(a.technique, b.technique) AS technique,
    a.file_sha256 IS DISTINCT FROM b.file_sha256 OR a.delivery IS DISTINCT FROM b.delivery AS new_file,
    a.recording IS NOT NULL AND b.recording IS NOT NULL
        AND a.code_fingerprint IS DISTINCT FROM b.code_fingerprint AS new_code,
    a.content_key IS DISTINCT FROM b.content_key AS new_key
FROM after_recordings AS a
FULL JOIN before_recordings AS b ON a.centre = b.centre AND a.recording = b.recording
WHERE new_file OR new_code OR new_key;

-- `technique` is NULL where a cause touches every technique of the session. A recording measured
-- anew from the same file, delivery, code and checks tells of another registration of its device.
CREATE TEMP TABLE causes AS
SELECT centre, session, technique, 'file' AS cause FROM recording_pairs WHERE new_file
UNION
SELECT centre, session, technique, 'code' FROM recording_pairs WHERE new_code
UNION
SELECT p.centre, p.session, p.technique, 'device' FROM recording_pairs AS p
ANTI JOIN check_visits AS v ON v.centre = p.centre AND v.session = p.session
WHERE NOT new_file AND NOT new_code
UNION
SELECT coalesce(a.centre, b.centre), coalesce(a.session, b.session), NULL, 'file'
FROM after_sessions AS a
FULL JOIN before_sessions AS b ON a.centre = b.centre AND a.session = b.session
WHERE a.delivery IS DISTINCT FROM b.delivery
UNION
SELECT coalesce(a.centre, b.centre), coalesce(a.session, b.session),
    coalesce(a.technique, b.technique), 'review'
FROM after_reviews AS a
FULL JOIN before_reviews AS b ON a.review = b.review
WHERE a.state IS DISTINCT FROM b.state OR a.sha256 IS DISTINCT FROM b.sha256
UNION
SELECT centre, session, NULL, cause FROM check_visits
UNION
SELECT centre, session, CASE WHEN item_kind <> 'session' THEN technique END, cause
FROM verdict_causes WHERE item_kind <> 'check';
