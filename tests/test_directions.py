"""Imports run one way from room to room, in no circle from module to module; rooms stay readable.

`python -m tests.test_directions` draws the house in words: rooms, floors, arrows and circles.
"""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SOURCE = ROOT / "pipeline"
PACKAGE = SOURCE / "quietsleep"

# In the order of the data: a room imports rooms before it, and none after it.
ROOMS = (
    "data", "errors", "records", "contract", "study", "store", "intake", "signals", "techniques",
    "measure", "judge", "warehouse", "review", "site", "tell", "night", "server", "simulation",
    "cli",
)  # fmt: skip
RANK = {room: number for number, room in enumerate(ROOMS)}
# The simulator shares no line with what it is to test; the command line and the public interface
# start it.
OF_SIMULATION, MAY_SIMULATE = {"simulation", "data"}, {"simulation", "cli", ""}
# The one room that knows the orchestrator.
ORCHESTRATION = PACKAGE / "night" / "orchestration"
# Modules with one importer, each with what it is that its importer is not.
ONE_IMPORTER: Mapping[str, str] = {
    "quietsleep": "the public interface, of which one command needs a function as well",
    "quietsleep.cli.begin": "the words that begin something, apart from those of every day",
    "quietsleep.cli.device": "a command with words and printing of its own",
    "quietsleep.cli.releasing": "what leaves the study, apart from the words of every day",
    "quietsleep.cli.serving": "the desk, apart from the other words that people type",
    "quietsleep.cli.proofs": "the words that prove or compare, apart from the app",
    "quietsleep.cli.nights": "the words that people type to run nights, apart from the app",
    "quietsleep.contract.load": "imported at the first use of a name: the package stays light",
    "quietsleep.intake.erase": "files of deliveries, apart from what is written down of it",
    "quietsleep.intake.pack": "a command of its own",
    "quietsleep.intake.templates": "a command of its own",
    "quietsleep.intake.identifiers.values": "the order of looks, apart from the door of the room",
    "quietsleep.intake.identifiers.columns": "what headings ask for, apart from what values hold",
    "quietsleep.intake.identifiers.addresses": "one kind of identifier",
    "quietsleep.intake.identifiers.caseless": "one kind of writing",
    "quietsleep.intake.identifiers.contacts": "two kinds of identifiers",
    "quietsleep.intake.identifiers.dates": "one kind of identifier",
    "quietsleep.intake.identifiers.logins": "one kind of identifier",
    "quietsleep.intake.identifiers.numbers": "one kind of identifier",
    "quietsleep.intake.identifiers.people": "one kind of identifier",
    "quietsleep.intake.dates": "what clocks say, apart from what rows hold",
    "quietsleep.intake.withdrawn": "what is left out for good, apart from what is held",
    "quietsleep.judge.blocks": "how a study is cut, apart from how its blocks are judged",
    "quietsleep.judge.kept": "files of judged blocks, apart from judging",
    "quietsleep.judge.conservation": "the count that must come out, apart from what it counts",
    "quietsleep.judge.outcomes": "how trials become one number, apart from judging",
    "quietsleep.measure.origin": "where code comes from, apart from what it amounts to",
    "quietsleep.night.answers_asked": "when known answers are asked, apart from what they are",
    "quietsleep.night.deliveries": "what a night says of deliveries, apart from its stages",
    "quietsleep.night.device.entry": "what is written down, apart from what is proposed",
    "quietsleep.night.device.picture": "what is drawn, apart from what is said",
    "quietsleep.night.device.sign": "which way things run, apart from units",
    "quietsleep.night.device.trial": "what it would measure, apart from what it is",
    "quietsleep.night.telling": "what a night does when it is over, apart from its stages",
    "quietsleep.night.timer": "a command of its own",
    "quietsleep.night.queries": "what a night asks of people, apart from the order of its stages",
    "quietsleep.night.answers_by_hand": "what must come out, apart from what did",
    "quietsleep.night.orchestration.cluster_worker": "what runs on other machines",
    "quietsleep.night.orchestration.nightly": "flows, which know the orchestrator when imported",
    "quietsleep.night.orchestration.run": "starts the orchestrator; its flows must not import it",
    "quietsleep.night.orchestration.stages_at_work": "what flows only refer to: they are copied",
    "quietsleep.night.orchestration.schedule": "a command of its own",
    "quietsleep.server.attempts": "wrong tokens over time, apart from what a token is",
    "quietsleep.server.door": "what may come in, apart from how connections are served",
    "quietsleep.server.line": "one connection, apart from those that are here together",
    "quietsleep.server.patience": "how long is waited, apart from the sockets waited for",
    "quietsleep.server.answering": "queries at the desk, apart from its routes",
    "quietsleep.server.blind_traces": "signals that are drawn anew, apart from who looks at them",
    "quietsleep.server.reading": "the routes of blind reading, apart from what starts them",
    "quietsleep.server.desk": "the routes of the desk, apart from the command that starts it",
    "quietsleep.signals.lost": "marks of what was not measured, apart from the traces with them",
    "quietsleep.signals.drift": "what is taken out of volume, apart from the breaths that show it",
    "quietsleep.signals.inflations": "what inflations gave and got back, apart from the squeeze",
    "quietsleep.signals.timing": "delay between channels, apart from the loops drawn with them",
    "quietsleep.signals.recovery": "where breathing is on its way to, apart from finding breaths",
    "quietsleep.store.measured": "rows of what was measured, apart from the file that keeps them",
    "quietsleep.store.state_witness": "what is remembered of the state, apart from the state",
    "quietsleep.simulation.example": "one session for a new study, apart from the demo study",
    "quietsleep.site.pages.briefing": "five answers, apart from the page that begins with them",
    "quietsleep.site.pages.changes": "one page",
    "quietsleep.site.pages.drifts": "what drifts, apart from the control charts below it",
    "quietsleep.site.pages.funnels": "centres against chance, apart from the matrix",
    "quietsleep.site.pages.matrix": "centres and techniques, apart from the page that holds them",
    "quietsleep.site.pages.missing": "one page",
    "quietsleep.site.pages.reasons": "one page",
    "quietsleep.site.pages.letter": "one page",
    "quietsleep.site.pages.overview": "one page",
    "quietsleep.site.pages.session": "one page",
    "quietsleep.site.pages.test": "one page",
    "quietsleep.site.report.figures": "what the plotting library draws, apart from what is said",
    "quietsleep.site.report.flow": "one picture, apart from the page that holds it",
    "quietsleep.site.report.inline": "pictures as a page may hold them, apart from what they show",
    "quietsleep.site.report.methods": "words for a paper, apart from the page that holds them",
    "quietsleep.site.report.write": "a command of its own",
    "quietsleep.site.small": "what is drawn in the night, apart from what its page says",
    "quietsleep.site.write": "the front door of the room",
    "quietsleep.tell.send": "what goes out, apart from the night that asks for it",
    "quietsleep.tell.mail": "one way out of the outbox",
    "quietsleep.tell.webhook": "one way out of the outbox",
    "quietsleep.study.begin": "commands of their own",
    "quietsleep.warehouse.briefing": "what is said of the other tables, apart from publishing them",
    "quietsleep.warehouse.layout": "what runs in a process of its own: it is light to import",
    "quietsleep.warehouse.equation_check": "one statistic with its own source",
    "quietsleep.warehouse.repeatability": "one statistic with its own sources",
    "quietsleep.warehouse.sample_size": "one statistic with its own sources",
    "quietsleep.warehouse.drifts": "one statistic with its own sources",
    "quietsleep.warehouse.standing": "one statistic with its own source",
    "quietsleep.warehouse.infants": "infants over time, apart from the tables that hold them",
}
LONGEST_MODULE = 520


