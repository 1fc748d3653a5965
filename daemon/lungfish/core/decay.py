"""The curve after closing: does the pressure fall to a level and stay there, or does it go on falling?

Air that is held back by a narrowed tip leaves until only the head is left: the pressure falls and then stops. Air that
leaks goes on leaving. Both begin alike, so the curve is fitted as a straight line plus one dying exponential,

    p = S + s u + A exp(-u / T),

and the three are told apart by what is left when the exponential has died: `S` at the moment of closing and the
slope `s`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lungfish.core.fit import Fit, fit_columns, fit_line, golden_minimum, lag1_autocorrelation, spread_inflation

__all__ = ["STEP_FALLS", "Decay", "decay_of", "still_falling"]

_SHORTEST_S = 0.1
_LONGEST_SHARE = 0.3
"""A time constant longer than this share of the window can't be told from a straight line with a bend."""
_SIGMAS = 4.0
_BEND = 0.1
"""Two halves whose slopes differ by less than this share fall alike."""
_BEND_PA_S = 10.0
FALLS_PA_S = 30.0
"""A pressure that falls faster than this may yet come to rest,"""
STEP_FALLS = 1.5
"""A straight line through a step down falls by this much of it at most, when the step lies in the middle."""
STRAIGHT_S = 8.0
"""unless it has fallen in a straight line for so long."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decay:
    """What is left of the pressure after closing, and what died away."""

    left_pa: float
    """The straight line, gone back to the moment of closing, Pa."""
    left_u_pa: float
    """Its standard uncertainty, Pa."""
    slope_pa_s: float
    """Slope of the line, Pa/s."""
    slope_u_pa_s: float
    """Its standard uncertainty, Pa/s."""
    died_pa: float
    """What died away, gone back to the moment of closing, Pa."""
    time_s: float
    """Its time constant, s."""
    scatter_pa: float
    """Standard deviation of the samples about the curve, Pa."""
    end_pa: float
    """The curve at its last sample, Pa."""
    remains_pa: float
    """What has not died yet at the last sample, Pa."""


def decay_of(times_s: Sequence[float], gauge_pa: Sequence[float], noise_pa: float) -> Decay | None:
    """Fit the curve after closing.

    Args:
        times_s: times after closing, s, rising, the transmitter's damping and the line's own friction over.
        gauge_pa: samples, Pa.
        noise_pa: standard deviation of the transmitter at rest, Pa.

    Returns:
        The fit, or None when there are too few samples.
    """
    if len(times_s) < 12:
        return None
    first, span = times_s[0], times_s[-1] - times_s[0]

    def fit_at(log_time: float) -> Fit:
        time_s = math.exp(log_time)
        columns = [[1.0] * len(times_s), list(times_s), [math.exp(-(t - first) / time_s) for t in times_s]]
        return fit_columns(columns, gauge_pa, weights=[1.0 / noise_pa] * len(times_s))

    low, high = math.log(_SHORTEST_S), math.log(max(2.0 * _SHORTEST_S, _LONGEST_SHARE * span))
    try:
        best = golden_minimum(lambda log_time: fit_at(log_time).sum_squares, low, high, 0.05)
        fit = fit_at(best)
    except ValueError:
        return None
    time_s = math.exp(best)
    spread = max(1.0, fit.residual_sd) * math.sqrt(spread_inflation(lag1_autocorrelation(fit.residuals)))
    left, slope, amplitude = fit.values
    return Decay(
        left_pa=left,
        left_u_pa=math.sqrt(fit.inverse[0][0]) * spread,
        slope_pa_s=slope,
        slope_u_pa_s=math.sqrt(fit.inverse[1][1]) * spread,
        died_pa=amplitude * math.exp(min(20.0, first / time_s)),
        time_s=time_s,
        scatter_pa=fit.residual_sd * noise_pa,
        end_pa=left + slope * times_s[-1] + amplitude * math.exp(-span / time_s),
        remains_pa=abs(amplitude) * math.exp(-span / time_s),
    )


def still_falling(times_s: Sequence[float], gauge_pa: Sequence[float], noise_pa: float, bubble_pa: float) -> bool:
    """Whether a curve may yet come to rest: its last half falls fast, or the two parts of that fall differently.

    Args:
        times_s: times, s, rising.
        gauge_pa: samples, Pa.
        noise_pa: standard deviation of the transmitter at rest, Pa.
        bubble_pa: by how much the last bubble that breaks off may lower the pressure, Pa; that is no leak.
    """
    if len(times_s) < 16:
        return False
    middle = 0.5 * (times_s[0] + times_s[-1])
    late = [(t, p) for t, p in zip(times_s, gauge_pa, strict=True) if t >= middle]
    half = len(late) // 2
    if half < 4:
        return False
    early_fit, late_fit = (fit_line([t for t, _ in part], [p for _, p in part]) for part in (late[:half], late[half:]))
    if late_fit.values[1] < -FALLS_PA_S and times_s[-1] - times_s[0] < STRAIGHT_S:
        return True
    whole = fit_line([t for t, _ in late], [p for _, p in late]).values[1]
    if whole < -FALLS_PA_S and -whole * (late[-1][0] - late[0][0]) < STEP_FALLS * bubble_pa:
        return True
    difference = late_fit.values[1] - early_fit.values[1]
    # bubbles that a falling level lets out now and then are no bend: the scatter that is there counts
    scatter_pa = max(noise_pa, early_fit.residual_sd, late_fit.residual_sd)
    u = scatter_pa * math.sqrt(early_fit.inverse[1][1] + late_fit.inverse[1][1])
    return difference > _SIGMAS * u + _BEND * abs(early_fit.values[1]) + _BEND_PA_S
