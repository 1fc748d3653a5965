"""Evidence on one cycle, before any verdict: did air come, did it reach the tip, did closing end it, what leaks.

The transmitter at the tube's end with a tight, full tube shows the same whether air comes or not, but for traces:
friction, ripple, the knee of a rise, what opening brings back of the air that a rising level has compressed. Each
is a function here; none of them knows a diagnosis code.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from lungfish.core.air import first_bubble_after_s
from lungfish.core.balance import Balance
from lungfish.core.closing import Closing
from lungfish.core.decay import Decay
from lungfish.core.expect import throughput_pa_m3_s, unit_weight_pa_m
from lungfish.core.fit import fit_line
from lungfish.core.level import Weighed, freeze_sd_pa
from lungfish.core.plan import LEVEL_RATE_PA_S, Plan
from lungfish.core.proof import Movement
from lungfish.core.reading import Features
from lungfish.core.record import Record
from lungfish.core.setup import CycleSetup, Learned
from lungfish.physics.bubble import ripple_bound_pa

__all__ = [
    "DYING_RISE",
    "FRICTION_SEEN",
    "LATE_S",
    "LATE_SHARE",
    "RIPPLE_SHOWS",
    "TIMELY_LEAST_S",
    "UNPROVEN_M",
    "Case",
    "balance_of",
    "drop_limit_pa",
    "dying_rise",
    "friction_shows",
    "hidden_rise_pa",
    "keeps_air",
    "late_rise",
    "leak_share",
    "longest_damping_s",
    "lost_pa_s",
    "ripple_goes_on",
    "ripple_shows",
    "timely_rise",
    "tip_proven",
    "unproven_m",
]

FRICTION_SEEN = 0.5
"""Share of the expected friction that must show for air to be proven by it."""
RIPPLE_SHOWS = 2.2
"""Samples that stray by this much more than at rest, and from neighbour to neighbour too, are rippled by bubbles."""
LATE_SHARE, LATE_S = 1.8, 1.0
"""A rise that takes this much longer than the set flow needs, and a second more, gets too little air."""
DYING_RISE = 1.55
"""A rise of this shape is not that of a steady flow (1 to 1.3; 1.4 with a leak of a third of it)."""
TIMELY = (0.5, 1.5)
"""A rise that took between these shares of the time that the set flow needs, then a plateau: the tip was reached."""
TIMELY_LEAST_S = 0.5
"""A shorter rise can't be timed against damping and opening."""
SETTLED_PA_S = 5.0
"""Air that bubbles leaves the pressure to the level, which moves by half a millimetre a second at most."""
UNPROVEN_M = 0.02
"""A tube that has lost no more than this between two proven readings keeps its air."""
FALLING_LEVEL_PA_S = 12.0
"""A fall of the shut-in that is slower may be the level's, 1 mm/s or somewhat more."""
UNPROVEN_OVER_S = 3600.0
"""How long a tube must have kept its air when nobody knows how long it was shut."""
_LEAK_OWES = 0.5
"""Share of what the tube usually loses that opening must bring back: a leak slackens with the level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """All the evidence on one cycle."""

    setup: CycleSetup
    """The tank."""
    learned: Learned
    """What was known before."""
    plan: Plan
    """The cycle's limits."""
    record: Record
    """What was gathered."""
    features: Features
    """The numbers."""
    closing: Closing
    """The fit of the moment of closing."""
    weighed: Weighed
    """The pressure of the head."""
    movement: Movement | None
    """What opening and closing did to the pressure; None: too few samples."""
    decay: Decay | None
    """The curve after closing; None when it is a straight line, or too short."""
    restricted: bool
    """The curve after closing is that of a narrowed tip, and the level was read from what it came to rest on."""

    @property
    def look_in_span(self) -> bool:
        """Before opening the transmitter was not at its lower stop, where it can tell neither pressure nor noise."""
        trapped_pa = self.record.trapped_pa
        return trapped_pa is not None and trapped_pa > self.plan.low_stop_pa

    @property
    def rose(self) -> bool:
        """Opening has lifted the pressure by more than noise, and than a little of the air's friction."""
        rise_pa = self.closing.plateau_pa - (self.record.trapped_pa or 0.0)
        return rise_pa > 5.0 * self.record.noise_pa + 0.2 * self.weighed.friction_pa + 5.0

    @property
    def late_slope_pa_s(self) -> float:
        """Slope of the last half of the shut-in, Pa/s: a frozen bubble and the last ones have come to rest by then."""
        return self.late_fall()[0]

    def late_fall(self) -> tuple[float, float]:
        """That slope and its standard uncertainty, Pa/s."""
        shut_s, end_s = self.record.shut_s or 0.0, self.record.times_s[-1]
        times, gauges = self.record.since(0.5 * (shut_s + end_s))
        if len(times) < 4:
            return self.closing.shut_slope_pa_s, self.closing.shut_slope_u_pa_s
        line = fit_line(times, gauges)
        return line.values[1], max(self.record.noise_pa, line.residual_sd) * math.sqrt(line.inverse[1][1])

    @property
    def drop_pa(self) -> float:
        """What closing took away, Pa: the samples as they are, for the fit's damping may be what is wrong."""
        before_pa, after_pa, _ = self._across_closing()
        return before_pa - after_pa

    @property
    def first_fall_pa_s(self) -> float:
        """How fast the pressure fell from closing until damping and friction were over, friction left out, Pa/s."""
        before_pa, after_pa, settled_s = self._across_closing(back=False)
        fell_pa = before_pa - after_pa - self.drop_limit_pa
        return max(0.0, fell_pa) / settled_s if settled_s > 0 else 0.0

    def _across_closing(self, *, back: bool = True) -> tuple[float, float, float]:
        """Pressure before closing and after it, Pa (once things have settled, or gone back along it), and when, s."""
        record, closing, shut_s = self.record, self.closing, self.record.shut_s or 0.0
        lag_s = min(closing.damping_s, longest_damping_s(self.learned))
        settled_s = 2.5 * lag_s + 3.0 * self.plan.settling_s
        before = record.since(shut_s - 0.4, shut_s)[1]
        times, after = record.since(shut_s + settled_s, shut_s + settled_s + 1.5)
        if not before or len(after) < 4:
            return closing.plateau_pa, closing.shut_in_pa, settled_s
        line = fit_line(times, after)
        mean_s = math.fsum(times) / len(times) - shut_s
        to_s = 0.0 if back else settled_s
        return math.fsum(before) / len(before), line.values[0] - line.values[1] * (mean_s - to_s), settled_s

    @property
    def drop_limit_pa(self) -> float:
        """More than flowing air's friction, ripple and noise can make closing take away, Pa."""
        return drop_limit_pa(self.setup, self.record, self.weighed.friction_pa)


