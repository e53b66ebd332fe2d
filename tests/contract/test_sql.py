"""Any text, name and file is itself inside a statement, whatever signs it holds."""

from __future__ import annotations

import ast
import re
import shutil
import tempfile
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from quietsleep.contract.sql import exact_path, exact_paths, identifier, literal

PACKAGE = Path(__file__).resolve().parents[2] / "pipeline" / "quietsleep"
SIGNS = "'\";-%[]*{}$~#&()!,. aé漢\n"
ANY_TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
FOLDERS = st.text(st.sampled_from(SIGNS), min_size=1, max_size=12).filter(
    lambda name: name.strip(".")
)
AWKWARD = 'l\'étude [2] "x"; --'


@settings(deadline=None)
@given(ANY_TEXT)
@example("'; DROP TABLE t; --")
def test_a_literal_is_its_text(text: str) -> None:
    with duckdb.connect() as connection:
        assert connection.execute(f"SELECT {literal(text)}").fetchall() == [(text,)]


@settings(deadline=None)
@given(ANY_TEXT.filter(bool))
@example('a"; DROP TABLE t; --')
def test_an_identifier_is_its_name(name: str) -> None:
    with duckdb.connect() as connection:
        answer = connection.execute(f"SELECT 1 AS {identifier(name)}")
        assert [column[0] for column in answer.description or ()] == [name]


@settings(deadline=None, max_examples=60)
@given(FOLDERS)
@example(AWKWARD)
@example("study*")
@example("[ab]")
@example("a[!b]-c")
def test_a_file_is_read_and_no_other_beside_it(name: str) -> None:
    """The folders beside it are those that its name would mean as a pattern."""
    top = Path(tempfile.mkdtemp())
    try:
        for number, folder in enumerate((name, "study1", "a", "b", "ac-c", "x")):
            path = top / folder / "part.parquet"
            path.parent.mkdir(exist_ok=True)
            if not path.exists():
                pq.write_table(pa.table({"n": [number]}), path)
        own = top / name / "part.parquet"
        with duckdb.connect() as connection:
            as_parameter = connection.execute(
                "SELECT n FROM read_parquet(?, hive_partitioning = false)", [[exact_path(own)]]
            ).fetchall()
            as_text = connection.execute(
                f"SELECT n FROM read_parquet({exact_paths([own])}, hive_partitioning = false)"
            ).fetchall()
            attached = literal(str(top / name / "made.duckdb"))
            connection.execute(f"ATTACH {attached} AS made; CREATE TABLE made.t AS SELECT 7 AS n")
            assert connection.execute("FROM made.t").fetchall() == [(7,)]
        assert as_parameter == as_text == [(0,)]
        assert (top / name / "made.duckdb").is_file()
    finally:
        shutil.rmtree(top)


QUOTED_BY_HAND = re.compile(r"""(?ix) (['"])\{[^}]*\}\1 """)
IS_SQL = re.compile(r"\b(SELECT|ATTACH|CREATE|COPY|INSERT|COMMENT ON|read_parquet|FROM)\b")
# Texts of the program itself, which no file or person gives: constants, outcomes, columns.
OWN_WORDS = re.compile(r"[A-Z_]+|column|name")


def _by_hand(path: Path) -> list[str]:
    """Return what is put between quotes by hand in the statements of a module."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.JoinedStr) and IS_SQL.search(text := ast.unparse(node)):
            quoted = [m.group().strip("'\"{}") for m in QUOTED_BY_HAND.finditer(text)]
            found += [f"{path.name}: {q}" for q in quoted if not OWN_WORDS.fullmatch(q)]
    return found


@pytest.mark.parametrize("room", sorted(p.name for p in PACKAGE.iterdir() if p.is_dir()))
def test_no_statement_is_quoted_by_hand(room: str) -> None:
    allowed = {"cli"}  # examples of commands, in words
    if room not in allowed:
        assert [w for path in (PACKAGE / room).rglob("*.py") for w in _by_hand(path)] == []
