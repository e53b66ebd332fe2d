"""Why a number is missing: every NaN of a trial gets its reason."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from quietsleep.records import Measures


def give_reasons(measures: Measures, reasons: Mapping[str, str]) -> Measures:
    """Turn every number that is not finite into NaN with the reason given for its name.

    Reasons that are already there stay. The measures are changed in place and returned.
    """
    for name, value in list(measures.items()):
        if not np.isfinite(value) and name not in measures.reasons:
            measures.miss((name,), reasons.get(name, "what it rests on could not be measured"))
    return measures
