"""A narrowed tip in shapes that one dying exponential does not have: a pinhole, and a leak besides.

Through a pinhole the flow goes with the root of the pressure that drives it, so the fall after closing runs straight
into the head and stops there. A leak never stops above nothing; beside a narrowed tip it goes on when what the tip held
back has left.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from lungfish.core.balance import FALLING_LEVEL_PA_S
from lungfish.core.case import Case, restless_limit_pa
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.decay import Decay
from lungfish.core.fit import Fit, fit_line
from lungfish.core.plan import LEVEL_RATE_PA_S

__all__ = ["GROWN_SHARE", "narrowed_and_leaking", "rested"]

_LEAST_SAMPLES = 20
_LEAST_S = 2.0
_LAST_SHARE = 1.0 / 3.0
_TAIL_SHARE = 0.1
"""An exponential fall towards nothing that has come to this share of itself still falls ten times as fast."""
GROWN_SHARE = 0.5
"""Friction that has grown by half, and by a bubble, is that of a narrowed tip."""


def rested(times_s: Sequence[float], gauge_pa: Sequence[float], noise_pa: float, least_pa: float) -> Decay | None:
    """A fall after closing that has come to rest on a straight line far above nothing.

    Args:
        times_s: times after closing, s, rising, the transmitter's damping and the line's own friction over.
        gauge_pa: samples, Pa.
        noise_pa: standard deviation of the transmitter at rest, Pa.
        least_pa: a fall by less is none, Pa.

    Returns:
        The fall as if it were an exponential of the same beginning, size and end; None where there is no such rest.
    """
    if not times_s:
        return None
    first_s, end_s = times_s[0], times_s[-1]
    start = next(n for n, t in enumerate(times_s) if t >= end_s - _LAST_SHARE * (end_s - first_s))
    if len(times_s) - start < _LEAST_SAMPLES or end_s - times_s[start] < _LEAST_S:
        return None
    line = fit_line(times_s[start:], gauge_pa[start:])
    mean_s = math.fsum(times_s[start:]) / (len(times_s) - start)
    level_pa, slope_pa_s = line.values
    if line.residual_sd > 2.0 * noise_pa + 3.0:
        return None
    near_pa = 4.0 * noise_pa + 5.0
    while start > 0 and abs(gauge_pa[start - 1] - level_pa - slope_pa_s * (times_s[start - 1] - mean_s)) < near_pa:
        start -= 1
    left_pa = level_pa - slope_pa_s * mean_s
    fell_pa = gauge_pa[0] - left_pa
    if fell_pa < least_pa or left_pa < _TAIL_SHARE * fell_pa:
        return None
    time_s = next(t for t, p in zip(times_s, gauge_pa, strict=True) if p - left_pa < fell_pa / math.e)
    slope_u_pa_s = max(noise_pa, line.residual_sd) * math.sqrt(line.inverse[1][1])
    steepest_pa_s = abs(slope_pa_s) + 2.0 * slope_u_pa_s
    if steepest_pa_s > min(LEVEL_RATE_PA_S, _TAIL_SHARE * left_pa / time_s):
        return None
    return _as_decay(line, (left_pa, fell_pa, time_s, slope_u_pa_s), noise_pa, end_s - times_s[start])


def _as_decay(line: Fit, fall: tuple[float, float, float, float], noise_pa: float, rest_s: float) -> Decay:
    left_pa, fell_pa, time_s, slope_u_pa_s = fall
    return Decay(
        left_pa=left_pa,
        left_u_pa=max(noise_pa, line.residual_sd) * math.sqrt(line.inverse[0][0]),
        slope_pa_s=line.values[1],
        slope_u_pa_s=slope_u_pa_s,
        died_pa=fell_pa,
        time_s=time_s,
        scatter_pa=line.residual_sd,
        end_pa=line.values[0],
        # what an exponential would have to have left so that it was over when the rest began
        remains_pa=(0.5 * noise_pa + 1.0) * math.exp(-rest_s / time_s),
    )


def narrowed_and_leaking(case: Case) -> Finding | None:
    """What died away after closing is more than friction, and the fall goes on besides."""
    decay, expected_pa, record = case.decay, case.weighed.friction_pa, case.record
    if decay is None or decay.scatter_pa > restless_limit_pa(case.setup, record, expected_pa):
        return None
    if decay.slope_pa_s + 2.0 * decay.slope_u_pa_s > -FALLING_LEVEL_PA_S:
        return None  # no fall that a level could not make
    before = record.since((record.shut_s or 0.0) - 0.4, record.shut_s or 0.0)[1]
    if not before or decay.left_pa - 3.0 * decay.left_u_pa < _TAIL_SHARE * decay.died_pa:
        return None
    grown_pa = math.fsum(before) / len(before) - decay.left_pa - expected_pa
    if grown_pa <= GROWN_SHARE * expected_pa + case.setup.ripple_bound_pa + 5.0 * record.noise_pa:
        return None
    return Finding(
        code=Diagnosis.TUBE_RESTRICTED,
        quality=Quality.UNCERTAIN,
        sentence=f"closing took away {grown_pa + expected_pa:.0f} Pa where friction is {expected_pa:.0f} Pa, and then "
        f"the fall went on at {-decay.slope_pa_s:.0f} Pa/s: tip or line has narrowed, and air leaks besides",
    )
