"""Attacks on the study register: each ends in a sentence, tonight and every night after.

The attacker can write into the study folder and has no key. What only someone with the key could do
is out of scope, but for one thing: this machine remembers how far it saw the register go.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import pytest

from quietsleep.errors import QuietsleepError, in_words
from quietsleep.measure.pool import in_process
from quietsleep.night import stages
from quietsleep.night.doctor import examine
from quietsleep.night.stages import run_night
from quietsleep.review.registrar import look_at_register, say_meant
from quietsleep.study.begin import NewCentre, begin_study
from quietsleep.study.register import Register, RegisterError, RegisterHead, bodies_as_they_lie
from quietsleep.study.register_file import LONGEST_LINE
from quietsleep.study.register_key import KEY_VARIABLE, KeyMissing, make_key
from quietsleep.study.register_witness import forget, remembered
from quietsleep.study.study import load_study
from quietsleep.warehouse.current import current_night, night_facts
from quietsleep.warehouse.registered import open_register
from tests.conftest import answers_stand

FILE = "register.jsonl"


def opened(folder: Path, *heads: RegisterHead) -> Register:
    (folder / "study").mkdir(exist_ok=True)
    study = folder / "study"
    return Register(study, study / "work", study="invented", key_path=folder / "key", heads=heads)


@pytest.fixture
def register(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Register:
    """A register of four entries, one of them a withdrawal."""
    monkeypatch.setenv(KEY_VARIABLE, str(tmp_path / "own" / "key"))
    made = opened(tmp_path)
    made.append("answer", {"query": 1, "words": "Seen."})
    made.append("withdrawal", {"centre": "larch", "infants": ["i1"]})
    made.append("answer", {"query": 2, "words": "\u0416\u2028\U0001f642"})
    return made


def test_cut_at_any_byte_it_is_found_out_and_mended(tmp_path: Path, register: Register) -> None:
    whole = register.path.read_bytes()
    for length in range(len(whole)):
        register.path.write_bytes(whole[:length])
        register.kept.write_bytes(whole)
        assert "is shorter than it was" in opened(tmp_path).broken, length
        if length % 50 == 0:
            assert opened(tmp_path).mend() is not None
            assert register.path.read_bytes() == whole


def test_with_both_files_cut_at_any_line_it_is_found_out_before_any_night(
    tmp_path: Path, register: Register
) -> None:
    whole = register.path.read_bytes()
    ends = [0, *(place + 1 for place, byte in enumerate(whole) if byte == ord("\n"))][:-1]
    for end in [*ends, *(end + 20 for end in ends)]:
        for path in (register.path, register.kept):
            path.write_bytes(whole[:end])
        for _ in range(3):
            found = opened(tmp_path)
            assert "and this machine knew 4" in found.broken, end
            with pytest.raises(RegisterError, match="is shorter"):
                found.append("answer", {"query": 3})
        with pytest.raises(RegisterError, match="backup"):
            found.mend()


def test_with_both_files_gone_nothing_begins_anew_in_silence(
    tmp_path: Path, register: Register
) -> None:
    for path in (register.path, register.kept):
        path.unlink()
    for _ in range(3):
        assert "has 0 entries, and this machine knew 4" in opened(tmp_path).broken
        assert not register.path.exists()


def test_any_byte_changed_is_found_out(tmp_path: Path, register: Register) -> None:
    whole = register.path.read_bytes()
    for place in range(len(whole)):
        for byte in (0xFF, whole[place] ^ 0x01):
            register.path.write_bytes(whole[:place] + bytes([byte]) + whole[place + 1 :])
            register.kept.write_bytes(whole)
            try:
                said = opened(tmp_path).broken
            except KeyMissing as error:  # the name of the key, in the first entry
                said = str(error)
            assert said, (place, byte)


def hostile_lines(line: dict[str, Any]) -> dict[str, bytes]:
    def said(**changed: Any) -> bytes:
        return json.dumps(line | changed, separators=(",", ":"), sort_keys=True).encode() + b"\n"

    return {
        "half a sign": said(body={"words": "\ud800"}),
        "bytes that are no text": said().replace(b"Seen", b"\xff\xfe\xfd\xfc"),
        "very deep": b'{"at":' + b"[" * 200_000 + b"\n",
        "number of a million figures": said().replace(b'"query":1', b'"query":' + b"9" * 10**6),
        "body of another kind": said(body=["a", "list"]),
        "number that is a word": said(entry="two"),
        "sealed with no key": said(seal="0" * 64),
        "seal of the one before": said(seal=""),
        "two seals": said().replace(b"}\n", b',"seal":"' + b"1" * 64 + b'"}\n'),
        "nothing": b"\n",
        "zeros": b"\0" * 5000 + b"\n",
    }


@pytest.mark.parametrize("name", hostile_lines({"body": {}, "entry": 2, "seal": ""}))
def test_a_line_of_another_hand_is_found_out_and_breaks_nothing(
    tmp_path: Path, register: Register, name: str
) -> None:
    lines = register.path.read_bytes().splitlines(keepends=True)
    lines[1] = hostile_lines(json.loads(lines[1]))[name]
    register.path.write_bytes(b"".join(lines))
    for _ in range(2):
        assert "entry 2 is not as it was" in opened(tmp_path).broken
    assert [*bodies_as_they_lie(tmp_path / "study", "answer")][-1]["query"] == 2
    found = opened(tmp_path)
    found.seal_anew(by="r1", reason="Even that can be sealed anew.")
    assert opened(tmp_path).broken == ""


def test_a_line_without_end_is_read_no_further_than_an_entry_can_be(
    tmp_path: Path, register: Register, monkeypatch: pytest.MonkeyPatch
) -> None:
    with register.path.open("r+b") as file:
        file.truncate(4 * 1024**3)  # four gigabytes of zeros, without an end
    read: list[int] = []

    class Counted(json.JSONDecoder):
        def decode(self, s: str, *given: Any) -> Any:
            read.append(len(s))
            return super().decode(s, *given)

    monkeypatch.setattr(json, "_default_decoder", Counted())
    assert "entry 5 is not as it was" in opened(tmp_path).broken
    assert len([*bodies_as_they_lie(tmp_path / "study", "answer")]) == 2
    assert max(read) < LONGEST_LINE
    # An entry that could never be read again is never written.
    register.path.write_bytes(register.kept.read_bytes())
    with pytest.raises(RegisterError, match=f"cannot be longer than {LONGEST_LINE // 1024**2} MB"):
        opened(tmp_path).append("answer", {"words": "x" * LONGEST_LINE})
    assert opened(tmp_path).broken == "" and len(opened(tmp_path).entries) == 4


def folder(path: Path, _: Path) -> None:
    path.mkdir()


def full_folder(path: Path, _: Path) -> None:
    path.mkdir()
    (path / "entry").write_text("x")


def link(path: Path, same: Path) -> None:
    path.symlink_to(same)


def link_to_nothing(path: Path, same: Path) -> None:
    path.symlink_to(same.with_name("not there"))


def link_to_itself(path: Path, _: Path) -> None:
    path.symlink_to(path)


def endless_device(path: Path, _: Path) -> None:
    path.symlink_to("/dev/zero")


def pipe(path: Path, _: Path) -> None:
    os.mkfifo(path)


REPLACED = (folder, full_folder, link, link_to_nothing, link_to_itself, endless_device, pipe)


@pytest.mark.parametrize("replace", REPLACED, ids=lambda r: r.__name__)
def test_what_is_no_plain_file_is_neither_followed_nor_waited_for(
    tmp_path: Path, register: Register, replace: Callable[[Path, Path], None]
) -> None:
    whole, elsewhere = register.path.read_bytes(), tmp_path / "of another"
    elsewhere.write_bytes(whole)
    register.path.unlink()
    replace(register.path, elsewhere)
    for _ in range(2):
        found = opened(tmp_path)
        assert "is no plain file but a link, a folder or a pipe" in found.broken
        assert [*bodies_as_they_lie(tmp_path / "study", "answer")] == []
    with pytest.raises(RegisterError, match="no plain file"):
        register.append("answer", {"query": 9})
    assert opened(tmp_path).mend() is not None
    assert register.path.read_bytes() == whole and not register.path.is_symlink()
    assert elsewhere.read_bytes() == whole and not (tmp_path / "not there").exists()


@pytest.mark.parametrize("replace", REPLACED, ids=lambda r: r.__name__)
def test_a_copy_that_is_no_plain_file_is_made_anew(
    tmp_path: Path, register: Register, replace: Callable[[Path, Path], None]
) -> None:
    whole, elsewhere = register.path.read_bytes(), tmp_path / "of another"
    elsewhere.write_bytes(b"")
    register.kept.unlink()
    replace(register.kept, elsewhere)
    assert opened(tmp_path).broken == ""
    assert register.kept.read_bytes() == whole and not register.kept.is_symlink()
    assert elsewhere.read_bytes() == b""


def test_a_link_where_it_is_written_anew_leads_nowhere(tmp_path: Path, register: Register) -> None:
    other = tmp_path / "of another"
    other.write_text("untouched")
    whole = register.path.read_bytes()
    register.path.write_bytes(whole[:-30])
    register.path.with_name(f"{FILE}.new").symlink_to(other)
    opened(tmp_path).mend()
    assert other.read_text() == "untouched" and register.path.read_bytes() == whole


def test_a_closed_register_is_said_and_not_begun_anew(
    tmp_path: Path, register: Register, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.open

    def closed(path: Any, *given: Any, **named: Any) -> int:
        if Path(os.fspath(path)).name == FILE:
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return real(path, *given, **named)

    whole = register.path.read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr(os, "open", closed)
        for _ in range(2):
            with pytest.raises(PermissionError) as caught:
                opened(tmp_path)
            assert "may not be opened: permission denied" in in_words(caught.value)
    assert register.path.read_bytes() == whole and opened(tmp_path).broken == ""


def test_two_registers_opened_at_once_follow_each_other(tmp_path: Path, register: Register) -> None:
    other = opened(tmp_path)
    for number in range(10, 20):
        (register if number % 2 else other).append("answer", {"query": number})
    again = opened(tmp_path)
    assert again.broken == "" and len(again.entries) == 14
    assert [e.body["query"] for e in again.of("answer")][-10:] == [*range(10, 20)]
    assert remembered(tmp_path / "study") == (14, again.head.seal)


def test_the_key_of_another_study_seals_nothing_here(tmp_path: Path, register: Register) -> None:
    (tmp_path / "key").unlink()
    make_key(tmp_path / "key")
    for _ in range(3):
        with pytest.raises(KeyMissing, match="not the one that sealed this study register"):
            opened(tmp_path)


# --- whole nights: a study of one centre, which delivers nothing


@dataclass(frozen=True)
class Target:
    """A study with a published night and an answer after it, and a backup of before."""

    path: Path
    backup: Path

    def register(self) -> Register:
        return open_register(load_study(self.path))


@pytest.fixture(scope="module")
def of_one_night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with such a study after its first night, and with the user's settings."""
    place = tmp_path_factory.mktemp("one")
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv(KEY_VARIABLE)
        patch.setenv("XDG_CONFIG_HOME", str(place / "settings"))
        answers_stand(patch)
        patch.setattr(stages, "write_site", lambda *given: None)
        begin_study(place / "study", study="invented", title="Invented", centre=NewCentre("larch"))
        assert run_night(place / "study", pool=in_process).published
    return place


