"""Take an infant or a session out: written down for good, erased here, named where it still lies.

The entry in the study register outlives the loss of everything else. The state is rid of it at
once; the next night publishes without it and removes every night that held it.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path

from quietsleep.contract.wording import listed_in_short
from quietsleep.errors import QuietsleepError, WarehouseError
from quietsleep.intake.erase import RawFiles, erase, raw_files
from quietsleep.intake.find import take_inventory
from quietsleep.intake.renamed import follow_renames
from quietsleep.measure.roster import read_roster, rows_of_centre
from quietsleep.night.night import open_night
from quietsleep.night.stage import run_here
from quietsleep.night.stages import ingesting_stages
from quietsleep.review.desk import check_note, check_signer, codes_of
from quietsleep.store.erase import erase_sessions
from quietsleep.store.state import ASIDE, State
from quietsleep.study.dialect import words_of
from quietsleep.study.history import History, history_of
from quietsleep.study.register import Register, RegisterError
from quietsleep.study.review_log import reviews_of
from quietsleep.study.study import Study
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.day_words import days_hidden
from quietsleep.warehouse.publish import read_table
from quietsleep.warehouse.registered import open_register
from quietsleep.warehouse.release import release_secret

RELEASES = "warehouse/releases"


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """What is to be withdrawn of one centre: an infant or a session by its code."""

    centre: str
    reason: str
    by: str
    infant: str = ""
    session: str = ""


@dataclass(frozen=True, slots=True)
class WithdrawnReport:
    """What a withdrawal came to: sessions taken out, raw files left, releases that hold it."""

    sessions: tuple[str, ...]
    n_recordings: int
    files: tuple[str, ...]
    erased: bool
    by_hand: tuple[str, ...]
    releases: tuple[str, ...]
    waivers: tuple[str, ...]


class WithdrawalError(QuietsleepError):
    """A withdrawal that cannot be carried out; the message is one plain sentence."""


def withdraw(
    study: Study,
    wanted: Withdrawal,
    *,
    erase_deliveries: bool = False,
    not_delivered_yet: bool = False,
) -> WithdrawnReport:
    """Withdraw an infant or a session, and say what was taken out and where it still lies.

    What is withdrawn already is not written down twice, so that deliveries can be erased later.
    `not_delivered_yet` leaves out what may come of something that nobody has delivered so far.
    WithdrawalError, RegisterError and NightRunning where nothing was done.
    """
    _check(study, wanted)
    _take_in_again(study)
    with State(study.work_path) as state:
        register = open_register(study, also=state.register_heads())
        if register.broken:
            raise RegisterError(register.broken)
        follow_renames(study, state, register)
        history = history_of(register)
        sessions = _sessions_of(state, history, wanted)
        known = history.withdrawn_of(wanted.centre)
        is_new = wanted.infant not in known.infants and wanted.session not in known.sessions
        if is_new and not sessions and not not_delivered_yet:
            raise WithdrawalError(_not_there(state, history, wanted))
        if is_new:
            _write_down(register, state, history, wanted, sessions)
        sessions |= _already(history_of(register), wanted)
        infants = {wanted.infant} - {""}
        others = _others(study, wanted.centre, sessions)
        erase_sessions(state, wanted.centre, sessions=sessions, infants=infants, others=others)
        state.keep_register_head(register.head)
        state.write_anew()
        _clear_work(study, sessions | infants)
        raw = _raw_files(study, wanted.centre, sessions, infants)
        if erase_deliveries:
            _erase(register, wanted.centre, raw)
        history = history_of(register)
    secret = release_secret(register.key_path)
    return WithdrawnReport(
        sessions=tuple(sorted(sessions)),
        n_recordings=_n_recordings(history, wanted.centre, sessions),
        files=tuple(sorted(_named(study, each) for each in raw)),
        erased=erase_deliveries,
        by_hand=tuple(_place(study, r) for r in raw if not r.can_be_erased),
        releases=tuple(_releases(study, wanted.centre, sessions, infants, days_hidden(secret))),
        waivers=tuple(_waivers(study, wanted.centre, sessions)),
    )


def _take_in_again(study: Study) -> None:
    """Take in what the state has lost of the deliveries that were taken in before.

    Which sessions are of an infant stands in the deliveries alone, and the next night leaves out
    those that are written down with the withdrawal. What arrived since comes after it.
    """
    with State(study.work_path) as state:
        register = open_register(study, also=state.register_heads())
        rows = state.frame("SELECT centre, delivery FROM deliveries")
        known = {*zip(rows["centre"], rows["delivery"], strict=True)}
        brought = history_of(register).brought.keys()
        if register.broken or brought <= known:
            return
    with open_night(study.path, study=study) as night:
        night.inventory = replace(
            night.inventory,
            found={
                centre: [each for each in found if (centre, each.delivery) in brought]
                for centre, found in night.inventory.found.items()
            },
        )
        for stage in ingesting_stages(night):
            run_here(stage)


def _check(study: Study, wanted: Withdrawal) -> None:
    if wanted.centre not in study.centres:
        raise WithdrawalError(f"No centre {wanted.centre}. Centres: {', '.join(study.centres)}.")
    if bool(wanted.infant) == bool(wanted.session):
        raise WithdrawalError("Say one of --infant and --session.")
    check_signer(wanted.by)
    if not check_note(wanted.reason, words=codes_of(study), days=frozenset()):
        raise WithdrawalError("Say why with --reason; it is kept in the study register.")


def _sessions_of(state: State, history: History, wanted: Withdrawal) -> set[str]:
    """Return the sessions that count of what is withdrawn, or ever counted under this code."""
    own = rows_of_centre(state, history, wanted.centre)["sessions"]
    if wanted.session:
        brought = {
            session
            for (centre, _), versions in history.brought.items()
            if centre == wanted.centre
            for version in versions
            for session in (*version.sessions, *(i.partition("/")[0] for i in version.recordings))
        }
        return {wanted.session} & brought
    standing = own[own["by_turn"].isna() & own["infant"].eq(wanted.infant).fillna(False)]
    return {str(session) for session in standing["session"]}


def _already(history: History, wanted: Withdrawal) -> set[str]:
    """Return what was taken out of it before: a withdrawal may be carried on later."""
    out = history.withdrawn_of(wanted.centre)
    if wanted.session:
        return {wanted.session} & out.sessions
    entry = out.infants.get(wanted.infant)
    later = {
        session
        for (centre, _), versions in history.brought.items()
        if centre == wanted.centre
        for version in versions
        for session in version.withdrawn
    }
    return {s for s in out.sessions if history.out_at[wanted.centre, s] == entry} | later


def _others(study: Study, centre: str, sessions: Collection[str]) -> set[str]:
    """Return the keys of the measures that the published night uses of all else."""
    try:
        night = current_night(study.path)
        rows, checks = (read_table(night, n).to_pandas() for n in ("recordings", "checks"))
    except WarehouseError:
        return set()
    own = (rows["centre"] == centre) & rows["session"].isin(list(sessions))
    return {*rows.loc[~own, "content_key"].dropna(), *checks["content_key"].dropna()}


def _not_there(state: State, history: History, wanted: Withdrawal) -> str:
    kind, code = ("infant", wanted.infant) if wanted.infant else ("session", wanted.session)
    rows = state.delivered_rows("sessions")
    known = sorted({str(c) for c in rows[kind].dropna()}) if len(rows) else []
    close = get_close_matches(code, known, 1)
    hint = f" Is {close[0]} meant?" if close else ""
    unread = sorted(_unread(state, history, wanted))
    if unread:
        lost, lie = ("Delivery", "lies") if len(unread) == 1 else ("Deliveries", "lie")
        hint += f" {lost} {listed_in_short(unread)}, taken in before, {lie} nowhere now and may"
        hint += " hold it."
    return (
        f"Nothing of {kind} {code} of {wanted.centre} has been delivered.{hint} To leave out what "
        "may come of it, say --not-delivered-yet."
    )


def _write_down(
    register: Register, state: State, history: History, wanted: Withdrawal, sessions: set[str]
) -> None:
    out = sessions | ({wanted.session} - {""})
    body = {
        "centre": wanted.centre,
        "infant": wanted.infant,
        "sessions": sorted(out),
        "unread": sorted(_unread(state, history, wanted)),
        "reviews": _reviews(register, state, history, wanted.centre, out),
        "reason": wanted.reason.strip(),
        "by": wanted.by,
    }
    register.append("withdrawal", body)


def _unread(state: State, history: History, wanted: Withdrawal) -> set[str]:
    """Return the deliveries that may hold sessions of the infant and are lost for now."""
    if not wanted.infant:
        return set()
    rows = state.frame("SELECT delivery FROM deliveries WHERE centre = ?", [wanted.centre])
    brought = {delivery for centre, delivery in history.brought if centre == wanted.centre}
    return brought - {str(delivery) for delivery in rows["delivery"]}


def _reviews(
    register: Register, state: State, history: History, centre: str, sessions: set[str]
) -> list[str]:
    """Return the decisions on trials of these sessions; old ones name them by the file alone."""
    recordings = read_roster(state, history).recordings
    own = recordings[(recordings["centre"] == centre) & recordings["session"].isin(list(sessions))]
    files = set(own["file_sha256"].dropna())
    return [
        review.review
        for review in reviews_of(register, history.codes)
        if review.centre == centre
        and (review.trial.partition("/")[0] in sessions or review.file_sha256 in files)
    ]


def _clear_work(study: Study, codes: Collection[str]) -> None:
    """Remove copies that the next night makes anew, and logs and old states that may name it."""
    work = study.work_path
    for folder in (work / "judged", work / "unpacked"):
        shutil.rmtree(folder, ignore_errors=True)
    for aside in work.glob(f"{ASIDE}*"):
        aside.unlink(missing_ok=True)
    for log in (work / "logs").glob("*.log"):
        text = log.read_text(encoding="utf-8", errors="replace")
        if any(code in text for code in codes):
            log.unlink(missing_ok=True)


def _raw_files(
    study: Study, centre: str, sessions: Collection[str], infants: Collection[str]
) -> list[RawFiles]:
    found = take_inventory(study).found.get(centre, [])
    words = words_of(study.tables, study.centres[centre].tables)
    raw = (raw_files(each, sessions=sessions, infants=infants, words=words) for each in found)
    return [each for each in raw if each is not None]


def _erase(register: Register, centre: str, raw: Sequence[RawFiles]) -> None:
    """Rid every delivery of it that lies here, and write down what each is called by now.

    One that was edited since it was taken in is named: its new name must not hide the edit.
    """
    here = [each for each in raw if each.can_be_erased]
    history = history_of(register)
    edited = [each.found.delivery for each in here if _was_edited(history, centre, each)]
    done = {each.found.delivery: erase(each) for each in here}
    if done:
        body = {"centre": centre, "deliveries": done, "edited": sorted(edited)}
        register.append("erased", body)


def _was_edited(history: History, centre: str, raw: RawFiles) -> bool:
    name = (centre, raw.found.delivery)
    versions = history.brought.get(name, ())
    known = {versions[0].sha256 if versions else raw.sha256, history.erased.get(name)}
    return raw.sha256 not in known


def _place(study: Study, raw: RawFiles) -> str:
    path = raw.found.path
    return str(path.relative_to(study.path) if isinstance(path, Path) else path)


def _named(study: Study, raw: RawFiles) -> str:
    tables = [f"{len(lines)} of {name}" for name, lines in sorted(raw.rows.items())]
    said = f"{len(raw.files)} signal file{'s' * (len(raw.files) != 1)}"
    rows = f"; rows: {', '.join(tables)}" if tables else ""
    return f"{_place(study, raw)}: {said}{rows}"


def _n_recordings(history: History, centre: str, sessions: Collection[str]) -> int:
    """Count the recordings ever delivered of these sessions, as conservation does."""
    return sum(
        item.partition("/")[0] in sessions
        for (c, _), versions in history.brought.items()
        if c == centre
        for item in {item for version in versions for item in version.recordings}
    )


def _releases(
    study: Study,
    centre: str,
    sessions: Collection[str],
    infants: Collection[str],
    hide: Callable[[str, str], str],
) -> Iterator[str]:
    # A release holds codes with their days put into letters, an older one as they are.
    sessions = {*sessions, *(hide(code, centre) for code in sessions)}
    infants = {*infants, *(hide(code, centre) for code in infants)}
    for folder in sorted((study.path / RELEASES).glob("*")):
        with suppress(WarehouseError, OSError, ValueError, KeyError):
            rows = read_table(folder, "sessions").to_pandas()
            own = rows[rows["centre"] == centre]
            held = own["session"].isin(list(sessions)) | own["infant"].isin(list(infants))
            if held.any():
                yield folder.name


def _waivers(study: Study, centre: str, sessions: Collection[str]) -> Iterator[str]:
    for waiver in study.waivers:
        if waiver.centre == centre and waiver.item.partition("/")[0] in sessions:
            yield waiver.waiver
