"""Units by their UCUM codes, for the borders where numbers change units.

Reading the UCUM grammar costs about 0.7 s, so it is imported at the first conversion that is none
of the usual ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from math import isclose
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from quietsleep.contract import toml
from quietsleep.data import data_folder
from quietsleep.errors import ContractError

if TYPE_CHECKING:
    from pint import Unit

FOLDER = data_folder("contracts")


@cache
def _registry() -> Any:
    from ucumvert import PintUcumRegistry

    return PintUcumRegistry()


@cache
def parse_unit(ucum: str) -> Unit:
    """Parse a UCUM code; a code that UCUM does not know raises ContractError."""
    from ucumvert import InvalidUcumError

    if not ucum.strip():
        raise ContractError("an empty text is no UCUM unit; write 1 for no dimension")
    try:
        quantity = _registry().from_ucum(ucum)
    except (InvalidUcumError, ValueError, KeyError) as error:
        first_line = str(error).splitlines()[0]
        raise ContractError(f"{ucum!r} is no UCUM unit: {first_line}") from None
    if not hasattr(quantity, "magnitude"):
        raise ContractError(f"{ucum!r} is no UCUM unit")
    if quantity.magnitude != 1:
        # 10.mL and the like: a number inside the code would be lost in the unit.
        raise ContractError(f"{ucum!r} carries a number; write the unit alone")
    unit: Unit = quantity.units
    return unit


@cache
def usual_factors(folder: Path = FOLDER) -> Mapping[tuple[str, str], float]:
    """Read the usual factors between units; each unit of the contracts is 1 of itself."""
    units = toml.read(folder, "units.toml", ContractError)
    found = {(code, code): 1.0 for code in units.table["codes"]}
    for code, row in units.table.get("factors", {}).items():
        for other, number in row.items() if isinstance(row, dict) else ((row, None),):
            if not isinstance(number, float):
                units.refuse(f"factors, {code}: write each as a unit and a number with a point.")
            found[code, other] = number
    return MappingProxyType(found)


def check_factors(folder: Path = FOLDER) -> None:
    """Hold the usual factors against the grammar of UCUM; ContractError for one that is not so."""
    for (code, other), number in usual_factors(folder).items():
        parsed = factor_by_grammar(code, other)
        if not isclose(number, parsed, rel_tol=1e-12):
            raise ContractError(
                f"units.toml, factors: {code} to {other} is {number!r}; by the grammar of UCUM it "
                f"is {parsed!r}."
            )


def factor(from_ucum: str, to_ucum: str) -> float:
    """Return the number by which a value in one unit is multiplied to be in the other.

    Usual ones stand in contracts/units.toml. Raises ContractError for unknown units, for unlike
    dimensions and for scales with an offset (degrees), which no factor converts.
    """
    usual = usual_factors().get((from_ucum, to_ucum))
    return factor_by_grammar(from_ucum, to_ucum) if usual is None else usual


@cache
def factor_by_grammar(from_ucum: str, to_ucum: str) -> float:
    """Return the same by the grammar of UCUM, which alone knows every unit."""
    from pint import DimensionalityError, OffsetUnitCalculusError

    if from_ucum == to_ucum:
        parse_unit(from_ucum)
        return 1.0
    source, target = parse_unit(from_ucum), parse_unit(to_ucum)
    try:
        zero = _registry().Quantity(0.0, source).to(target).magnitude
        one = _registry().Quantity(1.0, source).to(target).magnitude
    except (DimensionalityError, OffsetUnitCalculusError):
        raise ContractError(f"{from_ucum!r} cannot be brought to {to_ucum!r}") from None
    if zero != 0:
        raise ContractError(f"{from_ucum!r} to {to_ucum!r} needs an offset, not only a factor")
    return float(one)


def show_unit(ucum: str) -> str:
    """Return a unit as people write it: no sign for plain numbers, kPa·s/L, cmH2O."""
    words = {"1": "", "Cel": "°C", "d": "days", "wk": "weeks"}
    return words.get(ucum, ucum.replace(".", "·").replace("[", "").replace("]", ""))