def name_of(path: Path) -> str:
    parts = path.relative_to(SOURCE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {name_of(path): path for path in sorted(PACKAGE.rglob("*.py"))}


@cache
def imported(path: Path) -> set[str]:
    """Dotted names of everything that a module imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                names.add(inner if inner in MODULES else node.module)
    return names


def room_of(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def arrows() -> dict[str, set[str]]:
    """Module -> the modules of ours that it imports."""
    return {
        name: {other for other in imported(path) & MODULES.keys() if other != name}
        for name, path in MODULES.items()
    }


def circles(graph: Mapping[str, set[str]]) -> list[list[str]]:
    """Sets of modules that import each other in a circle (Tarjan, SIAM J Comput 1972;1:146-160)."""
    index: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    found: list[list[str]] = []

    def visit(node: str) -> None:
        index[node] = low[node] = len(index)
        stack.append(node)
        for other in graph[node]:
            if other not in index:
                visit(other)
                low[node] = min(low[node], low[other])
            elif other in stack:
                low[node] = min(low[node], index[other])
        if low[node] == index[node]:
            circle = stack[stack.index(node) :]
            del stack[stack.index(node) :]
            if len(circle) > 1:
                found.append(circle)

    for node in graph:
        if node not in index:
            visit(node)
    return found


def test_every_room_has_its_place() -> None:
    rooms = {room_of(name) for name in MODULES} - {""}
    assert rooms == set(RANK)


def test_rooms_import_only_rooms_before_them() -> None:
    for name, others in arrows().items():
        own = room_of(name)
        for other in others:
            if own and room_of(other):
                assert RANK[room_of(other)] <= RANK[own], f"{name}: {other}"


def test_modules_import_each_other_in_no_circle() -> None:
    assert circles(arrows()) == []


def test_simulator_and_analysis_share_nothing() -> None:
    for name, others in arrows().items():
        rooms = {room_of(other) for other in others} - {""}
        if room_of(name) == "simulation":
            assert rooms <= OF_SIMULATION, name
        elif "simulation" in rooms:
            assert room_of(name) in MAY_SIMULATE, name


def test_only_one_room_knows_the_orchestrator() -> None:
    for path in MODULES.values():
        if ORCHESTRATION not in path.parents:
            known = {name.split(".")[0] for name in imported(path)}
            assert not known & {"prefect", "prefect_dask", "dask", "distributed"}, path


def test_flows_that_are_deployed_are_thin() -> None:
    for path in (ROOT / "dags").glob("*.py"):
        nodes = ast.parse(path.read_text(encoding="utf-8")).body
        assert all(isinstance(n, ast.Expr | ast.ImportFrom | ast.Assign) for n in nodes), path


def test_only_the_store_knows_the_library_of_stores() -> None:
    """And only when it is asked: without an address, nothing of it is loaded."""
    for path in MODULES.values():
        known = {name.split(".")[0] for name in imported(path)} & {"fsspec", "s3fs", "botocore"}
        assert not known or path.stem in {"store", "storage"}, path


def test_techniques_and_checks_never_import_each_other() -> None:
    for name, others in arrows().items():
        if room_of(name) == "techniques" and not name.endswith("interface"):
            shared = {o for o in others if room_of(o) == "techniques"}
            assert shared <= {"quietsleep.techniques.interface"}, name


def test_data_never_becomes_code() -> None:
    """No pickle, eval, exec or unsafe loader anywhere in what runs."""
    for path in MODULES.values():
        names = {name.split(".")[0] for name in imported(path)}
        assert not names & {"pickle", "shelve", "marshal", "dill", "yaml", "joblib"}, path
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id not in ("eval", "exec", "compile", "__import__"), path


def test_no_module_is_a_drawer_for_everything() -> None:
    for path in MODULES.values():
        assert path.stem not in ("utils", "util", "helpers", "helper", "common", "misc"), path
        assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST_MODULE, path


def test_module_with_one_importer_has_a_reason() -> None:
    importers = defaultdict(set)
    for name, others in arrows().items():
        for other in others:
            importers[other].add(name)
    alone = {name for name in MODULES if len(importers[name]) == 1}
    assert alone == set(ONE_IMPORTER)


def test_no_two_classes_have_one_name() -> None:
    """What a room keeps to itself is marked with an underscore and may be called as it likes."""
    homes = defaultdict(list)
    for name, path in MODULES.items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                homes[node.name].append(name)
    assert not {name: where for name, where in homes.items() if len(where) > 1}


@pytest.mark.parametrize("folder", ["contracts", "demo_centres"])
def test_data_folders_hold_no_code(folder: str) -> None:
    assert not list((ROOT / folder).rglob("*.py"))


def house() -> Iterator[str]:
    """Tell rooms with their floors, arrows between rooms, and circles of modules."""
    graph = arrows()
    between = {
        (room_of(name), room_of(other))
        for name, others in graph.items()
        for other in others
        if room_of(name) and room_of(other) and room_of(name) != room_of(other)
    }
    floor: dict[str, int] = {}
    for room in ROOMS:
        floor[room] = max((floor[b] + 1 for a, b in between if a == room and b in floor), default=0)
    for room in sorted(ROOMS, key=lambda r: (-floor[r], r)):
        n = sum(room_of(name) == room for name in MODULES)
        yield f"floor {floor[room]:2d}  {room:12s} {n:3d} modules"
    yield (
        f"{len(ROOMS)} rooms, {max(floor.values()) + 1} floors, {len(between)} arrows between "
        f"rooms, {len(circles(graph))} circles; {len(MODULES)} modules, "
        f"{len(ONE_IMPORTER)} with one importer"
    )


if __name__ == "__main__":
    print("\n".join(house()))
