"""Verdicts on a cycle that ran to its end: evidence against limits, each told with its numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lungfish.core.air import first_bubble_after_s
from lungfish.core.closing import Closing
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.expect import throughput_pa_m3_s, unit_weight_pa_m
from lungfish.core.level import DISAGREEMENT_SIGMAS, Weighed, freeze_sd_pa, head_m
from lungfish.core.plan import Plan
from lungfish.core.proof import Movement
from lungfish.core.reading import Features
from lungfish.core.record import Record
from lungfish.core.setup import CycleSetup, Learned
from lungfish.core.steady import trend_of

__all__ = ["UNPROVEN_M", "Case", "findings_of", "found_tight", "leak_share", "tip_proven"]

LEAK_PA_S = 30.0
"""A shut-in that falls faster than this leaks: a level falling by 3 mm/s is not expected of a sump."""
LEAK_SHARE_LIMIT = 0.4
"""A leak that takes this share of the purge's flow leaves it unproven that the air ever reached the tip."""
FRICTION_SEEN = 0.3
"""Share of the expected friction that must show for air to be proven by it."""
RIPPLE_SHOWS = 2.2
"""Samples that stray by this much more than at rest, and from neighbour to neighbour too, are rippled by bubbles."""
RESTLESS = 3.0
"""A shut-in that scatters this much more than the transmitter at rest is no straight line: nothing to go back along."""
RESTLESS_PA = 20.0
"""And this much besides, 2 mm of water, as no model of a line and a transmitter is exact."""
LATE_SHARE, LATE_S = 2.5, 1.0
"""A tube that takes this much longer than the set flow needs, and a second more, gets too little air."""
DYING_RISE = 2.0
"""A rise of this shape is not that of a steady flow (1 to 1.4), rather an exponential one (2.7)."""
KNEE_SHARE = 0.4
"""A rise at this share of the expected slope or more, then a plateau, is a knee: the tip was reached."""
UNPROVEN_M = 0.02
"""A level that has moved by more than this since air was last proven at the tip needs proof again."""
UNCOVERED_M = 0.003
"""A head below this, or below three standard uncertainties, can't be told from an uncovered tip."""


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
    closing: Closing | None
    """The fit of the moment of closing."""
    weighed: Weighed | None
    """The pressure of the head."""
    movement: Movement | None
    """What opening and closing did to the pressure."""


def findings_of(case: Case) -> tuple[Finding, ...]:
    """Judge a complete cycle.

    Args:
        case: the evidence.

    Returns:
        At least one finding; `ok` only when there is nothing else.
    """
    closing, weighed = case.closing, case.weighed
    if closing is None or weighed is None:
        return (_uncertain_nothing(case),)
    air = _air_verdict(case, closing, weighed)
    if air is not None and air.quality is Quality.BAD:
        return (air,)
    never = _tip_never_reached(case, closing) or _supply_low(case, closing, weighed)
    if never is not None:
        return (never,)
    found = [
        finding
        for finding in (air, _leak(case, closing), _restless(case, closing) or _unsteady(case, weighed))
        if finding is not None
    ]
    if air is None and _uncovered(case, weighed):
        found.append(_tip_uncovered(case, closing, weighed))
    if not found:
        found.append(Finding(code=Diagnosis.OK, quality=Quality.GOOD, sentence=_ok_sentence(case, closing, weighed)))
    return tuple(found)


def _uncertain_nothing(case: Case) -> Finding:
    return Finding(
        code=Diagnosis.LINK_LOST,
        quality=Quality.BAD,
        sentence=f"only {case.features.samples} readings came in, too few to fit the moment of closing",
    )


def _ok_sentence(case: Case, closing: Closing, weighed: Weighed) -> str:
    proof = "" if tip_proven(case) else "; air at the tip not proven this time, nor needed: the tube holds what it held"
    return (
        f"plateau {closing.plateau_pa:.0f} Pa, shut-in {closing.shut_in_pa:.0f} Pa, "
        f"friction {closing.plateau_pa - closing.shut_in_pa:.0f} Pa, expected {weighed.friction_pa:.0f} Pa{proof}"
    )


