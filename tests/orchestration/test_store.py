"""What a store answers reads like a local file or folder: bytes, or a reason with a number."""

from __future__ import annotations

import errno
import os
import shutil
import zipfile
from pathlib import Path
from typing import Any

import pytest
import s3fs

from quietsleep.intake import store as store_module
from quietsleep.intake.delivery import read_delivery
from quietsleep.intake.files.read import MOST_BYTES, read_bounded
from quietsleep.intake.find import FoundDelivery, take_inventory
from quietsleep.intake.store import Address, placed
from quietsleep.measure.pool import in_process
from quietsleep.night.doctor import examine
from quietsleep.night.stages import run_night
from quietsleep.study.study import Study, load_study
from tests.orchestration.services import BUCKET, LOOPBACK, Store, free_port, parts


def found_in(study: Study, centre: str, delivery: str) -> FoundDelivery:
    return next(f for f in take_inventory(study).found[centre] if f.delivery == delivery)


def test_addresses_are_put_together_like_paths() -> None:
    folder = Address("s3://bucket/study/larch/d1")
    assert str(folder / "signals/x.csv") == "s3://bucket/study/larch/d1/signals/x.csv"
    inside = Address("zip://d1/::s3://bucket/larch/d1.zip") / "signals/x.csv"
    assert str(inside) == "zip://d1/signals/x.csv::s3://bucket/larch/d1.zip"
    assert (folder / "a.csv").name == inside.name.replace("x", "a") == "a.csv"
    assert str(Address("zip://::s3://b/d1.zip") / "x.csv") == "zip://x.csv::s3://b/d1.zip"
    assert placed("/study/deliveries/larch") == Path("/study/deliveries/larch")
    assert placed(str(folder)) == folder


def test_files_are_read_in_one_request_and_within_bounds(s3: Store) -> None:
    files = s3.files
    for name, data in [("some.csv", b"12345"), ("none.csv", b"")]:
        files.pipe_file(f"s3://{BUCKET}/read/{name}", data)
    s3.forget()
    some = Address(f"s3://{BUCKET}/read/some.csv")
    assert read_bounded(some) == b"12345" and s3.counts() == {"GET": 1}
    assert read_bounded(Address(f"s3://{BUCKET}/read/none.csv")) == b""
    assert read_bounded(some, 5) == b"12345"
    with pytest.raises(OSError, match="larger than") as large:
        read_bounded(some, 4)
    assert large.value.errno is None
    with pytest.raises(FileNotFoundError):
        read_bounded(Address(f"s3://{BUCKET}/read/missing.csv"))


class Refuses(s3fs.S3FileSystem):  # type: ignore[misc]
    """A store that fails as it was told to."""

    failure: Exception = OSError()

    def cat_file(self, *args: Any, **kwargs: Any) -> bytes:
        raise self.failure

    find = ls = open = info = cat_file


class ConnectTimeoutError(Exception):
    """Named as the store's library names it."""


@pytest.mark.parametrize(
    ("failure", "number", "words"),
    [
        (PermissionError("AccessDenied: key AKIA123"), errno.EACCES, "permission denied"),
        (OSError("something"), errno.EIO, "the store does not answer"),
        (OSError(errno.ENETUNREACH, "unreachable"), errno.ENETUNREACH, "unreachable"),
        (
            ConnectTimeoutError("http://internal"),
            errno.EIO,
            "does not answer (ConnectTimeoutError)",
        ),
        (ValueError("Bad Request at http://internal"), errno.EIO, "does not answer (ValueError)"),
    ],
)
def test_failures_have_a_number_and_tell_no_address(
    failure: Exception, number: int, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store_module, "_store", lambda _: Refuses())
    monkeypatch.setattr(Refuses, "failure", failure)
    place = Address("s3://b/larch/x.csv")
    for act in (lambda: place.read(10), place.listed, place.children, place.open):
        store_module._DOWN.clear()
        with pytest.raises(OSError) as caught:
            act()
        assert caught.value.errno == number and words in str(caught.value.strerror)
        assert "internal" not in str(caught.value) and "AKIA" not in str(caught.value)


