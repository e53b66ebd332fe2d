"""All that a person has to look at tonight: the causes of data queries, found in what was judged.

A cause is the same one as long as its subject is; its facts say whether it is as it was.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from quietsleep import contract
from quietsleep.contract.model import remedy_for
from quietsleep.contract.wording import spaced
from quietsleep.judge.border import HELD
from quietsleep.judge.remarks import CONSENT_RULE
from quietsleep.judge.subjects import QuerySubject, held_tonight, subjects_of_problems, text
from quietsleep.store.items import keys_of

if TYPE_CHECKING:
    from quietsleep.judge.study import JudgedStudy

# What of the schedule a person has to look at, and the kind of query that it is.
OUTSTANDING = {
    ("delivery", "overdue"): "delivery_late",
    ("visit", "missing"): "visit_missing",
    ("visit", "unplanned"): "visit_unplanned",
    ("followup_call", "overdue"): "call_overdue",
    ("technique", "missing"): "technique_missing",
}
# Kinds whose sentences grow while the cause stays what it was: their facts are the subject alone.
SAME_WHILE_IT_STANDS = frozenset(
    {"delivery_gone", "delivery_arriving", "column_unread", "delivery_late", "nothing_delivered"}
)


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that a person has to look at.

    `facts` are what an answer rests on; `sessions` and `infant` are whom it concerns, so that it
    can be taken out with them.
    """

    subject: QuerySubject
    sentence: str
    remedy: str
    facts: str
    sessions: tuple[str, ...] = ()
    infant: str = ""


@dataclass(frozen=True, slots=True)
class Causes:
    """The causes of a night, the most urgent first, and of which each problem is a part."""

    found: tuple[Cause, ...]
    of_problems: tuple[QuerySubject, ...] = ()


@dataclass(slots=True)
class _Draft:
    """What is gathered of one cause."""

    sentences: list[str] = field(default_factory=list)
    remedies: list[str] = field(default_factory=list)
    facts: list[str] = field(default_factory=list)
    sessions: tuple[str, ...] = ()
    infant: str = ""


def causes_of(judged: JudgedStudy, notices: Sequence[str] = ()) -> Causes:
    """Find all that a person has to look at, each once; `notices` are what the machines say."""
    drafts: dict[QuerySubject, _Draft] = {}
    of_problems = _of_problems(judged, drafts)
    for subject, draft in (
        *_of_verdicts(judged),
        *_of_checks(judged),
        *_of_contradictions(judged),
        *_of_supersessions(judged),
        *_of_reported(judged),
        *_of_schedule(judged),
        *_of_centres(judged),
        *((QuerySubject("night_notice", item=digest([said])), _Draft([said])) for said in notices),
    ):
        _add(drafts.setdefault(subject, _Draft()), draft)
    order = {kind: place for place, kind in enumerate(contract.QUERIES.kinds)}
    ordered = sorted(drafts, key=lambda subject: (order[subject.kind], subject))
    return Causes(tuple(_cause(subject, drafts[subject]) for subject in ordered), of_problems)


def digest(facts: Iterable[str]) -> str:
    """Return a short digest of facts, whatever their order."""
    said = json.dumps(sorted(set(facts)), ensure_ascii=False)
    return hashlib.sha256(said.encode("utf-8", "surrogateescape")).hexdigest()[:12]


def default_sentence(subject: QuerySubject) -> str:
    """Return what is said of a subject where the facts are not at hand."""
    return _about(subject, contract.QUERIES.kinds[subject.kind].sentence)


def _about(subject: QuerySubject, words: str) -> str:
    said = words.format(**subject._asdict())
    return " ".join(said.split()).replace(" .", ".")


def _cause(subject: QuerySubject, draft: _Draft) -> Cause:
    kind = contract.QUERIES.kinds[subject.kind]
    sentences = list(dict.fromkeys(s for s in draft.sentences if s))
    more = len(sentences) - 1
    if sentences and kind.lead:
        sentences[0] = f"{_about(subject, kind.lead)} {sentences[0]}"
    elif not sentences:
        sentences = [_about(subject, kind.lead or kind.sentence)]
    remedies = list(dict.fromkeys(r for r in draft.remedies if r))
    facts = [] if subject.kind in SAME_WHILE_IT_STANDS else [*draft.sentences, *draft.facts]
    return Cause(
        subject=subject,
        sentence=sentences[0] + (f" {more} more with it." if more > 0 else ""),
        remedy=remedies[0] if remedies else kind.remedy,
        facts=digest(facts),
        sessions=draft.sessions or ((subject.session,) if subject.session else ()),
        infant=draft.infant,
    )


