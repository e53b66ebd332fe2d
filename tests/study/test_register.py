"""The study register: what is changed, moved or taken away is found out, and nothing is lost."""

from __future__ import annotations

import json
import multiprocessing
import stat
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from quietsleep.errors import StudyError
from quietsleep.study.register import Register, RegisterError, RegisterHead
from quietsleep.study.register_key import KEY_VARIABLE, KeyMissing, key_path_of, make_key
from quietsleep.study.register_witness import forget
from quietsleep.study.review_log import (
    Review,
    ReviewError,
    reviews_of,
    take_over_old_file,
    write_review,
)

Lines = list[str]
OPENED = Callable[..., Register]


def opened(folder: Path, *heads: RegisterHead, study: str = "invented") -> Register:
    """Open the register of a study in a folder; its key lies beside it."""
    study_path = folder / "study"
    study_path.mkdir(exist_ok=True)
    return Register(
        study_path, study_path / "work", study=study, key_path=folder / "key", heads=heads
    )


@pytest.fixture
def register(tmp_path: Path) -> Register:
    """A register that has begun, with five entries more."""
    made = opened(tmp_path)
    for number in range(1, 6):
        made.append("answer", {"query": number, "words": f"Note\u2028{number}"})
    return made


def test_entries_come_back_as_written(tmp_path: Path, register: Register) -> None:
    again = opened(tmp_path)
    assert again.broken == "" and again.entries == register.entries
    assert [e.number for e in again.entries] == [1, 2, 3, 4, 5, 6]
    assert again.entries[0].kind == "begun" and again.entries[0].body["study"] == "invented"
    assert [e.body["query"] for e in again.of("answer")] == [1, 2, 3, 4, 5]
    assert again.head == register.head and again.mend() is None


