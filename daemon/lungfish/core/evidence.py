"""Evidence on one cycle, before any verdict: did air come, did it reach the tip, did closing end it, what leaks.

The transmitter at the tube's end with a tight, full tube shows the same whether air comes or not, but for traces:
friction, ripple, the knee of a rise, what opening brings back of the air that a rising level has compressed. Each
is a function here; none of them knows a diagnosis code.
"""

from __future__ import annotations

import math

from lungfish.core.air import first_bubble_after_s
from lungfish.core.balance import FALLING_LEVEL_PA_S, balance_of
from lungfish.core.case import Case, longest_damping_s
from lungfish.core.closing import Closing
from lungfish.core.expect import throughput_pa_m3_s, unit_weight_pa_m
from lungfish.core.friction_shown import friction_shows, friction_shows_in_many, frozen_most_pa
from lungfish.core.level import head_m
from lungfish.core.plan import LEVEL_RATE_PA_S
from lungfish.core.setup import CycleSetup

__all__ = [
    "DYING_RISE",
    "KNOWN_DAMPING",
    "LATE_S",
    "LATE_SHARE",
    "RIPPLE_SHOWS",
    "TIMELY_LEAST_S",
    "UNCOVERED_M",
    "dying_rise",
    "late_rise",
    "leak_share",
    "ripple_goes_on",
    "ripple_shows",
    "rose_in_time",
    "timely_rise",
    "tip_proven",
    "uncovered",
]

RIPPLE_SHOWS = 2.2
"""Samples that stray by this much more than at rest, and from neighbour to neighbour too, are rippled by bubbles."""
LATE_SHARE, LATE_S = 1.8, 1.0
"""A rise that takes this much longer than the set flow needs, and a second more, gets too little air."""
DYING_RISE = 1.55
"""A rise of this shape is not that of a steady flow (1 to 1.3; 1.4 with a leak of a third of it)."""
LINE_EMPTIES = 5.0
"""Air that friction has packed into the line goes on bubbling for so many of its time constants after closing."""
TIMELY = (0.5, 1.5)
"""A rise that took between these shares of the time that the set flow needs, then a plateau: the tip was reached."""
KNOWN_DAMPING = 0.5
"""With more doubt of its logarithm a damping is a guess, and no rise can be timed through it."""
ROSE_NOISES, ROSE_PA = 20.0, 200.0
"""A rise of so many times the noise, and of this at least, is air that came."""
UNPAID_S = 2.0
"""A rise shorter than this may be timely by chance where far more was owed."""
GUESSED_LAGS = 2.0
"""Unless the rise is this many times longer than the damping can be."""
TIMELY_LEAST_S = 0.5
"""A shorter rise can't be timed against damping and opening."""
UNCOVERED_M = 0.003
"""A head below this, or below three standard uncertainties, can't be told from an uncovered tip."""
STOOD_PA_S = 15.0
"""A pressure that climbs by less than this, 1.5 mm/s, stands still, or follows a level."""
SETTLED_PA_S = 5.0
"""Air that bubbles leaves the pressure to the level, which moves by half a millimetre a second at most."""


def ripple_shows(case: Case) -> bool:
    """The plateau scatters more than the transmitter does at rest, before opening and after closing: bubbles leave."""
    return _rippled(case, case.closing.shut_jitter_pa)


def _rippled(case: Case, after_pa: float = 0.0) -> bool:
    """The same with a scatter after closing that need not be one at rest, Pa."""
    closing = case.closing
    if not case.look_in_span and case.learned.noise_pa is None:
        return False  # at its stop a transmitter does not show its noise
    # a short look may find the transmitter quieter than it is
    noise_pa = max(case.record.noise_pa, case.learned.noise_pa or 0.0, after_pa)
    return min(closing.hold_scatter_pa, closing.hold_jitter_pa) > RIPPLE_SHOWS * noise_pa


