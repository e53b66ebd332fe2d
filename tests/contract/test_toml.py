"""The one reader of toml: each mistake in a value of each kind has its sentence, and its place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from pathlib import Path
from typing import Annotated, Literal

import pytest
from pydantic.dataclasses import dataclass

from quietsleep.contract import toml
from quietsleep.contract.toml import CONFIG, Code, Day, Number, Text, Whole, YesNo, between
from quietsleep.errors import QuietsleepError


class WrongError(QuietsleepError):
    """A mistake in a file of this test."""


@dataclass(frozen=True, config=CONFIG)
class Part:
    name: Text
    weight: Annotated[Number, between(0, 5)] = 1.0


@dataclass(frozen=True, config=CONFIG, kw_only=True)
class Box:
    owner: str
    code: Code
    kind: Literal["small", "large", "\t"] = "small"
    count: Whole = 1
    sound: YesNo = True
    since: Day | None = None
    words: tuple[Text, ...] = ()
    parts: tuple[Part, ...] = ()
    best: Part | None = None
    settings: Mapping[str, Number] = field(default_factory=dict)
    shares: Mapping[Literal["left", "right"], Number] = field(default_factory=dict)


SENTENCES = {
    "": "code is missing.",
    'cude = "a"': "code is missing; is cude meant?",
    'code = "a b"': 'code is "a b"; use letters, digits, hyphen, underscore and point only.',
    "code = 3": "code is 3; it must be a text in quotes.",
    'code = " "': 'code is " "; it must be a text in quotes, not empty.',
    'code = "a"\nkind = "lrge"': 'kind is "lrge"; is large meant?',
    'code = "a"\nkind = "x"': r'kind is "x"; it may be: small, large, \t.',
    'code = "a"\nkind = 1': "kind is 1; it must be a text in quotes.",
    'code = "a"\ncount = 1.5': "count is 1.5; it must be a whole number, unquoted.",
    'code = "a"\nsound = 1': "sound is 1; it must be true or false.",
    'code = "a"\nsince = 2026-01-31T10:00:00': "since is 2026-01-31 10:00:00; it must be a date "
    "such as 2026-01-31, unquoted.",
    'code = "a"\nwords = "b"': 'words is "b"; it must be a list in brackets.',
    'code = "a"\nwords = ["b", 2]': "words 2 is 2; it must be a text in quotes.",
    'code = "a"\nwords = [{name = "b"}]': "words 1 is {'name': 'b'}; it must be a text in quotes.",
    'code = "a"\n[parts]\nname = "b"': "write each of parts as [[parts]].",
    'code = "a"\nparts = [1]': "write each of parts as [[parts]].",
    'code = "a"\nbest = 1': "write best as a table, [best].",
    'code = "a"\nsettings = 1': "write settings as a table, [settings].",
    'code = "a"\nshade = 1': "shade is not known here; is shares meant?",
    'code = "a"\nowner = "b"': "owner is not known here; it may be: best, code, count, kind, "
    "parts, settings, shares, since, sound, words.",
}
PLACED = {
    'code = "a"\n[[parts]]\nname = "b"\n[[parts]]\nname = "c"\nweight = 7': ", parts 2 (c): "
    "weight is 7; it must lie between 0 and 5.",
    'code = "a"\n[[parts]]\nweigth = 7\nname = "c"': ", parts 1 (c): weigth is not known here; is "
    "weight meant?",
    'code = "a"\n[[parts]]\nweight = 7': ", parts 1: name is missing.",
    'code = "a"\n[best]\nweight = 1': ", [best]: name is missing.",
    'code = "a"\n[best]\nname = "b"\nweight = nan': ", [best]: weight is nan; it must be a finite "
    "number.",
    'code = "a"\n[settings]\nx = true': ", [settings]: x is true; it must be a number, unquoted.",
    'code = "a"\n[shares]\nrihgt = 1': ", [shares]: rihgt is not known here; is right meant?",
}


@pytest.mark.parametrize("text", [*SENTENCES, *PLACED])
def test_each_mistake_has_its_place_and_its_sentence(tmp_path: Path, text: str) -> None:
    (tmp_path / "file.toml").write_text(text, encoding="utf-8")
    with pytest.raises(WrongError) as caught:
        toml.read(tmp_path, "file.toml", WrongError).build(Box, owner="a test")
    said = f": {SENTENCES[text]}" if text in SENTENCES else PLACED[text]
    assert str(caught.value) == f"file.toml{said}"


def test_what_is_no_toml_at_all(tmp_path: Path) -> None:
    texts = {b"a = ": "not valid TOML", b"\xff": "not UTF-8", b"a = 1" + 5000 * b"0": "not valid"}
    for content, words in texts.items():
        (tmp_path / "file.toml").write_bytes(content)
        with pytest.raises(WrongError, match=rf"^file\.toml: the file is {words}"):
            toml.read(tmp_path, "file.toml", WrongError)
    with pytest.raises(WrongError, match=r"other\.toml: the file cannot be read \(No such file"):
        toml.read(tmp_path, "other.toml", WrongError)


def test_a_long_value_is_cut_short() -> None:
    assert len(toml.shown("x" * 500)) == 80
