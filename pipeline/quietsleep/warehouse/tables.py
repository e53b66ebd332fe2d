"""The warehouse tables of a night, as frames with the columns of their contracts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.contract.schemas import PANDAS_TYPES
from quietsleep.judge.agreement import agreement_frame
from quietsleep.judge.readers import ReviewEffects, reviews_frame
from quietsleep.judge.tests import Evidence, Judged
from quietsleep.store.tables import TableOnDisk
from quietsleep.study.study import Study, Waiver
from quietsleep.warehouse.statistics import agreement_frame as review_agreement_frame
from quietsleep.warehouse.statistics import agreement_limits_frame, comparability_frame

OF_ROW = ["centre", "session"]


@dataclass(frozen=True, slots=True)
class JudgedStudy:
    """What a night found and judged: small tables whole, large ones spooled block by block.

    `trials_read` and `verdicts_read` are those of the trials that human readers decided on.
    """

    night: str
    study: Study
    effects: ReviewEffects
    rules: Sequence[Rule]
    deliveries: pd.DataFrame
    problems: pd.DataFrame
    sessions: pd.DataFrame
    checks: pd.DataFrame
    outcomes: pd.DataFrame
    agreement: pd.DataFrame
    conservation: pd.DataFrame
    trials_read: pd.DataFrame
    verdicts_read: pd.DataFrame
    tables_on_disk: Mapping[str, TableOnDisk]


def block_frames(
    evidence: Evidence, judged: Judged, *, outcomes: pd.DataFrame, reported: pd.DataFrame
) -> dict[str, pd.DataFrame]:
    """Return the frames that one block of visits adds to, by warehouse table."""
    return {
        "sessions": judged.sessions,
        "recordings": _recordings(evidence),
        "trials": judged.trials,
        "trial_values": evidence.trial_values,
        "test_values": judged.test_values.rename(columns={"item": "test"}),
        "check_values": evidence.check_values,
        "session_values": evidence.session_values,
        "verdicts": judged.verdicts,
        "tests": _tests(judged),
        "outcomes": outcomes,
        "checks": judged.checks.rename(columns={"recorded": "state"}),
        "reported": reported,
        "agreement": agreement_frame(reported, outcomes, judged.sessions),
    }


def study_frames(judged_study: JudgedStudy) -> dict[str, pd.DataFrame]:
    """Return the frames that are made of the whole study, by warehouse table."""
    study, devices = judged_study.study, _devices(judged_study.study)
    frames = {
        "centres": _centres(judged_study),
        "devices": devices,
        "infants": _infants(judged_study.sessions),
        "deliveries": judged_study.deliveries,
        "problems": judged_study.problems,
        "agreement_limits": agreement_limits_frame(judged_study.agreement),
        "comparability": comparability_frame(judged_study.outcomes, judged_study.sessions, devices),
        "waivers": _waivers((*study.waivers, *judged_study.effects.waivers)),
        "reviews": reviews_frame(judged_study.effects),
        "review_agreement": review_agreement_frame(
            judged_study.effects, judged_study.trials_read, judged_study.verdicts_read
        ),
        "conservation": judged_study.conservation,
        "rules": _rules(judged_study.rules, judged_study.study),
        "quantities": _quantities(),
        "sources": pd.DataFrame([{"source": s.key, "citation": s.citation} for s in _sources()]),
    }
    return {name: in_contract(frame, name) for name, frame in frames.items()}


def in_contract(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return the columns of the contract in its order and types, rows ordered by its key."""
    declared = contract.TABLES[table]
    rows = frame.reindex(columns=[column.name for column in declared.columns])
    # The type of a column without values is anyone's guess, such as times without their zone.
    for name in rows.columns[rows.isna().all()]:
        rows[name] = pd.Series(None, index=rows.index, dtype="object")
    types = {column.name: PANDAS_TYPES[column.type] for column in declared.columns}
    rows = rows.astype({name: "object" if t == "date" else t for name, t in types.items()})
    for name in declared.key:
        if rows[name].isna().any():
            raise ValueError(f"table {table}: rows without {name}")
    return rows.sort_values(list(declared.key), ignore_index=True)


def _centres(judged_study: JudgedStudy) -> pd.DataFrame:
    deliveries, sessions = judged_study.deliveries, judged_study.sessions
    rows = []
    for centre in judged_study.study.centres.values():
        own = deliveries[deliveries["centre"] == centre.centre]
        rows.append(
            {
                "centre": centre.centre,
                "title": centre.title,
                "altitude_m": centre.altitude_m,
                "n_deliveries": len(own),
                "n_sessions": int((sessions["centre"] == centre.centre).sum()),
                "last_delivery_at": own["created_at"].max() if len(own) else pd.NaT,
                "state": "delivered" if len(own) else "nothing",
            }
        )
    return pd.DataFrame(rows)


def _devices(study: Study) -> pd.DataFrame:
    names = [column.name for column in contract.TABLES["devices"].columns]
    return pd.DataFrame(
        [{name: getattr(device, name) for name in names} for device in study.devices.values()]
    )


def _infants(sessions: pd.DataFrame) -> pd.DataFrame:
    known = sessions[sessions["infant"].notna()].sort_values("on", kind="stable")
    counts = known.groupby(["centre", "infant"]).size().rename("n_sessions").reset_index()
    return known.drop_duplicates(["centre", "infant"]).merge(counts, on=["centre", "infant"])


def _recordings(evidence: Evidence) -> pd.DataFrame:
    trials = evidence.trials
    counts = trials.groupby(["centre", "recording"]).size().rename("n_trials").reset_index()
    rows = evidence.recordings.merge(counts, on=["centre", "recording"], how="left")
    rows["n_trials"] = rows["n_trials"].fillna(0)
    return rows.rename(columns={"code": "code_fingerprint"})


def _tests(judged: Judged) -> pd.DataFrame:
    visits = judged.sessions[[*OF_ROW, "tested_at", "operator", "device"]]
    return judged.tests.merge(visits, on=OF_ROW, how="left")


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
                "decided_by": decided.get((r.key, r.valid_from)),
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
