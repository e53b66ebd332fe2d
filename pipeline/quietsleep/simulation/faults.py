"""Planted faults: what goes wrong, and which rule should say so (data: demo_centres/faults.toml).

A fault either changes how a recording is made (`recipe`), or how an equipment check is made
(`options` of the check), or cells of the session or recording table (`cells`), or what becomes of
a file (`file`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from quietsleep.data import data_folder
from quietsleep.simulation.breathing import Variation
from quietsleep.simulation.disturbances import Disturbance
from quietsleep.simulation.forced import SimulatedSqueeze
from quietsleep.simulation.occlusions import SimulatedOcclusion
from quietsleep.simulation.plethysmograph import Effort
from quietsleep.simulation.quiet import Quirks

Verdict = Literal["reject", "flag", "alert", "accepted", "quarantined", "crashed"]
MANOEUVRES: Mapping[str, type] = {
    "single_occlusion": SimulatedOcclusion,
    "double_occlusion": SimulatedOcclusion,
    "plethysmography": Effort,
    "tidal_forced_expiration": SimulatedSqueeze,
    "raised_volume": SimulatedSqueeze,
}


@dataclass(frozen=True, slots=True)
class Recipe:
    """How a recording is made: options of the technique, changed infant and setting, and more.

    `gap` is (from s, for s) of samples left out; `clip_share` the share of what flow reaches in one
    sample of a thousand that is the most the head shows, `clip_peak` by channel the share of its
    largest value; `slips` by channel what the registration has wrong: "unit" or "sign".
    """

    options: Mapping[str, Any] = field(default_factory=dict)
    infant: Mapping[str, Any] = field(default_factory=dict)
    setting: Mapping[str, Any] = field(default_factory=dict)
    disturbance: Mapping[str, Any] = field(default_factory=dict)
    gap: tuple[float, float] | None = None
    clip_share: float | None = None
    clip_peak: Mapping[str, float] = field(default_factory=dict)
    slips: Mapping[str, str] = field(default_factory=dict)

    def disturbed(self, usual: Disturbance) -> Disturbance:
        """The usual disturbance with this recipe's changes."""
        return replace(usual, **self.disturbance)


@dataclass(frozen=True, slots=True)
class PlantedFault:
    """One named fault. `owner` is a technique, a check, "session" or "delivery".

    `expected_rule` is the key of the rule that should fail, or for files the kind of trouble in
    words, and nothing where no rule should fail; `level` is what the verdict is on.
    """

    owner: str
    meaning: str
    expected_rule: str
    verdict: Verdict = "reject"
    level: Literal["trial", "test", "check", "session", "recording", "delivery"] = "trial"
    recipe: Recipe = Recipe()
    options: Mapping[str, Any] = field(default_factory=dict)
    cells: Mapping[str, str] = field(default_factory=dict)
    file: str = ""


def load_faults() -> dict[str, PlantedFault]:
    """All faults of the registry by name, in the order of the file."""
    text = (data_folder("demo_centres") / "faults.toml").read_text("utf-8")
    return {key: _fault(entry) for key, entry in tomllib.loads(text).items()}


def _fault(entry: dict[str, Any]) -> PlantedFault:
    recipe = _recipe(entry["owner"], entry.pop("recipe", {}))
    return PlantedFault(**entry, recipe=recipe)


def _recipe(technique: str, entry: dict[str, Any]) -> Recipe:
    """A recipe; manoeuvres, variation and quirks become options of the technique."""
    options = {name: _hashable(value) for name, value in entry.pop("options", {}).items()}
    match entry.pop("manoeuvres", None):
        case int(number):
            options["manoeuvres"] = number
        case list(given):
            kind = MANOEUVRES[technique]
            options["manoeuvres"] = tuple(
                kind(**one) for one in given for _ in range(one.pop("times", 1))
            )
    if "variation" in entry:
        options["variation"] = Variation(**entry.pop("variation"))
    if "quirks" in entry:
        quirks = entry.pop("quirks").items()
        options["quirks"] = Quirks(**{name: tuple(breaths) for name, breaths in quirks})
    return Recipe(options, **{name: _hashable(value) for name, value in entry.items()})


def _hashable(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


FAULTS: Mapping[str, PlantedFault] = load_faults()