def longest_damping_s(learned: Learned) -> float:
    """The damping, on the safe side of what is known, s: a fit of what was no closing may find any.

    Args:
        learned: what earlier cycles found.
    """
    return learned.damping_s * math.exp(learned.log_damping_u)


def drop_limit_pa(setup: CycleSetup, record: Record, friction_pa: float) -> float:
    """More than flowing air's friction, ripple and noise can make closing take away, Pa.

    Args:
        setup: the tank.
        record: the cycle's record.
        friction_pa: expected friction, Pa.
    """
    ripple_pa = ripple_bound_pa(setup.tube_bore_m, setup.density_kg_m3, setup.gravity_m_s2)
    return 2.0 * friction_pa + 8.0 * record.noise_pa + ripple_pa + 50.0


def friction_shows(case: Case) -> bool | None:
    """Whether closing took away the friction of flowing air; None when too little is expected to tell."""
    closing = case.closing
    var = closing.plateau_var_pa2 + closing.shut_in_var_pa2 - 2.0 * closing.covariance_pa2
    blur = math.hypot(math.sqrt(max(0.0, var)), freeze_sd_pa(case.setup, case.learned))
    if case.weighed.friction_pa * (1.0 - FRICTION_SEEN) < 3.0 * blur + 5.0:
        return None
    missing_pa = FRICTION_SEEN * case.weighed.friction_pa - (closing.plateau_pa - closing.shut_in_pa)
    if missing_pa <= 0.0:
        return True
    # a bubble that closing froze at its highest can hide as much as half a bore of liquid
    setup = case.setup
    ripple_pa = ripple_bound_pa(setup.tube_bore_m, setup.density_kg_m3, setup.gravity_m_s2)
    return None if case.weighed.friction_pa < 0.5 * ripple_pa + 3.0 * blur else False


