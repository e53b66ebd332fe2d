"""A number that no infant can have: which slip of unit or sign is named, and what is said."""

from __future__ import annotations

import math
from datetime import date

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietsleep import contract
from quietsleep.judge.rules import judge
from quietsleep.judge.slips import Registered, likely_slips, registered_of, say_slips
from quietsleep.study.devices import GasState

# 1 cm[H2O] is 0.0980665 kPa: NIST Special Publication 811.
CMH2O = 0.0980665
CRS = {"flow": 1.0, "airway_pressure": -1.0}
WITH_SCALES = [rule for rule in contract.RULES.values() if rule.scales_with]


def meant(
    observed: float, scales: dict[str, float], *, low: float | None, high: float | None,
    **units: str,
) -> list[tuple[str, str]]:  # fmt: skip
    slips = likely_slips(
        observed, low=low, high=high, scales_with=scales, registered=Registered(units)
    )
    return [(slip.channel, slip.meant) for slip in slips]


@pytest.mark.parametrize(
    ("true", "wrong_by", "units", "expected"),
    [
        # kPa in the file, cmH2O registered: pressure is read 10.197 times too small.
        (11.0, 1 / CMH2O, {"airway_pressure": "cm[H2O]"}, ("airway_pressure", "kPa")),
        (11.0, CMH2O, {"airway_pressure": "kPa"}, ("airway_pressure", "cm[H2O]")),
        (11.0, 1000 / 60, {"flow": "L/min"}, ("flow", "mL/s")),
        (11.0, 60 / 1000, {"flow": "mL/s"}, ("flow", "L/min")),
        (11.0, 1000.0, {"flow": "L/s"}, ("flow", "mL/s")),
        (11.0, 1 / 1000, {"flow": "mL/s"}, ("flow", "L/s")),
        (11.0, -1.0, {"flow": "mL/s"}, ("flow", "sign")),
    ],
)
def test_the_slip_that_was_made_is_named_first(
    true: float, wrong_by: float, units: dict[str, str], expected: tuple[str, str]
) -> None:
    assert meant(true * wrong_by, CRS, low=2.0, high=40.0, **units)[0] == expected


def test_the_number_without_the_slip_is_given() -> None:
    registered = Registered({"flow": "L/min", "airway_pressure": "cm[H2O]"})
    (slip, *_) = likely_slips(
        7.3 * 1000 / 60, low=2.0, high=20.0, scales_with={"flow": 1}, registered=registered
    )
    assert slip.value == pytest.approx(7.3)
    said = say_slips((slip,), registered, unit="mL/kg")
    assert said == (
        " Likely slip: flow is registered in L/min; if the file holds mL/s, "
        "it would be about 7.3 mL/kg."
    )


def test_nothing_is_named_for_what_no_slip_explains() -> None:
    # mbar and cmH2O are 2 % apart: no number that cannot be comes of that.
    assert ("airway_pressure", "cm[H2O]") not in meant(
        40.5, CRS, low=2.0, high=40.0, airway_pressure="mbar"
    )
    assert meant(0.0, CRS, low=2.0, high=40.0) == []
    assert meant(3.0e9, {"flow": 1.0}, low=2.0, high=20.0) == []
    assert meant(150.0, {}, low=2.0, high=20.0) == []
    assert say_slips((), Registered(), unit="mL/kg") == ""


@given(
    observed=st.floats(allow_nan=True, allow_infinity=True),
    low=st.floats(0.1, 10.0),
    width=st.floats(1.01, 50.0),
)
def test_only_numbers_outside_get_a_slip_and_each_slip_brings_them_inside(
    observed: float, low: float, width: float
) -> None:
    high = low * width
    slips = likely_slips(observed, low=low, high=high, scales_with=CRS, registered=Registered())
    assert all(low <= slip.value <= high for slip in slips)
    if low <= observed <= high or not math.isfinite(observed):
        assert slips == ()


