"""Every test that SECURITY.md names is there, so that no promise rests on a name alone."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "SECURITY.md").read_text(encoding="utf-8")
NAMED = sorted(set(re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", PAGE)))


def test_names_are_read_and_each_promise_has_one() -> None:
    promises = PAGE.partition("## Promises")[2].partition("## Out of scope")[0]
    paragraphs = [text for text in promises.split("\n\n") if text.startswith("**")]
    assert len(paragraphs) >= 10 and len(NAMED) > 30
    for text in paragraphs:
        assert re.search(r"`tests/[\w/]+\.py", text), text[:40]


@pytest.mark.parametrize(("file", "name"), NAMED, ids=[f"{f}::{n}" for f, n in NAMED])
def test_what_holds_a_promise_is_there(file: str, name: str) -> None:
    path = ROOT / file
    assert path.is_file(), f"SECURITY.md names {file}, which is not there"
    tree = ast.parse(path.read_text(encoding="utf-8"))
    tests = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
    assert any(test.startswith("test_") for test in tests), f"{file} holds no test"
    assert not name or name in tests, f"{file} has no {name}"