def test_key_is_its_owners_alone_and_lies_outside(
    tmp_path: Path, register: Register, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(KEY_VARIABLE)
    key = tmp_path / "key"
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert key.read_text().strip() not in register.path.read_text()
    inside = tmp_path / "study" / "key"
    with pytest.raises(StudyError, match="inside the study folder"):
        key_path_of(tmp_path / "study", "invented", str(inside))
    with pytest.raises(StudyError, match="whole path"):
        key_path_of(tmp_path / "study", "invented", "key")


def test_place_of_the_key_is_said_by_environment_study_or_the_users_settings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(KEY_VARIABLE, "/env/key")
    assert key_path_of(tmp_path, "invented", "/said/key") == Path("/env/key")
    monkeypatch.delenv(KEY_VARIABLE)
    assert key_path_of(tmp_path, "invented", "/said/key") == Path("/said/key")
    monkeypatch.setenv("XDG_CONFIG_HOME", "/settings")
    assert key_path_of(tmp_path, "invented") == Path("/settings/quietsleep/invented.key")


def test_missing_or_other_key_is_said_in_words(tmp_path: Path, register: Register) -> None:
    key = tmp_path / "key"
    kept = key.read_bytes()
    key.unlink()
    with pytest.raises(KeyMissing, match=r"is not at .*Copy it there.*--new-key"):
        opened(tmp_path)
    assert not key.exists(), "a key that is missing is never made anew in silence"
    make_key(key)
    with pytest.raises(KeyMissing, match="not the one that sealed"):
        opened(tmp_path)
    key.write_text("rubbish")
    with pytest.raises(KeyMissing, match="holds no key"):
        opened(tmp_path)
    key.write_bytes(kept)
    assert opened(tmp_path).broken == ""


def test_register_of_another_study_is_not_taken(tmp_path: Path, register: Register) -> None:
    assert "entry 1 is not as it was" in opened(tmp_path, study="other").broken


def changed(line: str, **fields: object) -> str:
    body = json.loads(line) | fields
    return json.dumps(body, sort_keys=True, ensure_ascii=False, separators=(",", ":")) + "\n"


TAMPERED: dict[str, tuple[Callable[[Lines], Lines], str]] = {
    "edited": (lambda s: [*s[:3], changed(s[3], body={"query": 9}), *s[4:]], "entry 4 is not"),
    "edited time": (
        lambda s: [*s[:3], changed(s[3], at="2020-01-01T00:00:00+00:00"), *s[4:]],
        "entry 4 is not",
    ),
    "other kind": (lambda s: [*s[:3], changed(s[3], kind="review"), *s[4:]], "entry 4 is not"),
    "deleted": (lambda s: [*s[:3], *s[4:]], "entry 4 is not"),
    "deleted and numbered anew": (
        lambda s: [*s[:3], *(changed(t, entry=n) for n, t in enumerate(s[4:], start=4))],
        "entry 4 is not",
    ),
    "first deleted": (lambda s: s[1:], "entry 1 is not"),
    "moved": (lambda s: [s[0], s[2], s[1], *s[3:]], "entry 2 is not"),
    "twice": (lambda s: [*s, s[-1]], "entry 7 is not"),
    "no JSON": (lambda s: [*s[:2], "rubbish\n", *s[3:]], "entry 3 is not"),
    "space added": (lambda s: [*s[:2], f" {s[2]}", *s[3:]], "entry 3 is not"),
    "cut short": (lambda s: s[:4], "is shorter than it was: it has 4 entries"),
    "cut within the last line": (lambda s: [*s[:5], s[5][:-20]], "is shorter than it was"),
    "emptied": (lambda s: [], "is shorter than it was: it has 0 entries"),
}


@pytest.mark.parametrize("how", TAMPERED)
def test_tampering_is_found_out_every_time_and_mended(
    tmp_path: Path, register: Register, how: str
) -> None:
    tamper, said = TAMPERED[how]
    before = register.path.read_bytes()
    lines = [f"{line}\n" for line in before.decode().split("\n") if line]
    spoiled = "".join(tamper(lines))
    register.path.write_text(spoiled, encoding="utf-8", newline="\n")
    for _ in range(3):
        found = opened(tmp_path)
        assert said in found.broken and "--mend" in found.broken and "--meant" in found.broken
        with pytest.raises(RegisterError, match="study register"):
            found.append("answer", {"query": 7})
    aside = opened(tmp_path).mend()
    assert aside is not None and aside.read_text(encoding="utf-8") == spoiled
    assert register.path.read_bytes() == before and opened(tmp_path).broken == ""


@pytest.mark.parametrize("keep", [0, 1, 4])
def test_both_files_cut_short_are_found_out_by_what_a_night_knew(
    tmp_path: Path, register: Register, keep: int
) -> None:
    head = replace(register.head, who="night n000002")
    for path in (register.path, register.kept):
        lines = [f"{line}\n" for line in path.read_text(encoding="utf-8").split("\n")[:keep]]
        path.write_text("".join(lines), encoding="utf-8")
    for _ in range(3):
        found = opened(tmp_path, head)
        assert "night n000002 knew 6" in found.broken
    with pytest.raises(RegisterError, match="backup"):
        opened(tmp_path, head).mend()


def test_register_written_anew_with_the_key_is_found_out(
    tmp_path: Path, register: Register
) -> None:
    head = replace(register.head, who="release 2026-spring")
    register.path.unlink()
    register.kept.unlink()
    forget(tmp_path / "study")  # on a machine that never saw it
    other = opened(tmp_path)
    for number in range(9):
        other.append("answer", {"query": number})
    assert opened(tmp_path).broken == ""
    assert "not the one that release 2026-spring knew" in opened(tmp_path, head).broken


def test_what_a_person_means_counts_from_then_on_and_stays_written_down(
    tmp_path: Path, register: Register
) -> None:
    head = replace(register.head, who="night n000002")
    lines = register.path.read_text(encoding="utf-8").split("\n")
    register.path.write_text("".join(f"{line}\n" for line in lines[:3]), encoding="utf-8")
    entry = opened(tmp_path, head).mean(by="r1", reason="The last three were a rehearsal.")
    assert entry.body["instead_of"] == [head.as_said()] and entry.body["by"] == "r1"
    again = opened(tmp_path, head)
    assert again.broken == "" and [e.kind for e in again.entries[-2:]] == ["answer", "meant"]
    assert (again.kept.parent / entry.body["aside"]).read_text().count("\n") == 3
    with pytest.raises(RegisterError, match="nothing is to be said"):
        again.mean(by="r1", reason="Again.")
    # Whoever takes that entry away again is found out as well.
    for path in (register.path, register.kept):
        path.write_text("".join(f"{line}\n" for line in lines[:3]), encoding="utf-8")
    assert opened(tmp_path, head).broken


def test_lost_key_is_replaced_by_a_person_and_the_register_sealed_anew(
    tmp_path: Path, register: Register
) -> None:
    head = replace(register.head, who="night n000002")
    (tmp_path / "key").unlink()
    study = tmp_path / "study"
    anew = Register(study, study / "work", study="invented", key_path=tmp_path / "key",
                    heads=[head], with_new_key=True)  # fmt: skip
    anew.seal_anew(by="r1", reason="The disk with the key is gone.")
    again = opened(tmp_path, head)
    assert again.broken == "" and again.entries[-1].kind == "meant"
    assert [e.body["query"] for e in again.of("answer")] == [1, 2, 3, 4, 5]
    assert [e.at for e in again.of("answer")] == [e.at for e in register.of("answer")]


def test_torn_last_line_of_a_killed_writer_is_no_tampering(
    tmp_path: Path, register: Register
) -> None:
    whole = register.path.read_bytes()
    for cut in (1, 10, 100):
        for torn in (register.path, register.kept):
            register.path.write_bytes(whole)
            register.kept.write_bytes(whole)
            with torn.open("ab") as file:
                file.write(whole[:cut])
            again = opened(tmp_path)
            assert again.broken == "" and again.entries == register.entries
    again.append("answer", {"query": 6})
    assert opened(tmp_path).entries == again.entries
    assert again.path.read_bytes() == again.kept.read_bytes()


def test_copy_that_was_not_written_any_more_is_brought_up_to_date(
    tmp_path: Path, register: Register
) -> None:
    lines = register.kept.read_bytes().splitlines(keepends=True)
    register.kept.write_bytes(b"".join(lines[:3]))
    assert opened(tmp_path).broken == ""
    assert register.kept.read_bytes() == register.path.read_bytes()
    register.kept.unlink()
    assert opened(tmp_path).broken == ""
    assert register.kept.read_bytes() == register.path.read_bytes()


def test_what_two_machines_wrote_at_once_is_all_kept(tmp_path: Path, register: Register) -> None:
    common = register.path.read_bytes()
    register.append("answer", {"query": 10})
    ours = register.kept.read_bytes()
    for path in (register.path, register.kept):
        path.write_bytes(common)
    forget(tmp_path / "study")
    other = opened(tmp_path)
    other.append("answer", {"query": 20})
    other.append("answer", {"query": 21})
    register.kept.write_bytes(ours)  # here ours; the folder was synchronised with theirs
    assert opened(tmp_path).broken
    opened(tmp_path).mend()
    again = opened(tmp_path)
    assert again.broken == ""
    assert sorted(e.body["query"] for e in again.of("answer"))[-3:] == [10, 20, 21]


def _append_some(folder: Path, first: int) -> None:
    own = opened(folder)
    for number in range(first, first + 20):
        own.append("answer", {"query": number})


def test_processes_that_write_at_the_same_time_lose_nothing(
    tmp_path: Path, register: Register
) -> None:
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=_append_some, args=(tmp_path, n)) for n in (100, 200)]
    for writer in writers:
        writer.start()
    for number in range(300, 320):
        register.append("answer", {"query": number})
    for writer in writers:
        writer.join()
        assert writer.exitcode == 0
    again = opened(tmp_path)
    assert again.broken == "" and len(again.entries) == 66
    assert {e.body["query"] for e in again.of("answer")} >= {*range(100, 120), *range(200, 220)}


