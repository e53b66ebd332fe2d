"""Take in one delivery: list of files, tables, privacy, references, files; nothing here raises.

The order matters: nothing of a delivery is put into words before the privacy scan has passed.
"""

from __future__ import annotations

import errno
import json
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from quietsleep import contract
from quietsleep.intake.cells import TypedTable, typed_table
from quietsleep.intake.dates import created_ahead, find_future, other_day
from quietsleep.intake.dialect import DELIVERY_TABLES, find_tables
from quietsleep.intake.files.header import SignalHeader, heading_of
from quietsleep.intake.files.read import Unreadable, read_signal
from quietsleep.intake.find import MANIFEST, FoundDelivery, bad_name, found_at, usable_name
from quietsleep.intake.hold import (
    USABLE_ID,
    Holding,
    KnownSession,
    KnownSessions,
    find_faults,
    hold,
    hold_files,
)
from quietsleep.intake.manifest import Manifest, Verifier, read_manifest, unlisted_files
from quietsleep.intake.privacy import PrivacyScan
from quietsleep.intake.problems import (
    missing_tables,
    no_centre,
    no_manifest,
    not_unpacked,
    strange_entries,
    too_many_faults,
    unregistered_columns,
    unused_files,
)
from quietsleep.intake.reference import DeliveryReference, study_words
from quietsleep.intake.source import (
    Archive,
    DeliveryFiles,
    Refused,
    discard,
    not_opened,
    open_source,
    unpack,
)
from quietsleep.intake.store import Address
from quietsleep.intake.tables import DeliveredTables, read_tables
from quietsleep.intake.text_table import (
    TextTable,
    check_header,
    unread_columns,
)
from quietsleep.records import Problem
from quietsleep.study.dialect import TableWords, words_of
from quietsleep.study.study import Centre, Device, Study

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ReadDelivery", "look_through", "read_delivery"]

Stamps = Mapping[str, tuple[int, int, str]]


def read_delivery(
    study: Study,
    found: FoundDelivery,
    known: Stamps | None = None,
    *,
    sessions: KnownSessions | None = None,
    arrived_at: datetime | None = None,
) -> ReadDelivery:
    """Take in one delivery; whatever is wrong with it becomes a problem in the result.

    `known` holds the stamps of an earlier night: files of the same size and time are not hashed
    again. `sessions` are those that other deliveries of the centre brought, None where they cannot
    be asked; the delivery arrived at `arrived_at`, now unless given. An archive is unpacked into
    the work folder once it is accepted; one in a store is read where it lies, now and when it is
    measured.
    """
    target = study.work_path / "unpacked" / found.centre / found.delivery
    root = target if found.is_archive else found.path  # of an archive in a store: once it is open
    if found.state == "arriving":
        return without_rows(found, root, "arriving", found.problems)
    if found.problems:
        return without_rows(found, root, "quarantined", found.problems)
    try:
        with open_source(found) as source:
            if isinstance(source, Archive) and isinstance(found.path, Address):
                root = source.inside(found.path)
            at = arrived_at or datetime.now(UTC)
            delivered = _Intake(study, found, source, known or {}, root, sessions, at).run()
            if isinstance(source, Archive) and isinstance(root, Path):
                delivered = _unpacked(source, found, delivered, root)
            return delivered
    except Refused as refused:
        return without_rows(found, root, "quarantined", [refused.problem])


def look_through(
    study: Study, path: Path, known: Mapping[str, KnownSessions] | None = None
) -> tuple[list[Problem], ReadDelivery | None]:
    """Check a delivery wherever it lies: the same contract, and every signal file is read.

    Returns what is wrong with it, and what it brings where it could be read. `known` are the
    sessions that each centre has delivered; None where they cannot be asked.
    """
    path = path.resolve()
    found = found_at(path, study.code_now(path.parent.name))
    if found.centre not in study.centres:
        found = found_at(path, study.code_now(_centre_said_inside(found)))
    place = DeliveryReference(found.centre, found.delivery)
    if found.state == "arriving" and not found.problems:
        return [no_manifest(place)], None
    if found.centre not in study.centres:
        return [no_centre(DeliveryReference("", found.delivery), study.centres)], None
    problems = [] if usable_name(found.delivery, study) else [bad_name(place)]
    with tempfile.TemporaryDirectory(prefix="quietsleep-check-") as folder:
        sessions = None if known is None else known.get(found.centre, {})
        delivered = read_delivery(replace(study, path=Path(folder)), found, sessions=sessions)
        problems += [*delivered.problems, *_unreadable_signals(study, delivered)]
        return problems, delivered


