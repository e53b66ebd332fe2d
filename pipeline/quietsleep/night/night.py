"""A night: its id, clock and failures, when it has nothing to do, and how it ended.

It is opened once, and its lock is held from the first look at the study to the last word.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic

import pandas as pd

from quietsleep import contract
from quietsleep.errors import ENVIRONMENT, RED_NIGHT, WarehouseError, environment_error, in_words
from quietsleep.intake.find import DeliveryInventory, take_inventory
from quietsleep.intake.renamed import follow_renames
from quietsleep.judge.expected import day_of
from quietsleep.judge.rules import rules_in_study, rules_version
from quietsleep.judge.study import JudgedStudy
from quietsleep.measure.fingerprint import code_fingerprint, program_fingerprint
from quietsleep.night.looks import at_work
from quietsleep.night.progress import NightProgress
from quietsleep.night.verdict import NightState, NightVerdict, verdict_of_night
from quietsleep.store.engine import sweep_spills
from quietsleep.store.state import State
from quietsleep.study.closed import close_study, closed_to_others
from quietsleep.study.history import History, history_of
from quietsleep.study.register import Kind, Register
from quietsleep.study.register_key import key_path_of
from quietsleep.study.storage import check_installed
from quietsleep.study.study import Study, load_study, remember_centres
from quietsleep.warehouse.current import current_night, night_facts, nights_folder
from quietsleep.warehouse.database import open_night as open_warehouse
from quietsleep.warehouse.integrity import is_complete, unlike_published
from quietsleep.warehouse.registered import note_published, open_register
from quietsleep.warehouse.upload import nights_uploaded

FIRST_NAME = "n000000"
LOGS_KEPT = 60
LOG = logging.getLogger("quietsleep.night")
# Entries of the register by which people, not nights, change what is published.
SAID_BY_PEOPLE: tuple[Kind, ...] = ("review", "withdrawal", "meant")


@dataclass(slots=True)
class Night:
    """A night at work: the study, its open state, and what happened so far.

    `notices` are what the machines say that is no failure, `told` sentences that ask for nothing;
    `queries` is the table of data queries, None until the night has judged. `spans` says from when
    to when a stage ran. `progress` is shown to whoever started the night on a terminal.
    """

    study: Study
    state: State
    register: Register
    name: str
    started_at: datetime
    full: bool
    inventory: DeliveryInventory
    signature: str
    notices: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    queries: pd.DataFrame | None = None
    failures: list[str] = field(default_factory=list)
    spans: dict[str, tuple[float, float]] = field(default_factory=dict)
    n_measured: int = 0
    machine_failed: bool = False
    began: float = field(default_factory=monotonic)
    progress: NightProgress | None = None
    _history: History = field(default_factory=History)

    @property
    def history(self) -> History:
        """What the register says of deliveries by now."""
        return self._history.follow(self.register)

    @contextmanager
    def guarded(self, word: str) -> Iterator[None]:
        """Keep a failure of ours with its traceback in the log; it turns the night red."""
        try:
            yield
        except Exception as error:
            self.failures.append(f"{word} failed: {in_words(error)}")
            self.machine_failed |= environment_error(error) is not None
            LOG.exception("%s failed", word)

    def note(self, failures: Mapping[str, str]) -> None:
        """Keep what failed in other processes: sentences, each with its traceback."""
        for sentence, trace in failures.items():
            self.failures.append(sentence)
            LOG.error("%s\n%s", sentence, trace)

    @contextmanager
    def stage(self, word: str) -> Iterator[None]:
        """Run a stage, or a part of it, guarded, and note from when to when it ran."""
        begun = monotonic()
        try:
            with self.guarded(word):
                yield
        finally:
            first = self.spans.get(word, (begun, begun))[0]
            self.spans[word] = (min(first, begun), monotonic())

    def verdict(self, judged: JudgedStudy | None) -> NightVerdict:
        """Return what the night comes to, given what was judged."""
        return verdict_of_night(judged, self.failures, self.queries, self.told)


@dataclass(frozen=True, slots=True)
class NightReport:
    """How a night ended, in numbers and sentences; `spans` says from when to when a stage ran.

    `machine_failed` says that the machine stood in the way of a stage: a full disk, no memory.
    """

    night: str
    state: NightState
    idle: bool
    published: bool
    conservation: pd.DataFrame
    sentences: tuple[str, ...]
    n_open: int
    n_answered: int
    n_measured: int
    n_unchanged: int
    n_problems: int
    seconds: float
    spans: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    machine_failed: bool = False

    @property
    def exit_code(self) -> int:
        """The code that a command ends with: of the machine's faults, of any other red night."""
        if self.state != "red":
            return 0
        return ENVIRONMENT if self.machine_failed else RED_NIGHT


