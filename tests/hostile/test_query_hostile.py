"""No statement leads from the warehouse to files, the network, settings or code (see also
tests/warehouse/test_query.py, which holds the simple ones)."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pandas as pd
import pytest

from quietsleep.warehouse.database import HARDENED, QueryError, run_query

SECRET = "what stands in a file beside the warehouse"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "night"
    folder.mkdir()
    with duckdb.connect(folder / "study.duckdb") as made:
        made.execute("CREATE TABLE sessions AS SELECT 'larch' AS centre, 1 AS n")
        made.execute("CREATE VIEW clean AS SELECT * FROM sessions")
    (tmp_path / "secret.csv").write_text(f"a\n{SECRET}\n")
    (tmp_path / "secret.json").write_text(f'{{"a": "{SECRET}"}}')
    pd.DataFrame({"a": [SECRET]}).to_parquet(tmp_path / "secret.parquet")
    with duckdb.connect(tmp_path / "other.duckdb") as other:
        other.execute(f"CREATE TABLE t AS SELECT '{SECRET}' AS a")
    return tmp_path


FILES = ("secret.csv", "secret.json", "secret.parquet", "other.duckdb", "night/study.duckdb")
READERS = ("read_csv", "read_csv_auto", "read_text", "read_blob", "read_parquet", "parquet_scan",
           "read_json", "read_json_auto", "read_ndjson", "read_json_objects", "parquet_metadata",
           "parquet_schema", "parquet_kv_metadata", "sniff_csv", "glob", "read_duckdb",
           "parquet_file_metadata")  # fmt: skip
STATEMENTS = (
    *(f"SELECT * FROM {reader}('{{folder}}/{file}')" for reader in READERS for file in FILES),
    *(f"SELECT * FROM '{{folder}}/{file}'" for file in FILES),
    *(f"FROM \"{{folder}}/{file}\"" for file in FILES),
    "SELECT * FROM read_text(['{folder}/secret.csv'])", "FROM read_csv('{folder}/*.csv')",
    "SELECT (SELECT content FROM read_text('{folder}/secret.csv'))",
    "WITH x AS (FROM read_csv('{folder}/secret.csv')) FROM x",
    "EXPLAIN ANALYZE SELECT * FROM read_csv('{folder}/secret.csv')",
    "SELECT * FROM query('FROM read_csv(''{folder}/secret.csv'')')",
    "SELECT * FROM query_table('{folder}/secret.csv')", "PREPARE p AS FROM '{folder}/secret.csv'",
    "CREATE TEMP VIEW v AS FROM read_csv('{folder}/secret.csv')",
    "CREATE TEMP TABLE t AS FROM read_csv('{folder}/secret.csv')",
    "CREATE MACRO m() AS TABLE FROM read_csv('{folder}/secret.csv')",
    "CREATE TEMP MACRO m() AS TABLE FROM read_csv('{folder}/secret.csv'); FROM m()",
    "DESCRIBE FROM '{folder}/secret.csv'", "SUMMARIZE FROM '{folder}/secret.csv'",
    "COPY sessions TO '{folder}/out.csv'", "COPY sessions TO '{folder}/out.parquet'",
    "COPY (SELECT 1) TO '{folder}/out.json'", "COPY sessions FROM '{folder}/secret.csv'",
    "COPY FROM DATABASE study TO other", "EXPORT DATABASE '{folder}/out'",
    "IMPORT DATABASE '{folder}'", "ATTACH '{folder}/other.duckdb'",
    "ATTACH '{folder}/other.duckdb' AS o (READ_ONLY)", "ATTACH '{folder}/new.duckdb' AS n",
    "INSTALL httpfs", "INSTALL '{folder}/x.duckdb_extension'", "LOAD '{folder}/x'", "LOAD httpfs",
    "FORCE INSTALL httpfs", "INSTALL sqlite FROM community", "UPDATE EXTENSIONS",
    "INSTALL x FROM 'http://127.0.0.1:9'", "SELECT * FROM sqlite_scan('{folder}/x', 't')",
    "SELECT * FROM postgres_scan('host=127.0.0.1', 'a', 'b')",
    "SELECT * FROM st_read('{folder}/x')",
    "SELECT * FROM 'http://127.0.0.1:9/a.csv'", "SELECT * FROM read_parquet('s3://x/y')",
    "SELECT * FROM read_csv('file://{folder}/secret.csv')", "SELECT getenv('HOME')",
    "SET enable_external_access = true", "RESET enable_external_access", "RESET lock_configuration",
    "SET GLOBAL enable_external_access = true", "PRAGMA enable_external_access = true",
    "SET lock_configuration = false", "SET allowed_directories = ['{folder}']",
    "SET allowed_paths = ['{folder}/secret.csv']", "SET home_directory = '{folder}'",
    "SET temp_directory = '{folder}'", "SET extension_directory = '{folder}'",
    "SET custom_extension_repository = 'http://127.0.0.1:9'", "SET log_query_path = '{folder}/log'",
    "SET profiling_output = '{folder}/p'", "SET allow_unsigned_extensions = true",
    "SET autoinstall_known_extensions = true", "SET allow_community_extensions = true",
    "PRAGMA enable_profiling", "PRAGMA enable_checkpoint_on_shutdown", "PRAGMA database_size = 1",
    "SET secret_directory = '{folder}'", "CREATE SECRET s (TYPE s3)",
    "CREATE PERSISTENT SECRET s (TYPE http)", "SET python_enable_replacements = true",
    "INSERT INTO sessions VALUES ('x', 2)", "DELETE FROM sessions", "TRUNCATE sessions",
    "UPDATE sessions SET n = 2", "DROP VIEW clean", "DROP TABLE sessions",
    "ALTER TABLE sessions ADD x INT",
    "CREATE TABLE t (a INT)", "CREATE SCHEMA s", "CREATE SEQUENCE s", "CREATE TYPE t AS ENUM ('a')",
    "CREATE OR REPLACE VIEW clean AS SELECT 1", "COMMENT ON TABLE sessions IS 'x'",
    "MERGE INTO sessions USING sessions AS s ON true WHEN MATCHED THEN DELETE",
    "SELECT 1; DROP TABLE sessions", "BEGIN; DELETE FROM sessions; COMMIT",
    "SELECT * FROM secret", "SELECT * FROM folder", "SELECT * FROM frame", "SELECT * FROM pd",
)  # fmt: skip


def test_no_statement_leaves_the_warehouse(folder: Path) -> None:
    frame = pd.DataFrame({"a": [SECRET]})
    secret = frame
    assert len(STATEMENTS) > 150 and len(secret) == 1
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    answered = []
    for statement in STATEMENTS:
        with duckdb.connect(
            folder / "night" / "study.duckdb", read_only=True, config=dict(HARDENED)
        ) as connection:
            try:
                answer = run_query(connection, statement.format(folder=folder))
            except QueryError as error:
                assert str(error).startswith("The warehouse does not answer"), statement
                assert SECRET not in str(error), statement
            else:
                answered.append(statement)
                assert SECRET not in answer.to_csv(), statement
    with duckdb.connect(folder / "night" / "study.duckdb", read_only=True) as connection:
        assert run_query(connection, "SELECT n FROM clean")["n"].tolist() == [1]
    after = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    assert after == before
    # The database may be looked at as the file that it is: it is what is being asked already.
    own = "/night/study.duckdb"
    assert [statement for statement in answered if own not in statement] == []
