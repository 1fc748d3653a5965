"""The friction of flowing air: does closing take it away, in this cycle or in many, and what may hide it?"""

from __future__ import annotations

import math

from lungfish.core.case import Case
from lungfish.core.expect import unit_weight_pa_m
from lungfish.core.level import DAMPING_MODEL, freeze_sd_pa

__all__ = [
    "FRICTION_SEEN",
    "STUCK_DROP",
    "closing_weak",
    "flowing_on_m",
    "friction_missing_in_many",
    "friction_shows",
    "friction_shows_in_many",
    "frozen_most_pa",
    "pooled_closing",
]

FRICTION_SEEN = 0.5
"""Share of the expected friction that must show for air to be proven by it."""
STUCK_DROP = 0.25
"""Closing that takes away less than this share of the friction has not ended the flow; more: little was flowing."""
FLOWING_ON_M = 0.01
"""A friction that reads as less than this spoils no level if the valve has not shut."""
FROZEN_MOST = 3.0
"""A frozen bubble strays from its mean by no more than so many of its standard deviations (a saw-tooth: 1.7)."""
SHOWN_SIGMAS, MISSING_SIGMAS = 5.0, 4.0
"""What many closings show together, or fail to show, stands out of its uncertainty by this much."""


def friction_shows(case: Case) -> bool | None:
    """Whether closing took away the friction of flowing air; None when too little is expected to tell."""
    blur = _closing_blur_pa(case)
    if case.weighed.friction_pa * (1.0 - FRICTION_SEEN) < 3.0 * blur + 5.0:
        return None
    missing_pa = FRICTION_SEEN * case.weighed.friction_pa - case.friction_seen_pa
    if missing_pa <= 0.0:
        # a damping that is not the transmitter's can make friction of anything: the samples must show some of it too
        seen_pa = 0.5 * FRICTION_SEEN * case.weighed.friction_pa - 3.0 * _plain_blur_pa(case)
        return True if case.drop_pa > max(0.0, seen_pa) else None
    # a bubble that closing froze at its highest can hide as much as half a bore of liquid
    lacking_pa = case.weighed.friction_pa - case.friction_seen_pa
    return None if lacking_pa < frozen_most_pa(case) + 3.0 * blur else False


def frozen_most_pa(case: Case) -> float:
    """What a bubble that closing froze at its lowest or highest moves the shut-in by, at most, Pa."""
    return min(0.5 * case.setup.ripple_bound_pa, FROZEN_MOST * freeze_sd_pa(case.setup, case.learned))


def closing_weak(case: Case) -> bool:
    """Closing took away so little of the friction that it may not have ended the flow; not surely, as above."""
    friction_pa, seen_pa = case.weighed.friction_pa, case.friction_seen_pa
    if not -0.5 * friction_pa < seen_pa < STUCK_DROP * friction_pa:
        return False  # what gives far more than nothing was still on its way
    return friction_pa - seen_pa > 3.0 * _closing_blur_pa(case) + 5.0


def flowing_on_m(case: Case) -> float:
    """By how much the level is too high if closing did not end the flow, m; 0 where friction shows, or is little.

    What is too little to call the valve stuck by may be it all the same, behind a slow transmitter and large bubbles.
    """
    friction_pa = case.weighed.friction_pa
    on_m = friction_pa / unit_weight_pa_m(case.setup)
    shown = case.restricted or case.friction_seen_pa > STUCK_DROP * friction_pa
    return 0.0 if shown or on_m < FLOWING_ON_M else on_m


def friction_missing_in_many(case: Case) -> bool:
    """Closings have taken away too little of the friction, this one and those before it since air was last proven."""
    mean_pa, weight = pooled_closing(case)
    closing, missing_pa = case.closing, FRICTION_SEEN * case.weighed.friction_pa - max(0.0, mean_pa)
    by_damping_pa = DAMPING_MODEL * (closing.plateau_by_damping_pa - closing.shut_in_by_damping_pa)
    limit_pa = MISSING_SIGMAS * math.hypot(1.0 / math.sqrt(weight), by_damping_pa)
    return case.learned.closed_weight > 0.0 and missing_pa > limit_pa


def pooled_closing(case: Case) -> tuple[float, float]:
    """What closings took away on the mean since air was last proven, this one with them.

    Returns:
        The mean, Pa; one over its variance, 1/Pa2.
    """
    mean_pa, weight = case.learned.closed_pa, case.learned.closed_weight
    mine = 1.0 / _closing_blur_pa(case) ** 2
    return (weight * mean_pa + mine * case.friction_seen_pa) / (weight + mine), weight + mine


def friction_shows_in_many(case: Case) -> bool:
    """The small friction of a wide tube, in all closings together; after that each cycle needs its own proof."""
    mean_pa, weight = pooled_closing(case)
    return mean_pa > max(SHOWN_SIGMAS / math.sqrt(weight), 2.0, FRICTION_SEEN * case.weighed.friction_pa)


def _plain_blur_pa(case: Case) -> float:
    """Standard uncertainty of what closing took away, from noise and a frozen bubble alone, Pa."""
    closing = case.closing
    var = closing.plateau_var_pa2 + closing.shut_in_var_pa2 - 2.0 * closing.covariance_pa2
    return math.hypot(math.sqrt(max(0.0, var)), freeze_sd_pa(case.setup, case.learned))


def _closing_blur_pa(case: Case) -> float:
    """The same, and from what is not known of the damping."""
    by_damping_pa = case.closing.plateau_by_damping_pa - case.closing.shut_in_by_damping_pa
    return math.hypot(_plain_blur_pa(case), by_damping_pa * case.closing.log_damping_u)