def ripple_goes_on(case: Case) -> bool:
    """After closing the pressure is as restless as bubbles make it, and was quiet before opening.

    One that was as restless in the look may be disturbed from elsewhere; unless the valve has been stuck since before.
    """
    usual_pa, look_pa = case.learned.noise_pa, case.record.noise_pa
    if usual_pa is None or not case.look_in_span:
        return False
    shut_in_s = case.record.times_s[-1] - (case.record.shut_s or 0.0)
    if 0.5 * shut_in_s < LINE_EMPTIES * case.plan.settling_s:
        return False  # the line still empties itself at the tip
    quiet = look_pa < 0.7 * RIPPLE_SHOWS * usual_pa and _rippled(case)
    return (quiet or case.learned.stuck_open) and case.closing.shut_jitter_pa > RIPPLE_SHOWS * usual_pa


def _needed_s(case: Case) -> float | None:
    trapped_pa = case.record.trapped_pa
    if trapped_pa is None:
        return None
    return first_bubble_after_s(case.setup, trapped_pa, max(0.0, case.weighed.gauge_pa))


def late_rise(case: Case) -> tuple[float, float] | None:
    """Time of the rise and the time that the set flow needs, s, when the first is far beyond the second."""
    took_s, needed_s = case.features.fill_s, _needed_s(case)
    if took_s is None or needed_s is None or case.drop_pa > case.drop_limit_pa:
        return None
    damping_s, known = case.closing.damping_s, math.exp(min(1.0, 3.0 * case.closing.log_damping_u))
    if case.closing.log_damping_u > KNOWN_DAMPING:
        damping_s = max(damping_s, longest_damping_s(case.learned))
    # what the lag is longer than it was taken for counts twice in a time that was taken from an area
    slack_s = LATE_S + damping_s + 2.0 * damping_s * (known - 1.0) + 3.0 * case.plan.settling_s
    return (took_s, needed_s) if took_s > LATE_SHARE * needed_s + slack_s else None


def dying_rise(case: Case) -> float | None:
    """Shape of the rise when it is one that dies away: the flow ended before the tip was reached; else None.

    A rise against a narrowed tip dies away too, but closing takes its friction away, and a supply's end has none.
    """
    shape = case.features.rise_shape
    return shape if shape is not None and shape > DYING_RISE and case.drop_pa < case.drop_limit_pa else None


def timely_rise(case: Case) -> bool:
    """The rise took the time that the set flow needs for the tube's volume, and then stopped: a knee."""
    took_s, needed_s = case.features.fill_s, _needed_s(case)
    if took_s is None or needed_s is None or needed_s < TIMELY_LEAST_S + 2.0 * case.plan.settling_s:
        return False
    doubt = case.closing.log_damping_u
    if doubt > KNOWN_DAMPING and needed_s < GUESSED_LAGS * longest_damping_s(case.learned):
        return False
    climbs_pa = case.closing.shut_in_pa - case.closing.plateau_pa  # a shut-in above the plateau: still on its way
    rise_pa = case.closing.plateau_pa - (case.record.trapped_pa or 0.0)
    if climbs_pa > 0.05 * rise_pa + 4.0 * case.record.noise_pa + frozen_most_pa(case):
        return False
    # a damping that is not known yet may have been taken for too long, and the rise for too short
    lagged_s = 2.0 * case.closing.damping_s * (1.0 - math.exp(-2.0 * doubt)) if doubt < KNOWN_DAMPING else 0.0
    quick = took_s + lagged_s < TIMELY[0] * needed_s
    return not quick and not _slow(case, took_s, needed_s) and dying_rise(case) is None


def rose_in_time(case: Case) -> bool:
    """Air came: the pressure rose well, and no later than the set flow and any damping explain. Then it stopped.

    It need not be the tip that it stopped at: this is no proof of a level.
    """
    took_s, needed_s = case.features.fill_s, _needed_s(case)
    rise_pa = case.closing.plateau_pa - (case.record.trapped_pa or 0.0)
    if took_s is None or needed_s is None or rise_pa < max(ROSE_NOISES * case.record.noise_pa, ROSE_PA):
        return False
    return took_s < TIMELY[1] * needed_s + 0.25 + longest_damping_s(case.learned) + 2.0 * case.plan.settling_s


