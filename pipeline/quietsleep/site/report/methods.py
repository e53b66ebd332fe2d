"""The methods of a release in words that can be pasted into a paper, from its own tables."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from quietsleep import contract
from quietsleep.contract.model import Outcome
from quietsleep.contract.wording import listed
from quietsleep.judge.readers import ALL
from quietsleep.site import words
from quietsleep.site.read import PublishedNight, Row
from quietsleep.warehouse.account import Account, Flow

# In the order in which a reader wants to know them.
OBTAINED = ("printed", "common practice", "from memory", "study proposal", "study decision")
SEVERITIES = {"reject": "reject", "flag": "leave a remark", "alert": "raise a safety alert"}


class OutcomeMethod(NamedTuple):
    """How one outcome is defined, computed and summarised, and where that is from."""

    name: str
    meaning: str
    unit: str
    definition: str
    equation: str
    summary: str
    source: str


def rules_in_force(night: PublishedNight) -> list[Row]:
    """Return the newest version of every rule."""
    newest = {key: versions[-1] for key, versions in night.rules.items()}
    return [newest[key] for key in sorted(newest)]


def methods(said: Mapping[str, Any], night: PublishedNight, account: Account) -> tuple[str, ...]:
    """Return the paragraphs; `said` is RELEASE.json."""
    return (
        _data(said, night),
        _analysis(said),
        _acceptance(said, night),
        _results(account),
        _statistics(account),
    )


def outcome_methods(night: PublishedNight, account: Account) -> list[OutcomeMethod]:
    """Return the definitions of the outcomes that the release holds values of."""
    rows = night.rows("SELECT * FROM quantities ORDER BY owner, level, quantity")
    by_name = {(row["owner"], row["quantity"]): row for row in rows}
    found = []
    for spread in account.spreads:
        spec = contract.OUTCOMES.get(spread.outcome)
        quantity = spec.quantity if spec else spread.outcome
        row = by_name.get((spread.technique, quantity), {})
        found.append(
            OutcomeMethod(
                name=spread.outcome,
                meaning=spec.meaning if spec else "",
                unit=words.with_unit("", spread.unit).strip(),
                definition=row.get("definition") or "",
                equation=row.get("equation") or "",
                summary=_summary(spec),
                source=words.plain(row.get("source") or ""),
            )
        )
    return found


def _summary(spec: Outcome | None) -> str:
    if spec is None:
        return ""
    if spec.summary == "best":
        return f"value in the best trial, by {words.plain(spec.score[0])}"
    if spec.summary == "highest_mean":
        return f"mean of the {spec.least} to {spec.most} highest accepted trials"
    return "mean of the accepted trials"


def _data(said: Mapping[str, Any], night: PublishedNight) -> str:
    row = night.rows(
        "SELECT count(*) AS n, count(DISTINCT (centre, infant)) FILTER (infant IS NOT NULL) AS i, "
        "count(DISTINCT centre) AS c FROM sessions"
    )[0]
    text = (
        f"The data are research data release {said['release']} of {said['study']} (night "
        f"{said['night']}): {words.count(row['n'], 'session')} of "
        f"{words.count(row['i'], 'infant')} from {words.count(row['c'], 'centre')}"
    )
    columns = {r["column_name"] for r in night.rows("DESCRIBE sessions")}
    if "tested_quarter" in columns:
        first, last = night.tuples("SELECT min(tested_quarter), max(tested_quarter) FROM sessions")[
            0
        ]
        if first:
            text += f", tested in {first}" if first == last else f", tested from {first} to {last}"
    return f"{text}. Digest of the release: {said['digest']}."


def _analysis(said: Mapping[str, Any]) -> str:
    code = said.get("code") or {}
    commit = f", commit {code['commit']}" if code.get("commit") else ""
    libraries = listed(f"{k} {v}" for k, v in sorted((code.get("libraries") or {}).items()))
    version = f"{code.get('package', 'quietsleep')} {code.get('version', '')}".strip()
    text = (
        "Every recording was analysed at the coordinating centre by one algorithm a technique, "
        f"with {version}{commit} (code fingerprint {said['code_fingerprint']})"
    )
    if code.get("python"):
        text += f", under Python {code['python']} with {libraries}"
    return (
        f"{text}. Results of the centres' own software were compared with the central ones and not "
        "used otherwise. Volumes and flows are at BTPS, inspiration is positive."
    )


def _acceptance(said: Mapping[str, Any], night: PublishedNight) -> str:
    rules = rules_in_force(night)
    does = Counter(row["severity"] for row in rules)
    how = Counter(row["obtained"] for row in rules)
    changed = sum(not words.missing(row["changed_by"]) for row in rules)
    confirmed = sum(not words.missing(row["confirmed_by"]) for row in rules)
    n_waivers = night.tuples("SELECT count(*) FROM waivers")[0][0]
    n_reviews = night.tuples("SELECT count(*) FROM reviews")[0][0]
    origins = listed(f"{how[name]} {_obtained(name)}" for name in OBTAINED if how[name])
    acts = listed(f"{does[name]} {verb}" for name, verb in SEVERITIES.items() if does[name])
    return (
        f"Trials, tests, sessions and equipment checks were judged by {len(rules)} written rules "
        f"(contract version {said['contract_version']}, rules {said['rules_version']}), of which "
        f"{acts}. A test is accepted when no rejecting rule fails, or cannot be judged, on it or "
        "its session and enough of its trials are accepted; an accepted test with a remark is "
        f"flagged. By their origin, {origins}. {confirmed} of the limits in force were compared "
        f"with a printed standard for this study and {changed} "
        f"{'was' if changed == 1 else 'were'} changed for it; "
        f"{words.count(n_waivers, 'signed waiver')} and "
        f"{words.count(n_reviews, 'decision')} of readers are part of the data."
    )


def _obtained(name: str) -> str:
    return {
        "printed": "limits are printed in the source cited",
        "common practice": "follow common practice",
        "from memory": "were written from memory of a standard",
        "study proposal": "are proposed by this study",
        "study decision": "were decided by this study",
    }.get(name, name)


def _results(account: Account) -> str:
    flow = account.tests
    whole = next((s for s in account.shares if (s.technique, s.centre) == (ALL, ALL)), None)
    if whole is None:
        return "The release holds no test."
    not_come = flow.n("attempted") - flow.n("delivered")
    planned = f"{words.count(not_come, 'planned test')} did not come. " if flow.is_planned else ""
    return (
        f"{planned}Of {words.count(flow.n('delivered'), 'test')} delivered, {flow.n('readable')} "
        f"could be read, {flow.n('judged')} judged, and {whole.n_accepted} were accepted "
        f"({whole.share_pct:.0f} %, exact binomial 95 % interval {whole.low_pct:.0f} to "
        f"{whole.high_pct:.0f} %), {whole.n_flagged} of them flagged; {flow.n('analysed')} give "
        f"an outcome. {_lost(flow)}"
    )


def _lost(flow: Flow) -> str:
    lost = [
        f"{n} by {why}" if step.key == "accepted" else f"{n} {why}"
        for step in flow.steps
        if step.key in ("judged", "accepted")
        for why, n in step.losses
    ]
    return f"Tests were not accepted: {listed(lost)}." if lost else ""


def _statistics(account: Account) -> str:
    equations: Sequence[str] = sorted(
        {key for s in account.spreads if s.n_z for key in s.equation.split(", ") if key}
    )
    scores = (
        f"z-scores are by {listed(equations)}. "
        if equations
        else "No outcome of this release has a z-score. "
    )
    return (
        f"{scores}Agreement of the centres' own results with the central ones is told as bias and "
        "95 % limits of agreement (Bland JM, Altman DG. Lancet 1986;1:307-310), pairs with a "
        "suspected slip of unit or gas condition left out and counted. Centres are compared "
        "within one class of equipment; unlike equipment is never pooled."
    )
