"""The pictures in README and docs are of the pages as they are made now."""

from __future__ import annotations

import pytest

from tests.browser.gallery import GALLERY, MADE_OF, ROOT, SHOTS, Shot, made_of

PNG = b"\x89PNG\r\n"


def test_no_picture_is_older_than_the_pages() -> None:
    said = (GALLERY / MADE_OF).read_text(encoding="ascii").strip()
    assert said == made_of(), "pages have changed since the pictures were taken: make gallery"


@pytest.mark.parametrize("shot", SHOTS, ids=lambda shot: shot.name)
def test_each_picture_is_there_and_shown(shot: Shot) -> None:
    name = f"gallery/{shot.name}.png"
    assert (ROOT / "docs" / name).read_bytes().startswith(PNG)
    assert f"docs/{name}" in (ROOT / "README.md").read_text(encoding="utf-8")
    assert name in (ROOT / "docs" / "index.md").read_text(encoding="utf-8")
