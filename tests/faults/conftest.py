"""Very small studies, made once: untouched, after a first night, and as they end undisturbed."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.faults.nights import SECOND, Nights, content, copy_of, pages, write_micro_study
from tests.shared import made_once


@dataclass(frozen=True, slots=True)
class Course:
    """A study whose second delivery has just come, and how an undisturbed night leaves it.

    `after` was copied before that night, so the night knew the first delivery by another path.
    """

    before: Path
    after: Path
    measured: int
    steps: list[str]
    content: dict[str, str]
    pages: set[str]


@pytest.fixture(scope="session")
def nights() -> Iterator[Nights]:
    served = Nights()
    yield served
    served.close()


@pytest.fixture(scope="session")
def micro(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two deliveries of two centres, before any night; do not change it."""
    return made_once(tmp_path_factory, "micro", write_micro_study)[0]


@pytest.fixture(scope="session")
def course(micro: Path, nights: Nights, tmp_path_factory: pytest.TempPathFactory) -> Course:
    """A second delivery that has just come, and an undisturbed night on it; do not change it."""
    return made_once(tmp_path_factory, "course", lambda folder: make_course(micro, nights, folder))[
        1
    ]


def make_course(micro: Path, nights: Nights, folder: Path) -> Course:
    """Publish a night on the first delivery, let the second come, and run the next undisturbed."""
    before = folder / "before"
    shutil.copytree(micro, before, ignore=lambda _, names: [SECOND] if SECOND in names else [])
    nights.run(before)  # amber: the second centre is silent
    shutil.copytree(micro / "deliveries" / SECOND, before / "deliveries" / SECOND)
    undisturbed = copy_of(before, folder / "undisturbed")
    night = ended(nights.run(undisturbed))
    told = content(undisturbed), pages(undisturbed)
    return Course(before, undisturbed, night["measured"], night["names"], *told)


def ended(answer: dict[str, Any]) -> dict[str, Any]:
    """Make sure that a night ended as a healthy one does."""
    answer_in_short = {name: said for name, said in answer.items() if name != "names"}
    assert answer.get("state") == "green", answer_in_short
    assert answer["published"] != answer["idle"], answer_in_short
    return answer
