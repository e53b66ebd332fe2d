"""The access log is bounded, whole, and tells no secret."""

from __future__ import annotations

import json
import re
import threading
from pathlib import Path

from quietsleep.server.access_log import LOG, AccessLog
from quietsleep.study.door_limits import DoorLimits


def write_lines(log: AccessLog, n: int, *, word: str = "a") -> None:
    for number in range(n):
        log.write(client="192.0.2.7", method="GET", path=f"/{word}/{number}", status=200)


def test_the_log_is_bounded_and_its_newest_lines_stay(tmp_path: Path) -> None:
    limits = DoorLimits(log_mb=0.02, log_files=3)
    write_lines(AccessLog(tmp_path, limits), 2000)
    files = sorted(tmp_path.glob(f"{LOG}*"))
    kept = [path for path in files if path.suffix != ".lock"]
    assert [path.name for path in kept] == [LOG, f"{LOG}.1", f"{LOG}.2"]
    assert all(path.stat().st_size <= 0.02 * 1024**2 for path in kept)
    assert all(path.stat().st_mode & 0o077 == 0 for path in kept)
    lines = [json.loads(line) for path in reversed(kept) for line in path.read_text().splitlines()]
    numbers = [int(line["path"].rpartition("/")[2]) for line in lines]
    assert numbers == [*range(numbers[0], 2000)] and len(numbers) > 200
    # With one file alone it begins anew.
    write_lines(AccessLog(tmp_path / "one", DoorLimits(log_mb=0.01, log_files=1)), 500)
    assert [p.name for p in (tmp_path / "one").glob(f"{LOG}*") if p.suffix != ".lock"] == [LOG]


def test_two_programs_write_one_log(tmp_path: Path) -> None:
    limits = DoorLimits(log_mb=0.05, log_files=20)
    logs = [AccessLog(tmp_path, limits) for _ in range(3)]
    threads = [
        threading.Thread(target=write_lines, args=(log, 400), kwargs={"word": word})
        for log, word in zip(logs, "abc", strict=True)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    files = [path for path in tmp_path.glob(f"{LOG}*") if path.suffix != ".lock"]
    lines = [json.loads(line)["path"] for path in files for line in path.read_text().splitlines()]
    assert len(files) > 3 and sorted(lines) == sorted(
        f"/{w}/{n}" for w in "abc" for n in range(400)
    )


def test_no_secret_of_a_token_is_written_in_whatever_way_it_is_put(tmp_path: Path) -> None:
    log, token = AccessLog(tmp_path, DoorLimits()), "qs_abcdefghij_" + "Sec-ret_" * 5 + "xyz"
    paths = (f"/{token}", f"/%71s_{token[3:]}", f"/x{token}", f"/{token[14:]}", f"/a/{token}/b",
             "/" + "a/" * 140 + token, f"/larch/{token[:-1]}",
             f"/{token.replace('_', '-')}")  # fmt: skip
    for path in paths:
        log.write(client="x" * 999, method="M" * 999, path=path, status=404)
    text = (tmp_path / LOG).read_text()
    assert "Sec-ret" not in text and len(text.splitlines()) == 8
    assert max(map(len, text.splitlines())) < 600
    assert not re.search(r"abcdefghij", text)
