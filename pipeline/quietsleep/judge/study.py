"""Judge a whole study, block by block: no signal is read, and memory stays that of a few blocks."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.judge import evidence
from quietsleep.judge.agreement import agreement_frame
from quietsleep.judge.border import (
    deliveries_of_night,
    last_arrivals,
    loose_problem,
    problems_of_night,
    supersessions,
)
from quietsleep.judge.conservation import add_up, count_block, count_deliveries
from quietsleep.judge.contradictions import Contradiction, contradictions_of
from quietsleep.judge.expected import expected_frame
from quietsleep.judge.guard import Caught, Guard
from quietsleep.judge.plausible import with_history, with_surroundings
from quietsleep.judge.readers import (
    ReviewEffects,
    place_reviews,
    read_recordings,
    told_why,
    with_readers,
)
from quietsleep.judge.remarks import Remarks, joined, remarks_of
from quietsleep.judge.rules import rules_in_study
from quietsleep.judge.scores import load_references, with_growth, with_scores
from quietsleep.judge.tests import Evidence, Judged, judge_study
from quietsleep.measure.pool import Pool
from quietsleep.measure.roster import Roster
from quietsleep.records import IntArray, Problem
from quietsleep.store import ledger
from quietsleep.store.items import keys_of
from quietsleep.store.state import State, StoredMeasures
from quietsleep.store.tables import TableOnDisk, in_contract
from quietsleep.study.history import History
from quietsleep.study.review_log import Review
from quietsleep.study.study import Study, Waiver

ON_DISK = (
    "sessions", "recordings", "trials", "trial_values", "test_values", "check_values",
    "session_values", "session_checks", "verdicts", "tests", "outcomes", "checks", "reported",
    "agreement",
)  # fmt: skip
# Tables of which all rows are also needed at once; they have few a session.
KEPT = ("sessions", "checks", "outcomes", "agreement")


@dataclass(frozen=True, slots=True)
class JudgedStudy:
    """What a night found and judged: small tables whole, large ones spooled block by block.

    `without_consent` are sessions of which nothing is told, by centre and code.
    `trials_read` and `verdicts_read` are those of the trials that human readers decided on.
    `failures` are mistakes of ours in one score of one session, each with its traceback.
    """

    night: str
    study: Study
    effects: ReviewEffects
    rules: Sequence[Rule]
    deliveries: pd.DataFrame
    problems: pd.DataFrame
    sessions: pd.DataFrame
    checks: pd.DataFrame
    outcomes: pd.DataFrame
    agreement: pd.DataFrame
    conservation: pd.DataFrame
    expected: pd.DataFrame
    remarks: Remarks
    contradictions: Sequence[Contradiction]
    supersessions: pd.DataFrame
    without_consent: frozenset[tuple[str, str]]
    trials_read: pd.DataFrame
    verdicts_read: pd.DataFrame
    tables_on_disk: Mapping[str, TableOnDisk]
    failures: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class JudgingInputs:
    """What every block is judged with."""

    study: Study
    effects: ReviewEffects
    rules: Sequence[Rule]
    waivers: Sequence[Waiver]
    tables_on_disk: dict[str, TableOnDisk]


@dataclass(frozen=True, slots=True)
class JudgedBlock:
    """What is handed back of one block: its rows are on disk."""

    n_rows: dict[str, int]
    kept: dict[str, pd.DataFrame]
    counts: pd.DataFrame
    ledger: pd.DataFrame
    remarks: Remarks
    trials_read: pd.DataFrame
    verdicts_read: pd.DataFrame
    failures: Mapping[str, str]


def judge_block(inputs: JudgingInputs, given: tuple[Block, StoredMeasures]) -> JudgedBlock:
    """Judge one block by the rules in force and spool its rows; runs in any process."""
    block, stored = given
    roster = replace(
        block.roster,
        sessions=with_entries(block.roster.sessions, inputs.study),
        checks=with_entries(block.roster.checks, inputs.study),
    )
    gathered = with_readers(evidence.gather(stored, roster, inputs.study), inputs.effects)
    judged = told_why(
        judge_study(gathered, rules=inputs.rules, waivers=inputs.waivers), inputs.effects
    )
    gathered, judged = _with_checks_of(gathered, judged, block.checks_of)
    references, caught = load_references(inputs.study.path), Caught()
    outcomes = with_scores(
        judged.outcomes,
        judged.sessions,
        study=inputs.study,
        references=references,
        guard=caught.guarded,
    )
    frames = block_frames(
        gathered, judged, outcomes=outcomes, reported=roster.reported, guard=caught.guarded
    )
    n_rows = {
        name: on_disk.add(in_contract(frames[name], name), block=block.number)
        for name, on_disk in inputs.tables_on_disk.items()
    }
    read = {(p.review.centre, p.trial) for p in inputs.effects.standing}
    return JudgedBlock(
        n_rows=n_rows,
        kept={name: {**frames, "checks": judged.checks}[name] for name in KEPT},
        counts=count_block(gathered.recordings, judged.trials),
        ledger=ledger.rows_of_block(
            sessions=judged.sessions,
            recordings=gathered.recordings,
            checks=judged.checks,
            trials=judged.trials,
        ),
        remarks=remarks_of(gathered, judged, inputs.rules),
        trials_read=_among(judged.trials, "trial", read),
        verdicts_read=_among(judged.verdicts, "item", read),
        failures=caught.failures,
    )


def with_entries(rows: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Add which entry of its device was in force on the day of each session or check."""
    found = [
        study.device_on(device, day) if isinstance(device, str) and isinstance(day, date) else None
        for device, day in zip(rows["device"], rows["on"], strict=True)
    ]
    days = [None if device is None else device.valid_from for device in found]
    return rows.assign(device_valid_from=pd.Series(days, index=rows.index, dtype="object"))


