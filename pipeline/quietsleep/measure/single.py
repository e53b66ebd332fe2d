"""One recording by itself, from arrays or from a file with its device, measured as in a night."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from quietsleep import contract
from quietsleep.contract import toml
from quietsleep.errors import QuietsleepError, StudyError
from quietsleep.measure.plan import job_of_file
from quietsleep.measure.recording import measure_job, measure_recording
from quietsleep.records import Channels, FloatArray, Measured
from quietsleep.signals.channels import assemble, clipped_in
from quietsleep.signals.quantiles import NAN
from quietsleep.study.devices import Device, read_centre


class AnalysisError(QuietsleepError):
    """A recording cannot be analysed as asked; the message says what is missing."""


def measure_single(
    source: str | Path | Mapping[str, ArrayLike],
    technique: str,
    *,
    device: Device | str | Path | None,
    rate_hz: float | None,
    context: Mapping[str, float],
) -> Measured:
    """Measure one recording of a technique; see `quietsleep.analyse` for what is given.

    Raises AnalysisError when the technique is unknown or something needed is missing.
    """
    if technique not in contract.TECHNIQUES:
        known = ", ".join(contract.TECHNIQUES)
        raise AnalysisError(f'There is no technique "{technique}"; there are: {known}.')
    needed = dict.fromkeys(contract.TECHNIQUES[technique].needs.names(), NAN)
    given = {**needed, **{name: float(value) for name, value in context.items()}}
    if isinstance(source, Mapping):
        return _of_arrays(source, technique, rate_hz, given)
    return _of_file(Path(source), technique, device_of(device), given)


def _of_arrays(
    arrays: Mapping[str, ArrayLike],
    technique: str,
    rate_hz: float | None,
    context: Mapping[str, float],
) -> Measured:
    if rate_hz is None:
        raise AnalysisError("Arrays need rate_hz, the samples a second.")
    known = [s.key for s in contract.SIGNALS.values() if s.kind != "derived"]
    channels = ("flow", *contract.TECHNIQUES[technique].channels)
    needed = {contract.SIGNALS[name].key for name in channels}
    unknown, missing = sorted(set(arrays) - set(known)), sorted(needed - set(arrays))
    if unknown or missing:
        what = f"{unknown[0]} is no channel" if unknown else f"{missing[0]} is missing"
        raise AnalysisError(f"{what}; the arrays may be {', '.join(known)}.")
    values = {name: np.asarray(array, dtype=np.float64) for name, array in arrays.items()}
    _refuse_shapes(values)
    recording = assemble(
        Channels(rate_hz, values, 0.0, *clipped_in(values, channels)),
        name="recording",
        technique=technique,
        device=None,
        context=context,
    )
    return measure_recording(recording, key="")


def _refuse_shapes(values: Mapping[str, FloatArray]) -> None:
    sizes = {name: array.shape for name, array in values.items()}
    if len(set(sizes.values())) > 1 or any(len(shape) != 1 for shape in sizes.values()):
        told = ", ".join(f"{name} {shape}" for name, shape in sizes.items())
        raise AnalysisError(f"The arrays must have one dimension and one length: {told}.")
    for name, array in values.items():
        if not np.isfinite(array).all():
            at = int(np.flatnonzero(~np.isfinite(array))[0])
            raise AnalysisError(f"{name} is not a number at sample {at}; bridge or cut it first.")


def _of_file(path: Path, technique: str, device: Device, context: Mapping[str, float]) -> Measured:
    try:
        sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise AnalysisError(f"{path} cannot be read: {error.strerror}.") from error
    job = job_of_file(path, technique=technique, device=device, context=context, file_sha256=sha256)
    return measure_job(job)


def device_of(given: Device | str | Path | None) -> Device:
    """Return a device, or the only one of a centre file; AnalysisError where there is none."""
    if isinstance(given, Device):
        return given
    if given is None:
        raise AnalysisError("A file needs its device: an entry of a study, or a centre file.")
    path = Path(given)
    entry = toml.read(path.parent, path.name, StudyError)
    devices = list(read_centre(entry, path.stem).devices.values())
    if len(devices) > 1:
        codes = ", ".join(each.device for each in devices)
        raise AnalysisError(
            f"{given} registers several devices ({codes}): take one of open_study(...).devices."
        )
    return devices[0]