@contextmanager
def open_night(
    study_path: Path,
    *,
    full: bool = False,
    at: datetime | None = None,
    study: Study | None = None,
) -> Iterator[Night]:
    """Open the study, its state and its register for one night.

    `full` looks into every file again, even where size and time have not changed. The night is
    that of `at`, of now unless given. `study` is the study as it is known already. Raises
    StudyError, NightRunning and KeyMissing.
    """
    study = study or load_study(study_path)
    check_installed(study.storage)
    with closed_to_others(), State(study.work_path) as state:
        close_study(
            study.path,
            study.work_path,
            key_path_of(study.path, study.name, study.register_key),
        )
        sweep_spills(study.work_path, study.path / "warehouse" / "releases")
        register = open_register(study, also=state.register_heads())
        told = _begin_anew_where_changed(state)
        name, now = _next_name(study, state), at or datetime.now(UTC)
        remember_centres(study)
        with at_work(study.work_path), _logged(study.work_path / "logs", name):
            # Taken before anything is read: what arrives during the night is for the next one.
            inventory = take_inventory(study)
            if not register.broken:
                follow_renames(study, state, register, inventory, at=now)
            notices = clock_notices(history_of(register), now)
            signed = signature(study, inventory, register, notices)
            if not register.broken:
                note_published(register, study.path)
            yield Night(
                study, state, register, name, now, full, inventory, signed, notices, told=told
            )


def _begin_anew_where_changed(state: State) -> list[str]:
    """Let no night rest on a state that was changed by hand; say what was done instead."""
    if not state.changed:
        return []
    listed = ", ".join(state.changed)
    state.begin_anew()
    return [
        f"The state of the study (work/state.duckdb) was changed by hand in {listed}. It is set "
        "aside beside it, and everything is taken in and measured again."
    ]


def clock_notices(history: History, now: datetime) -> list[str]:
    """Say that the clock of this machine is behind what earlier nights wrote down."""
    last = history.last_night_at
    if last is None or not history.is_behind(now):
        return []
    return [
        f"The clock of this machine says an earlier time than {last:%Y-%m-%d %H:%M} UTC, when a "
        "night was published. Set it. Until then nothing that arrives is held because it seems to "
        "be of a time to come, and what is late is not known."
    ]


def _next_name(study: Study, state: State) -> str:
    """Return the name after the last that the state, the warehouse or its store remembers."""
    last = state.value("SELECT max(night) FROM nights") or FIRST_NAME
    kept = [folder.name for folder in nights_folder(study.path).glob("n" + 6 * "[0-9]")]
    uploaded = nights_uploaded(study.storage.warehouse)
    return f"n{int(max([last, *kept, *uploaded])[1:]) + 1:06d}"


@contextmanager
def _logged(folder: Path, name: str) -> Iterator[None]:
    """Write what happens in a night, with times, to a file of its own; the oldest files go."""
    folder.mkdir(parents=True, exist_ok=True)
    handler = logging.FileHandler(folder / f"{name}.log", encoding="utf-8", delay=True)
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    # Where the disk is full, the sentence of the night is all that is left.
    handler.handleError = lambda record: None  # type: ignore[method-assign]
    LOG.addHandler(handler)
    LOG.setLevel(logging.INFO)
    LOG.propagate = False
    try:
        yield
    finally:
        LOG.removeHandler(handler)
        handler.close()
        for old in sorted(folder.glob("n*.log"))[:-LOGS_KEPT]:
            old.unlink(missing_ok=True)


def signature(
    study: Study, seen: DeliveryInventory, register: Register, notices: Sequence[str]
) -> str:
    """Return a digest of all that a night rests on: deliveries, study files, people, the program.

    Only names, sizes and times of deliveries are looked at. Equal signatures mean that nothing
    can have changed, so an unchanged night ends at once.
    """
    digest = hashlib.sha256(program_fingerprint().encode())
    for centre in study.centres:
        for found in seen.found[centre]:
            digest.update(f"{centre}/{found.delivery}/{found.stat_digest}".encode())
    for said in (*(problem.sentence for problem in seen.strays), *notices):
        digest.update(said.encode())
    for entry in register.of(*SAID_BY_PEOPLE):
        digest.update(entry.seal.encode())
    for file in study_files(study.path):
        digest.update(file.read_bytes())
    return digest.hexdigest()


def study_files(path: Path) -> list[Path]:
    """Return the files by which the coordinating centre steers a study."""
    named = [
        path / name for name in ("study.toml", "limits.toml", "waivers.toml", "confirmations.toml")
    ]
    listed = [*path.glob("centres/*.toml"), *path.glob("references/*.toml")]
    return sorted(file for file in [*named, *listed] if file.is_file())


