"""A new study, a new centre: what is written can be read, what cannot stand leaves nothing."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietsleep.errors import StudyError
from quietsleep.study.begin import NewCentre, begin_centre, begin_study
from quietsleep.study.study import load_study

TITLES = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=40).filter(
    lambda title: title.strip()
)


def files(folder: Path) -> list[str]:
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


@given(title=TITLES, centre_title=TITLES)
def test_whatever_titles_say_the_study_can_be_read(title: str, centre_title: str) -> None:
    with TemporaryDirectory() as folder:
        centre = NewCentre("larch", centre_title, "Australia/Brisbane", -12.5, "set-9")
        begin_study(Path(folder) / "s", study="qs-1", title=title, centre=centre)
        study = load_study(Path(folder) / "s")
    assert (study.name, study.title, study.contract) == ("qs-1", title, "2")
    larch = study.centres["larch"]
    assert (larch.title, larch.zone, larch.altitude_m) == (
        centre_title, ZoneInfo("Australia/Brisbane"), -12.5)  # fmt: skip
    assert list(study.devices) == ["set-9"]


def test_a_height_that_nobody_said_is_not_made_up(tmp_path: Path) -> None:
    begun = begin_study(tmp_path, study="s", title="", centre=NewCentre("larch"))
    assert begun.centres["larch"].altitude_m is None and begun.title == "s"
    assert (tmp_path / "deliveries" / "larch").is_dir()


@pytest.mark.parametrize(
    ("study", "centre", "said"),
    [
        ("s s", NewCentre("larch"), 'study is "s s"'),
        ("s", NewCentre("a/b"), 'The code of the centre is "a/b"'),
        ("s", NewCentre("../x"), 'The code of the centre is "../x"'),
        ("s", NewCentre("larch", time_zone="Mars/North"), "no IANA time zone"),
        ("s", NewCentre("larch", altitude_m=9000), "altitude_m is 9000"),
        ("s", NewCentre("overview"), "no centre can be called overview"),
    ],
)
def test_what_cannot_stand_leaves_nothing_behind(
    tmp_path: Path, study: str, centre: NewCentre, said: str
) -> None:
    with pytest.raises(StudyError, match=said.replace(".", r"\.")):
        begin_study(tmp_path / "new", study=study, title="", centre=centre)
    assert not (tmp_path / "new").exists() and files(tmp_path) == []
    begun = begin_study(tmp_path / "old", study="s", title="", centre=NewCentre("rowan"))
    before = files(tmp_path)
    if study == "s":
        with pytest.raises(StudyError, match=said.replace(".", r"\.")):
            begin_centre(begun, centre)
    assert files(tmp_path) == before


def test_nothing_that_is_there_is_written_over(tmp_path: Path) -> None:
    (tmp_path / ".gitignore").write_text("mine\n", encoding="utf-8")
    begun = begin_study(tmp_path, study="s", title="", centre=NewCentre("larch"))
    before = {name: (tmp_path / name).read_bytes() for name in files(tmp_path)}
    with pytest.raises(StudyError, match="is a study already"):
        begin_study(tmp_path, study="t", title="", centre=NewCentre("sedge"))
    with pytest.raises(StudyError, match="larch is a centre of this study already"):
        begin_centre(begun, NewCentre("larch"))
    assert before[".gitignore"] == b"mine\n"
    assert {name: (tmp_path / name).read_bytes() for name in files(tmp_path)} == before
    assert set(begin_centre(begun, NewCentre("sedge")).centres) == {"larch", "sedge"}
