"""Imports run one way, and modules stay readable."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

# Earlier stages know nothing of later ones. Modules of one row may know each other.
LAYERS = (
    ("setbacks",),
    ("records",),
    ("study", "study_devices", "study_entry", "study_places"),
    ("intake",),
    ("signals",),
    ("techniques", "equipment"),
    ("jobs", "measure"),
    ("acceptance",),
    ("growth", "references", "outcomes", "scoring", "judging"),
    ("state_file", "state_rows", "state", "roster", "planning", "evidence", "standing"),
    ("known_answers",),
    ("review",),
    ("conservation", "blocks", "ledger"),
    ("warehouse",),
    ("pages",),
    ("reviewing", "judged_night", "night_state", "night", "taking_in", "stages"),
    ("rejudge", "doctor"),
    ("closing", "review_lists"),
    (
        "cli_app",
        "cli_ask",
        "cli_doctor",
        "cli_fetch",
        "cli_nights",
        "cli_pages",
        "cli_release",
        "cli_review",
    ),
    ("cli",),
)
RANK = {name: rank for rank, names in enumerate(LAYERS) for name in names}

FOREIGN = {
    "contracts": {"pipeline", "dags", "demo_centres"},
    "demo_centres": {"pipeline", "dags"},
}
# The command line is the one place of the pipeline that may call the flows and the demo.
COMMANDS = {name for name in RANK if name.startswith("cli")}


def modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def imported(path: Path) -> set[str]:
    """Dotted names of everything that a module imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def part_of(path: Path) -> str:
    inside = path.relative_to(ROOT / "pipeline").parts
    return inside[0].removesuffix(".py")


@pytest.mark.parametrize("package", sorted(FOREIGN))
def test_package_imports_nothing_it_may_not_know(package: str) -> None:
    for path in modules(package):
        known = {name.split(".")[0] for name in imported(path)}
        assert not known & FOREIGN[package], path


def test_every_part_of_the_pipeline_has_its_place() -> None:
    parts = {part_of(path) for path in modules("pipeline")} - {"__init__"}
    assert parts <= set(RANK), parts - set(RANK)


def test_stages_import_only_earlier_stages() -> None:
    for path in modules("pipeline"):
        own = part_of(path)
        if own == "__init__":
            continue
        for name in imported(path):
            parts = name.split(".")
            if parts[0] == "pipeline" and len(parts) > 1 and parts[1] in RANK:
                assert RANK[parts[1]] <= RANK[own], f"{path}: {name}"


def test_only_dags_know_the_orchestrator() -> None:
    for path in [*modules("pipeline"), *modules("contracts"), *modules("demo_centres")]:
        known = {name.split(".")[0] for name in imported(path)}
        assert not known & {"prefect", "prefect_dask", "dask", "distributed"}, path


def test_only_the_store_knows_the_library_of_stores() -> None:
    """And only when it is asked: without an address, nothing of it is loaded."""
    for path in [*modules("pipeline"), *modules("contracts"), *modules("dags")]:
        known = {name.split(".")[0] for name in imported(path)} & {"fsspec", "s3fs", "botocore"}
        assert not known or path.stem in {"store", "study_places"}, path


def test_pipeline_calls_flows_and_demo_only_from_the_command_line() -> None:
    for path in modules("pipeline"):
        if part_of(path) not in COMMANDS:
            known = {name.split(".")[0] for name in imported(path)}
            assert not known & {"dags", "demo_centres"}, path


def test_techniques_and_checks_never_import_each_other() -> None:
    keepers = [p for d in ("techniques", "equipment") for p in modules(f"pipeline/{d}")]
    for path in keepers:
        if path.stem in ("__init__", "interface"):
            continue
        for name in imported(path):
            parts = name.split(".")
            if parts[0] == "pipeline" and parts[1:2] in (["techniques"], ["equipment"]):
                assert parts[2:3] == ["interface"], f"{path}: {name}"


def test_data_never_becomes_code() -> None:
    """No pickle, eval, exec or unsafe loader anywhere in what runs."""
    for package in ("pipeline", "contracts", "dags", "demo_centres"):
        for path in modules(package):
            names = {name.split(".")[0] for name in imported(path)}
            assert not names & {"pickle", "shelve", "marshal", "dill", "yaml", "joblib"}, path
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                    assert node.func.id not in ("eval", "exec", "compile", "__import__"), path


def test_no_module_is_a_drawer_for_everything() -> None:
    for package in ("pipeline", "contracts", "dags", "demo_centres"):
        for path in modules(package):
            assert path.stem not in ("utils", "util", "helpers", "helper", "common", "misc"), path
            assert len(path.read_text(encoding="utf-8").splitlines()) <= 320, path
