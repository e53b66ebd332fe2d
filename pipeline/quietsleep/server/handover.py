"""From an upload to a delivery: unpack, seal, check as the night will, put in place, receipt.

What is wrong, what a delivery changes and what its tests come to is what `quietsleep check` says.
A delivery appears among the deliveries by one rename, whole and sealed.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from filelock import FileLock

from quietsleep.errors import QuietsleepError
from quietsleep.intake.dialect import find_tables
from quietsleep.intake.find import DELIVERY_NAME, MANIFEST, folders_of, found_at, usable_name
from quietsleep.intake.hold import USABLE_ID
from quietsleep.intake.seal import Seal, seal_delivery, seal_of
from quietsleep.intake.source import Archive, Refused, unpack
from quietsleep.measure.pool import InProcess
from quietsleep.night.preview import Preview, preview
from quietsleep.night.trial_run import tests_of, trial_night
from quietsleep.records import Problem
from quietsleep.review.desk import check_note, codes_of
from quietsleep.server.uploads import ARCHIVE, Upload, UploadRefused, is_plain
from quietsleep.study.history import Arrival, history_of
from quietsleep.study.register import FILE
from quietsleep.study.register_file import sync_folder
from quietsleep.study.study import Study
from quietsleep.study.upload_limits import MB
from quietsleep.warehouse.registered import open_register

RECEIPTS = "receipts"
# What may not lie among the deliveries, whoever sends it.
NEVER_SENT = frozenset({"person", "delivery_name"})
NAME_TAKEN = "There is a delivery of this name already. Give this one another name, such as {}."
NAME_BAD = (
    "The name of a delivery is a code of letters, digits, '-', '_' and '.', such as {}, and names "
    "nobody."
)


@dataclass(frozen=True, slots=True)
class CoverNote:
    """What a centre says of a delivery: its name, a note, and sessions that it replaces whole."""

    delivery: str
    note: str = ""
    replaces: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Checked:
    """What the check said of an upload, and of which bytes."""

    delivery: str
    note: str
    replaces: tuple[str, ...]
    n_files: int
    n_bytes: int
    sha256: str
    problems: tuple[dict[str, Any], ...]
    changes: tuple[str, ...]
    judged: tuple[str, ...]
    may_be_sent: bool


@dataclass(frozen=True, slots=True)
class Receipt:
    """What a centre is given for a delivery; `sha256` is that of its delivery.json."""

    centre: str
    delivery: str
    n_files: int
    n_bytes: int
    sha256: str
    sent_at: str
    sent_by: str
    n_problems: int
    changes: tuple[str, ...]


def check_upload(study: Study, upload: Upload, cover: CoverNote) -> Checked:
    """Make the delivery out of what was received, seal it, and check it; UploadRefused."""
    with upload.turn():
        upload.changed()
        cover = _agreed(study, upload.centre, cover)
        made, cover, seal = _make(study, upload, cover)
        seen = preview(study, made)
        told = Checked(
            cover.delivery,
            cover.note,
            cover.replaces,
            *(seal.n_files, seal.n_bytes, seal.sha256),
            problems=tuple(map(_told, seen.problems)),
            changes=seen.changes,
            judged=tuple(_judged(study, seen, made)),
            may_be_sent=not any(p.kind in NEVER_SENT for p in seen.problems),
        )
        upload.say("checked", asdict(told))
    return told


def _judged(study: Study, seen: Preview, made: Path) -> list[str]:
    """Say what would become of each test, by what is in the delivery alone."""
    if not seen.centre:
        return []
    try:
        with trial_night(study, InProcess(), centre=seen.centre, deliveries=[made]) as night:
            return [test.sentence for test in tests_of(night)]
    except QuietsleepError:
        return ["Its tests could not be judged here; the night judges them."]


def checked_of(upload: Upload) -> Checked | None:
    """Return what the check said; None where nothing was checked since the last file came."""
    said = upload.said("checked")
    if said is None:
        return None
    lists = {name: tuple(said[name]) for name in ("replaces", "problems", "changes", "judged")}
    return Checked(**(said | lists))


def send_upload(study: Study, upload: Upload, *, by: str) -> Receipt:
    """Put a checked delivery in its place and return its receipt; UploadRefused."""
    centre = upload.centre
    with upload.turn(), FileLock(study.work_path / f"{RECEIPTS}.lock", timeout=120):
        told = checked_of(upload)
        if told is None:
            raise UploadRefused("Files came since the last check: check the delivery again.")
        if not told.may_be_sent:
            raise UploadRefused("This delivery may not be sent as it is; see what the check says.")
        _refuse_taken(study, centre, told.delivery)
        receipt = Receipt(
            centre,
            told.delivery,
            told.n_files,
            told.n_bytes,
            told.sha256,
            datetime.now(UTC).isoformat(timespec="seconds"),
            by,
            len(told.problems),
            told.changes,
        )
        upload.say("receipt", asdict(receipt))
        place = study.deliveries_path / centre / told.delivery
        place.parent.mkdir(parents=True, exist_ok=True)
        (upload.made / centre / told.delivery).rename(place)
        sync_folder(place.parent)
        _keep_receipt(study, upload, receipt)
    return receipt


def settle(study: Study, upload: Upload) -> Receipt | None:
    """Finish what a stop between putting in place and the receipt had left; None for all else."""
    said = upload.said("receipt")
    if said is None:
        return None
    receipt = _receipt(said)
    made = upload.made / receipt.centre / receipt.delivery
    place = study.deliveries_path / receipt.centre / receipt.delivery
    if made.exists() or not place.is_dir() or seal_of(place).sha256 != receipt.sha256:
        return None
    _keep_receipt(study, upload, receipt)
    return receipt


def receipts_of(study: Study, centre: str) -> list[Receipt]:
    """Return the receipts of a centre, under all codes that it had, the newest first."""
    found = []
    for code in folders_of(study, centre):
        for path in (study.work_path / RECEIPTS / code).glob("*.json"):
            found.append(_receipt(json.loads(path.read_bytes())))
    return sorted(found, key=lambda receipt: receipt.sent_at, reverse=True)


def arrivals_of(study: Study) -> dict[tuple[str, str], Arrival]:
    """Return which deliveries a night has seen; nothing where that cannot be asked."""
    if not (study.path / FILE).exists():
        return {}
    try:
        return history_of(open_register(study)).arrivals
    except QuietsleepError:
        return {}


def suggested_name(study: Study, centre: str) -> str:
    """Return a free name for a delivery of today, by the centre's own day."""
    day = datetime.now(study.centres[centre].zone or UTC).date().isoformat()
    taken = _taken_names(study, centre)
    names = (day, *(f"{day}-{n}" for n in range(2, 1000)))
    return next(name for name in names if name not in taken)


