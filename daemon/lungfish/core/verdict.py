"""Verdicts on a cycle that ran to its end: evidence against limits, each told with its numbers.

What makes the evidence is in `evidence`; what each code means for a technician is in `advice`.
"""

from __future__ import annotations

from lungfish.core.balance import UNPROVEN_M, balance_of, unproven_m
from lungfish.core.break_through import held_back
from lungfish.core.case import Case
from lungfish.core.closing_verdict import LEAK_PA_S, goes_on_falling, restless, restricted, unsteady
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.decay import Decay
from lungfish.core.evidence import (
    DYING_RISE,
    dying_rise,
    late_rise,
    leak_share,
    rose_in_time,
    tip_proven,
    uncovered,
)
from lungfish.core.friction_shown import (
    flowing_on_m,
    friction_missing_in_many,
    friction_shows,
    pooled_closing,
)
from lungfish.core.level import head_m
from lungfish.core.narrowed import narrowed_and_leaking
from lungfish.core.steady import deepest_valley_pa, trend_of

__all__ = ["DOUBT_M", "FULL_FLOW", "KNOWN_FRICTION_PA", "LEAK_SHARE_LIMIT", "LEAK_STOPS", "UNDER_M", "findings_of"]

LEAK_SHARE_LIMIT = 0.4
"""A leak that takes this share of the purge's flow leaves it unproven that the air ever reached the tip."""
FULL_FLOW = 0.8
"""Closing that takes away this share of the friction, or more, has ended as much flow as is set."""
LEAK_STOPS = 0.2
"""A leak of this share, seen after closing, and not the supply has stopped a rise that died away."""
DOUBT_M = 0.05
"""Nothing showed air at the tip, and the level may be off by more than this: no good reading."""
KNOWN_FRICTION_PA = 300.0
"""With more doubt of the friction a line that is off the tube may be taken for an empty tank."""
UNDER_M = 0.01
"""A head this far below nothing is the suction of liquid in the tube, which an uncovered tip has not."""


def findings_of(case: Case) -> tuple[Finding, ...]:
    """Judge a complete cycle whose valve did shut and whose transmitter is alive.

    Args:
        case: the evidence.

    Returns:
        At least one finding; `ok` only when there is nothing else.
    """
    air = _no_air(case)
    if air is not None and air.quality is Quality.BAD:
        return (air,)
    swinging = _swinging(case)
    if swinging is not None:
        return (swinging,)
    never = None if case.restricted else _tip_never_reached(case) or _supply_low(case)
    if never is not None:
        return (never,)
    narrowed = held_back(case) or restricted(case) or narrowed_and_leaking(case)
    settled = narrowed or restless(case) or (unsteady(case) if air is None else None)
    found = [finding for finding in (air, _leak(case), settled) if finding is not None]
    if air is None and uncovered(case):
        found.append(_tip_uncovered(case, narrowed=any(f.code is Diagnosis.TUBE_RESTRICTED for f in found)))
    return tuple(found) or (_ok(case),)


def _ok(case: Case) -> Finding:
    """The cycle ran as it should; uncertain all the same where nothing showed the air and the level may be far off."""
    closing, doubt_m = case.closing, 0.0 if tip_proven(case) else unproven_m(case)
    if doubt_m is None:
        doubt_m = case.setup.full_head_m  # air came, and never yet has anything shown that it reached the tip
    proof, on_m = "", flowing_on_m(case)
    if on_m > 0.0:
        proof = f"; should the valve not have shut, the level would be {1000 * on_m:.0f} mm lower"
    if doubt_m > 0.0:
        proof += f"; nothing showed air at the tip this time, so the level may be off by {1000 * doubt_m:.0f} mm"
    return Finding(
        code=Diagnosis.OK,
        quality=Quality.UNCERTAIN if doubt_m > DOUBT_M or on_m > 0.0 else Quality.GOOD,
        sentence=f"plateau {closing.plateau_pa:.0f} Pa, shut-in {closing.shut_in_pa:.0f} Pa, "
        f"friction {closing.plateau_pa - closing.shut_in_pa:.0f} Pa, expected {case.weighed.friction_pa:.0f} Pa{proof}",
    )


