"""The funnel of centres: which accepted share is outside what chance gives at its number of tests.

Limits are exact binomial ones around the share of all centres. Spiegelhalter DJ. Funnel plots for
comparing institutional performance. Stat Med 2005;24:1185-1202.
"""

from __future__ import annotations

from typing import Literal

Mark = Literal["inside", "below", "above"]
# Outside is what chance gives in one of five hundred, half of it on either side: 99.8 % limits.
CHANCE = 0.001


def funnel_mark(n_accepted: int, n_tests: int, mean: float) -> Mark:
    """Mark a centre by the exact binomial tails around the share `mean` of all centres.

    below: P(X <= n_accepted) < CHANCE; above: P(X >= n_accepted) < CHANCE. So 12 of 12 around 0.806
    is inside: chance gives it in 7.5 %.
    """
    low, high = funnel_range(n_tests, mean)
    if n_tests > 0 and n_accepted / n_tests < low:
        return "below"
    return "above" if n_tests > 0 and n_accepted / n_tests > high else "inside"


def funnel_range(n_tests: int, mean: float, chance: float = CHANCE) -> tuple[float, float]:
    """Return the lowest and the highest share of `n_tests` that are inside the exact limits.

    Shares from 0 to 1, `chance` left out on either side. Everything is inside where there is no
    test, or where all tests of all centres or none are accepted.
    """
    from scipy.stats import binom

    if n_tests <= 0 or not 0 < mean < 1:
        return 0.0, 1.0
    low, high = int(binom.ppf(chance, n_tests, mean)), int(binom.isf(chance, n_tests, mean))
    # Quantiles may be one off where a tail is the chance to the last digit.
    low += float(binom.cdf(low, n_tests, mean)) < chance
    high -= float(binom.sf(high - 1, n_tests, mean)) < chance
    return low / n_tests, high / n_tests


def funnel_limits(n_tests: int, mean: float, chance: float) -> tuple[float, float]:
    """Return the lower and upper limit to draw at a number of tests, as shares from 0 to 1.

    Interpolated between the counts where the exact tail passes `chance` (Spiegelhalter, appendix),
    but 0 or 1 where not even no or all accepted tests are outside. n_tests >= 1, 0 < mean < 1.
    """
    from scipy.stats import binom

    low, high = funnel_range(n_tests, mean, chance)
    r = round(low * n_tests)
    lower = upper = None
    if r > 0:
        at, below = float(binom.cdf(r, n_tests, mean)), float(binom.cdf(r - 1, n_tests, mean))
        lower = (r - (at - chance) / (at - below)) / n_tests
    r = round(high * n_tests)
    if r < n_tests:
        at, above = float(binom.sf(r - 1, n_tests, mean)), float(binom.sf(r, n_tests, mean))
        upper = (r + (at - chance) / (at - above)) / n_tests
    return (
        0.0 if lower is None else min(max(lower, 0.0), 1.0),
        1.0 if upper is None else min(max(upper, 0.0), 1.0),
    )
