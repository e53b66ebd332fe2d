"""Units that stand in the header of a signal file, held against what is registered."""

from __future__ import annotations

from collections.abc import Mapping

from quietsleep.contract.unit_words import unit_of_word
from quietsleep.contract.units import factor
from quietsleep.errors import ContractError
from quietsleep.intake.files.request import SignalRequest, Unreadable
from quietsleep.study.devices import ChannelMap

# A gain that calibrates lies near 1; one that changes the unit does not.
_CALIBRATION = 2.0


def refuse_other_units(said: Mapping[str, str], request: SignalRequest, *, place: str) -> None:
    """Refuse a file whose header names another unit for a column than is registered for it.

    `said` maps columns to the words of the header, `place` says where they stand.
    """
    for channel, column in request.columns.items():
        mapped = request.device.channel(channel)
        word = said.get(column, "")
        unit = unit_of_word(word)
        if mapped is None or unit is None or unit_of_word(mapped.header_unit or "") == unit:
            continue
        if not agrees(unit, mapped):
            raise _contradiction(word, mapped, request, place)


def agrees(unit: str, mapped: ChannelMap) -> bool:
    """Say whether raw numbers in a unit come out right by what is registered of a channel.

    The registration multiplies them by its gain and takes them for its own unit. Another kind of
    number than the channel's (pressure for flow, behind a resistance) agrees with any gain but 1.
    """
    try:
        ratio = mapped.gain / factor(unit, mapped.unit)
    except ContractError:
        return mapped.gain != 1.0
    return 1.0 / _CALIBRATION < ratio < _CALIBRATION


def _contradiction(said: str, mapped: ChannelMap, request: SignalRequest, place: str) -> Unreadable:
    column, device = mapped.column, request.device.device
    registered = mapped.unit if mapped.gain == 1.0 else f"{mapped.unit} with gain {mapped.gain:g}"
    return request.refuse(
        "unit_contradicts",
        f"says in its {place} that {column} is in {said}; for device {device} it is registered in "
        f"{registered}",
        f"{column} in {registered}",
        remedy=f"Find out in which unit the device writes {column}. Export in the registered unit, "
        "or have the coordinating centre register the unit of the export; where the header alone "
        f'is wrong, header_unit = "{said}" in the registration says so.',
        column=column,
        value=said,
    )
