"""Queries at the desk: a centre answers its own, and nothing is said of a person."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from quietsleep.review.answers import list_queries
from quietsleep.server.access import Tokens
from quietsleep.study.study import load_study
from tests.server.conftest import Visitor, desk_app
from tests.server.running import running


@pytest.fixture
def study(small_night: tuple[Path, object], tmp_path: Path) -> Path:
    """The small study after its night."""
    shutil.copytree(small_night[0], tmp_path / "study", symlinks=True)
    return tmp_path / "study"


def test_a_centre_sees_and_answers_its_own_queries_alone(study: Path) -> None:
    rows = list_queries(load_study(study))
    asked = rows[rows["centre"].notna() & (rows["state"] == "open")]
    assert len(asked)
    register = study / "register.jsonl"
    before = register.read_bytes()
    with running(desk_app(study)) as address:
        for row in asked.to_dict("records"):
            number, centre = str(row["query"]), row["centre"]
            other = next(c for c in load_study(study).centres if c != centre)
            stranger = Visitor(address, Tokens(study).issue(other), other)
            said = {"words": "Seen.", "by": "r7", "new_reader": "yes"}
            assert stranger.post(f"queries/{number}", **said).status_code == 404
            page = stranger.client.get(f"/-/desk/{other}/queries/").text
            assert f'id="q{number}"' not in page
        assert register.read_bytes() == before
        owner = Visitor(address, Tokens(study).issue(centre), centre)
        for words in ("", "Anna Schmidt was there."):
            answer = owner.post(f"queries/{number}", **(said | {"words": words}))
            assert answer.status_code == 422 and 'role="alert"' in answer.text
        assert register.read_bytes() == before
        for wrong in ("0", "99999", "x"):
            assert owner.post(f"queries/{wrong}", **said).status_code == 404
        assert owner.post(f"queries/{number}", **said).status_code == 303
    rows = list_queries(load_study(study))
    assert rows[rows["query"] == int(number)].iloc[0]["answer"] == "Seen."