@pytest.fixture
def target(of_one_night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Target:
    monkeypatch.delenv(KEY_VARIABLE)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    monkeypatch.setattr(stages, "write_site", lambda *given: None)
    found = Target(tmp_path / "study", tmp_path / "backup")
    for place in (found.path, found.backup):
        shutil.copytree(of_one_night / "study", place, symlinks=True)
    shutil.copytree(of_one_night / "settings", tmp_path / "settings")
    found.register().append("answer", {"query": 1, "by": "r1", "words": "Seen.", "close": False})
    return found


def cut(target: Target) -> None:
    """The register and its copy without their last line; the state is gone."""
    for path in (target.path / FILE, target.path / "work" / "register" / FILE):
        lines = path.read_bytes().splitlines(keepends=True)
        path.write_bytes(b"".join(lines[:-1]))
    (target.path / "work" / "state.duckdb").unlink()


def put_back_whole(target: Target) -> None:
    """The whole study folder as it was before: register, copy, state and nights agree."""
    shutil.rmtree(target.path)
    shutil.copytree(target.backup, target.path, symlinks=True)


def rewritten_by_another_key(target: Target) -> None:
    """Everything sealed anew by a key of the attacker's, which study.toml then names."""
    key = target.path.parent / "of the attacker"
    make_key(key)
    bodies = [*bodies_as_they_lie(target.path, "published")]
    for path in (target.path / FILE, target.path / "work" / "register" / FILE):
        path.unlink()
    aside = target.path.parent / "aside"
    aside.mkdir()
    forged = Register(aside, aside / "work", study="invented", key_path=key)
    forged.append_all([("published", body) for body in bodies])
    for place in (target.path / FILE, target.path / "work" / "register" / FILE):
        shutil.copyfile(forged.path, place)
    with (target.path / "study.toml").open("a", encoding="utf-8") as file:
        file.write(f'\n[register]\nkey = "{key}"\n')
    night = current_night(target.path)
    facts = night_facts(night) | {"register": forged.head.as_said()}
    (night / "NIGHT.json").write_text(json.dumps(facts), encoding="utf-8")
    with closing(duckdb.connect(target.path / "work" / "state.duckdb")) as state:
        head = forged.head
        state.execute("UPDATE register_head SET entries = ?, seal = ?", [head.entries, head.seal])


def nothing_but_deliveries(target: Target) -> None:
    """All that remembers anything inside the study folder is gone."""
    for name in ("work", "warehouse"):
        shutil.rmtree(target.path / name)
    (target.path / FILE).unlink()


def made_a_folder(target: Target) -> None:
    (target.path / FILE).unlink()
    (target.path / FILE).mkdir()


def made_a_pipe(target: Target) -> None:
    (target.path / FILE).unlink()
    os.mkfifo(target.path / FILE)


ATTACKS = (
    cut, put_back_whole, rewritten_by_another_key, nothing_but_deliveries, made_a_folder,
    made_a_pipe,
)  # fmt: skip


@pytest.mark.parametrize("attack", ATTACKS, ids=lambda a: a.__name__)
def test_no_night_publishes_from_it_and_every_night_says_so(
    target: Target, attack: Callable[[Target], None]
) -> None:
    attack(target)
    before: Path | None = None
    with suppress(QuietsleepError):
        before = current_night(target.path)
    for _ in range(3):
        night = run_night(target.path, pool=in_process)
        assert night.state == "red" and not night.published and not night.idle
        assert night.sentences[0].startswith("The study register (register.jsonl) ")
        assert "Nothing is published until" in night.sentences[0]
    if before is None:
        with pytest.raises(QuietsleepError):
            current_night(target.path)
    else:
        assert current_night(target.path) == before
    study = load_study(target.path)
    assert any("study register" in finding.sentence for finding in examine(study))
    with pytest.raises(RegisterError, match="study register"):
        look_at_register(study)


def test_before_the_first_publication_a_withdrawal_cannot_be_cut_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(KEY_VARIABLE)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))
    study = begin_study(
        tmp_path / "study", study="invented", title="Invented", centre=NewCentre("larch")
    )
    register = open_register(study)
    short = register.path.read_bytes()
    register.append("answer", {"query": 1, "by": "r1", "words": "Seen.", "close": False})
    for path in (register.path, register.kept):
        path.write_bytes(short)
    for _ in range(3):
        night = run_night(study.path, pool=in_process)
        assert night.state == "red" and not night.published
        assert "it has 1 entries, and this machine knew 2" in night.sentences[0]


def test_a_person_can_say_that_an_older_register_is_meant(target: Target) -> None:
    put_back_whole(target)
    assert run_night(target.path, pool=in_process).state == "red"
    say_meant(load_study(target.path), by="r1", reason="The disk was lost on Monday.")
    night = run_night(target.path, pool=in_process)
    assert night.published and target.register().broken == ""


def test_another_machine_has_the_nights_and_the_copy_alone(target: Target) -> None:
    forget(target.path)
    assert target.register().broken == ""
    assert remembered(target.path) is not None, "from now on it remembers"
