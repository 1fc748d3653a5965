"""Verdicts on what stands still by itself: a valve that stays open, a transmitter that shows one value or a few."""

from __future__ import annotations

import math

from lungfish.core.air import first_bubble_after_s
from lungfish.core.case import Case
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.evidence import dying_rise, late_rise, ripple_goes_on, tip_proven
from lungfish.core.expect import unit_weight_pa_m
from lungfish.core.fit import fit_line
from lungfish.core.friction_shown import STUCK_DROP, closing_weak, friction_missing_in_many, friction_shows
from lungfish.core.level import DISAGREEMENT_SIGMAS
from lungfish.core.plan import Plan
from lungfish.core.record import Record
from lungfish.core.setup import CycleSetup, Learned

__all__ = ["COARSE_M", "FROZEN_SAMPLES", "SEAT_SHARE", "STUCK_DROP", "coarse", "frozen", "stuck_open"]

COARSE_M = 0.02
"""Half a step of the transmitter's values that is more than this hides what a cycle is to show, and the level too."""

FROZEN_SAMPLES = 20
"""So many equal values through an opening and a closing are no play of a coarse transmitter that stirs at rest."""

SEAT_SHARE = 0.05
"""Friction that appears at rest, and friction that closing leaves, are the same within this share of it all."""


def frozen(setup: CycleSetup, plan: Plan, record: Record, learned: Learned) -> Finding | None:
    """The value has not moved by one count, though it always did or the pressure had to.

    Args:
        setup: the tank.
        plan: the cycle's limits.
        record: a cycle with an opening.
        learned: what was known before.
    """
    from_s = record.open_commanded_s
    if from_s is None or (learned.noise_pa is not None and not learned.stirs and len(set(record.gauge_pa)) == 1):
        return None  # a coarse transmitter may stand still by right
    values = record.since(from_s)[1]
    if len(values) < FROZEN_SAMPLES or len(set(values)) > 1 or _at_stop(setup, plan, values[0]):
        return None  # one at its stop stands still by right
    return Finding(
        code=Diagnosis.TRANSMITTER_FROZEN,
        quality=Quality.BAD,
        sentence=f"{len(values)} values on end were {values[0]:.1f} Pa to the last digit, through opening and closing; "
        "a transmitter at work stirs",
    )


def _at_stop(setup: CycleSetup, plan: Plan, gauge_pa: float) -> bool:
    """Whether a transmitter that shows this may be at an end of its range, where it stands still by right."""
    return gauge_pa == setup.span_low_pa or not plan.low_stop_pa < gauge_pa < setup.span_high_pa


def coarse(setup: CycleSetup, record: Record) -> Finding | None:
    """The value moves only in steps that are too large to read a level by.

    Args:
        setup: the tank.
        record: a cycle that has ended, its steps found.
    """
    half_m = 0.5 * record.resolution_pa / unit_weight_pa_m(setup)
    if half_m <= COARSE_M:
        return None
    return Finding(
        code=Diagnosis.TRANSMITTER_FROZEN,
        quality=Quality.UNCERTAIN,
        sentence=f"the values move in steps of {record.resolution_pa:.0f} Pa and stand still between them, so that the "
        f"level is known to +- {1000 * half_m:.0f} mm at best, where {1000 * COARSE_M:.0f} mm is the most that will do",
    )


def stuck_open(case: Case) -> Finding | None:
    """Closing was confirmed, and air still flows."""
    closing, expected_pa = case.closing, case.weighed.friction_pa
    if case.record.flow_at_rest:
        why = "the flow switch was on before opening"
    elif not case.restricted and ripple_goes_on(case) and closing.shut_jitter_pa > 0.5 * closing.hold_jitter_pa:
        why = (
            f"after closing the pressure strays by {closing.shut_jitter_pa:.1f} Pa from sample to sample as it does "
            f"while bubbling ({closing.hold_jitter_pa:.1f} Pa), at rest by {case.learned.noise_pa or 0.0:.1f} Pa"
        )
    elif (
        friction_shows(case) is False
        and (drop_pa := case.friction_seen_pa) < STUCK_DROP * expected_pa
        and case.rose
        and not case.learned.stuck_open  # air that flowed on has left nothing to rise
        and _flowed(case)
    ):
        why = f"air flowed, and closing took away {drop_pa:.0f} Pa where its friction is {expected_pa:.0f} Pa"
    elif _weak_beyond_doubt(case):
        why = (
            f"air reached the tip, and closing took away {case.friction_seen_pa:.0f} Pa of its {expected_pa:.0f} Pa of "
            f"friction, {-case.weighed.disagreement:.1f} standard deviations too little"
        )
    elif not case.rose and _flowed_on(case):
        why = (
            f"it did so after the last purge, and neither opening nor closing has moved the pressure since: closing "
            f"took away {case.friction_seen_pa:.0f} Pa where the friction of flowing air is {expected_pa:.0f} Pa"
        )
    elif (left := _flows_at_rest(case)) is not None:
        why = (
            f"closing took away {case.drop_pa:.0f} Pa of the {expected_pa:.0f} Pa of its friction, opening had brought "
            f"no more, and {left}"
        )
    else:
        return None
    return Finding(
        code=Diagnosis.VALVE_STUCK_OPEN,
        quality=Quality.UNCERTAIN,
        sentence=f"the valve was told to shut and confirms it, but air still flows: {why}",
    )