@dataclass(slots=True)
class _Intake:
    """One delivery on its way in."""

    study: Study
    found: FoundDelivery
    source: DeliveryFiles
    known: Stamps
    root: Path | Address
    sessions: KnownSessions | None
    arrived_at: datetime
    tables: DeliveredTables = field(default_factory=DeliveredTables)

    @property
    def place(self) -> DeliveryReference:
        return DeliveryReference(self.found.centre, self.found.delivery, self.tables.called)

    @property
    def centre(self) -> Centre:
        return self.study.centres[self.found.centre]

    def run(self) -> ReadDelivery:
        """Take in the delivery; see `read_delivery`."""
        try:
            manifest = read_manifest(self.source.read(MANIFEST), self.found, self.centre.was)
        except (OSError, KeyError) as error:
            said = no_manifest(self.place)
            if isinstance(error, OSError) and error.errno not in {None, errno.ENOENT}:
                said = not_opened(self.place, MANIFEST, error)
            return without_rows(self.found, self.root, "quarantined", [said])
        verifier = Verifier(self.source, self.place, manifest.files, self.known)
        files = find_tables(manifest.files)
        self.tables = read_tables(files, verifier.read, self.place, self.words)
        texts = self.tables.texts
        scan = self._scan()
        scan.tables([*texts.values(), *self.tables.sheets])
        others = {*self.source.files, *self.found.strange} - {*manifest.files}
        # Signals are called by codes; what lies beside the tables, as those like who exported it.
        listed = {path for path in manifest.files if "/" in path}
        beside = {*manifest.files} - listed - {*files.texts.values()}
        listed |= {*manifest.replaces}
        scan.paths(listed, others | beside, manifest.unknown_fields)
        if scan.problems:
            return without_rows(self.found, self.root, "quarantined", scan.problems)
        for text in texts.values():
            check_header(text, self.place)
        stopping = [*manifest.problems]
        if not stopping:
            stopping += self.tables.stopping
            unread = self.tables.unread
            stopping += missing_tables(texts, files, verifier, self.place, unread=unread)
        stopping += [p for text in texts.values() for p in text.problems]
        if stopping:
            return self._stopped(manifest, stopping, texts)
        typed = {
            name: typed_table(text, self.place, self.centre.zone) for name, text in texts.items()
        }
        find_faults(typed, self.centre, self.place, self.sessions)
        find_future(typed, self.arrived_at, self.place)
        if stopping := too_many_faults(typed, self.place):
            return self._stopped(manifest, stopping, texts)
        headings = self._verify_signals(typed, verifier)
        for path, (heading, device) in headings.items():
            scan.heading(heading, device, path)
        if scan.problems:
            return without_rows(self.found, self.root, "quarantined", scan.problems)
        return self._accept(
            manifest, verifier, scan=scan, texts=texts, typed=typed, headings=headings
        )

    @property
    def words(self) -> TableWords:
        """What is registered of the tables of the centre."""
        return words_of(self.study.tables, self.centre.tables)

    def _scan(self) -> PrivacyScan:
        schedule = self.study.schedule
        planned = (name for visit in (schedule.visits if schedule else ()) for name in visit.names)
        return PrivacyScan(
            self.place,
            study_words(self.study),
            zone=self.centre.zone,
            registered=self.words,
            visits=frozenset(planned),
        )

    def _stopped(
        self, manifest: Manifest, problems: list[Problem], texts: Mapping[str, TextTable]
    ) -> ReadDelivery:
        stopped = without_rows(self.found, self.root, "quarantined", problems)
        stopped.created, stopped.sha256 = manifest.created, manifest.sha256
        stopped.names = names_in(texts)
        return stopped

    def _devices_of_sessions(self, sessions: pd.DataFrame) -> dict[str, Device]:
        """The entry in force of the device of each session that this delivery or another says."""
        said = {s: (known.device, known.on) for s, known in (self.sessions or {}).items()}
        own = zip(sessions["session"], sessions["device"], sessions["local_day"], strict=True)
        said |= {s: (device, day) for s, device, day in own if isinstance(device, str)}
        devices = {s: self.centre.device_on(code, day) for s, (code, day) in said.items() if code}
        return {s: device for s, device in devices.items() if device is not None}

    def _verify_signals(
        self, typed: Mapping[str, TypedTable], verifier: Verifier
    ) -> dict[str, tuple[SignalHeader, Device]]:
        devices = self._devices_of(typed)
        tables = self.tables.files.paths
        self.source.expect(p for p in verifier.as_listed() if p not in tables)
        headings: dict[str, tuple[SignalHeader, Device]] = {}
        for path in verifier.listed:
            if path in tables:
                continue
            data = verifier.read(path)
            if data is not None and path in devices:
                headings[path] = (heading_of(data, devices[path]), devices[path])
        return headings

    def _devices_of(self, typed: Mapping[str, TypedTable]) -> dict[str, Device]:
        """Which device wrote which file, as far as the tables say so."""
        recordings = typed["recordings"].frame
        of_session = self._devices_of_sessions(typed["sessions"].frame)
        devices: dict[str, Device | None] = {
            path: of_session.get(session)
            for path, session in zip(recordings["file"], recordings["session"], strict=True)
        }
        checks = typed["checks"].frame
        named = zip(checks["file"], checks["device"], checks["local_day"], strict=True)
        devices |= {path: self.centre.device_on(code, day) for path, code, day in named}
        return {path: device for path, device in devices.items() if device is not None}

    def _accept(
        self,
        manifest: Manifest,
        verifier: Verifier,
        *,
        scan: PrivacyScan,
        texts: Mapping[str, TextTable],
        typed: Mapping[str, TypedTable],
        headings: Mapping[str, tuple[SignalHeader, Device]],
    ) -> ReadDelivery:
        holding = hold(typed)
        of_session = self._devices_of_sessions(holding.clean["sessions"])
        hold_files(
            holding,
            verifier.verified.bad,
            manifest.files,
            centre=self.centre,
            of_sessions=of_session,
            place=self.place,
        )
        holding.problems += created_ahead(manifest.created, self.arrived_at, self.place)
        holding.problems += other_day(typed, self.sessions or {}, self.place)
        holding.problems += unlisted_files(self.source, manifest, self.place, scan.may_show)
        holding.problems += strange_entries(self.found.strange, self.place, scan.may_show)
        holding.problems += unread_columns([*texts.values(), *self.tables.sheets], self.place)
        unnamed = {*manifest.files} - self.tables.files.paths
        holding.problems += self.tables.unread
        holding.problems += unused_files(typed, unnamed, self.place, scan.may_show)
        holding.problems += unregistered_columns(headings, self.place)
        return ReadDelivery(
            self.found.centre,
            self.found.delivery,
            "accepted",
            self.root,
            created=manifest.created,
            sha256=manifest.sha256,
            tables=holding.clean,
            held=holding.held,
            files={path: (stamp[0], stamp[2]) for path, stamp in verifier.stamps.items()},
            stamps=verifier.stamps,
            held_sessions=holding.sessions,
            held_rows=holding.rows,
            problems=holding.problems,
            read_tolerantly=" ".join(text.told for text in texts.values() if text.told),
            replaces=manifest.replaces,
            leans_on=_leans_on(typed, self.sessions or {}),
            counts=_counts(texts, holding),
        )