def _difference_u_pa(closing: Closing) -> float:
    """Standard uncertainty of plateau less shut-in from noise alone."""
    var = closing.plateau_var_pa2 + closing.shut_in_var_pa2 - 2.0 * closing.covariance_pa2
    return math.sqrt(max(0.0, var))


def _friction_shows(case: Case, closing: Closing, weighed: Weighed) -> bool | None:
    """Whether closing took away the friction of flowing air; None when too little is expected to tell."""
    blur = math.hypot(_difference_u_pa(closing), freeze_sd_pa(case.setup, case.learned))
    if weighed.friction_pa * (1.0 - FRICTION_SEEN) < 3.0 * blur + 5.0:
        return None
    return closing.plateau_pa - closing.shut_in_pa > FRICTION_SEEN * weighed.friction_pa


def _ripple_shows(case: Case, closing: Closing) -> bool:
    """The plateau scatters more than the transmitter does at rest: air leaves the tip."""
    return min(closing.hold_scatter_pa, closing.hold_jitter_pa) > RIPPLE_SHOWS * case.record.noise_pa


def tip_proven(case: Case) -> bool:
    """Whether anything shows that air bubbled at the tip.

    Args:
        case: the evidence.
    """
    closing, weighed = case.closing, case.weighed
    if closing is None or weighed is None:
        return False
    if _friction_shows(case, closing, weighed) or _ripple_shows(case, closing):
        return True
    features, moved, plan = case.features, case.movement, case.plan
    slope = features.fill_slope_pa_s
    if slope is not None and slope > KNEE_SHARE * plan.filling_pa_s and (features.fill_s or 0.0) > 1.0:
        return True
    if moved is None or not moved.seen:
        return False
    # a pressure that still climbs may be a flow too small to have filled the tube
    opened_s, shut_s = case.record.opened_s or 0.0, case.record.shut_s or 0.0
    average = moved.opening_pa / max(0.1, shut_s - opened_s)
    return moved.up_and_down or moved.settled_within(max(plan.slow_climb_pa_s, 0.6 * average))


def _needs_proof(case: Case, weighed: Weighed) -> bool:
    """Whether this pressure could be wrong if no air had come.

    Not if it is the one last proven, nor if it has fallen in a tube that keeps its air (then it follows the level),
    nor if it has risen by so little that the compressed air hides no more.
    """
    setup, proven_pa = case.setup, case.learned.proven_gauge_pa
    if proven_pa is None or len(set(case.record.gauge_pa)) == 1:
        return True  # a value that never stirs may be a frozen one
    limit_pa = UNPROVEN_M * unit_weight_pa_m(setup)
    change_pa = weighed.gauge_pa - proven_pa
    if abs(change_pa) <= limit_pa:
        return False
    return not case.learned.tight if change_pa < 0 else hidden_rise_pa(setup, change_pa, weighed.gauge_pa) > limit_pa


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


def found_tight(case: Case) -> bool | None:
    """What the opening told of the tube since the last proven reading: it kept its air, or not; None: can't tell.

    Args:
        case: the evidence of a cycle whose air is proven.
    """
    weighed, proven_pa, trapped_pa = case.weighed, case.learned.proven_gauge_pa, case.record.trapped_pa
    if weighed is None or proven_pa is None or trapped_pa is None:
        return None
    missing_pa = weighed.gauge_pa - trapped_pa
    by_level_pa = hidden_rise_pa(case.setup, max(0.0, trapped_pa - proven_pa), weighed.gauge_pa)
    return missing_pa - by_level_pa < UNPROVEN_M * unit_weight_pa_m(case.setup)


