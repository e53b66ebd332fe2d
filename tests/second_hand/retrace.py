"""Each technique from its published values back to the files, and computed once more.

One function a technique gives, for each of its outcomes, what was published and what comes out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.second_hand import (
    occlusions,
    plethysmography,
    raised_volume,
    tidal,
    tidal_forced_expiration,
)
from tests.second_hand.signals import Record, levelled, record
from tests.second_hand.trail import Deliveries, Outcome, Trial, published, rows


@dataclass(frozen=True, slots=True)
class Pair:
    """A published value and the second hand's."""

    centre: str
    session: str
    published: float
    second: float

    @property
    def difference_pct(self) -> float:
        """Give how far the second hand's lies above the published (%)."""
        return 100.0 * (self.second / self.published - 1.0)


Pairs = dict[str, list[Pair]]


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording read anew, with its accepted trials and what the delivery says of it."""

    signal: Record
    trials: list[Trial]
    row: dict[str, str]

    @property
    def spans(self) -> list[tuple[float, float]]:
        """Give the span of each accepted trial (s)."""
        return [(trial.start_s, trial.end_s) for trial in self.trials]


@dataclass(frozen=True, slots=True)
class Session:
    """A session as it was delivered: its row with the air of the room, its device."""

    row: dict[str, str]
    device: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Tracer:
    """A database, of a night or a release, and the deliveries that it came from."""

    database: Path
    deliveries: Deliveries

    def session(self, outcome: Outcome) -> Session:
        """Find a session's delivered row, in the last delivery that has one."""
        said = rows(
            self.database,
            "SELECT device, delivery FROM sessions WHERE centre = ? AND session = ?",
            outcome.centre,
            outcome.session,
        )
        last = self.deliveries.last_with(outcome.centre, outcome.session)
        assert [each["delivery"] for each in said] == [last]
        row = self.deliveries.row(outcome.centre, last, "sessions", outcome.session)
        assert row["device"] == said[0]["device"]
        return Session(row, self.deliveries.device(outcome.centre, row["device"]))

    def recordings(self, outcome: Outcome, session: Session) -> Iterator[Recording]:
        """Read each recording that a value rests on from its file."""
        for source, trials in outcome.recordings.values():
            if trials:
                row = self.deliveries.row(
                    source.centre, source.delivery, "recordings", self.deliveries.path(source)
                )
                content = self.deliveries.signal(source)
                yield Recording(record(content, session.device, session.row), trials, row)

    def compare(
        self, technique: str, outcomes: dict[str, str], measure: Callable[[Outcome, Session], Any]
    ) -> Pairs:
        """Compute the sessions of the first outcome anew; give all outcomes beside the published.

        `outcomes` names the attribute of what `measure` gives for each outcome. All outcomes rest
        on the same evidence; those that are missing in a session are left out.
        """
        first, *_ = outcomes
        others = {
            name: {
                (each["centre"], each["session"]): each["value"]
                for each in rows(
                    self.database, "SELECT * FROM clean_outcomes WHERE outcome = ?", name
                )
            }
            for name in outcomes
        }
        pairs: Pairs = {name: [] for name in outcomes}
        for outcome in published(self.database, technique, first):
            key = (outcome.centre, outcome.session)
            answer = measure(outcome, self.session(outcome))
            for name, attribute in outcomes.items():
                if key in others[name]:
                    pairs[name].append(Pair(*key, others[name][key], getattr(answer, attribute)))
        return pairs


class _Mean:
    """The mean of all accepted trials, attribute by attribute."""

    def __init__(self, outcome: Outcome, trials: list[Any]) -> None:
        accepted = {trial.code for _, each in outcome.recordings.values() for trial in each}
        assert outcome.used == accepted
        assert len(trials) == len(accepted)
        self._trials = trials

    def __getattr__(self, name: str) -> float:
        return float(np.mean([getattr(trial, name) for trial in self._trials]))


def tidal_breathing(tracer: Tracer) -> Pairs:
    """Compute tidal breathing anew."""

    def measure(outcome: Outcome, session: Session) -> _Mean:
        return _Mean(
            outcome,
            [
                tidal.measure(each.signal, *span)
                for each in tracer.recordings(outcome, session)
                for span in each.spans
            ],
        )

    names = ("vt_ml", "rr_per_min", "minute_ventilation_ml_min", "ti_s", "te_s", "tptef_te",
             "vptef_ve", "ptef_ml_s")  # fmt: skip
    return tracer.compare("tidal", {name: name for name in names}, measure)


