"""The orchestrator of a night and its schedule: closed to pages and users, gone with the night.

The server is attacked as a page of another place would, and as another user of the machine would.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from http.client import HTTPConnection
from pathlib import Path
from subprocess import PIPE
from typing import Any

import pytest

from quietsleep.night.looks import kept_schedule
from quietsleep.night.orchestration import schedule
from quietsleep.night.orchestration.embedded import LOOPBACK, credentials
from quietsleep.night.orchestration.schedule import keep_scheduled
from quietsleep.store.processes import INTERRUPTED
from tests.faults.nights import processes_of, write_micro_study

# What a night is while it works: a server, measuring processes that are busy, and a word of it.
NIGHT = """
import os, signal, sys, time
from pathlib import Path
from quietsleep.night.orchestration.embedded import embedded
from quietsleep.store.processes import new_processes
if __name__ == "__main__":
    with embedded(Path(sys.argv[1]) / "work"):
        pool = new_processes(2)
        pool.submit(abs, 1).result()
        pool.submit(time.sleep, 600)
        print(os.environ["PREFECT_API_URL"], os.environ["PREFECT_API_AUTH_STRING"], flush=True)
        sys.stdin.readline()
        exec(sys.argv[2])
"""
# One that waits for its measures when it is interrupted, with a thread that waits as well.
WAITS = """
import threading, time
from quietsleep.measure.pool import measuring_pool
from quietsleep.store.processes import ended_at_once
if __name__ == "__main__":
    with ended_at_once(), measuring_pool(1) as pool:
        pool._pool.submit(abs, 1).result()
        measures = pool._pool.submit(time.sleep, 600)
        threading.Thread(target=measures.result).start()
        print(*pool._pool._processes, flush=True)
        measures.result()
"""
# Runs that a server asks for: without a study of this machine, and with one.
ASKED = """
import os, sys
from types import SimpleNamespace
from quietsleep.errors import StudyError
from quietsleep.night.orchestration import nightly
nightly.deployment = SimpleNamespace(id="of a client")
own, *asked = sys.argv[1:]
for named in ("", own):
    os.environ[nightly.STUDY_VARIABLE] = named
    for flow in (nightly.nightly, nightly.rejudge):
        for folder in asked:
            try:
                print(flow.fn(folder))
            except nightly.StudyRefused as refused:
                print(refused)
try:
    nightly.nightly.fn(own)
except StudyError:
    print("its own is looked for")
"""
STARTS_WITHIN_S = 300.0
ENDS_WITHIN_S = 30.0
PATHS = (
    "/", "/docs", "/redoc", "/openapi.json", "/ui-settings", "/api/health", "/api/ready",
    "/api/version", "/api/docs", "/api/openapi.json", "/api/admin/settings", "/api/hello",
    "/api/../api/health", "//api/health", "/api/static/",
)  # fmt: skip
UPGRADE = {
    "Connection": "Upgrade",
    "Upgrade": "websocket",
    "Sec-WebSocket-Version": "13",
    "Sec-WebSocket-Key": "AAAAAAAAAAAAAAAAAAAAAA==",
    "Sec-WebSocket-Protocol": "prefect",
}


class Night:
    """A night at work in a process of its own, told when and how to end."""

    def __init__(self, study: Path, ending: str, program: Path) -> None:
        program.write_text(NIGHT, encoding="utf-8")
        self.study = study
        self.process = subprocess.Popen(
            [sys.executable, str(program), str(study), ending], stdin=PIPE, stdout=PIPE, text=True
        )
        assert self.process.stdout is not None
        self.url, self.key = self.process.stdout.readline().split()
        self.host = self.url.removeprefix("http://").removesuffix("/api")

    def ask(
        self, path: str, method: str = "GET", body: str | None = None, **headers: str
    ) -> tuple[int, bytes, dict[str, str]]:
        """Send exactly these headers; names are given with underscores."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        connection = HTTPConnection(self.host, timeout=30)
        try:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in {"Host": self.host, **named}.items():
                for each in value.split("\n"):
                    connection.putheader(name, each)
            if body is not None:
                connection.putheader("Content-Length", str(len(body)))
                connection.putheader("Content-Type", "text/plain")
            connection.endheaders(body.encode() if body is not None else None)
            answer = connection.getresponse()
            held = {name.lower(): value for name, value in answer.getheaders()}
            return answer.status, b"" if answer.status == 101 else answer.read(), held
        finally:
            connection.close()

    def end(self) -> str:
        """Let it end as it was told, and return what is left in its output."""
        said, _ = self.process.communicate("\n", timeout=ENDS_WITHIN_S)
        return str(said)


