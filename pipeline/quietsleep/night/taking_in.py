"""Take in one delivery and keep it in the state, whole or not at all."""

from __future__ import annotations

import hashlib

import pandas as pd

from quietsleep.intake.find import FoundDelivery
from quietsleep.intake.ingest import ReadDelivery, read_delivery
from quietsleep.intake.store import Address, placed
from quietsleep.measure.fingerprint import intake_fingerprint, registration_digest
from quietsleep.measure.roster import rows_to_keep
from quietsleep.night.night import Night


def ingest_delivery(night: Night, found: FoundDelivery) -> None:
    """Take in a delivery unless it is as it was taken in before."""
    where = [found.centre, found.delivery]
    digest = _digest(night, found)
    if _is_known(night, where, digest) and not night.full:
        return
    delivered = read_delivery(night.study, found, known=_stamps(night, found))
    first = night.state.value(
        "SELECT first_night FROM deliveries WHERE centre = ? AND delivery = ?", where
    )
    with night.state.transaction():
        for table in ("deliveries", "stats", "delivered"):
            night.state.run(f"DELETE FROM {table} WHERE centre = ? AND delivery = ?", where)
        night.state.run(
            "DELETE FROM problems WHERE centre = ? AND delivery = ? AND content_key IS NULL", where
        )
        _store_delivery(night, delivered, first_night=first or night.name, digest=digest)


def _is_known(night: Night, where: list[str], digest: str) -> bool:
    """Say whether a delivery is as it was taken in, and what was unpacked of it is still there."""
    known = night.state.frame(
        "SELECT state, path FROM deliveries WHERE centre = ? AND delivery = ? AND stat_digest = ?",
        [*where, digest],
    )
    if known.empty or known["state"][0] != "accepted":
        return len(known) > 0
    path = placed(known["path"][0])
    return isinstance(path, Address) or path.is_dir()


def _digest(night: Night, found: FoundDelivery) -> str:
    """Return a digest of all that taking in a delivery rests on, and of where it lies."""
    registered = registration_digest(night.study.centres[found.centre])
    lies = found.path if isinstance(found.path, Address) else found.path.resolve()
    place = hashlib.sha256(str(lies).encode("utf-8", "surrogateescape"))
    return f"{found.stat_digest} {intake_fingerprint()} {registered} {place.hexdigest()}"


def _stamps(night: Night, found: FoundDelivery) -> dict[str, tuple[int, int, str]]:
    """Return what is known of a delivery's files from earlier nights, nothing on a full night."""
    if night.full:
        return {}
    rows = night.state.frame(
        "SELECT path, bytes, mtime_ns, sha256 FROM stats WHERE centre = ? AND delivery = ?",
        [found.centre, found.delivery],
    )
    return {
        path: (int(size), int(mtime_ns), sha256)
        for path, size, mtime_ns, sha256 in rows.itertuples(index=False, name=None)
    }


def _store_delivery(
    night: Night, delivered: ReadDelivery, *, first_night: str, digest: str
) -> None:
    centre, delivery = delivered.centre, delivered.delivery
    rows = rows_to_keep(delivered)
    night.state.append(
        "deliveries",
        pd.DataFrame(
            [
                {
                    "centre": centre,
                    "delivery": delivery,
                    "created_at": delivered.created,
                    "first_night": first_night,
                    "state": delivered.state,
                    # The folder of a refused one may be called after a person.
                    "path": str(delivered.root) if delivered.state == "accepted" else "",
                    "stat_digest": "" if _waits(delivered) else digest,
                    "sha256": delivered.sha256,
                    "n_sessions": len(rows.get("sessions", ())),
                    "n_recordings": len(rows.get("recordings", ())),
                    "n_checks": len(rows.get("checks", ())),
                }
            ]
        ),
    )
    stamps = [
        {"centre": centre, "delivery": delivery, "path": path, "bytes": size}
        | {"mtime_ns": mtime_ns, "sha256": sha256}
        for path, (size, mtime_ns, sha256) in delivered.stamps.items()
    ]
    night.state.append("stats", pd.DataFrame(stamps))
    night.state.store_tables(rows, centre=centre, delivery=delivery)
    night.state.store_problems(delivered.problems, night=night.name)


def _waits(delivered: ReadDelivery) -> bool:
    """Say whether something could not be read for a reason that may have passed tomorrow."""
    return any(p.kind in ("not_opened", "not_unpacked") for p in delivered.problems)
