"""A new study, and a new centre of one: the files that a coordinating centre starts from.

They are written from `contracts/beginning/`, with a comment for each part, and read once as every
night reads them before they count: a value that could not stand leaves nothing behind.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from string import Template

from quietsleep import contract
from quietsleep.contract.toml import code_of
from quietsleep.data import data_folder
from quietsleep.errors import StudyError
from quietsleep.study.study import Study, load_study

GITIGNORE = ".gitignore"


@dataclass(frozen=True, slots=True)
class NewCentre:
    """What is asked of a centre at its start; without an altitude pressures are held to none."""

    centre: str
    title: str = ""
    time_zone: str = "UTC"
    altitude_m: float | None = None
    device: str = ""


def begin_study(path: Path, *, study: str, title: str, centre: NewCentre) -> Study:
    """Write a study folder with one centre; StudyError where one is, or where a value cannot stand.

    Files that lie there already and are none of a study stay as they are.
    """
    if (path / "study.toml").exists():
        raise StudyError(
            f"{path} is a study already. 'quietsleep init-centre {path}' adds a centre to it."
        )
    whole = _filled(
        "study.toml",
        study=_quoted(study),
        plain_study=study,
        title=_quoted(title or study),
        contract=_quoted(contract.READABLE_VERSIONS[-1]),
    )
    with tempfile.TemporaryDirectory(prefix="quietsleep-init-") as name:
        aside = Path(name)
        (aside / "centres").mkdir()
        (aside / "study.toml").write_text(whole, encoding="utf-8")
        (aside / "centres" / _file(centre)).write_text(_centre(centre), encoding="utf-8")
        load_study(aside)
        path.mkdir(parents=True, exist_ok=True)
        _move(aside / "centres" / f"{centre.centre}.toml", path / "centres")
        _move(aside / "study.toml", path)
    (path / "deliveries" / centre.centre).mkdir(parents=True, exist_ok=True)
    if not (path / GITIGNORE).exists():
        shutil.copyfile(data_folder("contracts") / "beginning" / "gitignore", path / GITIGNORE)
    return load_study(path)


def begin_centre(study: Study, centre: NewCentre) -> Study:
    """Add a centre file and its folder of deliveries to a study; returns the study as it is then.

    StudyError where the code is taken or a value cannot stand.
    """
    taken = study.code_now(centre.centre)
    file = study.path / "centres" / _file(centre)
    if taken in study.centres:
        raise StudyError(f"{taken} is a centre of this study already; its file is {file}.")
    file.write_text(_centre(centre), encoding="utf-8")
    try:
        begun = load_study(study.path)
    except StudyError:
        file.unlink()
        raise
    (study.path / "deliveries" / centre.centre).mkdir(parents=True, exist_ok=True)
    return begun


def _centre(centre: NewCentre) -> str:
    height = centre.altitude_m
    return _filled(
        "centre.toml",
        centre=_quoted(centre.centre),
        title=_quoted(centre.title or centre.centre),
        time_zone=_quoted(centre.time_zone),
        # A height that nobody said is asked for, not made up.
        altitude="# altitude_m = 120" if height is None else f"altitude_m = {height:g}",
        device=_quoted(centre.device or f"{centre.centre}-set-1"),
    )


def _file(centre: NewCentre) -> str:
    """Return the name of the file; StudyError for a code that could be no name of a file."""
    try:
        return f"{code_of(centre.centre)}.toml"
    except ValueError as refusal:
        raise StudyError(f"The code of the centre {refusal}") from None


def _filled(name: str, **values: str) -> str:
    text = (data_folder("contracts") / "beginning" / name).read_text(encoding="utf-8")
    return Template(text).substitute(values)


def _quoted(value: str) -> str:
    """Return a TOML text; JSON writes the same escapes."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _move(file: Path, folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    shutil.move(file, folder / file.name)
