"""Look at a study after a mishap: say what is wrong, and put right what can be made again.

What can be made again is everything but the deliveries and what people decided: the state, the
warehouse, what was unpacked. A damaged state is set aside, never deleted. Numbers are never mended
here; the next night computes them anew.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import duckdb

from quietsleep.errors import WarehouseError
from quietsleep.intake.dialect import find_tables
from quietsleep.intake.files.read import read_bounded
from quietsleep.intake.find import CLOSED, FoundDelivery, take_inventory
from quietsleep.intake.store import Address, placed
from quietsleep.site.folder import changed_pages
from quietsleep.store.state import NAME, State, night_lock, read_whole, set_aside
from quietsleep.study.register import Register, RegisterError
from quietsleep.study.register_key import KeyMissing
from quietsleep.study.review_log import ReviewError
from quietsleep.study.study import Study
from quietsleep.warehouse.current import (
    current_night,
    nights_folder,
    point_at,
    published_nights,
    sha256_of,
)
from quietsleep.warehouse.integrity import damage, database_damage, unlike_register
from quietsleep.warehouse.proof import prove
from quietsleep.warehouse.registered import open_register, release_noted

# A night is built beside the last one: room for a few of them, and for the state.
NIGHTS_OF_ROOM = 3
LEAST_ROOM_BYTES = 200 * 1024**2
CLEAR_SIGNATURE = "UPDATE nights SET signature = ''"
TAKE_IN_AGAIN = "UPDATE deliveries SET stat_digest = '' WHERE centre = ? AND delivery = ?"
FORGET_STAMPS = "DELETE FROM stats WHERE centre = ? AND delivery = ?"


@dataclass(frozen=True, slots=True)
class Finding:
    """What is wrong, what is to be done, and how; without `mend`, a person has to do it."""

    sentence: str
    remedy: str
    mend: Callable[[], None] | None = None


def examine(study: Study) -> list[Finding]:
    """Look at everything and return what is wrong; changes nothing. NightRunning during a night."""
    lock = night_lock(study.work_path)
    try:
        damaged = list(_state(study))
        register, said = _register(study)
        found = [
            *damaged, *_warehouse(study, register), *_releases(study, register), *said,
            *_pages(study), *_room(study), *_leftovers(study),
        ]  # fmt: skip
        return found if damaged else [*found, *_deliveries(study)]
    finally:
        lock.release()


def repair(findings: list[Finding]) -> Iterator[tuple[Finding, str]]:
    """Mend what can be mended and yield each finding with how that ended."""
    for finding in findings:
        if finding.mend is None:
            yield finding, f"To do: {finding.remedy}"
            continue
        try:
            finding.mend()
        except (OSError, duckdb.Error, RegisterError) as error:
            yield finding, f"Could not be mended: {error}"
        else:
            yield finding, f"Mended: {finding.remedy}"


def _state(study: Study) -> Iterator[Finding]:
    if not (study.work_path / NAME).exists():
        return
    try:
        if changed := read_whole(study.work_path):
            yield Finding(
                "The state of the study (work/state.duckdb) is not as the last night left it: it "
                f"was changed by hand in {', '.join(changed)}.",
                "set it aside; the next night takes everything in again.",
                lambda: _set_aside(study),
            )
    except duckdb.Error:
        yield Finding(
            "The state of the study (work/state.duckdb) is damaged.",
            "set it aside; the next night takes everything in again.",
            lambda: _set_aside(study),
        )


def _set_aside(study: Study) -> None:
    set_aside(study.work_path)


def _warehouse(study: Study, register: Register | None) -> Iterator[Finding]:
    def changed(night: Path) -> list[str]:
        unknown = [] if register is None else unlike_register(night, register)
        return [*unknown, *damage(night), *database_damage(night)]

    folders = [p for p in nights_folder(study.path).glob("n" + 6 * "[0-9]") if p.is_dir()]
    try:
        current = current_night(study.path)
    except WarehouseError:
        if folders:
            whole = (p for p in sorted(folders, reverse=True) if not changed(p))
            yield _pointed_back(study, "The warehouse points at no night.", next(whole, None))
        return
    wrong = changed(current)
    if wrong:
        said = f"The published night is not as it was published. {wrong[0]}"
        said += f" So are {len(wrong) - 1} more files." if len(wrong) > 1 else ""
        whole = (p for p in sorted(folders, reverse=True) if p != current and not changed(p))
        yield _pointed_back(study, said, next(whole, None))
    for night in published_nights(study.path)[1:]:
        if not wrong and changed(night):
            yield Finding(
                f"The earlier night {night.name} is damaged; nobody reads it by default.",
                "nothing; it goes when newer nights have been published.",
            )


def _pointed_back(study: Study, sentence: str, newest: Path | None) -> Finding:
    """Point at the newest night that is whole, and have the next night publish anew."""
    place = f"point at night {newest.name}, which is whole; " if newest else ""

    def mend() -> None:
        if newest:
            point_at(study.path, newest)
        with State(study.work_path) as state:
            state.run(CLEAR_SIGNATURE)

    return Finding(sentence, f"{place}the next night publishes anew.", mend)


def _releases(study: Study, register: Register | None) -> Iterator[Finding]:
    """Hold every release against its checksums, and against the digest that was written down."""
    for folder in sorted((study.path / "warehouse" / "releases").glob("*/SHA256SUMS")):
        release = folder.parent
        if release.name.startswith("."):
            continue
        known = None if register is None or register.broken else release_noted(register, release)
        if wrong := prove(release, known=known).differences:
            more = f" So are {len(wrong) - 1} more things in it." if len(wrong) > 1 else ""
            yield Finding(
                f"Release {release.name} is not as it was released. {wrong[0]}{more}",
                "put it back from a copy; what is cited of it is the digest.",
            )


def _register(study: Study) -> tuple[Register | None, list[Finding]]:
    """Open the register; return it with what is wrong with it."""
    try:
        register = open_register(study)
    except (KeyMissing, ReviewError) as error:
        return None, [Finding(str(error), "as it says; the register is left as it is.")]
    if not register.broken:
        return register, []
    mend = Finding(
        register.broken,
        "put it back as it was written down; the changed file is kept.",
        lambda: _mend_register(register),
    )
    return register, [mend]


def _mend_register(register: Register) -> None:
    register.mend()


def _pages(study: Study) -> Iterator[Finding]:
    """Hold every page against the digest of when it was written."""
    wrong = changed_pages(study.path / "pages", study.work_path / "pages")
    if not wrong:
        return
    more = f" So are {len(wrong) - 1} more files." if len(wrong) > 1 else ""

    def mend() -> None:
        for path in wrong:
            path.unlink(missing_ok=True)
        with State(study.work_path) as state:
            state.run(CLEAR_SIGNATURE)

    place = wrong[0].relative_to(study.path).as_posix()
    yield Finding(
        f"{place} is not as it was written.{more}",
        "take it away; the next night writes it anew.",
        mend,
    )


def _room(study: Study) -> Iterator[Finding]:
    free = shutil.disk_usage(study.path).free
    try:
        night = current_night(study.path)
        size = sum(p.stat().st_size for p in night.rglob("*") if p.is_file())
    except (WarehouseError, OSError):
        size = 0
    needed = max(LEAST_ROOM_BYTES, NIGHTS_OF_ROOM * size)
    if free < needed:
        yield Finding(
            f"{free // 1024**2} MB are free where the study lies, less than the "
            f"{needed // 1024**2} MB a night may need.",
            "free some space.",
        )


def _leftovers(study: Study) -> Iterator[Finding]:
    warehouse, unpacked = study.path / "warehouse", study.work_path / "unpacked"
    left = [p for p in (warehouse / ".aside", warehouse / ".current.new") if p.exists()]
    left += [*(warehouse / "releases").glob(".*.new"), *unpacked.glob("*/*.part")]
    for path in left:
        yield Finding(
            f"{path.relative_to(study.path).as_posix()} is left of a killed night or release.",
            "take it away.",
            _take_away(path),
        )


def _take_away(path: Path) -> Callable[[], None]:
    def mend() -> None:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)

    return mend


def _deliveries(study: Study) -> Iterator[Finding]:
    """Hash every file that was taken in; what changed in the ordinary way is the next night's.

    So are deliveries that are gone, and archives that have to be unpacked again.
    """
    if not (study.work_path / NAME).exists():
        return
    with duckdb.connect(study.work_path / NAME, read_only=True) as connection:
        rows = connection.execute(
            "SELECT centre, delivery, d.path, s.path, s.bytes, s.mtime_ns, s.sha256 "
            "FROM deliveries AS d JOIN stats AS s USING (centre, delivery) "
            "WHERE d.state = 'accepted' ORDER BY ALL"
        ).fetchall()
    seen, in_store = take_inventory(study), bool(study.storage.deliveries)
    if in_store and (shut := next((p for p in seen.strays if p.kind == CLOSED), None)):
        yield Finding(shut.sentence, "see that the store answers and that its keys are right.")
        return
    there = {(f.centre, f.delivery): f for own in seen.found.values() for f in own}
    bad: dict[tuple[str, str], list[str]] = {}
    for centre, delivery, folder, path, size, mtime_ns, sha256 in rows:
        found = there.get((centre, delivery))
        if found is None:
            continue
        # Where the study lies now: it may have been moved since the last night.
        unpacked = study.work_path / "unpacked" / centre / delivery
        if in_store:
            file, stamp = placed(folder) / path, (size, mtime_ns)
            same = _is_same_in_store(found, file, path, stamp, sha256)
        elif found.is_archive:
            # Tables are read out of the archive, and not unpacked.
            is_table = bool(find_tables([path]).texts)
            same = is_table or not unpacked.is_dir()
            same = same or _is_same(unpacked / path, (size, None), sha256)
        else:
            same = _is_same(Path(str(found.path)) / path, (size, mtime_ns), sha256)
        if not same:
            bad.setdefault((centre, delivery), []).append(path)
    for key, paths in bad.items():
        yield _changed(study, key, paths)


def _is_same_in_store(
    found: FoundDelivery,
    file: Path | Address,
    inside: str,
    stamp: tuple[int, int],
    sha256: str,
) -> bool:
    """Say whether a file in the store has its bytes; what changed since is for the next night."""
    if not isinstance(file, Address):
        return True
    now = (stamp[0], found.stats[""][1]) if found.is_archive else found.stats.get(inside)
    if now != stamp:
        return True
    try:
        return hashlib.sha256(read_bounded(file)).hexdigest() == sha256
    except OSError:
        return False


def _is_same(file: Path, stamp: tuple[int, int | None], sha256: str) -> bool:
    """Say whether a file has its bytes; one with another time is for the next night to look at."""
    size, mtime_ns = stamp
    try:
        info = file.stat()
        if mtime_ns is not None and info.st_mtime_ns != mtime_ns:
            return True
        return info.st_size == size and sha256_of(file) == sha256
    except OSError:
        return False


def _changed(study: Study, key: tuple[str, str], paths: list[str]) -> Finding:
    more = f" and {len(paths) - 1} more files" if len(paths) > 1 else ""

    def mend() -> None:
        # What was unpacked of an archive is unpacked anew; of a folder there is nothing here.
        shutil.rmtree(study.work_path / "unpacked" / key[0] / key[1], ignore_errors=True)
        with State(study.work_path) as state:
            for sql in (TAKE_IN_AGAIN, FORGET_STAMPS):
                state.run(sql, list(key))
            state.run(CLEAR_SIGNATURE)

    return Finding(
        f"Delivery {key[1]} of {key[0]}: {paths[0]}{more} cannot be read, or has not the bytes "
        "that were taken in, although size and time say so.",
        "have the next night take the delivery in anew; what is held then says so on the pages.",
        mend,
    )