def _keep_receipt(study: Study, upload: Upload, receipt: Receipt) -> None:
    path = study.work_path / RECEIPTS / receipt.centre / f"{receipt.delivery}.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    (upload.folder / "receipt.json").replace(path)
    shutil.rmtree(upload.folder)


def _receipt(said: dict[str, Any]) -> Receipt:
    return Receipt(**(said | {"changes": tuple(said["changes"])}))


def _agreed(study: Study, centre: str, cover: CoverNote) -> CoverNote:
    """Return what is cover once it can stand."""
    note = check_note(cover.note, words=codes_of(study), days=frozenset())
    if not all(USABLE_ID.fullmatch(code) for code in cover.replaces):
        raise UploadRefused("Sessions are named by their codes, with blanks between them.")
    name = cover.delivery or suggested_name(study, centre)
    return CoverNote(name, note, cover.replaces)


def _refuse_taken(study: Study, centre: str, name: str) -> None:
    if not usable_name(name, study):
        raise UploadRefused(NAME_BAD.format(suggested_name(study, centre)))
    if name.casefold() in _taken_names(study, centre):
        raise UploadRefused(NAME_TAKEN.format(suggested_name(study, centre)))


def _taken_names(study: Study, centre: str) -> set[str]:
    """Names under which something lies there or ever did, in one case."""
    lying = {
        path.name.casefold().removesuffix(ARCHIVE)
        for code in folders_of(study, centre)
        for path in (study.deliveries_path / code).glob("*")
    }
    seen = {name.casefold() for code, name in arrivals_of(study) if code == centre}
    return lying | seen