def test_store_that_does_not_answer_is_waited_for_once(
    s3: Store, stored: Path, one_machine: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without it the night is amber or red with a sentence, and what was taken in stays."""
    run_night(stored, pool=in_process)
    before = parts(stored)
    assert before == parts(one_machine)
    with monkeypatch.context() as patched:
        patched.setenv("AWS_ENDPOINT_URL", f"http://{LOOPBACK}:{free_port()}")
        patched.setenv("AWS_MAX_ATTEMPTS", "1")
        patched.setattr(s3fs.S3FileSystem, "retries", 1)
        s3fs.S3FileSystem.clear_instance_cache()
        down = run_night(stored, pool=in_process)
        findings = [finding.sentence for finding in examine(load_study(stored))]
    s3fs.S3FileSystem.clear_instance_cache()
    store_module._DOWN.clear()
    assert down.state == "red" and down.published and down.n_measured == 0
    said = " ".join(down.sentences)
    assert "uploading failed: s3://" in said and "does not answer" in said
    assert "The folder of deliveries of all centres cannot be opened: the store" in said
    assert any("cannot be opened: the store does not answer" in f for f in findings)
    assert "127.0.0.1" not in said
    # Nothing that was delivered is lost, and the next night uploads both.
    again = run_night(stored, pool=in_process)
    assert again.state != "red" and not again.idle and again.n_measured == 0
    address = Address(load_study(stored).storage.warehouse)
    assert (address / "current").read(100) == f"{again.night}\n".encode()
    assert {*(address / "nights").children()} == {"n000001", "n000002", "n000003"}
    assert run_night(stored, pool=in_process).idle


def test_archive_in_a_store_is_read_where_it_lies(s3: Store, stored: Path) -> None:
    study = load_study(stored)
    found = found_in(study, "sedge", "sedge-01")
    delivered = read_delivery(study, found)
    assert delivered.state == "accepted" and str(delivered.root).startswith("zip://")
    recordings = delivered.tables["recordings"]
    s3.forget()
    sizes = [len(read_bounded(delivered.root / file)) for file in recordings["file"]]
    # Its list of entries is read once, and whole blocks: fewer requests than recordings.
    assert all(sizes) and s3.counts()["HEAD"] == 1 and s3.counts()["GET"] <= len(sizes) + 2
    missing = delivered.root / "signals/none.csv"
    with pytest.raises(OSError, match="not the one any more") as caught:
        read_bounded(missing)
    assert caught.value.errno == errno.EIO
    with pytest.raises(OSError, match="larger"):
        read_bounded(delivered.root / recordings["file"][0], 10)


@pytest.mark.parametrize("spoil", ["cut", "bytes", "escaping", "bomb", "empty"])
def test_bad_archives_are_refused_as_in_a_folder(
    spoil: str, s3: Store, stored: Path, delivered: Path, tmp_path: Path
) -> None:
    archive = tmp_path / "sedge-09.zip"
    shutil.copy(delivered / "deliveries" / "sedge" / "sedge-01.zip", archive)
    data = archive.read_bytes()
    if spoil == "cut":
        archive.write_bytes(data[: len(data) // 2])
    elif spoil == "bytes":
        archive.write_bytes(os.urandom(5000))
    elif spoil == "empty":
        archive.write_bytes(b"")
    else:
        with zipfile.ZipFile(archive, "a", zipfile.ZIP_DEFLATED) as out:
            name, content = ("../out.csv", b"x") if spoil == "escaping" else ("b", bytes(3 * 10**7))
            out.writestr(name, content)
    study = load_study(stored)
    s3.files.put_file(str(archive), f"{study.storage.deliveries}/sedge/sedge-09.zip")
    result = read_delivery(study, found_in(study, "sedge", "sedge-09"))
    assert result.state == "quarantined" and [p.kind for p in result.problems] == ["archive"]
    assert not list(tmp_path.rglob("out.csv"))


def test_odd_names_and_strays_are_named_as_in_a_folder(s3: Store, stored: Path) -> None:
    study = load_study(stored)
    root = study.storage.deliveries
    whole = {p.rpartition("/larch-01/")[2]: p for p in s3.files.find(f"{root}/larch/larch-01")}
    for inside, path in whole.items():
        s3.files.copy(path, f"{root}/larch/Anna Hollis/{inside}")
    odd = {
        f"{root}/larch/larch-01/a/b/c/d/e/deep.csv": "deep",
        f"{root}/larch/larch-01/Thumbs.db": "left behind",
        f"{root}/larch/notes.txt": "loose",
        f"{root}/larch/.hidden/x": "hidden",
        f"{root}/elm/d1/delivery.json": "of nobody",
    }
    for path in odd:
        s3.files.pipe_file(path, b"x")
    seen = take_inventory(study)
    names = [f.delivery for f in seen.found["larch"]]
    assert names == ["badly-named-1", "larch-01", "larch-02"]
    result = read_delivery(study, found_in(study, "larch", "badly-named-1"))
    assert result.problems[0].kind == "delivery_name" and "Anna" not in repr(result)
    first = read_delivery(study, found_in(study, "larch", "larch-01"))
    assert first.state == "accepted"
    assert [p.where for p in first.problems if p.kind == "unsafe_path"] == ["a/b/c/d"]
    assert sorted(p.centre for p in seen.strays) == ["", "larch"]
    assert "notes" not in repr(seen.strays) and "elm" not in repr(seen.strays)


def test_delivery_without_its_list_is_still_arriving(s3: Store, stored: Path) -> None:
    study = load_study(stored)
    path = f"{study.storage.deliveries}/larch/larch-01/delivery.json"
    content = s3.files.cat_file(path)
    s3.files.rm_file(path)
    found = found_in(study, "larch", "larch-01")
    assert (found.state, read_delivery(study, found).state) == ("arriving", "arriving")
    s3.files.pipe_file(path, content)
    assert found_in(study, "larch", "larch-01").state == "arrived"


def test_bucket_that_is_not_there_is_named(s3: Store, stored: Path) -> None:
    text = (stored / "study.toml").read_text().replace(f"s3://{BUCKET}/", "s3://other-bucket/")
    (stored / "study.toml").write_text(text)
    seen = take_inventory(load_study(stored))
    assert [p.kind for p in seen.strays] == ["folder_not_opened"]
    assert "of all centres cannot be opened: it is not there" in seen.strays[0].sentence


def test_file_that_cannot_be_had_tonight_is_tried_again(
    s3: Store, stored: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, names = Address.read, ["delivery.json", "larch-s001-tid1.csv"]

    def refused(self: Address, most_bytes: int = MOST_BYTES) -> bytes:
        if self.name in names and "larch-01" in str(self):
            raise OSError(errno.EIO, "the store does not answer", str(self))
        return real(self, most_bytes)

    study = load_study(stored)
    for state in ("quarantined", "accepted"):
        with monkeypatch.context() as patched:
            patched.setattr(Address, "read", refused)
            held = read_delivery(study, found_in(study, "larch", "larch-01"))
        # This kind is taken in again every night, changed or not.
        assert held.state == state and "not_opened" in {p.kind for p in held.problems}
        names = [name for name in names if name != "delivery.json"]
    assert read_delivery(study, found_in(study, "larch", "larch-01")).state == "accepted"
