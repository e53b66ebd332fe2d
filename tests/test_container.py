"""The container file: built where a builder answers, else read against what it needs."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from quietsleep.cli.main import COMMANDS

ROOT = Path(__file__).parents[1]
FILE = ROOT / "Containerfile"
KNOWN = {"FROM", "WORKDIR", "COPY", "RUN", "ENV", "USER", "EXPOSE", "HEALTHCHECK", "ENTRYPOINT",
         "CMD"}  # fmt: skip


def instructions() -> Iterator[tuple[str, str]]:
    text = re.sub(r"^\s*#.*\n", "", FILE.read_text(encoding="utf-8"), flags=re.M)
    for line in re.sub(r"\\\n", " ", text).splitlines():
        if line.strip():
            word, _, rest = line.partition(" ")
            yield word, " ".join(rest.split())


def copied() -> list[str]:
    """What is copied from the checkout."""
    of_checkout = [rest for word, rest in instructions() if word == "COPY" and "--from" not in rest]
    return [source for rest in of_checkout for source in rest.split()[:-1]]


def test_it_says_only_what_every_builder_knows() -> None:
    words = [word for word, _ in instructions()]
    assert set(words) == KNOWN and words[0] == "FROM" and words.count("ENTRYPOINT") == 1
    for word, rest in instructions():
        if word in ("ENTRYPOINT", "CMD"):
            assert all(isinstance(part, str) for part in json.loads(rest))


def test_the_service_is_no_root_and_the_images_are_named_by_version() -> None:
    said = [*instructions()]
    last = max(n for n, (word, _) in enumerate(said) if word == "FROM")
    users = [rest for word, rest in said[last:] if word == "USER"]
    assert users == ["night"]
    for word, rest in said:
        if word == "FROM":
            assert re.fullmatch(r"python:3\.\d+-slim( AS \w+)?", rest)


def test_its_words_are_commands_of_the_program() -> None:
    names = {command.__name__.replace("_", "-") for command, _ in COMMANDS}
    for word, rest in instructions():
        if word == "CMD":
            assert json.loads(rest)[0] in names
        if word == "HEALTHCHECK":
            program, command, _ = json.loads(rest.partition("CMD ")[2])
            assert program == "quietsleep" and command in names
    page = (ROOT / "docs" / "container.md").read_text(encoding="utf-8")
    used = re.findall(r"quietsleep \\\n +(\S+)", page)
    assert used == ["init", "desk"] and set(used) <= names


def test_what_is_copied_makes_the_whole_wheel(tmp_path: Path) -> None:
    """The checkout has more; nothing of that may be needed."""
    kept = (ROOT / ".containerignore").read_text(encoding="utf-8").split("\n")
    assert {line[1:] for line in kept if line[:1] == "!"} == set(copied())
    for source in copied():
        place = ROOT / source
        if place.is_dir():
            shutil.copytree(place, tmp_path / source, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(place, tmp_path / source)
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", "out"]
    subprocess.run(command, cwd=tmp_path, check=True, capture_output=True)
    assert len([*(tmp_path / "out").glob("*.whl")]) == 1


def builder() -> str | None:
    """A builder that answers; one without its service is none."""
    for name in ("podman", "docker"):
        if shutil.which(name):
            asked = subprocess.run(
                [name, "info"], capture_output=True, text=True, timeout=60, check=False
            )
            if asked.returncode == 0 and "Cannot connect" not in asked.stdout + asked.stderr:
                return name
    return None


def test_it_is_built_where_a_builder_answers() -> None:
    name = builder()
    if name is None:
        pytest.skip("no builder of images answers here; the file was read instead")
    tag = "quietsleep-test"
    subprocess.run([name, "build", "-q", "-t", tag, "-f", str(FILE), str(ROOT)], check=True)
    said = [name, "run", "--rm", tag, "--version"]
    ended = subprocess.run(said, capture_output=True, text=True, check=True)
    assert ended.stdout.startswith("quietsleep ")
