"""Find the deliveries that lie in a store: one listing of the root and one of each centre.

A store knows no folders, links or half-written files: an object is there when it is whole. Names
are judged as those of local files are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from quietsleep.intake.find import (
    LEFT_BEHIND,
    MANIFEST,
    MOST_FILES,
    MOST_LEVELS,
    Found,
    Survey,
    bad_name,
    closed,
    loose_entries,
    stray_folder,
    twice,
    usable_name,
)
from quietsleep.intake.reference import Place
from quietsleep.intake.store import Address
from quietsleep.records import Problem
from quietsleep.study.study import Study

Stats = dict[str, tuple[int, int]]


def survey_store(study: Study) -> Survey:
    """Look at everything delivered; an address that cannot be listed becomes a problem."""
    root = Address(study.places.deliveries)
    nothing: dict[str, list[Found]] = {centre: [] for centre in study.centres}
    try:
        children = root.children()
    except OSError as error:
        return Survey(nothing, [closed(Place("", ""), error)])
    folders = sorted(n for n, is_folder in children.items() if is_folder and not _is_hidden(n))
    survey = Survey(nothing, [stray_folder() for n in folders if n not in study.centres])
    for centre in study.centres:
        if centre not in folders:
            continue
        try:
            listed = (root / centre).listed()
        except FileNotFoundError:
            continue
        except OSError as error:
            survey.strays.append(closed(Place(centre, ""), error))
            continue
        found, strays = _of_centre(study, centre, listed)
        survey.found[centre] = found
        survey.strays.extend(strays)
    return survey


@dataclass(slots=True)
class _Lying:
    """What lies in the folder of a centre, by the first part of each name."""

    folders: dict[str, Stats] = field(default_factory=dict)
    strange: dict[str, set[str]] = field(default_factory=dict)
    archives: Stats = field(default_factory=dict)
    loose: int = 0


def _of_centre(
    study: Study, centre: str, listed: Mapping[str, tuple[int, int]]
) -> tuple[list[Found], list[Problem]]:
    lying = _sorted_out(listed)
    root = Address(study.places.deliveries) / centre
    found: list[Found] = []
    for name in sorted({*lying.folders, *lying.archives}):
        is_archive = name not in lying.folders
        delivery = name[:-4] if is_archive else name
        if not usable_name(delivery, study):
            number = 1 + sum(f.delivery.startswith("badly-named-") for f in found)
            hidden = f"badly-named-{number}"
            said = (bad_name(Place(centre, hidden)),)
            found.append(Found(centre, hidden, root / "-", is_archive, "arrived", {}, (), said))
        elif is_archive and delivery in lying.folders:
            found.append(twice(centre, f"{delivery}.zip", root / name))
        elif is_archive:
            stats = {"": lying.archives[name]}
            found.append(Found(centre, delivery, root / name, True, "arrived", stats))
        else:
            found.append(_folder(centre, root / name, lying))
    return found, [loose_entries(centre, lying.loose)] if lying.loose else []


def _folder(centre: str, address: Address, lying: _Lying) -> Found:
    stats = lying.folders[address.name]
    strange = tuple(sorted(lying.strange.get(address.name, ())))
    state = "arrived" if MANIFEST in stats else "arriving"
    return Found(centre, address.name, address, False, state, stats, strange)  # type: ignore[arg-type]


def _sorted_out(listed: Mapping[str, tuple[int, int]]) -> _Lying:
    lying = _Lying()
    for path in sorted(listed):
        name, _, inside = path.partition("/")
        if _is_hidden(name):
            continue
        if not inside or not name:
            if name.lower().endswith(".zip"):
                lying.archives[name] = listed[path]
            else:
                lying.loose += 1
            continue
        stats = lying.folders.setdefault(name, {})
        parts = inside.split("/")
        strange = lying.strange.setdefault(name, set())
        if LEFT_BEHIND & {*parts} or len(stats) + len(strange) > MOST_FILES:
            continue
        if len(parts) > MOST_LEVELS or {"", ".", ".."} & {*parts}:
            strange.add("/".join(parts[:MOST_LEVELS]))
        else:
            stats[inside] = listed[path]
    return lying


def _is_hidden(name: str) -> bool:
    return name in LEFT_BEHIND or name.startswith(".")