@contextmanager
def night_at_work(folder: Path, ending: str = "") -> Iterator[Night]:
    study = folder / "study"
    study.mkdir(parents=True)
    night = Night(study, ending, folder / "night.py")
    try:
        yield night
    finally:
        night.process.kill()
        night.process.communicate()


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Night]:
    with night_at_work(tmp_path_factory.mktemp("scheduler")) as at_work:
        yield at_work


def refused(answer: tuple[int, bytes, dict[str, str]]) -> bool:
    """Say whether an answer refuses and says nothing: to a page, not even that it may not read."""
    status, body, headers = answer
    return (status, body) == (403, b"") and not any("access-control" in name for name in headers)


def begins_a_night(folder: str) -> str:
    return json.dumps({"name": "x", "flow_id": "x", "parameters": {"study_path": folder}})


@pytest.mark.parametrize("path", PATHS)
def test_nothing_is_answered_without_the_key(night: Night, path: str) -> None:
    assert refused(night.ask(path)) and refused(night.ask(path, "HEAD"))


def test_night_itself_is_answered(night: Night) -> None:
    """Else the refusals here would show nothing."""
    assert night.ask("/api/health", Authorization=credentials(night.key))[:2] == (200, b"true")
    flows = night.ask("/api/flows/filter", "POST", "{}", Authorization=credentials(night.key))
    assert flows[0] in (200, 422)
    socket_ = night.ask("/api/events/in", Authorization=credentials(night.key), **UPGRADE)
    assert socket_[0] == 101


def test_page_of_another_place_is_refused(night: Night) -> None:
    """Its browser writes where it comes from; a form or a plain text needs no question before."""
    page = {"Origin": "https://page.example"}
    body = begins_a_night("/elsewhere")
    for path in ("/api/flow_runs/", "/api/deployments/", "/api/flows/"):
        assert refused(night.ask(path, "POST", body, **page))
        assert refused(night.ask(path, "POST", body, Origin="null"))
        question = {"Access_Control_Request_Method": "POST"}
        assert refused(night.ask(path, "OPTIONS", **page, **question))
        allowed = {"Authorization": credentials(night.key)}
        assert refused(night.ask(path, "POST", body, **page, **allowed))
        assert refused(night.ask(path, "OPTIONS", **page, **question, **allowed))
    assert refused(night.ask("/api/events/in", **page, **UPGRADE))


def test_name_that_was_turned_to_this_machine_is_refused(night: Night) -> None:
    """A page's own name may point to 127.0.0.1 by now; even with the key it is not this server."""
    port = night.host.partition(":")[2]
    names = ("page.example", f"page.example:{port}", f"localhost:{port}", LOOPBACK, f"127.1:{port}",
             "", f"{night.host}\npage.example", f"{night.host}\n{night.host}")  # fmt: skip
    for host in names:
        status = night.ask("/api/health", Authorization=credentials(night.key), Host=host)[0]
        # Two names are no request at all for the server itself.
        assert status in ((400, 403) if "\n" in host else (403,)), host


def test_other_user_of_the_machine_is_refused(night: Night) -> None:
    wrong = [
        credentials("night:wrong"), credentials(""), credentials(night.key[:-1]),
        f"Bearer {night.key}", night.key, "Basic", "Basic \u00e9",
        f"{credentials(night.key)}\n{credentials('night:wrong')}",
    ]  # fmt: skip
    for said in wrong:
        status = night.ask("/api/health", Authorization=said)[0]
        assert status == 403, said
        assert night.ask("/api/events/in", Authorization=said, **UPGRADE)[0] == 403, said
        assert night.ask("/api/logs/out", Authorization=said, **UPGRADE)[0] == 403, said