def _make(study: Study, upload: Upload, cover: CoverNote) -> tuple[Path, CoverNote, Seal]:
    """Put the delivery together and seal it, unless it came sealed."""
    plain = upload.made / "files"
    plain.mkdir(parents=True)
    loose = [path for path in upload.files() if not _is_archive(path)]
    if upload.coming():
        raise UploadRefused("Some files have not come whole: choose them again, or wait.")
    if not upload.files():
        raise UploadRefused("No file has come yet: choose the files of the delivery first.")
    _link(upload.received, _without_folder(loose), plain)
    for number, path in enumerate(p for p in upload.files() if _is_archive(p)):
        _unpack(study, upload, path, upload.made / f"unpacked-{number}", plain)
    if not any(plain.iterdir()):
        raise UploadRefused("The archive is empty.")
    sealed = _name_inside(plain)
    if sealed is not None:
        cover = CoverNote(sealed or cover.delivery)
    _refuse_taken(study, upload.centre, cover.delivery)
    if sealed is None:
        seal = seal_delivery(
            plain,
            centre=upload.centre,
            delivery=cover.delivery,
            note=cover.note,
            replaces=cover.replaces,
        )
    else:
        seal = seal_of(plain)
    made = upload.made / upload.centre / cover.delivery
    made.parent.mkdir()
    plain.replace(made)
    return made, cover, seal


def _is_archive(path: str) -> bool:
    return path.lower().endswith(ARCHIVE) and path.count("/") <= 1


def _link(root: Path, cover: Iterable[tuple[str, str]], target: Path) -> None:
    for path, inside in cover:
        place = target / inside
        try:
            place.parent.mkdir(parents=True, exist_ok=True)
            # A received file is never written again, only replaced: both names keep their bytes.
            os.link(root / path, place)
        except (FileExistsError, NotADirectoryError):
            raise UploadRefused("Two files have the same place in the delivery.") from None


def _unpack(study: Study, upload: Upload, path: str, aside: Path, target: Path) -> None:
    """Unpack an archive within the bounds of the intake and of a delivery."""
    most_mb = study.upload_limits.delivery_mb
    try:
        archive = Archive(found_at(upload.received / path, upload.centre))
        try:
            if sum(size for size, _ in archive.files.values()) > most_mb * MB:
                raise UploadRefused(f"The archive unpacks to more than {most_mb} MB.")
            if len(archive.files) > study.upload_limits.files:
                raise UploadRefused(f"A delivery holds at most {study.upload_limits.files} files.")
            if not all(map(is_plain, archive.files)):
                raise UploadRefused("The archive was not unpacked: a name in it is not plain.")
            unpack(archive, archive.files, aside)
            inside = _without_folder(archive.files)
        finally:
            archive.close()
    except Refused as refused:
        raise UploadRefused(refused.problem.sentence) from None
    except OSError as error:
        if error.errno is None:
            raise UploadRefused(f"The archive {path} cannot be unpacked: {error}.") from None
        raise
    _link(aside, inside, target)
    shutil.rmtree(aside)


def _without_folder(paths: Iterable[str]) -> list[tuple[str, str]]:
    """Return each path with its place in the delivery: a folder around all of it is taken off."""
    paths = [*paths]
    tops = {path.partition("/")[0] for path in paths}
    inside = [path.partition("/")[2] for path in paths]
    if len(tops) == 1 and all(inside):
        tables = find_tables(inside)
        if MANIFEST in inside or tables.texts or tables.workbooks or tables.twice:
            return [*zip(paths, inside, strict=True)]
    return [(path, path) for path in paths]


def _name_inside(folder: Path) -> str | None:
    """Return the name that a sealed delivery gives itself, empty for none; None if not sealed."""
    try:
        said = json.loads((folder / MANIFEST).read_bytes())
    except FileNotFoundError:
        return None
    except ValueError:
        return ""
    name = said.get("delivery") if isinstance(said, dict) else None
    return name if isinstance(name, str) and DELIVERY_NAME.fullmatch(name) else ""


def _told(problem: Problem) -> dict[str, Any]:
    return {
        name: getattr(problem, name)
        for name in ("where", "row", "column", "sentence", "expected", "remedy", "session")
    }


def conflicts(study: Study) -> Sequence[str]:
    """Say why a desk cannot be opened for a study; nothing where it can."""
    if study.storage.deliveries:
        return ["Deliveries of this study lie in a store; the desk puts them into a folder."]
    study.work_path.mkdir(parents=True, exist_ok=True)
    study.deliveries_path.mkdir(parents=True, exist_ok=True)
    if study.work_path.stat().st_dev != study.deliveries_path.stat().st_dev:
        return ["deliveries/ and work/ lie on two disks; the desk needs both on one."]
    return []
