"""A folder of tables and signal files made into a delivery: looked at, sealed, and zipped if asked.

What would not be found by a delivery that is read is said before anything is written.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from quietsleep.errors import QuietsleepError
from quietsleep.intake.find import DELIVERY_NAME, MANIFEST
from quietsleep.intake.seal import Seal, seal_delivery


class PackError(QuietsleepError):
    """A folder cannot be made a delivery; the message is one plain sentence."""


@dataclass(frozen=True, slots=True)
class Packed:
    """Where the delivery lies, a folder or a .zip, and its seal."""

    path: Path
    seal: Seal


def pack_delivery(
    folder: Path,
    *,
    centre: str,
    delivery: str,
    note: str = "",
    replaces: Sequence[str] = (),
    zipped: bool = False,
) -> Packed:
    """Seal a folder, again where it was sealed before; PackError where there is nothing to seal.

    A .zip is written beside the folder, whole or not at all.
    """
    if not folder.is_dir():
        raise PackError(f"{folder} is no folder; name the one with the tables and signal files.")
    if not DELIVERY_NAME.fullmatch(delivery):
        raise PackError(
            f"A delivery cannot be called {delivery!r}: use letters, digits, hyphen, underscore "
            "and point only. Name it with --delivery."
        )
    if not zipped and delivery != folder.resolve().name:
        raise PackError(
            f"The folder is called {folder.resolve().name}, and a delivery is called after its "
            f"folder. Rename it to {delivery}, or write a .zip with --zip."
        )
    seal = seal_delivery(folder, centre=centre, delivery=delivery, note=note, replaces=replaces)
    if not seal.n_files:
        (folder / MANIFEST).unlink()
        raise PackError(f"{folder} holds no file. Put the tables and signal files there first.")
    if not zipped:
        return Packed(folder, seal)
    return Packed(_zip(folder, folder.resolve().with_name(f"{delivery}.zip")), seal)


def _zip(folder: Path, archive: Path) -> Path:
    """Write the files that were sealed, and delivery.json last."""
    listed = json.loads((folder / MANIFEST).read_bytes())["files"]
    fresh = archive.with_suffix(".zip.new")
    with zipfile.ZipFile(fresh, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as out:
        for path in (*(file["path"] for file in listed), MANIFEST):
            out.write(folder / path, path)
    return fresh.replace(archive)
