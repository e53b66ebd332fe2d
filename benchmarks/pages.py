"""What pages weigh, and what a browser needs for them: a centre of 500 sessions.

One centre of the demo is multiplied, sessions and all on them, and its pages are written with
the traces that the demo drew. `python -m benchmarks.pages STUDY` measures on a finished demo study;
`--write docs/pages.md` writes the page. Times are of this machine, sizes are of any.
"""

from __future__ import annotations

import gzip
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from tests.browser.windows import open_browsers
from tests.site.nights import CopiedTraces, copy_of, read_night

CENTRE, SESSIONS = "willow", 500
WIDE = {"width": 1440, "height": 900}
NARROW = {"width": 390, "height": 844}
WATCH = """
window.shifted = 0;
new PerformanceObserver((list) => {
  for (const entry of list.getEntries()) if (!entry.hadRecentInput) window.shifted += entry.value;
}).observe({ type: "layout-shift", buffered: true });
"""
PAINT = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? null"
Row = tuple[str, str, float, float, float, float]


def pages_to_open(pages: Path, centre: str) -> Iterator[tuple[str, Path]]:
    """Yield a name and a file for one page of each kind of a large study."""
    test = max((pages / centre / "tests").glob("*.html"), key=lambda p: p.stat().st_size)
    session = next(iter(sorted((pages / centre / "sessions").glob("*.html"))))
    letter = next(iter(sorted((pages / centre / "letters").glob("*.html"))))
    for name in ("index", "tests", "sessions", "equipment", "agreement", "rules", "dictionary"):
        yield f"centre: {name}", pages / centre / f"{name}.html"
    yield from (("test (the largest)", test), ("session", session), ("letter", letter))
    for path in sorted((pages / "overview").glob("*.html")):
        yield f"overview: {path.stem}", path


def weigh(path: Path) -> tuple[float, float]:
    """Return the size of a page in kB: bare, and packed with its styles and scripts, no traces."""
    whole = path.read_bytes()
    assets = [p for p in (path.parent / "assets").glob("*") if p.suffix in (".css", ".js")]
    if not assets:
        assets = [p for p in (path.parents[1] / "assets").glob("*") if p.suffix in (".css", ".js")]
    packed = sum(len(gzip.compress(p.read_bytes(), 6)) for p in (path, *assets))
    return len(whole) / 1000, packed / 1000


def look(browser: Any, path: Path, viewport: dict[str, int]) -> tuple[float, float]:
    """Return seconds to the first paint of a page, and by how much its layout shifted."""
    context = browser.new_context(viewport=viewport)
    context.add_init_script(WATCH)
    page = context.new_page()
    page.goto(path.as_uri())
    page.wait_for_timeout(700)
    for _ in range(4):
        page.mouse.wheel(0, 1500)
        page.wait_for_timeout(250)
    paint, shifted = page.evaluate(PAINT), page.evaluate("window.shifted")
    context.close()
    return (paint or float("nan")) / 1000, shifted


def folder_mb(folder: Path) -> float:
    """Return the size of a folder in MB."""
    return sum(p.stat().st_size for p in folder.rglob("*") if p.is_file()) / 1e6


def measure(study: Path, folder: Path) -> tuple[list[Row], list[str]]:
    """Write the large study's pages, weigh them and open them."""
    demo = read_night(study)
    made = copy_of(demo).keep(centres=[CENTRE])
    n = len({(row["centre"], row["session"]) for row in made.rows("sessions", centre=CENTRE)})
    times = SESSIONS // n
    made.repeat_sessions(times)
    draw = CopiedTraces(study / "pages", lambda name, index: (origin_of(name), index))
    began = time.perf_counter()
    pages = made.write(folder, draw).pages
    seconds = time.perf_counter() - began
    n_tests = len(made.rows("tests"))
    said = [
        f"{n * times} sessions, {n_tests} tests: publishing and pages {seconds:.0f} s, "
        f"{1000 * seconds / n_tests:.0f} ms a test, in one process.",
        *(
            f"{centre.name}: {len([*centre.rglob('*.html')])} pages, {folder_mb(centre):.1f} MB"
            for centre in sorted(pages.iterdir())
            if centre.is_dir()
        ),
    ]
    rows: list[Row] = []
    with open_browsers() as browsers:
        for name, path in pages_to_open(pages, CENTRE):
            bare, packed = weigh(path)
            wide, narrow = (look(browsers.chromium(), path, v) for v in (WIDE, NARROW))
            rows.append((name, path.name, bare, packed, wide[0], max(wide[1], narrow[1])))
    return rows, said


def origin_of(name: str) -> str:
    """Return the recording of the demo of which one is a copy: its session without its number."""
    session, _, rest = name.partition("/")
    stem = session.rsplit("-", 1)[0] if session.count("-") > 1 else session
    return f"{stem}/{rest}" if rest else stem


def told(rows: list[Row], said: list[str]) -> str:
    """Return the page as Markdown."""
    lines = ["# Pages", "", "Made by `python -m benchmarks.pages demo --write docs/pages.md`.", ""]
    lines += [f"- {line}" for line in said]
    lines += ["", "| page | kB | kB packed, with styles and scripts | first paint, s | shift |",
              "|---|---|---|---|---|"]  # fmt: skip
    lines += [
        f"| {name} | {bare:.0f} | {packed:.0f} | {paint:.2f} | {shift:.3f} |"
        for name, _, bare, packed, paint, shift in rows
    ]
    return "\n".join(lines) + "\n"


def main(study: Path, write: Annotated[Path | None, typer.Option()] = None) -> None:
    """Measure on a finished demo study."""
    with tempfile.TemporaryDirectory() as folder:
        text = told(*measure(study, Path(folder)))
    print(text)
    if write:
        write.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    typer.run(main)