def _no_air(case: Case) -> Finding | None:
    """No air, or None when air came or is not missed."""
    if not case.rose and (not case.look_in_span or head_m(case.setup, case.weighed.gauge_pa) < -UNDER_M):
        return Finding(
            code=Diagnosis.NO_AIR,
            quality=Quality.BAD,
            sentence=f"no air seen at the tip: opening lifted nothing from {case.record.trapped_pa or 0.0:.0f} Pa, the "
            "suction of liquid that stands in the tube",
        )
    if tip_proven(case):
        return None
    if case.record.supply_seen is False or case.record.flow_seen is False:
        who = "supply switch says so" if case.record.supply_seen is False else "flow switch is off"
        quality = Quality.BAD if uncovered(case) or case.rose else Quality.UNCERTAIN
        return Finding(code=Diagnosis.NO_AIR, quality=quality, sentence=f"no air at the tip: the {who}")
    weighed, balance = case.weighed, balance_of(case)
    doubt_m = unproven_m(case)
    if friction_shows(case) is False and not case.rose:
        why = (
            f"opening moved nothing and closing took away {case.friction_seen_pa:.0f} Pa "
            f"where flowing air gives {weighed.friction_pa:.0f} Pa"
        )
    elif friction_missing_in_many(case):
        why = (
            f"closing took away {pooled_closing(case)[0]:.0f} Pa, this time and before on the mean, where flowing air "
            f"gives {weighed.friction_pa:.0f} Pa"
        )
    elif balance.unpaid:
        why = (
            f"the level has compressed the air in the tube, so opening must bring {balance.owed_pa:.0f} Pa; "
            f"it brought {balance.brought_pa:.0f} Pa"
        )
    elif (doubt_m is None and (uncovered(case) or not (case.learned.came or rose_in_time(case)))) or (
        doubt_m is not None and doubt_m > UNPROVEN_M and uncovered(case)
    ):
        proven_pa = case.learned.proven_gauge_pa
        since = "never before" if proven_pa is None else f"last at {proven_pa:.0f} Pa"
        why = (
            f"neither friction nor rise nor ripple shows that air bubbled at the tip (proven {since}, "
            f"now {weighed.gauge_pa:.0f} Pa)"
        )
    else:
        return None
    quality = Quality.BAD if uncovered(case) else Quality.UNCERTAIN
    return Finding(code=Diagnosis.NO_AIR, quality=quality, sentence=f"no air seen at the tip: {why}")


def _first_share(case: Case) -> float:
    """Leak right after closing over the flow."""
    closing = case.closing
    share = leak_share(case.setup, closing, closing.shut_slope_pa_s, closing.shut_slope_u_pa_s)
    return share if case.restricted else max(share, leak_share(case.setup, closing, -case.first_fall_pa_s))


def _tip_never_reached(case: Case) -> Finding | None:
    """Closed by the time limit while still climbing, or a leak as large as the flow."""
    record = case.record
    share = _first_share(case)
    if record.steady_from_s is None and record.shut_commanded_s is not None:
        times, gauges = record.since(record.shut_commanded_s - 3.0, record.shut_commanded_s)
        trend = trend_of(times, gauges, noise_pa=record.noise_pa)
        # a slow climb without a leak is too little air
        fast_pa_s = case.plan.steady_pa_s / 2.0 if share > 0.1 else 0.5 * case.plan.filling_pa_s
        if trend is not None and trend.climbs_beyond(fast_pa_s):
            return Finding(
                code=Diagnosis.LINE_LEAK,
                quality=Quality.BAD,
                sentence=f"after {case.plan.open_limit_s:.0f} s the pressure still climbed {trend.slope_pa_s:.0f} Pa/s "
                "and the tip was not reached, which this tube can't need: air is lost on the way",
            )
    if case.decay is not None and _nothing_left(case, case.decay):
        return Finding(
            code=Diagnosis.LINE_LEAK,
            quality=Quality.BAD,
            sentence=f"after closing {case.decay.died_pa:.0f} Pa died away in {case.decay.time_s:.1f} s and next to "
            "nothing was left: the tube can't hold its air, and whether the tip was ever reached is not proven",
        )
    if share > LEAK_SHARE_LIMIT:
        return Finding(
            code=Diagnosis.LINE_LEAK,
            quality=Quality.BAD,
            sentence=f"right after closing the pressure fell as if {100 * share:.0f} % of the purge's flow were lost, "
            f"more than {100 * LEAK_SHARE_LIMIT:.0f} %: whether the air ever reached the tip is not proven",
        )
    return None


def _swinging(case: Case) -> Finding | None:
    """While open the pressure has fallen by more than any friction, and risen again: no want of air, nor a leak."""
    record = case.record
    swing_pa = deepest_valley_pa(record.since(record.opened_s or 0.0, record.shut_s or 0.0)[1])
    if swing_pa <= case.drop_limit_pa:
        return None
    return Finding(
        code=Diagnosis.UNSTEADY,
        quality=Quality.UNCERTAIN,
        sentence=f"with the valve open the pressure fell by {swing_pa:.0f} Pa and rose again, where friction and "
        f"ripple make {case.drop_limit_pa:.0f} Pa at most: water in the line, or waves",
    )


