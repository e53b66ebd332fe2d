"""Which code stands behind a number: digests of what is imported, libraries included.

The list of code is derived from the imports themselves, those inside functions too, so that a
forgotten file cannot leave an old number standing. What is left out has a reason beside it.
"""

from __future__ import annotations

import ast
import hashlib
import platform
import re
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, fields
from functools import cache
from importlib.metadata import PackageNotFoundError, packages_distributions, requires, version
from importlib.util import find_spec
from pathlib import Path

from quietsleep import contract
from quietsleep.contract.units import usual_factors
from quietsleep.data import data_folder
from quietsleep.study.dialect import TableDialect
from quietsleep.study.study import Centre, Device

PACKAGE = Path(__file__).parents[1]
NAME = PACKAGE.name
MEASURING = f"{NAME}.measure.recording"
INGESTING = f"{NAME}.intake.ingest"
NIGHT = f"{NAME}.night.stages"
# Modules that measuring imports and that cannot change a number, each with the reason.
NOT_OF_A_NUMBER: Mapping[str, str] = {
    NAME: "names the public interface, and nothing else",
    f"{NAME}.intake.identifiers": "decides only whether a word may be shown in a sentence",
    f"{NAME}.intake.reference": "puts problems into words",
    f"{NAME}.contract.equations": "reference equations act on outcomes, after measuring",
    f"{NAME}.contract.reference": "reference equations act on outcomes, after measuring",
    f"{NAME}.contract.schemas": "schemas of tables; no signal passes through them",
    f"{NAME}.intake.store": "brings bytes, and their digest is in the key",
    f"{NAME}.study.storage": "says where files lie, and their digest is in the key",
    f"{NAME}.measure.fingerprint": "makes the key, and no number",
    f"{NAME}.measure.plan": "its values are in the key one by one",
    f"{NAME}.measure.roster": "its values are in the key one by one",
}
# The same for what decides whether a row is taken in.
NOT_OF_A_ROW: Mapping[str, str] = {
    NAME: NOT_OF_A_NUMBER[NAME],
    f"{NAME}.contract.equations": NOT_OF_A_NUMBER[f"{NAME}.contract.equations"],
    f"{NAME}.contract.reference": NOT_OF_A_NUMBER[f"{NAME}.contract.reference"],
    f"{NAME}.store.state": "keeps what was decided",
}
# Rooms whose code cannot change what is published.
NOT_OF_THE_WAREHOUSE: Mapping[str, str] = {
    "cli": "prints", "server": "shows pages", "site": "prints what is published",
    "simulation": "writes the invented study",
    "__pycache__": "is there or not, by who ran the program and where",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Code:
    """Code behind a result: modules of ours and libraries, by the names they are imported by."""

    modules: frozenset[str]
    libraries: frozenset[str]


def code_behind(
    modules: Iterable[str],
    *,
    exceptions: Mapping[str, str] = NOT_OF_A_NUMBER,
    package: Path = PACKAGE,
) -> Code:
    """Follow the imports of modules of ours; exceptions, each with its reason, are not entered.

    Imports inside functions count; those for type checkers only do not.
    """
    found: set[str] = set()
    others: set[str] = set()
    waiting = list(modules)
    while waiting:
        name = waiting.pop()
        if name in found or name in exceptions:
            continue
        path = _path_of(name, package)
        if path is None:
            continue
        found.add(name)
        for imported in _imports(path):
            if imported.split(".")[0] == NAME:
                waiting.append(imported)
            else:
                others.add(imported.split(".")[0])
    return Code(frozenset(found), frozenset(others - sys.stdlib_module_names))


def _path_of(name: str, package: Path) -> Path | None:
    """Return the file of a module; None where the name is not one of a module."""
    inside = package.joinpath(*name.split(".")[1:])
    candidates = (inside.with_suffix(".py"), inside / "__init__.py")
    return next((path for path in candidates if path.is_file()), None)


@cache
def _imports(path: Path) -> frozenset[str]:
    """Return the names a file imports; of `from a import b` both a and a.b, if it is a module."""
    names: set[str] = set()
    for node in _statements(ast.parse(path.read_text(encoding="utf-8")).body):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return frozenset(names)


def _statements(body: Iterable[ast.AST]) -> Iterator[ast.AST]:
    """Yield statements and those inside them, but for what only type checkers see.

    No expression holds an import, and most of a tree is expressions.
    """
    for node in body:
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
            continue
        yield node
        for inner in ("body", "orelse", "finalbody", "handlers", "cases"):
            held = getattr(node, inner, ())
            yield from _statements(held if isinstance(held, list) else ())


@cache
def version_of(library: str) -> str:
    """Return the version of a library by its import name; "absent" where it is not installed."""
    with suppress(PackageNotFoundError):
        return version(library)
    names = packages_distributions().get(library, ())
    return " ".join(f"{name} {version(name)}" for name in sorted(set(names))) or "absent"


def digest_of(code: Code, *, package: Path = PACKAGE) -> str:
    """Return a digest of the bytes of modules and of the versions of Python and libraries."""
    digest = hashlib.sha256(repr(sys.version_info[:2]).encode())
    for name in sorted(code.modules):
        path = _path_of(name, package)
        digest.update(name.encode() + (b"" if path is None else path.read_bytes()))
    for library in sorted(code.libraries):
        digest.update(f"{library}={version_of(library)}".encode())
    return digest.hexdigest()


def module_of(technique: str) -> str:
    """Return the name of the module that measures a technique or check."""
    folder = "techniques" if technique in contract.TECHNIQUES else "techniques.checks"
    return f"{NAME}.{folder}.{technique}"


@cache
def measuring_code(technique: str) -> Code:
    """Return all code that can change a number of one technique or check."""
    return code_behind((MEASURING, module_of(technique)))


@cache
def measuring_fingerprint(technique: str) -> str:
    """Return a digest of all code, settings and libraries that can change a number of one."""
    spec = contract.TECHNIQUES.get(technique) or contract.CHECKS[technique]
    digest = hashlib.sha256(digest_of(measuring_code(technique)).encode())
    digest.update(repr(sorted(spec.settings.items())).encode())
    digest.update(repr((spec.channels, spec.shortest_s)).encode())
    digest.update(repr(sorted(usual_factors().items())).encode())
    return digest.hexdigest()[:16]


@cache
def intake_fingerprint() -> str:
    """Return a digest of what decides whether a row is taken in: its code and the contract."""
    code = digest_of(code_behind((INGESTING,), exceptions=NOT_OF_A_ROW))
    contracts = data_folder("contracts")
    words = (contracts / "identifiers.toml").read_bytes()
    # Lists of names and words, read as data: no import tells of them.
    lists = "".join(f"{name}={version_of(name)}" for name in ("faker", "names", "wordfreq"))
    digest = hashlib.sha256((code + _tree_digest(contracts / "tables") + lists).encode() + words)
    return digest.hexdigest()[:12]


@cache
def code_fingerprint() -> str:
    """Return a digest of all code and contracts that stand behind a published number."""
    rooms = (path for path in sorted(PACKAGE.iterdir()) if path.name not in NOT_OF_THE_WAREHOUSE)
    parts = [_tree_digest(path) for path in (*rooms, data_folder("contracts"))]
    return hashlib.sha256("".join(parts).encode()).hexdigest()[:12]


@cache
def program_fingerprint() -> str:
    """Return a digest of all that a night runs or shows: every file, and the libraries declared."""
    parts = [_tree_digest(path, every_file=True) for path in (PACKAGE, data_folder("contracts"))]
    needed = (need for need in requires(NAME) or () if "extra ==" not in need)
    declared = {re.split(r"[^\w.-]", need)[0] for need in needed}
    parts += [f"{name}={version_of(name)}" for name in sorted(declared)]
    return hashlib.sha256("".join(parts).encode()).hexdigest()


@cache
def installation_digest() -> str:
    """Return a digest of the program, this machine, and the files of libraries as they lie there.

    A library that was built or copied anew under the same version has other sizes or times.
    """
    machine = f"{sys.version} {platform.node()} {platform.machine()} {platform.release()}"
    digest = hashlib.sha256(f"{program_fingerprint()} {machine}".encode())
    for library in sorted(code_behind((NIGHT,)).libraries):
        spec = find_spec(library)
        for folder in spec.submodule_search_locations or () if spec else ():
            for path in sorted(Path(folder).rglob("*")):
                if "__pycache__" not in path.parts and path.is_file():
                    info = path.stat()
                    digest.update(f"{path}\0{info.st_size}\0{info.st_mtime_ns}".encode())
    return digest.hexdigest()


# Of an entry, what says since when and where it holds, or which files and columns are its own.
_CHANGES_NO_NUMBER = ("centre", "valid_from", "file_names", "ignored_columns")
# Keys that came later: an entry that does not use them is the entry that it was.
_CAME_LATER = ("csv_encoding", "csv_skip_lines", "csv_units_row", "time_format")


@cache
def device_digest(device: Device) -> str:
    """Return a digest of all that an entry of a device says of its numbers."""
    defaults = {each.name: each.default for each in fields(Device)}
    said = {
        name: value
        for name, value in asdict(device).items()
        if name not in _CHANGES_NO_NUMBER and not (name in _CAME_LATER and value == defaults[name])
    }
    return hashlib.sha256(repr(said).encode()).hexdigest()


def registration_digest(centre: Centre, tables: TableDialect | None = None) -> str:
    """Return a digest of what a centre has registered: a new device changes what is taken in.

    `tables` is what the study registers of the tables of all centres.
    """
    said = (asdict(centre), None if tables is None else asdict(tables))
    return hashlib.sha256(repr(said).encode()).hexdigest()[:12]


def _tree_digest(path: Path, *, every_file: bool = False) -> str:
    found = [path] if path.is_file() else sorted(path.rglob("*"))
    digest = hashlib.sha256()
    for file in found:
        if file.suffix in {".py", ".toml", ".sql"} or (
            every_file and file.is_file() and "__pycache__" not in file.parts
        ):
            digest.update(file.name.encode())
            digest.update(file.read_bytes())
    return digest.hexdigest()