def a_review(**given: object) -> Review:
    plain = Review("", "larch", "larch-s1-sot1#2", "single_occlusion", "f" * 64, 10.0, 12.0,
                   "reader-1", "2026-04-01T09:00:00+00:00", "accept", "sound_manoeuvre", "", False,
                   "rejected", ("single_occlusion.long_fit",))  # fmt: skip
    return replace(plain, **given)  # type: ignore[arg-type]


def test_decisions_are_entries(tmp_path: Path, register: Register) -> None:
    first = write_review(register, a_review())
    second = write_review(register, a_review(reader="reader-2", note="A\u2028B"))
    assert (first.review, second.review) == ("rv-000001", "rv-000002")
    assert reviews_of(opened(tmp_path)) == (first, second)
    assert second.overrules == ("single_occlusion.long_fit",) and second.seal


# Two decisions as the form before wrote them: each line with the SHA-256 of the one before.
OLD = (
    '{"blind":false,"centre":"larch","decided_at":"2026-04-01T09:00:00+00:00","decision":"reject",'
    '"end_s":12.0,"file_sha256":"ff","machine":"accepted","note":"","overrules":[],"previous":'
    '"0000000000000000000000000000000000000000000000000000000000000000","reader":"reader-1",'
    '"reason":"leak_seen","review":"rv-000001","sha256":'
    '"@1","start_s":10.0,'
    '"technique":"tidal","trial":"larch-s001-tid1#1"}\n'
)


