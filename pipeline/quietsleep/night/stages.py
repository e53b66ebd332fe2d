"""The stages of a night as plain functions; `orchestration.nightly` calls the same ones as tasks.

A stage that fails is recorded with its traceback and turns the night red; the stages that do not
depend on it go on, and the last good warehouse stays where it is.
"""

from __future__ import annotations

import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic
from typing import Literal

import pandas as pd

from quietsleep import contract
from quietsleep.errors import in_words
from quietsleep.intake.store import Address
from quietsleep.judge import evidence
from quietsleep.judge.rules import rules_version
from quietsleep.judge.scores import load_references
from quietsleep.judge.study import judge_in_blocks, spool_ledger
from quietsleep.measure.fingerprint import Job, code_fingerprint
from quietsleep.measure.plan import check_jobs, recording_jobs, with_keys
from quietsleep.measure.roster import read_roster
from quietsleep.night.known_answers import known_answers, moved
from quietsleep.night.night import (
    Night,
    NightReport,
    Opener,
    close_idle,
    close_night,
    is_idle,
    open_night,
)
from quietsleep.night.taking_in import ingest_delivery
from quietsleep.night.verdict import judge_of_night
from quietsleep.review.desk import read_reviews
from quietsleep.site.drawing import draw_in
from quietsleep.site.traces import Draw
from quietsleep.site.write import PagesReport, write_pages
from quietsleep.store.ledger import write_ledger
from quietsleep.store.tables import TableOnDisk
from quietsleep.study.study import Study, check_units
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.publish import NightFacts, publish
from quietsleep.warehouse.tables import in_contract, study_frames
from quietsleep.warehouse.upload import upload

Kind = Literal["check", "recording"]
# Checks come first: box factor and half-life go into what recordings are measured with.
KINDS: tuple[Kind, ...] = ("check", "recording")


def run_night(
    study_path: Path, *, workers: int | None = None, full: bool = False, pool: Opener | None = None
) -> NightReport:
    """Run one night in this process, without the orchestrator."""
    with open_night(study_path, workers=workers, full=full, pool=pool) as night:
        if is_idle(night):
            return end_idle(night)
        check_study(night.study)
        for centre in night.study.centres:
            ingest_centre(night, centre)
        for kind in KINDS:
            for chunk in plan_measuring(night, kind):
                measure_chunk(night, chunk)
        judge_night(night)
        publish_night(night)
        upload_night(night)
        write_night_pages(night)
        return close_night(night)


def end_idle(night: Night) -> NightReport:
    """End a night without work; what an earlier night could not carry to its store is carried."""
    upload_night(night)
    return close_idle(night)


def check_study(study: Study) -> None:
    """Raise StudyError or ContractError where the study or the contracts cannot stand.

    What takes long to look at (units, equations) is looked at once there is work to do.
    """
    contract.check_all()
    check_units(study)
    load_references(study.path)


@contextmanager
def _guarded(night: Night, word: str) -> Iterator[None]:
    """Keep a failure of ours with its traceback; it turns the night red."""
    try:
        yield
    except Exception as error:
        night.failures.append(f"{word} failed: {in_words(error)}")
        log = night.study.work_path / "failures.log"
        # Where the disk is full, the sentence is all that is left.
        with suppress(OSError), log.open("a", encoding="utf-8") as file:
            file.write(f"{night.name} {word}\n{traceback.format_exc()}\n")


@contextmanager
def _stage(night: Night, word: str) -> Iterator[None]:
    """Run a stage, or a part of it, guarded, and note from when to when it ran."""
    begun = monotonic()
    try:
        with _guarded(night, word):
            yield
    finally:
        first = night.spans.get(word, (begun, begun))[0]
        night.spans[word] = (min(first, begun), monotonic())


def rebuild_pages(study_path: Path) -> PagesReport:
    """Write the pages of the published night again; nothing is taken in, measured or judged."""
    with open_night(study_path) as night:
        folder = current_night(study_path)
        for kind in KINDS:
            plan_measuring(night, kind)
        return write_pages(night.study, folder, _draw(night))


def ingest_centre(night: Night, centre: str) -> None:
    """Take in what a centre delivered since the last night; unchanged deliveries cost a look."""
    with _stage(night, "taking in"):
        for found in night.inventory.found[centre]:
            with _guarded(night, f"taking in {centre}/{found.delivery}"):
                ingest_delivery(night, found)