def _add(draft: _Draft, more: _Draft) -> None:
    draft.sentences += more.sentences
    draft.remedies += more.remedies
    draft.facts += more.facts
    draft.sessions = draft.sessions or more.sessions
    draft.infant = draft.infant or more.infant


def _of_problems(
    judged: JudgedStudy, drafts: dict[QuerySubject, _Draft]
) -> tuple[QuerySubject, ...]:
    """Gather the problems of each query, and what is held without one; amendments come first."""
    held = held_tonight(judged)
    subjects = subjects_of_problems(judged.problems, held)
    rows = [*zip(subjects, judged.problems.to_dict("records"), strict=True)]
    for subject, problem in sorted(rows, key=lambda pair: pair[1]["kind"] != HELD):
        draft = drafts.setdefault(subject, _Draft())
        draft.sentences.append(text(problem["sentence"]))
        draft.remedies.append(text(problem["remedy"]))
        draft.facts.append(text(problem["delivery"]))
    for subject in held.all_subjects():
        draft = drafts.setdefault(subject, _Draft())
        delivery, why = held.why.get(subject, ("", ""))
        draft.facts.append(delivery)
        if not draft.sentences:
            draft.sentences.append(why)
    return tuple(subjects)


def _of_verdicts(judged: JudgedStudy) -> Iterator[tuple[QuerySubject, _Draft]]:
    """Yield alerts, consent that was not recorded, and slips."""
    for row in judged.remarks.alerts.to_dict("records"):
        rule = contract.RULES[row["rule"]]
        is_consent = row["rule"] == CONSENT_RULE
        kind = "consent_missing" if is_consent else "safety_alert"
        item = "" if is_consent else row["rule"]
        remedy = remedy_for(rule.remedy, rule.remedy_missing, is_missing=pd.isna(row["observed"]))
        said = f"Session {row['session']}: {row['sentence']}"
        yield (
            QuerySubject(kind, row["centre"], session=row["session"], item=item),
            _Draft([said], [remedy]),
        )
    for row in judged.remarks.slips.to_dict("records"):
        subject = QuerySubject(
            "suspected_slip", row["centre"], session=row["session"], item=row["item"]
        )
        yield (
            subject,
            _Draft([f"Session {row['session']}, {spaced(row['item'])}: {row['sentence']}"]),
        )


def _of_checks(judged: JudgedStudy) -> Iterator[tuple[QuerySubject, _Draft]]:
    """Yield checks out of tolerance that no later one settled, and checks that nobody delivered."""
    checks = judged.checks
    good = checks[checks["status"] == "accepted"].groupby(["centre", "device", "kind"])["done_at"]
    last_good = good.max().to_dict()
    read = checks["recorded"].isin(["measured", "no_trial"]) & (checks["status"] != "accepted")
    for row in checks[read].to_dict("records"):
        settled = last_good.get((row["centre"], row["device"], row["kind"]))
        if settled is None or not settled > row["done_at"]:
            said = f"The {spaced(row['kind'])} check {row['check_id']} is out of tolerance: "
            yield (
                QuerySubject("check_failed", row["centre"], item=row["check_id"]),
                _Draft([said + text(row["why"])]),
            )
    held = checks[checks["recorded"] == "quarantined"]
    columns = (held[name] for name in ("centre", "device", "on", "kind"))
    waiting = {*zip(*columns, strict=True)}
    of_session = judged.sessions[["centre", "session", "device", "tested_on"]]
    for row in judged.remarks.lacking.merge(of_session, on=["centre", "session"]).to_dict(
        "records"
    ):
        if (row["centre"], row["device"], row["tested_on"], row["kind"]) in waiting:
            continue
        said = (
            f"Session {row['session']}: no {spaced(row['kind'])} check of {row['device']} was "
            "delivered for its day, before the test."
        )
        subject = QuerySubject(
            "check_missing", row["centre"], session=row["session"], item=row["kind"]
        )
        yield subject, _Draft([said])


