"""A desk on a study that nobody has delivered to, and those who come to it."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest

from quietsleep.server import access
from quietsleep.server.access import Tokens
from quietsleep.server.app import SiteApp
from quietsleep.server.desk import Desk
from quietsleep.server.reading import BlindReading
from quietsleep.study.study import load_study
from tests.server.running import running


@pytest.fixture(autouse=True)
def quick_hash(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(access, "_SCRYPT_N", 2**4)


def desk_app(path: Path) -> SiteApp:
    study = load_study(path)
    return SiteApp(
        study.path, study.work_path, is_secure=False, renamed=study.renamed, title=study.title,
        desk=Desk(study), reading=BlindReading(study),
    )  # fmt: skip


OPEN: list[httpx.Client] = []


@pytest.fixture(autouse=True)
def closed_clients() -> Iterator[None]:
    yield
    while OPEN:
        OPEN.pop().close()


@dataclass
class Visitor:
    """A browser that has signed in, without the browser: it sends what one would send."""

    address: str
    token: str
    centre: str
    client: httpx.Client = field(init=False)
    word: str = ""

    def __post_init__(self) -> None:
        self.client = httpx.Client(base_url=self.address, timeout=600)
        OPEN.append(self.client)
        self.sign_in()

    def sign_in(self) -> None:
        self.client.post("/-/login", data={"token": self.token})
        page = self.client.get(f"/-/desk/{self.centre}/").text
        found = re.search(r'name="form_token" value="([^"]+)"', page)
        self.word = found[1] if found else ""

    def post(self, path: str, **fields: str) -> httpx.Response:
        data = {"form_token": self.word} | fields
        return self.client.post(f"/-/desk/{self.centre}/{path}", data=data)

    def begin(self) -> str:
        answer = self.post("uploads/")
        assert answer.status_code == 303, answer.text
        return answer.headers["location"].rstrip("/").rpartition("/")[2]

    def put(
        self, number: str, path: str, data: bytes, *, offset: int = 0, total: int | None = None,
        modified: int = 1, headers: Mapping[str, str] | None = None,
    ) -> httpx.Response:  # fmt: skip
        params: dict[str, Any] = {
            "path": path, "bytes": len(data) if total is None else total, "modified": modified,
            "offset": offset,
        }  # fmt: skip
        return self.client.put(
            f"/-/desk/{self.centre}/uploads/{number}/files", params=params, content=data,
            headers={"x-form-token": self.word, **(headers or {})},
        )  # fmt: skip

    def put_folder(self, number: str, folder: Path, *, leave: frozenset[str] = frozenset()) -> None:
        for path in sorted(folder.rglob("*")):
            inside = path.relative_to(folder).as_posix()
            if path.is_file() and inside not in leave:
                assert self.put(number, inside, path.read_bytes()).status_code == 200, inside

    def check(self, number: str, name: str = "d1", **fields: str) -> str:
        answer = self.post(f"uploads/{number}/check", delivery=name, **fields)
        if answer.status_code != 303:
            return answer.text
        return self.client.get(f"/-/desk/{self.centre}/uploads/{number}/").text

    def send(self, number: str) -> httpx.Response:
        return self.post(f"uploads/{number}/send")


@pytest.fixture
def study(small_deliveries: Path, tmp_path: Path) -> Path:
    """The study of the small deliveries, before any of them came."""
    leave = shutil.ignore_patterns("deliveries", "work", "pages", "warehouse")
    shutil.copytree(small_deliveries, tmp_path / "study", ignore=leave)
    return tmp_path / "study"


@pytest.fixture
def delivery(small_deliveries: Path) -> Path:
    """A delivery of larch, as a folder; do not change it."""
    folders = (small_deliveries / "deliveries" / "larch").iterdir()
    return next(path for path in sorted(folders) if path.is_dir())


@pytest.fixture
def address(study: Path) -> Iterator[str]:
    with running(desk_app(study)) as found:
        yield found


@pytest.fixture
def larch(study: Path, address: str) -> Visitor:
    return Visitor(address, Tokens(study).issue("larch"), "larch")