def block_frames(
    evidence: Evidence,
    judged: Judged,
    *,
    outcomes: pd.DataFrame,
    reported: pd.DataFrame,
    guard: Guard,
) -> dict[str, pd.DataFrame]:
    """Return the frames that one block of sessions adds to, by warehouse table."""
    return {
        "sessions": judged.sessions.rename(columns={"on": "tested_on"}),
        "recordings": _recordings(evidence),
        "trials": judged.trials,
        "trial_values": evidence.trial_values,
        "test_values": judged.test_values.rename(columns={"item": "test"}),
        "check_values": evidence.check_values,
        "session_values": evidence.session_values,
        "session_checks": evidence.session_checks,
        "verdicts": judged.verdicts,
        "tests": _tests(judged),
        "outcomes": outcomes,
        "checks": judged.checks.rename(
            columns={"recorded": "state", "code": "code_fingerprint", "on": "done_on"}
        ),
        "reported": reported,
        "agreement": agreement_frame(reported, outcomes, judged.sessions, guard=guard),
    }


def _recordings(evidence: Evidence) -> pd.DataFrame:
    trials = evidence.trials
    counts = trials.groupby(["centre", "item"]).size().rename("n_trials").reset_index()
    rows = evidence.recordings.merge(counts, on=["centre", "item"], how="left")
    rows["n_trials"] = rows["n_trials"].fillna(0)
    return rows.rename(columns={"code": "code_fingerprint"})


def _tests(judged: Judged) -> pd.DataFrame:
    of_session = judged.sessions[["centre", "session", "tested_at", "operator", "device"]]
    tests = judged.tests.merge(of_session, on=["centre", "session"], how="left")
    return tests.rename(columns={"on": "tested_on"})


@dataclass(slots=True)
class _Sum:
    """What the blocks have come to so far."""

    kept: dict[str, list[pd.DataFrame]] = field(default_factory=dict)
    counts: list[pd.DataFrame] = field(default_factory=list)
    remarks: list[Remarks] = field(default_factory=list)
    trials_read: list[pd.DataFrame] = field(default_factory=list)
    verdicts_read: list[pd.DataFrame] = field(default_factory=list)
    caught: Caught = field(default_factory=Caught)

    def add(self, block: JudgedBlock) -> None:
        """Add one block."""
        for name, rows in block.kept.items():
            self.kept.setdefault(name, []).append(rows)
        self.counts.append(block.counts)
        self.remarks.append(block.remarks)
        self.trials_read.append(block.trials_read)
        self.verdicts_read.append(block.verdicts_read)
        self.caught.add(block.failures)


