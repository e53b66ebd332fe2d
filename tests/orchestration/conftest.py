"""A store that speaks S3, a cluster of two workers, and the night of one machine."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from moto.server import ThreadedMotoServer
from werkzeug.serving import WSGIRequestHandler

from quietsleep.intake import store as store_module
from quietsleep.measure.pool import in_process
from quietsleep.night.stages import run_night
from quietsleep.simulation.centres import (
    jobs_of,
    write_delivery,
    write_study_files,
    write_study_rules,
)
from quietsleep.simulation.scenario import load_scenarios
from tests.conftest import answers_stand
from tests.orchestration.services import (
    BUCKET,
    KEYS,
    LOOPBACK,
    Store,
    Workers,
    add_to_study,
    change_a_limit,
    kind_of,
)
from tests.shared import made_once

# How many sessions each centre of the very small study delivers.
SESSIONS = {"larch": 2, "sedge": 1}


@pytest.fixture(scope="session")
def s3(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """The server; its keys and address stand in the environment, where the library looks."""
    server = ThreadedMotoServer(ip_address=LOOPBACK, port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    served = Store(f"http://{host}:{port}")

    def note(self: WSGIRequestHandler, code: object = "-", size: object = "-") -> None:
        path = getattr(self, "path", "")
        time.sleep(served.delay_s)
        served.requests.append((kind_of(self.command, path, dict(self.headers)), path))

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(WSGIRequestHandler, "log_request", note)
        home = tmp_path_factory.mktemp("no-aws-home")
        for name, value in (
            KEYS | {"AWS_ENDPOINT_URL": served.url, "AWS_CONFIG_FILE": str(home / "c")}
        ).items():
            patched.setenv(name, value)
        served.files.mkdir(BUCKET)
        yield served
        server.stop()


@pytest.fixture(autouse=True)
def _store_is_up() -> None:
    """What an earlier test found down is asked again."""
    store_module._DOWN.clear()


@pytest.fixture(scope="session")
def workers(s3: Store, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Workers]:
    """Two workers under one scheduler; the store's keys come from their environment."""
    cluster = Workers(tmp_path_factory.mktemp("dask"))
    cluster.start()
    try:
        cluster.wait()
        yield cluster
    finally:
        cluster.stop()


def write_two_centres(path: Path) -> None:
    """Write a study of one centre with two deliveries as folders and one with an archive."""
    scenarios = tuple(
        replace(each, zipped=(1,)) if each.centre == "sedge" else each
        for each in load_scenarios()
        if each.centre in SESSIONS
    )
    write_study_files(path, scenarios, seed=7)
    write_study_rules(path)
    (path / "waivers.toml").unlink()
    for scenario in scenarios:
        for job in jobs_of(scenario, path, seed=7, sessions=SESSIONS[scenario.centre]):
            write_delivery(job)


@pytest.fixture(scope="session")
def delivered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A very small study as delivered; do not change it."""
    return made_once(tmp_path_factory, "carried", write_two_centres)[0]


@pytest.fixture(scope="session")
def one_machine(delivered: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same study after a night on one machine, out of a folder; do not change it."""

    def make(path: Path) -> None:
        shutil.copytree(delivered, path, dirs_exist_ok=True)
        with pytest.MonkeyPatch.context() as patch:
            answers_stand(patch)
            run_night(path, pool=in_process)

    return made_once(tmp_path_factory, "carried-night", make)[0]


@pytest.fixture(scope="session")
def two_nights(one_machine: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The study after a second night, in which one limit was changed; do not change it."""

    def make(path: Path) -> None:
        shutil.copytree(one_machine, path, symlinks=True, dirs_exist_ok=True)
        change_a_limit(path)
        with pytest.MonkeyPatch.context() as patch:
            answers_stand(patch)
            run_night(path, pool=in_process)

    return made_once(tmp_path_factory, "two-nights", make)[0]


@pytest.fixture
def stored(request: pytest.FixtureRequest, s3: Store, delivered: Path, tmp_path: Path) -> Path:
    """A study with its deliveries in the store, and its warehouse uploaded there."""
    study = tmp_path / "demo"
    study.mkdir()
    for entry in delivered.iterdir():
        if entry.name not in {"deliveries", "truth"}:
            (shutil.copytree if entry.is_dir() else shutil.copy)(entry, study / entry.name)
    prefix = f"s3://{BUCKET}/{request.node.name.split('[')[0][:60]}"
    s3.upload(delivered / "deliveries", f"{prefix}/deliveries")
    add_to_study(
        study,
        ["[storage]", f'deliveries = "{prefix}/deliveries"', f'warehouse = "{prefix}/warehouse"'],
    )
    s3.forget()
    return study
