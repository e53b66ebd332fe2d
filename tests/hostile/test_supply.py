"""What the pipeline stands on: licences at run time, and an audit that cannot fail in silence."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import PackageNotFoundError, distribution, metadata
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement

from benchmarks.audit import verdict
from benchmarks.planted_secrets import (
    HARMLESS,
    INVENTED,
    Found,
    known_to_git,
    not_looked_at,
    secrets_in,
)

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


ROOT = Path(__file__).parents[2]
PINNED = re.compile(r"([A-Za-z0-9._-]+)(?:\[[^]]*\])?==(\S+)")


def plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def pins() -> dict[str, list[tuple[str, str]]]:
    """Versions of each package of pins.txt, each with the lines that follow it."""
    text = (ROOT / "pins.txt").read_text(encoding="utf-8").replace("\\\n", " ")
    found: dict[str, list[tuple[str, str]]] = {}
    for line in text.splitlines():
        match = PINNED.match(line)
        assert match, f"not a pin: {line[:60]}"
        found.setdefault(plain(match[1]), []).append((match[2], line))
    return found


def test_whoever_installs_by_pins_gets_the_versions_of_the_constraints() -> None:
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    matches = [match for line in lines if (match := PINNED.match(line))]
    constrained = {plain(match[1]): match[2] for match in matches}
    for name, versions in pins().items():
        if name in constrained:  # others are for other systems or versions of Python
            assert {version for version, _ in versions} == {constrained[name]}, name


def test_every_pin_has_hashes_and_what_is_needed_is_pinned() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    wanted = {plain(Requirement(text).name) for text in
              (*project["dependencies"], *extras["report"], *extras["cluster"])}  # fmt: skip
    found = pins()
    assert wanted <= set(found), wanted - set(found)
    for name, versions in found.items():
        for _, line in versions:
            assert re.search(r"--hash=sha256:[0-9a-f]{64}\b", line), f"{name} has no hash"
    text = (ROOT / "pins.txt").read_text(encoding="utf-8")
    assert "://" not in text and "index" not in text, "whence is for who installs to say"


PLANTED = (
    ("aws.py", 'key = "AKIA' + "Q3EGRIVQ7XYZABCD" + '"\n', "AWS Access Key"),
    ("notes.md", "-----BEGIN RSA " + "PRIVATE KEY-----\nMIIE\n", "Private Key"),
    ("mail.toml", 'password = "' + "Xk29vLq0PzR7" + '"\n', "Secret Keyword"),
    ("remote.sh", "git clone https://me:" + "Xk29vLq0PzR7" + "@example.org/x\n", "Basic Auth"),
)


@pytest.mark.parametrize(("name", "text", "kind"), PLANTED)
def test_a_planted_key_is_found_and_not_taken_for_known(
    tmp_path: Path, name: str, text: str, kind: str
) -> None:
    (tmp_path / name).write_text("first line\n" + text, encoding="utf-8")
    found = secrets_in(tmp_path, [name])
    assert any(each.kind.startswith(kind) and each.line == 2 for each in found), found
    assert not_looked_at(found) == found


def test_what_is_known_is_there_and_has_a_reason() -> None:
    known = (*HARMLESS, *INVENTED)
    files = {*known_to_git(ROOT)}
    assert len(files) > 300 and "pyproject.toml" in files
    assert all(reason and file in files for file, _, reason in known)
    file, kind, _ = known[0]
    assert not_looked_at([Found(file, 1, kind), Found(file, 1, "Private Key")]) == [
        Found(file, 1, "Private Key")
    ]
