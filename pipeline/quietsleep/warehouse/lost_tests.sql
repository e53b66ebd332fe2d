-- What each reason cost. A test that is not accepted has as reasons every rule of severity reject
-- that failed or could not be judged on itself, on its session or on one of its trials. That too few
-- trials were left, or that what rests on them could not be judged, is a consequence where its
-- trials have reasons of their own; only then are the reasons of its trials those of the test. A rule
-- of the session that doubts one of its columns counts for the tests that rest on it: they say so.
WITH lost AS (
    SELECT t.centre, t.test, t.session, t.technique, t.status, t.why,
        coalesce(strftime(t.tested_on, '%Y-%m'), 'not recorded') AS month,
        coalesce(t.operator, 'not recorded') AS operator,
        coalesce(t.device, 'not recorded') AS device
    FROM tests AS t WHERE t.status <> 'accepted'
),
stopped AS (
    SELECT centre, item_kind, item, session, technique, rule, quantity, observed, limit_low,
        limit_high, unit, state, coalesce(sentence, '') AS sentence, observed IS NULL AS is_missing
    FROM verdicts
    WHERE severity = 'reject' AND state IN ('fail', 'not_judged')
        AND item_kind IN ('session', 'test', 'trial')
),
reasons AS (
    SELECT l.*, 'test' AS level, s.rule, s.quantity, s.observed, s.limit_low, s.limit_high, s.unit,
        s.is_missing, s.quantity = 'n_accepted' OR s.state = 'not_judged' AS is_consequence
    FROM lost AS l
    JOIN stopped AS s ON s.item_kind = 'test' AND s.centre = l.centre AND s.item = l.test
    UNION ALL
    SELECT l.*, 'session', s.rule, s.quantity, s.observed, s.limit_low, s.limit_high, s.unit,
        s.is_missing, false
    FROM lost AS l
    JOIN stopped AS s
        ON s.item_kind = 'session' AND s.centre = l.centre AND s.item = l.session
        AND contains(coalesce(l.why, ''), s.sentence)
    UNION ALL
    SELECT l.*, 'trial', s.rule, s.quantity, s.observed, s.limit_low, s.limit_high, s.unit,
        s.is_missing, false
    FROM lost AS l
    JOIN stopped AS s
        ON s.item_kind = 'trial' AND s.centre = l.centre AND s.session = l.session
        AND s.technique = l.technique
    WHERE (l.centre, l.test) IN (
        SELECT (centre, item) FROM stopped
        WHERE item_kind = 'test' AND (quantity = 'n_accepted' OR state = 'not_judged'))
    UNION ALL
    SELECT l.*, 'none', 'quarantined', NULL, NULL, NULL, NULL, NULL, false, false
    FROM lost AS l WHERE l.status = 'quarantined'
),
kept AS (
    SELECT *, bool_or(level = 'trial') OVER (PARTITION BY centre, test) AS has_trials FROM reasons
),
counted AS (
    SELECT *, count(DISTINCT (level, rule, is_missing)) FILTER (
        NOT (is_consequence AND has_trials)) OVER (PARTITION BY centre, test) AS n_reasons
    FROM kept
)
SELECT centre, technique, month, operator, device, level, rule, is_missing,
    any_value(quantity) AS quantity, median(observed) AS observed,
    -- The limit of the newest test of the group; a study may have changed it within a month.
    max_by(limit_low, test) AS limit_low, max_by(limit_high, test) AS limit_high,
    any_value(unit) AS unit, count(DISTINCT test) AS n_tests,
    count(DISTINCT test) FILTER (
        n_reasons = 1 AND NOT (is_consequence AND has_trials)) AS n_tests_alone,
    min(why) AS why
FROM counted
GROUP BY centre, technique, month, operator, device, level, rule, is_missing
