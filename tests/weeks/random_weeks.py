"""Random weeks of the study: what its centres do, drawn night by night.

Nothing here knows how deliveries are read; the same seed gives the same weeks.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

from tests.weeks.history import (
    CENTRES,
    Action,
    Begin,
    Bytes,
    Check,
    Deliver,
    Delivery,
    Edit,
    Finish,
    History,
    LoseWork,
    Recalibrate,
    Recording,
    Remove,
    Rename,
    Reported,
    Session,
    SignalKind,
    Withdraw,
)  # fmt: skip


@dataclass(slots=True)
class _Centre:
    """What one centre has in its cupboard."""

    code: str
    stem: str
    silent_from: int
    sessions: dict[str, Session] = field(default_factory=dict)
    recordings: dict[tuple[str, str], Recording] = field(default_factory=dict)
    sent: dict[str, Delivery] = field(default_factory=dict)
    arriving: Delivery | None = None
    refused: Delivery | None = None
    out: set[str] = field(default_factory=set)  # sessions that nobody touches any more
    born: dict[str, int] = field(default_factory=dict)
    n_sessions: int = 0


class _Weeks:
    """The weeks in the making."""

    def __init__(self, seed: int, nights: int, n_centres: int, busy: int) -> None:
        self.draw = random.Random(seed)
        self.n_nights = nights
        self.busy = busy
        self.n_bytes = 0
        self.n_names = 0
        self.centres = [
            _Centre(
                code, code, nights + 1 if self.draw.random() < 0.7 else self.draw.randrange(3, 12)
            )
            for code in CENTRES[:n_centres]
        ]
        self.unwell = self.draw.random() < 0.2  # the work folder is lost more often

    # ------------------------------------------------------------------ small things

    def fresh(self, kind: SignalKind = "sound") -> Bytes:
        self.n_bytes += 1
        return Bytes(kind, self.n_bytes)

    def signal(self) -> Bytes:
        return self.fresh("leaky" if self.draw.random() < 0.15 else "sound")

    def name(self, centre: _Centre) -> str:
        """A name whose place in the alphabet says nothing of its place in time."""
        self.n_names += 1
        return f"{self.draw.choice('abcxyz')}-{centre.stem}-{self.n_names:03d}"

    def known(self, centre: _Centre) -> list[Session]:
        return [s for code, s in sorted(centre.sessions.items()) if code not in centre.out]

    # ------------------------------------------------------------------ deliveries

    def new_sessions(self, centre: _Centre, night: int) -> Delivery:
        """One or two sessions of today or the days before, with recordings and checks."""
        delivery = Delivery(centre.code, self.name(centre))
        for _ in range(self.draw.choice((1, 1, 2))):
            session = self.session(centre, night, delivery)
            codes = ("tid1", "tid2")[: self.draw.choice((1, 2, 2))]
            recordings = tuple(
                Recording(session.session, code, session.day, self.signal(), minute=5 + 4 * n)
                for n, code in enumerate(codes)
            )
            checks = delivery.checks
            if all(c.day != session.day for c in checks) and self.draw.random() < 0.93:
                high = self.draw.random() < 0.07
                code = "syr" if not checks and self.draw.random() < 0.7 else f"syr{session.session}"
                checks += (
                    Check(code, session.day, self.fresh("syringe_high" if high else "syringe")),
                )
            reported = delivery.reported
            if self.draw.random() < 0.4:
                reported += (Reported(session.session, round(self.draw.uniform(60, 90), 1)),)
            delivery = replace(
                delivery,
                sessions=(*delivery.sessions, session),
                recordings=delivery.recordings + recordings,
                checks=checks,
                reported=reported,
            )
        return delivery

    def session(self, centre: _Centre, night: int, so_far: Delivery) -> Session:
        centre.n_sessions += 1
        number = centre.n_sessions
        days = {(s.infant, s.day) for s in (*centre.sessions.values(), *so_far.sessions)}
        infant = f"{centre.stem}-i{self.draw.randrange(1, 6)}"
        day = night - self.draw.randrange(0, 4)
        if (infant, day) in days:  # a second visit of one day is an event of its own
            infant = f"{centre.stem}-i{number + 10}"
        born = centre.born.setdefault(infant, -250 - self.draw.randrange(0, 10))
        earlier = sum(s.infant == infant for s in centre.sessions.values())
        return Session(
            session=f"s{number:03d}",
            infant=infant,
            day=day,
            age_days=day - born,
            visit=f"v{earlier + 1}",
            weight_kg=round(self.draw.uniform(8.5, 9.1), 2),
            spo2_min_pct=85 if self.draw.random() < 0.04 else 96,
        )

    def amend_weight(self, centre: _Centre, night: int) -> Delivery | None:
        if not (known := self.known(centre)):
            return None
        session = self.draw.choice(known)
        new = replace(session, weight_kg=round(self.draw.uniform(8.5, 9.1), 2))
        return Delivery(centre.code, self.name(centre), sessions=(new,))

    def forgotten_recording(self, centre: _Centre, night: int) -> Delivery | None:
        if not (known := self.known(centre)):
            return None
        session = self.draw.choice(known)
        n = sum(key[0] == session.session for key in centre.recordings) + 1
        row = Recording(session.session, f"late{n}", session.day, self.signal(), minute=5 + 4 * n)
        return Delivery(centre.code, self.name(centre), recordings=(row,))

    def sent_again(self, centre: _Centre, night: int) -> Delivery | None:
        """A recording of the same code with other bytes."""
        rows = [r for r in centre.recordings.values() if r.session not in centre.out]
        if not rows:
            return None
        row = replace(self.draw.choice(rows), bytes_=self.signal())
        return Delivery(centre.code, self.name(centre), recordings=(row,))

    def reported_alone(self, centre: _Centre, night: int) -> Delivery | None:
        if not (known := self.known(centre)):
            return None
        row = Reported(self.draw.choice(known).session, round(self.draw.uniform(60, 90), 1))
        return Delivery(centre.code, self.name(centre), reported=(row,))

    def replaced_whole(self, centre: _Centre, night: int) -> Delivery | None:
        if not (known := self.known(centre)):
            return None
        session = self.draw.choice(known)
        rows = tuple(
            Recording(session.session, code, session.day, self.signal(), minute=5 + 4 * n)
            for n, code in enumerate(self.draw.choice((("tid1",), ("tid2",), ("new1", "new2"))))
        )
        return Delivery(
            centre.code,
            self.name(centre),
            sessions=(session,),
            recordings=rows,
            replaces=(session.session,),
        )

    def check_again(self, centre: _Centre, night: int) -> Delivery | None:
        """A check alone, of a new day or of the day of a session."""
        day = night
        if (known := self.known(centre)) and self.draw.random() < 0.7:
            day = self.draw.choice(known).day
        hour = self.draw.choice((7, 8, 9, 12))
        row = Check("syr" if hour == 8 else f"syr{hour}", day, self.fresh("syringe"), hour=hour)
        return Delivery(centre.code, self.name(centre), checks=(row,))

    def same_bytes(self, centre: _Centre, night: int) -> Delivery | None:
        """The new session brings a signal that another session has."""
        rows = [r for r in centre.recordings.values() if r.session not in centre.out]
        if not rows:
            return None
        twin = self.draw.choice(rows)
        delivery = self.new_sessions(centre, night)
        first, *others = delivery.recordings
        return replace(delivery, recordings=(replace(first, bytes_=twin.bytes_), *others))

    def two_codes(self, centre: _Centre, night: int) -> Delivery | None:
        """One infant on one day under two codes of sessions."""
        if not (known := self.known(centre)):
            return None
        old = self.draw.choice(known)
        delivery = self.new_sessions(centre, night)
        first, *others = delivery.sessions
        twin = replace(old, session=first.session, weight_kg=first.weight_kg, visit=first.visit)
        moved = tuple(
            replace(r, day=old.day) if r.session == first.session else r
            for r in delivery.recordings
        )
        return replace(delivery, sessions=(twin, *others), recordings=moved, checks=())

    def another_infant(self, centre: _Centre, night: int) -> Delivery | None:
        """Sex, gestation or birth weight of an infant change from one visit to the next."""
        if not (known := self.known(centre)):
            return None
        old = self.draw.choice(known)
        delivery = self.new_sessions(centre, night)
        first, *others = delivery.sessions
        if any(s.infant == old.infant and s.day == first.day for s in (*known, *others)):
            return None
        twin = replace(
            first,
            infant=old.infant,
            age_days=old.age_days + first.day - old.day,
            sex=old.sex,
            gestation_weeks=old.gestation_weeks,
            birth_weight_kg=old.birth_weight_kg,
        )
        change = self.draw.choice(("sex", "gestation", "birth"))
        if change == "sex":
            twin = replace(twin, sex="female" if old.sex == "male" else "male")
        elif change == "gestation":
            twin = replace(twin, gestation_weeks=old.gestation_weeks + 1.5)
        else:
            twin = replace(twin, birth_weight_kg=round(old.birth_weight_kg - 0.6, 2))
        return replace(delivery, sessions=(twin, *others))

    def refused(self, centre: _Centre, night: int) -> Delivery | None:
        """Cut short on the way; some days later the same comes whole under another name."""
        if centre.refused is not None:
            return None
        delivery = replace(self.new_sessions(centre, night), cut=True)
        centre.refused = delivery
        return delivery

    def sent_anew(self, centre: _Centre, night: int) -> Delivery | None:
        if centre.refused is None:
            return None
        delivery = replace(
            centre.refused, delivery=self.name(centre), cut=False, centre=centre.code
        )
        centre.refused = None
        return delivery

    def bad_cell(self, centre: _Centre, night: int) -> Delivery | None:
        delivery = self.new_sessions(centre, night)
        first, *others = delivery.sessions
        return replace(delivery, sessions=(replace(first, spoiled=True), *others))

    def cut_signal(self, centre: _Centre, night: int) -> Delivery | None:
        delivery = self.new_sessions(centre, night)
        *others, last = delivery.recordings
        spoiled = replace(last, file=self.draw.choice(("cut", "absent")))
        return replace(delivery, recordings=(*others, spoiled))

    def mended(self, centre: _Centre, night: int) -> Delivery | None:
        """What was spoiled in a session that never counted is sent right, with all it has."""
        spoiled = [s for s in self.known(centre) if s.spoiled or s.hour != 10]
        spoiled += [
            centre.sessions[r.session]
            for r in centre.recordings.values()
            if r.session not in centre.out
            and (r.file != "whole" or r.day != centre.sessions[r.session].day)
        ]
        if not spoiled:
            return None
        session = replace(self.draw.choice(spoiled), spoiled=False, hour=10)
        rows = tuple(
            replace(r, file="whole", day=session.day)
            for key, r in sorted(centre.recordings.items())
            if key[0] == session.session
        )
        return Delivery(centre.code, self.name(centre), sessions=(session,), recordings=rows)

    def wrong_created(self, centre: _Centre, night: int) -> Delivery | None:
        by = self.draw.choice((400.0, 3.0, -365.0, -3000.0))
        make = self.draw.choice((self.new_sessions, self.amend_weight, self.sent_again))
        delivery = make(centre, night)
        return replace(delivery, created_days=by) if delivery else None

    def tested_tomorrow(self, centre: _Centre, night: int) -> Delivery | None:
        """A session that says it was tested years after its arrival."""
        delivery = self.new_sessions(centre, night)
        first, *others = delivery.sessions
        return replace(delivery, sessions=(replace(first, hour=10 + 24 * 3653), *others))

    def another_day(self, centre: _Centre, night: int) -> Delivery | None:
        """A recording that is not of its session's day."""
        delivery = self.new_sessions(centre, night)
        *others, last = delivery.recordings
        return replace(delivery, recordings=(*others, replace(last, day=last.day - 40)))

    # ------------------------------------------------------------------ the other events

    def edit(self, centre: _Centre, night: int) -> Edit | None:
        able = [d for d in centre.sent.values() if d.sessions and not d.cut]
        able = [d for d in able if all(s.session not in centre.out for s in d.sessions)]
        if not able:
            return None
        delivery = self.draw.choice(able)
        first, *others = delivery.sessions
        first = replace(first, weight_kg=round(self.draw.uniform(8.5, 9.1), 2))
        new = replace(delivery, sessions=(first, *others))
        if new.recordings and self.draw.random() < 0.4:
            row, *rest = new.recordings
            new = replace(new, recordings=(replace(row, bytes_=self.signal()), *rest))
        centre.sent[new.delivery] = new
        return Edit(new)

    def remove(self, centre: _Centre, night: int) -> Remove | None:
        if not centre.sent:
            return None
        name = self.draw.choice(sorted(centre.sent))
        del centre.sent[name]
        return Remove(centre.code, name)

    def withdraw(self, centre: _Centre, night: int) -> Withdraw | None:
        if not (known := self.known(centre)):
            return None
        session = self.draw.choice(known)
        erase = self.draw.random() < 0.4
        if self.draw.random() < 0.5:
            centre.out.add(session.session)
            return Withdraw(centre.code, session=session.session, erase=erase)
        centre.out |= {s.session for s in centre.sessions.values() if s.infant == session.infant}
        centre.out.add(session.infant)  # what comes of it later is out as well
        return Withdraw(centre.code, infant=session.infant, erase=erase)

    def no_consent(self, centre: _Centre, night: int) -> Delivery | None:
        if not (known := self.known(centre)):
            return None
        session = replace(self.draw.choice(known), consent="no", spoiled=False, hour=10)
        centre.out.add(session.session)
        return Delivery(centre.code, self.name(centre), sessions=(session,))

    def rename(self, centre: _Centre, night: int) -> Rename | None:
        if centre.code != centre.stem:
            return None
        centre.code = f"{centre.stem}-east"
        return Rename(centre.stem, centre.code, moves_folder=self.draw.random() < 0.5)

    def recalibrate(self, centre: _Centre, night: int) -> Recalibrate:
        return Recalibrate(centre.code, night + self.draw.randrange(-2, 3), 1.01)

    # ------------------------------------------------------------------ night by night

    def remember(self, centre: _Centre, delivery: Delivery) -> None:
        centre.sent[delivery.delivery] = delivery
        if delivery.cut:
            return
        for session in delivery.sessions:
            centre.sessions[session.session] = session
            if session.infant in centre.out:
                centre.out.add(session.session)
        for row in delivery.recordings:
            centre.recordings[row.session, row.recording] = row

    def one(self, centre: _Centre, night: int) -> Iterable[Action]:
        """What one centre does before one night: at most one delivery of it arrives."""
        if night >= centre.silent_from:
            return
        if centre.arriving is not None:
            if self.draw.random() < 0.5:
                self.remember(centre, centre.arriving)
                yield Finish(centre.code, centre.arriving.delivery)
                centre.arriving = None
            return
        plain: list[tuple[int, Callable[[_Centre, int], Delivery | None]]] = [
            (30, self.new_sessions), (8, self.amend_weight), (8, self.forgotten_recording),
            (8, self.sent_again), (5, self.reported_alone), (5, self.replaced_whole),
            (5, self.check_again), (3, self.same_bytes), (3, self.two_codes),
            (4, self.another_infant), (3, self.refused), (6, self.sent_anew), (4, self.bad_cell),
            (4, self.cut_signal), (5, self.mended), (5, self.wrong_created),
            (2, self.tested_tomorrow), (2, self.another_day), (2, self.no_consent),
        ]  # fmt: skip
        if night and self.draw.random() < 0.45:
            make = self.draw.choices([m for _, m in plain], [w for w, _ in plain])[0]
        elif night and self.draw.random() < 0.4:
            return
        else:
            make = self.new_sessions
        delivery = make(centre, night)
        if delivery is None:
            return
        if self.draw.random() < 0.06 and not delivery.cut:
            centre.arriving = delivery
            yield Begin(delivery)
            return
        self.remember(centre, delivery)
        yield Deliver(delivery)

    def other(self, night: int) -> Iterable[Action]:
        """What else happens before one night."""
        centre = self.draw.choice(self.centres)
        luck = self.draw.random()
        acts: list[tuple[float, Callable[[_Centre, int], Action | None]]] = [
            (0.05, self.edit), (0.02, self.remove), (0.05, self.withdraw), (0.015, self.rename),
            (0.04, self.recalibrate),
        ]  # fmt: skip
        for share, act in acts:
            luck -= share
            if luck < 0:
                if (made := act(centre, night)) is not None:
                    yield made
                return
        if luck < (0.2 if self.unwell else 0.03):
            yield LoseWork()

    def make(self) -> Iterable[tuple[Action, ...]]:
        for night in range(self.n_nights):
            others = tuple(a for _ in range(self.busy) for a in self.other(night)) if night else ()
            yield others + tuple(a for c in self.centres for a in self.one(c, night))


def random_history(seed: int, *, nights: int, n_centres: int = 3, busy: int = 1) -> History:
    """The same seed gives the same weeks; the busier, the more happens beside deliveries."""
    return History(tuple(_Weeks(seed, nights, n_centres, busy).make()), seed, n_centres)
