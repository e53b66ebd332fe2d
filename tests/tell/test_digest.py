"""The digests of a night: what they say, and what must not be in them."""

from __future__ import annotations

import json
import re
import shutil
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from quietsleep import contract
from quietsleep.errors import StudyError
from quietsleep.measure.pool import in_process
from quietsleep.night import telling
from quietsleep.night.looks import LOOKED
from quietsleep.night.night import NightReport
from quietsleep.night.stages import rebuild_pages, run_night
from quietsleep.night.withdrawal import Withdrawal, withdraw
from quietsleep.site.read import PublishedNight
from quietsleep.study.study import load_study
from quietsleep.tell.digest import (
    COUNTS,
    Before,
    NightSaid,
    digest_of_centre,
    digest_of_study,
    known_before,
    told_sentence,
)
from quietsleep.tell.outbox import messages, nights_in, outbox_of
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import open_current
from tests.tell.servers import mail_server

AT = datetime(2026, 11, 2, 2, 0, tzinfo=UTC)
# Nights of these tests come after the one that they share.
LATER = datetime.now(UTC).replace(hour=2, minute=0, second=0, microsecond=0) + timedelta(days=2)
DAY = timedelta(days=1)
NOTHING = Before(frozenset(), frozenset())


def texts(study: Path) -> dict[str, str]:
    """The text of each digest of the last night, in one line, by centre (empty: coordinating)."""
    outbox = outbox_of(load_study(study))
    return {m.to: " ".join(m.body("txt").split()) for m in messages(outbox)}


def said_of(report: NightReport) -> NightSaid:
    return NightSaid(report.night, AT, report.state, report.sentences, {})


def test_each_centre_and_the_coordinating_centre_have_one(
    small_night: tuple[Path, NightReport],
) -> None:
    study, report = small_night
    assert set(texts(study)) == {"", *load_study(study).centres}
    for message in messages(outbox_of(load_study(study))):
        assert message.night == report.night and message.ways == {}
        html = message.body("html")
        assert html.startswith("<!doctype html>") and "<script" not in html and "src=" not in html


def test_counts_are_those_of_the_closing_table(small_night: tuple[Path, NightReport]) -> None:
    study, report = small_night
    by_centre = texts(study)
    rows = report.conservation[report.conservation["delivered"] > 0].to_dict("records")
    assert rows
    for row in rows:
        technique = row["technique"].replace("_", " ")
        counts = ", ".join(f"{row[key]} {word}" for key, word in COUNTS.items() if row[key])
        assert f"- {technique}: {counts}" in by_centre[row["centre"]]
        assert f"- {row['centre']}, {technique}: {counts}" in by_centre[""]


def test_digest_of_a_centre_holds_nothing_of_another(small_night: tuple[Path, NightReport]) -> None:
    study, _ = small_night
    centres = load_study(study).centres
    by_centre = texts(study)
    for own in centres:
        for other in centres:
            if other != own:
                for message in messages(outbox_of(load_study(study))):
                    if message.to == own:
                        said = message.body("txt") + message.body("html") + message.subject
                        assert other not in said.lower()
    assert all(centre in by_centre[""] for centre in ("juniper", "larch", "rowan"))


def test_digests_tell_no_infant_day_or_value(small_night: tuple[Path, NightReport]) -> None:
    study, _ = small_night
    said = " ".join(texts(study).values())
    with open_current(study) as warehouse:
        infants = warehouse.execute("SELECT infant FROM infants").fetchall()
        days = warehouse.execute("SELECT DISTINCT tested_on FROM sessions").fetchall()
    assert infants and days
    assert not [infant for (infant,) in infants if re.search(rf"\b{infant}\b", said)]
    for (day,) in days:
        assert f"{day:%Y-%m-%d}" not in said and f"{day:%-d %b %Y}" not in said
    assert " kg" not in said and " days old" not in said


@pytest.mark.parametrize("kind", list(contract.QUERIES.kinds))
def test_facts_of_an_infant_stay_on_the_pages(kind: str) -> None:
    row = {"kind": kind, "centre": "larch", "delivery": None, "session": "s1", "item": "infant i7"}
    facts = "Infant i7 was 40 days old on 2026-03-02 and weighed 4.1 kg."
    assert "2026" not in told_sentence(row | {"sentence": facts})
    of_none = told_sentence(row | {"session": None, "sentence": facts})
    about_infants = kind.startswith(("same_", "infant_", "ages_", "visit_missing"))
    assert ("2026" not in of_none) == about_infants


def test_queries_are_new_open_and_settled_against_the_digest_before(
    small_night: tuple[Path, NightReport],
) -> None:
    study, report = small_night
    said = said_of(report)
    with closing(PublishedNight(current_night(study))) as night:
        now = known_before(night)
        assert len(now.open_queries) == report.n_open > 1
        one = min(now.open_queries)
        first = digest_of_study("Study", said, night, None)
        assert "New since" in first.text and "Still open" not in first.text
        again = digest_of_study("Study", said, night, now)
        assert "Still open" in again.text and "New since" not in again.text
        assert "What came" in first.text and "What came" not in again.text
        partly = digest_of_study("Study", said, night, now._replace(open_queries=frozenset({one})))
        assert partly.text.index("New since") < partly.text.index("Still open")
        assert f"{report.n_open} queries open" in partly.subject
        quiet = {
            centre["centre"]: digest_of_centre("Study", centre, said, night, now).news
            for centre in night.centres()
        }
        loud = {
            centre["centre"]: digest_of_centre("Study", centre, said, night, NOTHING).news
            for centre in night.centres()
        }
    assert not any(quiet.values()) and all(loud.values())


