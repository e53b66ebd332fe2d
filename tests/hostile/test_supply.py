"""What the pipeline stands on: licences at run time, and an audit that cannot fail in silence."""

from __future__ import annotations

import re
from importlib.metadata import PackageNotFoundError, distribution, metadata
from typing import Any

import pytest
from packaging.requirements import Requirement

from benchmarks.audit import verdict

# Released under either of two licences; we take the one named.
CHOSEN = {"text-unidecode": "Artistic License"}
REFUSED = re.compile(r"(?<!L)(?<!Lesser )\bA?GPL|Affero|GNU General Public", re.I)


def needed_at_run_time(*extras_of_ours: str) -> set[str]:
    """Names of everything that is installed because the pipeline, with these extras, needs it."""
    found: set[str] = set()
    todo = [("quietsleep", frozenset(extras_of_ours))]
    while todo:
        name, extras = todo.pop()
        for text in distribution(name).requires or ():
            wanted = Requirement(text)
            marker = wanted.marker
            if marker and not any(marker.evaluate({"extra": e}) for e in ("", *extras)):
                continue
            if (key := wanted.name.lower()) not in found:
                found.add(key)
                todo.append((wanted.name, frozenset(wanted.extras)))
    return found


def licences_of(name: str) -> list[str]:
    data = metadata(name)
    said = [
        (data.get_all(key) or [""])[0].split("\n")[0] for key in ("License-Expression", "License")
    ]
    said += [c for c in data.get_all("Classifier", []) if c.startswith("License ::")]
    return [text for text in said if text.strip() and text.strip() != "License :: OSI Approved"]


@pytest.mark.parametrize("extras", [(), ("cluster",), ("report",)])
def test_no_gpl_or_agpl_at_run_time(extras: tuple[str, ...]) -> None:
    names = needed_at_run_time(*extras)
    assert len(names) > 50 and {"numpy", "duckdb", "prefect"} <= names
    assert ({"distributed", "s3fs"} <= names) == ("cluster" in extras)
    assert ("matplotlib" in names) == ("report" in extras)
    refused = {}
    for name in sorted(names):
        licences = licences_of(name)
        assert licences, f"{name} says nothing of its licence"
        if any(REFUSED.search(text) for text in licences):
            refused[name] = licences
    for name, chosen in CHOSEN.items():
        assert any(chosen in text for text in refused.pop(name, [chosen])), name
    assert not refused


@pytest.mark.parametrize(
    ("text", "is_refused"),
    [
        ("GPL-3.0-or-later", True), ("AGPL-3.0", True), ("GNU General Public License v2", True),
        ("GNU Affero General Public License", True), ("LGPL-2.1", False), ("MIT", False),
        ("GNU Lesser General Public License v3", False), ("BSD-3-Clause", False), ("gplv3", True),
    ],
)  # fmt: skip
def test_which_licences_are_refused(text: str, is_refused: bool) -> None:
    assert bool(REFUSED.search(text)) == is_refused


def test_what_is_optional_stays_optional() -> None:
    """Tools of the tests and of the audit are not pulled in at run time."""
    names = needed_at_run_time()
    assert not names & {"dask", "s3fs", "moto"}
    assert not names & {"pytest", "hypothesis", "neurokit2", "coolprop", "pip-audit", "playwright"}
    with pytest.raises(PackageNotFoundError):
        distribution("there-is-no-such-distribution")


HOLE: dict[str, Any] = {"id": "X-1", "fix_versions": ["2"]}


@pytest.mark.parametrize(
    ("answer", "canary", "code", "words"),
    [
        ([], [], 2, "NOT AUDITED"),
        ([{"name": "a", "version": "1", "vulns": []}], [], 2, "NOT AUDITED"),
        ([], [{"name": "requests", "skip_reason": "not found"}], 2, "NOT AUDITED"),
        ([{"name": "a", "version": "1", "vulns": []}], [{"name": "requests", "version": "2.0.0",
          "vulns": [HOLE]}], 0, "no known hole"),
        ([{"name": "a", "version": "1", "vulns": [HOLE]}], [{"name": "requests",
          "version": "2.0.0", "vulns": [HOLE]}], 1, "a 1: X-1, mended in 2"),
        ([{"name": "a", "skip_reason": "x"}], [{"name": "requests", "version": "2.0.0",
          "vulns": [HOLE]}], 0, "1 could not be looked up"),
    ],
)  # fmt: skip
def test_an_audit_without_an_answer_says_so(
    answer: list[dict[str, Any]], canary: list[dict[str, Any]], code: int, words: str
) -> None:
    found, said = verdict(answer, canary, 3)
    assert found == code and words in said