def names_in(texts: Mapping[str, TextTable]) -> tuple[str, ...]:
    """What a refused delivery names by usable codes: once all of it came anew, it is cured."""
    found: set[str] = set()
    wanted = {
        "sessions": ("session",),
        "recordings": ("session", "recording"),
        "checks": ("check",),
        "reported": ("session", "technique", "outcome"),
    }
    for name, columns in wanted.items():
        text = texts.get(name)
        if text is None or not {*columns} <= {*text.header}:
            continue
        at = [text.header.index(column) for column in columns]
        for row in text.rows:
            cells = [row.cells[n] if n < len(row.cells) else "" for n in at]
            if all(USABLE_ID.fullmatch(cell) for cell in cells):
                found.add(f"{name}:{'/'.join(cells)}")
    return tuple(sorted(found))


def _leans_on(
    typed: Mapping[str, TypedTable], known: KnownSessions
) -> dict[str, KnownSession | None]:
    """What is known of the sessions that a delivery names and does not bring."""
    own = {*typed["sessions"].frame["session"].dropna()}
    named = {
        str(session)
        for name in ("recordings", "reported")
        for session in typed[name].frame["session"].dropna()
    }
    return {session: known.get(session) for session in sorted(named - own)}


def _counts(texts: Mapping[str, TextTable], holding: Holding) -> dict[str, int]:
    """Rows of each table: in the file, clean, held. In the file = clean + held."""
    counts: dict[str, int] = {}
    for name in DELIVERY_TABLES:
        counts[f"{name}_rows"] = len(texts[name].rows) if name in texts else 0
        counts[f"{name}_clean"] = len(holding.clean[name])
        counts[f"{name}_held"] = len(holding.held[name])
    return counts


