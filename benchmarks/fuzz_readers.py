"""What is fuzzed: every reader of files that come from outside, with what must hold of its answer.

Each reader takes spoilt bytes and returns a word for what became of them; whatever it raises is a
finding, and so is an answer that breaks what it promises.
"""

from __future__ import annotations

import random
import shutil
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, redirect_stderr, suppress
from dataclasses import dataclass, replace
from io import StringIO
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZipFile

from benchmarks import fuzz_mutations as spoil
from quietsleep.contract import CHECKS, TECHNIQUES, ContractError
from quietsleep.intake.delivery import ReadDelivery, read_delivery
from quietsleep.intake.files.header import heading_of
from quietsleep.intake.find import found_at
from quietsleep.intake.ingest import rows_to_keep
from quietsleep.judge.scores import load_references
from quietsleep.measure.plan import Job
from quietsleep.measure.pool import in_process
from quietsleep.measure.recording import measure_job
from quietsleep.measure.roster import read_roster
from quietsleep.night.stages import run_night
from quietsleep.simulation.centres import write_demo_study
from quietsleep.simulation.exports import relist
from quietsleep.simulation.rows import short
from quietsleep.store.state import State
from quietsleep.study.history import History
from quietsleep.study.register import Register
from quietsleep.study.study import Study, StudyError, check_units, load_study

