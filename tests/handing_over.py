"""What a centre does when it hands over: listing its files."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path


def relist(delivery: Path, changed: Path) -> None:
    """Write the new size and digest of a file into delivery.json, as a centre would."""
    path = delivery / "delivery.json"
    manifest = json.loads(path.read_text(encoding="utf-8"))
    data = changed.read_bytes()
    for entry in manifest["files"]:
        if entry["path"] == changed.relative_to(delivery).as_posix():
            entry |= {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    path.write_text(json.dumps(manifest), encoding="utf-8")
