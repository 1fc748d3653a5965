"""A transmitter that has become slow: grease or ice in its port, or a damping that somebody has set.

The friction of a full tube comes at opening and goes at closing in a few tenths of a second. Where it comes and goes
with one and the same far longer time constant, and in no step at all, that is how long the transmitter takes to see it.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

from lungfish.core.case import longest_damping_s
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.expect import bubbling_friction_pa
from lungfish.core.fit import Fit, fit_columns, golden_minimum
from lungfish.core.plan import Plan
from lungfish.core.record import Record
from lungfish.core.setup import CycleSetup, Learned

__all__ = ["SLOW_TIMES", "slow", "slowed", "slowed_s"]

SLOW_TIMES = 3.0
"""So many times slower than it was, at the most that is known of it, a transmitter is no longer the same."""
_RELATIVE_U = 0.1
"""How well the new time constant is known, relative: from one rise and one fall."""
_LONGEST_S = 20.0
_ALIKE = 0.25
"""Rise and fall have the same time constant within this (of its logarithm)."""
_NEAR = 0.2
"""Share of the friction within which rise and fall begin and end where they must."""
_LEAST_SAMPLES = 20
_NOISES = 20.0


@dataclass(frozen=True, slots=True)
class _Relaxation:
    time_s: float
    begin_pa: float
    end_pa: float
    scatter_pa: float


def slowed_s(setup: CycleSetup, learned: Learned, plan: Plan, record: Record) -> float | None:
    """Time constant that the transmitter now has, s; None where nothing shows that it has become slow.

    Asked of a transmitter that sees the line's friction, and of a tube that was full when the valve opened.

    Args:
        setup: the tank.
        learned: what was known before.
        plan: the cycle's limits.
        record: a cycle that ran to its end.
    """
    opened_s, shut_s, trapped_pa = record.opened_s, record.shut_s, record.trapped_pa
    if opened_s is None or shut_s is None or trapped_pa is None or not setup.tee_at_valve:
        return None
    friction_pa = learned.friction_ratio * bubbling_friction_pa(setup, max(0.0, trapped_pa))
    if learned.cycles < 1 or friction_pa < _NOISES * record.noise_pa:
        return None
    least_s = SLOW_TIMES * longest_damping_s(learned) + 5.0 * plan.settling_s
    up = _relaxation(*record.since(opened_s + 0.05, shut_s), opened_s, least_s)
    down = _relaxation(*record.since(shut_s + 0.05), shut_s, least_s)
    if up is None or down is None or abs(math.log(up.time_s / down.time_s)) > _ALIKE:
        return None
    near_pa, last_pa = _NEAR * friction_pa, record.since(opened_s, shut_s)[1][-1]
    as_friction = (
        abs(up.begin_pa - trapped_pa) < near_pa
        and abs(up.end_pa - trapped_pa - friction_pa) < 1.5 * near_pa
        and abs(down.begin_pa - last_pa) < near_pa
        and abs(down.end_pa - trapped_pa) < near_pa
    )
    straight = max(up.scatter_pa, down.scatter_pa) < 2.0 * record.noise_pa + 5.0
    return down.time_s if as_friction and straight else None


def _relaxation(
    times_s: Sequence[float], gauge_pa: Sequence[float], from_s: float, least_s: float
) -> _Relaxation | None:
    """One exponential through samples; None where there are too few, or none of that length fits."""
    if len(times_s) < _LEAST_SAMPLES or least_s >= 0.5 * _LONGEST_S:
        return None

    def fit_at(log_time: float) -> Fit:
        time_s = math.exp(log_time)
        return fit_columns([[1.0] * len(times_s), [math.exp((from_s - t) / time_s) for t in times_s]], gauge_pa)

    low, high = math.log(least_s), math.log(_LONGEST_S)
    try:
        best = golden_minimum(lambda log_time: fit_at(log_time).sum_squares, low, high, 0.02)
        fit = fit_at(best)
    except ValueError:
        return None
    if not low + 0.1 < best < high - 0.1:
        return None
    return _Relaxation(math.exp(best), fit.values[0] + fit.values[1], fit.values[0], fit.residual_sd)


def slowed(learned: Learned, time_s: float) -> Learned:
    """What is known for a cycle whose transmitter has become slow.

    Args:
        learned: what was known before.
        time_s: what it takes now, s.
    """
    return dataclasses.replace(learned, damping_s=time_s, log_damping_u=_RELATIVE_U)


def slow(learned: Learned, time_s: float) -> Finding:
    """The verdict.

    Args:
        learned: what was known before.
        time_s: what it takes now, s.
    """
    return Finding(
        code=Diagnosis.UNSTEADY,
        quality=Quality.UNCERTAIN,
        sentence=f"friction came and went with {time_s:.1f} s where the transmitter took {learned.damping_s:.1f} s: it "
        "has become slow, as with grease in its port, and what it shows is behind the pressure",
    )
