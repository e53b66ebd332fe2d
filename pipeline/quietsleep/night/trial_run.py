"""A delivery judged by itself before it is sent: a whole night aside, of which nothing is kept."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

from quietsleep.measure.pool import Pool
from quietsleep.night.stages import publish_aside
from quietsleep.study.register_witness import forget
from quietsleep.study.storage import StorageSettings
from quietsleep.study.study import Study
from quietsleep.warehouse.database import open_night

STUDY_FILES = ("*.toml", "centres/*.toml", "references/*.toml")


@dataclass(frozen=True, slots=True)
class TrialTest:
    """What became of one test."""

    session: str
    technique: str
    status: str
    n_accepted: int
    n_trials: int
    why: str | None

    @property
    def sentence(self) -> str:
        """The same in words."""
        technique, status = (word.replace("_", " ") for word in (self.technique, self.status))
        counts = f"{self.n_accepted} of {self.n_trials} trials accepted"
        said = f"{self.session}, {technique}: {status}, {counts}."
        return f"{said} {self.why}" if self.why and self.status != "accepted" else said


@contextmanager
def trial_night(
    study: Study, pool: Pool, *, centre: str, deliveries: Sequence[Path]
) -> Iterator[Path]:
    """Run a night aside on these deliveries of a centre alone; yields the published night.

    The rules, waivers and devices are those of the study; its register, state and warehouse are
    not touched, and nothing of the night is left afterwards.
    """
    with TemporaryDirectory(prefix="quietsleep-trial-") as name:
        aside = Path(name) / "study"
        for pattern in STUDY_FILES:
            for file in study.path.glob(pattern):
                target = aside / file.relative_to(study.path)
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(file, target)
        for delivery in deliveries:
            _lend(delivery, aside / "deliveries" / centre / delivery.name)
        alone = replace(
            study,
            path=aside,
            storage=StorageSettings(),
            schedule=None,
            register_key=str(Path(name) / "register.key"),
        )
        try:
            yield publish_aside(pool, aside, study=alone)
        finally:
            forget(aside)


def tests_of(night: Path) -> list[TrialTest]:
    """Return what became of each test of a published night, those that are not accepted first."""
    sql = (
        "SELECT session, technique, status, n_accepted, n_trials, why FROM tests "
        "ORDER BY status = 'accepted', session, technique"
    )
    with open_night(night) as warehouse:
        return [TrialTest(*row) for row in warehouse.execute(sql).fetchall()]


def _lend(source: Path, target: Path) -> None:
    """Link a delivery to another place; copied where it lies on another disk."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if source.is_dir():
        shutil.copytree(source, target, copy_function=_link)
    else:
        _link(str(source), str(target))


def _link(source: str, target: str) -> None:
    try:
        os.link(source, target)
    except OSError:
        shutil.copy2(source, target)
