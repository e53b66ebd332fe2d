"""Write all pages of a night: every centre's folder, the overview and the dictionary."""

from __future__ import annotations

import shutil
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from quietsleep.site.folder import PageFolder
from quietsleep.site.pages.centre import write_centre
from quietsleep.site.pages.dictionary import write_dictionary
from quietsleep.site.pages.overview import Seen, seen_of, write_overview
from quietsleep.site.read import PublishedNight, read_centre
from quietsleep.site.traces import Draw
from quietsleep.study.study import Study


@dataclass(frozen=True, slots=True)
class PagesReport:
    """What was written: files rewritten, kept and removed, and bytes of the largest page."""

    n_written: int
    n_kept: int
    n_removed: int
    n_traces: int
    largest_page_bytes: int


def write_site(study: Study, night_dir: Path, draw: Draw | None = None) -> PagesReport:
    """Write every page of the night in `night_dir`; without `draw` no traces."""
    for old in study.renamed:
        # Its pages are written under the code that the centre has now.
        shutil.rmtree(study.path / "pages" / old, ignore_errors=True)
    folders: list[PageFolder] = []
    seen: list[Seen] = []
    with closing(PublishedNight(night_dir)) as night:
        for row in night.centres():
            # The whole of a centre is read and let go again.
            data = read_centre(night, row["centre"])
            folders.append(write_centre(study, data, draw))
            seen.append(seen_of(data))
        folders += [write_overview(study, night, seen), write_dictionary(study, night)]
    return PagesReport(
        n_written=sum(len(f.written) for f in folders),
        n_kept=sum(f.n_kept for f in folders),
        n_removed=sum(f.n_removed for f in folders),
        n_traces=sum(name.startswith("traces/") for f in folders for name in f.written),
        largest_page_bytes=max(f.largest_bytes for f in folders),
    )