def test_night_that_published_nothing_is_told_to_the_coordinating_centre() -> None:
    said = NightSaid("n000009", AT, "red", ("judging failed; work/logs/n000009.log says why.",), {})
    digest = digest_of_study("Study", said, None, None)
    assert digest.subject == "Study: night n000009 ended red"
    assert "Nothing was published" in digest.text and "says why" in digest.text
    assert "Counts" not in digest.text


def test_hostile_words_neither_break_lines_nor_become_markup() -> None:
    nasty = "\u202e<script>alert(1)</script>\r\nBcc: x@y.example"
    said = NightSaid("n000009", AT, "red", (nasty,), {})
    digest = digest_of_study(f"Study {nasty}", said, None, None)
    assert "\n" not in digest.subject and "\r" not in digest.subject
    assert "<script" not in digest.html and "\u202e" not in digest.text + digest.html
    assert "\nBcc" not in digest.text


@pytest.fixture(scope="module")
def told_study(
    small_night: tuple[Path, NightReport], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    study = tmp_path_factory.mktemp("told") / "study"
    shutil.copytree(small_night[0], study, symlinks=True)
    return study


def test_nights_send_digests_and_idle_ones_only_look(told_study: Path) -> None:
    """A night whose mail does not go ends as it would have; the next, idle one sends it."""
    toml = told_study / "study.toml"
    with mail_server("refusing") as server:
        toml.write_text(
            toml.read_text(encoding="utf-8")
            + f"""
[nightly]
every = "0 2 * * *"
[tell.mail]
host = "127.0.0.1"
port = {server.port}
encryption = "none"
sender = "night@study.example"
coordinating_centre = ["desk@study.example"]
[tell.mail.centres]
larch = ["lungs@larch.example"]
""",
            encoding="utf-8",
        )
        night = run_night(told_study, pool=in_process, at=LATER)
        assert night.published and night.state == "amber"
        assert "digest" in night.sentences[-1] and "refused the mailbox" in night.sentences[-1]
        folders = nights_in(outbox_of(load_study(told_study)))
        assert folders == ["n000001", night.night]
        server.manner = "well"
        later = run_night(told_study, pool=in_process, at=LATER + DAY)
        assert later.idle and not any("digest" in said for said in later.sentences)
        assert nights_in(outbox_of(load_study(told_study))) == folders
        # Nothing is new for larch, so it is left in peace.
        assert [to for to, _ in server.taken] == [("desk@study.example",)]
        run_night(told_study, pool=in_process, at=LATER + 2 * DAY)
        assert len(server.taken) == 1
    looked = json.loads((told_study / "work" / LOOKED).read_text(encoding="utf-8"))
    began = LATER + 2 * DAY
    assert looked["idle"] and looked["began_at"] == began.isoformat()
    page = (told_study / "pages" / "overview" / "index.html").read_text(encoding="utf-8")
    words = f"A night last looked on {began:%-d %b %Y}, 02:00. The next is due on"
    assert words in page
    rebuild_pages(told_study)
    index = told_study / "pages" / "overview" / "index.html"
    assert words in index.read_text(encoding="utf-8")


def test_a_mistake_in_telling_fails_no_night(
    told_study: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    study = tmp_path / "study"
    shutil.copytree(told_study, study, symlinks=True)
    shutil.rmtree(study / "work" / "outbox")
    (study / "work" / "outbox").write_text("in the way", encoding="utf-8")
    monkeypatch.setattr(telling, "renew_heartbeat", lambda *_: 1 / 0)
    with (study / "study.toml").open("a", encoding="utf-8") as file:
        file.write("# Something to look at.\n")
    report = run_night(study, pool=in_process, at=LATER + 3 * DAY)
    assert report.published and not report.idle and report.state == "amber"
    assert any(said.startswith("The digests of this night could not") for said in report.sentences)
    assert any(said.startswith("That this night looked could not") for said in report.sentences)


def test_digests_that_may_name_what_was_withdrawn_go(told_study: Path, tmp_path: Path) -> None:
    study = tmp_path / "study"
    shutil.copytree(told_study, study, symlinks=True)
    outbox = outbox_of(load_study(study))
    assert "juniper-s002" in texts(study)["juniper"]
    withdraw(
        load_study(study),
        Withdrawal("juniper", "consent", "r1", session="juniper-s002"),
    )
    report = run_night(study, pool=in_process, at=LATER + 3 * DAY)
    assert report.published and nights_in(outbox) == [report.night]
    left = [path.read_text(encoding="utf-8") for path in outbox.rglob("*") if path.is_file()]
    assert left and not any("juniper-s002" in text for text in left)


def test_centre_that_the_study_does_not_know_is_told_nothing(
    small_deliveries: Path, tmp_path: Path
) -> None:
    toml = (small_deliveries / "study.toml").read_text(encoding="utf-8")
    shutil.copytree(small_deliveries / "centres", tmp_path / "centres")
    mail = 'host = "m.example"\nsender = "a@b.example"\ncentres = { birch = ["c@b.example"] }\n'
    (tmp_path / "study.toml").write_text(f"{toml}\n[tell.mail]\n{mail}", encoding="utf-8")
    with pytest.raises(StudyError, match="birch"):
        load_study(tmp_path)
