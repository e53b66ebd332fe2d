"""The flow that judges stored measures again, as an operator deploys it."""

from __future__ import annotations

from quietsleep.night.orchestration.nightly import rejudge

__all__ = ["rejudge"]
