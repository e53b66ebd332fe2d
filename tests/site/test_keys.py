"""The page of all keys says what the models read, of each key what it means, and nothing else."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from quietsleep.intake.manifest import FIELDS
from quietsleep.site.pages.keys import MODELS, OF_DELIVERY, TITLES, keys_document, keys_of

ROOT = Path(__file__).parents[2]
MEANINGS = tomllib.loads((ROOT / "contracts" / "keys.toml").read_text(encoding="utf-8"))


def test_the_document_is_current() -> None:
    written = (ROOT / "docs" / "keys.md").read_text(encoding="utf-8")
    assert written == keys_document(), "python -m quietsleep.site.pages.keys docs/keys.md"


@pytest.mark.parametrize("table", TITLES)
def test_every_key_has_a_meaning_and_every_meaning_a_key(table: str) -> None:
    assert set(MEANINGS[table]) == set(keys_of(table))
    assert all(m.endswith(".") and "|" not in m for m in MEANINGS[table].values())


def test_all_tables_are_there() -> None:
    assert set(MEANINGS) == set(TITLES) == {*MODELS, *OF_DELIVERY}
    assert set(OF_DELIVERY["delivery"]) == set(FIELDS)


def test_kinds_bounds_and_defaults_are_those_of_the_models() -> None:
    device = keys_of("centre.devices")
    assert device["rate_hz"] == ("number, 50 to 20000", "needed")
    assert device["csv_delimiter"] == ('",", ";", "\\t", "\\|"', '","')
    assert device["csv_skip_lines"] == ("whole number, 0 to 1000", "0")
    assert device["ignored_columns"] == ("list of texts", "none")
    assert device["valid_from"] == ("day", "from the beginning")
    assert device["channels"] == ("tables", "needed")
    assert keys_of("study.schedule")["deliveries_every_days"][0] == "whole number, 1 to 366"
    assert keys_of("centre.devices.channels")["header_unit"] == ("text", "none")


def test_the_example_is_computed() -> None:
    text = " ".join(keys_document().split())
    assert "(30.15 - 0.15) x 1.02 = 30.6 L/min, positive in expiration" in text
    assert "-30.6 L/min with inspiration positive, which is -510 mL/s" in text
