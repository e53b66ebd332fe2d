"""A list by someone who had not seen the code: nine in ten found, one in a hundred refused.

The code was then mended by what it missed here, so the bars say that it stays as good, and not
how it does on a list that it has never seen.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from benchmarks.identifiers import figures_of

LIST: dict[str, list[dict[str, Any]]] = json.loads(
    (Path(__file__).parents[1] / "second_hand" / "identifiers.json").read_text(encoding="utf-8")
)


def test_the_list_is_long_enough() -> None:
    assert len(LIST["identifiers"]) >= 500 and len(LIST["harmless"]) >= 500


def test_nine_in_ten_are_found() -> None:
    figures = figures_of(LIST["identifiers"])
    assert figures.share >= 0.9, figures.texts_left


@pytest.mark.parametrize("where", ["cell", "heading", "code"])
def test_nine_in_ten_are_found_wherever_they_stand(where: str) -> None:
    figures = figures_of([e for e in LIST["identifiers"] if e["where"] == where])
    assert figures.share >= 0.9, figures.texts_left


def test_one_harmless_text_in_a_hundred_is_refused_at_most() -> None:
    figures = figures_of(LIST["harmless"])
    assert figures.share <= 0.01, figures.texts_taken