def plan_measuring(night: Night, kind: Kind) -> list[int]:
    """Work out what has to be measured; returns the numbers of the chunks."""
    with _stage(night, f"planning {kind}s"):
        roster = read_roster(night.state) if night.roster is None else night.roster
        if kind == "check":
            jobs = check_jobs(roster, night.study)
            night.roster = replace(roster, checks=with_keys(roster.checks, jobs, "check_id"))
        else:
            stored = night.state.of_keys("trial_values", roster.checks["content_key"])
            values = evidence.of_check(stored, roster.checks)
            jobs = recording_jobs(roster, night.study, values[values["level"] == "check"])
            keyed = with_keys(roster.recordings, jobs, "recording")
            night.roster = replace(roster, recordings=keyed)
        night.jobs |= {(job.centre, job.item): job for job in jobs if kind == "recording"}
        return _chunk(night, jobs)
    return []


def _chunk(night: Night, jobs: Sequence[Job]) -> list[int]:
    stored = night.state.stored_keys()
    todo = list({job.key: job for job in jobs if job.key not in stored}.values())
    night.state.forget_measured(job.key for job in todo)
    if not todo:
        return []
    first = len(night.chunks)
    size = min(night.pool.jobs_per_chunk, max(1, -(-len(todo) // (2 * night.pool.workers))))
    night.chunks += [todo[at : at + size] for at in range(0, len(todo), size)]
    return list(range(first, len(night.chunks)))


def measure_chunk(night: Night, chunk: int) -> None:
    """Measure one chunk in the pool and store its measures in one transaction."""
    with _stage(night, "measuring"):
        measured = night.pool.measure(night.chunks[chunk])
        night.state.store_measured(measured, night=night.name, code=code_fingerprint())
        night.n_measured += len(measured)


def judge_night(night: Night) -> None:
    """Judge everything by the rules in force, and write the ledger. No signal is read."""
    with _stage(night, "judging"):
        if night.roster is None:
            raise RuntimeError("nothing was planned")
        night.judged_study = judge_in_blocks(night, night.roster, read_reviews(night.study))
        night.conservation = night.judged_study.conservation
        write_ledger(night.state, night.name)


def publish_night(night: Night) -> None:
    """Publish the warehouse of this night; skipped when judging failed."""
    with _stage(night, "publishing"):
        if night.judged_study is None:
            return
        frames: dict[str, pd.DataFrame | TableOnDisk] = {
            **study_frames(night.judged_study),
            **night.judged_study.tables_on_disk,
        }
        answers = known_answers()
        if wrong := moved(answers):
            night.failures += wrong
            return
        verdict = judge_of_night(
            night.judged_study, night.conservation, night.failures, night.notices
        )
        facts = NightFacts(
            study=night.study.name,
            started_at=night.started_at,
            ended_at=datetime.now(UTC),
            state=verdict.state,
            code_fingerprint=code_fingerprint(),
            rules_version=rules_version(night.judged_study.rules),
            contract_version=contract.CONTRACT_VERSION,
            known_answers=tuple(asdict(answer) for answer in answers),
            stages={word: round(end - begun, 3) for word, (begun, end) in night.spans.items()},
        )
        of_night = pd.DataFrame([asdict(facts) | {"night": night.name}])
        frames["nights"] = in_contract(of_night, "nights")
        frames["ledger"] = spool_ledger(night)
        night.folder = publish(night.study.path, night.name, frames, facts)
    with _stage(night, "tidying"):
        if night.folder is not None and night.roster is not None and not night.failures:
            used = (night.roster.recordings, night.roster.checks)
            night.state.keep_measured(pd.concat([rows["content_key"].dropna() for rows in used]))


def upload_night(night: Night) -> None:
    """Carry the published nights to the store of the warehouse, where the study names one."""
    if night.study.storage.warehouse:
        with _stage(night, "carrying to the store"):
            upload(night.study.path, Address(night.study.storage.warehouse))


def write_night_pages(night: Night) -> None:
    """Write the pages of every centre from the published night; skipped when there is none."""
    with _stage(night, "writing pages"):
        if night.folder is not None:
            write_pages(night.study, night.folder, _draw(night))


def _draw(night: Night) -> Draw:
    return draw_in(night.pool, night.jobs, night.state.stored_keys())
