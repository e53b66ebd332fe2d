"""A sealed folder is a delivery that the front door takes in; what is hidden is no part of it."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

from quietsleep.intake.seal import seal_delivery, seal_of
from quietsleep.night.preview import preview
from quietsleep.study.study import load_study


def test_a_sealed_folder_is_a_delivery(small_deliveries: Path, tmp_path: Path) -> None:
    came = small_deliveries / "deliveries/larch/larch-01"
    folder = tmp_path / "larch" / "anew"
    shutil.copytree(came, folder)
    (folder / ".hidden").write_text("x")
    (folder / "~$sessions.xlsx").write_text("x")
    (folder / "link.csv").symlink_to(folder / "sessions.csv")
    seal = seal_delivery(folder, centre="larch", delivery="anew", note="again", replaces=["s1"])
    said = json.loads((folder / "delivery.json").read_text())
    before = json.loads((came / "delivery.json").read_text())
    assert {f["path"]: f["sha256"] for f in said["files"]} == {
        f["path"]: f["sha256"] for f in before["files"]
    }
    assert (said["note"], said["replaces"]) == ("again", ["s1"])
    assert seal.sha256 == hashlib.sha256((folder / "delivery.json").read_bytes()).hexdigest()
    assert seal_of(folder) == seal
    for name in (".hidden", "link.csv"):
        (folder / name).unlink()
    assert [p.kind for p in preview(load_study(small_deliveries), folder).problems] == []
