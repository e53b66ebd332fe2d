"""What may happen to a small invented study, night by night.

Days are counted from the first night, by the local
calendar of the centre; the night of day `n` looks in the evening of that day.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Literal

CENTRES = ("aspen", "briar", "cedar")


SignalKind = Literal["sound", "leaky", "syringe", "syringe_high"]


@dataclass(frozen=True, slots=True)
class Bytes:
    """One signal file; equal ones are equal byte by byte."""

    kind: SignalKind
    variant: int


@dataclass(frozen=True, slots=True)
class Session:
    """A row of sessions.csv; what is not here is the same in every session."""

    session: str
    infant: str
    day: int
    age_days: int
    visit: str = "v1"
    sex: str = "male"
    gestation_weeks: float = 39.0
    birth_weight_kg: float = 3.3
    weight_kg: float = 8.8
    consent: str = "yes"
    spo2_min_pct: int = 96
    spoiled: bool = False  # a cell that is no number
    hour: int = 10


@dataclass(frozen=True, slots=True)
class Recording:
    """A row of recordings.csv."""

    session: str
    recording: str
    day: int
    bytes_: Bytes
    file: Literal["whole", "cut", "absent"] = "whole"
    minute: int = 5  # after ten o'clock


@dataclass(frozen=True, slots=True)
class Check:
    """A row of checks.csv, a syringe check of the centre's only device."""

    check: str
    day: int
    bytes_: Bytes
    hour: int = 8


@dataclass(frozen=True, slots=True)
class Reported:
    """A row of reported.csv."""

    session: str
    value_ml: float
    outcome: str = "vt_ml"


@dataclass(frozen=True, slots=True)
class Delivery:
    """One folder that a centre hands over."""

    centre: str
    delivery: str
    sessions: tuple[Session, ...] = ()
    recordings: tuple[Recording, ...] = ()
    checks: tuple[Check, ...] = ()
    reported: tuple[Reported, ...] = ()
    replaces: tuple[str, ...] = ()
    created_days: float = -0.1  # after its arrival, by the clock of the centre
    cut: bool = False  # sessions.csv is cut short on the way


@dataclass(frozen=True, slots=True)
class Deliver:
    """A delivery arrives whole."""

    delivery: Delivery


@dataclass(frozen=True, slots=True)
class Begin:
    """A delivery begins to arrive: its delivery.json is not there yet."""

    delivery: Delivery


@dataclass(frozen=True, slots=True)
class Finish:
    """The delivery.json of a delivery that was arriving comes."""

    centre: str
    delivery: str


@dataclass(frozen=True, slots=True)
class Edit:
    """A delivery that was taken in is written anew where it lies."""

    delivery: Delivery


@dataclass(frozen=True, slots=True)
class Remove:
    """A delivery that was taken in is taken away."""

    centre: str
    delivery: str


@dataclass(frozen=True, slots=True)
class LoseWork:
    """The folder work/ is lost."""


@dataclass(frozen=True, slots=True)
class Recalibrate:
    """The centre's device has another gain from a local day on."""

    centre: str
    day: int
    gain_factor: float


@dataclass(frozen=True, slots=True)
class Withdraw:
    """An infant or a session is withdrawn before the night."""

    centre: str
    infant: str = ""
    session: str = ""
    erase: bool = False


@dataclass(frozen=True, slots=True)
class Rename:
    """A centre has another code from now on."""

    was: str
    centre: str
    moves_folder: bool


Action = (
    Deliver | Begin | Finish | Edit | Remove | LoseWork | Recalibrate | Withdraw | Rename
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class History:
    """What happens before each night, the first night first."""

    nights: tuple[tuple[Action, ...], ...]
    seed: int | None = None
    n_centres: int = 3


def without(history: History, places: Collection[tuple[int, int]]) -> History:
    """The same weeks in which some things did not happen: night and number of each."""
    nights = tuple(
        tuple(action for n, action in enumerate(actions) if (night, n) not in places)
        for night, actions in enumerate(history.nights)
    )
    return replace(history, nights=nights)