def old_file() -> str:
    """Return a file of the form before, sealed by the recipe that it was sealed by."""
    import hashlib

    lines, previous = "", "0" * 64
    for number, reader in ((1, "reader-1"), (2, "reader-2")):
        body = json.loads(OLD) | {
            "previous": previous, "review": f"rv-{number:06d}", "reader": reader,
        }  # fmt: skip
        del body["sha256"]
        text = json.dumps(body, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
        previous = hashlib.sha256(text.encode()).hexdigest()
        lines += changed(text, sha256=previous)
    return lines


def test_old_file_of_decisions_is_taken_over_once(tmp_path: Path, register: Register) -> None:
    study = tmp_path / "study"
    (study / "reviews.jsonl").write_text(old_file(), encoding="utf-8")
    take_over_old_file(register, study, study / "work")
    assert [r.reader for r in reviews_of(register)] == ["reader-1", "reader-2"]
    assert register.of("taken_over")[0].body["decisions"] == 2
    assert not (study / "reviews.jsonl").exists()
    # Killed before it was renamed: what is written down already is not written twice.
    (study / "reviews.jsonl").write_text(old_file(), encoding="utf-8")
    take_over_old_file(register, study, study / "work")
    assert len(reviews_of(opened(tmp_path))) == 2
    assert write_review(register, a_review()).review == "rv-000003"


@pytest.mark.parametrize("spoil", [("reject", "accept"), ("reader-2", "reader-9"), ("}", "")])
def test_old_file_that_was_changed_is_said_and_left(
    tmp_path: Path, register: Register, spoil: tuple[str, str]
) -> None:
    study = tmp_path / "study"
    text = old_file().replace(*spoil)
    (study / "reviews.jsonl").write_text(text, encoding="utf-8")
    with pytest.raises(ReviewError, match="changed by hand"):
        take_over_old_file(register, study, study / "work")
    assert (study / "reviews.jsonl").read_text(encoding="utf-8") == text
    assert reviews_of(register) == ()


def test_old_file_that_is_shorter_than_its_copy_is_said(tmp_path: Path, register: Register) -> None:
    study = tmp_path / "study"
    (study / "work" / "reviews").mkdir(parents=True)
    (study / "work" / "reviews" / "reviews.jsonl").write_text(old_file(), encoding="utf-8")
    (study / "reviews.jsonl").write_text(old_file().split("\n")[0] + "\n", encoding="utf-8")
    with pytest.raises(ReviewError, match="changed by hand"):
        take_over_old_file(register, study, study / "work")
