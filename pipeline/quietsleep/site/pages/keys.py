"""Every key of study.toml, of centre files and of delivery.json, written from the models.

`python -m quietsleep.site.pages.keys docs/keys.md` writes the page. What a key means stands in
contracts/keys.toml; its kind, bounds and default are those that the files are read by.
"""

from __future__ import annotations

import sys
import types
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, Field, fields
from datetime import date
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from quietsleep.contract import toml
from quietsleep.contract.toml import Between
from quietsleep.data import data_folder
from quietsleep.errors import ContractError
from quietsleep.records import RawSignal
from quietsleep.signals.channels import calibrate
from quietsleep.study.devices import FIRST_DAY, Centre, ChannelMap, Device
from quietsleep.study.dialect import TableDialect
from quietsleep.study.door_limits import DoorLimits
from quietsleep.study.schedule import PlannedVisit, Schedule
from quietsleep.study.storage import Cluster, Storage
from quietsleep.study.study import Privacy, RegisterTable, StudyFile
from quietsleep.study.telling import MailWay, Telling, Timetable, WebhookWay
from quietsleep.study.upload_limits import UploadLimits

MODELS: Mapping[str, type] = {
    "study": StudyFile,
    "study.storage": Storage,
    "study.cluster": Cluster,
    "study.register": RegisterTable,
    "study.privacy": Privacy,
    "study.desk": UploadLimits,
    "study.door": DoorLimits,
    "study.tell": Telling,
    "study.tell.mail": MailWay,
    "study.tell.webhook": WebhookWay,
    "study.nightly": Timetable,
    "study.schedule": Schedule,
    "study.schedule.visits": PlannedVisit,
    "tables": TableDialect,
    "centre": Centre,
    "centre.devices": Device,
    "centre.devices.channels": ChannelMap,
}
TITLES: Mapping[str, str] = {
    "study": "`study.toml`",
    "study.storage": "`study.toml`, `[storage]`",
    "study.cluster": "`study.toml`, `[cluster]`",
    "study.register": "`study.toml`, `[register]`",
    "study.privacy": "`study.toml`, `[privacy]`",
    "study.desk": "`study.toml`, `[desk]`",
    "study.door": "`study.toml`, `[door]`",
    "study.tell": "`study.toml`, `[tell]`",
    "study.tell.mail": "`study.toml`, `[tell.mail]`",
    "study.tell.webhook": "`study.toml`, `[tell.webhook]`",
    "study.nightly": "`study.toml`, `[nightly]`",
    "study.schedule": "`study.toml`, `[schedule]`",
    "study.schedule.visits": "`study.toml`, `[[schedule.visits]]`",
    "tables": "`study.toml` or a centre file, `[tables]`",
    "centre": "`centres/<code>.toml`",
    "centre.devices": "`centres/<code>.toml`, `[[devices]]`",
    "centre.devices.channels": "`centres/<code>.toml`, `[[devices.channels]]`",
    "delivery": "`delivery.json`",
    "delivery.files": "`delivery.json`, `files`",
}
# What the reader of a file adds: no key of it.
NO_KEYS: Mapping[str, tuple[str, ...]] = {
    "centre": ("earlier_devices",),
    "centre.devices": ("centre",),
    # Known only to be refused: secrets stand in the environment.
    "study.tell.mail": ("user", "password"),
    "study.tell.webhook": ("token",),
}
# What a reader fills in where the key is left out, and the model does not say so.
FILLED_IN: Mapping[tuple[str, str], str] = {
    ("centre", "altitude_m"): "none",
    ("centre.devices.channels", "gain"): "1",
    ("centre.devices.channels", "offset"): "0",
    ("centre.devices.channels", "positive"): '"above" of monitors; needed of others',
    ("centre.devices", "time_column"): "needed but in EDF",
}
# delivery.json is read by hand, for it comes from outside.
OF_DELIVERY: Mapping[str, Mapping[str, tuple[str, str]]] = {
    "delivery": {
        "contract": ("text", "needed"),
        "centre": ("code", "needed"),
        "delivery": ("code", "needed"),
        "created": ("time", "needed"),
        "files": ("list", "needed"),
        "note": ("text", "none"),
        "replaces": ("list of codes", "none"),
    },
    "delivery.files": {
        "path": ("text", "needed"),
        "bytes": ("whole number", "needed"),
        "sha256": ("text", "needed"),
    },
}
_EXAMPLE = ChannelMap("flow", "Flow_raw", "L/min", 1.02, 0.15, "expiration")
_RAW = 30.15
_FORMULA = """
## From a raw number to a channel

    value = (raw - offset) x gain        in `unit`, then the sign

then brought from `unit` to the pipeline's own. With inspiration (or above the pressure of the room)
as the positive direction the sign stays, with expiration (or below) it is turned. With

    channel = "flow", unit = "{unit}", gain = {gain:g}, offset = {offset:g}, positive = "{positive}"

a raw {raw:g} is ({raw:g} - {offset:g}) x {gain:g} = {value:.4g} {unit}, positive in {positive}; so
{signed:.4g} {unit} with inspiration positive, which is {ml_s:.4g} mL/s at the flow head.
"""