def test_key_stands_where_only_the_user_of_the_night_reads_it(night: Night) -> None:
    key = night.key.encode()
    assert len(key) > 40
    for process in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            assert key not in (process / "cmdline").read_bytes()
    files = [path for path in (night.study / "work").rglob("*") if path.is_file()]
    assert {"prefect.db", "server.log"} <= {path.name for path in files}
    assert not [path for path in files if key in path.read_bytes()]
    assert (night.study / "work" / "prefect").stat().st_mode & 0o007 == 0
    assert not [path for path in files if path.stat().st_mode & 0o007]


def listening() -> set[tuple[str, int]]:
    """Addresses and ports at which this machine listens, as the system writes them."""
    found = set()
    for table in ("tcp", "tcp6"):
        for line in Path("/proc/net", table).read_text(encoding="ascii").splitlines()[1:]:
            own, state = line.split()[1], line.split()[3]
            if state == "0A":
                found.add((own.partition(":")[0], int(own.partition(":")[2], 16)))
    return found


def test_aborted_night_leaves_no_process_no_port_and_no_pipe(night: Night, tmp_path: Path) -> None:
    """Its reader sees the end of its output at once, though the measuring processes are busy.

    Until then it has an address and a key of its own.
    """
    with night_at_work(tmp_path, "os.abort()") as other:
        assert other.key != night.key and other.host != night.host
        assert refused(other.ask("/api/health", Authorization=credentials(night.key)))
        port = int(other.host.rpartition(":")[2])
        assert {address for address, at in listening() if at == port} == {"0100007F"}
        assert len(processes_of(other.study)) > 3
        other.end()  # reads to the end of the pipe, which any process left would hold open
        assert other.process.returncode == -signal.SIGABRT
        assert soon(lambda: processes_of(other.study) == [])
        assert soon(lambda: port not in {at for _, at in listening()})


def soon(happened: Callable[[], bool], within: float = ENDS_WITHIN_S) -> bool:
    """Wait until something has happened; False where it does not."""
    end = time.monotonic() + within
    while not happened():
        if time.monotonic() > end:
            return False
        time.sleep(0.05)
    return True


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_interrupted_night_does_not_wait_for_its_measures(
    tmp_path: Path, number: signal.Signals
) -> None:
    """Ctrl-C reaches all processes of a terminal, SIGTERM the night alone."""
    program = tmp_path / "waits.py"
    program.write_text(WAITS, encoding="utf-8")
    night = subprocess.Popen(
        [sys.executable, str(program)], stdout=PIPE, stderr=PIPE, text=True, start_new_session=True
    )
    assert night.stdout is not None
    (measuring,) = map(int, night.stdout.readline().split())
    (os.killpg if number is signal.SIGINT else os.kill)(night.pid, number)
    try:
        _, said = night.communicate(timeout=ENDS_WITHIN_S)
    finally:
        with suppress(ProcessLookupError):
            os.killpg(night.pid, signal.SIGKILL)
    assert night.returncode == 128 + number
    assert said == INTERRUPTED.decode()
    assert soon(lambda: not Path(f"/proc/{measuring}/cmdline").exists())


def test_whole_night_of_the_command_line_ends_within_seconds_of_ctrl_c(tmp_path: Path) -> None:
    """While its measuring processes are at work, its server and what clears locks beside them."""
    study = write_micro_study(tmp_path / "study")
    program = (
        "from quietsleep.night import stages; stages.CHUNKS_OF_A_SMALL_STAGE = 0; "
        "from quietsleep.cli.main import app; app()"
    )
    command = [sys.executable, "-c", program]
    night = subprocess.Popen(
        [*command, "nightly", str(study)], stdout=PIPE, stderr=PIPE, start_new_session=True
    )
    try:
        assert soon(lambda: len(processes_of(study)) > 3, within=STARTS_WITHIN_S)
        os.killpg(night.pid, signal.SIGINT)
        _, said = night.communicate(timeout=ENDS_WITHIN_S)
    finally:
        with suppress(ProcessLookupError):
            os.killpg(night.pid, signal.SIGKILL)
    assert night.returncode == 128 + signal.SIGINT and said == INTERRUPTED
    assert soon(lambda: processes_of(study) == [])