def _unpacked(
    source: Archive, found: FoundDelivery, delivered: ReadDelivery, target: Path
) -> ReadDelivery:
    mark = target.with_name(f"{target.name}.unpacked")
    if delivered.state != "accepted":
        discard(target)
        return delivered
    wanted = f"{found.stat_digest} {delivered.sha256}"
    with suppress(OSError):
        if target.is_dir() and mark.read_text(encoding="utf-8") == wanted:
            return delivered
    try:
        unpack(source, _looked_through(delivered), target)
        mark.write_text(wanted, encoding="utf-8")
    except OSError:
        discard(target)
        place = DeliveryReference(found.centre, found.delivery)
        return without_rows(found, target, "quarantined", [not_unpacked(place)])
    return delivered


def _looked_through(delivered: ReadDelivery) -> list[str]:
    """The files that a clean row names: only these were searched for persons as a whole.

    Of tables only the columns that are read were; and nothing reads them a second time.
    """
    named = {f for name in ("recordings", "checks") for f in delivered.tables[name]["file"]}
    return [path for path in delivered.files if path in named]


def _centre_said_inside(found: FoundDelivery) -> str:
    with suppress(Refused, OSError, KeyError, ValueError, RecursionError):
        with open_source(found) as source:
            content = json.loads(source.read(MANIFEST))
        return str(content["centre"]) if isinstance(content, dict) else ""
    return ""


def _unreadable_signals(study: Study, delivered: ReadDelivery) -> Sequence[Problem]:
    """Read every signal file that a clean row names, as the night will."""
    if delivered.state != "accepted":
        return []
    tables, held = delivered.tables, delivered.held_rows
    sessions: dict[str, Any] = {
        s: {"device": said.device, "local_day": said.on}
        for s, said in delivered.leans_on.items()
        if said
    }
    sessions |= {row["session"]: row for row in tables["sessions"].to_dict("records")}
    jobs = [
        (r["recording"], r["session"], r["file"], sessions[r["session"]], r["technique"])
        for r in tables["recordings"].to_dict("records")
        if ("recordings", r["row"]) not in held
    ]
    jobs += [
        (r["check"], None, r["file"], r, r["kind"])
        for r in tables["checks"].to_dict("records")
        if ("checks", r["row"]) not in held
    ]
    specs = {**contract.TECHNIQUES, **contract.CHECKS}
    problems: list[Problem] = []
    for item, session, file, on, key in jobs:
        device = study.device_on(on["device"], on["local_day"]) or study.devices[on["device"]]
        try:
            read_signal(
                delivered.root / file,
                device,
                specs[key].channels,
                delivery=delivered.delivery,
                where=file,
            )
        except Unreadable as error:
            problems.append(replace(error.problem, session=session, recording=item))
    return problems


DeliveredState = Literal["accepted", "quarantined", "arriving"]


@dataclass(slots=True)
class ReadDelivery:
    """What one delivery brought.

    `tables` (sessions, recordings, checks, reported) hold the clean typed rows, `held` the rows
    held back, bad cells missing; both have the columns of the contract, `row`, and `local_day`,
    the day by the centre's own clock. `held_rows` (table and line -> reasons) are the rows that are
    held for a reason of their own; one that is held because of its file keeps its clean row. `root`
    is the folder that `files` lie in; `stamps` are their (bytes, mtime_ns, sha256), to be handed in
    again the next night. `read_tolerantly` says what of the tables was read as something else than
    it is written. `replaces` are sessions that the delivery replaces whole; `leans_on` are those
    that it names and does not bring, with what was known of them. `names` is what a refused
    delivery names, as far as its tables could be read and name no person.
    """

    centre: str
    delivery: str
    state: DeliveredState
    root: Path | Address
    created: datetime | None = None
    sha256: str = ""
    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    held: dict[str, pd.DataFrame] = field(default_factory=dict)
    files: dict[str, tuple[int, str]] = field(default_factory=dict)
    stamps: dict[str, tuple[int, int, str]] = field(default_factory=dict)
    held_sessions: dict[str, list[Problem]] = field(default_factory=dict)
    held_rows: dict[tuple[str, int], list[Problem]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    read_tolerantly: str = ""
    counts: dict[str, int] = field(default_factory=dict)
    replaces: tuple[str, ...] = ()
    leans_on: dict[str, KnownSession | None] = field(default_factory=dict)
    names: tuple[str, ...] = ()


def without_rows(
    found: FoundDelivery, root: Path | Address, state: DeliveredState, problems: Iterable[Problem]
) -> ReadDelivery:
    """Return a delivery of which nothing is taken in but its problems."""
    return ReadDelivery(found.centre, found.delivery, state, root, problems=list(problems))
