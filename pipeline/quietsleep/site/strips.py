"""The strips on which a value of a trial stands among all values of its centre.

One script for a quantity, shared by the pages of all tests: a page says only its own values. Other
centres stand behind as one density in few bins, where enough of them have values.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from quietsleep.site.folder import PageFolder, digest_of, for_script, slug, test_file
from quietsleep.site.read import CentreData

MOST_DOTS = 240
# A density of fewer other centres would say something of one of them.
LEAST_OTHERS = 3
BINS = 24


class Strip(NamedTuple):
    """One strip on the page of a test: its script, its own trials and values, and the limits."""

    key: str
    file: str
    name: str
    own: tuple[tuple[int, float], ...]
    limits: tuple[tuple[float, str], ...]


def strip_file(technique: str, quantity: str) -> str:
    """Return the name of the values of a quantity inside the folder of a centre."""
    return f"strips/{slug(technique, quantity)}.js"


def write_strips(folder: PageFolder, data: CentreData, wanted: Sequence[tuple[str, str]]) -> None:
    """Write the values of each (technique, quantity) that a page shows."""
    tests = {(t["session"], t["technique"]): t["test"] for t in data.tests}
    places = {
        trial["trial"]: (tests[key], number, trial["status"])
        for key, trials in data.trials.items()
        if key in tests
        for number, trial in enumerate(trials, start=1)
    }
    for technique, quantity in sorted(set(wanted)):
        said = _values(data, technique, quantity, places)
        key = for_script(f"{technique}/{quantity}")
        folder.put(
            strip_file(technique, quantity),
            digest_of(said),
            lambda key=key, said=said: f"quietsleep.strip({key},{for_script(said)});\n",  # type: ignore[misc]
        )


def _values(
    data: CentreData, technique: str, quantity: str, places: dict[str, tuple[str, int, str]]
) -> dict[str, Any]:
    """Return the values with the trials they belong to, thinned evenly where there are many."""
    known = [
        (value, *places[trial])
        for trial, value in data.values_of_quantity(technique, quantity)
        if trial in places
    ]
    n = len(known)
    if n > MOST_DOTS:
        known = [known[round(at * (n - 1) / (MOST_DOTS - 1))] for at in range(MOST_DOTS)]
    numbers: dict[str, int] = {}
    dots = [
        [_short(value), numbers.setdefault(test, len(numbers)), trial, int(status != "accepted")]
        for value, test, trial, status in known
    ]
    others = data.night.others_density(
        data.name, technique, quantity, bins=BINS, least_centres=LEAST_OTHERS
    )
    return {
        "dots": dots,
        "tests": [_stem(test) for test in numbers],
        "names": [test.rpartition("/")[0] for test in numbers],
        "others": [_short(others[0]), _short(others[1]), others[2]] if others else None,
    }


def _stem(test: str) -> str:
    return test_file(test).removeprefix("tests/").removesuffix(".html")


def _short(value: float) -> float:
    return float(f"{value:.4g}")