def _each(
    tracer: Tracer, measure: Callable[[Record, float, float, float], Any]
) -> Callable[[Outcome, Session], _Mean]:
    """Measure each accepted span of a session, with the resistance of its apparatus."""

    def of_session(outcome: Outcome, session: Session) -> _Mean:
        return _Mean(
            outcome,
            [
                measure(each.signal, *span, float(each.row["apparatus_resistance_kpa_s_l"]))
                for each in tracer.recordings(outcome, session)
                for span in each.spans
            ],
        )

    return of_session


def single_occlusion(tracer: Tracer) -> Pairs:
    """Compute single occlusions anew."""
    names = {
        "crs_single_ml_kpa": "crs_ml_kpa",
        "rrs_single_kpa_s_l": "rrs_kpa_s_l",
        "tau_single_s": "tau_s",
    }
    return tracer.compare("single_occlusion", names, _each(tracer, occlusions.single))


def double_occlusion(tracer: Tracer) -> Pairs:
    """Compute double occlusions anew."""
    names = {"crs_double_ml_kpa": "crs_ml_kpa", "rrs_double_kpa_s_l": "rrs_kpa_s_l"}
    return tracer.compare("double_occlusion", names, _each(tracer, occlusions.double))


@dataclass(frozen=True, slots=True)
class _Gas:
    frc_ml: float


def box(tracer: Tracer) -> Pairs:
    """Compute the box anew, its pump and decay checks as well."""

    def check(outcome: Outcome, session: Session, kind: str) -> tuple[Record, dict[str, str]]:
        _, source = outcome.checks[kind]
        path = tracer.deliveries.path(source)
        row = tracer.deliveries.row(source.centre, source.delivery, "checks", path)
        return record(tracer.deliveries.signal(source), session.device, {}), row

    def measure(outcome: Outcome, session: Session) -> _Mean:
        pump, row = check(outcome, session, "box_pump")
        decay, _ = check(outcome, session, "box_decay")
        empty = plethysmography.box_factor_ml_kpa(pump, float(row["known_volume_ml"]))
        assert session.device["box_calibrated_empty"]
        factor = plethysmography.factor_with_infant(
            empty, session.device["box_volume_l"], float(session.row["weight_kg"])
        )
        half_life = plethysmography.half_life_s(decay)
        barometric = float(session.row["barometric_pressure_kpa"])
        found = []
        for each in tracer.recordings(outcome, session):
            dead = float(each.row["compressible_dead_space_ml"])
            conditions = plethysmography.Box(factor, half_life, barometric, dead)
            found += [
                _Gas(plethysmography.frc_ml(each.signal, conditions, span, each.spans))
                for span in each.spans
            ]
        return _Mean(outcome, found)

    return tracer.compare("plethysmography", {"frc_pleth_ml": "frc_ml"}, measure)


@dataclass(frozen=True, slots=True)
class _Flow:
    vmaxfrc_ml_s: float


def tidal_forced(tracer: Tracer) -> Pairs:
    """Compute tidal forced expirations anew; which trials are the highest is found anew too."""

    def measure(outcome: Outcome, session: Session) -> _Flow:
        found = []
        for each in tracer.recordings(outcome, session):
            levels = levelled(each.signal, each.spans)
            found += [
                tidal_forced_expiration.vmaxfrc_ml_s(each.signal, levels, span)
                for span in each.spans
            ]
        return _Flow(tidal_forced_expiration.of_test(found))

    return tracer.compare("tidal_forced_expiration", {"vmaxfrc_ml_s": "vmaxfrc_ml_s"}, measure)


# The inflations before a squeeze take so long.
INFLATIONS_S = 8.0


def raised(tracer: Tracer) -> Pairs:
    """Compute raised volume anew; the best trial is chosen anew too, and must be the same."""

    def measure(outcome: Outcome, session: Session) -> raised_volume.Forced:
        found: dict[str, raised_volume.Forced] = {}
        for each in tracer.recordings(outcome, session):
            levels = levelled(each.signal, [(low - INFLATIONS_S, high) for low, high in each.spans])
            for trial, span in zip(each.trials, each.spans, strict=True):
                found[trial.code] = raised_volume.measure(each.signal, levels, span)
        best = raised_volume.best(list(found.values()))
        assert {code for code, trial in found.items() if trial is best} == outcome.used
        return best

    names = ("fvc_ml", "fev0_4_ml", "fev0_5_ml", "fev0_5_fvc", "fef50_ml_s", "fef75_ml_s",
             "fef25_75_ml_s")  # fmt: skip
    return tracer.compare("raised_volume", {name: name for name in names}, measure)