def is_idle(night: Night) -> bool:
    """Say whether nothing changed since the last night, and that night was published whole."""
    last = night.state.frame(
        "SELECT signature, published, state FROM nights ORDER BY night DESC LIMIT 1"
    )
    if last.empty or night.register.broken or _was_changed(night):
        return False
    if night.full or not last["published"][0] or last["state"][0] == "red":
        return False
    if last["signature"][0] != night.signature or night.state.waits():
        return False
    try:
        published = current_night(night.study.path)
        return is_complete(published) and not _day_changes_what_is_expected(night, published)
    except WarehouseError:
        return False


def _was_changed(night: Night) -> bool:
    """Say whether the published night is not as it was published, and tell what of it is not."""
    try:
        wrong = unlike_published(night.study.path, night.register)
    except WarehouseError:  # there is no published night
        return False
    if wrong:
        more = f" So are {len(wrong) - 1} more of its files." if len(wrong) > 1 else ""
        night.told.append(f"{wrong[0]}{more} What stands in the state is published anew.")
    return bool(wrong)


def answers_wait(night: Night) -> bool:
    """Say whether a person answered a query since the published night."""
    known = night_facts(current_night(night.study.path))["register"].get("entries", 0)
    return any(entry.number > known for entry in night.register.of("answer"))


def _day_changes_what_is_expected(night: Night, published: Path) -> bool:
    """Say whether something became due, overdue or missing since the last night, by its date."""
    if night.study.schedule is None:
        return False
    with open_warehouse(published) as warehouse:
        days = warehouse.execute(
            "SELECT centre, min(changes_on) FROM expected GROUP BY centre"
        ).fetchall()
    centres = night.study.centres
    return any(
        day is not None and centre in centres and day <= day_of(centres[centre], night.started_at)
        for centre, day in days
    )


def close_idle(night: Night) -> NightReport:
    """Record a night in which nothing had changed; the published night stays current."""
    conservation = _published(night, "conservation")
    night.queries = _published(night, "queries")
    before = night.state.frame("SELECT state, sentences FROM nights ORDER BY night DESC LIMIT 1")
    state: NightState = "red" if night.failures else before["state"][0]
    sentences = (*night.failures, *before["sentences"][0].splitlines())
    _record(night, NightVerdict(state, sentences), signature=night.signature)
    return _report(night, state, conservation, sentences, idle=True, published=False)


def _published(night: Night, table: str) -> pd.DataFrame:
    with open_warehouse(current_night(night.study.path)) as warehouse:
        return warehouse.execute(f"SELECT * FROM {table}").df()


def close_night(
    night: Night, judged: JudgedStudy | None, folder: Path | None, *, whole: bool = True
) -> NightReport:
    """Record how the night ended and say it in numbers and sentences.

    `folder` is the published night. One that is not `whole` leaves work to the next night, which
    must not take the study for unchanged.
    """
    verdict = night.verdict(judged)
    published = folder is not None
    conservation = pd.DataFrame()
    if judged is not None:
        conservation = judged.conservation
    elif published:  # answers alone
        conservation = _published(night, "conservation")
    _record(
        night,
        verdict,
        signature=night.signature if published and whole else "",
        done=published,
        just_now=published,
    )
    return _report(
        night, verdict.state, conservation, verdict.sentences, idle=False, published=published
    )


def _record(
    night: Night,
    verdict: NightVerdict,
    *,
    signature: str,
    done: bool = True,
    just_now: bool = False,
) -> None:
    rules = rules_in_study(contract.RULES.values(), night.study.limit_changes)
    row = {
        "night": night.name,
        "started_at": night.started_at,
        "ended_at": datetime.now(UTC),
        "state": verdict.state,
        "sentences": "\n".join(verdict.sentences),
        "signature": signature,
        "code_fingerprint": code_fingerprint(),
        "rules_version": rules_version(rules),
        "published": done,
    }
    night.state.append("nights", pd.DataFrame([row]))
    if not night.register.broken:
        if done:
            note_published(night.register, night.study.path, just_now=just_now)
        night.state.keep_register_head(night.register.head)
    LOG.info("%s: %s", verdict.state, " ".join(verdict.sentences))


def _report(
    night: Night,
    state: NightState,
    conservation: pd.DataFrame,
    sentences: Sequence[str],
    *,
    idle: bool,
    published: bool,
) -> NightReport:
    return NightReport(
        night=night.name,
        state=state,
        idle=idle,
        published=published,
        conservation=conservation,
        sentences=tuple(sentences),
        n_open=_n_queries(night, "open"),
        n_answered=_n_queries(night, "answered"),
        n_measured=night.n_measured,
        n_unchanged=night.state.value("SELECT count(*) FROM measured") - night.n_measured,
        n_problems=night.state.value("SELECT count(*) FROM problems"),
        seconds=monotonic() - night.began,
        spans=dict(night.spans),
        machine_failed=night.machine_failed,
    )


def _n_queries(night: Night, state: str) -> int:
    return 0 if night.queries is None else int((night.queries["state"] == state).sum())
