"""Judge quantities by rules. This module holds no limit of its own: every number comes from a rule.

`judge` answers, for every item and every rule in force on the day of the item, one verdict:
pass, fail, not_applicable, not_judged or waived. All rules are evaluated, not only the first that
fails.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.contract.model import NAMED, named_in
from quietsleep.judge.limits import say, within
from quietsleep.judge.slips import POLARITY, Registered, likely_slips, say_slips, say_turned
from quietsleep.records import FloatArray, IntArray
from quietsleep.study.study import LimitChange, Waiver

VALUE_COLUMNS = ("centre", "session", "technique", "item", "on", "quantity", "value")
# Codes of items are a centre's own, so an item is known by its centre and its code.
ITEM = ["centre", "item"]
UNKNOWN = Registered()
NOTHING: Mapping[tuple[str, str], Registered] = {}
VERDICT_COLUMNS = (
    "item_kind", "item", "centre", "session", "technique", "rule", "quantity", "observed",
    "limit_low", "limit_high", "unit", "operator", "severity", "state", "sentence", "waiver",
)  # fmt: skip


def rules_in_study(rules: Iterable[Rule], changes: Sequence[LimitChange]) -> tuple[Rule, ...]:
    """Return the rules of the contract with the study's dated changes of limits put in.

    A change ends the rule it changes on the day before and starts a rule of the same key with
    the new limit, so that each test is judged by the limit in force on its own day.
    """
    changed: list[Rule] = []
    for rule in rules:
        versions = [rule]
        for change in sorted(changes, key=lambda c: c.valid_from):
            if change.rule != rule.key:
                continue
            last = versions[-1]
            versions[-1] = replace(last, valid_until=change.valid_from - timedelta(days=1))
            versions.append(
                replace(
                    last,
                    limit=change.limit,
                    valid_from=change.valid_from,
                    valid_until=None,
                    obtained="study proposal",
                )
            )
        changed.extend(
            v for v in versions if v.valid_until is None or v.valid_from <= v.valid_until
        )
    return tuple(changed)


def rules_version(rules: Iterable[Rule]) -> str:
    """Return a short digest that changes whenever any rule changes."""
    text = "\n".join(repr(rule) for rule in sorted(rules, key=lambda r: (r.key, r.valid_from)))
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def breaks(
    rules: Iterable[Rule], key: str, values: pd.Series[float], on: Iterable[date]
) -> NDArray[np.bool_]:
    """Say which values (n,) break one rule on their days (n,); NaN breaks none."""
    days, observed = list(on), np.asarray(values, dtype=np.float64)
    broken = np.zeros(len(days), bool)
    for rule in rules:
        if rule.key == key:
            in_force = np.fromiter((_in_force(rule, day) for day in days), bool, len(days))
            broken |= in_force & ~np.isnan(observed) & ~within(observed, rule.low, rule.high)
    return broken


def judge(
    values: pd.DataFrame,
    rules: Iterable[Rule],
    waivers: Sequence[Waiver],
    *,
    level: str,
    registered: Mapping[tuple[str, str], Registered] = NOTHING,
) -> pd.DataFrame:
    """Judge every item of one level by every rule in force on its day.

    `values` has one row per item and quantity (VALUE_COLUMNS; `technique` is the owner of the
    rules, `on` the day of the test). Quantities that are absent count as missing. `registered`
    holds what is registered of the device of each (centre, session). Returns one row per item and
    rule with VERDICT_COLUMNS, ordered by technique, rule and item.
    """
    items, numbers = _laid_out(values)
    technique, on = items["technique"].to_numpy(), items["on"].to_numpy()
    sessions = zip(items["centre"].tolist(), items["session"].tolist(), strict=True)
    devices = [registered.get(session, UNKNOWN) for session in sessions]
    judged: list[_Judged] = []
    for owner in dict.fromkeys(technique.tolist()):
        place = np.flatnonzero(technique == owner)
        judged += [
            _judge_rule(rule, numbers, on[place], place, devices)
            for rule in rules
            if rule.owner == owner and rule.level == level
        ]
    judged = [each for each in judged if each.place.size]
    if not judged:
        return pd.DataFrame(columns=list(VERDICT_COLUMNS))
    return _apply_waivers(_verdicts(judged, items[["centre", "item", "session"]]), waivers)


def _laid_out(values: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, FloatArray]]:
    """Return one row per item, ordered by technique and item, and its numbers by quantity.

    The numbers of a quantity are (n_items,), NaN where it is absent. ValueError where an item has a
    quantity twice.
    """
    known = values[values["technique"].notna()]
    item = known.groupby(["technique", *ITEM], sort=True, observed=True).ngroup().to_numpy()
    _, first = np.unique(item, return_index=True)
    quantity, names = pd.factorize(known["quantity"])
    if np.unique(quantity * first.size + item).size < item.size:
        raise ValueError("an item has a quantity twice")
    numbers = np.full((len(names), first.size), np.nan)
    numbers[quantity, item] = known["value"].to_numpy(np.float64)
    items = known[["centre", "item", "session", "technique", "on"]].iloc[first]
    return items.reset_index(drop=True), dict(zip(names.tolist(), numbers, strict=True))


@dataclass(frozen=True, slots=True)
class _Judged:
    """What one rule says; arrays of shape (n_items,) over the items in force on their day.

    `place` is the row of each item among all items of the level.
    """

    rule: Rule
    unit: str
    place: IntArray
    observed: FloatArray
    state: list[str]
    sentence: list[str]


def _judge_rule(
    rule: Rule,
    numbers: Mapping[str, FloatArray],
    on: NDArray[Any],
    place: IntArray,
    devices: Sequence[Registered],
) -> _Judged:
    """Judge the items at some places (n,), of the days `on` (n,), by one rule."""
    in_force = np.fromiter((_in_force(rule, day) for day in on), bool, len(on))
    place = place[in_force]
    observed = _of_items(numbers, rule.quantity, place)
    holds = within(observed, rule.low, rule.high)
    if rule.alternative is not None:
        other = rule.alternative
        holds = holds | within(_of_items(numbers, other.quantity, place), other.low, other.high)
    state = np.where(holds, "pass", "fail").astype(object)
    state[np.isnan(observed)] = rule.missing
    unit = contract.QUANTITIES[(rule.owner, rule.level, rule.quantity)].unit
    part = rule.scaled_part or rule.quantity
    named = {*(name for name in named_in(rule.sentence) if name not in NAMED), part, POLARITY}
    sentences = [""] * place.size
    for row in np.flatnonzero(state != "pass").tolist():
        value, its = float(observed[row]), place[row : row + 1]
        others = {name: float(_of_items(numbers, name, its)[0]) for name in named}
        said = say(rule, value, unit=unit, beside=others)
        device = devices[int(place[row])]
        turned = say_turned(rule, value, others[POLARITY]) if state[row] == "fail" else ""
        sentences[row] = said + _slip(rule, value, others[part], unit, device) + turned
    return _Judged(
        rule=rule,
        unit=unit,
        place=place,
        observed=observed,
        state=state.tolist(),
        sentence=sentences,
    )


def _of_items(numbers: Mapping[str, FloatArray], quantity: str, place: IntArray) -> FloatArray:
    """Return the numbers of a quantity at some places (n,); NaN where no item has it."""
    found = numbers.get(quantity)
    return np.full(place.size, np.nan) if found is None else found[place]


def _slip(rule: Rule, observed: float, part: float, unit: str, registered: Registered) -> str:
    """Name the slips that would explain a number that cannot be; nothing for any other rule."""
    if not rule.scales_with:
        return ""
    slips = likely_slips(
        observed,
        low=rule.low,
        high=rule.high,
        scales_with=dict(rule.scales_with),
        registered=registered,
        part=part,
    )
    return say_slips(slips, registered, unit=unit)


def _verdicts(judged: Sequence[_Judged], items: pd.DataFrame) -> pd.DataFrame:
    """Put the rows of all rules together; what a rule says of itself is laid out once for all."""
    counts = [each.place.size for each in judged]
    of_rule = pd.DataFrame(
        {
            "item_kind": [each.rule.level for each in judged],
            "technique": [each.rule.owner for each in judged],
            "rule": [each.rule.key for each in judged],
            "quantity": [each.rule.quantity for each in judged],
            "limit_low": [np.nan if each.rule.low is None else each.rule.low for each in judged],
            "limit_high": [np.nan if each.rule.high is None else each.rule.high for each in judged],
            "unit": [each.unit for each in judged],
            "operator": [each.rule.operator for each in judged],
            "severity": [each.rule.severity for each in judged],
        }
    ).take(np.repeat(np.arange(len(judged)), counts))
    of_item = items.take(np.concatenate([each.place for each in judged]))
    own = pd.DataFrame(
        {
            "observed": np.concatenate([each.observed for each in judged]),
            "state": [state for each in judged for state in each.state],
            "sentence": [sentence for each in judged for sentence in each.sentence],
            "waiver": pd.Series(None, index=range(sum(counts)), dtype="object"),
        }
    )
    parts = [frame.reset_index(drop=True) for frame in (of_rule, of_item, own)]
    return pd.concat(parts, axis=1)[list(VERDICT_COLUMNS)]


def _in_force(rule: Rule, day: date) -> bool:
    return rule.valid_from <= day and (rule.valid_until is None or day <= rule.valid_until)


def _apply_waivers(verdicts: pd.DataFrame, waivers: Sequence[Waiver]) -> pd.DataFrame:
    for waiver in waivers:
        hit = (
            (verdicts["item_kind"] == waiver.item_kind)
            & (verdicts["centre"] == waiver.centre)
            & (verdicts["item"] == waiver.item)
            & (verdicts["rule"] == waiver.rule)
            & verdicts["state"].isin(["fail", "not_judged"])
        )
        verdicts.loc[hit, "state"] = "waived"
        verdicts.loc[hit, "waiver"] = waiver.waiver
    return verdicts


def status_of_items(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Derive the status of each item from its verdicts.

    Returns a frame indexed by centre and item with `status` (accepted, rejected, not_judgeable),
    `flagged` (any flag rule failed), `n_alerts` and `why` (the sentences of what kept it from
    acceptance).
    """
    failed = verdicts["state"] == "fail"
    reject = verdicts["severity"] == "reject"
    unjudged = (verdicts["state"] == "not_judged") & reject
    item = verdicts.groupby(ITEM, sort=True).ngroup().to_numpy()
    _, first = np.unique(item, return_index=True)
    marks = {
        "rejected": failed & reject,
        "unjudged": unjudged,
        "flagged": failed & (verdicts["severity"] == "flag"),
        "n_alerts": failed & (verdicts["severity"] == "alert"),
    }
    counts = {
        name: np.bincount(item[mark.to_numpy(bool)], minlength=first.size)
        for name, mark in marks.items()
    }
    why: list[list[str]] = [[] for _ in first]
    against = ((failed & reject) | unjudged).to_numpy(bool)
    for place, sentence in zip(item[against], verdicts["sentence"][against], strict=True):
        why[place].append(sentence)
    return pd.DataFrame(
        {
            "status": np.select(
                [counts["rejected"] > 0, counts["unjudged"] > 0],
                ["rejected", "not_judgeable"],
                "accepted",
            ),
            "flagged": counts["flagged"] > 0,
            "n_alerts": counts["n_alerts"],
            "why": [" ".join(sentences) for sentences in why],
        },
        index=pd.MultiIndex.from_frame(verdicts[ITEM].iloc[first]),
    )
