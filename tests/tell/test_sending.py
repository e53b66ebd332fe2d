"""Digests leave the outbox by mail and webhook, or wait there: servers well and badly behaved."""

from __future__ import annotations

import json
import socket
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import monotonic
from typing import Any

import pytest

from quietsleep.study.study import Study
from quietsleep.study.telling import MailWay, Telling, WebhookWay
from quietsleep.tell import mail, webhook
from quietsleep.tell.digest import Digest
from quietsleep.tell.outbox import NIGHTS_KEPT, Way, messages, nights_in, outbox_of, put, tidy
from quietsleep.tell.send import send_waiting, ways_to
from tests.tell.servers import hook_server, mail_server, write_certificate

AT = datetime(2026, 3, 2, 2, 0, tzinfo=UTC)
DIGEST = Digest("", "Nights: n000001 ended amber", "Wörter\n", "<p>Wörter</p>\n", news=True)
OF_LARCH = Digest("larch", "Larch: 1 query open", "larch\n", "<p>larch</p>\n", news=True)


def by_mail(port: int, **more: Any) -> Telling:
    said: dict[str, Any] = {
        "host": "127.0.0.1",
        "port": port,
        "sender": "night@study.example",
        "encryption": "none",
        "coordinating_centre": ("desk@study.example",),
        "centres": {"larch": ("first@larch.example", "second@larch.example")},
    }
    return Telling(mail=MailWay(**said | more), seconds_at_most=5)


def to_hook(**said: Any) -> Telling:
    return Telling(webhook=WebhookWay(**said), seconds_at_most=5)


def waiting(path: Path, telling: Telling, *digests: Digest, at: datetime = AT) -> Study:
    """A study in whose outbox these digests wait."""
    study = Study(path, "nights", "Nights", {}, tell=telling)
    for digest in digests or (DIGEST, OF_LARCH):
        put(outbox_of(study), "n000001", digest, ways_to(telling, digest.to), at)
    return study


def states(study: Study) -> list[str]:
    return [how.state for m in messages(outbox_of(study)) for how in m.ways.values()]


def test_mail_has_text_and_html_and_nothing_attached(tmp_path: Path) -> None:
    with mail_server() as server:
        study = waiting(tmp_path, by_mail(server.port))
        assert send_waiting(study, now=AT) == []
        assert send_waiting(study, now=AT) == []  # nothing goes twice
    to = dict(server.taken)
    assert set(to) == {("desk@study.example",), ("first@larch.example", "second@larch.example")}
    assert server.n_connections == 1
    message = to["desk@study.example",]
    assert (message["From"], message["Subject"]) == ("nights <night@study.example>", DIGEST.subject)
    assert message["Message-ID"] == "<quietsleep.n000001.-@study.example>"
    parts = [part.get_content_type() for part in message.walk()]
    assert parts == ["multipart/alternative", "text/plain", "text/html"]
    assert not [*message.iter_attachments()]
    body = message.get_body(("plain",))
    assert body is not None and body.get_content().splitlines() == ["Wörter"]
    assert states(study) == ["sent", "sent"]


@pytest.mark.parametrize("encryption", ["starttls", "ssl"])
def test_mail_is_encrypted_with_the_account_of_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, encryption: str
) -> None:
    certificate = write_certificate(tmp_path)
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate[0]))
    monkeypatch.setenv("QUIETSLEEP_MAIL_USER", "night")
    monkeypatch.setenv("QUIETSLEEP_MAIL_PASSWORD", "right")
    account = {
        "user_variable": "QUIETSLEEP_MAIL_USER",
        "password_variable": "QUIETSLEEP_MAIL_PASSWORD",
    }
    with mail_server(certificate=certificate, at_once=encryption == "ssl") as server:
        study = waiting(tmp_path, by_mail(server.port, encryption=encryption, **account))
        assert send_waiting(study, now=AT) == []
        assert server.accounts == [("night", "right")] and len(server.taken) == 2
        monkeypatch.setenv("QUIETSLEEP_MAIL_PASSWORD", "wrong")
        later = waiting(tmp_path / "later", by_mail(server.port, encryption=encryption, **account))
        (said,) = send_waiting(later, now=AT)
    assert said == (
        "2 digests wait to go by mail: this machine refused the account. Later nights try again."
    )
    monkeypatch.delenv("QUIETSLEEP_MAIL_PASSWORD")
    (said,) = send_waiting(later, now=AT)
    assert "QUIETSLEEP_MAIL_PASSWORD is not set" in said