def _nothing_left(case: Case, decay: Decay) -> bool:
    """More than friction died away after closing, and next to nothing remained of it."""
    if decay.died_pa > case.drop_limit_pa > 10.0 * decay.left_pa:
        return True
    friction_pa = case.weighed.friction_pa
    doubt_pa = max(4.0 * case.learned.friction_ratio_u, 0.2) * friction_pa
    excess_pa = min(decay.died_pa, case.closing.plateau_pa - friction_pa - decay.left_pa)
    bound_pa = doubt_pa + case.setup.ripple_bound_pa + 8.0 * case.record.noise_pa + 50.0
    return excess_pa > max(bound_pa, 10.0 * decay.left_pa) and not uncovered(case)


def _supply_low(case: Case) -> Finding | None:
    """The pressure rose and stopped, but not because air found its way out at the tip."""
    closing, record, flowed = case.closing, case.record, friction_shows(case)
    if flowed and case.friction_seen_pa > FULL_FLOW * case.weighed.friction_pa:
        return None  # as much air as is set went all the way
    if case.rose and not flowed and head_m(case.setup, case.weighed.gauge_pa) < -UNDER_M:
        why = "what closing left is the suction of liquid that stands in the tube"
    elif (shape := dying_rise(case)) is not None:
        why = (
            f"the second half of the rise took {shape:.1f} times as long as the first, more than {DYING_RISE:.2f}: "
            "the flow died away, as it does when the supply's pressure is reached"
        )
    elif (late := late_rise(case)) is not None:
        why = f"the rise took {late[0]:.1f} s where the set flow needs {late[1]:.1f} s: too little air comes"
    elif record.steady_from_s is None and case.rose and not tip_proven(case):
        why = f"after {case.plan.open_limit_s:.0f} s the pressure still climbed: too little air comes"
    elif case.rose and flowed is False:
        gives_pa = case.weighed.friction_pa
        why = f"closing took away {case.friction_seen_pa:.0f} Pa where flowing air gives {gives_pa:.0f} Pa: none flowed"
    else:
        return None
    stopped = (
        f"the pressure stopped at {closing.plateau_pa:.0f} Pa, which does not show that the tip was reached: {why}"
    )
    share = _first_share(case)
    if share > LEAK_STOPS:
        return Finding(
            code=Diagnosis.LINE_LEAK,
            quality=Quality.BAD,
            sentence=f"{stopped}; and it fell after closing as if {100 * share:.0f} % of the purge's flow were lost",
        )
    return Finding(code=Diagnosis.SUPPLY_LOW, quality=Quality.BAD, sentence=stopped)


def _leak(case: Case) -> Finding | None:
    if case.restricted:
        fall, u = -case.closing.shut_slope_pa_s, case.closing.shut_slope_u_pa_s
    elif goes_on_falling(case):
        slope_pa_s, u = case.late_fall()
        fall = max(-slope_pa_s, -case.closing.shut_slope_pa_s)
    else:
        return None
    if fall - 3.0 * u <= LEAK_PA_S:
        return None
    return Finding(
        code=Diagnosis.LINE_LEAK,
        quality=Quality.UNCERTAIN,
        sentence=f"the shut-in fell {fall:.0f} +- {2 * u:.0f} Pa/s, a tight tube falls less than {LEAK_PA_S:.0f}; "
        f"about {100 * _first_share(case):.0f} % of the purge's flow is lost",
    )


def _tip_uncovered(case: Case, *, narrowed: bool) -> Finding:
    """Uncertain where friction is not what it was: a tube that loses all its air looks much the same.

    Or where nothing showed any air: so does a transmitter that is cut off, or reads nothing whatever there is.
    """
    closing, proven = case.closing, tip_proven(case)
    known = case.weighed.friction_pa * case.learned.friction_ratio_u < KNOWN_FRICTION_PA
    return Finding(
        code=Diagnosis.TIP_UNCOVERED,
        quality=Quality.GOOD if proven and known and not narrowed else Quality.UNCERTAIN,
        sentence=f"the air flows off at {closing.plateau_pa:.0f} Pa and leaves {closing.shut_in_pa:.0f} Pa: "
        f"the liquid stands at the tip ({case.setup.tip_m:.3f} m) or below; "
        f"friction expected {case.weighed.friction_pa:.0f} Pa"
        + ("" if proven else ", and nothing showed that air came"),
    )