def ripple_shows(case: Case) -> bool:
    """The plateau scatters more than the transmitter does at rest: air leaves the tip."""
    closing = case.closing
    return min(closing.hold_scatter_pa, closing.hold_jitter_pa) > RIPPLE_SHOWS * case.record.noise_pa


def ripple_goes_on(case: Case) -> bool:
    """After closing the pressure is as restless as bubbles make it, and was quiet before opening.

    One that was as restless in the look may be disturbed from elsewhere; unless the valve has been stuck since before.
    """
    usual_pa, look_pa = case.learned.noise_pa, case.record.noise_pa
    if usual_pa is None or not case.look_in_span:
        return False
    quiet = look_pa < 0.7 * RIPPLE_SHOWS * usual_pa and ripple_shows(case)
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
    slack_s = LATE_S + case.closing.damping_s + 3.0 * case.plan.settling_s
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
    slack_s = 0.25 + min(case.closing.damping_s, longest_damping_s(case.learned))
    climbs_pa = case.closing.shut_in_pa - case.closing.plateau_pa  # a shut-in above the plateau: still on its way
    if climbs_pa > 0.05 * (case.closing.plateau_pa - (case.record.trapped_pa or 0.0)) + 4.0 * case.record.noise_pa:
        return False
    return TIMELY[0] * needed_s < took_s < TIMELY[1] * needed_s + slack_s and dying_rise(case) is None


def tip_proven(case: Case) -> bool:
    """Whether anything shows that air bubbled at the tip."""
    if case.restricted:
        return True  # what is held back at the tip is there
    if timely_rise(case) or balance_of(case).paid:
        return True
    climbs_pa_s = case.closing.hold_slope_pa_s - 2.0 * case.closing.hold_slope_u_pa_s
    if climbs_pa_s > LEVEL_RATE_PA_S + 0.1 * max(0.0, case.drop_pa):
        return False
    shows = friction_shows(case)
    if shows or ripple_shows(case):
        return True
    moved = case.movement
    if moved is None or shows is False:
        return False
    # A rise that stops is no proof: it stops at the pressure of a weak supply as well as at the tip.
    return moved.dropped or (moved.froze and moved.settled_within(SETTLED_PA_S))


def hidden_rise_pa(setup: CycleSetup, change_pa: float, gauge_pa: float) -> float:
    """How much more the head has risen than a shut tube shows, Pa.

    Args:
        setup: the tank.
        change_pa: rise of the trapped pressure, Pa.
        gauge_pa: the pressure now, Pa.
    """
    factor = setup.air_space.head_change_factor(
        setup.atmosphere_abs_pa + max(0.0, gauge_pa),
        0.0,
        density_kg_m3=setup.density_kg_m3,
        gravity_m_s2=setup.gravity_m_s2,
    )
    return max(0.0, (factor - 1.0) * change_pa)


def balance_of(case: Case) -> Balance:
    """The balance with this cycle in it."""
    learned, trapped_pa, moved = case.learned, case.record.trapped_pa, case.movement
    owed_pa, brought_pa, var = learned.owed_pa, learned.brought_pa, learned.brought_var_pa2
    before = Balance(owed_pa=owed_pa, expected_pa=learned.expected_pa, brought_pa=brought_pa, brought_var_pa2=var)
    if trapped_pa is None or moved is None or learned.shut_gauge_pa is None or learned.proven_gauge_pa is None:
        return before
    by_level_pa = hidden_rise_pa(case.setup, max(0.0, trapped_pa - learned.shut_gauge_pa), trapped_pa)
    by_leak_pa = _leak_pa_s(learned) * (shut_for_s(case) or 0.0)
    freeze_pa = freeze_sd_pa(case.setup, learned)
    return Balance(
        owed_pa=owed_pa + by_level_pa + _LEAK_OWES * by_leak_pa,
        expected_pa=learned.expected_pa + by_level_pa + by_leak_pa,
        brought_pa=brought_pa + moved.opening_pa + moved.closing_pa,
        brought_var_pa2=var + moved.opening_u_pa**2 + moved.closing_u_pa**2 + 2.0 * freeze_pa**2,
    )


