"""The list of slips stays alive: each one still has its text in the program."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from benchmarks.breakage import Breakage, Stale, all_breakages, copy_program


def test_each_slip_has_its_text_just_once(tmp_path: Path) -> None:
    package = copy_program(tmp_path)

    @cache
    def text(file: str) -> str:
        return (package / file).read_text(encoding="utf-8")

    slips = all_breakages()
    assert len(slips) > 900
    assert all(slip.broken(text(slip.file)) != text(slip.file) for slip in slips)


def test_a_slip_whose_text_is_gone_is_an_error() -> None:
    gone = Breakage("by hand", "gone", "", "signals/gas.py", "a text that is gone", "")
    with pytest.raises(Stale, match=r"holds 0 of"):
        gone.broken("some other text")
