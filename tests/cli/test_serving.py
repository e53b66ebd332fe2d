"""The command of the desk says what stands in its way, and what it does not believe."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from quietsleep.cli.main import app


@pytest.fixture
def study(small_deliveries: Path, tmp_path: Path) -> Path:
    leave = shutil.ignore_patterns("deliveries", "work", "pages", "warehouse")
    shutil.copytree(small_deliveries, tmp_path / "study", ignore=leave)
    return tmp_path / "study"


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """What would be served, instead of serving it."""
    said: dict[str, Any] = {}
    monkeypatch.setattr("uvicorn.run", lambda shown, **options: said.update(options, app=shown))
    return said


def desk(study: Path, *words: str) -> tuple[int, str]:
    answer = CliRunner().invoke(app, ["desk", str(study), *words])
    return answer.exit_code, answer.output


def test_deliveries_in_a_store_are_said(study: Path, served: dict[str, Any]) -> None:
    text = (study / "study.toml").read_text()
    (study / "study.toml").write_text(f'{text}\n[storage]\ndeliveries = "s3://bucket/in"\n')
    code, said = desk(study)
    assert code == 2 and "lie in a store" in said and not served


def test_no_header_of_a_proxy_is_believed_unless_it_is_named(
    study: Path, served: dict[str, Any]
) -> None:
    assert desk(study)[0] == 0 and not served["proxy_headers"]
    assert desk(study, "--proxy", "10.0.0.2")[0] == 0
    assert served["proxy_headers"] and served["forwarded_allow_ips"] == "10.0.0.2"
    for wrong in ("*", "0.0.0.0/0", "proxy.example"):
        assert desk(study, "--proxy", wrong)[0] == 2


def test_an_open_line_is_warned_of(study: Path, served: dict[str, Any]) -> None:
    assert "unencrypted" in desk(study, "--host", "0.0.0.0")[1]
    assert "unencrypted" not in desk(study)[1]
    assert "unencrypted" not in desk(study, "--host", "0.0.0.0", "--proxy", "10.0.0.2")[1]
    assert served["host"] == "0.0.0.0"