def test_server_is_asked_for_one_study_only(tmp_path: Path) -> None:
    """A client with the key of an operator's server asks a deployment for another folder."""
    asked = [str(tmp_path / "other"), str(tmp_path / "own" / ".." / "other"), "", "."]
    environment = os.environ | {"PREFECT_HOME": str(tmp_path / "home")}
    ended = subprocess.run(
        [sys.executable, "-c", ASKED, str(tmp_path / "own"), *asked],
        capture_output=True, text=True, env=environment, timeout=STARTS_WITHIN_S, check=True,
    )  # fmt: skip
    lines = ended.stdout.splitlines()
    assert len(lines) == 2 * 2 * len(asked) + 1, ended
    assert all("nothing is run" in line for line in lines[:-1]), ended
    assert lines[-1] == "its own is looked for"


def test_schedule_runs_this_study_and_opens_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """Two nights are due; the second is ended in native code, which is said."""
    before = listening()
    ran: list[list[str]] = []
    monkeypatch.setattr(schedule, "due_after", lambda cron, at: at + timedelta(milliseconds=50))
    monkeypatch.setattr(
        schedule,
        "PROGRAM",
        "import os, sys\nprint(sys.argv[1:], flush=True)\n"
        f"os.path.exists({str(tmp_path / 'once')!r}) and os.abort()\n"
        f"open({str(tmp_path / 'once')!r}, 'w')",
    )
    run_night = schedule._run_night

    def run(words: list[str]) -> None:
        if len(ran) == 2:
            raise KeyboardInterrupt
        kept = kept_schedule(tmp_path / "work")
        assert kept is not None and kept.is_kept
        assert listening() - before == set()
        run_night(words)
        ran.append(words)

    monkeypatch.setattr(schedule, "_run_night", run)
    keep_scheduled(tmp_path, cron="0 2 * * *", workers=2)
    said = capfd.readouterr()
    assert said.out.count(str(["nightly", str(tmp_path), "--workers", "2"])) == 2
    assert said.err.startswith("The night was ended by SIGABRT.") and said.err.count("\n") == 1
    assert kept_schedule(tmp_path / "work") is None


def test_times_that_passed_during_a_night_are_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """By a clock that moves while it is slept, and by 90 minutes in the first night."""
    clock = [datetime(2026, 1, 1, 1, 30).astimezone()]

    class Clock(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return clock[0]

    def sleep(seconds: float) -> None:
        assert 0 < seconds <= schedule.SECONDS_A_LOOK
        clock[0] += timedelta(seconds=seconds)

    monkeypatch.setattr(schedule, "datetime", Clock)
    monkeypatch.setattr("quietsleep.night.orchestration.schedule.time.sleep", sleep)
    began = []
    due = schedule._due("*/30 * * * *")
    for minutes in (90, 1, 1):
        next(due)
        began.append(clock[0].strftime("%H:%M"))
        clock[0] += timedelta(minutes=minutes)
    assert began == ["02:00", "03:30", "04:00"]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_schedule_that_is_stopped_takes_its_night_with_it(
    tmp_path: Path, number: signal.Signals
) -> None:
    program = tmp_path / "keeps.py"
    program.write_text(
        "import sys, time\nfrom datetime import timedelta\nfrom pathlib import Path\n"
        "from quietsleep.night.orchestration import schedule\n"
        "schedule.due_after = lambda cron, at: at + timedelta(milliseconds=50)\n"
        "guard = schedule.PROGRAM.partition('; from quietsleep.cli')[0]\n"
        "schedule.PROGRAM = guard + '; print(flush=True); import time; time.sleep(600)'\n"
        "schedule.keep_scheduled(Path(sys.argv[1]), cron='0 2 * * *', workers=None)\n",
        encoding="utf-8",
    )
    keeper = subprocess.Popen(
        [sys.executable, str(program), str(tmp_path / "study")], stdout=PIPE, text=True
    )
    assert keeper.stdout is not None
    assert keeper.stdout.readline().startswith("Nights of study run at")
    assert keeper.stdout.readline() == "\n"
    keeper.send_signal(number)
    keeper.communicate(timeout=ENDS_WITHIN_S)  # the night held the same pipe
    assert keeper.returncode == 0
    assert soon(lambda: processes_of(tmp_path / "study") == [])
