"""Invented nights written once for all tests of the pages."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import pytest

from quietsleep.site.traces import draw_with
from quietsleep.site.write import PagesReport, write_pages
from quietsleep.study.study import Study


def _neighbour(name: str) -> ModuleType:
    """Load a module of this folder under a name of its own (tests are not a package)."""
    full = f"invented_{name}"
    if full not in sys.modules:
        spec = importlib.util.spec_from_file_location(full, Path(__file__).with_name(f"{name}.py"))
        assert spec and spec.loader
        module = importlib.util.module_from_spec(spec)
        sys.modules[full] = module
        spec.loader.exec_module(module)
    return sys.modules[full]


frames = _neighbour("frames")
signals = _neighbour("signals")
Plan = frames.Plan

EVERY_TECHNIQUE = (
    "tidal", "single_occlusion", "double_occlusion",
    "plethysmography", "tidal_forced_expiration", "raised_volume",
)  # fmt: skip


@dataclass
class Written:
    """One invented night with its pages."""

    study: Study
    night: Path
    made: frames.Invention  # type: ignore[name-defined]
    report: PagesReport
    loader: signals.Loader  # type: ignore[name-defined]

    @property
    def pages(self) -> Path:
        return self.study.path / "pages"

    def rows(self, table: str, **wanted: object) -> list[dict[str, object]]:
        return [r for r in self.made.tables[table] if all(r[k] == v for k, v in wanted.items())]


def write(path: Path, plans: Sequence[Plan], *, seed: int = 1) -> Written:  # type: ignore[valid-type]
    """Invent, publish and write one night."""
    made = frames.invent(plans, seed=seed)
    night = frames.publish_invented(path, made)
    study = frames.study_at(path, plans)
    loader = signals.loader_of(made.tables["recordings"])
    report = write_pages(study, night, draw_with(loader))
    return Written(study, night, made, report, loader)


@pytest.fixture(scope="session")
def writer() -> Callable[..., Written]:
    return write


@pytest.fixture(scope="session")
def plan_of() -> Callable[..., Plan]:  # type: ignore[valid-type]
    return Plan


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Written:
    """Three centres: one with every technique, one late, one that delivered nothing."""
    plans = [
        Plan("larch", 14, techniques=EVERY_TECHNIQUE),
        Plan("rowan", 9, late=True),
        Plan("hazel", 0),
    ]
    return write(tmp_path_factory.mktemp("small"), plans)


@pytest.fixture(scope="session")
def hostile_text() -> str:
    return "<script>window.hacked=1</script>\"'=1+1|\u202egnp.exe\u2066\u200b&lt;"


@pytest.fixture(scope="session")
def hostile(tmp_path_factory: pytest.TempPathFactory, hostile_text: str) -> Written:
    """A centre that delivers tags, formulas and right-to-left marks in every text field."""
    plans = [
        Plan("larch", 5, text=lambda s: s + hostile_text, techniques=("tidal", "raised_volume"))
    ]
    return write(tmp_path_factory.mktemp("hostile"), plans)


@pytest.fixture(scope="session", name="frames")
def _frames() -> ModuleType:
    return frames


@pytest.fixture(scope="session", name="signals")
def _signals() -> ModuleType:
    return signals
