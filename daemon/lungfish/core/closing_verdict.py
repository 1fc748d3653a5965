"""What plateau and shut-in say of each other: a narrowed tip, a pressure that never settled, a shut-in that is no line.

Only the samples about closing are asked; whether air came at all is asked in `verdict`.
"""

from __future__ import annotations

import math

from lungfish.core.case import Case, restless_limit_pa
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.decay import STEP_FALLS
from lungfish.core.expect import unit_weight_pa_m
from lungfish.core.fit import fit_line
from lungfish.core.friction_shown import frozen_most_pa
from lungfish.core.level import DISAGREEMENT_SIGMAS

__all__ = ["BENDS", "LEAK_PA_S", "LEFT_SHARE", "goes_on_falling", "restless", "restricted", "unsteady"]

LEAK_PA_S = 30.0
"""A shut-in that falls faster than this leaks: a level falling by 3 mm/s is not expected of a sump."""
BENDS = 0.8
"""Autocorrelation of what a shut-in strays from its straight line: not noise, but a bend."""
LEFT_SHARE = 0.25
"""A shut-in that holds less than this share of what closing took away may as well be the end of a leak."""


def restricted(case: Case) -> Finding | None:
    """Friction has grown: seen in the curve after closing, or in plateau against shut-in."""
    expected_pa, sigmas = case.weighed.friction_pa, case.weighed.disagreement
    if case.restricted and case.decay is not None:
        decay = case.decay
        sure = (
            decay.remains_pa < 5.0 + case.record.noise_pa
            and math.sqrt(case.closing.shut_in_var_pa2) < 0.01 * unit_weight_pa_m(case.setup)
            and decay.scatter_pa < 1.5 * case.record.noise_pa + 3.0
        )
        return Finding(
            code=Diagnosis.TUBE_RESTRICTED,
            quality=Quality.GOOD if sure else Quality.UNCERTAIN,
            sentence=f"after closing {decay.died_pa:.0f} Pa died away in {decay.time_s:.1f} s where friction is "
            f"{expected_pa:.0f} Pa: tip or line has narrowed; the level is read from what was left",
        )
    grown_pa = case.closing.plateau_pa - expected_pa - case.closing.shut_in_pa
    # a damping that is not the transmitter's makes friction of anything: the samples must show it too
    shown = _stepped_pa(case) > expected_pa + max(0.5 * grown_pa, _bubble_pa(case))
    strays = restless(case) is not None
    if sigmas <= DISAGREEMENT_SIGMAS or not shown or (strays and goes_on_falling(case)):
        return None
    if case.strange_damping and not _dies_away(case):
        return Finding(
            code=Diagnosis.UNSTEADY,
            quality=Quality.UNCERTAIN,
            sentence=f"what followed closing fits a damping of {case.closing.damping_s:.1f} s where "
            f"{case.learned.damping_s:.1f} s is known: it was no closing of a sound tube",
        )
    odd = case.decay is not None and case.decay.died_pa > max(case.drop_limit_pa, 2.0 * case.decay.left_pa)
    # a leak ends at nothing, a narrowed tip at the head
    odd = odd or strays or case.strange_damping or case.closing.shut_in_pa < LEFT_SHARE * grown_pa
    return Finding(
        code=Diagnosis.TUBE_RESTRICTED,
        quality=Quality.UNCERTAIN if odd else Quality.GOOD,
        sentence=f"plateau less friction lies {sigmas:.1f} standard deviations above the shut-in, "
        f"more than {DISAGREEMENT_SIGMAS:.0f}: tip or line has narrowed; the shut-in does not know friction",
    )


def _dies_away(case: Case) -> bool:
    """More than friction died away, slower than the transmitter can be, and then stood: air behind a narrowed tip."""
    slower = case.closing.damping_s > case.learned.damping_s
    return slower and not goes_on_falling(case) and case.drop_pa > case.weighed.friction_pa + _bubble_pa(case)


def _stepped_pa(case: Case) -> float:
    """What closing took away by the samples themselves, Pa: the last before it less the later half of the shut-in.

    As much of the transmitter's lag is put back as it surely has.
    """
    record, shut_s = case.record, case.record.shut_s or 0.0
    times, before = record.since(shut_s - 0.4, shut_s)
    late = record.since(0.5 * (shut_s + record.times_s[-1]))[1]
    if not before or not late:
        return case.closing.plateau_pa - case.closing.shut_in_pa
    lags_pa = 0.0
    if len(before) >= 4:
        line, surely_s = fit_line(times, before), case.learned.damping_s * math.exp(-2.0 * case.learned.log_damping_u)
        climb_pa_s = line.values[1] - 2.0 * record.noise_pa * math.sqrt(line.inverse[1][1])
        lags_pa = surely_s * max(0.0, climb_pa_s)
    return math.fsum(before) / len(before) + lags_pa - math.fsum(late) / len(late)


def _bubble_pa(case: Case) -> float:
    """What bubbles move plateau and shut-in apart by, at most, Pa.

    Closing freezes one at its lowest or highest, and the few of a short plateau need not have the mean of many.
    """
    return 1.5 * frozen_most_pa(case) + 3.0 * case.record.noise_pa


def restless(case: Case) -> Finding | None:
    """The shut-in strays from its straight line by more than a sound tube's, so that it can't be gone back along."""
    scatter, noise = case.closing.shut_scatter_pa, case.record.noise_pa
    limit_pa = restless_limit_pa(case.setup, case.record, case.weighed.friction_pa)
    bends = case.closing.autocorrelation > BENDS and scatter > 0.6 * limit_pa
    if scatter <= limit_pa and not bends:
        return None
    return Finding(
        code=Diagnosis.UNSTEADY,
        quality=Quality.UNCERTAIN,
        sentence=f"the shut-in strays {scatter:.0f} Pa from a straight line where the transmitter's noise is "
        f"{noise:.1f} Pa: what happened at closing can't be told exactly",
    )


def unsteady(case: Case) -> Finding | None:
    """The pressure never settled, or was still on its way when the valve shut."""
    if case.record.steady_from_s is None:
        return Finding(
            code=Diagnosis.UNSTEADY,
            quality=Quality.UNCERTAIN,
            sentence=f"the pressure did not settle in {case.plan.open_limit_s:.0f} s, the most that this tube needs",
        )
    missing_pa = case.weighed.friction_pa - _stepped_pa(case)
    if case.weighed.disagreement < -DISAGREEMENT_SIGMAS and missing_pa > _bubble_pa(case):
        return Finding(
            code=Diagnosis.UNSTEADY,
            quality=Quality.UNCERTAIN,
            sentence=f"plateau less friction lies {-case.weighed.disagreement:.1f} standard deviations below the "
            f"shut-in, more than {DISAGREEMENT_SIGMAS:.0f}: the pressure was still on its way",
        )
    return None


def goes_on_falling(case: Case) -> bool:
    """The later half of the shut-in falls too, and by more than the last bubble that breaks off can lower it."""
    fall_pa_s = -case.late_slope_pa_s
    half_s = 0.5 * (case.record.times_s[-1] - (case.record.shut_s or 0.0))
    return fall_pa_s > LEAK_PA_S and fall_pa_s * half_s > STEP_FALLS * case.setup.ripple_bound_pa
