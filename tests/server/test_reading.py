"""Blind reading through the server: what a reader is shown, and what is kept of a decision."""

from __future__ import annotations

import errno
import html
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from quietsleep.review.blind import BlindNight
from quietsleep.server.access import Tokens
from quietsleep.server.reading import BlindReading
from quietsleep.site.packing import pieces_of
from quietsleep.study.review_log import Review, reviews_of
from quietsleep.study.study import load_study
from quietsleep.warehouse.registered import open_register
from tests.server.conftest import OPEN

HOME = "/-/reading/"


@pytest.fixture(autouse=True)
def all_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """The small night has few trials: all of them are read again."""
    for module in ("queue", "blind"):
        monkeypatch.setattr(f"quietsleep.review.{module}.drawn_for_second_reading", lambda *_: True)


@pytest.fixture
def study(small_night: tuple[Path, object], tmp_path: Path) -> Path:
    shutil.copytree(small_night[0], tmp_path / "study", symlinks=True)
    return tmp_path / "study"


class Visit:
    """A reader's browser, without the browser."""

    def __init__(self, address: str, token: str) -> None:
        self.client = httpx.Client(base_url=address, timeout=600)
        OPEN.append(self.client)
        answer = self.client.post("/-/login", data={"token": token})
        assert answer.headers.get("location") == HOME
        self.page = ""
        self.load()

    def load(self, path: str = HOME) -> str:
        answer = self.client.get(path, follow_redirects=True)
        assert answer.status_code == 200
        self.page = answer.text
        return self.page

    def of(self, name: str) -> str:
        found = re.search(rf'name="{name}" value="([^"]*)"', self.page)
        assert found, name
        return found[1]

    def decide(self, **said: str) -> httpx.Response:
        given = {"form_token": self.of("form_token"), "trial": self.of("trial")}
        answer = self.client.post(HOME, data=given | {"decision": "accept"} | said)
        self.page = answer.text if answer.status_code != 303 else self.load()
        return answer

    @property
    def said(self) -> str:
        """What the page says as an alert."""
        found = re.search(r'role="alert"[^>]*>(.*?)</p>', self.page, re.DOTALL)
        return html.unescape(found[1]) if found else ""


@pytest.fixture
def one(study: Path, address: str) -> Visit:
    return Visit(address, Tokens(study).issue_reader("r1"))


def written(study: Path) -> tuple[Review, ...]:
    return reviews_of(open_register(load_study(study)))


def test_page_and_trace_tell_neither_centre_nor_verdict(study: Path, one: Visit) -> None:
    centres = load_study(study).centres
    secrets = {*centres, *(c.title for c in centres.values()), "rejected", "accepted", "flagged"}
    secrets |= {"borderline", "second reading", "limit", "leak_pct"}
    seen = set()
    for _ in range(6):
        script = one.client.get(f"{HOME}{one.of('trial')}.js")
        assert script.status_code == 200
        common, pieces = pieces_of(script.text)
        assert len(pieces) == 1 and pieces[0].head["marks"] == []
        told = json.dumps([common, pieces[0].head])
        main = one.page.partition("<main")[2].partition('id="decide"')[0]
        for word in secrets:
            assert word.lower() not in (main + told).lower(), word
        seen.add(one.of("trial"))
        one.decide()
    assert len(seen) == 6


def test_decisions_are_written_counted_and_taken_back(study: Path, one: Visit) -> None:
    n_all = int(re.findall(r"Trial 1 of ([0-9]+)", one.page)[0])
    first = one.of("trial")
    assert one.decide().status_code == 303
    assert f"Trial 2 of {n_all}" in one.page and "Back to the last: accepted" in one.page
    assert one.of("trial") != first
    one.decide(decision="reject", reason="leak_seen", note=" At  3 s. ")
    one.load(f"{HOME}last")
    assert "You rejected it: A leak at the mask" in one.page and one.of("again") == "yes"
    # The key that goes back does not write anything by itself.
    assert [r.decision for r in written(study)] == ["accept", "reject"]
    one.decide(again="yes")
    assert f"Trial 3 of {n_all}" in one.page
    reviews = written(study)
    assert [r.decision for r in reviews] == ["accept", "reject", "accept"]
    assert reviews[1].trial == reviews[2].trial != reviews[0].trial
    assert all(r.blind and r.reader == "r1" for r in reviews)
    assert reviews[1].note == "At 3 s."


