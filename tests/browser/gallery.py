"""The pictures of pages in README and docs, taken anew from the demo study by one command.

`make gallery` (`python -m tests.browser.gallery demo docs/gallery`) opens the demo's pages in
Chromium and writes four pictures, and beside them a digest of everything that pages are made of.
`tests/browser/test_gallery.py` holds it against the sources: no picture is older than the page.
"""

from __future__ import annotations

import hashlib
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import quietsleep.site
from tests.browser.windows import open_browsers

HERE = Path(quietsleep.site.__file__).parent
ROOT = Path(__file__).parents[2]
GALLERY = ROOT / "docs" / "gallery"
MADE_OF = "made_of.txt"
LIGHT_WAITS_MS = 800


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture: which page, how wide and high the window is, and where the page opens."""

    name: str
    page: str
    width: int
    height: int
    anchor: str = ""
    scheme: str = "light"


SHOTS = (
    Shot("overview", "overview/index.html", 1280, 900),
    Shot("centre", "willow/index.html", 1280, 900),
    Shot("test", "willow/tests/willow-s010--single_occlusion.html", 1280, 1500),
    Shot("telephone", "willow/index.html", 390, 844, scheme="dark"),
)


def made_of() -> str:
    """Return a digest of the modules, templates, styles and scripts that pages are made of."""
    whole = hashlib.sha256()
    for path in sorted(HERE.rglob("*")):
        if path.is_file() and "__pycache__" not in path.parts:
            whole.update(path.relative_to(HERE).as_posix().encode() + b"\0" + path.read_bytes())
    return whole.hexdigest()


def take(browser: Any, pages: Path, shot: Shot, folder: Path) -> None:
    """Take one picture of the demo's pages."""
    context = browser.new_context(
        viewport={"width": shot.width, "height": shot.height}, color_scheme=shot.scheme
    )
    page = context.new_page()
    page.goto((pages / shot.page).as_uri() + shot.anchor)
    page.wait_for_timeout(LIGHT_WAITS_MS)
    page.screenshot(path=folder / f"{shot.name}.png")
    context.close()


def main(study: Path, folder: Path) -> None:
    """Take all pictures anew."""
    folder.mkdir(parents=True, exist_ok=True)
    with open_browsers() as browsers:
        for shot in SHOTS:
            take(browsers.chromium(), study.resolve() / "pages", shot, folder)
    (folder / MADE_OF).write_text(made_of() + "\n", encoding="ascii")
    print(f"{len(SHOTS)} pictures in {folder}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
