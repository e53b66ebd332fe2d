-- The views of the warehouse. `views.py` fills in what comes from the contracts and
-- declares every column with its unit and meaning. Months and days are those of UTC, whatever the
-- time zone of the client.

CREATE VIEW all_outcomes AS
WITH listed(technique, outcome, unit) AS (VALUES
    $contract_outcomes
),
stopped AS (
    SELECT centre, item, string_agg(DISTINCT rule, ', ' ORDER BY rule) FILTER (state = 'fail') AS failed,
        string_agg(DISTINCT rule, ', ' ORDER BY rule) FILTER (state = 'not_judged') AS unjudged
    FROM verdicts
    WHERE severity = 'reject' AND state IN ('fail', 'not_judged')
        AND item_kind IN ('test', 'session')
    GROUP BY centre, item
),
explained AS (
    SELECT s.session, s.centre, l.technique, l.outcome, l.unit, o.value, CASE
        WHEN s.status = 'quarantined' OR t.status = 'quarantined' THEN 'quarantined'
        WHEN t.test IS NULL THEN 'not attempted'
        WHEN s.status = 'rejected' OR t.status = 'rejected' THEN 'rejected: '
            || coalesce(nullif(concat_ws(', ', of_session.failed, own.failed), ''),
                nullif(t.why, ''), nullif(s.why, ''), $no_reason)
        WHEN s.status <> 'accepted' OR t.status <> 'accepted' THEN 'not judgeable: '
            || coalesce(nullif(concat_ws(', ', of_session.unjudged, own.unjudged), ''),
                nullif(t.why, ''), nullif(s.why, ''), $no_reason)
        WHEN o.value IS NULL THEN 'not computable: ' || coalesce(nullif(o.why, ''), $no_reason)
        END AS why
    FROM sessions AS s
    CROSS JOIN listed AS l
    LEFT JOIN tests AS t
        ON t.centre = s.centre AND t.session = s.session AND t.technique = l.technique
    LEFT JOIN outcomes AS o
        ON o.centre = s.centre AND o.session = s.session AND o.outcome = l.outcome
    LEFT JOIN stopped AS of_session
        ON of_session.centre = s.centre AND of_session.item = s.session
    LEFT JOIN stopped AS own ON own.centre = t.centre AND own.item = t.test
)
SELECT session, centre, technique, outcome, CASE WHEN why IS NULL THEN value END AS value, unit, why
FROM explained;

CREATE VIEW clean_outcomes AS
WITH of_tests AS (
    SELECT v.centre, v.session, v.technique,
        string_agg(DISTINCT v.rule, ', ' ORDER BY v.rule) AS flags
    FROM verdicts AS v
    LEFT JOIN trials AS r
        ON v.item_kind = 'trial' AND r.centre = v.centre AND r.trial = v.item
    WHERE v.severity = 'flag' AND v.state = 'fail'
        AND (v.item_kind = 'test' OR r.status = 'accepted')
    GROUP BY ALL
),
of_sessions AS (
    $flags_of_sessions
),
this_night AS (
    SELECT rules_version, code_fingerprint FROM nights ORDER BY night DESC LIMIT 1
)
SELECT a.session, a.centre, s.infant, s.visit, s.tested_at, s.device, d.equipment_class,
    a.technique, a.outcome, a.value, a.unit, o.n_trials, o.trials, o.sd, o.cv_pct, o.z,
    o.percent_predicted, o.equation,
    CASE WHEN o.z IS NULL THEN coalesce(nullif(o.z_why, ''), $no_reason) END AS z_why,
    o.flagged OR s.flagged AS flagged, f.flags, g.session_flags, s.sex, s.gestation_weeks,
    s.age_days, s.corrected_age_days, s.weight_kg, s.length_cm, s.weight_z, s.length_z,
    n.rules_version, n.code_fingerprint
