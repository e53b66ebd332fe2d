"""How much may be handed over at the desk, as study.toml says.

The figures are definitions of this study. A file of signals above `file_mb` could not be read by
the night either.
"""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import model_validator
from pydantic.dataclasses import dataclass as model

from quietsleep.contract.toml import CONFIG, Number, Whole, between

MB = 1024**2
Megabytes = Annotated[Whole, between(1, 1_000_000)]


@model(frozen=True, slots=True, config=CONFIG, kw_only=True)
class UploadLimits:
    """The table [desk] of study.toml: bounds of what centres hand over; all have a default.

    `file_mb` bounds one file, `delivery_mb` one delivery and an archive (packed and unpacked),
    `centre_mb` all that a centre has begun and not sent, `files` their number in one delivery.
    What was left for `keep_hours` is removed. Sizes in MB of 1024 x 1024 bytes.
    """

    file_mb: Megabytes = 256
    delivery_mb: Megabytes = 2048
    centre_mb: Megabytes = 8192
    files: Annotated[Whole, between(1, 20_000)] = 5_000
    keep_hours: Annotated[Number, between(0.1, 720)] = 24.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.file_mb <= self.delivery_mb <= self.centre_mb:
            raise ValueError("file_mb may not be above delivery_mb, nor that above centre_mb.")
        return self
