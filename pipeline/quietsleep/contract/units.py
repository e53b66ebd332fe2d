"""Units by their UCUM codes, for the borders where numbers change units.

Reading the UCUM grammar costs about 0.7 s, so it is imported at the first conversion only.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from quietsleep.errors import ContractError

if TYPE_CHECKING:
    from pint import Unit


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
def factor(from_ucum: str, to_ucum: str) -> float:
    """Return the number by which a value in one unit is multiplied to be in the other.

    Raises ContractError for unknown units, for unlike dimensions and for scales with an offset
    (degrees), which no factor converts.
    """
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
