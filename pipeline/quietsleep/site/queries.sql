-- Accepted single-occlusion compliance with age, length and sex, one row a session
SELECT session, centre, infant, age_days, length_cm, sex, value AS crs_ml_kpa, n_trials, flags
FROM clean_outcomes
WHERE outcome = 'crs_single_ml_kpa'
ORDER BY centre, session;

-- One row a session with forced volumes side by side, and why a value is missing
SELECT session, centre, infant, visit, fvc_ml, fev0_5_ml, fvc_ml_why, fev0_5_ml_why
FROM clean_sessions
ORDER BY centre, session;

-- Which rules cost most trials, centre by centre
SELECT centre, technique, rule, count(*) AS n_trials, any_value(remedy) AS remedy
FROM rejections
WHERE item_kind = 'trial' AND severity = 'reject'
GROUP BY ALL
ORDER BY n_trials DESC, centre, technique, rule;

-- Share of tests accepted by centre, technique and month
SELECT centre, technique, month, n_tests, n_tests_accepted, accepted_share_pct
FROM acceptance
ORDER BY centre, technique, month;

-- Centre's own figure against the central one: bias and limits of agreement, slips left out
SELECT centre, outcome, unit, n_pairs, n_suspected, bias, lower_limit, upper_limit, icc
FROM agreement_limits
ORDER BY centre, outcome;

-- Everything behind one outcome: file, delivery, code and rules
SELECT outcome, value, evidence_kind, evidence, delivery, file, file_sha256, rules_version, night
FROM provenance
WHERE session = (SELECT min(session) FROM tests WHERE status = 'accepted')
ORDER BY outcome, evidence;

-- Longitudinal: infants with two or more accepted sessions of one outcome
SELECT infant, outcome, count(*) AS n_sessions, min(age_days) AS first_days,
    max(age_days) AS last_days, max_by(value, age_days) - min_by(value, age_days) AS change
FROM clean_outcomes
GROUP BY ALL
HAVING count(*) > 1
ORDER BY infant, outcome;

-- A quantity of every trial beside what was decided on it, rejected trials too
SELECT t.trial, t.centre, t.status, v.value AS plateau_sd_kpa
FROM trials AS t
JOIN trial_values AS v ON v.centre = t.centre AND v.trial = t.trial
WHERE v.quantity = 'plateau_sd_kpa'
ORDER BY t.centre, t.trial;
