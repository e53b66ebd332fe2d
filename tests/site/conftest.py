"""The demo night with its pages, and nights edited from it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from quietsleep.night.night import NightReport
from quietsleep.warehouse.current import current_night
from tests.site.nights import CopiedTraces, EditedNight, WrittenNight, copy_of, nasty, read_night


@pytest.fixture(scope="session")
def demo(demo_night: tuple[Path, NightReport]) -> WrittenNight:
    """The demo night as it was published, with the pages that it wrote; do not change it."""
    night = read_night(demo_night[0])
    return WrittenNight(night.study, current_night(demo_night[0]), night)


@pytest.fixture
def edited(demo: WrittenNight) -> EditedNight:
    """The rows of the demo night, to be changed and published anew."""
    return copy_of(demo.made)


@pytest.fixture
def traces(demo: WrittenNight) -> CopiedTraces:
    """What draws with the traces of the demo night."""
    return CopiedTraces(demo.pages)


@pytest.fixture(scope="session")
def hostile_text() -> str:
    return "<script>window.hacked=1</script>\"'=1+1|\u202egnp.exe\u2066\u200b&lt;"


@pytest.fixture(scope="session")
def hostile(
    demo: WrittenNight, hostile_text: str, tmp_path_factory: pytest.TempPathFactory
) -> WrittenNight:
    """A centre that delivers tags, formulas and right-to-left marks in every text field."""
    night = nasty(copy_of(demo.made).keep(centres=["willow"]), hostile_text)
    without: Callable[[str, int], tuple[str, int]] = lambda recording, index: (  # noqa: E731
        recording.replace(hostile_text, ""), index)  # fmt: skip
    return night.write(tmp_path_factory.mktemp("hostile"), CopiedTraces(demo.pages, without))