def _of_contradictions(judged: JudgedStudy) -> Iterator[tuple[QuerySubject, _Draft]]:
    """Yield whom each contradiction concerns; what it says is a problem already."""
    sessions = judged.sessions
    infants = dict(zip(keys_of(sessions, "session"), sessions["infant"], strict=True))
    for each in judged.contradictions:
        known = {text(infants.get((each.centre, session))) for session in each.sessions} - {""}
        infant = known.pop() if len(known) == 1 and each.centre else ""
        subject = QuerySubject(each.kind, each.centre, item=each.about)
        yield subject, _Draft(sessions=each.sessions, infant=infant)


def _of_supersessions(judged: JudgedStudy) -> Iterator[tuple[QuerySubject, _Draft]]:
    """Yield what had been accepted and was replaced, one a session and delivery, or a check."""
    rows = judged.supersessions[judged.supersessions["was_accepted"]]
    found: dict[QuerySubject, list[dict[Any, Any]]] = {}
    for row in rows.to_dict("records"):
        item = row["item"] if row["item_kind"] == "check" else ""
        subject = QuerySubject(
            "accepted_superseded", row["centre"], row["by_delivery"], text(row["session"]), item
        )
        found.setdefault(subject, []).append(row)
    for subject, own in found.items():
        kinds = [row["item_kind"] for row in own]
        parts = [
            words.format(kinds.count(kind))
            for kind, words in (("session", "its row"), ("recording", "{} recording(s)"))
            if kind in kinds
        ]
        of_what = f"session {subject.session}: {' and '.join(parts)}" if subject.session else ""
        yield (
            subject,
            _Draft(
                [f"Delivery {subject.delivery} replaces what had been accepted of "
                 f"{of_what or f'check {subject.item}'}."],
                facts=[f"{row['item_kind']} {row['item']} {row['delivery']}" for row in own],
            ),
        )  # fmt: skip


def _of_reported(judged: JudgedStudy) -> Iterator[tuple[QuerySubject, _Draft]]:
    """Yield outcomes that a centre reports at a known factor from the central ones."""
    pairs = judged.agreement
    suspected = pairs[pairs["suspected_cause"].notna() & (pairs["suspected_cause"] != "none")]
    for (centre, outcome), own in suspected.groupby(["centre", "outcome"], sort=True):
        causes = sorted({str(cause) for cause in own["suspected_cause"]})
        said = (
            f"What is reported as {outcome} differs from the central result by a known factor "
            f"({', '.join(spaced(cause) for cause in causes)})."
        )
        yield (
            QuerySubject("suspected_slip", str(centre), item=f"reported {outcome}"),
            _Draft([said], facts=causes),
        )


def _of_schedule(judged: JudgedStudy) -> Iterator[tuple[QuerySubject, _Draft]]:
    """Yield what the schedule expects and a person has to look at."""
    for row in judged.expected.to_dict("records"):
        kind = OUTSTANDING.get((row["what"], row["state"]))
        if kind is None:
            continue
        centre, session, infant = row["centre"], text(row["session"]), text(row["infant"])
        item = text(row["item"])
        if kind == "delivery_late":
            item, said = "", f"The next delivery of {centre} was due on {row['due_on']}."
        elif kind == "visit_missing":
            until = f" until {row['latest_on']}"
            said = f"Visit {row['visit']} of infant {infant} was expected{until} and did not come."
        elif kind == "visit_unplanned":
            said = (
                f"Session {session} is of visit {row['visit']}, which the schedule does not know."
            )
        elif kind == "call_overdue":
            item, said = "", f"No follow-up call after session {session} is recorded."
        else:
            item = text(row["technique"])
            said = f"Session {session}: {spaced(item)} was planned, and no recording of it came."
        yield QuerySubject(kind, centre, session=session, item=item), _Draft([said], infant=infant)


def _of_centres(judged: JudgedStudy) -> Iterator[tuple[QuerySubject, _Draft]]:
    """Yield centres that never delivered and of which no schedule says when, or without a file."""
    awaited = set(judged.expected.loc[judged.expected["what"] == "delivery", "centre"])
    heard_of = set(judged.deliveries["centre"]) | awaited
    for centre in judged.study.centres.values():
        if centre.centre not in heard_of and centre.retired_on is None:
            said = f"{centre.centre} has delivered nothing."
            yield QuerySubject("nothing_delivered", centre.centre), _Draft([said])
    for code in judged.study.vanished:
        said = (
            f"The file centres/{code}.toml is gone, but {code} was not retired: what it delivered "
            "stays as it was."
        )
        yield QuerySubject("centre_file_gone", code), _Draft([said])
