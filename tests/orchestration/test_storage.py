"""What study.toml may say of storage, and the sentence for everything else."""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

from quietsleep.night.night import open_night
from quietsleep.study.storage import check_installed
from quietsleep.study.study import StorageSettings, StudyError, load_study
from tests.orchestration.services import ROOT, add_to_study


@pytest.fixture
def study(delivered: Path, tmp_path: Path) -> Path:
    (tmp_path / "demo" / "centres").mkdir(parents=True)
    for file in [*delivered.glob("*.toml"), *delivered.glob("centres/*.toml")]:
        target = tmp_path / "demo" / file.relative_to(delivered)
        target.write_bytes(file.read_bytes())
    return tmp_path / "demo"


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        ([], StorageSettings()),
        (["[storage]", 'deliveries = "s3://b/d/"'], StorageSettings(deliveries="s3://b/d")),
        (["[storage]", 'warehouse = "file:///mnt/w"'], StorageSettings(warehouse="file:///mnt/w")),
        (["[cluster]", 'scheduler = "tls://dask.internal:8786"'],
         StorageSettings(scheduler="tls://dask.internal:8786")),
    ],
)  # fmt: skip
def test_what_may_be_said(study: Path, lines: list[str], expected: StorageSettings) -> None:
    add_to_study(study, lines)
    assert load_study(study).storage == expected


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (['storage = "s3://b/d"'], r"write storage as a table, \[storage\]"),
        (["[storage]"], "give deliveries, warehouse or both"),
        (["[places]", 'warehouse = "s3://b/w"'], r"\[places\] is called \[storage\] now"),
        (["[storage]", 'delivery = "s3://b"'], r"\[storage\]: delivery is not known here; is del"),
        (["[storage]", 'deliveries = "b/d"'], 'write an address such as "s3://bucket/study"'),
        (["[storage]", 'deliveries = "s3://"'], "write an address"),
        (["[storage]", "deliveries = 3"], "deliveries is 3; it must be a text in quotes"),
        (["[storage]", 'deliveries = "s3://key:secret@b/d"'], "stand in the environment"),
        (["[storage]", 'deliveries = "s3://b/d?token=1"'], "stand in the environment"),
        (["[storage]", 'deliveries = "zip://a::s3://b/d.zip"'], "write an address"),
        (["[storage]", 'deliveries = "memory://d"'], "in the memory of one process"),
        (["[storage]", 'deliveries = "s3://b/d"', 'warehouse = "s3://b/d/w"'], "one inside the"),
        (["[storage]", 'deliveries = "s3://b/d"', 'key = "abc"'], "key is not known here"),
        (["[cluster]"], r"\[cluster\]: scheduler is missing"),
        (["[cluster]", 'scheduler = "host:8786"'], 'such as "tcp://host:8786"'),
        (["[cluster]", 'scheduler = "tcp://host"'], 'such as "tcp://host:8786"'),
        (["[cluster]", 'scheduler = "tcp://h:1"', "workers = 2"], "workers is not known here"),
    ],
)  # fmt: skip
def test_what_may_not_be_said_has_its_sentence(study: Path, lines: list[str], words: str) -> None:
    if lines[0].startswith("["):
        add_to_study(study, lines)
    else:
        text = (study / "study.toml").read_text(encoding="utf-8")
        (study / "study.toml").write_text("\n".join([*lines, text]), encoding="utf-8")
    with pytest.raises(StudyError, match=words) as caught:
        load_study(study)
    assert str(caught.value).startswith("study.toml") and "secret" not in str(caught.value)


@pytest.mark.parametrize("absent", ["fsspec", "distributed", "prefect_dask"])
def test_missing_package_says_what_to_install(
    absent: str, study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = "quietsleep.study.storage.find_spec"
    monkeypatch.setattr(found, lambda name: None if name == absent else find_spec(name))
    add_to_study(study, ["[storage]", 'warehouse = "s3://b/w"'])
    add_to_study(study, ["[cluster]", 'scheduler = "tcp://h:1"'])
    with pytest.raises(StudyError, match=r"pip install 'quietsleep\[cluster\]'"):
        open_night(study).__enter__()


@pytest.mark.parametrize(
    ("address", "words"),
    [("s4://b/w", "no kind of store is called s4://"), ("gs://b/w", "what reads gs:// is not")],
)
def test_store_of_another_kind(address: str, words: str) -> None:
    with pytest.raises(StudyError, match=words):
        check_installed(StorageSettings(warehouse=address))


def test_without_an_address_nothing_of_it_is_loaded(study: Path) -> None:
    """Neither the stores' library nor the cluster's, over a whole night of one machine."""
    code = (
        "import sys; from pathlib import Path; from quietsleep.night.stages import run_night; "
        "from quietsleep.night.orchestration.cluster import pool_of; "
        "run_night(Path(sys.argv[1]), workers=1, pool=pool_of); "
        # (The library of units looks whether dask itself is there.)
        "print(sorted({'fsspec', 's3fs', 'distributed', 'prefect_dask', 'prefect'} "
        "& set(sys.modules)))"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code, str(study)],
        capture_output=True, text=True, check=False, cwd=ROOT,
    )  # fmt: skip
    assert ended.stdout.strip() == "[]", ended.stderr
