"""When a night last looked and when the next is due, as the overview says it.

The page is static, and a night without news leaves it as it is. So these words stand between two
marks, and every night that looks writes them anew.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime

from markupsafe import Markup, escape

from quietsleep.site import words
from quietsleep.study.study import Study
from quietsleep.study.telling import due_after

BEGIN, END = "<!-- looked -->", "<!-- /looked -->"
_MARKED = re.compile(f"{BEGIN}.*?{END}", re.DOTALL)
_SAID = re.compile(f"{BEGIN}[^<]{{0,500}}{END}".encode())


def heartbeat(looked_at: datetime, due: str) -> Markup:
    """Say between the marks when a night looked, and what it means if that is long ago."""
    said = f"A night last looked on {words.moment(looked_at.astimezone(UTC))}."
    since = "this"
    if due:
        following = due_after(due, looked_at).astimezone(UTC)
        said += f" The next is due on {words.moment(following)}."
        since = "that"
    said += f" If {since} is more than a day ago, nobody looked, and what stands here may be old."
    return Markup(BEGIN) + escape(said) + Markup(END)


def without_heartbeat(page: bytes) -> bytes:
    """Return a page as it was written, whatever was said between the marks since: words alone."""
    return _SAID.sub(b"", page, count=1)


def renew_heartbeat(study: Study, looked_at: datetime) -> None:
    """Write it anew on the overview that is there."""
    page = study.path / "pages" / "overview" / "index.html"
    if not page.is_file():
        return
    before = page.read_text(encoding="utf-8")
    after = _MARKED.sub(lambda _: str(heartbeat(looked_at, study.due)), before, count=1)
    if after != before:
        fresh = page.with_name(page.name + ".new")
        fresh.write_text(after, encoding="utf-8")
        fresh.replace(page)