def _weak_beyond_doubt(case: Case) -> bool:
    """Air flowed to the tip in time, and plateau and shut-in agree that closing took next to nothing away."""
    too_little = closing_weak(case) and case.weighed.disagreement < -DISAGREEMENT_SIGMAS
    return too_little and case.rose and tip_proven(case) and _flowed(case)


def _flowed_on(case: Case) -> bool:
    """The closing before did not end the flow, surely or perhaps, and this one does not show that it does."""
    shows = friction_shows(case)
    perhaps = case.learned.weak_closing and (shows is False or friction_missing_in_many(case))
    return perhaps or (case.learned.stuck_open and not shows)


def _flows_at_rest(case: Case) -> str | None:
    """Air flows through the shut valve at rest: the friction that closing leaves was there before opening, too.

    It came between this look and the last shut-in: a level that rose by just as much would still be rising, or would
    have opening bring more than friction. Or it has been there since.

    Returns:
        What shows it; None: nothing does.
    """
    record, learned, trapped_pa = case.record, case.learned, case.record.trapped_pa
    if trapped_pa is None or friction_shows(case) is not False:
        return None
    expected_pa, drop_pa = case.weighed.friction_pa, case.drop_pa
    close_pa = SEAT_SHARE * expected_pa + 0.5 * case.setup.ripple_bound_pa + 3.0 * record.noise_pa
    if close_pa > 3.0 * SEAT_SHARE * expected_pa:
        return None  # ripple and noise hide too much of the friction
    if drop_pa < -close_pa or abs(case.closing.plateau_pa - trapped_pa - drop_pa) > close_pa:
        return None  # opening and closing are not the same step
    if learned.stuck_open:
        return "air flowed at rest before"
    if learned.shut_gauge_pa is None or learned.shut_at_s is None:
        return None
    gap_s = max(1.0, record.started_at_s - learned.shut_at_s)
    risen_pa, left_pa = trapped_pa - learned.shut_gauge_pa, expected_pa - drop_pa
    if abs(risen_pa - left_pa) > close_pa:
        return None
    line = fit_line(record.times_s, record.gauge_pa)
    slope_u_pa_s = max(record.noise_pa, line.residual_sd) * math.sqrt(line.inverse[1][1])
    if drop_pa < close_pa and abs(line.values[1]) + 2.0 * slope_u_pa_s > 0.5 * risen_pa / gap_s:
        return None  # no flow shows at all, and a level that moves goes on moving
    return f"the other {left_pa:.0f} Pa came at rest since the last purge ({risen_pa:.0f} Pa)"


def _flowed(case: Case) -> bool:
    """Opening let air in at the set flow: the rise says so, or the friction that it brought."""
    if late_rise(case) is not None or dying_rise(case) is not None:
        return False
    record, closing, opened_s = case.record, case.closing, case.record.opened_s or 0.0
    trapped_pa, friction_pa = record.trapped_pa or 0.0, case.weighed.friction_pa
    rise_pa = closing.plateau_pa - trapped_pa
    if rise_pa < 0.7 * friction_pa:
        return False
    times, gauges = record.since(opened_s, record.shut_s or opened_s)
    reached = (t for t, p in zip(times, gauges, strict=True) if p >= trapped_pa + 0.9 * rise_pa)
    most = next(reached, record.shut_s or opened_s)  # behind a long damping not before closing
    needed_s = first_bubble_after_s(case.setup, trapped_pa, max(0.0, closing.plateau_pa - friction_pa))
    return most - opened_s < 0.6 + 3.0 * closing.damping_s + 3.0 * case.plan.settling_s + 1.5 * needed_s
