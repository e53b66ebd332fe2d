"""Equipment: control charts of every check of every device, with limits and hanging sessions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from markupsafe import Markup

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.charts import CheckPoint, control_chart
from quietsleep.site.folder import slug
from quietsleep.site.read import CentreData, Row, grouped
from quietsleep.site.words import Sign, faults_of, limit_of, technique_title

NEWEST_ON_CHART = 250
NEWEST_IN_TABLE = 60


class QuantityChart(NamedTuple):
    """One judged quantity of a check over time."""

    title: str
    limit: str
    said: str
    chart: Markup


class CheckRow(NamedTuple):
    """One check in the table below its charts."""

    check: str
    when: str
    sign: Sign
    flagged: bool
    values: tuple[str, ...]
    why: str
    sessions: tuple[str, ...]


class KindView(NamedTuple):
    """All checks of one kind on one device."""

    anchor: str
    title: str
    summary: str
    charts: tuple[QuantityChart, ...]
    heads: tuple[str, ...]
    rows: tuple[CheckRow, ...]
    left_out: int


class DeviceView(NamedTuple):
    """One device with its checks."""

    device: str
    facts: str
    kinds: tuple[KindView, ...]


def devices_of(data: CentreData) -> list[DeviceView]:
    """Gather every device of a centre; one without any check is shown as such."""
    found = []
    known = grouped(data.devices, "device")
    names = [*known, *sorted({device for _, device in data.checks_of} - set(known))]
    for name in names:
        kinds = [
            _kind(data, kind, device, rows)
            for (kind, device), rows in sorted(data.checks_of.items())
            if device == name
        ]
        found.append(DeviceView(name, _facts(known.get(name, [])), tuple(kinds)))
    return found


def _facts(entries: Sequence[Row]) -> str:
    """Say what the newest entry of a device registers, and how many there are."""
    if not entries:
        return "not registered"
    device = entries[-1]
    parts = [device["equipment_class"] or "", f"{words.number(device['rate_hz'])} Hz"]
    if not words.missing(device["box_volume_l"]):
        parts.append(f"box {words.number(device['box_volume_l'])} L")
    if len(entries) > 1:
        parts.append(
            f"registered {len(entries)} times, last from {words.day(device['valid_from'])}"
        )
    return ", ".join(p for p in parts if p)


def _kind(data: CentreData, kind: str, device: str, checks: Sequence[Row]) -> KindView:
    quantities = _judged(data, kind)
    accepted = sum(c["status"] == "accepted" for c in checks)
    newest = list(reversed(checks))
    return KindView(
        anchor=slug(device, kind),
        title=technique_title(kind),
        summary=f"{accepted} of {words.count(len(checks), 'check')} accepted",
        charts=tuple(_chart(data, kind, device, checks, name) for name in quantities),
        heads=tuple(_title(kind, name) for name in quantities),
        rows=tuple(_row(data, c, quantities) for c in newest[:NEWEST_IN_TABLE]),
        left_out=max(0, len(checks) - NEWEST_IN_TABLE),
    )


def _judged(data: CentreData, kind: str) -> list[str]:
    """Return the quantities of a check that rules judge, in the order of the contract."""
    spec = contract.CHECKS.get(kind)
    names = [q.name for q in spec.quantities if q.level == "check"] if spec else []
    judged = {r["quantity"] for rules in data.night.rules.values() for r in rules
              if r["owner"] == kind and r["level"] == "check"}  # fmt: skip
    return [name for name in names if name in judged]


def _title(kind: str, quantity: str) -> str:
    found = contract.QUANTITIES.get((kind, "check", quantity))
    unit = found.unit if found else None
    name = words.quantity_name(quantity, unit)
    name = name[:1].upper() + name[1:]
    shown = words.with_unit("", unit).strip()
    return f"{name}, {shown}" if shown else name


def _chart(
    data: CentreData, kind: str, device: str, checks: Sequence[Row], quantity: str
) -> QuantityChart:
    points = []
    limit = ""
    unit = ""
    for check in checks:
        row = _verdict(data, check, quantity)
        if row is None or words.missing(row["observed"]):
            continue
        low, high = (None if words.missing(v) else v for v in (row["limit_low"], row["limit_high"]))
        met = row["state"] in ("pass", "waived")
        name, at = check["check_code"], check["done_at"]
        points.append(CheckPoint(name, at, row["observed"], low, high, met))
        limit, unit = limit_of(row), row["unit"]
    shown = points[-NEWEST_ON_CHART:]
    out = sum(not p.met for p in points)
    said = f"{out} of {words.count(len(points), 'check')} outside the limit"
    if len(shown) < len(points):
        said += f"; the newest {len(shown)} are drawn"
    title = f"{_title(kind, quantity)} on {device}: {said}"
    return QuantityChart(
        _title(kind, quantity),
        limit,
        said,
        control_chart(shown, title=title, unit=unit, band=_band(data, device, kind, quantity)),
    )


def _band(
    data: CentreData, device: str, kind: str, quantity: str
) -> tuple[float, float, float] | None:
    """Return mean and natural limits of the checks in tolerance, as the warehouse has them."""
    for row in data.drifts:
        if (row["device"], row["kind"], row["quantity"]) == (device, kind, quantity):
            band = (row["usual_mean"], row["usual_low"], row["usual_high"])
            return None if any(words.missing(n) for n in band) else band
    return None


def _verdict(data: CentreData, check: Row, quantity: str) -> Row | None:
    for row in data.check_verdicts.get(check["check_id"], []):
        if row["quantity"] == quantity:
            return row
    return None


def _row(data: CentreData, check: Row, quantities: list[str]) -> CheckRow:
    values = []
    for name in quantities:
        row = _verdict(data, check, name)
        values.append("–" if row is None else words.number(row["observed"], 3))
    faults = [f for f in faults_of(data, "check", check["check_id"]) if f.state != "waived"]
    return CheckRow(
        check=check["check_code"],
        when=words.moment(check["done_at"]),
        sign=words.sign(check["status"]),
        flagged=bool(check["flagged"]),
        values=tuple(values),
        why=" ".join(f.sentence for f in faults) or check["why"] or "",
        sessions=tuple(data.hanging.get(check["check_id"], [])),
    )
