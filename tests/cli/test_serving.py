"""The command of the desk says what stands in its way, and what it does not believe."""

from __future__ import annotations

import shutil
import socket
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from quietsleep.cli.main import app
from quietsleep.server.callers import Callers
from quietsleep.server.door import Door
from quietsleep.server.serve import OpenDoor


@pytest.fixture
def study(small_deliveries: Path, tmp_path: Path) -> Path:
    leave = shutil.ignore_patterns("deliveries", "work", "pages", "warehouse")
    shutil.copytree(small_deliveries, tmp_path / "study", ignore=leave)
    return tmp_path / "study"


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """What would be served, instead of serving it."""
    said: dict[str, Any] = {}

    def run(door: OpenDoor) -> None:
        for listening in door.sockets:
            listening.close()
        said.update(door=door, app=door.server.config.app)

    monkeypatch.setattr(OpenDoor, "run", run)
    return said


def callers_of(served: dict[str, Any]) -> Callers:
    app = served["app"]
    assert isinstance(app, Door)
    return app._callers


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
    assert desk(study)[0] == 0 and callers_of(served).proxies == ()
    assert desk(study, "--proxy", "10.0.0.2")[0] == 0
    assert callers_of(served).is_proxy("10.0.0.2") and not callers_of(served).is_proxy("10.0.0.3")
    for wrong in ("*", "0.0.0.0/0", "proxy.example"):
        assert desk(study, "--proxy", wrong)[0] == 2


def test_an_open_line_is_warned_of(study: Path, served: dict[str, Any]) -> None:
    assert "unencrypted" in desk(study, "--host", "0.0.0.0")[1]
    assert "unencrypted" not in desk(study)[1]
    assert "unencrypted" not in desk(study, "--host", "0.0.0.0", "--proxy", "10.0.0.2")[1]
    assert served["door"].host == "0.0.0.0"


def test_the_table_of_the_door_is_heeded(study: Path, served: dict[str, Any]) -> None:
    text = (study / "study.toml").read_text()
    said = 'proxies = ["10.0.0.0/24"]\naddress = "https://desk.example/"\nconnections = 99\n'
    said += "connections_of_one = 9\n"
    (study / "study.toml").write_text(f"{text}\n[door]\n{said}")
    code, said = desk(study, "--host", "0.0.0.0")
    assert code == 0 and "unencrypted" not in said
    assert callers_of(served).is_proxy("10.0.0.77")
    limits = served["app"]._limits
    assert (limits.connections, limits.connections_of_one) == (99, 9) and limits.is_public_by_tls


@pytest.mark.parametrize(
    ("line", "sentence"),
    [('proxies = ["everybody"]', "proxies 1 is \"everybody\"; write an address such as"),
     ('proxies = ["0.0.0.0/0"]', "every address would be believed to be a proxy"),
     ('proxies = ["10.0.0.1/24"]', "write an address such as"),
     ('proxy_says = "x-real-ip"', "it may be: x-forwarded-for, forwarded"),
     ('address = "desk.example"', 'write an address such as "https://desk.example"'),
     ('address = "https://a@desk.example"', "write an address such as"),
     ('address = "https://[desk.example"', "write an address such as"),
     ("connections = 20\nconnections_of_one = 30", "connections_of_one may not be above"),
     ("wait_s = 100\nlongest_wait_s = 10", "wait_s may not be above longest_wait_s"),
     ("head_s = 0", "head_s is 0; it must lie between 0.1 and 3600"),
     ("heads = 1", "is head_s meant?")],
)  # fmt: skip
def test_a_table_of_the_door_that_cannot_stand_is_told(
    study: Path, served: dict[str, Any], line: str, sentence: str
) -> None:
    text = (study / "study.toml").read_text()
    (study / "study.toml").write_text(f"{text}\n[door]\n{line}\n")
    code, said = desk(study)
    assert code == 2 and not served
    assert sentence in " ".join(said.split()), said


def test_a_place_that_is_taken_is_told(study: Path, served: dict[str, Any]) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        code, said = desk(study, "--port", str(port))
    assert code == 2 and f"port {port} of 127.0.0.1" in " ".join(said.split()) and not served
    code, said = desk(study, "--certificate", str(study / "study.toml"))
    assert code == 2 and "cannot be read" in said