def keys_document() -> str:
    """Return the page of all keys, in Markdown."""
    meanings = _meanings()
    parts = [
        "# All keys of the files that people write\n\n"
        "Written from the models that read the files, by "
        "`python -m quietsleep.site.pages.keys docs/keys.md`. A key of study.toml "
        "or a centre file that is not here is refused, with the nearest one that is. How a device "
        "is registered from one of its exports: [Devices](devices.md).\n"
    ]
    for table, title in TITLES.items():
        parts.append(f"\n## {title}\n\n| key | what | left out | meaning |\n|---|---|---|---|\n")
        for key, (kind, default) in keys_of(table).items():
            parts.append(f"| `{key}` | {kind} | {default} | {meanings[table][key]} |\n")
        if table == "centre.devices.channels":
            parts.append(_formula())
    return "".join(parts)


def keys_of(table: str) -> dict[str, tuple[str, str]]:
    """Return the keys of a table: what each may hold, and what counts where it is left out."""
    if table in OF_DELIVERY:
        return dict(OF_DELIVERY[table])
    model = MODELS[table]
    hints = get_type_hints(model, include_extras=True)
    return {
        f.name: (" or ".join(dict.fromkeys(_kinds(hints[f.name]))), _default(table, f))
        for f in fields(model)
        if f.name not in NO_KEYS.get(table, ())
    }


def _meanings() -> Mapping[str, Mapping[str, str]]:
    meanings: Mapping[str, Mapping[str, str]] = toml.read(
        data_folder("contracts"), "keys.toml", ContractError
    ).table
    return meanings


def _default(table: str, field: Field[Any]) -> str:
    filled = FILLED_IN.get((table, field.name))
    if filled is not None:
        return filled
    if field.default is MISSING and field.default_factory is MISSING:
        return "needed"
    value = field.default
    if value in (None, "", ()) or value is MISSING:
        return "none"
    if value == FIRST_DAY:
        return "from the beginning"
    return _shown(value)


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        escaped = value.replace("|", "\\|").replace("\t", "\\t")
        return f'"{escaped}"'
    return f"{value:g}" if isinstance(value, float) else str(value)


def _kinds(hint: Any, note: str = "") -> Iterator[str]:
    """Say in words what a key may hold."""
    origin, args = get_origin(hint), get_args(hint)
    if hasattr(hint, "__metadata__"):
        bounds = [_bounds(each) for each in hint.__metadata__]
        yield from _kinds(args[0], next((b for b in bounds if b), note))
    elif origin is Literal:
        yield ", ".join(_shown(each) for each in args)
    elif origin in {Union, types.UnionType}:
        for each in args:
            if each is not type(None):
                yield from _kinds(each, note)
    elif origin is tuple:
        inner = " or ".join(dict.fromkeys(_kinds(args[0])))
        yield "tables" if inner == "table" else f"list of {inner}s"
    elif origin is not None or _is_model(hint):
        of_tables = len(args) == 2 and _is_model(args[1])
        yield "tables" if of_tables else "table"
    else:
        words = {str: "text", float: "number", int: "whole number", bool: "true or false",
                 date: "day", object: "anything"}  # fmt: skip
        yield f"{words[hint]}{note}"


def _bounds(each: object) -> str:
    func = getattr(each, "func", None)
    return f", {func.low:g} to {func.high:g}" if isinstance(func, Between) else ""


def _is_model(hint: Any) -> bool:
    return hasattr(hint, "__pydantic_fields__")


def _formula() -> str:
    """The formula with an example, computed as a night computes it."""
    import numpy as np

    device = Device(
        device="example",
        centre="example",
        equipment_class="example",
        file_format="csv",
        rate_hz=100.0,
        time_column="t",
        gas_state="measured",
        channels=(_EXAMPLE,),
    )
    raw = RawSignal(np.arange(4) / 100.0, {_EXAMPLE.column: np.full(4, _RAW)})
    ml_s = float(calibrate(raw, device, ("flow",)).values["flow_ml_s"][0])
    value = (_RAW - _EXAMPLE.offset) * _EXAMPLE.gain
    return _FORMULA.format(
        unit=_EXAMPLE.unit,
        gain=_EXAMPLE.gain,
        offset=_EXAMPLE.offset,
        positive=_EXAMPLE.positive,
        raw=_RAW,
        value=value,
        signed=-value,
        ml_s=ml_s,
    )


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(keys_document(), encoding="utf-8")