@pytest.mark.parametrize("encryption", ["starttls", "ssl"])
def test_nothing_goes_to_a_mail_server_with_a_wrong_certificate(
    tmp_path: Path, encryption: str
) -> None:
    certificate = write_certificate(tmp_path)
    with mail_server(certificate=certificate, at_once=encryption == "ssl") as server:
        study = waiting(tmp_path, by_mail(server.port, encryption=encryption))
        (said,) = send_waiting(study, now=AT)
    assert "the certificate of this machine cannot be trusted (self" in said
    assert server.taken == [] and states(study) == ["waiting", "waiting"]


def test_mail_server_without_encryption_is_sent_nothing_where_it_is_wanted(tmp_path: Path) -> None:
    with mail_server() as server:
        (said,) = send_waiting(
            waiting(tmp_path, by_mail(server.port, encryption="starttls")), now=AT
        )
    assert "offers no encryption" in said and server.taken == []


def test_refused_mailboxes_wait_without_the_words_of_the_server(tmp_path: Path) -> None:
    with mail_server("refusing") as server:
        study = waiting(tmp_path, by_mail(server.port))
        (said,) = send_waiting(study, now=AT)
    assert "refused the mailbox (550)" in said and "secret.example" not in said
    assert states(study) == ["waiting", "waiting"]


def test_a_mailbox_that_is_refused_beside_others_is_said_and_nothing_goes_twice(
    tmp_path: Path,
) -> None:
    with mail_server("some") as server:
        study = waiting(tmp_path, by_mail(server.port))
        (said,) = send_waiting(study, now=AT)
        assert send_waiting(study, now=AT) == []
    assert said == "Not all of the digests went by mail: the mail server refused 1 of 2 mailboxes."
    assert len(server.taken) == 2 and states(study) == ["sent", "sent"]


def test_what_broke_off_goes_with_a_later_night(tmp_path: Path) -> None:
    with mail_server("breaking") as server:
        study = waiting(tmp_path, by_mail(server.port))
        (said,) = send_waiting(study, now=AT)
        assert "this machine broke off" in said and states(study) == ["waiting", "waiting"]
        server.manner = "well"
        assert send_waiting(study, now=AT + timedelta(days=1)) == []
        assert len(server.taken) == 2
    (first, _) = messages(outbox_of(study))
    assert first.ways["mail"].tries == 2 and first.ways["mail"].state == "sent"