TABLES = ("sessions", "recordings", "checks", "reported")
SESSION = {
    "weight_kg": 6.0, "length_cm": 62.0, "age_days": 120.0, "room_temperature_c": 23.0,
    "room_humidity_pct": 40.0, "barometric_pressure_kpa": 101.3, "known_volume_ml": 100.0,
    "heated_min": 40.0, "box_volume_l": 65.0, "box_factor_ml_kpa": 500.0, "box_half_life_s": 20.0,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Reader:
    """One reader under fire: sound files, how they are spoilt, what is done with them."""

    name: str
    seeds: Sequence[bytes]
    mutate: spoil.Mutation
    run: Callable[[bytes], str]
    traced: bool = True


def small_study(scratch: Path) -> Path:
    """Write the invented study with one session a centre, once."""
    path = scratch / "study"
    if not (path / "study.toml").is_file():
        write_demo_study(path, sessions_per_centre=1, processes=1)
    return path


def readers(scratch: Path) -> list[Reader]:
    """Return all readers, each with a folder of its own below `scratch`."""
    path = small_study(scratch)
    for folder in scratch.iterdir():  # what an earlier process left half spoilt
        if folder.is_dir() and folder != path:
            shutil.rmtree(folder)
    study = load_study(path)
    found = [*_signal_readers(study, scratch), *_delivery_readers(study, scratch)]
    found += _study_readers(path, scratch)
    found.append(_register_reader(scratch))
    found.append(_night_reader(path, scratch))
    return found


# --- signals -------------------------------------------------------------------------------------

OF_CODE = {short(technique): technique for technique in TECHNIQUES}


def _signal_readers(study: Study, scratch: Path) -> Iterator[Reader]:
    mutations = {"csv": spoil.in_lines, "parquet": spoil.in_parquet, "edf": spoil.in_edf}
    for centre, form in (("larch", "csv"), ("willow", "parquet"), ("juniper", "edf")):
        device = next(iter(study.centres[centre].devices.values()))
        delivery = study.deliveries_path / centre / f"{centre}-01"
        files = sorted((delivery / "signals").rglob(f"*.{form}"))
        kinds: dict[bytes, str] = {}
        for file in files:
            code = file.stem.rpartition("-")[2].rstrip("0123456789")
            kinds[file.read_bytes()] = OF_CODE.get(code, code)
        for key in sorted(set(kinds.values())):
            path = scratch / f"{form}.{key}"
            job = Job("k", centre, "d", None, "r", key, path, f"r.{form}", device, SESSION)
            seeds = [data for data, kind in kinds.items() if kind == key]
            yield Reader(f"{form} {key}", seeds, mutations[form], _measures(job, path))


def _measures(job: Job, path: Path) -> Callable[[bytes], str]:
    spec = TECHNIQUES.get(job.technique) or CHECKS[job.technique]

    def run(data: bytes) -> str:
        heading_of(data, job.device)
        path.write_bytes(data)
        with warnings.catch_warnings():
            warnings.simplefilter("error", RuntimeWarning)
            measured = measure_job(job)
        assert measured.state != "crashed", measured.traceback
        if measured.state == "quarantined":
            (problem,) = measured.problems
            assert problem.sentence.endswith(".") and problem.remedy, problem
            repr(problem).encode()
        assert all(t.end_s >= t.start_s for t in measured.trials), spec.key
        return measured.state

    return run


# --- deliveries ----------------------------------------------------------------------------------


def _delivery_readers(study: Study, scratch: Path) -> Iterator[Reader]:
    source = study.deliveries_path / "larch" / "larch-01"
    for name in TABLES:
        folder = _copy(source, scratch / f"with {name}" / "larch" / "larch-01")
        data = (source / f"{name}.csv").read_bytes()
        yield Reader(f"table {name}", [data], spoil.in_lines, _with_table(study, folder, name))
    folder = _copy(source, scratch / "with list" / "larch" / "larch-01")
    listed = (folder / "delivery.json").read_bytes()
    yield Reader("delivery.json", [listed], spoil.in_json, _with_list(study, folder))
    archive = scratch / "packed" / "larch" / "larch-01.zip"
    archive.parent.mkdir(parents=True, exist_ok=True)
    with ZipFile(archive, "w", ZIP_DEFLATED) as out:
        for file in sorted(p for p in folder.rglob("*") if p.is_file()):
            out.write(file, file.relative_to(folder))
    yield Reader("zip", [archive.read_bytes()], spoil.in_zip, _with_archive(study, archive))


def _copy(source: Path, target: Path) -> Path:
    """A copy of a delivery with short signals, which make the reading of tables quick."""
    if not target.is_dir():
        shutil.copytree(source, target)
        for file in target.rglob("signals/*/*.csv"):
            file.write_bytes(b"".join(file.read_bytes().splitlines(keepends=True)[:20]))
        relist(target)
    return target


def _with_table(study: Study, folder: Path, name: str) -> Callable[[bytes], str]:
    def run(data: bytes) -> str:
        (folder / f"{name}.csv").write_bytes(data)
        relist(folder)
        return taken(study, folder)

    return run


def _with_list(study: Study, folder: Path) -> Callable[[bytes], str]:
    def run(data: bytes) -> str:
        (folder / "delivery.json").write_bytes(data)
        return taken(study, folder)

    return run


def _with_archive(study: Study, archive: Path) -> Callable[[bytes], str]:
    def run(data: bytes) -> str:
        archive.write_bytes(data)
        answer = taken(study, archive)
        assert {p.name for p in archive.parents[1].iterdir()} <= {"larch", "work"}
        assert [p.name for p in archive.parent.iterdir()] == [archive.name]
        return answer

    return run


def taken(study: Study, path: Path) -> str:
    """Take a delivery in and keep it as a night does; every row must stay in one place."""
    work = path.parents[1] / "work"
    found = found_at(path, "larch")
    delivered = read_delivery(replace(study, path=work), found)
    _check_rows(delivered)
    with suppress(Undone), _state(work) as state, state.transaction():
        state.store_tables(rows_to_keep(delivered), centre="larch", delivery=found.delivery)
        state.store_problems(delivered.problems, night="n1")
        state.run(
            "INSERT INTO deliveries (centre, delivery, created_at, state, path, replaces) "
            "VALUES (?, ?, ?, ?, ?, '[]')",
            ["larch", found.delivery, delivered.created, delivered.state, str(delivered.root)],
        )
        read_roster(state, History())
        raise Undone
    return delivered.state


class Undone(Exception):
    """Takes back what was written, so that the next input finds an empty state."""


@contextmanager
def _state(work: Path) -> Iterator[State]:
    """The state in a folder, kept open: opening one takes longer than everything else here."""
    if work not in _STATES:
        _STATES[work] = State(work)
    yield _STATES[work]


_STATES: dict[Path, State] = {}


def _check_rows(delivered: ReadDelivery) -> None:
    for problem in delivered.problems:
        assert problem.sentence and problem.expected and problem.remedy, problem
        repr(problem).encode()
    if delivered.state != "accepted":
        assert delivered.problems or delivered.state == "arriving"
        return
    for name in TABLES:
        rows = [*delivered.tables[name]["row"], *delivered.held[name]["row"]]
        assert len(rows) == len(set(rows)) == delivered.counts[f"{name}_rows"], name
    assert delivered.tables["sessions"]["session"].is_unique


# --- study files, decisions of readers, whole nights ---------------------------------------------

REFERENCE = b"""key = "own"
title = "FVC by length"
outcomes = ["fvc_ml"]
unit = "mL"
source = "Analysis plan"
obtained = "study proposal"
equipment_classes = ["pneumotachograph-a"]
[ranges]
length_cm = [50.0, 86.0]
[[equations]]
sexes = ["female", "male"]
transform = "ln"
sd = 0.12
terms = [{ coefficient = -7.0 }, { coefficient = 3.0, of = "length_cm", ln = true }]
"""
TABLE_REFERENCE = b"""key = "own"
title = "Own table"
outcomes = ["rr_per_min"]
unit = "/min"
source = "Analysis plan"
obtained = "study proposal"
[ranges]
age_days = [0.0, 400.0]
[[equations]]
sexes = ["female", "male"]
by = "age_days"
rows = [[0.0, 1.0, 40.0, 0.1], [400.0, 1.0, 28.0, 0.1]]
"""


def _study_readers(path: Path, scratch: Path) -> Iterator[Reader]:
    names = ("study.toml", "limits.toml", "waivers.toml", "centres/larch.toml",
             "centres/willow.toml", "references/own.toml")  # fmt: skip
    for name in names:
        folder = scratch / f"study with {name.replace('/', ' ')}"
        shutil.copytree(path, folder, dirs_exist_ok=True, ignore=lambda *_: {"deliveries", "truth"})
        (folder / "references").mkdir(exist_ok=True)
        own = name.startswith("references")
        seeds = [REFERENCE, TABLE_REFERENCE] if own else [(path / name).read_bytes()]
        yield Reader(f"toml {name}", seeds, spoil.in_toml, _with_study_file(folder, name))


def _with_study_file(folder: Path, name: str) -> Callable[[bytes], str]:
    def run(data: bytes) -> str:
        (folder / name).write_bytes(data)
        try:
            check_units(load_study(folder))
            load_references(folder)
        except (StudyError, ContractError) as error:
            sentence = str(error)
            assert sentence.strip() and str(folder) not in sentence, sentence
            return "refused"
        return "read"

    return run


def _register_reader(scratch: Path) -> Reader:
    folder = scratch / "register"
    folder.mkdir(parents=True, exist_ok=True)

    def opened() -> Register:
        return Register(folder, folder / "work", study="fuzzed", key_path=scratch / "register.key")

    first = opened()
    if len(first.entries) < 4:
        first.append_all([("answer", {"query": number, "words": "Seen."}) for number in range(4)])
    sound, entries = first.path.read_bytes(), first.entries

    def run(data: bytes) -> str:
        first.path.write_bytes(data)
        first.kept.write_bytes(sound)
        register = opened()
        assert register.broken or register.entries == entries
        return "broken" if register.broken else "whole"

    return Reader("register.jsonl", [sound], _in_entries, run)


def _in_entries(rng: random.Random, data: bytes) -> bytes:
    lines = data.splitlines(keepends=True)
    at = rng.randrange(len(lines))
    how = rng.randrange(5)
    if how == 0:
        del lines[at]
    elif how == 1:
        lines.insert(rng.randrange(len(lines)), lines[at])
    elif how == 2:
        return spoil.in_bytes(rng, data)
    else:
        lines[at] = spoil.in_json(rng, lines[at]) + b"\n"
    return b"".join(lines)


def _night_reader(path: Path, scratch: Path) -> Reader:
    """A whole night on a study in which several files are spoilt at once; `data` seeds the dice."""
    folder = scratch / "night" / "demo"

    def run(data: bytes) -> str:
        rng = random.Random(data)
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(path, folder, ignore=lambda *_: {"truth"})
        for delivery in sorted((folder / "deliveries").glob("*/*")):
            _spoil_delivery(rng, delivery)
        with redirect_stderr(StringIO()):
            report = run_night(folder, pool=in_process)
        log = folder / "work" / "failures.log"
        assert report.state != "red", log.read_text() if log.exists() else report.sentences
        assert report.published and report.conservation["balances"].all()
        return report.state

    def other_dice(rng: random.Random, _: bytes) -> bytes:
        return rng.randbytes(8)

    return Reader("night", [b"first"], other_dice, run, traced=False)


MUTATIONS = {".csv": spoil.in_lines, ".parquet": spoil.in_parquet, ".edf": spoil.in_edf}


def _spoil_delivery(rng: random.Random, delivery: Path) -> None:
    files = [p for p in delivery.rglob("*") if p.suffix in MUTATIONS]
    tables = [p for p in files if p.parent == delivery]
    chosen = sorted({*rng.sample(sorted(tables), 1), *rng.sample(sorted(files), 2)})
    for file in chosen:
        file.write_bytes(MUTATIONS[file.suffix](rng, file.read_bytes()))
    if rng.random() < 0.9:
        relist(delivery)
