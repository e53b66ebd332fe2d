"""A delivery judged before it is sent is judged as the night will, and leaves nothing behind."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from quietsleep.cli.main import app
from quietsleep.intake.seal import seal_delivery
from quietsleep.measure.pool import InProcess, in_process
from quietsleep.night.night import NightReport
from quietsleep.night.stages import run_night
from quietsleep.night.trial_run import trial_night
from quietsleep.study.study import load_study
from quietsleep.warehouse.database import open_current, open_night

CENTRE = "larch"
VERDICTS = (
    "SELECT session, technique, item, rule, state, observed FROM verdicts "
    "WHERE session IN (SELECT session FROM sessions WHERE delivery = 'larch-01') ORDER BY ALL"
)


def tree(folder: Path) -> dict[str, str]:
    """Digest of every file of a study, links not followed."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != "register.lock"
    }


def test_verdicts_are_those_of_the_night_and_nothing_is_touched(
    small_night: tuple[Path, NightReport], study_after: Path, tmp_path: Path
) -> None:
    study, before = load_study(study_after), tree(study_after)
    delivery = study_after / "deliveries" / CENTRE / "larch-01"
    with trial_night(study, InProcess(), centre=CENTRE, deliveries=[delivery]) as night:
        aside = night
        with open_night(night) as warehouse:
            judged = warehouse.execute(VERDICTS).fetchall()
            assert warehouse.execute("SELECT DISTINCT delivery FROM sessions").fetchall() == [
                ("larch-01",)
            ]
    assert not aside.exists() and tree(study_after) == before
    with open_current(study_after) as warehouse:
        published = warehouse.execute(VERDICTS).fetchall()
    assert len(judged) > 100 and judged == published


def test_check_says_what_would_be_rejected_and_why(study_after: Path) -> None:
    with open_current(study_after) as warehouse:
        centre, name = warehouse.execute(
            "SELECT centre, delivery FROM tests JOIN sessions USING (centre, session) "
            "WHERE tests.status = 'rejected' GROUP BY ALL "
            "ORDER BY count(*) DESC, centre, delivery LIMIT 1"
        ).fetchone() or ("", "")
        of_it = f"session IN (SELECT session FROM sessions WHERE delivery = '{name}')"
        counts = dict(
            warehouse.execute(
                f"SELECT status, count(*) FROM tests WHERE {of_it} GROUP BY status"
            ).fetchall()
        )
        sentences = warehouse.execute(
            f"SELECT DISTINCT remedy FROM rejections WHERE severity = 'reject' AND {of_it}"
        ).fetchall()
    folder = study_after / "deliveries" / centre
    delivery = next(path for path in folder.iterdir() if path.name.removesuffix(".zip") == name)
    words = ["check", str(delivery), "--study", str(study_after)]
    said = CliRunner().invoke(app, words).output
    assert counts["rejected"]
    assert all(f"{n} {status.replace('_', ' ')}" in said for status, n in counts.items())
    plain = " ".join(said.split())
    assert sentences and all(" ".join(str(remedy).split()) in plain for (remedy,) in sentences)
    assert "Judged" not in CliRunner().invoke(app, [*words, "--no-judge"]).output


def test_centre_with_its_own_file_alone_can_check(study_after: Path, tmp_path: Path) -> None:
    """What a laboratory has: study.toml, its centre file, its delivery; no state, no register."""
    own = tmp_path / "own"
    (own / "centres").mkdir(parents=True)
    (own / "study.toml").write_bytes((study_after / "study.toml").read_bytes())
    (own / "centres" / f"{CENTRE}.toml").write_bytes(
        (study_after / "centres" / f"{CENTRE}.toml").read_bytes()
    )
    (study_after / "deliveries" / CENTRE / "larch-01").rename(tmp_path / "larch-01")
    before = tree(own)
    result = CliRunner().invoke(app, ["check", str(tmp_path / "larch-01"), "--study", str(own)])
    assert "Judged by what is in this delivery alone" in result.output, result.output
    assert tree(own) == before


@pytest.mark.parametrize("zipped", [True, False])
def test_what_is_wrong_with_a_delivery_is_still_an_exit_code(
    study_after: Path, zipped: bool, tmp_path: Path
) -> None:
    words = ["check", str(tmp_path / f"nothing{'.zip' * zipped}"), "--study", str(study_after)]
    assert CliRunner().invoke(app, words).exit_code == 1


def test_columns_that_are_not_read_are_said_and_nothing_to_mend(
    study_after: Path, tmp_path: Path
) -> None:
    """Extra columns are no reason to end with 1 for ever, nor a part that is held."""
    folder = tmp_path / "larch-09"
    shutil.copytree(study_after / "deliveries" / CENTRE / "larch-01", folder)
    for place, cells in ((folder / "sessions.csv", (",room", ",3")),
                         (next(folder.rglob("*tid1.csv")), (";temp", ";1"))):  # fmt: skip
        head, *rows = place.read_text(encoding="utf-8").splitlines()
        text = "\n".join([head + cells[0], *(row + cells[1] for row in rows)]) + "\n"
        place.write_text(text, encoding="utf-8")
    seal_delivery(folder, centre=CENTRE, delivery=folder.name)
    words = ["check", str(folder), "--study", str(study_after), "--no-judge"]
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 0, result.output
    assert "ready to be sent. To know:" in result.output and "column room" in result.output
    assert "the column temp is not registered" in result.output
    shutil.move(folder, study_after / "deliveries" / CENTRE / folder.name)
    run_night(study_after, pool=in_process)
    with open_current(study_after) as warehouse:
        sql = "SELECT kind, item FROM queries WHERE state = 'open' AND kind IN (?, ?) ORDER BY ALL"
        asked = warehouse.execute(sql, ["column_unread", "delivery_in_part"]).fetchall()
    assert asked == [("column_unread", "room"), ("column_unread", "temp")]
