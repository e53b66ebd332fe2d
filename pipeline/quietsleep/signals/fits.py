"""Fits that several techniques share: straight lines, noisy-both lines, decays and sines.

All functions take plain float64 arrays of shape (n,) and never raise for bad data: where a fit has
too few points or no spread, its numbers are NaN.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from quietsleep.records import FloatArray, MeasuredTrial
from quietsleep.signals.quantiles import median

NAN = float("nan")
_SHARE_STEP = 0.05  # late parts are tried in steps of this share of the curve
_SIGNIFICANT = 2.0  # standard errors
_SURE = 0.6  # standard error, over the change that is straight, that can undo a bend
_ENOUGH_HZ = 200.0  # faster signals are averaged to about this rate before curvature is told
_BEATS_HZ = np.array([1.6, 2.0, 2.4, 2.9])  # heart beats of infants, 96 to 174 /min


@dataclass(frozen=True, slots=True)
class Line:
    """y = intercept + slope * x over samples [start, end) of the arrays that were fitted."""

    slope: float
    intercept: float
    r2: float
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Decay:
    """y = offset + height * 2^(-t / half_life)."""

    half_life_s: float
    height: float
    offset: float
    r2: float


@dataclass(frozen=True, slots=True)
class Sine:
    """y = level + amplitude * sin(2 pi f t + phase); `amplitude` is half of peak to peak."""

    amplitude: float
    phase_rad: float
    frequency_hz: float
    r2: float


def fit_line(x: FloatArray, y: FloatArray) -> Line:
    """Ordinary least squares of y on x, errors in y only.

    x, y: shape (n,), any units. slope = Sxy / Sxx; r2 = Sxy^2 / (Sxx Syy). NaN for fewer than two
    points or no spread in x.
    Source: any text on regression, e.g. Draper & Smith, Applied Regression Analysis (1998), ch. 1.
    """
    x_mid, y_mid, sxx, syy, sxy = _moments(x, y)
    if not sxx > 0:
        return Line(NAN, NAN, NAN, 0, int(x.size))
    slope = sxy / sxx
    r2 = sxy * sxy / (sxx * syy) if syy > 0 else NAN
    return Line(slope, y_mid - slope * x_mid, r2, 0, int(x.size))


def fit_both_noisy(
    x: FloatArray, y: FloatArray, *, x_noise: float = NAN, y_noise: float = NAN
) -> Line:
    """Straight line through points that are noisy in x and in y.

    Each variable is divided by its noise SD and the line of least squared perpendicular distance
    is taken (errors-in-variables regression with a known ratio of error variances). Without noise
    SDs the variables are divided by their own SDs, which makes it the geometric mean line,
    |slope| = SD(y) / SD(x).
    x, y: shape (n,), noise in the units of x and y. NaN without spread.
    Source: Deming, Statistical Adjustment of Data (1943), ch. 11; geometric mean line: Ricker,
    J Fish Res Board Can 1973;30:409-434 (both from memory).
    """
    x_mid, y_mid, sxx, syy, sxy = _moments(x, y)
    if not (sxx > 0 and syy > 0) or sxy == 0:
        return Line(NAN, NAN, NAN, 0, int(x.size))
    ratio = (y_noise / x_noise) ** 2 if x_noise > 0 and y_noise > 0 else syy / sxx
    across = syy - ratio * sxx
    slope = (across + np.hypot(across, 2 * np.sqrt(ratio) * sxy)) / (2 * sxy)
    if not np.isfinite(slope):
        return Line(NAN, NAN, NAN, 0, int(x.size))
    return Line(float(slope), y_mid - float(slope) * x_mid, sxy * sxy / (sxx * syy), 0, int(x.size))


@dataclass(frozen=True, slots=True)
class Straightness:
    """When a part counts as straight.

    Its line reaches `r2_floor`, and the slope changes over it by certainly less than `straight_pct`
    of its mean. It spans `least_share` of the whole and lasts `least_s`.
    """

    r2_floor: float
    straight_pct: float
    least_share: float
    least_s: float


@dataclass(frozen=True, slots=True)
class LatePart:
    """The line through a late part of a curve, and by how much its slope changes over it.

    `curvature_pct` is the slope at the beginning of the part less that at its end, by a parabola,
    in percent of the mean slope; `error_pct` its standard error.
    """

    line: Line
    curvature_pct: float
    error_pct: float

    @property
    def certain_pct(self) -> float:
        """Size of the change of slope less two standard errors, at least 0."""
        return max(abs(self.curvature_pct) - _SIGNIFICANT * self.error_pct, 0.0)

    def moved(self, by: int) -> LatePart:
        """Return the same part counted from `by` samples earlier."""
        line = replace(self.line, start=self.line.start + by, end=self.line.end + by)
        return replace(self, line=line)


def late_line(
    x: FloatArray,
    y: FloatArray,
    rate_hz: float,
    *,
    whole: float,
    opening: int,
    end_slack: int,
    straight: Straightness,
) -> LatePart:
    """Line of y on x through the longest late part of a curve that is straight.

    x, y: shape (n,), x falling in time; `whole` is the span of x of which the least share is asked.
    Parts begin at twenty steps of x and end where the curve leaves the line of its late half for
    good, at most `end_slack` samples before its end: there a next effort rounds it. A parabola over
    each part tells how the slope changes and how sure that is; a part that begins in the first
    `opening` samples says nothing against later ones. Where no part is straight, the one whose
    slope changes least; where its line does not reach the floor of r2 either, the longest part of
    any span that does, or the one of largest r2. NaN for too few points.
    Source: t of a quadratic term, e.g. Draper & Smith, Applied Regression Analysis (1998), ch. 12.
    """
    n, least = int(x.size), max(round(straight.least_s * rate_hz), 4)
    if n < least or not float(x[0] - x.min()) > 0.0 or not whole > 0.0:
        return LatePart(Line(NAN, NAN, NAN, 0, n), NAN, NAN)
    end = _end_of_line(x, y, end_slack, least)
    share = np.maximum.accumulate((x[:end] - x[end - 1])[::-1])[::-1] / whole
    steps = np.arange(1.0, 0.0, -_SHARE_STEP)
    starts = np.unique(end - np.searchsorted(share[::-1], steps * share[0], side="right"))
    starts = starts[end - starts >= least]
    long = share[starts] >= straight.least_share
    x_fit, y_fit = x[:end], y[:end]
    part = _straightest(
        x_fit,
        y_fit,
        starts[long].tolist() or [0],
        rate_hz,
        opening=opening,
        straight=straight,
    )
    if not part.line.r2 >= straight.r2_floor:
        part = _best_of_any_length(x_fit, y_fit, starts.tolist(), rate_hz, straight)
    start = part.line.start
    line = robust_line(x[start:end], y[start:end])
    return replace(part, line=replace(line, start=start, end=end))


def _straightest(
    x: FloatArray,
    y: FloatArray,
    starts: Sequence[int],
    rate_hz: float,
    *,
    opening: int,
    straight: Straightness,
) -> LatePart:
    """The first straight part, from `starts` in order to the end, or the least curved one."""
    parts: list[LatePart] = []
    curved = False
    for start in starts:
        line = replace(fit_line(x[start:], y[start:]), start=start, end=int(x.size))
        part = LatePart(line, *_bend(x[start:], y[start:], rate_hz))
        # What a longer part shows for certain, a shorter one that shows nothing does not undo.
        if curved and part.error_pct > _SURE * straight.straight_pct:
            continue
        if line.r2 >= straight.r2_floor and part.certain_pct <= straight.straight_pct:
            return part
        curved = curved or (start >= opening and part.certain_pct > straight.straight_pct)
        parts.append(part)
    return min(parts, key=lambda part: part.certain_pct)


def _best_of_any_length(
    x: FloatArray, y: FloatArray, starts: Sequence[int], rate_hz: float, straight: Straightness
) -> LatePart:
    """The longest part whose line reaches the floor of r2, or the one of largest r2."""
    best = fit_line(x, y)
    for start in starts:
        line = replace(fit_line(x[start:], y[start:]), start=start, end=int(x.size))
        if not line.r2 <= best.r2:
            best = line
        if best.r2 >= straight.r2_floor:
            break
    return LatePart(best, *_bend(x[best.start :], y[best.start :], rate_hz))


def _end_of_line(x: FloatArray, y: FloatArray, slack: int, least: int) -> int:
    """Where a curve of n points ends that may leave its line within the last `slack` samples."""
    n = int(x.size)
    sure = max(n - slack, least)
    if sure >= n:
        return n
    half = int(np.searchsorted(-x[:sure], -0.5 * float(x[0] + x[sure - 1])))
    half = min(half, sure - least)
    line = robust_line(x[half:sure], y[half:sure], rounds=3)
    off = np.abs(y - line.intercept - line.slope * x)
    band = max(3.0 * 1.4826 * median(off[half:sure]), 0.01 * float(np.abs(y).max()))
    outside = np.flatnonzero(off[sure:] > band)
    return sure + int(outside[0]) if outside.size else n


def _bend(x: FloatArray, y: FloatArray, rate_hz: float) -> tuple[float, float]:
    """Change of the slope of y on x over its span by a parabola, and its standard error, percent.

    Beats of the heart look like a bend over a second or less. The scatter about a cubic, which a
    bent curve follows closely, counts as white noise as far as neighbouring points say so, and the
    rest, r rms, as beats of any phase, twice as large since the cubic follows them too: a sine of
    rms s moves the quadratic coefficient sum(w y) by at most s |sum(w exp(i 2 pi f t))|, the
    largest over `_BEATS_HZ`.
    """
    step = max(1, round(rate_hz / _ENOUGH_HZ))
    if x.size >= 8 * step:
        x, y = _blocks(x, step), _blocks(y, step)
    if x.size < 4 or x[0] == x[-1]:
        return NAN, NAN
    u = (x - x[-1]) / (x[0] - x[-1])
    design = np.stack([np.ones_like(u), u, u * u, u**3])
    normal, along = design @ design.T + 1e-9 * u.size * np.eye(4), design @ y
    inverse = np.linalg.inv(normal[:3, :3])
    _, slope, bend = (inverse @ along[:3]).tolist()
    left = y - np.linalg.solve(normal, along) @ design
    once = left[1:] - left[:-1]
    white = 0.5 * float(once @ once) / max(once.size, 1)
    beats = max(float(left @ left) / max(u.size - 4, 1) - white, 0.0)
    turning = np.exp(2j * np.pi * step / rate_hz * np.multiply.outer(_BEATS_HZ, np.arange(u.size)))
    pull = float(np.abs(turning @ (inverse[2] @ design[:3])).max())
    error = math.sqrt(white * float(inverse[2, 2]) + 4.0 * beats * pull**2)
    mean = slope + bend
    return (200.0 * bend / mean, abs(200.0 * error / mean)) if mean != 0.0 else (NAN, NAN)


def _blocks(values: FloatArray, step: int) -> FloatArray:
    """Means of so many neighbours; what is left over at the beginning is dropped."""
    count = values.size // step
    return np.asarray(values[values.size - count * step :].reshape(count, step).mean(axis=1))


def robust_line(x: FloatArray, y: FloatArray, *, rounds: int = 6) -> Line:
    """Straight line of y on x that points far off it hardly move; r2 is that of least squares.

    Least squares weighted by (1 - (residual / 4.685 s)^2)^2, s = 1.4826 median |residual|, repeated
    (bisquare weights: Beaton & Tukey, Technometrics 1974;16:147-185, from memory).
    x, y: shape (n,), errors in y only.
    """
    line = fit_line(x, y)
    slope, intercept = line.slope, line.intercept
    for _ in range(rounds if np.isfinite(slope) else 0):
        residual = y - intercept - slope * x
        scale = 4.685 * 1.4826 * median(np.abs(residual))
        if not scale > 0:
            break
        weight = np.maximum(1.0 - (residual / scale) ** 2, 0.0) ** 2
        total = float(weight.sum())
        x_mid, y_mid = float(weight @ x) / total, float(weight @ y) / total
        sxx = float(weight @ (x - x_mid) ** 2)
        if not sxx > 0:
            break
        slope = float(weight @ ((x - x_mid) * (y - y_mid))) / sxx
        intercept = y_mid - slope * x_mid
    return Line(slope, intercept, line.r2, line.start, line.end)


def fit_plane(y: FloatArray, *regressors: FloatArray) -> tuple[FloatArray, float]:
    """Multiple linear regression y = b0 + b1 x1 + b2 x2 ...

    y and each regressor: shape (n,). Returns the coefficients (b0, b1, ...), shape (k + 1,), and
    r2 = 1 - SS_residual / SS_total.
    Source: least squares; for P = P0 + V / C + R flow see Lanteri et al., J Appl Physiol
    1993;74:369-378 (from memory).
    """
    design = np.column_stack([np.ones(y.size), *regressors])
    solution = np.asarray(np.linalg.lstsq(design, y, rcond=None)[0], dtype=np.float64)
    residual = y - design @ solution
    total = float(np.sum((y - y.mean()) ** 2))
    return solution, 1.0 - float(residual @ residual) / total if total > 0 else NAN


def fit_decay(y: FloatArray, rate_hz: float, *, longest_half_lives: float = 4.0) -> Decay:
    """Exponential decay towards an unknown level: y = offset + height * 2^(-t / half_life).

    For one half-life, offset and height follow from a straight line of y on 2^(-t / half_life);
    the half-life of least residual is found on a grid and refined by golden section (variable
    projection: Golub & Pereyra, SIAM J Numer Anal 1973;10:413-432, from memory).
    y: shape (n,), any unit; the half-life is sought between 5 samples and `longest_half_lives`
    times the record; NaN for fewer than 16 samples or a flat record.
    """
    n = int(y.size)
    if n < 16 or not np.ptp(y) > 0:
        return Decay(NAN, NAN, NAN, NAN)
    time = np.arange(n) / rate_hz

    def misfit(log_half_life: float) -> float:
        return 1.0 - fit_line(np.exp2(-time / np.exp(log_half_life)), y).r2

    grid = np.linspace(np.log(5 / rate_hz), np.log(longest_half_lives * time[-1]), 40)
    low = int(np.argmin([misfit(g) for g in grid]))
    half_life = float(
        np.exp(_golden(misfit, grid[max(low - 1, 0)], grid[min(low + 1, grid.size - 1)]))
    )
    line = fit_line(np.exp2(-time / half_life), y)
    return Decay(half_life, line.slope, line.intercept, line.r2)


def fit_sine(y: FloatArray, rate_hz: float, *, frequency_hz: float) -> Sine:
    """Sine of known frequency about a level, by linear least squares.

    y = a + c sin(2 pi f t) + d cos(2 pi f t); amplitude = hypot(c, d), error about
    sqrt(2 / n) noise SD. y: shape (n,), any unit, t in s from its first sample; NaN for less than
    half a period.
    """
    if y.size < max(8, 0.5 * rate_hz / frequency_hz):
        return Sine(NAN, NAN, frequency_hz, NAN)
    angle = 2 * np.pi * frequency_hz * np.arange(y.size) / rate_hz
    (_, along, across), r2 = fit_plane(y, np.sin(angle), np.cos(angle))
    return Sine(float(np.hypot(along, across)), float(np.arctan2(across, along)), frequency_hz, r2)


def dominant_frequency_hz(y: FloatArray, rate_hz: float, *, low_hz: float, high_hz: float) -> float:
    """Frequency of the strongest sine in y between two limits; NaN where y is flat or too short.

    A straight trend is taken out first. The peak of a windowed spectrum is the start, the least
    residual of `fit_sine` the end.
    """
    if y.size < 2 * rate_hz / high_hz or not np.ptp(y) > 0:
        return NAN
    time = np.arange(y.size) / rate_hz
    line = fit_line(time, y)
    y = y - line.intercept - line.slope * time
    padded = int(2 ** np.ceil(np.log2(8 * y.size)))
    power = np.abs(np.fft.rfft(y * np.hanning(y.size), padded))
    frequency = np.fft.rfftfreq(padded, 1.0 / rate_hz)
    inside = np.flatnonzero((frequency >= low_hz) & (frequency <= high_hz))
    if inside.size == 0:
        return NAN
    start = float(frequency[inside[np.argmax(power[inside])]])
    step = 0.5 * rate_hz / y.size

    def misfit(hz: float) -> float:
        return 1.0 - fit_sine(y, rate_hz, frequency_hz=hz).r2

    return _golden(misfit, max(start - step, 0.5 * low_hz), start + step)


def noise_sd(y: FloatArray) -> float:
    """SD of the sample-to-sample noise of y, blind to slow movement.

    Third differences of white noise have variance 20 sigma^2; their median absolute value makes it
    robust. Where the signal is so coarsely quantised that most differences vanish, the step of
    quantisation / sqrt(12) is returned.
    y: shape (n,); 0 for fewer than 8 samples.
    """
    if y.size < 8:
        return 0.0
    once = y[1:] - y[:-1]
    twice = once[1:] - once[:-1]
    spread = median(np.abs(twice[1:] - twice[:-1])) / (0.6745 * math.sqrt(20.0))
    steps = np.abs(once)
    largest = max(float(y.max()), -float(y.min()), 1e-300)
    steps = steps[steps > 1e-12 * largest]
    return max(spread, float(steps.min()) / math.sqrt(12.0)) if steps.size else spread


def _moments(x: FloatArray, y: FloatArray) -> tuple[float, float, float, float, float]:
    """Means and centred sums: mean x, mean y, Sxx, Syy, Sxy; NaN for fewer than two points."""
    if x.size < 2:
        return NAN, NAN, NAN, NAN, NAN
    add = np.add.reduce
    x_mid, y_mid = float(add(x)) / x.size, float(add(y)) / y.size
    dx, dy = x - x_mid, y - y_mid
    # Sums, not dot products: those start threads of their own, which fight the process pool.
    return x_mid, y_mid, float(add(dx * dx)), float(add(dy * dy)), float(add(dx * dy))


def _golden(
    function: Callable[[float], float], low: float, high: float, *, steps: int = 40
) -> float:
    """Minimum of a function of one number between two limits, by golden section."""
    ratio = (np.sqrt(5.0) - 1) / 2
    left, right = high - ratio * (high - low), low + ratio * (high - low)
    at_left, at_right = function(left), function(right)
    for _ in range(steps):
        if at_left < at_right:
            high, right, at_right = right, left, at_left
            left = high - ratio * (high - low)
            at_left = function(left)
        else:
            low, left, at_left = left, right, at_right
            right = low + ratio * (high - low)
            at_right = function(right)
    return float(0.5 * (low + high))


def values_of(trials: Sequence[MeasuredTrial], quantity: str) -> FloatArray:
    """Values of one quantity over the trials that have it; shape (n,), NaN left out."""
    values = np.array([trial.values.get(quantity, NAN) for trial in trials], dtype=np.float64)
    return values[np.isfinite(values)]


def cv_pct(values: FloatArray) -> float:
    """Coefficient of variation, 100 SD / |mean| with n - 1; NaN for fewer than two values."""
    if values.size < 2 or values.mean() == 0:
        return NAN
    return float(100.0 * values.std(ddof=1) / abs(values.mean()))


def certain_size(values: FloatArray) -> float:
    """Size of the mean of values (n,) less two standard errors, at least 0; NaN below two."""
    if values.size < 2:
        return NAN
    error = float(values.std(ddof=1)) / math.sqrt(values.size)
    return max(abs(float(values.mean())) - _SIGNIFICANT * error, 0.0)
