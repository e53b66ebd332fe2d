"""Judge a whole study, block by block: no signal is read, and memory stays that of a few blocks.

What a block was judged to is taken over by later nights until something that it rests on changes.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import date, datetime
from functools import partial
from pathlib import Path
from platform import python_version

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.judge import evidence
from quietsleep.judge.agreement import agreement_frame
from quietsleep.judge.blocks import OF_A_SESSION, Block, blocks_of
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
from quietsleep.judge.kept import KeptBlocks, digest_of_frames
from quietsleep.judge.plausible import with_history, with_surroundings
from quietsleep.judge.readers import (
    ReviewEffects,
    place_reviews,
    read_recordings,
    told_why,
    with_readers,
)
from quietsleep.judge.remarks import Remarks, remarks_of
from quietsleep.judge.rules import rules_in_study
from quietsleep.judge.scores import load_references, with_growth, with_scores
from quietsleep.judge.tests import Evidence, Judged, judge_study
from quietsleep.measure.fingerprint import program_fingerprint, registration_digest
from quietsleep.measure.pool import Pool
from quietsleep.measure.roster import Roster
from quietsleep.records import Problem
from quietsleep.store import ledger
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
WHOLE = ("sessions", "checks", "outcomes", "agreement")
REMARKS = tuple(field.name for field in fields(Remarks))
# What a night asks of each block besides rows of tables.
TOLD = (*WHOLE, "counts", "ledger", *REMARKS, "trials_read", "verdicts_read")


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
    """What sessions are judged with, besides their rows and what was measured of them."""

    study: Study
    effects: ReviewEffects
    rules: Sequence[Rule]
    waivers: Sequence[Waiver]

    def of(self, block: Block) -> JudgingInputs:
        """Leave out what is of other centres than those of a block and of its devices."""
        frames = (block.roster.sessions, block.roster.recordings, block.roster.checks)
        centres = {str(centre) for rows in frames for centre in rows["centre"].unique()}
        named = {code for rows in frames if "device" in rows for code in rows["device"].dropna()}
        devices = {d.device: d for d in self.study.devices.values() if d.device in named}
        of_devices = {device.centre for device in devices.values()}
        study = Study(
            path=self.study.path,
            name=self.study.name,
            title=self.study.title,
            centres={c: v for c, v in self.study.centres.items() if c in centres | of_devices},
            reference_files=self.study.reference_files,
            devices=devices,
        )
        placed = tuple(p for p in self.effects.placed if p.review.centre in centres)
        waivers = [waiver for waiver in self.waivers if waiver.centre in centres]
        return JudgingInputs(study, ReviewEffects(placed, ()), self.rules, waivers)

    def digest(self, shared: str) -> bytes:
        """Return a digest of all of it; `shared` stands for what all blocks have in common."""
        centres = [registration_digest(centre) for centre in self.study.centres.values()]
        said = (shared, centres, self.effects, self.waivers)
        return hashlib.sha256(repr(said).encode("utf-8", "surrogatepass")).digest()

    def digest_of_shared(self) -> str:
        """Return a digest of the program, the rules and the equations of the study."""
        equations = [(path.name, path.read_bytes()) for path in self.study.reference_files]
        said = (program_fingerprint(), python_version(), self.rules, equations)
        return hashlib.sha256(repr(said).encode("utf-8", "surrogatepass")).hexdigest()


@dataclass(frozen=True, slots=True)
class BlockToJudge:
    """A block, what it is judged with, and what was measured of it; its files bear `name`."""

    name: str
    block: Block
    inputs: JudgingInputs
    stored: StoredMeasures


def judge_block(kept: KeptBlocks, given: BlockToJudge) -> Mapping[str, str]:
    """Judge one block by the rules in force and put what it comes to on disk, in any process.

    Returns mistakes of ours in one score of one session, each with its traceback.
    """
    block, inputs = given.block, given.inputs
    roster = replace(
        block.roster,
        sessions=with_entries(block.roster.sessions, inputs.study),
        checks=with_entries(block.roster.checks, inputs.study),
    )
    gathered = with_readers(evidence.gather(given.stored, roster, inputs.study), inputs.effects)
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
    read = {(p.review.centre, p.trial) for p in inputs.effects.standing}
    remarks = remarks_of(gathered, judged, inputs.rules)
    told = {
        **{name: {**frames, "checks": judged.checks}[name] for name in WHOLE},
        "counts": count_block(gathered.recordings, judged.trials),
        "ledger": ledger.rows_of_block(
            sessions=judged.sessions,
            recordings=gathered.recordings,
            checks=judged.checks,
            trials=judged.trials,
        ),
        **{name: getattr(remarks, name) for name in REMARKS},
        "trials_read": _among(judged.trials, "trial", read),
        "verdicts_read": _among(judged.verdicts, "item", read),
    }
    kept.write(given.name, rows=frames, told=told)
    return caught.failures


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
    anew: bool = False,
) -> JudgedStudy:
    """Judge everything measured by the rules in force, and write what became of it in the ledger.

    `roster` rows carry the content keys of what was measured; the rows of large tables go to disk.
    `now` is when the night began; `strays` are problems of this night that are not those of what a
    delivery brought. What blocks were judged to before is taken over where nothing that they rest
    on changed, unless all is to be judged `anew`.
    """
    caught = Caught()
    # Before the roster is cut into blocks: an infant's sessions may lie in several of them.
    growth = with_growth(roster.sessions, guard=caught.guarded)
    grown = with_surroundings(growth, study.centres)
    roster = replace(roster, sessions=with_history(grown))
    inputs = _judging_inputs(state, study, roster, reviews)
    kept = _kept_blocks(study.work_path / "judged")
    ledger.begin_ledger(state)
    told = _told(state, pool, kept, inputs=inputs, roster=roster, caught=caught, anew=anew)
    deliveries = deliveries_of_night(state, roster, history)
    ledger.add_to_ledger(state, ledger.rows_of_deliveries(deliveries))
    ledger.write_ledger(state, night)
    contradictions = contradictions_of(roster, inputs.rules)
    whole = {name: _joined(frames) for name, frames in told.items() if name != "counts"}
    expected = expected_frame(
        study,
        sessions=whole["sessions"],
        recordings=roster.recordings,
        last_arrivals=last_arrivals(deliveries),
        now=now,
    )
    counted = [*told["counts"], *count_deliveries(roster)]
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
        **{name: whole[name] for name in WHOLE},
        conservation=in_contract(counts, "conservation"),
        expected=in_contract(expected, "expected"),
        remarks=Remarks(**{name: whole[name] for name in REMARKS}),
        contradictions=contradictions,
        supersessions=supersessions(roster, history),
        without_consent=frozenset(
            roster.sessions_without_consent.itertuples(index=False, name=None)
        ),
        trials_read=whole["trials_read"],
        verdicts_read=whole["verdicts_read"],
        tables_on_disk=kept.tables,
        failures=caught.failures,
    )


def _told(
    state: State,
    pool: Pool,
    kept: KeptBlocks,
    *,
    inputs: JudgingInputs,
    roster: Roster,
    caught: Caught,
    anew: bool,
) -> dict[str, list[pd.DataFrame]]:
    """Judge the blocks that nothing stands for, and return what is told of all, block by block."""
    blocks = dict(named_blocks(state, inputs, blocks_of(roster)))
    standing = kept.take_over(state, () if anew else blocks)
    left = {name: block for name, block in blocks.items() if name not in standing}
    state.lay_out(_places(left.values()))
    sound: list[str] = []
    work = partial(judge_block, kept)
    for name, failures in zip(left, pool.stream(work, _to_judge(state, inputs, left)), strict=True):
        caught.add(failures)
        sound += [] if failures else [name]
    state.clear_layout()
    found: dict[str, list[pd.DataFrame]] = defaultdict(list)
    for name in blocks:
        told = kept.read(name)
        ledger.add_to_ledger(state, told.pop("ledger"))
        for frame, rows in told.items():
            found[frame].append(rows)
    kept.remember(state, standing, sound)
    return found


def named_blocks(
    state: State, inputs: JudgingInputs, blocks: Iterable[Block]
) -> Iterator[tuple[str, Block]]:
    """Name each block by a digest of all that it is judged by."""
    measured = state.frame("SELECT content_key, night, state, sentence FROM measured")
    measured = measured.set_index("content_key")
    shared = inputs.digest_of_shared()
    for block in blocks:
        rows = (getattr(block.roster, name) for name in (*OF_A_SESSION, "checks"))
        of_block = measured.reindex(block.content_keys).reset_index()
        digest = hashlib.sha256(inputs.of(block).digest(shared))
        digest.update(repr(sorted(block.checks_of)).encode())
        digest.update(digest_of_frames([*rows, of_block]))
        yield digest.hexdigest()[:32], block


def _to_judge(
    state: State, inputs: JudgingInputs, blocks: Mapping[str, Block]
) -> Iterator[BlockToJudge]:
    for name, block in blocks.items():
        yield BlockToJudge(name, block, inputs.of(block), state.stored(block.number))


def _kept_blocks(folder: Path) -> KeptBlocks:
    tables = {name: TableOnDisk(folder, contract.TABLES[name]) for name in ON_DISK}
    return KeptBlocks(folder, tables, TOLD)


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
    )


def _places(blocks: Iterable[Block]) -> pd.DataFrame:
    """Return which measures belong to which block."""
    frames = [block.content_keys.to_frame().assign(block=block.number) for block in blocks]
    columns = {"content_key": pd.Series(dtype="str"), "block": pd.Series(dtype="int64")}
    return pd.concat([pd.DataFrame(columns), *frames], ignore_index=True)


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