def judge(
    study: Study,
    state: State,
    pool: Pool,
    roster: Roster,
    *,
    reviews: Sequence[Review],
    history: History,
    night: str,
    now: datetime,
    strays: Sequence[Problem] = (),
) -> JudgedStudy:
    """Judge everything measured by the rules in force, and write what became of it in the ledger.

    `roster` rows carry the content keys of what was measured; the rows of large tables go to disk.
    `now` is when the night began; `strays` are problems of this night that are not those of what a
    delivery brought.
    """
    inputs = _judging_inputs(state, study, roster, reviews)
    # Before the roster is cut into blocks: an infant's sessions may lie in several of them.
    found = _Sum()
    growth = with_growth(roster.sessions, guard=found.caught.guarded)
    grown = with_surroundings(growth, study.centres)
    roster = replace(roster, sessions=with_history(grown))
    ledger.begin_ledger(state)
    blocks = list(blocks_of(roster, workers=pool.workers))
    state.lay_out(_places(blocks))
    for judged in pool.stream(partial(judge_block, inputs), _given(state, blocks)):
        for name, on_disk in inputs.tables_on_disk.items():
            on_disk.note(judged.n_rows[name])
        ledger.add_to_ledger(state, judged.ledger)
        found.add(judged)
    state.clear_layout()
    deliveries = deliveries_of_night(state, roster, history)
    ledger.add_to_ledger(state, ledger.rows_of_deliveries(deliveries))
    ledger.write_ledger(state, night)
    contradictions = contradictions_of(roster, inputs.rules)
    kept = {name: _joined(frames) for name, frames in found.kept.items()}
    expected = expected_frame(
        study,
        sessions=kept["sessions"],
        recordings=roster.recordings,
        last_arrivals=last_arrivals(deliveries),
        now=now,
    )
    counted = [*found.counts, *count_deliveries(roster)]
    counts = add_up(counted, centres=list(study.centres), night=night)
    return JudgedStudy(
        night=night,
        study=study,
        effects=inputs.effects,
        rules=inputs.rules,
        deliveries=deliveries,
        problems=problems_of_night(
            state,
            roster,
            deliveries,
            night=night,
            loose=[*(loose_problem(p) for p in strays), *(c.row for c in contradictions)],
        ),
        **kept,
        conservation=in_contract(counts, "conservation"),
        expected=in_contract(expected, "expected"),
        remarks=joined(found.remarks),
        contradictions=contradictions,
        supersessions=supersessions(roster, history),
        without_consent=frozenset(
            roster.sessions_without_consent.itertuples(index=False, name=None)
        ),
        trials_read=_joined(found.trials_read),
        verdicts_read=_joined(found.verdicts_read),
        tables_on_disk=inputs.tables_on_disk,
        failures=found.caught.failures,
    )


def _given(state: State, blocks: Sequence[Block]) -> Iterator[tuple[Block, StoredMeasures]]:
    for block in blocks:
        yield block, state.stored(block.number)


def _judging_inputs(
    state: State, study: Study, roster: Roster, reviews: Sequence[Review]
) -> JudgingInputs:
    read = read_recordings(reviews, roster.recordings)
    trials = evidence.trials_of(state.of_keys("trials", read["content_key"]), read)
    effects = place_reviews(reviews, read, trials)
    return JudgingInputs(
        study=study,
        effects=effects,
        rules=rules_in_study(contract.RULES.values(), study.limit_changes),
        waivers=(*study.waivers, *effects.waivers),
        tables_on_disk=_tables_on_disk(study.work_path / "judged"),
    )


def _tables_on_disk(folder: Path) -> dict[str, TableOnDisk]:
    tables_on_disk = {name: TableOnDisk(folder, contract.TABLES[name]) for name in ON_DISK}
    for on_disk in tables_on_disk.values():
        on_disk.clear()
    return tables_on_disk


def _places(blocks: Sequence[Block]) -> pd.DataFrame:
    """Return which measures belong to which block."""
    frames = [
        rows[["content_key"]].dropna().drop_duplicates().assign(block=block.number)
        for block in blocks
        for rows in (block.roster.recordings, block.roster.checks)
    ]
    columns = {"content_key": pd.Series(dtype="str"), "block": pd.Series(dtype="int64")}
    return pd.concat([pd.DataFrame(columns), *frames], ignore_index=True).drop_duplicates()


def _with_checks_of(
    gathered: Evidence, judged: Judged, centres: frozenset[str]
) -> tuple[Evidence, Judged]:
    """Leave out the checks of other centres, which were judged with an earlier block."""
    values, checks, verdicts = gathered.check_values, judged.checks, judged.verdicts
    if centres.issuperset(checks["centre"]):
        return gathered, judged
    kept = (verdicts["item_kind"] != "check") | verdicts["centre"].isin(centres)
    return replace(gathered, check_values=values[values["centre"].isin(centres)]), replace(
        judged, checks=checks[checks["centre"].isin(centres)], verdicts=verdicts[kept]
    )


