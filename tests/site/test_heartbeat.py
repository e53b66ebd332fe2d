"""The overview says when a night looked, and is made to say it anew without being written anew."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from quietsleep.site.heartbeat import BEGIN, END, heartbeat, renew_heartbeat
from quietsleep.study.study import Study

AT = datetime(2026, 3, 2, 1, 30, tzinfo=UTC)


def test_words_with_and_without_a_schedule() -> None:
    said = str(heartbeat(AT, "30 * * * *"))
    assert "A night last looked on 2 Mar 2026, 01:30. The next is due on 2 Mar 2026, 02:30." in said
    assert "If that is more than a day ago, nobody looked" in said
    alone = str(heartbeat(AT, ""))
    assert "due" not in alone and "If this is more than a day ago, nobody looked" in alone


def test_only_the_words_between_the_marks_are_written_anew(tmp_path: Path) -> None:
    study = Study(tmp_path, "s", "S", {})
    renew_heartbeat(study, AT)  # no page is there yet
    page = tmp_path / "pages" / "overview" / "index.html"
    page.parent.mkdir(parents=True)
    page.write_text(f"<p>{heartbeat(AT, '')}</p><p>{BEGIN}</p>", encoding="utf-8")
    renew_heartbeat(study, AT + timedelta(days=1))
    text = page.read_text(encoding="utf-8")
    assert text == f"<p>{heartbeat(AT + timedelta(days=1), '')}</p><p>{BEGIN}</p>"
    page.write_text("no marks", encoding="utf-8")
    renew_heartbeat(study, AT)
    assert page.read_text(encoding="utf-8") == "no marks" and END not in "no marks"