def _air_verdict(case: Case, closing: Closing, weighed: Weighed) -> Finding | None:
    """No air, or None when air came or is not missed."""
    if tip_proven(case):
        return None
    drop = closing.plateau_pa - closing.shut_in_pa
    head_left = not _uncovered(case, weighed)
    proven_pa = case.learned.proven_gauge_pa
    if _friction_shows(case, closing, weighed) is False and not case.features.rise_seen:
        why = (
            f"opening moved nothing and closing took away {drop:.0f} Pa "
            f"where flowing air gives {weighed.friction_pa:.0f} Pa"
        )
    elif _needs_proof(case, weighed):
        since = "never before" if proven_pa is None else f"last at {proven_pa:.0f} Pa"
        why = (
            f"neither friction nor rise nor ripple shows that air bubbled at the tip (proven {since}, "
            f"now {weighed.gauge_pa:.0f} Pa)"
        )
    else:
        return None
    quality = Quality.UNCERTAIN if head_left else Quality.BAD
    return Finding(code=Diagnosis.NO_AIR, quality=quality, sentence=f"no air seen at the tip: {why}")


def _tip_never_reached(case: Case, closing: Closing) -> Finding | None:
    """Closed by the time limit while still climbing, or a leak as large as the flow."""
    setup, record = case.setup, case.record
    if record.steady_from_s is None and record.shut_commanded_s is not None:
        times, gauges = record.since(record.shut_commanded_s - 3.0, record.shut_commanded_s)
        trend = trend_of(times, gauges, noise_pa=record.noise_pa)
        if trend is not None and trend.climbs_beyond(case.plan.steady_pa_s / 2.0):
            return Finding(
                code=Diagnosis.LINE_LEAK,
                quality=Quality.BAD,
                sentence=f"after {case.plan.open_limit_s:.0f} s the pressure still climbed {trend.slope_pa_s:.0f} Pa/s "
                "and the tip was not reached, which this tube can't need: air is lost on the way, or too little comes",
            )
    share = leak_share(setup, closing)
    if share > LEAK_SHARE_LIMIT:
        return Finding(
            code=Diagnosis.LINE_LEAK,
            quality=Quality.BAD,
            sentence=f"the shut-in fell {-closing.shut_slope_pa_s:.0f} Pa/s, a leak of {100 * share:.0f} % of the "
            "purge's flow: whether the air ever reached the tip is not proven",
        )
    return None


def _supply_low(case: Case, closing: Closing, weighed: Weighed) -> Finding | None:
    """The pressure rose and stopped, but not because air found its way out at the tip."""
    shape = case.features.rise_shape
    if shape is not None and shape > DYING_RISE:
        why = (
            f"the second half of the rise took {shape:.1f} times as long as the first, more than {DYING_RISE:.1f}: "
            "the flow died away, as it does when the supply's pressure is reached"
        )
    elif (late := _late(case, closing, weighed)) is not None:
        why = f"the rise took {late[0]:.1f} s where the set flow needs {late[1]:.1f} s: too little air comes"
    elif case.features.rise_seen and _friction_shows(case, closing, weighed) is False:
        drop = closing.plateau_pa - closing.shut_in_pa
        why = f"closing took away {drop:.0f} Pa where flowing air gives {weighed.friction_pa:.0f} Pa: nothing flowed"
    else:
        return None
    return Finding(
        code=Diagnosis.SUPPLY_LOW,
        quality=Quality.BAD,
        sentence=f"the pressure stopped at {closing.plateau_pa:.0f} Pa, which does not show that the tip was reached: "
        f"{why}",
    )


def _late(case: Case, closing: Closing, weighed: Weighed) -> tuple[float, float] | None:
    """Time of the rise and the time that the set flow needs, s, when the first is far beyond the second."""
    took_s, trapped_pa = case.features.fill_s, case.record.trapped_pa
    if took_s is None or trapped_pa is None:
        return None
    needed_s = first_bubble_after_s(case.setup, trapped_pa, max(0.0, weighed.gauge_pa))
    slack_s = LATE_S + 3.0 * closing.damping_s + 3.0 * case.plan.settling_s
    return (took_s, needed_s) if took_s > LATE_SHARE * needed_s + slack_s else None