FROM all_outcomes AS a
JOIN outcomes AS o ON o.centre = a.centre AND o.session = a.session AND o.outcome = a.outcome
JOIN sessions AS s ON s.centre = a.centre AND s.session = a.session
LEFT JOIN devices AS d
    ON d.centre = s.centre AND d.device = s.device AND d.valid_from = s.device_valid_from
LEFT JOIN of_tests AS f
    ON f.centre = a.centre AND f.session = a.session AND f.technique = a.technique
LEFT JOIN of_sessions AS g ON g.centre = a.centre AND g.session = a.session
LEFT JOIN this_night AS n ON true
WHERE a.why IS NULL;

CREATE VIEW clean_sessions AS
WITH long AS (
    SELECT a.centre, a.session, a.outcome, a.value, a.why, c.flagged AS flag, c.z,
        CASE WHEN c.z IS NULL THEN coalesce(c.z_why, 'there is no value') END AS z_why
    FROM all_outcomes AS a
    LEFT JOIN clean_outcomes AS c
        ON c.centre = a.centre AND c.session = a.session AND c.outcome = a.outcome
),
wide AS (
    SELECT centre, session,
        $wide_columns
    FROM long
    GROUP BY centre, session
),
of_sessions AS (
    $flags_of_sessions
)
SELECT s.session, s.centre, s.infant, s.visit, s.tested_at, s.device, d.equipment_class, s.sex,
    s.gestation_weeks, s.birth_weight_kg, s.age_days, s.corrected_age_days, s.weight_kg,
    s.length_cm, s.weight_z, s.length_z, s.status, g.session_flags,
    nullif(concat_ws('; ',
        $empty_columns), '') AS empty_why,
    wide.* EXCLUDE (centre, session)
FROM sessions AS s
LEFT JOIN devices AS d
    ON d.centre = s.centre AND d.device = s.device AND d.valid_from = s.device_valid_from
LEFT JOIN of_sessions AS g ON g.centre = s.centre AND g.session = s.session
LEFT JOIN wide ON wide.centre = s.centre AND wide.session = s.session;

CREATE VIEW rejections AS
WITH dated AS (
    SELECT v.*, coalesce(s.tested_on, c.done_on) AS day, s.operator AS tested_by
    FROM verdicts AS v
    LEFT JOIN sessions AS s ON s.centre = v.centre AND s.session = v.session
    LEFT JOIN checks AS c
        ON v.item_kind = 'check' AND c.centre = v.centre AND c.check_id = v.item
    WHERE v.state = 'fail'
)
SELECT d.day, d.centre, d.session, d.tested_by, d.technique, d.item_kind, d.item, d.rule,
    d.severity, d.quantity, d.observed, d.operator, d.limit_low, d.limit_high, d.unit, d.sentence,
    CASE WHEN d.observed IS NULL THEN coalesce(r.remedy_missing, r.remedy) ELSE r.remedy END
    AS remedy, r.source
FROM dated AS d
ASOF LEFT JOIN rules AS r ON r.rule = d.rule AND r.valid_from <= d.day;

CREATE VIEW acceptance AS
SELECT centre, technique, strftime(tested_on, '%Y-%m') AS month,
    count(*) AS n_tests,
    count(*) FILTER (status = 'accepted') AS n_tests_accepted,
    count(*) FILTER (status = 'accepted' AND flagged) AS n_tests_flagged,
    count(*) FILTER (status = 'rejected') AS n_tests_rejected,
    count(*) FILTER (status = 'not_judgeable') AS n_tests_not_judgeable,
    count(*) FILTER (status = 'quarantined') AS n_tests_quarantined,
    100.0 * count(*) FILTER (status = 'accepted') / count(*) AS accepted_share_pct,
    CAST(sum(n_trials) AS BIGINT) AS n_trials,
    CAST(sum(n_accepted) AS BIGINT) AS n_trials_accepted
FROM tests
GROUP BY ALL;

