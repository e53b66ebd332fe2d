"""The warehouse tables that are made of a whole study, with the columns of their contracts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.judge.guard import Guard, unguarded
from quietsleep.judge.readers import reviews_frame
from quietsleep.judge.scores import load_references
from quietsleep.judge.study import JudgedStudy
from quietsleep.measure.fingerprint import device_digest
from quietsleep.store.engine import frugal_engine
from quietsleep.store.tables import in_contract, show_files
from quietsleep.study.study import Centre, Confirmation, LimitChange, Study, Waiver
from quietsleep.warehouse.drifts import drifts_frame
from quietsleep.warehouse.equation_check import equation_check_frame
from quietsleep.warehouse.infants import infants_frame, visits_frame
from quietsleep.warehouse.lost_tests import lost_tests_frame
from quietsleep.warehouse.repeatability import repeatability_frame
from quietsleep.warehouse.sample_size import sample_size_frame
from quietsleep.warehouse.spread import clean_values, slipped_centres
from quietsleep.warehouse.standing import count_tests, standing_tables
from quietsleep.warehouse.statistics import agreement_frame as review_agreement_frame
from quietsleep.warehouse.statistics import agreement_limits_frame, comparability_frame
from quietsleep.warehouse.unit_slips import unit_slips_frame

if TYPE_CHECKING:
    import duckdb

# What is counted in the rows that wait on disk.
ASKED_ON_DISK = ("tests", "verdicts", "checks", "check_values", "trials", "trial_values")


def study_tables(judged: JudgedStudy, *, guard: Guard = unguarded) -> dict[str, pd.DataFrame]:
    """Return the frames that are made of the whole study, by warehouse table.

    `guard` keeps a failure in the statistics of one centre or outcome away from all others.
    """
    with frugal_engine(judged.study.work_path) as engine:
        for name in ASKED_ON_DISK:
            on_disk = judged.tables_on_disk[name]
            show_files(engine, on_disk.table, on_disk.files())
        frames = _frames(judged, engine, guard)
    return {name: in_contract(frame, name) for name, frame in frames.items()}


def _frames(
    judged: JudgedStudy, engine: duckdb.DuckDBPyConnection, guard: Guard
) -> dict[str, pd.DataFrame]:
    study, devices = judged.study, _devices(judged.study)
    visits = visits_frame(judged.sessions, judged.contradictions)
    standing = _standing(judged, engine, guard)
    return {
        "centres": _centres(judged),
        "devices": devices,
        "infants": infants_frame(visits),
        "visits": visits[[c.name for c in contract.TABLES["visits"].columns]],
        "deliveries": judged.deliveries,
        "problems": judged.problems,
        "agreement_limits": agreement_limits_frame(judged.agreement, guard=guard),
        "comparability": comparability_frame(
            judged.outcomes, judged.sessions, devices, guard=guard
        ),
        "waivers": _waivers((*study.waivers, *judged.effects.waivers)),
        "reviews": reviews_frame(judged.effects),
        "review_agreement": review_agreement_frame(
            judged.effects, judged.trials_read, judged.verdicts_read
        ),
        "conservation": judged.conservation,
        "expected": judged.expected,
        "supersessions": judged.supersessions,
        "rules": rules_frame(judged.rules, study.limit_changes, study.confirmations),
        "quantities": _quantities(),
        "sources": pd.DataFrame([{"source": s.key, "citation": s.citation} for s in _sources()]),
        **standing,
        **_spread(judged, engine, visits, devices, standing["unit_slips"], guard=guard),
    }


def _standing(
    judged: JudgedStudy, engine: duckdb.DuckDBPyConnection, guard: Guard
) -> dict[str, pd.DataFrame]:
    """Return how centres and devices stand, counted from the rows that wait on disk."""
    found = dict.fromkeys(
        ("standing", "acceptance_weeks", "drifts", "lost_tests", "unit_slips"), pd.DataFrame()
    )
    with guard("standing of the centres"):
        found |= standing_tables(engine, guard=guard)
    with guard("drifts of the devices"):
        found["drifts"] = drifts_frame(engine, judged.rules, guard=guard)
    with guard("lost tests"):
        found["lost_tests"] = lost_tests_frame(engine, judged.rules, guard=guard)
    with guard("slips of unit"):
        found["unit_slips"] = unit_slips_frame(
            judged.agreement,
            judged.outcomes,
            judged.sessions,
            judged.remarks.slips,
            count_tests(engine),
            guard=guard,
        )
    return found


def _spread(
    judged: JudgedStudy,
    engine: duckdb.DuckDBPyConnection,
    visits: pd.DataFrame,
    devices: pd.DataFrame,
    unit_slips: pd.DataFrame,
    *,
    guard: Guard,
) -> dict[str, pd.DataFrame]:
    """Return how results repeat, what a comparison needs, and how the equations fit."""
    found = dict.fromkeys(("repeatability", "sample_size", "equation_check"), pd.DataFrame())
    slipped = slipped_centres(unit_slips)
    with guard("repeatability"):
        found["repeatability"] = repeatability_frame(
            engine, judged.outcomes, visits, slipped, guard=guard
        )
    with guard("sample size and check of equations"):
        values = clean_values(judged.outcomes, judged.sessions, devices)
        found["sample_size"] = sample_size_frame(values, slipped, guard=guard)
        references = load_references(judged.study.path)
        found["equation_check"] = equation_check_frame(values, references, slipped, guard=guard)
    return found


def _centres(judged: JudgedStudy) -> pd.DataFrame:
    deliveries, sessions, expected = judged.deliveries, judged.sessions, judged.expected
    overdue = (expected["what"] == "delivery") & (expected["state"] == "overdue")
    late = set(expected.loc[overdue, "centre"])
    rows = []
    for centre in judged.study.centres.values():
        # What is still arriving is no delivery yet.
        own = deliveries[
            (deliveries["centre"] == centre.centre) & (deliveries["state"] != "arriving")
        ]
        rows.append(
            {
                "centre": centre.centre,
                "title": centre.title,
                "altitude_m": centre.altitude_m,
                "n_deliveries": len(own),
                "n_sessions": int((sessions["centre"] == centre.centre).sum()),
                "last_delivery_at": own["arrived_at"].max() if len(own) else pd.NaT,
                "state": _state(centre, is_late=centre.centre in late, has_delivered=len(own) > 0),
                "time_zone": centre.time_zone,
                "was": ", ".join(centre.was) or None,
                "retired_on": centre.retired_on,
            }
        )
    return pd.DataFrame(rows)


def _state(centre: Centre, *, is_late: bool, has_delivered: bool) -> str:
    if centre.retired_on is not None:
        return "retired"
    if is_late:
        return "late"
    return "delivered" if has_delivered else "nothing"


def _devices(study: Study) -> pd.DataFrame:
    names = [column.name for column in contract.TABLES["devices"].columns]
    names.remove("registration_sha256")
    earlier = (device for centre in study.centres.values() for device in centre.earlier_devices)
    return pd.DataFrame(
        [
            {name: getattr(device, name) for name in names}
            | {"registration_sha256": device_digest(device)}
            for device in (*study.devices.values(), *earlier)
        ]
    )


def _waivers(waivers: Iterable[Waiver]) -> pd.DataFrame:
    names = [column.name for column in contract.TABLES["waivers"].columns]
    rows = [{name: getattr(waiver, name) for name in names} for waiver in waivers]
    return pd.DataFrame(rows, columns=names)


def rules_frame(
    rules: Iterable[Rule],
    changes: Sequence[LimitChange] = (),
    confirmations: Sequence[Confirmation] = (),
) -> pd.DataFrame:
    """Return rules, or their dated versions, with who changed their limits and who confirmed them.

    Of several confirmations of one limit the newest counts.
    """
    decided = {(d.rule, d.valid_from): d.signed_by for d in changes}
    newest = sorted(confirmations, key=lambda c: c.on, reverse=True)
    return pd.DataFrame(
        [
            {
                "rule": r.key,
                "owner": r.owner,
                "level": r.level,
                "quantity": r.quantity,
                "operator": r.operator,
                "limit_low": np.nan if r.low is None else r.low,
                "limit_high": np.nan if r.high is None else r.high,
                "unit": contract.QUANTITIES[(r.owner, r.level, r.quantity)].unit,
                "severity": r.severity,
                "missing": r.missing,
                "fault": r.fault,
                "fault_missing": r.fault_missing,
                "sentence": r.sentence,
                "remedy": r.remedy,
                "remedy_missing": r.remedy_missing,
                "source": r.source,
                "obtained": r.obtained,
                "valid_from": r.valid_from,
                "valid_until": r.valid_until,
                "changed_by": decided.get((r.key, r.valid_from)),
                "since_contract": r.since,
                **_confirmed(r, newest),
            }
            for r in rules
        ]
    )


def _confirmed(rule: Rule, confirmations: Sequence[Confirmation]) -> dict[str, object]:
    found = next((c for c in confirmations if c.holds_for(rule)), None)
    if found is None:
        return dict.fromkeys(("confirmed_by", "confirmed_on", "printed_in", "confirmation_note"))
    return {
        "confirmed_by": found.by,
        "confirmed_on": found.on,
        "printed_in": found.printed_in,
        "confirmation_note": found.note or None,
    }


def _quantities() -> pd.DataFrame:
    return pd.DataFrame(
        [
            {
                "owner": q.owner,
                "level": q.level,
                "quantity": q.name,
                "unit": q.unit,
                "definition": q.definition,
                "equation": q.equation,
                "source": q.source,
            }
            for q in contract.QUANTITIES.values()
        ]
    )


def _sources() -> Iterable[contract.Source]:
    return contract.SOURCES.values()
