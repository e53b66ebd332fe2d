"""The warehouse tables that are made of a whole study, with the columns of their contracts."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.judge.readers import reviews_frame
from quietsleep.judge.study import JudgedStudy
from quietsleep.measure.fingerprint import device_digest
from quietsleep.store.tables import in_contract
from quietsleep.study.study import Study, Waiver
from quietsleep.warehouse.statistics import agreement_frame as review_agreement_frame
from quietsleep.warehouse.statistics import agreement_limits_frame, comparability_frame


def study_tables(judged: JudgedStudy) -> dict[str, pd.DataFrame]:
    """Return the frames that are made of the whole study, by warehouse table."""
    study, devices = judged.study, _devices(judged.study)
    frames = {
        "centres": _centres(judged),
        "devices": devices,
        "infants": _infants(judged.sessions),
        "deliveries": judged.deliveries,
        "problems": judged.problems,
        "agreement_limits": agreement_limits_frame(judged.agreement),
        "comparability": comparability_frame(judged.outcomes, judged.sessions, devices),
        "waivers": _waivers((*study.waivers, *judged.effects.waivers)),
        "reviews": reviews_frame(judged.effects),
        "review_agreement": review_agreement_frame(
            judged.effects, judged.trials_read, judged.verdicts_read
        ),
        "conservation": judged.conservation,
        "supersessions": judged.supersessions,
        "rules": _rules(judged.rules, judged.study),
        "quantities": _quantities(),
        "sources": pd.DataFrame([{"source": s.key, "citation": s.citation} for s in _sources()]),
    }
    return {name: in_contract(frame, name) for name, frame in frames.items()}


def _centres(judged: JudgedStudy) -> pd.DataFrame:
    deliveries, sessions = judged.deliveries, judged.sessions
    rows = []
    for centre in judged.study.centres.values():
        own = deliveries[deliveries["centre"] == centre.centre]
        rows.append(
            {
                "centre": centre.centre,
                "title": centre.title,
                "altitude_m": centre.altitude_m,
                "n_deliveries": len(own),
                "n_sessions": int((sessions["centre"] == centre.centre).sum()),
                "last_delivery_at": own["arrived_at"].max() if len(own) else pd.NaT,
                "state": "delivered" if len(own) else "nothing",
            }
        )
    return pd.DataFrame(rows)


def _devices(study: Study) -> pd.DataFrame:
    names = [column.name for column in contract.TABLES["devices"].columns]
    names.remove("registration_sha256")
    return pd.DataFrame(
        [
            {name: getattr(device, name) for name in names}
            | {"registration_sha256": device_digest(device)}
            for device in study.devices.values()
        ]
    )


def _infants(sessions: pd.DataFrame) -> pd.DataFrame:
    known = sessions[sessions["infant"].notna()].sort_values("on", kind="stable")
    counts = known.groupby(["centre", "infant"]).size().rename("n_sessions").reset_index()
    return known.drop_duplicates(["centre", "infant"]).merge(counts, on=["centre", "infant"])


def _waivers(waivers: Iterable[Waiver]) -> pd.DataFrame:
    names = [column.name for column in contract.TABLES["waivers"].columns]
    rows = [{name: getattr(waiver, name) for name in names} for waiver in waivers]
    return pd.DataFrame(rows, columns=names)


def _rules(rules: Iterable[Rule], study: Study) -> pd.DataFrame:
    decided = {(d.rule, d.valid_from): d.signed_by for d in study.limit_changes}
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
                "sentence": r.sentence,
                "remedy": r.remedy,
                "source": r.source,
                "obtained": r.obtained,
                "valid_from": r.valid_from,
                "valid_until": r.valid_until,
                "changed_by": decided.get((r.key, r.valid_from)),
            }
            for r in rules
        ]
    )


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
