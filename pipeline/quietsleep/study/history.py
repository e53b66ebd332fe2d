"""What the study register says of deliveries: their order, what each brought, what was withdrawn.

Deliveries count in the order in which they were first seen. What a delivery brought is noted by the
keys of its rows whenever it is taken in with other content, so that a row which is not there any
more is missed, however it went, and nothing that it had replaced comes back in silence.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from quietsleep.study.register import Register, RegisterEntry

Name = tuple[str, str]  # centre and delivery
LAST = 2**62
# A clock that is set anew by less is a clock that goes a little wrong.
MOST_BEHIND = timedelta(days=1)
NOT_KNOWN = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Arrival:
    """When a delivery was seen for the first time; `place` orders all arrivals of the study.

    What it brought was done before `latest`: `at`, or no time that is known where the clock of the
    machine was behind.
    """

    place: int
    at: datetime
    night: str
    sha256: str
    latest: datetime


@dataclass(frozen=True, slots=True)
class Brought:
    """What a delivery brought when it was taken in: the keys of its rows.

    `recordings` maps the item (``session/recording``) to its technique, `checks` the item to its
    kind; both are None where a held row did not say. `reported` are results as
    ``session/technique/outcome``. `withdrawn` are sessions that were left out
    because their infant is withdrawn.
    """

    number: int
    night: str
    at: datetime
    sha256: str
    replaces: tuple[str, ...]
    sessions: tuple[str, ...]
    recordings: Mapping[str, str | None]
    checks: Mapping[str, str | None]
    reported: tuple[str, ...] = ()
    withdrawn: tuple[str, ...] = ()

    def keys(self) -> dict[str, Any]:
        """Return what it brought, without where, when and what was withdrawn of it."""
        return {
            "sha256": self.sha256,
            "replaces": [*self.replaces],
            "sessions": [*self.sessions],
            "recordings": dict(self.recordings),
            "checks": dict(self.checks),
            "reported": [*self.reported],
        }


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """What was withdrawn at one centre, by code.

    `sessions` are out for good. A row that names one of `infants` in a delivery that came after the
    withdrawal takes its session out as well; one in an older delivery does not: whatever was of the
    infant then is among the sessions, and what was not had been corrected since. `unread` are
    infants with deliveries that were lost when they were withdrawn, so that nobody could read which
    sessions are theirs: such a delivery is treated as one that came after.
    """

    sessions: frozenset[str] = frozenset()
    infants: Mapping[str, int] = field(default_factory=dict)
    reviews: frozenset[str] = frozenset()
    unread: frozenset[tuple[str, str]] = frozenset()  # infant and delivery

    def infants_in(self, delivery: str, number: int) -> frozenset[str]:
        """Return the infants whose sessions a delivery loses that came by the entry `number`."""
        return frozenset(
            infant
            for infant, at in self.infants.items()
            if at < number or (infant, delivery) in self.unread
        )


@dataclass(slots=True)
class History:
    """What the register says of all deliveries, as far as it was followed.

    `brought` has every version of what a delivery brought, the first one first. `superseded` maps
    centre, kind, item and delivery of what was replaced to the night in which that was first seen,
    and whether it had been accepted until then; `out_at` maps centre and session to the entry by
    which the session was withdrawn; `erased` are the manifests of deliveries that were rid of it,
    and `edited` those of them that had been edited before. `codes` maps codes that centres had
    before to those that they have now: all else is by these. `last_night_at` is the latest time at
    which a night was published.
    """

    arrivals: dict[Name, Arrival] = field(default_factory=dict)
    brought: dict[Name, tuple[Brought, ...]] = field(default_factory=dict)
    withdrawn: dict[str, Withdrawn] = field(default_factory=dict)
    superseded: dict[tuple[str, str, str, str], tuple[str, bool]] = field(default_factory=dict)
    out_at: dict[Name, int] = field(default_factory=dict)
    erased: dict[Name, str] = field(default_factory=dict)
    edited: set[Name] = field(default_factory=set)
    codes: dict[str, str] = field(default_factory=dict)
    _under: dict[Name, str] = field(default_factory=dict)
    last_withdrawal: int = 0
    last_night_at: datetime | None = None
    _n_read: int = 0

    def withdrawn_of(self, centre: str) -> Withdrawn:
        """Return what was withdrawn at a centre."""
        return self.withdrawn.get(centre, Withdrawn())

    def place_of(self, centre: str, delivery: str) -> int:
        """Return the place of a delivery in the order of arrival; one without any comes last."""
        arrival = self.arrivals.get((centre, delivery))
        return arrival.place if arrival else LAST

    def is_behind(self, at: datetime) -> bool:
        """Say whether a clock that says `at` is behind: a night was published later than that."""
        return self.last_night_at is not None and at < self.last_night_at - MOST_BEHIND

    def latest(self, at: datetime) -> datetime:
        """Return the time before which all was done that a delivery brings which arrives `at`."""
        return NOT_KNOWN if self.is_behind(at) else at

    def centres(self) -> set[str]:
        """Return the codes of all centres of which anything is said."""
        named = {centre for centre, _ in (*self.arrivals, *self.brought, *self.out_at)}
        return named | {*self.withdrawn}

    def came_under(self, centre: str, delivery: str) -> str:
        """Return the code that its centre had when a delivery arrived."""
        return self._under.get((centre, delivery), centre)

    def follow(self, register: Register) -> History:
        """Read on to the end of the register; return this history."""
        for entry in register.since(self._n_read):
            self._read(entry)
            self._n_read = entry.number
        return self

    def _read(self, entry: RegisterEntry) -> None:
        body = entry.body
        if entry.kind == "arrival":
            at = entry.when
            first = Arrival(entry.number, at, body["night"], body["sha256"], self.latest(at))
            self.arrivals.setdefault((body["centre"], body["delivery"]), first)
        elif entry.kind == "delivered":
            name = (body["centre"], body["delivery"])
            self.brought[name] = _with_version(self.brought.get(name, ()), _brought(entry))
            self._take_out(entry, "", body["withdrawn"])
        elif entry.kind == "withdrawal":
            self._take_out(entry, body["infant"], body["sessions"], body["reviews"])
            self._note_unread(body["centre"], body["infant"], body.get("unread", ()))
            self.last_withdrawal = entry.number
        elif entry.kind == "erased":
            for delivery, sha256 in body["deliveries"].items():
                self.erased[body["centre"], delivery] = sha256
            self.edited |= {(body["centre"], delivery) for delivery in body.get("edited", ())}
        elif entry.kind == "renamed":
            self._rename(body["was"], body["centre"], body["apart"])
        elif entry.kind == "published":
            self.last_night_at = max(self.last_night_at or entry.when, entry.when)
        elif entry.kind == "superseded":
            for kind, item, delivery, accepted in body["items"]:
                key = (body["centre"], kind, item, delivery)
                self.superseded.setdefault(key, (body["night"], accepted))

    def _rename(self, old: str, new: str, apart: Iterable[str]) -> None:
        """Go on under another code; a name that is there under both has the old code before it."""
        twice = {*apart}

        def now(centre: str, delivery: str) -> Name:
            is_old = centre == old or (centre == new and self._under.get((centre, delivery)) == old)
            if is_old and delivery in twice:
                return new, f"{old}.{delivery}"
            return (new if centre == old else centre), delivery

        under = {name: self._under.get(name, name[0]) for name in self.arrivals}
        moved = {name: now(*name) for name in (*self.arrivals, *self.brought, *self.erased)}
        self.arrivals = {moved[name]: said for name, said in self.arrivals.items()}
        self.brought = {moved[name]: said for name, said in self.brought.items()}
        self.erased = {moved[name]: said for name, said in self.erased.items()}
        self.edited = {moved.get(name, name) for name in self.edited}
        self.superseded = {
            (new if centre == old else centre, kind, item, now(centre, delivery)[1]): said
            for (centre, kind, item, delivery), said in self.superseded.items()
        }
        self._under = {moved[name]: code for name, code in under.items()}
        self.out_at = {
            (new if centre == old else centre, session): number
            for (centre, session), number in self.out_at.items()
        }
        unread = {
            (infant, now(code, delivery)[1])
            for code in (old, new)
            for infant, delivery in self.withdrawn_of(code).unread
        }
        if old in self.withdrawn:
            own, other = self.withdrawn.pop(old), self.withdrawn_of(new)
            self.withdrawn[new] = Withdrawn(
                own.sessions | other.sessions,
                {**own.infants, **other.infants},
                own.reviews | other.reviews,
                frozenset(unread),
            )
        self.codes = {code: new if is_now == old else is_now for code, is_now in self.codes.items()}
        self.codes[old] = new

    def since(self, name: Name, said: Mapping[str, Any]) -> int:
        """Return the entry since which a delivery brings just this; LAST where it never did."""
        versions = self.brought.get(name, ())
        return next((v.number for v in versions if v.sha256 == said["sha256"]), LAST)

    def _take_out(
        self,
        entry: RegisterEntry,
        infant: str,
        sessions: Iterable[str],
        reviews: Iterable[str] = (),
    ) -> None:
        centre, sessions = entry.body["centre"], [*sessions]
        if not (infant or sessions):
            return
        known = self.withdrawn_of(centre)
        for session in sessions:
            self.out_at.setdefault((centre, session), entry.number)
        self.withdrawn[centre] = replace(
            known,
            sessions=known.sessions | {*sessions},
            infants={infant: entry.number, **known.infants} if infant else known.infants,
            reviews=known.reviews | {*reviews},
        )

    def _note_unread(self, centre: str, infant: str, deliveries: Iterable[str]) -> None:
        known = self.withdrawn_of(centre)
        unread = known.unread | {(infant, delivery) for delivery in deliveries}
        if unread != known.unread:
            self.withdrawn[centre] = replace(known, unread=unread)


def _with_version(known: tuple[Brought, ...], new: Brought) -> tuple[Brought, ...]:
    """Add what a delivery brings by now.

    The same files read in another way, since a registration or the program changed, are no other
    delivery: nothing of it went, its rows are called in another way.
    """
    if not known or known[-1].sha256 != new.sha256:
        return (*known, new)
    last = known[-1]
    out = tuple(dict.fromkeys((*last.withdrawn, *new.withdrawn)))
    same = replace(new, number=last.number, night=last.night, at=last.at, withdrawn=out)
    return (*known[:-1], same)


def history_of(register: Register) -> History:
    """Read the history of a study out of its register."""
    return History().follow(register)


def _brought(entry: RegisterEntry) -> Brought:
    body = entry.body
    return Brought(
        number=entry.number,
        night=body["night"],
        at=entry.when,
        sha256=body["sha256"],
        replaces=tuple(body["replaces"]),
        sessions=tuple(body["sessions"]),
        recordings=body["recordings"],
        checks=body["checks"],
        reported=tuple(body.get("reported", ())),
        withdrawn=tuple(body["withdrawn"]),
    )


def natural_order(name: str) -> tuple[list[tuple[int, int, str]], str]:
    """Order names as people do: `d9` before `d10`."""
    parts: list[tuple[int, int, str]] = []
    digits = ""
    for sign in f"{name}\0":
        if sign.isascii() and sign.isdigit():
            digits += sign
            continue
        if digits:
            parts.append((0, int(digits), ""))
            digits = ""
        parts.append((1, 0, sign))
    return parts, name