def leak_share(setup: CycleSetup, closing: Closing) -> float:
    """Leak seen after closing over the flow while open, 1; a falling level counts as a leak here."""
    abs_pa = setup.atmosphere_abs_pa + max(0.0, closing.shut_in_pa)
    space = setup.air_space
    capacity = space.volume_m3 + abs_pa * space.area_m2 / unit_weight_pa_m(setup)
    flow = throughput_pa_m3_s(setup, closing.plateau_pa)
    lost = max(0.0, -closing.shut_slope_pa_s - 2.0 * closing.shut_slope_u_pa_s) * capacity
    return lost / flow if flow > 0 else math.inf


def _leak(case: Case, closing: Closing) -> Finding | None:
    fall, u = -closing.shut_slope_pa_s, closing.shut_slope_u_pa_s
    if fall - 3.0 * u <= LEAK_PA_S:
        return None
    share = leak_share(case.setup, closing)
    return Finding(
        code=Diagnosis.LINE_LEAK,
        quality=Quality.UNCERTAIN,
        sentence=f"the shut-in fell {fall:.0f} +- {2 * u:.0f} Pa/s, a tight tube falls less than {LEAK_PA_S:.0f}; "
        f"about {100 * share:.0f} % of the purge's flow is lost",
    )


def _restless(case: Case, closing: Closing) -> Finding | None:
    scatter, noise = closing.shut_scatter_pa, case.record.noise_pa
    if scatter <= RESTLESS * noise + RESTLESS_PA:
        return None
    return Finding(
        code=Diagnosis.UNSTEADY,
        quality=Quality.UNCERTAIN,
        sentence=f"the shut-in strays {scatter:.0f} Pa from a straight line where the transmitter's noise is "
        f"{noise:.1f} Pa: what happened at closing can't be told exactly",
    )


def _unsteady(case: Case, weighed: Weighed) -> Finding | None:
    if case.record.steady_from_s is None:
        return Finding(
            code=Diagnosis.UNSTEADY,
            quality=Quality.UNCERTAIN,
            sentence=f"the pressure did not settle in {case.plan.open_limit_s:.0f} s, the most that this tube needs",
        )
    if weighed.disagreement < -DISAGREEMENT_SIGMAS:
        return Finding(
            code=Diagnosis.UNSTEADY,
            quality=Quality.UNCERTAIN,
            sentence=f"plateau less friction lies {-weighed.disagreement:.1f} standard deviations below the shut-in, "
            f"more than {DISAGREEMENT_SIGMAS:.0f}: the pressure was still on its way",
        )
    if weighed.disagreement > DISAGREEMENT_SIGMAS:
        return Finding(
            code=Diagnosis.TUBE_RESTRICTED,
            quality=Quality.GOOD,
            sentence=f"plateau less friction lies {weighed.disagreement:.1f} standard deviations above the shut-in, "
            f"more than {DISAGREEMENT_SIGMAS:.0f}: tip or line has narrowed; the shut-in does not know friction",
        )
    return None


def _uncovered(case: Case, weighed: Weighed) -> bool:
    """No head left, and no more pressure while the air flowed than its friction makes."""
    setup = case.setup
    if case.closing is not None and case.closing.plateau_pa > 2.0 * weighed.friction_pa + 200.0:
        return False
    limit = max(UNCOVERED_M, 3.0 * math.hypot(weighed.noise_u_pa, setup.transmitter_u_pa) / unit_weight_pa_m(setup))
    return head_m(setup, weighed.gauge_pa) < limit


def _tip_uncovered(case: Case, closing: Closing, weighed: Weighed) -> Finding:
    return Finding(
        code=Diagnosis.TIP_UNCOVERED,
        quality=Quality.GOOD,
        sentence=f"the air flows off at {closing.plateau_pa:.0f} Pa and leaves {closing.shut_in_pa:.0f} Pa: "
        f"the liquid stands at the tip ({case.setup.tip_m:.3f} m) or below; "
        f"friction expected {weighed.friction_pa:.0f} Pa",
    )
