"""Judge stored measures again: new rules, waivers and decisions, and no signal or delivery read."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from quietsleep.contract.wording import count
from quietsleep.errors import QuietsleepError
from quietsleep.measure.plan import plan_checks, plan_recordings
from quietsleep.measure.roster import Roster, read_roster
from quietsleep.night.night import Night, NightReport, close_night, is_idle, open_night
from quietsleep.night.stage import run_here, walk
from quietsleep.night.stages import end_idle, judging_stages, open_pool
from quietsleep.study.register import RegisterError
from quietsleep.warehouse.database import open_night as open_warehouse

NEXT_NIGHT = "Run: quietsleep nightly"
CHANGES = "SELECT table_name, key, column_name, before, after, cause FROM changes WHERE night = ?"


class NotMeasured(QuietsleepError):
    """Stored measures do not stand for what is to be judged; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Rejudged:
    """What judging again came to: the report, what it left alone, and what changed."""

    report: NightReport
    notes: tuple[str, ...]
    changes: pd.DataFrame


def rejudge_study(study_path: Path) -> Rejudged:
    """Judge what was measured by the rules, waivers and decisions of now, and publish it.

    Raises NotMeasured, with nothing changed, when something was never measured or was measured by
    other code or with other values; StudyError and NightRunning as a night does.
    """
    with open_night(study_path) as night:
        if night.register.broken:
            raise RegisterError(night.register.broken)
        notes = left_alone(night)
        if is_idle(night):
            return Rejudged(end_idle(night), notes, pd.DataFrame())
        roster = measured_roster(night)
        with open_pool(night) as pool:
            result = walk(judging_stages(night, pool, roster), run_here)
        # New deliveries and the pages are left to the next night, which must find work to do.
        report = close_night(night, result.judged, result.folder, whole=False)
        return Rejudged(report, notes, _changes(night, result.folder))


def measured_roster(night: Night) -> Roster:
    """Read the roster, each row with the key of its stored measures; NotMeasured if one lacks.

    A key is made from the digest of the file as it was taken in, never from the file itself.
    """
    roster = read_roster(night.state, night.history)
    if roster.sessions.empty:
        raise NotMeasured(f"Nothing has been taken in yet. {NEXT_NIGHT} {night.study.path.name}")
    checks = plan_checks(roster, night.study).roster
    _require(night, checks.checks, "check")
    planned = plan_recordings(checks, night.study, night.state).roster
    _require(night, planned.recordings, "recording")
    return planned


def _require(night: Night, rows: pd.DataFrame, kind: str) -> None:
    known = night.state.frame("SELECT content_key, item FROM measured")
    wanted = rows[~rows["held"]]
    lacking = wanted[~wanted["content_key"].isin(known["content_key"])]
    if lacking.empty:
        return
    name = "check_id" if kind == "check" else "item"
    before = lacking[name].isin(known["item"])
    parts = [
        f"{count(int(number), kind)} {'was' if number == 1 else 'were'} {words}"
        for number, words in (
            (before.sum(), "measured by other code, or with other values of session or device"),
            ((~before).sum(), "never measured"),
        )
        if number
    ]
    raise NotMeasured(
        f"{' and '.join(parts)} (the first: {lacking[name].iloc[0]} of "
        f"{lacking['centre'].iloc[0]}). {NEXT_NIGHT} {night.study.path.name}"
    )


def left_alone(night: Night) -> tuple[str, ...]:
    """Say what arrived since the last night: it is not looked into here."""
    known = night.state.frame("SELECT centre, delivery, stat_digest FROM deliveries")
    keys = zip(known["centre"], known["delivery"], strict=True)
    taken = dict(zip(keys, known["stat_digest"].astype("str"), strict=True))
    new = [
        f"{centre}/{found.delivery}"
        for centre in night.study.centres
        for found in night.inventory.found[centre]
        if not taken.get((centre, found.delivery), "").startswith(found.stat_digest)
    ]
    if not new:
        return ()
    words = "1 delivery is" if len(new) == 1 else f"{len(new)} deliveries are"
    return (f"{words} new or changed (the first: {new[0]}) and left for the next night.",)


def _changes(night: Night, folder: Path | None) -> pd.DataFrame:
    """Return what changed from what was published."""
    if folder is None:
        return pd.DataFrame()
    with open_warehouse(folder) as warehouse:
        return warehouse.execute(CHANGES, [night.name]).df()


def rule_changes(changes: pd.DataFrame) -> pd.DataFrame:
    """Count the verdicts that changed by rule: rule, before, after, cause, n."""
    rows = _of(changes, "verdicts", "state")
    if rows.empty:
        return pd.DataFrame(columns=["rule", "before", "after", "cause", "n"])
    rows["rule"] = rows["key"].str.rpartition("|")[2]
    by = ["rule", "before", "after", "cause"]
    return rows.groupby(by, dropna=False).size().rename("n").reset_index()


def item_changes(changes: pd.DataFrame) -> pd.DataFrame:
    """Return what changed of trials, tests and outcomes: kind, item, what, before, after, cause."""
    wanted = (
        ("trials", "status"), ("checks", "status"), ("sessions", "status"), ("tests", "status"),
        ("outcomes", "value"),
    )  # fmt: skip
    frames = [
        _of(changes, table, column).assign(kind=table[:-1], what=column) for table, column in wanted
    ]
    rows = pd.concat(frames, ignore_index=True)
    rows["item"] = rows["key"].str.replace("|", " ", regex=False)
    return rows[["kind", "item", "what", "before", "after", "cause"]]


def _of(changes: pd.DataFrame, table: str, column: str) -> pd.DataFrame:
    if changes.empty:
        return pd.DataFrame(columns=["key", "before", "after", "cause"])
    here = (changes["table_name"] == table) & (changes["column_name"] == column)
    return changes[here].reset_index(drop=True)
