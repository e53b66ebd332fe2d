"""What a night has to say of deliveries: what changed, what went or was edited, what is held back.

Each is a problem of the night, with the centre, delivery and session as its stable key; it stands
as long as something rests on it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter

from quietsleep.contract.wording import count, listed
from quietsleep.errors import WarehouseError
from quietsleep.intake.find import CLOSED
from quietsleep.intake.reference import DeliveryReference
from quietsleep.judge.border import EDITED, GONE, HELD, LOST, NO_CONSENT, REFUSED, WITHDRAWN_NAMED
from quietsleep.measure.amendments import amendments_of
from quietsleep.measure.roster import Roster, rows_of_centre, standing_results
from quietsleep.night.night import Night
from quietsleep.records import Problem
from quietsleep.store.state import State
from quietsleep.study.history import Brought, History
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import open_night

PUT_BACK = (
    "Put it back as it was, or let the centre deliver what is to stand, in a new delivery. What a "
    "family takes back is withdrawn with 'quietsleep withdraw'."
)
ACCEPTED = """
SELECT centre, 'session', session, delivery FROM sessions WHERE status = 'accepted'
UNION ALL SELECT centre, 'check', check_id, delivery FROM checks WHERE status = 'accepted'
UNION ALL SELECT DISTINCT r.centre, 'recording', r.item, r.delivery FROM recordings AS r
JOIN trials AS t ON t.centre = r.centre AND t.session = r.session AND t.recording = r.recording
WHERE t.status = 'accepted'
"""


@dataclass(frozen=True, slots=True)
class Told:
    """What is said of deliveries in one night.

    `problems` stand until they are cured. `sentences` are of this night alone and ask for nothing.
    """

    problems: tuple[Problem, ...]
    sentences: tuple[str, ...]


def tell_deliveries(night: Night, roster: Roster) -> Told:
    """Note in the register what was replaced, and say what there is to say of deliveries."""
    note_superseded(night, roster)
    history = night.history
    problems = [
        *_gone(night, roster, history),
        *_held_amendments(roster, history),
        *_replaces_nothing(history),
        *_withdrawn_named(history),
        *_without_consent(roster),
    ]
    return Told(tuple(problems), tuple(_changes(night, history)))


def note_superseded(night: Night, roster: Roster) -> None:
    """Write down what is seen to be replaced for the first time, and whether it was accepted.

    Whether it had been accepted is read from the night that was published last.
    """
    known = night.history.superseded
    rows = roster.superseded[["centre", "item_kind", "item", "delivery"]]
    new = [key for key in rows.itertuples(index=False, name=None) if key not in known]
    if not new:
        return
    accepted = _accepted_before(night)
    by_centre: dict[str, list[list[object]]] = {}
    for centre, kind, item, delivery in new:
        was = (centre, kind, item, delivery) in accepted
        by_centre.setdefault(centre, []).append([kind, item, delivery, was])
    night.register.append_all(
        [
            ("superseded", {"centre": centre, "night": night.name, "items": sorted(items)})
            for centre, items in sorted(by_centre.items())
        ],
        at=night.started_at,
    )


def _accepted_before(night: Night) -> set[tuple[object, ...]]:
    import duckdb

    try:
        with closing(open_night(current_night(night.study.path))) as warehouse:
            return {*warehouse.execute(ACCEPTED).fetchall()}
    except (WarehouseError, OSError, duckdb.Error):
        return set()  # nothing was published yet, or by an earlier form


def _changes(night: Night, history: History) -> Iterator[str]:
    """Say what the deliveries that came in this night change of what was there."""
    new = [name for name, v in history.brought.items() if v[-1].night == night.name]
    if not new:
        return
    for centre, named in groupby(new, itemgetter(0)):
        rows = rows_of_centre(night.state, history, centre)
        for _, delivery in named:
            yield from amendments_of(rows, centre, delivery)


def _gone(night: Night, roster: Roster, history: History) -> Iterator[Problem]:
    """Name deliveries that were taken in once and are gone, edited or refused since."""
    shut = {p.centre for p in night.inventory.strays if p.kind == CLOSED}
    there = {(f.centre, f.delivery) for found in night.inventory.found.values() for f in found}
    now = night.state.frame("SELECT centre, delivery, state, sha256 FROM deliveries")
    known = {(r["centre"], r["delivery"]): r for r in now.to_dict("records")}
    resting = _resting(roster, night.state, history)
    for name, versions in history.brought.items():
        rests, first = resting.get(name, {}), versions[0]
        if not any(rests.values()):
            continue
        said = known.get(name)
        if name not in there and name[0] in night.study.centres and not shut & {"", name[0]}:
            yield _of_delivery(name, first, GONE if said is not None else LOST, rests)
        elif said is not None and said["state"] != "accepted":
            yield _of_delivery(name, first, REFUSED, rests)
        elif said is not None and (
            name in history.edited or said["sha256"] not in (first.sha256, history.erased.get(name))
        ):
            yield _of_delivery(name, first, EDITED, rests)


def _resting(
    roster: Roster, state: State, history: History
) -> dict[tuple[str, str], dict[str, int]]:
    """Return how many sessions, recordings, checks and results count from each delivery."""
    found: dict[tuple[str, str], dict[str, int]] = {}
    for noun, frame in (
        ("session", roster.sessions),
        ("recording", roster.recordings),
        ("check", roster.checks),
        ("reported result", standing_results(state, history)),
    ):
        for name, n in frame.groupby(["centre", "delivery"]).size().items():
            found.setdefault(name, {})[noun] = int(n)  # type: ignore[arg-type]
    return found


def _of_delivery(
    name: tuple[str, str], first: Brought, kind: str, rests: Mapping[str, int]
) -> Problem:
    centre, delivery = name
    said = listed(count(n, noun) for noun, n in rests.items() if n)
    one = sum(rests.values()) == 1
    verb, are = ("rests", "is") if one else ("rest", "are")
    what = {
        GONE: f"is not there any more; {said} still {verb} on what was taken in then.",
        LOST: "is not there any more, and neither is what was taken in then: the work folder was "
        f"lost. Of it {said} {are} held.",
        EDITED: f"was edited since; {said} {verb} on it as it lies there now.",
        REFUSED: f"can no longer be taken in as it lies there now: {said} of it {are} held.",
    }[kind]
    return DeliveryReference(centre, delivery).problem(
        kind,
        "delivery.json",
        f"Delivery {delivery} of {centre}, taken in on {first.at:%Y-%m-%d}, {what}",
        expected="a delivery that stays as it was handed over",
        remedy=PUT_BACK,
    )


def _held_amendments(roster: Roster, history: History) -> Iterator[Problem]:
    """Name held rows that stand in the place of rows that had been accepted."""
    had: dict[tuple[str, str, str], str] = {}
    for row in roster.superseded.to_dict("records"):
        key = (row["centre"], row["item_kind"], row["item"])
        _, was_accepted = history.superseded.get((*key, row["delivery"]), ("", False))
        if was_accepted:
            had[key] = row["delivery"]
    for kind, item, frame in (
        ("session", "session", roster.sessions),
        ("recording", "item", roster.recordings),
        ("check", "check_id", roster.checks),
    ):
        for row in frame[frame["held"]].to_dict("records"):
            before = had.get((row["centre"], kind, row[item]))
            if before is not None:
                session = None if kind == "check" else row["session"]
                code = None if kind == "session" else row[item].rpartition("/")[2]
                yield DeliveryReference(row["centre"], row["delivery"]).problem(
                    HELD,
                    f"{kind}s.csv",
                    f"Delivery {row['delivery']} of {row['centre']} changes {kind} {row[item]} and "
                    f"is held there. What delivery {before} brought of it had been accepted; it is "
                    "not published until the change is put right.",
                    expected="a row that can be taken in",
                    remedy="Put the row right and deliver it again; to go back, deliver the row "
                    "before it again.",
                    session=session,
                    recording=code,
                )


def _replaces_nothing(history: History) -> Iterator[Problem]:
    """Name sessions that a delivery replaces and that no delivery before it brought."""
    order = sorted(history.brought, key=lambda name: history.place_of(*name))
    seen: dict[str, set[str]] = {}
    for centre, delivery in order:
        last = history.brought[centre, delivery][-1]
        known = seen.setdefault(centre, set())
        out = history.withdrawn_of(centre).sessions
        for session in sorted(set(last.replaces) - known - out):
            yield DeliveryReference(centre, delivery).problem(
                "replaces_nothing",
                "delivery.json",
                f"Delivery {delivery} of {centre} replaces session {session}, which no delivery "
                "before it brought.",
                expected="the code of a session that was delivered before",
                remedy="Correct the code in replaces, in a new delivery, or leave it out.",
                session=session,
            )
        known |= {*last.sessions, *(item.partition("/")[0] for item in last.recordings)}


def _withdrawn_named(history: History) -> Iterator[Problem]:
    """Name deliveries that came after a withdrawal and bring something of it, without its codes."""
    for (centre, delivery), versions in history.brought.items():
        last = versions[-1]
        named = {*last.sessions, *(item.partition("/")[0] for item in last.recordings)}
        n = sum(
            last.number > history.out_at.get((centre, session), last.number) for session in named
        )
        n += len(last.withdrawn)
        if n:
            yield DeliveryReference(centre, delivery).problem(
                WITHDRAWN_NAMED,
                "sessions.csv",
                f"Delivery {delivery} of {centre} brings {n} session{'s' * (n != 1)} of what was "
                "withdrawn; nothing of it was taken in.",
                expected="nothing of an infant or session that was withdrawn",
                remedy="Leave it out of what is exported.",
            )


def _without_consent(roster: Roster) -> Iterator[Problem]:
    for centre, rows in roster.sessions_without_consent.groupby("centre"):
        n = len(rows)
        yield DeliveryReference(str(centre), "").problem(
            NO_CONSENT,
            "sessions.csv",
            f"{n} session{'s' * (n != 1)} of {centre} came without consent: counted, and "
            "nothing else of it is kept or published.",
            expected="written consent of a guardian before the test",
            remedy="Ask the centre; where consent was there, a new delivery says so.",
        )
