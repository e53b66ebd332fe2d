"""Judge a whole study, block by block: no signal is read, and memory stays that of one block."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

import contracts
from contracts import Rule
from pipeline import evidence, ledger
from pipeline.acceptance import rules_in_study
from pipeline.blocks import Block, blocks_of
from pipeline.conservation import add_up, count_block
from pipeline.intake.discover import find_strays
from pipeline.judging import Evidence, Judged, judge_study
from pipeline.references import References, load_references
from pipeline.review.decisions import Chain
from pipeline.review.effects import (
    Reviewed,
    place_reviews,
    read_recordings,
    told_why,
    with_readers,
)
from pipeline.roster import Roster
from pipeline.scoring import with_growth, with_scores
from pipeline.standing import deliveries_tonight, problems_tonight
from pipeline.state import State
from pipeline.study import Study, Waiver
from pipeline.warehouse.frames import Tonight, block_frames, in_contract
from pipeline.warehouse.rows import Spool

# Tables of which all rows are also needed at once; they have few a visit.
KEPT = ("sessions", "checks", "outcomes", "agreement")


@dataclass(slots=True)
class _Judging:
    """A study being judged: what every block needs, and what they have come to so far."""

    state: State
    study: Study
    reviewed: Reviewed
    rules: Sequence[Rule]
    waivers: Sequence[Waiver]
    references: References
    spools: dict[str, Spool]
    kept: dict[str, list[pd.DataFrame]] = field(default_factory=dict)
    counts: list[pd.DataFrame] = field(default_factory=list)
    trials_read: list[pd.DataFrame] = field(default_factory=list)
    verdicts_read: list[pd.DataFrame] = field(default_factory=list)

    def judge(self, block: Block) -> None:
        """Judge one block and hand its rows on."""
        roster = replace(block.roster, sessions=with_growth(block.roster.sessions))
        gathered = evidence.gather(self.state.stored(block.number), roster)
        gathered = with_readers(gathered, self.reviewed)
        judged = told_why(
            judge_study(gathered, rules=self.rules, waivers=self.waivers), self.reviewed
        )
        if not block.has_checks:
            gathered, judged = _without_checks(gathered, judged)
        outcomes = with_scores(
            judged.outcomes, judged.sessions, study=self.study, references=self.references
        )
        frames = block_frames(gathered, judged, outcomes=outcomes, reported=roster.reported)
        for name, spool in self.spools.items():
            spool.add(in_contract(frames[name], name))
        ledger.note_block(self.state, gathered, judged)
        self._keep(gathered, judged, {**frames, "checks": judged.checks})

    def _keep(self, gathered: Evidence, judged: Judged, frames: dict[str, pd.DataFrame]) -> None:
        for name in KEPT:
            self.kept.setdefault(name, []).append(frames[name])
        self.counts.append(count_block(gathered.recordings, judged.trials))
        read = {(p.review.centre, p.trial) for p in self.reviewed.standing}
        for items, name, kept in (
            (judged.trials, "trial", self.trials_read),
            (judged.verdicts, "item", self.verdicts_read),
        ):
            keys = zip(items["centre"], items[name], strict=True)
            kept.append(items[[key in read for key in keys]] if read else items.iloc[:0])


def judge_in_blocks(
    state: State, study: Study, roster: Roster, *, chain: Chain, night: str
) -> Tonight:
    """Judge everything by the rules in force; the rows of large tables are spooled to disk.

    `roster` rows carry the content keys of what was measured.
    """
    judging = _prepare(state, study, roster, chain)
    ledger.begin_ledger(state)
    blocks = list(blocks_of(roster))
    state.lay_out(_places(blocks))
    for block in blocks:
        judging.judge(block)
    state.clear_layout()
    deliveries = deliveries_tonight(state, roster)
    ledger.note_deliveries(state, deliveries)
    strays = find_strays(study)
    return Tonight(
        night=night,
        study=study,
        reviewed=judging.reviewed,
        rules=judging.rules,
        deliveries=deliveries,
        problems=problems_tonight(state, roster, deliveries, night=night, strays=strays),
        **{name: _joined(frames) for name, frames in judging.kept.items()},
        conservation=in_contract(
            add_up(judging.counts, centres=list(study.centres), night=night), "conservation"
        ),
        trials_read=_joined(judging.trials_read),
        verdicts_read=_joined(judging.verdicts_read),
        spools=judging.spools,
    )


def _prepare(state: State, study: Study, roster: Roster, chain: Chain) -> _Judging:
    read = read_recordings(chain, roster.recordings)
    trials = evidence.trials_of(state.of_keys("trials", read["content_key"]), read)
    reviewed = place_reviews(chain, read, trials)
    return _Judging(
        state=state,
        study=study,
        reviewed=reviewed,
        rules=rules_in_study(contracts.RULES.values(), study.decisions),
        waivers=(*study.waivers, *reviewed.waivers),
        references=load_references(study.path),
        spools=_spools(study.work_path / "judged"),
    )


def _spools(folder: Path) -> dict[str, Spool]:
    names = (
        "sessions", "recordings", "trials", "trial_values", "test_values", "check_values",
        "session_values", "verdicts", "tests", "outcomes", "checks", "reported", "agreement",
    )  # fmt: skip
    return {name: Spool(folder, contracts.TABLES[name]) for name in names}


def _places(blocks: Sequence[Block]) -> pd.DataFrame:
    """Return which measures belong to which block."""
    frames = [
        rows[["content_key"]].dropna().drop_duplicates().assign(block=block.number)
        for block in blocks
        for rows in (block.roster.recordings, block.roster.checks)
    ]
    nothing = pd.DataFrame(
        {"content_key": pd.Series(dtype="str"), "block": pd.Series(dtype="int64")}
    )
    return pd.concat([nothing, *frames], ignore_index=True).drop_duplicates()


def _without_checks(gathered: Evidence, judged: Judged) -> tuple[Evidence, Judged]:
    """Leave out the checks, which were judged with another block of the centre."""
    verdicts = judged.verdicts
    return replace(gathered, check_values=gathered.check_values.iloc[:0]), replace(
        judged, checks=judged.checks.iloc[:0], verdicts=verdicts[verdicts["item_kind"] != "check"]
    )


def _joined(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put the rows of all blocks together; a study without any has the columns all the same."""
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else frames[0]