def _among(items: pd.DataFrame, name: str, read: set[tuple[str, str | None]]) -> pd.DataFrame:
    """Return the rows of items that readers decided on."""
    if not read:
        return items.iloc[:0]
    keys = zip(items["centre"], items[name], strict=True)
    return items[np.array([key in read for key in keys], bool)]


def _joined(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put the rows of all blocks together; a study without any has the columns all the same."""
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else frames[0]


RECORDINGS_A_BLOCK = 1_000
# So few are judged in about the time that a block costs by itself: not worth another one.
WORTH_A_BLOCK = 250
# Stands for the sessions of a centre of which none counts: its checks and held rows are judged.
NO_SESSION = ""
OF_A_SESSION = ("sessions", "recordings", "reported", "session_checks")
# What judging does not ask for.
OF_NO_BLOCK = ("superseded", "delivered", "withdrawn", "sessions_without_consent")


@dataclass(frozen=True, slots=True)
class Block:
    """Sessions of one centre or of several with all that belongs to them.

    The checks of a centre are judged with its first block (`checks_of` names those centres); the
    later blocks hold those that their sessions rest on.
    """

    number: int
    roster: Roster
    checks_of: frozenset[str]


def blocks_of(roster: Roster, *, workers: int) -> Iterator[Block]:
    """Cut a roster into blocks; every row is in one block, but for checks.

    A roster without any row is one block without any. Codes of sessions and checks are a centre's
    own, so both are known by their centre and code.
    """
    of_session, first_of = _number_blocks(roster, workers)
    checks = keys_of(roster.checks, "check_id")

    def numbers(rows: pd.DataFrame) -> IntArray:
        # What belongs to no session that counts is taken with the first of its centre.
        found = (of_session.get(key, first_of[key[0]]) for key in keys_of(rows, "session"))
        return np.fromiter(found, np.int64, len(rows))

    block_of = {name: numbers(getattr(roster, name)) for name in OF_A_SESSION}
    for number in range(1, max(of_session.values(), default=1) + 1):
        own = {name: getattr(roster, name)[of == number] for name, of in block_of.items()}
        centres = frozenset(centre for centre, first in first_of.items() if first == number)
        linked = set(keys_of(own["session_checks"], "check_id"))
        needed = np.array([key[0] in centres or key in linked for key in checks], bool)
        nothing = {name: getattr(roster, name).iloc[:0] for name in OF_NO_BLOCK}
        yield Block(number, Roster(**own, **nothing, checks=roster.checks[needed]), centres)


def _number_blocks(
    roster: Roster, workers: int
) -> tuple[dict[tuple[str, str], int], dict[str, int]]:
    """Return the block of each session, by centre and code, and the first block of each centre.

    Sessions are taken centre by centre until their recordings and checks fill a block: it is small
    enough for the memory, and for each worker to have one of a large study.
    """
    n_recordings = Counter(keys_of(roster.recordings, "session"))
    n_checks = Counter(roster.checks["centre"].tolist())
    whole = n_recordings.total() + n_checks.total()
    room = min(RECORDINGS_A_BLOCK, max(WORTH_A_BLOCK, whole // workers))
    sessions: dict[str, list[str]] = {centre: [] for centre in sorted(_centres(roster))}
    for centre, session in sorted(keys_of(roster.sessions, "session")):
        sessions[centre].append(session)
    of_session: dict[tuple[str, str], int] = {}
    first_of: dict[str, int] = {}
    number, n_held = 1, 0
    for centre, codes in sessions.items():
        coming = n_checks[centre]
        for code in codes or [NO_SESSION]:
            coming += n_recordings[centre, code]
            if n_held and n_held + coming > room:
                number, n_held = number + 1, 0
            of_session[centre, code] = number
            first_of.setdefault(centre, number)
            n_held, coming = n_held + coming, 0
    return of_session, first_of


def _centres(roster: Roster) -> set[str]:
    frames = (roster.sessions, roster.recordings, roster.checks, roster.reported)
    return {str(centre) for frame in frames for centre in frame["centre"].unique()}