def _slow(case: Case, took_s: float, needed_s: float) -> bool:
    """The rise took longer than the set flow needs, by more than the damping may have been taken for too short."""
    damping_s = min(case.closing.damping_s, longest_damping_s(case.learned))
    # a damping that is a guess must not excuse any rise
    doubt_s = 2.0 * damping_s * math.expm1(min(0.4, 2.0 * case.closing.log_damping_u))
    return took_s > TIMELY[1] * needed_s + 0.25 + 0.4 * damping_s + doubt_s + 2.0 * case.plan.settling_s


def _paid(case: Case) -> bool:
    """Opening brought what it owed; where the tube was not seen full before, exactly that, and then it stood still."""
    balance, moved = balance_of(case), case.movement
    took_s, needed_s = case.features.fill_s, _needed_s(case)
    if took_s is not None and needed_s is not None and _slow(case, took_s, needed_s):
        return False
    if case.learned.was_proven:
        return balance.paid
    return balance.paid_exactly and moved is not None and moved.settled_within(STOOD_PA_S)


def tip_proven(case: Case) -> bool:
    """Whether anything shows that air bubbled at the tip."""
    if case.restricted:
        return True  # what is held back at the tip is there
    if case.record.supply_seen is False or case.record.flow_seen is False:
        return False  # a switch that says so is believed before any trace
    if case.record.flow_seen and late_rise(case) is None and dying_rise(case) is None:
        return True  # air still passed the valve when the pressure stood still
    balance, shows = balance_of(case), friction_shows(case)
    if _paid(case) or (timely_rise(case) and not (balance.unpaid and (_needed_s(case) or 0.0) < UNPAID_S)):
        return True
    climbs_pa_s = case.closing.hold_slope_pa_s - 2.0 * case.closing.hold_slope_u_pa_s
    if climbs_pa_s > LEVEL_RATE_PA_S + 0.1 * max(0.0, case.drop_pa):
        return False
    if shows:
        return True
    if balance.unpaid:
        return False
    if ripple_shows(case):
        return True
    moved = case.movement
    if moved is None or shows is False or moved.sank or case.late_slope_pa_s < -1.1 * FALLING_LEVEL_PA_S:
        return False  # behind a damping, a pressure that falls by a leak has steps of its own
    if case.learned.proven_gauge_pa is None and moved.lowered:
        return False  # no bubble hung at a tip that no air was seen at: the level did that
    # A rise that stops is no proof: it stops at the pressure of a weak supply as well as at the tip.
    if moved.dropped or (moved.froze and moved.settled_within(SETTLED_PA_S)):
        return True
    return case.learned.proven_gauge_pa is None and friction_shows_in_many(case)


def leak_share(setup: CycleSetup, closing: Closing, slope_pa_s: float, slope_u_pa_s: float = 0.0) -> float:
    """Leak seen after closing over the flow while open, 1; a falling level counts as a leak here.

    Args:
        setup: the tank.
        closing: plateau and shut-in.
        slope_pa_s: slope right after closing, Pa/s; negative: falling.
        slope_u_pa_s: its standard uncertainty, Pa/s.
    """
    abs_pa = setup.atmosphere_abs_pa + max(0.0, closing.shut_in_pa)
    space = setup.air_space
    capacity = space.volume_m3 + abs_pa * space.area_m2 / unit_weight_pa_m(setup)
    flow = throughput_pa_m3_s(setup, closing.plateau_pa)
    lost = max(0.0, -slope_pa_s - 2.0 * slope_u_pa_s) * capacity
    return lost / flow if flow > 0 else math.inf


def uncovered(case: Case) -> bool:
    """No head left, and no more pressure while the air flowed than its friction makes."""
    setup, weighed = case.setup, case.weighed
    if case.closing.plateau_pa > 2.0 * weighed.friction_pa + 200.0:
        return False
    u_pa = math.hypot(weighed.noise_u_pa, weighed.friction_u_pa, weighed.damping_u_pa, setup.transmitter_u_pa)
    limit = max(UNCOVERED_M, 3.0 * u_pa / unit_weight_pa_m(setup))
    return head_m(setup, weighed.gauge_pa) < limit