CREATE VIEW places AS
WITH counted AS (
    SELECT centre, technique, month, n_tests, n_tests_accepted FROM acceptance
    UNION ALL
    SELECT centre, 'all' AS technique, month, CAST(sum(n_tests) AS BIGINT) AS n_tests,
        CAST(sum(n_tests_accepted) AS BIGINT) AS n_tests_accepted
    FROM acceptance
    GROUP BY ALL
)
SELECT centre, technique, month, n_tests, n_tests_accepted,
    rank() OVER (
        PARTITION BY technique, month ORDER BY n_tests_accepted / n_tests DESC
    ) AS place,
    count(*) OVER (PARTITION BY technique, month) AS n_centres
FROM counted
WHERE month IS NOT NULL;

CREATE VIEW provenance AS
WITH linked AS (
    SELECT l.centre, l.session, l.kind, c.delivery, c.file, c.file_sha256, c.content_key,
        c.code_fingerprint, c.check_id
    FROM session_checks AS l JOIN checks AS c ON c.centre = l.centre AND c.check_id = l.check_id
),
behind AS (
    SELECT o.centre, o.session, o.outcome, 'recording' AS evidence_kind, r.item AS evidence, r.delivery,
        r.file, r.file_sha256, r.content_key, r.code_fingerprint, len(list_filter(
            string_split(o.trials, ','), lambda t: starts_with(trim(t), r.item || '#')
        )) AS n_trials_used
    FROM outcomes AS o
    JOIN recordings AS r
        ON r.centre = o.centre AND r.session = o.session AND r.technique = o.technique
    UNION ALL
    SELECT o.centre, o.session, o.outcome, c.kind, c.check_id, c.delivery, c.file, c.file_sha256,
        c.content_key, c.code_fingerprint, NULL
    FROM outcomes AS o
    JOIN linked AS c ON c.centre = o.centre AND c.session = o.session
    JOIN test_values AS v
        ON v.centre = o.centre AND v.test = o.session || '/' || o.technique
        AND v.quantity = c.kind || '_check_accepted' AND v.value IS NOT NULL
),
waived AS (
    SELECT t.centre, t.session, t.technique,
        string_agg(DISTINCT v.waiver, ', ' ORDER BY v.waiver) AS waivers
    FROM tests AS t
    JOIN verdicts AS v ON v.centre = t.centre AND v.session = t.session
        AND (v.technique = t.technique OR v.item_kind = 'session')
    WHERE v.waiver IS NOT NULL GROUP BY ALL
),
waived_checks AS (
    SELECT centre, item, string_agg(DISTINCT waiver, ', ' ORDER BY waiver) AS waivers
    FROM verdicts WHERE waiver IS NOT NULL AND item_kind = 'check' GROUP BY ALL
)
SELECT o.session, o.centre, o.technique, o.outcome, o.value, o.unit, o.status, o.trials,
    b.evidence_kind, b.evidence, b.n_trials_used, b.delivery, d.created_at AS delivery_created_at,
    d.sha256 AS delivery_sha256, b.file, b.file_sha256, b.content_key, b.code_fingerprint,
    n.package_version, n.package_commit, n.libraries, n.rules_version,
    nullif(concat_ws(', ', w.waivers, k.waivers), '') AS waivers, n.night
FROM outcomes AS o
LEFT JOIN behind AS b ON b.centre = o.centre AND b.session = o.session AND b.outcome = o.outcome
LEFT JOIN deliveries AS d ON d.centre = o.centre AND d.delivery = b.delivery
LEFT JOIN waived AS w
    ON w.centre = o.centre AND w.session = o.session AND w.technique = o.technique
LEFT JOIN waived_checks AS k
    ON b.evidence_kind <> 'recording' AND k.centre = o.centre AND k.item = b.evidence
LEFT JOIN (SELECT * FROM nights ORDER BY night DESC LIMIT 1) AS n ON true;
