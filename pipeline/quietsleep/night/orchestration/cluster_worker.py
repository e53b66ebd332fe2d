"""What the coordinator has a worker of the cluster do: say what it runs, and measure a chunk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache

from quietsleep import contract
from quietsleep.intake.store import Address, placed
from quietsleep.measure.fingerprint import code_fingerprint, measuring_fingerprint
from quietsleep.measure.plan import Job
from quietsleep.measure.recording import measure_chunk
from quietsleep.records import Measured
from quietsleep.techniques.interface import technique_of


@dataclass(frozen=True, slots=True)
class WorkerFacts:
    """What decides whether a worker measures as the coordinator would."""

    code: str
    contract: str
    measuring: str


@cache
def own_facts() -> WorkerFacts:
    """Return the facts of this process, once: code on the disk may change under a worker.

    All techniques are imported with it, so what the fingerprint says is what is loaded.
    """
    keys = sorted((*contract.TECHNIQUES, *contract.CHECKS))
    for key in keys:
        technique_of(key)
    measuring = " ".join(measuring_fingerprint(key) for key in keys)
    return WorkerFacts(code_fingerprint(), contract.CONTRACT_VERSION, measuring)


@dataclass(frozen=True, slots=True)
class WorkerReply:
    """What a worker gives back: the measures, or why it did not measure."""

    worker: str
    refused: str = ""
    measured: list[Measured] = field(default_factory=list)


def ask_worker(expected: WorkerFacts, root: str) -> str:
    """Say, on a worker, why it must not measure; empty when it may.

    `root` is where the deliveries lie. A worker that cannot see them would find every file
    missing.
    """
    own = own_facts()
    if own.contract != expected.contract:
        return f"knows contract {own.contract}, not {expected.contract}"
    if own.code != expected.code:
        return f"runs other code (fingerprint {own.code}, not {expected.code})"
    if own.measuring != expected.measuring:
        return "runs the same code on other versions of Python or of its numerical libraries"
    return _unseen(root)


def _unseen(root: str) -> str:
    place = placed(root)
    try:
        if isinstance(place, Address):
            place.children()
        else:
            next(place.iterdir(), None)
    except OSError as error:
        return f"cannot see the deliveries ({error.strerror})"
    return ""


def measure_there(jobs: Sequence[Job], expected: WorkerFacts, root: str) -> WorkerReply:
    """Measure a chunk on a worker, unless it would measure otherwise than the coordinator."""
    from distributed import get_worker

    name = str(get_worker().address)
    # Asked with every chunk: workers come and go while a night runs.
    if refused := ask_worker(expected, root):
        return WorkerReply(name, refused)
    return WorkerReply(name, measured=measure_chunk(jobs))
