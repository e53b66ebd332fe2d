"""The connection for readers reads one night, and does nothing else."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import duckdb
import pytest

from quietsleep.warehouse.database import open_current


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TABLE mine (a INTEGER)",
        "CREATE VIEW mine AS SELECT 1",
        "INSERT INTO sessions (session) VALUES ('x')",
        "UPDATE sessions SET status = 'accepted'",
        "DELETE FROM sessions",
        "DROP TABLE sessions",
        "SELECT * FROM read_csv('{file}')",
        "SELECT * FROM read_text('{file}')",
        "SELECT * FROM read_parquet('{file}')",
        "SELECT * FROM glob('{folder}/*')",
        "SELECT * FROM '{file}'",
        "COPY sessions TO '{folder}/out.csv'",
        "EXPORT DATABASE '{folder}/out'",
        "ATTACH '{folder}/other.duckdb' AS other",
        "INSTALL httpfs",
        "LOAD httpfs",
        "SELECT * FROM read_csv('https://example.org/a.csv')",
        "SET enable_external_access = true",
        "SET lock_configuration = false",
        "SET autoload_known_extensions = true",
        "CREATE PERSISTENT SECRET s (TYPE s3)",
    ],
)
def test_it_cannot(published: Path, tmp_path: Path, statement: str) -> None:
    file = tmp_path / "secret.csv"
    file.write_text("a,b\n1,2\n")
    with open_current(published) as connection, pytest.raises(duckdb.Error):
        connection.execute(statement.format(file=file, folder=tmp_path)).fetchall()
    assert [p.name for p in tmp_path.iterdir()] == ["secret.csv"]


def test_it_can_read(published: Path) -> None:
    with open_current(published) as connection:
        assert connection.execute("SELECT count(*) FROM sessions").fetchone() == (4,)


def test_it_stays_on_its_night_and_the_next_one_is_fresh(study: Any, tmp_path: Path) -> None:
    query = "SELECT count(*) FROM waivers"
    study.publish(tmp_path, "n1")
    old = open_current(tmp_path)
    study.add("waivers", centre="larch", waiver="w2", item_kind="test", item="x", rule="y")
    study.publish(tmp_path, "n2")
    with open_current(tmp_path) as new:
        assert old.execute(query).fetchone() == (1,)
        assert new.execute(query).fetchone() == (2,)
    old.close()
