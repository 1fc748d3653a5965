"""Verdicts on a cycle that ran to its end: evidence against limits, each told with its numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lungfish.core.closing import Closing
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.expect import throughput_pa_m3_s, unit_weight_pa_m
from lungfish.core.level import DISAGREEMENT_SIGMAS, Weighed, freeze_sd_pa, head_m
from lungfish.core.plan import Plan
from lungfish.core.reading import Features
from lungfish.core.record import Record
from lungfish.core.setup import CycleSetup, Learned
from lungfish.core.steady import trend_of

__all__ = ["Case", "findings_of"]

LEAK_PA_S = 30.0
"""A shut-in that falls faster than this leaks: a level falling by 3 mm/s is not expected of a sump."""
LEAK_SHARE_LIMIT = 0.4
"""A leak that takes this share of the purge's flow leaves it unproven that the air ever reached the tip."""
FRICTION_SEEN = 0.3
"""Share of the expected friction that must show for air to be proven by it."""
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
    never = _tip_never_reached(case, closing)
    if never is not None:
        return (never,)
    found = [finding for finding in (air, _leak(case, closing), _unsteady(case, weighed)) if finding is not None]
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
    proof = "" if _air_proven(case, closing) else "; that air came is not proven by friction, rise or ripple"
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
    return closing.hold_scatter_pa > 1.6 * case.record.noise_pa


def _air_proven(case: Case, closing: Closing) -> bool:
    weighed = case.weighed
    shows = weighed is not None and _friction_shows(case, closing, weighed)
    return bool(case.features.rise_seen or shows or _ripple_shows(case, closing))


def _air_verdict(case: Case, closing: Closing, weighed: Weighed) -> Finding | None:
    """No air, or None when air came or can't be told to be missing."""
    if case.features.rise_seen or _ripple_shows(case, closing):
        return None
    shows = _friction_shows(case, closing, weighed)
    if shows:
        return None
    drop = closing.plateau_pa - closing.shut_in_pa
    head_left = not _uncovered(case, weighed)
    if shows is False:
        why = (
            f"opening moved nothing and closing took away {drop:.0f} Pa "
            f"where flowing air gives {weighed.friction_pa:.0f} Pa"
        )
    elif not head_left and not _was_near_tip(case):
        why = (
            "there is no pressure with the valve open; too little friction is expected here to tell an uncovered tip "
            "from air that does not come, and the level was not near the tip before"
        )
    elif _should_have_flooded(case):
        why = (
            f"the tube leaks {case.learned.leak_pa_s or 0.0:.0f} Pa/s and must have lost its air since the last purge, "
            "yet opening moved nothing"
        )
    else:
        return None
    quality = Quality.UNCERTAIN if head_left and shows is False else Quality.BAD
    return Finding(code=Diagnosis.NO_AIR, quality=quality, sentence=f"no air arrives: {why}")


def _was_near_tip(case: Case) -> bool:
    """The last shut-in stood so low that an uncovered tip is no surprise."""
    last = case.learned.shut_gauge_pa
    return last is not None and last < 0.3 * unit_weight_pa_m(case.setup)


def _should_have_flooded(case: Case) -> bool:
    leak, last_s = case.learned.leak_pa_s, case.learned.shut_at_s
    if leak is None or last_s is None or leak < LEAK_PA_S or case.record.open_commanded_s is None:
        return False
    return leak * (case.record.started_at_s + case.record.open_commanded_s - last_s) > 200.0


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
    setup = case.setup
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