def test_left_for_later_comes_again_at_the_end(one: Visit) -> None:
    first = one.of("trial")
    ahead = re.findall(r'id="go-on" href="([^"]+)"', one.page)[0]
    second = one.load(ahead) and one.of("trial")
    assert second != first
    one.load()
    assert one.of("trial") == first
    one.load(f"{HOME}?after=nonsense")
    assert one.of("trial") == first


def test_one_reader_cannot_write_as_another(study: Path, address: str, one: Visit) -> None:
    two = Visit(address, Tokens(study).issue_reader("r2"))
    before = (study / "register.jsonl").read_bytes()
    # With the word of the other's browser, or on the other's trial, nothing is written.
    assert one.decide(form_token=two.of("form_token")).status_code == 400
    one.load()
    assert one.decide(trial=two.of("trial")).status_code == 409
    assert "not there any more as you saw it" in one.said
    assert (study / "register.jsonl").read_bytes() == before
    assert one.client.get(f"{HOME}{two.of('trial')}.js").status_code == 404
    one.load()
    one.decide(reader="r2", by="r2", code="r2", blind="")
    assert [(r.reader, r.blind) for r in written(study)] == [("r1", True)]
    # What one decided leaves no word on the page of the other.
    assert "Back to the last" not in two.load()


def test_a_reader_sees_no_pages_and_a_centre_reads_nothing(
    study: Path, address: str, one: Visit
) -> None:
    for path in ("/larch/", "/overview/", "/-/desk/", "/-/desk/larch/", "/-/desk/overview/",
                 "/-/desk/-/", "/-/", "/-/queries/1", "/larch/index.html"):  # fmt: skip
        assert one.client.get(path).status_code == 404, path
    assert one.client.get("/").headers["location"] == HOME
    assert one.client.get("/dictionary/").status_code == 200
    answer = one.client.post("/-/desk/larch/queries/1", data={"form_token": one.of("form_token")})
    assert answer.status_code == 404
    for centre in ("larch", ""):
        token = Tokens(study).issue(centre)
        other = httpx.Client(base_url=address)
        OPEN.append(other)
        other.post("/-/login", data={"token": token})
        for path in (HOME, f"{HOME}last", f"{HOME}{one.of('trial')}.js"):
            assert other.get(path).status_code == 404
        assert other.post(HOME, data={"decision": "accept"}).status_code == 404
    assert written(study) == ()


def test_withdrawn_reader_is_told_that_nothing_was_kept(study: Path, one: Visit) -> None:
    tokens = Tokens(study)
    tokens.revoke(tokens.list()[0].name)
    answer = one.decide()
    assert answer.status_code == 401 and "was not written down" in one.said
    assert one.client.get(HOME).headers["location"].startswith("/-/login")
    assert one.client.get(f"{HOME}{'0' * 32}.js").status_code == 303
    assert written(study) == ()


def test_a_trial_replaced_while_it_was_shown_is_told_and_the_next_one_shown(
    study: Path, one: Visit, monkeypatch: pytest.MonkeyPatch
) -> None:
    known, real = one.of("trial"), BlindReading.night

    def replaced(self: BlindReading, *given: Any) -> tuple[Path, BlindNight]:
        path, night = real(self, *given)
        trials = night.published.trials.assign(file_sha256="0" * 64)
        return path, replace(night, published=replace(night.published, trials=trials))

    monkeypatch.setattr(BlindReading, "night", replaced)
    answer = one.decide()
    assert answer.status_code == 409 and "Nothing was written down of it" in one.said
    assert one.of("form_token") and known not in one.page and written(study) == ()
    # None of these signals is there any more: that is said, and nothing is to be decided.
    assert "newer delivery has replaced" in one.page and 'id="decide"' not in one.page
    assert 'id="go-on"' in one.page


