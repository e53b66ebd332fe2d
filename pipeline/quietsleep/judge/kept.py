"""What blocks of sessions were judged to, kept on disk from night to night.

A block is known by a digest of all that it is judged by, so what it was judged to stands as long as
that does, and the next night takes it over. The state, of which this machine knows whether somebody
wrote there by hand, remembers a digest of the files of each block: what was changed, or is half
written, is judged again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow as pa

from quietsleep.store.rows_digest import RowsDigest
from quietsleep.store.state import State
from quietsleep.store.tables import TableOnDisk, in_contract

# Beside the folders of the tables, of which none is called so.
FOLDER = "blocks"
N_ROWS = "n_rows"


@dataclass(frozen=True, slots=True)
class KeptBlocks:
    """The files of judged blocks below a folder: rows of tables, and what is told of each block.

    `tables` are those whose rows wait on disk, `told` the names of the frames that are told.
    """

    folder: Path
    tables: Mapping[str, TableOnDisk]
    told: Sequence[str]

    def write(
        self, block: str, *, rows: Mapping[str, pd.DataFrame], told: Mapping[str, pd.DataFrame]
    ) -> None:
        """Keep what a block was judged to; frames of `rows` have the columns of their contract."""
        n_rows = {
            name: on_disk.add(in_contract(rows[name], name), block=block)
            for name, on_disk in self.tables.items()
        }
        frames = [told[name] for name in self.told]
        write_frames(self._path_of(block), [*frames, pd.DataFrame([n_rows])])

    def read(self, block: str) -> dict[str, pd.DataFrame]:
        """Return what is told of a block, and count its rows among those that wait."""
        found = read_frames(self._path_of(block), [*self.told, N_ROWS])
        for name, n_rows in found.pop(N_ROWS).iloc[0].items():
            self.tables[str(name)].note(int(n_rows))
        return found

    def take_over(self, state: State, blocks: Collection[str]) -> dict[str, str]:
        """Return the blocks that were judged and lie there as they were left, each with a digest of
        its files; all else goes.

        So does what a killed night left, or one with a mistake of ours in a block.
        """
        rows = state.frame("SELECT block, sha256 FROM judged_blocks")
        known = dict(zip(rows["block"], rows["sha256"], strict=True))
        now = self._digests_of([block for block in blocks if block in known])
        standing = {block: sha256 for block, sha256 in now.items() if sha256 == known[block]}
        for table in self.tables.values():
            table.keep(standing)
        (self.folder / FOLDER).mkdir(parents=True, exist_ok=True)
        for path in (self.folder / FOLDER).iterdir():
            if path.stem not in standing:
                path.unlink()
        return standing

    def remember(self, state: State, standing: Mapping[str, str], judged: Collection[str]) -> None:
        """Remember the blocks that were taken over, and those that were judged since."""
        digests = {**standing, **self._digests_of(judged)}
        rows = pd.DataFrame({"block": [*digests], "sha256": [*digests.values()]}, dtype="str")
        with state.transaction():
            state.run("DELETE FROM judged_blocks")
            state.append("judged_blocks", rows)

    def _path_of(self, block: str) -> Path:
        return self.folder / FOLDER / f"{block}.arrows"

    def _digests_of(self, blocks: Collection[str]) -> dict[str, str]:
        """Return a digest of the files of each block, each file known by its table and centre."""
        digests = {block: hashlib.sha256() for block in blocks}
        rows = [path for table in self.tables.values() for path in table.files()]
        for path in [*rows, *map(self._path_of, blocks)]:
            if path.stem in digests and path.exists():
                content = hashlib.sha256(path.read_bytes()).hexdigest()
                digests[path.stem].update(f"{'/'.join(path.parts[-3:])} {content}\n".encode())
        return {block: digest.hexdigest() for block, digest in digests.items()}


def write_frames(path: Path, frames: Iterable[pd.DataFrame]) -> None:
    """Write frames into one file, in their order; their indices are not kept."""
    with pa.OSFile(str(path), "wb") as file:
        for table in map(_without_index, frames):
            with pa.ipc.new_stream(file, table.schema) as stream:
                stream.write_table(table)


def read_frames(path: Path, names: Iterable[str]) -> dict[str, pd.DataFrame]:
    """Read the frames of a file, which has one for each name.

    A column of objects comes back as what its values are: texts, days, truths.
    """
    with pa.OSFile(str(path)) as file:
        return {name: pa.ipc.open_stream(file).read_pandas() for name in names}


def digest_of_frames(frames: Iterable[pd.DataFrame]) -> bytes:
    """Return a digest of columns, types and rows of frames."""
    digest = hashlib.sha256()
    for frame in frames:
        table = _without_index(frame)
        rows = RowsDigest(table.schema)
        for batch in table.to_batches():
            rows.add(batch)
        digest.update(rows.close().encode())
    return digest.digest()


def _without_index(frame: pd.DataFrame) -> pa.Table:
    return pa.Table.from_pandas(frame, preserve_index=False)
