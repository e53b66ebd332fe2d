"""Equipment: control charts of every check of every device, with limits and hanging sessions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from markupsafe import Markup

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.charts import CheckPoint, control_chart
from quietsleep.site.folder import session_file, slug
from quietsleep.site.read import CentreData, Row, grouped
from quietsleep.site.words import Sign, faults_of, limit_of, technique_title

NEWEST_ON_CHART = 250
NEWEST_IN_TABLE = 60
MOST_FAILED = 10


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
    todo: tuple[str, ...]
    sessions: tuple[tuple[str, str], ...]


class CheckBehind(NamedTuple):
    """One equipment check that a session rests on, or that it lacks."""

    title: str
    sign: Sign
    said: str
    href: str
    faults: tuple[str, ...]


class KindView(NamedTuple):
    """All checks of one kind on one device."""

    anchor: str
    title: str
    summary: str
    drifts: tuple[str, ...]
    charts: tuple[QuantityChart, ...]
    heads: tuple[str, ...]
    failed: tuple[CheckRow, ...]
    more_failed: int
    rows: tuple[CheckRow, ...]
    left_out: int


class DeviceView(NamedTuple):
    """One device with its checks."""

    device: str
    facts: str
    kinds: tuple[KindView, ...]


def checks_behind(data: CentreData, session: Row, kinds: Iterable[str]) -> Iterator[CheckBehind]:
    """Yield the checks of these kinds that a session rests on; one that is missing is said so."""
    for kind in kinds:
        title = technique_title(kind)
        check = data.checks_behind.get((session["session"], kind))
        if check is None:
            yield CheckBehind(title, words.VERDICT["fail"], why_none(data, session, kind), "", ())
            continue
        yield CheckBehind(
            title,
            words.sign(check["status"]),
            f"{check['check_code']}, {words.moment(check['done_at'])}",
            f"equipment.html#{slug(check['device'], kind)}",
            reasons_of_check(data, check),
        )


def why_none(data: CentreData, tested: Row, kind: str) -> str:
    """Say why a session, or a test of it, rests on no check of a kind: none came, held, or done
    afterwards."""
    own = data.checks_of.get((kind, tested["device"]), [])
    same_day = [c for c in own if c["done_on"] == tested["tested_on"]]
    held = [c for c in same_day if c["state"] == "quarantined"]
    if held:
        return f"delivered as {held[0]['check_code']}, not read: {held[0]['why'] or 'held'}"
    if same_day:
        return f"none before the test; {same_day[0]['check_code']} was done after it"
    return "none was delivered for that day"


def reasons_of_check(data: CentreData, check: Row) -> tuple[str, ...]:
    """Name what a check did not meet, each fault with its number and limit."""
    rows = data.faults.get(("check", check["check_id"]), [])
    failed = [r for r in rows if r["state"] in ("fail", "not_judged")]
    return tuple(words.reason_of(data.rule_behind(row), [row]) for row in failed)


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
    bad = [c for c in newest if c["status"] != "accepted"]
    return KindView(
        anchor=slug(device, kind),
        title=technique_title(kind),
        summary=f"{accepted} of {words.count(len(checks), 'check')} accepted",
        drifts=tuple(
            drift_said(row)
            for row in data.drifts
            if (row["kind"], row["device"]) == (kind, device) and row["drifting"]
        ),
        charts=tuple(_chart(data, kind, device, checks, name) for name in quantities),
        heads=tuple(_title(kind, name) for name in quantities),
        failed=tuple(_row(data, c, quantities) for c in bad[:MOST_FAILED]),
        more_failed=max(0, len(bad) - MOST_FAILED),
        rows=tuple(_row(data, c, quantities) for c in newest[:NEWEST_IN_TABLE]),
        left_out=max(0, len(checks) - NEWEST_IN_TABLE),
    )


def drift_said(row: Row) -> str:
    """Say how a quantity of a device drifts, since when, and when it will have left its limit."""

    def shown(value: float) -> str:
        return words.with_unit(words.number(value, 2), row["unit"])

    name = words.quantity_name(row["quantity"], row["unit"])
    by = shown(abs(row["slope_per_week"]))
    said = f"{name[:1].upper()}{name[1:]} goes {row['direction']} by {by} a week"
    if row["since"]:
        said += f" since {words.day(row['since'])}"
    ends = sorted(abs(row[n]) for n in ("slope_low", "slope_high") if not words.missing(row[n]))
    if len(ends) == 2:
        said += f" (95 % interval {words.number(ends[0], 2)} to {shown(ends[1])})"
    if row["leaves_on"]:
        limit = row["limit_high"] if row["direction"] == "up" else row["limit_low"]
        said += f"; it would leave its limit of {shown(limit)} on {words.day(row['leaves_on'])}"
    return f"{said}."


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
    points: list[CheckPoint] = []
    limit, unit, waived = "", "", 0
    for check in checks:
        row = _verdict(data, check, quantity)
        if row is None or words.missing(row["observed"]):
            continue
        low, high = (None if words.missing(v) else v for v in (row["limit_low"], row["limit_high"]))
        met = row["state"] == "pass"
        waived += row["state"] == "waived"
        name, at = check["check_code"], check["done_at"]
        points.append(CheckPoint(name, at, row["observed"], low, high, met))
        limit, unit = limit_of(row), row["unit"]
    shown = points[-NEWEST_ON_CHART:]
    out = sum(not p.met for p in points)
    said = f"{out} of {words.count(len(points), 'check')} outside the limit"
    if waived:
        said += f", {waived} of them waived"
    if not out and len({p.value for p in points}) == 1:
        # A line without a change tells nothing that a number does not.
        said = f"{words.quantity(points[0].value, unit)} in {words.count(len(points), 'check')}"
        return QuantityChart(_title(kind, quantity), limit, said, Markup(""))
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
    remedies = dict.fromkeys(f.remedy for f in faults if f.remedy)
    sessions = data.hanging.get(check["check_id"], [])
    return CheckRow(
        check=check["check_code"],
        when=words.moment(check["done_at"]),
        sign=words.sign(check["status"]),
        flagged=bool(check["flagged"]),
        values=tuple(values),
        why="; ".join(reasons_of_check(data, check)) or check["why"] or "",
        todo=tuple(remedies),
        sessions=tuple((name, session_file(name)) for name in sessions),
    )