@pytest.mark.parametrize("manner", ["silent", "dripping"])
def test_a_server_that_is_slow_or_half_open_holds_nothing_up(
    tmp_path: Path, manner: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One byte after the other never runs into the limit of an answer: the whole is bounded."""
    monkeypatch.setattr(mail, "SECONDS", 0.5 if manner == "silent" else 60.0)
    monkeypatch.setattr(webhook, "SECONDS", 0.5 if manner == "silent" else 60.0)
    with mail_server(manner) as server, hook_server(manner) as hook:
        study = waiting(tmp_path / "mail", by_mail(server.port))
        began = monotonic()
        (said,) = send_waiting(study, now=AT)
        assert monotonic() - began < 8
        assert ("does not answer" if manner == "silent" else "took too long") in said
        hooked = waiting(tmp_path / "hook", to_hook(url=f"http://127.0.0.1:{hook.port}/"))
        began = monotonic()
        (said,) = send_waiting(hooked, now=AT)
        assert monotonic() - began < 8
        assert ("does not answer" if manner == "silent" else "took too long") in said
    assert states(study) == states(hooked) == ["waiting", "waiting"]


def test_no_server_at_all_is_a_sentence_and_is_given_up_in_the_end(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as closed:
        port = closed.getsockname()[1]
    study = waiting(tmp_path, by_mail(port))
    (said,) = send_waiting(study, now=AT + timedelta(days=6))
    assert said == (
        f"2 digests wait to go by mail: this machine takes no connection at port {port}. "
        "Later nights try again."
    )
    (said,) = send_waiting(study, now=AT + timedelta(days=8))
    assert said.startswith("2 digests could not go by mail within 7 days and were given up")
    assert states(study) == ["given up", "given up"]
    assert send_waiting(study, now=AT + timedelta(days=9)) == []


def test_webhook_is_posted_json_with_the_token_of_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    certificate = write_certificate(tmp_path)
    monkeypatch.setenv("QUIETSLEEP_HOOK_TOKEN", "s3cret")
    with hook_server(certificate=certificate) as hook:
        monkeypatch.setenv("QUIETSLEEP_HOOK", f"https://localhost:{hook.port}/in?key=s3cret")
        telling = to_hook(url_variable="QUIETSLEEP_HOOK", token_variable="QUIETSLEEP_HOOK_TOKEN")
        study = waiting(tmp_path, telling)
        (said,) = send_waiting(study, now=AT)
        assert "the certificate of the webhook cannot be trusted" in said and hook.taken == []
        monkeypatch.setenv("SSL_CERT_FILE", str(certificate[0]))
        assert send_waiting(study, now=AT) == []
    (headers, first), (_, second) = hook.taken
    assert headers["Authorization"] == "Bearer s3cret"
    assert {first["centre"], second["centre"]} == {None, "larch"}
    assert first["id"] == "nights.n000001.larch" or second["id"] == "nights.n000001.larch"
    assert set(first) == {
        "format", "id", "study", "night", "centre", "subject", "text", "html", "written_at",
    }  # fmt: skip
    kept = "".join(p.read_text(encoding="utf-8") for p in tmp_path.rglob("*.json"))
    assert "s3cret" not in kept


@pytest.mark.parametrize(("status", "said"), [(500, "answered 500"), (302, "answered 302")])
def test_webhook_that_refuses_or_sends_elsewhere_is_not_followed(
    tmp_path: Path, status: int, said: str
) -> None:
    with hook_server(status=status) as hook:
        study = waiting(tmp_path, to_hook(url=f"http://127.0.0.1:{hook.port}/in"))
        (sentence,) = send_waiting(study, now=AT)
    assert said in sentence and set(hook.paths) == {"/in"}
    assert states(study) == ["waiting", "waiting"]


def test_webhook_that_breaks_off_or_is_not_there_is_a_sentence(tmp_path: Path) -> None:
    with hook_server("breaking") as hook:
        study = waiting(tmp_path, to_hook(url=f"http://127.0.0.1:{hook.port}/in"))
        (said,) = send_waiting(study, now=AT)
    assert "the webhook broke off" in said
    (said,) = send_waiting(study, now=AT)
    assert "the webhook takes no connection" in said


def test_ways_are_those_of_the_recipient() -> None:
    telling = Telling(
        mail=MailWay(
            host="m.example", sender="a@b.example", centres={"larch": ("x@larch.example",)}
        ),
        webhook=WebhookWay(url="https://h.example/", centres=False),
    )
    assert ways_to(telling, "") == ("webhook",)
    assert ways_to(telling, "larch") == ("mail",)
    assert ways_to(telling, "rowan") == () == ways_to(None, "")


def test_outbox_keeps_so_many_nights_and_what_may_stay(tmp_path: Path) -> None:
    for number in range(1, NIGHTS_KEPT + 4):
        put(tmp_path, f"n{number:06d}", OF_LARCH, (), AT)
    tidy(tmp_path)
    assert len(nights_in(tmp_path)) == NIGHTS_KEPT and nights_in(tmp_path)[0] == "n000004"
    tidy(tmp_path, may_stay={"n000062", "n000063"})
    assert nights_in(tmp_path) == ["n000062", "n000063"]


def test_message_whose_state_cannot_be_read_stops_no_other(tmp_path: Path) -> None:
    ways: tuple[Way, ...] = ("mail",)
    put(tmp_path, "n000001", DIGEST, ways, AT)
    put(tmp_path, "n000001", OF_LARCH, ways, AT)
    broken = tmp_path / "n000001" / "centres" / "larch" / "state.json"
    for text in ("", "[]", json.dumps({"to": "larch", "ways": []}), "{"):
        broken.write_text(text, encoding="utf-8")
        assert [m.to for m in messages(tmp_path)] == [""]
