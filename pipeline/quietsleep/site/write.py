"""Write all pages of a night: every centre's folder, the overview and the dictionary."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

from quietsleep.site.folder import PageFolder
from quietsleep.site.pages.centre import write_centre
from quietsleep.site.pages.dictionary import write_dictionary
from quietsleep.site.pages.overview import write_overview
from quietsleep.site.read import PublishedNight
from quietsleep.site.traces import Draw
from quietsleep.study.study import Study


@dataclass(frozen=True, slots=True)
class PagesReport:
    """What was written: files rewritten and kept, the largest page, seconds by folder."""

    n_written: int
    n_kept: int
    n_removed: int
    n_traces: int
    largest_page_bytes: int
    seconds: dict[str, float]


def write_pages(study: Study, night_dir: Path, draw: Draw | None = None) -> PagesReport:
    """Write every page of the night in `night_dir`; without `draw` no traces."""
    folders: list[PageFolder] = []
    seconds: dict[str, float] = {}
    night = PublishedNight(night_dir)
    try:
        for row in night.centres():
            began = time.perf_counter()
            folders.append(write_centre(study, night, row["centre"], None, draw))
            seconds[row["centre"]] = time.perf_counter() - began
    finally:
        night.close()
    for name, write in (("overview", write_overview), ("dictionary", write_dictionary)):
        began = time.perf_counter()
        folders.append(write(study, night_dir))
        seconds[name] = time.perf_counter() - began
    return PagesReport(
        n_written=sum(len(f.written) for f in folders),
        n_kept=sum(f.n_kept for f in folders),
        n_removed=sum(f.n_removed for f in folders),
        n_traces=sum(name.startswith("traces/") for f in folders for name in f.written),
        largest_page_bytes=max(f.largest_bytes for f in folders),
        seconds=seconds,
    )