def test_a_log_that_takes_nothing_is_told_and_the_decision_stays_on_the_page(
    study: Path, one: Visit, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = one.of("trial")
    said = {"decision": "reject", "reason": "said_in_note", "note": "The mask moved."}

    def full(*_: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", "register.jsonl")

    with monkeypatch.context() as patch:
        patch.setattr("quietsleep.study.register.append", full)
        answer = one.decide(**said)
        assert answer.status_code == 507 and "could not be written down" in one.said
        assert one.of("trial") == known and 'value="The mask moved."' in one.page
        assert re.search(r'value="said_in_note" required checked', one.page)
    assert one.decide(**said).status_code == 303
    assert [r.note for r in written(study)] == ["The mask moved."]
    register = study / "register.jsonl"
    whole = register.read_bytes()
    register.write_bytes(whole.replace(b"The mask moved.", b"The mask stayed"))
    answer = one.client.get(HOME)
    assert answer.status_code == 503 and "cannot be shown now" in answer.text
    register.write_bytes(whole)
    assert one.load()


@pytest.mark.parametrize(
    ("said", "status", "words"),
    [
        ({"decision": "perhaps"}, 422, "one of both"),
        ({"decision": ""}, 422, "one of both"),
        ({"decision": "reject"}, 303, ""),
        ({"decision": "reject", "reason": "said_in_note"}, 422, "say in the note"),
        ({"decision": "reject", "reason": "sound_manoeuvre"}, 422, "is no reason to reject"),
        ({"decision": "accept", "note": "Anna Schmidt moved."}, 422, "looks like"),
        ({"decision": "accept", "note": "x" * 501}, 422, "at most 500"),
        ({"trial": "../../larch"}, 409, "Nothing was written down"),
        ({"form_token": "x"}, 400, ""),
        ({"form_token": ""}, 400, ""),
    ],
)
def test_what_cannot_stand_is_said_and_nothing_is_written(
    study: Path, one: Visit, said: dict[str, str], status: int, words: str
) -> None:
    answer = one.decide(**said)
    assert answer.status_code == status, answer.text
    assert words in one.said
    assert len(written(study)) == (status == 303)


def test_sent_twice_is_written_once(study: Path, one: Visit) -> None:
    given = {"form_token": one.of("form_token"), "trial": one.of("trial"), "decision": "accept"}
    assert one.client.post(HOME, data=given).status_code == 303
    answer = one.client.post(HOME, data=given | {"decision": "reject", "reason": "leak_seen"})
    assert answer.status_code == 409 and "Nothing was written down twice" in answer.text
    assert [r.decision for r in written(study)] == ["accept"]


def test_a_signal_that_is_gone_is_told_and_left_for_later(
    one: Visit, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_: Any) -> None:
        raise FileNotFoundError(errno.ENOENT, "No such file", "signals/one.csv")

    monkeypatch.setattr("quietsleep.server.blind_traces.load_recording", gone)
    one.load(re.findall(r'id="go-on" href="([^"]+)"', one.page)[0])
    assert "cannot be read now" in one.said and 'id="decide"' not in one.page
    assert "signals/one" not in one.page
    assert one.client.get(f"{HOME}{'f' * 32}.js").status_code == 404


def test_while_a_night_is_at_work_signals_wait(study: Path, address: str) -> None:
    import duckdb

    held = duckdb.connect(study / "work" / "state.duckdb")
    try:
        visit = Visit(address, Tokens(study).issue_reader("r1"))
        assert "A night is at work" in visit.said
    finally:
        held.close()
    assert not visit.load().count('role="alert"')


def test_before_the_first_night_there_is_nothing_to_read(study: Path, address: str) -> None:
    shutil.rmtree(study / "warehouse")
    answer = Visit(address, Tokens(study).issue_reader("r1"))
    assert "No night has run yet" in answer.said