def _leak_pa_s(learned: Learned) -> float:
    """A leak that surely drew liquid into the shut tube, Pa/s, so that opening must push it out again.

    A falling level looks like a leak, and while it falls faster than a leak takes, the tube stays full. So only that
    counts by which the last shut-in fell faster than a level does.
    """
    surely_pa_s = (learned.leak_pa_s or 0.0) - 3.0 * learned.leak_u_pa_s
    return surely_pa_s - FALLING_LEVEL_PA_S if surely_pa_s > 2.0 * FALLING_LEVEL_PA_S else 0.0


def shut_for_s(case: Case) -> float | None:
    """Time since the last shut-in ended, s; None after a restart."""
    shut_at_s = case.learned.shut_at_s
    return None if shut_at_s is None else max(0.0, case.record.started_at_s - shut_at_s)


def unproven_m(case: Case) -> float | None:
    """How far the level may be off because nothing proves air at the tip this time, m (half-width).

    In a tube that keeps its air the trapped pressure follows a falling level by itself, and a rising one but for what
    the balance says is owed. In one that is not known to keep it, all of a fall may be a leak.

    Returns:
        The half-width; None when air was never proven, so that nothing is known.
    """
    proven_pa = case.learned.proven_gauge_pa
    if proven_pa is None:
        return None
    gauge_pa = case.weighed.gauge_pa
    fall_pa = 0.0 if keeps_air(case) else max(0.0, proven_pa - gauge_pa)
    blur_pa = 2.0 * math.hypot(case.weighed.noise_u_pa, case.record.noise_pa / 4.0)
    # a leak takes pressure away while a rising level gives some back: what the two may have hidden from each other
    leaked_pa = _most_leak_pa_s(case) * (shut_for_s(case) or UNPROVEN_OVER_S)
    doubt_pa = balance_of(case).owed_pa + blur_pa + max(fall_pa, leaked_pa)
    doubt_m = (doubt_pa + hidden_rise_pa(case.setup, leaked_pa, gauge_pa)) / unit_weight_pa_m(case.setup)
    return min(doubt_m, case.setup.full_head_m)


def _most_leak_pa_s(case: Case) -> float:
    """The largest leak that is compatible with what is known, Pa/s: from the openings, else from the better shut-in."""
    learned, (slope_pa_s, slope_u_pa_s) = case.learned, case.late_fall()
    if learned.lost_pa_s is not None:
        return max(0.0, learned.lost_pa_s)
    seen = [(slope_u_pa_s, -slope_pa_s)]
    if learned.leak_pa_s is not None:
        seen.append((learned.leak_u_pa_s, learned.leak_pa_s))
    u_pa_s, leak_pa_s = min(seen)
    return max(0.0, leak_pa_s) + 2.0 * u_pa_s


def keeps_air(case: Case) -> bool:
    """The tube was found to lose next to nothing from one cycle to the next."""
    lost_pa_s = case.learned.lost_pa_s
    if lost_pa_s is None:
        return False
    return lost_pa_s * (shut_for_s(case) or UNPROVEN_OVER_S) < UNPROVEN_M * unit_weight_pa_m(case.setup)


def lost_pa_s(case: Case) -> float | None:
    """What the opening told of the tube since the last cycle: pressure lost, Pa/s; None: can't tell.

    Asked of a cycle whose air is proven, or whose opening has plainly lifted the pressure.
    """
    learned, trapped_pa, gap_s = case.learned, case.record.trapped_pa, shut_for_s(case)
    if learned.shut_gauge_pa is None or trapped_pa is None or not gap_s:
        return None
    missing_pa = case.weighed.gauge_pa - trapped_pa
    by_level_pa = hidden_rise_pa(case.setup, max(0.0, trapped_pa - learned.shut_gauge_pa), case.weighed.gauge_pa)
    return (missing_pa - by_level_pa) / gap_s


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
