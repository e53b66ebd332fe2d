"""The nightly flow, as an operator deploys it (see docs/cluster.md)."""

from __future__ import annotations

from quietsleep.night.orchestration.nightly import nightly, nightly_on_cluster

__all__ = ["nightly", "nightly_on_cluster"]
