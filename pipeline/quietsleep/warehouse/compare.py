"""Two nights or releases held against each other: session by session in words, then by cell.

A sentence begins with what is evidence of the cause, named from the tables of both: the delivery
whose file or row came, the device registered anew, the rule whose limit is another, the waiver, the
review, other code, another formula, a withdrawal. Where nothing is evidence, that is said.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from quietsleep.contract.wording import count, listed
from quietsleep.study.history import history_of
from quietsleep.study.register import Register
from quietsleep.warehouse.changes import NO_EVIDENCE, difference
from quietsleep.warehouse.current import night_facts
from quietsleep.warehouse.proof import RELEASE
from quietsleep.warehouse.publish import read_table
from quietsleep.warehouse.session_changes import COLUMNS as CELLS
from quietsleep.warehouse.session_changes import NOTHING, session_changes, with_sessions

WITHDRAWN = "withdrawal"
SESSIONS = ("centre", "session", "sentence", "cause")
# Facts of a night that say of both what they rest on.
FACTS = (
    ("contract_version", "contract"),
    ("rules_version", "rules"),
    ("code_fingerprint", "code"),
)
Sessions = Collection[tuple[str, str]]
Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Comparison:
    """What differs of two: `sessions` in words, `cells` one by one, and `notes` on both as a whole.

    `sessions` has centre, session, sentence and cause; `cells` the columns of the table changes.
    """

    sessions: pd.DataFrame
    cells: pd.DataFrame
    notes: tuple[str, ...]


def compare(before: Path, after: Path, *, withdrawn: Sessions = ()) -> Comparison:
    """Compare two folders of nights or releases.

    `withdrawn` are sessions that were taken out, by centre and code, as the study register has
    them: that they are gone has that cause. WarehouseError where the two cannot be compared.
    """
    (before, *said), (after, *said_after) = _as_night(before, after), _as_night(after, before)
    said += said_after
    left_out: list[str] = []
    cells = difference(before, after, left_out=left_out)[list(CELLS)]
    cells = _with_withdrawn(cells, withdrawn)
    evidence = _Evidence(before, after, cells)
    changes = list(session_changes(cells))
    if _is_release(before) != _is_release(after):
        told = [change for change in changes if change.sentence != NOTHING]
        said += [_said_of_details(len(changes) - len(told))]
        changes = told
    rows = [
        (change.centre, change.session, sentence, ", ".join(causes_of(change.causes)))
        for change in changes
        for sentence in [evidence.sentence(change.centre, change.session, change.sentence)]
    ]
    sessions = pd.DataFrame(rows, columns=list(SESSIONS))
    notes = (*said, *_notes(before, after), *_said_left_out(left_out))
    return Comparison(sessions, cells, notes)


def _as_night(folder: Path, other: Path) -> tuple[Path, *tuple[str, ...]]:
    """Return what stands for a release beside a night: its own night where that is still there.

    A release holds days otherwise, so next to a night much of it would seem to differ.
    """
    if not _is_release(folder) or _is_release(other):
        return (folder,)
    night = folder.parents[1] / "nights" / str(night_facts(folder)["night"])
    if not (night / "NIGHT.json").is_file():
        return (folder,)
    return night, f"Release {folder.name} is compared by the night that it was made of."


def _is_release(folder: Path) -> bool:
    return (folder / RELEASE).is_file()


def _said_of_details(n: int) -> str:
    return (
        "A release holds days and what follows from them otherwise than a night; sessions that "
        f"differ in such details alone are not listed: {n}."
    )


def causes_of(listed: Collection[str]) -> list[str]:
    """Return the causes, each once, of texts that list several."""
    return sorted({cause for text in listed for cause in _split(text)})


def _split(text: str) -> list[str]:
    return [cause for cause in str(text).split(", ") if cause]


def _with_withdrawn(cells: pd.DataFrame, withdrawn: Sessions) -> pd.DataFrame:
    placed, taken = with_sessions(cells), {*withdrawn}
    gone = [key in taken for key in zip(placed["centre"], placed["session"], strict=True)]
    cells = cells.copy()
    cells.loc[gone, "cause"] = WITHDRAWN
    return cells


def _notes(before: Path, after: Path) -> Iterator[str]:
    """Say of both as a whole what is not the same: versions of rules, code, package, libraries."""
    one, other = night_facts(before), night_facts(after)
    for name, word in FACTS:
        if one.get(name) != other.get(name):
            yield f"{word}: {one.get(name)}, then {other.get(name)}"
        else:
            yield f"{word}: {one.get(name)} in both"
    here, there = one.get("code") or {}, other.get("code") or {}
    if not here or not there:
        return
    for name in ("version", "commit", "python"):
        if here.get(name) != there.get(name):
            yield f"{name}: {here.get(name) or 'not known'}, then {there.get(name) or 'not known'}"
    own, its = here.get("libraries", {}), there.get("libraries", {})
    for name in sorted({*own, *its}):
        if own.get(name) != its.get(name):
            yield f"{name}: {own.get(name, 'absent')}, then {its.get(name, 'absent')}"


def _said_left_out(columns: list[str]) -> Iterator[str]:
    if columns:
        yield f"Not compared, because only one of the two holds them: {', '.join(columns)}"


class _Evidence:
    """What stands in the tables of both for each cause of a session."""

    def __init__(self, before: Path, after: Path, cells: pd.DataFrame) -> None:
        self._cells = with_sessions(cells)
        self._both = {
            name: (_read(before, name), _read(after, name))
            for name in ("sessions", "recordings", "deliveries", "waivers", "reviews")
        }
        verdicts = cells[cells["table_name"] == "verdicts"]
        self._verdicts = [
            (*row["key"].split("|"), *_split(row["cause"])) for row in verdicts.to_dict("records")
        ]
        self._name: Mapping[str, Callable[[Key], str]] = {
            "file": self._deliveries,
            "device": self._device,
            "limit": lambda key: self._rules(key, "limit", "the limit of"),
            "rule": lambda key: self._rules(key, "rule", "the rule"),
            "waiver": self._waivers,
            "review": self._reviews,
            "code": lambda _: "other code",
            "first measured": lambda _: "reading for the first time what lay there",
            WITHDRAWN: lambda _: "the withdrawal",
        }

    def sentence(self, centre: str, session: str, told: str) -> str:
        """Return what happened to a session and by what, in one sentence."""
        own = self._cells[(self._cells["centre"] == centre) & (self._cells["session"] == session)]
        causes = causes_of([*own["cause"].dropna()])
        known = [cause for cause in causes if cause != NO_EVIDENCE]
        if not known:
            return f"{session}: {told}; nothing in either says why."
        subject = listed([self._named(cause, (centre, session)) for cause in known])
        rest = "; of some of it nothing says why" if len(known) < len(causes) else ""
        text = f"{subject} {_did(own)} {session}: {told}{rest}."
        return text[:1].upper() + text[1:]

    def _named(self, cause: str, key: Key) -> str:
        name = self._name.get(cause)
        if name is None:  # a formula, with the versions of the contract
            return f"another {cause}"
        return name(key)

    def _deliveries(self, key: Key) -> str:
        """Name the deliveries by which files or rows of a session came, or that are not there now.

        A delivery that came anew under its name is one of them.
        """
        found: set[str] = set()
        for name, row in (("sessions", ["session"]), ("recordings", ["item"])):
            old, new = (_of(frame, key) for frame in self._both[name])
            said = [c for c in ("delivery", "file_sha256") if c in old and c in new]
            pairs = old.merge(new, on=row, how="outer", suffixes=("_old", "_new"))
            for pair in pairs.to_dict("records"):
                differs = any(_other(pair[f"{c}_old"], pair[f"{c}_new"]) for c in said)
                came = pair.get("delivery_new")
                came = pair.get("delivery_old") if pd.isna(came) else came
                if pd.notna(came) and (differs or self._came_anew(key[0], str(came))):
                    found.add(str(came))
        return f"delivery {listed(sorted(found))}" if found else "what was delivered"

    def _came_anew(self, centre: str, delivery: str) -> bool:
        old, new = (
            frame[(frame["centre"] == centre) & (frame["delivery"] == delivery)]
            for frame in self._both["deliveries"]
        )
        return (
            not old.empty and not new.empty and _other(old["sha256"].iloc[0], new["sha256"].iloc[0])
        )

    def _device(self, key: Key) -> str:
        names = {
            str(d) for frame in self._both["sessions"] for d in _of(frame, key)["device"].dropna()
        }
        return f"the registration of {listed(sorted(names))}" if names else "a registration"

    def _rules(self, key: Key, cause: str, word: str) -> str:
        rules = sorted(
            {
                rule
                for centre, kind, item, rule, *causes in self._verdicts
                if (centre, item.split("/")[0]) == key and kind != "check" and cause in causes
            }
        )
        return f"{word} {listed(rules)}" if rules else f"another {cause}"

    def _waivers(self, key: Key) -> str:
        return self._one_sided("waivers", "waiver", key)

    def _reviews(self, key: Key) -> str:
        return self._one_sided("reviews", "review", key)

    def _one_sided(self, table: str, code: str, key: Key) -> str:
        """Name the waivers or reviews of a session that only one side has, or has so."""
        old, new = ({str(r[code]): r for r in _on(frame, key)} for frame in self._both[table])
        names = sorted(
            name
            for name in {*old, *new}
            if (name in old) != (name in new) or old[name].get("state") != new[name].get("state")
        )
        return f"{code} {listed(names)}" if names else f"a {code}"


def _read(folder: Path, name: str) -> pd.DataFrame:
    frame: pd.DataFrame = read_table(folder, name).to_pandas()
    return frame


def _of(frame: pd.DataFrame, key: Key) -> pd.DataFrame:
    return frame[(frame["centre"] == key[0]) & (frame["session"] == key[1])]


def _on(frame: pd.DataFrame, key: Key) -> list[dict[Any, Any]]:
    """Return the rows about a session of a table that names items."""
    if "session" in frame:
        return _of(frame, key).to_dict("records")
    own = frame[frame["centre"] == key[0]]
    return [r for r in own.to_dict("records") if str(r["item"]).split("/")[0] == key[1]]


def _other(one: Any, other: Any) -> bool:
    return bool(one != other) and not (pd.isna(one) and pd.isna(other))


def _did(own: pd.DataFrame) -> str:
    """Say what was done to a session, by its tests: "brought back 4 tests of"."""
    tests = own[own["table_name"] == "tests"]
    whole, status = tests["column_name"] == "", tests[tests["column_name"] == "status"]
    counts = (
        ("brought back", int((status["after"] == "accepted").sum())),
        ("brought anew", int((whole & tests["before"].isna()).sum())),
        ("cost", int((status["before"] == "accepted").sum())),
        ("took away", int((whole & tests["after"].isna()).sum())),
    )
    said = [f"{verb} {count(n, 'test')} of" for verb, n in counts if n]
    return " and ".join(said) or "changed"


def withdrawn_of(register: Register) -> frozenset[tuple[str, str]]:
    """Return the sessions that were ever taken out, by centre and code."""
    history = history_of(register)
    return frozenset((c, s) for c, taken in history.withdrawn.items() for s in taken.sessions)


def write_comparison(found: Comparison, folder: Path) -> None:
    """Write a comparison as sessions.parquet and cells.parquet."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows, columns in (
        ("sessions", found.sessions, SESSIONS),
        ("cells", found.cells, CELLS),
    ):
        schema = pa.schema([(column, pa.string()) for column in columns])
        table = pa.Table.from_pandas(rows, schema=schema, preserve_index=False)
        pq.write_table(table, folder / f"{name}.parquet", compression="zstd")


def place_of(said: str, study_path: Path) -> Path | None:
    """Return the folder that is meant: a path, or a night, release or `current` of a study."""
    warehouse = study_path / "warehouse"
    places = (
        Path(said), warehouse / "releases" / said, warehouse / "nights" / said, warehouse / said,
    )  # fmt: skip
    found = next((place for place in places if (place / "NIGHT.json").is_file()), None)
    return None if found is None else found.resolve()


def name_of(folder: Path) -> str:
    """Say which night or release a folder is."""
    kind = "release" if _is_release(folder) else "night"
    return f"{kind} {folder.name}"
