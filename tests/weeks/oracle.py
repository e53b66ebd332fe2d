"""What should stand after each night, by the written rules of delivery alone.

A fold over arrivals: every row of every delivery is looked at again each night, and of each key
the last row counts. The rules, in the words of the contract:

- A recording is known by centre, session and code; a check by centre, device, local day and code; a
  session by centre and code. Deliveries count in the order of arrival.
- A row replaces the row of the same key, whole; what a delivery does not name stays. `replaces`
  takes all recordings of a session out first, and what was reported of them. What was replaced is
  superseded and counted.
- A bad row quarantines its session, so a change that is held is not passed over: what it changes
  waits until it is put right. A signal file that cannot be read holds its recording. A table that
  is cut short holds the whole delivery: it was not read, and replaces nothing.
- What is withdrawn, or came without consent, is a count and nothing else.
- What was taken in of a delivery that is taken away still counts. Where work/ is lost as well it is
  held: it can be read no more, and is not passed over.
- A delivery that was edited or taken away is asked about as long as something rests on it: until
  all of it is replaced or withdrawn. That it is lost holds rows, and is no question more; what it
  said of itself is lost as well.
- A withdrawal of an infant reaches its sessions that can be read; of a session that is lost
  nothing but its code is known, and by that it is withdrawn.
- A check out of tolerance is asked about until a later one of its device is in tolerance.
- A session that lacks a check of its day is asked about, unless one of that day is held or lost.
- A recording that is not of its session's day is asked about, unless the session is held.
- The same signal twice is asked about, also where a session of it is held: it may be mixed up.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Literal

from tests.weeks.history import (
    Action,
    Begin,
    Bytes,
    Check,
    Deliver,
    Delivery,
    Edit,
    Finish,
    LoseWork,
    Recalibrate,
    Recording,
    Remove,
    Rename,
    Reported,
    Session,
    Withdraw,
)

Key = tuple[str, ...]
Kind = Literal["session", "recording", "check", "reported"]
Query = tuple[str, str, frozenset[str]]  # what it is about, centre, what it names
# Whether the rows of a delivery that was refused as a whole are known and counted.
COUNTS_REFUSED = False
LATE_AFTER_DAYS = 7 + 2  # [schedule] of the invented study
CREATED_AHEAD_DAYS = 1.0
LOW_SATURATION_PCT = 90
TESTED_HOUR = 10


@dataclass(frozen=True, slots=True)
class Row:
    """One row of one delivery."""

    place: int  # in the order of arrival of its centre
    delivery: str
    kind: Kind
    key: Key
    cells: Session | Recording | Check | Reported
    session: str  # empty for a check
    bad: bool
    lost: bool = False  # of a delivery that is gone, and so is what was taken in of it


@dataclass(slots=True)
class Arrival:
    """A delivery that has arrived."""

    centre: str
    delivery: Delivery
    name: str
    night: int
    came: Delivery
    gone: bool = False
    lost: bool = False  # gone, and so is what was taken in then: known by name, never to be read

    @property
    def edited(self) -> bool:
        """Whether it is not any more as it came; what was written again unchanged is."""
        return self.delivery != self.came


@dataclass(slots=True)
class Expected:
    """What should stand after one night; keys begin with the centre."""

    sessions: dict[Key, tuple[str, float, str]] = field(default_factory=dict)
    held_sessions: set[Key] = field(default_factory=set)
    recordings: dict[Key, tuple[str, Bytes]] = field(default_factory=dict)
    held_recordings: Counter[tuple[str, str, str, str]] = field(default_factory=Counter)
    checks: dict[Key, tuple[str, Bytes]] = field(default_factory=dict)
    reported: dict[Key, tuple[str, float]] = field(default_factory=dict)
    superseded: dict[tuple[str, str, Key, str], set[str]] = field(default_factory=dict)
    counts: dict[str, Counter[str]] = field(default_factory=dict)
    accepted: set[Key] = field(default_factory=set)
    session_checks: dict[Key, Key] = field(default_factory=dict)
    rests_on: dict[Key, tuple[object, ...]] = field(default_factory=dict)
    deliveries: dict[Key, str] = field(default_factory=dict)
    centres: dict[str, str] = field(default_factory=dict)
    queries: set[Query] = field(default_factory=set)
    withdrawn: set[Key] = field(default_factory=set)


class Oracle:
    """Remembers what arrived and what was said, and says what should stand."""

    def __init__(self, centres: tuple[str, ...]) -> None:
        self.centres = list(centres)
        self.arrivals: list[Arrival] = []
        self.arriving: dict[str, Delivery] = {}
        self.withdrawals: list[Withdraw] = []
        self.gains: dict[str, list[tuple[int, float]]] = {}
        self.work_lost = -1  # the night before which work/ was lost last

    # ------------------------------------------------------------------ what happens

    def happens(self, night: int, action: Action) -> None:
        """Take note of one thing that happened before a night."""
        match action:
            case Deliver(delivery):
                self.arrive(night, delivery)
            case Begin(delivery):
                self.arriving[delivery.delivery] = delivery
            case Finish(_, name):
                self.arrive(night, self.arriving.pop(name))
            case Edit(delivery):
                self.arrival_of(delivery.delivery).delivery = delivery
            case Remove(_, name):
                arrival = self.arrival_of(name)
                arrival.gone, arrival.lost = True, self.work_lost == night
            case LoseWork():
                self.work_lost = night
                for arrival in self.arrivals:
                    if arrival.gone:
                        arrival.lost = True
            case Recalibrate(centre, day, factor):
                self.gains.setdefault(centre, []).append((day, factor))
            case Withdraw():
                self.withdrawals += [action, *self.known_of(action)]
            case Rename(was, centre, _):
                self.rename(was, centre)

    def arrive(self, night: int, delivery: Delivery) -> None:
        centre = next((n for n in self.centres if n.startswith(delivery.centre)), delivery.centre)
        self.arrivals.append(Arrival(centre, delivery, delivery.delivery, night, delivery))

    def arrival_of(self, name: str) -> Arrival:
        return next(a for a in self.arrivals if a.name == name)

    def known_of(self, action: Withdraw) -> Iterator[Withdraw]:
        """The sessions of an infant that are known when it is withdrawn."""
        if not action.infant:
            return
        for arrival in self.arrivals:
            if arrival.centre == action.centre and not (arrival.lost or arrival.delivery.cut):
                for session in arrival.delivery.sessions:
                    if session.infant == action.infant:
                        yield replace(action, infant="", session=session.session)

    def rename(self, was: str, centre: str) -> None:
        self.centres = [centre if c == was else c for c in self.centres]
        for arrival in self.arrivals:
            if arrival.centre == was:
                arrival.centre = centre
        if was in self.gains:
            self.gains[centre] = self.gains.pop(was)
        self.withdrawals = [
            Withdraw(centre, w.infant, w.session, w.erase) if w.centre == was else w
            for w in self.withdrawals
        ]

    # ------------------------------------------------------------------ what should stand

    @property
    def can_be_rebuilt(self) -> bool:
        """Whether the deliveries that lie there are all that ever arrived."""
        return not any(a.gone for a in self.arrivals)

    def stands(self, night: int) -> Expected:
        """What should stand after this night."""
        expected = Expected()
        for centre in self.centres:
            self.of_centre(centre, night, expected)
        return expected

    def of_centre(self, centre: str, night: int, expected: Expected) -> None:
        arrivals = [a for a in self.arrivals if a.centre == centre]
        fold = Fold(centre, arrivals, [w for w in self.withdrawals if w.centre == centre])
        expected.counts[centre] = Counter()
        for row in fold.rows:
            place(fold, row, expected)
        expected.withdrawn |= {(centre, session) for session in fold.out}
        self.judge(fold, expected)
        for arrival in arrivals:
            expected.deliveries[centre, arrival.name] = "gone" if arrival.gone else "arrived"
        for name, delivery in self.arriving.items():
            if centre.startswith(delivery.centre):
                expected.deliveries[centre, name] = "arriving"
        expected.centres[centre] = "nothing"
        if arrivals:
            late = night - max(a.night for a in arrivals) > LATE_AFTER_DAYS
            expected.centres[centre] = "late" if late else "delivered"
        queries = [*asked(fold), *compared(fold)]
        queries += [*judged(fold, expected), *signals(fold)]
        expected.queries |= {(what, centre, frozenset(names)) for what, *names in queries}

    def judge(self, fold: Fold, expected: Expected) -> None:
        """Link sessions to checks, and say which tests are accepted and what each rests on."""
        centre = fold.centre
        for code, cells in fold.sessions.items():
            if (centre, code) not in expected.sessions:
                continue
            day = sorted(
                (hour_of(key), key)
                for key in expected.checks
                if key[:2] == (centre, str(cells.day)) and hour_of(key) <= TESTED_HOUR
            )
            check = day[-1][1] if day else None
            mine = {k: v for k, v in expected.recordings.items() if k[:2] == (centre, code)}
            if check:
                expected.session_checks[centre, code] = check
            good = check is not None and expected.checks[check][1].kind == "syringe"
            if good and any(b.kind == "sound" for _, b in mine.values()):
                expected.accepted.add((centre, code))
            gains = [(d, f) for d, f in sorted(self.gains.get(centre, ())) if d <= cells.day]
            expected.rests_on[centre, code] = (
                sorted((k[2], b.kind, b.variant) for k, (_, b) in mine.items()),
                cells,
                gains[-1:],
                expected.checks[check][1] if check else None,
            )


class Fold:
    """All rows that one centre ever delivered, and of each key the last one."""

    def __init__(self, centre: str, arrivals: list[Arrival], withdrawals: list[Withdraw]) -> None:
        self.centre = centre
        self.arrivals = arrivals
        self.rows = [row for n, a in enumerate(arrivals) for row in rows_of(n, a)]
        self.last = {row.key: row for row in self.rows}
        self.sessions = {
            row.session: row.cells
            for row in self.last.values()
            if isinstance(row.cells, Session) and not row.bad
        }
        self.replaces = {
            (n, session) for n, a in enumerate(arrivals) for session in a.delivery.replaces
        }
        codes, infants = {w.session for w in withdrawals}, {w.infant for w in withdrawals} - {""}
        self.out = {
            row.session
            for row in self.rows
            if row.session in codes
            or (isinstance(row.cells, Session) and not row.lost and row.cells.infant in infants)
        } | {code for code, cells in self.sessions.items() if cells.consent == "no"}
        self.out.discard("")

    def replaced_by(self, row: Row) -> set[str]:
        """Names of the deliveries that replaced a row."""
        later = {r.place for r in self.rows if r.key == row.key and r.place > row.place}
        if row.kind in {"recording", "reported"}:
            later |= {n for n, code in self.replaces if code == row.session and n > row.place}
        return {self.arrivals[n].name for n in later}

    def state_of(self, row: Row) -> str:
        """The one state that a row is in."""
        if row.session in self.out:
            return "withdrawn"
        if self.replaced_by(row):
            return "superseded"
        if row.bad or (row.session and row.session not in self.sessions):
            return "quarantined"
        return "in_force"


def place(fold: Fold, row: Row, expected: Expected) -> None:
    """Put one row where it should stand."""
    state, centre = fold.state_of(row), fold.centre
    key = (centre, *row.key[1:])
    if row.kind == "recording":
        expected.counts[centre]["delivered"] += 1
        expected.counts[centre][state] += 1
    match state, row.cells:
        case "superseded", Session() | Recording() | Check():
            item = (centre, row.kind, key, row.delivery)
            expected.superseded.setdefault(item, set()).update(fold.replaced_by(row))
        case "quarantined", Recording() as cells:
            expected.held_recordings[centre, cells.session, cells.recording, row.delivery] += 1
        case "quarantined", Session():
            expected.held_sessions.add(key)
        case "in_force", Session() as cells:
            expected.sessions[key] = (row.delivery, cells.weight_kg, cells.infant)
        case "in_force", Recording() as cells:
            expected.recordings[key] = (row.delivery, cells.bytes_)
        case "in_force", Check() as cells:
            expected.checks[key] = (row.delivery, cells.bytes_)
        case "in_force", Reported() as cells:
            expected.reported[key] = (row.delivery, cells.value_ml)


def asked(fold: Fold) -> Iterator[tuple[str, ...]]:
    """Data queries about deliveries and consent."""
    for n, arrival in enumerate(fold.arrivals):
        if arrival.gone and something_rests(fold, n):
            yield "vanished", arrival.name
        elif arrival.edited and something_rests(fold, n):
            yield "edited", arrival.name
        if arrival.delivery.created_days > CREATED_AHEAD_DAYS and not arrival.lost:
            yield "created_ahead", arrival.name
        if arrival.delivery.cut and not came_anew(fold, n):
            yield "refused", arrival.name
    for code in fold.out & set(fold.sessions):
        if fold.sessions[code].consent == "no":
            yield "consent", code


def something_rests(fold: Fold, place: int) -> bool:
    """Whether anything that a delivery brought still counts or is held, results among it."""
    arrival = fold.arrivals[place]
    mine = [row for row in fold.rows if row.place == place]
    if arrival.lost:
        mine += [r for r in all_rows(place, arrival.delivery) if r.kind == "reported"]
    return any(fold.state_of(row) in {"in_force", "quarantined"} for row in mine)


def came_anew(fold: Fold, place: int) -> bool:
    """Whether all of a refused delivery was taken in later."""
    delivery = fold.arrivals[place].delivery
    wanted = {row.key for row in all_rows(place, delivery)}
    return wanted <= {row.key for row in fold.rows if row.place > place and not row.bad}


def compared(fold: Fold) -> Iterator[tuple[str, ...]]:
    """Data queries about what sessions say against each other."""
    counting = sorted((c, s) for c, s in fold.sessions.items() if c not in fold.out)
    for (one, a), (two, b) in combinations(counting, 2):
        if a.infant != b.infant:
            continue
        if a.day == b.day:
            yield "same_infant_and_day", one, two
        if birth(a) != birth(b):
            yield "infant_differs", a.infant  # of many sessions a sentence names a few


def birth(session: Session) -> tuple[str, float, float]:
    """What of an infant never changes."""
    return session.sex, session.gestation_weeks, session.birth_weight_kg


def judged(fold: Fold, expected: Expected) -> Iterator[tuple[str, ...]]:
    """Data queries about what stands."""
    centre = fold.centre
    yield from held(fold)
    yield from checked(fold, expected)
    for key in expected.sessions:
        if key[0] != centre:
            continue
        if fold.sessions[key[1]].spo2_min_pct < LOW_SATURATION_PCT:
            yield "alert", key[1]
    if expected.centres[centre] == "late":
        yield "late", centre


def checked(fold: Fold, expected: Expected) -> Iterator[tuple[str, ...]]:
    """Data queries about checks: those out of tolerance, until a later one is in tolerance, and
    those that a session lacks, unless one of its day is held.
    """
    mine = [(key, b) for key, (_, b) in expected.checks.items() if key[0] == fold.centre]
    good = [(int(key[1]), hour_of(key)) for key, b in mine if b.kind == "syringe"]
    for key, b in mine:
        if b.kind != "syringe" and not any(at > (int(key[1]), hour_of(key)) for at in good):
            yield "check", key[2]
    waiting = {
        row.key[1]
        for row in fold.rows
        if row.kind == "check" and fold.state_of(row) == "quarantined"
    }
    for centre, code in expected.sessions:
        lacks = centre == fold.centre and (centre, code) not in expected.session_checks
        if lacks and str(fold.sessions[code].day) not in waiting:
            yield "check", code


def held(fold: Fold) -> Iterator[tuple[str, ...]]:
    """Data queries about what is held; what is lost is asked about by its delivery."""
    for row in fold.rows:
        if row.kind not in {"session", "recording"} or fold.state_of(row) != "quarantined":
            continue
        of_session = fold.last.get(("session", row.session), row)
        if not (row.lost or of_session.lost):
            yield "held", row.session


def signals(fold: Fold) -> Iterator[tuple[str, ...]]:
    """Data queries about recordings that count, and about signals that are there twice."""
    counting = [row for row in fold.rows if fold.state_of(row) == "in_force"]
    for row in counting:
        cells = row.cells
        if isinstance(cells, Recording) and cells.day != fold.sessions[row.session].day:
            yield "other_day", row.session
    read = [
        (row.session, row.cells.bytes_)
        for row in fold.rows
        if isinstance(row.cells, Recording)
        and not row.bad
        and fold.state_of(row) in {"in_force", "quarantined"}
    ]
    for (first, b1), (second, b2) in combinations(sorted(read, key=lambda r: r[0]), 2):
        if b1 == b2:
            yield "same_bytes", first, second


def hour_of(key: Key) -> int:
    """The hour in the key of a check of the oracle: centre, day, code, hour."""
    return int(key[3])


def rows_of(place: int, arrival: Arrival) -> Iterator[Row]:
    """All rows of a delivery; keys of one centre begin with the kind."""
    delivery = arrival.delivery
    if delivery.cut and not COUNTS_REFUSED:
        return
    for row in all_rows(place, delivery):
        if not arrival.lost:
            yield row
        elif row.kind != "reported":
            yield replace(row, bad=True, lost=True)


def all_rows(place: int, delivery: Delivery) -> Iterator[Row]:
    """The rows of its tables, read or not."""
    cut, name = delivery.cut, delivery.delivery
    for s in delivery.sessions:
        bad = cut or s.spoiled or s.hour != TESTED_HOUR
        yield Row(place, name, "session", ("session", s.session), s, s.session, bad)
    for r in delivery.recordings:
        key: Key = ("recording", r.session, r.recording)
        yield Row(place, name, "recording", key, r, r.session, cut or r.file != "whole")
    for c in delivery.checks:
        key = ("check", str(c.day), c.check, str(c.hour))
        yield Row(place, name, "check", key, c, "", cut)
    for p in delivery.reported:
        yield Row(place, name, "reported", ("reported", p.session, p.outcome), p, p.session, cut)