@pytest.mark.parametrize(("state", "true"), [("measured", 19.0), ("btps", 2.1)])
def test_gas_that_is_not_as_registered_explains_what_lies_just_outside(
    state: GasState, true: float
) -> None:
    btps = 1.09
    observed = true * btps if state == "measured" else true / btps
    registered = Registered({"flow": "mL/s"}, state, btps)
    (slip, *_) = likely_slips(
        observed, low=2.0, high=20.0, scales_with={"flow": 1.0}, registered=registered
    )
    assert (slip.meant, round(slip.value, 6)) == ("gas", true)
    said = say_slips((slip,), registered, unit="mL/kg")
    assert "BTPS" in said and f"about {true:.3g} mL/kg" in said


def test_a_room_that_is_not_known_explains_nothing() -> None:
    found = meant(20.5, {"flow": 1.0}, low=2.0, high=20.0, flow="mL/s")
    registered = Registered({"flow": "mL/s"}, "measured", math.nan)
    slips = likely_slips(20.5, low=2.0, high=20.0, scales_with={"flow": 1.0}, registered=registered)
    assert [(s.channel, s.meant) for s in slips] == found


def test_where_only_a_part_goes_with_the_channel_the_rest_stays() -> None:
    """Lung volume is a gas volume, which goes with pressure, less what lies above the level."""
    (slip, *_) = likely_slips(
        26.0 / 10.197 - 6.0,
        low=5.0,
        high=60.0,
        scales_with={"airway_pressure": -1.0},
        registered=Registered({"airway_pressure": "kPa"}),
        part=26.0 / 10.197,
    )
    assert (slip.meant, round(slip.value, 1)) == ("cm[H2O]", 20.0)


def test_an_open_range_takes_the_smallest_change() -> None:
    found = meant(40.0, {"flow": 1.0}, low=None, high=15.0, flow="L/min")
    assert found[0] == ("flow", "mL/s")


def test_what_is_not_registered_is_taken_for_the_units_of_the_pipeline() -> None:
    assert registered_of(None).unit("flow") == "mL/s"
    assert registered_of(None).unit("airway_pressure") == "kPa"


@pytest.mark.parametrize("rule", WITH_SCALES, ids=lambda r: r.key)
def test_each_rule_with_scales_names_the_slip_in_its_verdict(rule: contract.Rule) -> None:
    low = rule.low if rule.low is not None else (rule.high or 1.0) / 20.0
    true = math.sqrt(low * (rule.high or math.inf))
    channel, power = rule.scales_with[0]
    # The file holds mL/s and kPa, where L/min and cmH2O are registered.
    misread = (1000.0 / 60.0 if channel == "flow" else CMH2O) ** power
    registered = {("larch", "s1"): Registered({"flow": "L/min", "airway_pressure": "cm[H2O]"})}
    rows = pd.DataFrame(
        [
            {"centre": "larch", "session": "s1", "technique": rule.owner, "item": "r#1"}
            | {"on": date(2026, 3, 1), "quantity": name, "value": true * misread}
            for name in {rule.quantity, rule.scaled_part or rule.quantity}
        ]
    )
    verdict = judge(rows, [rule], (), level=rule.level, registered=registered).iloc[0]
    assert verdict["state"] == "fail"
    assert "Likely slip" in verdict["sentence"]
    assert ("mL/s" if channel == "flow" else "kPa") in verdict["sentence"]


def test_a_rule_without_scales_says_what_it_said_before() -> None:
    rule = contract.RULES["tidal.no_leak"]
    rows = pd.DataFrame(
        [
            {"centre": "larch", "session": "s1", "technique": "tidal", "item": "r#1"}
            | {"on": date(2026, 3, 1), "quantity": rule.quantity, "value": 1e6}
        ]
    )
    assert "slip" not in str(judge(rows, [rule], (), level="trial")["sentence"][0])
