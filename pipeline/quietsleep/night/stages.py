"""The stages of a night in their only order; whoever runs a night walks them.

`stages_of` hands out one stage after the other, each a piece of work over items, and takes what it
made into the next. A stage that fails is recorded with its traceback and turns the night red;
stages that do not depend on it go on, and the last good warehouse stays where it is.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import asdict, replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from quietsleep import contract
from quietsleep.intake.find import CLOSED
from quietsleep.intake.ingest import FrontDoor
from quietsleep.intake.store import Address
from quietsleep.judge.rules import rules_version
from quietsleep.judge.scores import load_references
from quietsleep.judge.study import JudgedStudy, judge
from quietsleep.measure.fingerprint import (
    code_fingerprint,
    intake_fingerprint,
    measuring_fingerprint,
    program_fingerprint,
    registration_digest,
)
from quietsleep.measure.origin import code_said, columns_of
from quietsleep.measure.plan import Job, Plan, chunks_of, plan_checks, plan_recordings
from quietsleep.measure.pool import OnThisMachine, Pool, measuring_pool
from quietsleep.measure.roster import Roster, read_roster
from quietsleep.night.answers_asked import answers_that_stand
from quietsleep.night.deliveries import tell_deliveries
from quietsleep.night.known_answers import KnownAnswersFailed
from quietsleep.night.night import (
    Night,
    NightReport,
    answers_wait,
    close_idle,
    close_night,
    is_idle,
    open_night,
)
from quietsleep.night.queries import queries_by_now, with_queries
from quietsleep.night.stage import Result, Stage, Stages, run_here, run_in_threads, walk
from quietsleep.night.telling import end_told, say_last_look, tell
from quietsleep.review.queries import queries_of
from quietsleep.site.traces import draw_in
from quietsleep.site.write import PagesReport, write_site
from quietsleep.store.ledger import ledger_on_disk
from quietsleep.store.tables import TableOnDisk, in_contract
from quietsleep.study.review_log import reviews_that_count
from quietsleep.study.study import Study, check_units
from quietsleep.warehouse.current import current_night, night_facts
from quietsleep.warehouse.publish import NightFacts, TakenOut, publish, publish_again, read_table
from quietsleep.warehouse.tables import study_tables
from quietsleep.warehouse.upload import upload

# Opens what measures, given the study, a number of processes of this machine, and where to say
# what a person has to know of it.
Opener = Callable[[Study, int, list[str]], AbstractContextManager[Pool]]
# Whole chunks for each process; what is more than that is worth an orchestrator.
CHUNKS_OF_A_SMALL_STAGE = 1


def stages_of(night: Night, pool: Pool) -> Stages:
    """Hand out the stages of a night in their order; none where the register is not to be trusted.

    What arrived when, what was withdrawn and what readers decided stands in the register alone: a
    night without it could bring back what was taken out, so it publishes nothing.
    """
    if night.register.broken:
        night.failures.append(night.register.broken)
        return Result()
    yield from ingesting_stages(night)
    plan = yield from measuring_stages(night, pool)
    if plan is None:
        return Result()
    result = yield from judging_stages(night, pool, plan.roster)
    if result.folder is not None:
        drawn = partial(_write_pages, night, pool, plan.jobs)
        yield Stage(night, "writing pages", drawn, [result.folder])
    return result


def ingesting_stages(night: Night) -> Generator[Stage, None, None]:
    """Hand out the stage that takes in what was delivered."""
    check_study(night)
    code = intake_fingerprint()
    yield Stage(night, "ingesting", partial(_ingest_centre, night, code), [*night.study.centres])


def measuring_stages(night: Night, pool: Pool) -> Generator[Stage, None, Plan | None]:
    """Hand out the stages that measure; return the plan of recordings, None where planning failed.

    Checks come first: box factor and half-life go into what recordings are measured with.
    """
    stage = None
    with night.stage("planning checks"):
        checks = plan_checks(read_roster(night.state, night.history), night.study)
        stage = _measuring(night, pool, "checks", checks)
    if stage is None:
        return None
    yield stage
    night.n_measured += sum(stage.made)
    stage = None
    with night.stage("planning recordings"):
        recordings = plan_recordings(checks.roster, night.study, night.state)
        stage = _measuring(night, pool, "recordings", recordings)
    if stage is None:
        return None
    yield stage
    night.n_measured += sum(stage.made)
    return recordings


def judging_stages(night: Night, pool: Pool, roster: Roster) -> Stages:
    """Hand out the stages from judging on, of which none reads a signal or a delivery."""
    yield (judging := Stage(night, "judging", partial(_judge, night, pool), [roster]))
    judged = judging.made[0] if judging.made else None
    folder = None
    if judged is not None:
        yield (publishing := Stage(night, "publishing", partial(_publish, night, pool), [judged]))
        folder = publishing.made[0] if publishing.made else None
    if folder is not None and not night.failures:
        yield Stage(night, "tidying", partial(_keep_measured, night), [roster])
    if night.study.storage.warehouse:
        yield _uploading(night)
    return Result(judged, folder)


def run_night(
    study_path: Path,
    *,
    workers: int | None = None,
    full: bool = False,
    pool: Opener | None = None,
    at: datetime | None = None,
) -> NightReport:
    """Run one night in this process, without the orchestrator.

    `workers` is the number of measuring processes, all cores unless given. `pool` opens what
    measures where these are not processes of this machine, and is given one chunk at a time. The
    night is that of `at`, or of now.
    """
    with open_night(study_path, full=full, at=at) as night:
        if is_idle(night):
            return end_idle(night)
        one_by_one = run_here if pool is not None else None
        return run_open_night(night, one_by_one, workers=workers, pool=pool)


def run_open_night(
    night: Night,
    run: Callable[[Stage], None] | None = None,
    *,
    workers: int | None = None,
    pool: Opener | None = None,
) -> NightReport:
    """Run the stages of a night that is open and has work to do.

    `run` runs a stage; unless given, in threads that keep all measuring processes at work.
    """
    with open_pool(night, workers, pool) as opened:
        if run is None:
            run = run_in_threads if opened.workers > 1 else run_here
        result = walk(stages_of(night, opened), run)
    return _closed(night, result.judged, result.folder)


def _closed(night: Night, judged: JudgedStudy | None, folder: Path | None) -> NightReport:
    """Record how a night ended, then tell people; what comes of telling is said and no more."""
    report = close_night(night, judged, folder)
    out = _taken_out(night)
    return tell(night, report, judged, folder, may_stay=None if out is None else out.nights)


def open_pool(
    night: Night, workers: int | None = None, pool: Opener | None = None
) -> AbstractContextManager[Pool]:
    """Open what measures: processes of this machine, unless another way is given."""
    processes = workers or os.cpu_count() or 1
    return pool(night.study, processes, night.notices) if pool else measuring_pool(processes)


def end_idle(night: Night) -> NightReport:
    """End a night without work; what an earlier night could not upload is uploaded.

    What people answered since is published, and the pages that say it; nothing is judged again.
    """
    if answers_wait(night):
        return _end_answered(night)
    if night.study.storage.warehouse:
        run_here(_uploading(night))
    return end_told(night, close_idle(night))


def _end_answered(night: Night) -> NightReport:
    """Publish the queries as they stand by now, beside all else of the night before."""
    folders: list[Path] = []
    with night.stage("publishing answers"):
        folders.append(_publish_answers(night))
    for folder in folders:
        with night.stage("writing pages"), open_pool(night, 1) as pool:
            _pages_of_published(night, pool, folder)
    if night.study.storage.warehouse:
        run_here(_uploading(night))
    return _closed(night, None, folders[0] if folders else None)


def _publish_answers(night: Night) -> Path:
    before = current_night(night.study.path)
    night.queries = queries_by_now(
        read_table(before, "queries").to_pandas(),
        queries_of(night.register),
        night.history,
        night.name,
    )
    said = night_facts(before)
    facts = _facts(night, None, said["rules_version"], said["known_answers"])
    conservation = read_table(before, "conservation").to_pandas().assign(night=night.name)
    tables = {**_of_night(night, facts), "conservation": conservation}
    return publish_again(
        night.study.path,
        night.name,
        tables,
        facts,
        withdrawn=_taken_out(night),
        guard=night.guarded,
    )


def rebuild_pages(study_path: Path) -> PagesReport:
    """Write the pages of the published night again; nothing is taken in, measured or judged."""
    with open_night(study_path) as night, open_pool(night) as pool:
        written = _pages_of_published(night, pool, current_night(study_path))
        say_last_look(night.study)
        return written


def _pages_of_published(night: Night, pool: Pool, folder: Path) -> PagesReport:
    checks = plan_checks(read_roster(night.state, night.history), night.study)
    plan = plan_recordings(checks.roster, night.study, night.state)
    return _write_pages(night, pool, plan.jobs, folder)


def check_study(night: Night) -> None:
    """Raise StudyError or ContractError where the study or the contracts cannot stand.

    What takes long to look at (units, equations) is looked at once there is work to do; contracts
    and units again where the program or what is registered changed, or all is looked at again.
    """
    load_references(night.study.path)
    registered = [registration_digest(c, night.study.tables) for c in night.study.centres.values()]
    rests_on = " ".join([program_fingerprint(), *registered])
    if night.full or night.state.value("SELECT rests_on FROM study_checked") != rests_on:
        contract.check_all()
        check_units(night.study)
        with night.state.transaction():
            night.state.run("DELETE FROM study_checked")
            night.state.run("INSERT INTO study_checked VALUES (?)", [rests_on])


def _ingest_centre(night: Night, code: str, centre: str) -> None:
    """Take in what a centre delivered since the last night; unchanged deliveries cost a look."""
    centres, tables = night.study.centres, night.study.tables
    door = FrontDoor(
        night.study,
        night.state,
        night.register,
        centre=centre,
        night=night.name,
        at=night.started_at,
        code=f"{code} {registration_digest(centres[centre], tables)}",
        full=night.full,
    )
    found = door.in_order(night.inventory.found[centre])
    for each in found:
        with night.guarded(f"ingesting {centre}/{each.delivery}"):
            door.take_in(each)
    door.full, leaning = False, door.leaning()
    for each in (f for f in found if f.delivery in leaning):
        with night.guarded(f"ingesting {centre}/{each.delivery} again"):
            door.take_in(each)
    if not any(stray.kind == CLOSED for stray in night.inventory.strays):
        door.forget_what_was_refused(found)


def _measuring(night: Night, pool: Pool, kind: str, plan: Plan) -> Stage:
    """Return the stage that measures what is not stored yet of a plan, chunk by chunk."""
    todo = plan.unmeasured(night.state.stored_keys())
    night.state.forget_measured(job.key for job in todo)
    most, workers = (pool.jobs_per_chunk, pool.workers) if todo else (1, 1)
    chunks = chunks_of(todo, workers=workers, most=most)
    is_large = len(todo) > CHUNKS_OF_A_SMALL_STAGE * most * workers
    return Stage(night, f"measuring {kind}", partial(_measure, night, pool), chunks, is_large)


def _measure(night: Night, pool: Pool, chunk: Sequence[Job]) -> int:
    """Measure one chunk in the pool and store its measures in one transaction; say how many."""
    measured = pool.measure(chunk)
    code = {each.technique: measuring_fingerprint(each.technique) for each in measured}
    night.state.store_measured(measured, night=night.name, code=code)
    return len(measured)


def _judge(night: Night, pool: Pool, roster: Roster) -> JudgedStudy:
    reviews = reviews_that_count(night.register, night.history)
    said = tell_deliveries(night, roster)
    night.told.extend(said.sentences)
    strays = [*night.inventory.strays, *said.problems]
    judged = judge(
        _without_withdrawn(night),
        night.state,
        pool,
        roster,
        reviews=reviews,
        history=night.history,
        night=night.name,
        now=night.started_at,
        strays=strays,
        anew=night.full,
    )
    night.note(judged.failures)
    return with_queries(night, judged)


def _without_withdrawn(night: Night) -> Study:
    """Return the study without waivers on what was withdrawn."""
    out = {(c, s) for c, w in night.history.withdrawn.items() for s in w.sessions}
    kept = [w for w in night.study.waivers if (w.centre, w.item.partition("/")[0]) not in out]
    return replace(night.study, waivers=tuple(kept))


def _taken_out(night: Night) -> TakenOut | None:
    """Return what was withdrawn and the nights published since; None where nothing ever was."""
    history = night.history
    if not history.withdrawn:
        return None
    since = max([history.last_withdrawal, *history.out_at.values()])
    published = night.register.of("published")
    return TakenOut(
        frozenset((c, s) for c, w in history.withdrawn.items() for s in w.sessions),
        frozenset(entry.body["night"] for entry in published if entry.number > since),
    )


def _publish(night: Night, pool: Pool, judged: JudgedStudy) -> Path | None:
    """Publish the warehouse of this night, unless a known answer has moved."""
    answers = answers_that_stand(night, partial(publish_aside, pool))
    return None if answers is None else _publish_tables(night, judged, answers)


def publish_aside(pool: Pool, study_path: Path, *, study: Study | None = None) -> Path:
    """Run a study whole, without asking the known answers: for these themselves.

    Its files are on this machine, and so are the processes that measure them; `study` is what they
    say, unless they are to be read. Returns the published night; raises KnownAnswersFailed where a
    stage failed, with its traceback in the log.
    """
    with open_night(study_path, study=study) as night:
        plainly = partial(_publish_tables, night, answers=())
        result = walk(stages_aside(night, OnThisMachine(pool), plainly), run_here)
        if night.failures or result.folder is None:
            raise KnownAnswersFailed(" ".join(night.failures), night.machine_failed)
        return result.folder


def stages_aside(night: Night, pool: Pool, publishing: Callable[[JudgedStudy], Any]) -> Stages:
    """Hand out the stages of a night whose study is a copy: nothing of it is uploaded or shown."""
    if night.register.broken:
        night.failures.append(night.register.broken)
        return Result()
    yield from ingesting_stages(night)
    plan = yield from measuring_stages(night, pool)
    if plan is None:
        return Result()
    yield (judging := Stage(night, "judging", partial(_judge, night, pool), [plan.roster]))
    yield (published := Stage(night, "publishing", publishing, judging.made))
    return Result(*judging.made, *published.made)


def run_aside(study_path: Path, *, workers: int | None = None, full: bool = False) -> NightReport:
    """Run the night of a copy of a study to its end, the known answers asked; tell nobody.

    Its files are on this machine, and so are the processes that measure them.
    """
    with open_night(study_path, full=full) as night:
        if is_idle(night):
            return close_idle(night)
        check_study(night)
        with open_pool(night, workers) as pool:
            here = OnThisMachine(pool)
            result = walk(stages_aside(night, here, partial(_publish, night, here)), run_here)
        return close_night(night, result.judged, result.folder)


def _publish_tables(
    night: Night, judged: JudgedStudy, answers: Sequence[Mapping[str, Any]]
) -> Path:
    made = study_tables(judged, guard=night.guarded)
    facts = _facts(night, judged, rules_version(judged.rules), answers)
    tables: dict[str, pd.DataFrame | TableOnDisk] = {
        **made,
        **judged.tables_on_disk,
        **_of_night(night, facts),
        "ledger": ledger_on_disk(
            night.state, night.study.work_path / "judged", untold=judged.without_consent
        ),
    }
    return publish(
        night.study.path,
        night.name,
        tables,
        facts,
        renamed=night.study.renamed,
        withdrawn=_taken_out(night),
        untold=judged.without_consent,
        guard=night.guarded,
    )


def _facts(
    night: Night,
    judged: JudgedStudy | None,
    rules_version: str,
    answers: Sequence[Mapping[str, Any]],
) -> NightFacts:
    return NightFacts(
        study=night.study.name,
        started_at=night.started_at,
        ended_at=datetime.now(UTC),
        state=night.verdict(judged).state,
        code_fingerprint=code_fingerprint(),
        rules_version=rules_version,
        contract_version=contract.CONTRACT_VERSION,
        code=code_said(),
        register=night.register.head.as_said(),
        known_answers=tuple(answers),
        stages={word: round(end - begun, 3) for word, (begun, end) in night.spans.items()},
    )


def _of_night(night: Night, facts: NightFacts) -> dict[str, pd.DataFrame]:
    """Return the tables that say how a night went."""
    row = pd.DataFrame([asdict(facts) | columns_of(facts.code) | {"night": night.name}])
    queries = in_contract(pd.DataFrame(), "queries") if night.queries is None else night.queries
    return {"nights": in_contract(row, "nights"), "queries": queries}


def _keep_measured(night: Night, roster: Roster) -> None:
    """Drop from the state the measures that nothing refers to any more."""
    used = (rows["content_key"].dropna() for rows in (roster.recordings, roster.checks))
    night.state.keep_measured(pd.concat(used))


def _uploading(night: Night) -> Stage:
    """Return the stage that uploads the published nights to the store of the warehouse."""
    address, out = Address(night.study.storage.warehouse), _taken_out(night)
    carry = partial(upload, night.study.path)
    if out is not None:
        carry = partial(upload, night.study.path, may_stay={*out.nights, night.name})
    return Stage(night, "uploading", carry, [address])


def _write_pages(night: Night, pool: Pool, jobs: Sequence[Job], folder: Path) -> PagesReport:
    """Write the pages of every centre from the published night."""
    by_recording = {(job.centre, job.item): job for job in jobs}
    return write_site(night.study, folder, draw_in(pool, by_recording, night.state.stored_keys()))
