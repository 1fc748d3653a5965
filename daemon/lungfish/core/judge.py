"""The end of a cycle: from its record to the reading."""

from __future__ import annotations

import dataclasses
import math
from enum import Enum

from lungfish.core.air import air_used_pa_m3, first_bubble_after_s, least_air_pa_m3
from lungfish.core.budget import Budget, Measured
from lungfish.core.closing import Closing, Line, closing_of
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.decay import Decay, decay_of
from lungfish.core.evidence import Case, balance_of, drop_limit_pa, leak_share, lost_pa_s, tip_proven, unproven_m
from lungfish.core.expect import bubbling_friction_pa, fill_flattening_s
from lungfish.core.fit import fit_line
from lungfish.core.level import Weighed, freeze_sd_pa, level_of, still_flowing, weigh
from lungfish.core.opening import Opening
from lungfish.core.plan import FALL_PA_S, LEVEL_RATE_PA_S, Plan, longest_lag_pa
from lungfish.core.proof import movement_of
from lungfish.core.reading import Features, Reading
from lungfish.core.record import Record
from lungfish.core.setup import CycleSetup, Learned
from lungfish.core.verdict import findings_of, frozen, restless_limit_pa, stuck_open

__all__ = ["Ending", "judge"]


class Ending(Enum):
    """How a cycle came to its end."""

    COMPLETE = "complete"
    """Through the shut-in, the valve confirmed shut."""
    SILENT = "silent"
    """The transmitter did not answer."""
    INVALID = "invalid"
    """The transmitter's value was off its span or no number."""
    FAILED = "failed"
    """The transmitter's current said that it has failed."""
    OVER_RANGE = "over-range"
    """The transmitter's limit was reached with the valve open."""
    BEYOND_BRIM = "beyond-brim"
    """The pressure passed what a brim-full tank could give."""
    NOT_OPENED = "not-opened"
    """The valve was told to open and was not seen to."""
    NOT_SHUT = "not-shut"
    """The valve was told to shut and was not seen to."""
    VALVE_SILENT = "valve-silent"
    """The valve did not answer."""
    ABORTED = "aborted"
    """Ended from outside."""


def judge(
    setup: CycleSetup,
    learned: Learned,
    plan: Plan,
    record: Record,
    ending: Ending,
    ended_at_s: float,
    detail: str,
) -> Reading:
    """Turn a finished record into a reading.

    Args:
        setup: the tank.
        learned: what was known before.
        plan: the cycle's limits.
        record: what was gathered.
        ending: how it ended.
        ended_at_s: monotonic time of the end, s.
        detail: what a driver or the one who aborted said; may be empty.
    """
    features = _plain_features(setup, plan, record)
    level: Measured | None = None
    head: Measured | None = None
    budget: Budget | None = None
    taught = learned
    if ending is Ending.COMPLETE:
        case = _case(setup, learned, plan, record, features)
        findings = _findings(setup, plan, case, record, learned)
        if case is not None:
            features = case.features
            if all(f.quality is not Quality.BAD for f in findings):
                doubt_m = 0.0 if tip_proven(case) else unproven_m(case) or 0.0
                level, head, budget = level_of(setup, case.weighed, unproven_m=doubt_m)
                if any(f.code is Diagnosis.TIP_UNCOVERED for f in findings):
                    level, head = dataclasses.replace(level, value=setup.tip_m), dataclasses.replace(head, value=0.0)
            taught = _taught(case, findings)
        if any(f.code is Diagnosis.NO_AIR and f.quality is Quality.BAD for f in findings):
            features = dataclasses.replace(features, air_pa_m3=0.0)
    else:
        findings = (_broken_off(setup, plan, record, ending, detail),)
    started = record.started_at_s
    return Reading(
        started_at_s=started,
        opened_at_s=_absolute(started, record.opened_s if record.opened_s is not None else record.open_commanded_s),
        shut_at_s=_absolute(started, record.shut_s),
        ended_at_s=ended_at_s,
        head_pa=head,
        level_m=level,
        budget=budget,
        findings=findings,
        features=features,
        trace=record.trace(),
        learned=taught,
    )


def _absolute(started_at_s: float, after_s: float | None) -> float | None:
    return None if after_s is None else started_at_s + after_s


def _plain_features(setup: CycleSetup, plan: Plan, record: Record) -> Features:
    """What any record tells, complete or not."""
    return Features(
        trapped_pa=record.trapped_pa,
        noise_pa=record.noise_pa if record.trapped_pa is not None else None,
        period_s=record.period_s,
        expected_slope_pa_s=plan.filling_pa_s,
        air_pa_m3=air_used_pa_m3(setup, record),
        supply_seen=record.supply_seen,
        flow_seen=record.flow_seen,
        flow_at_rest=record.flow_at_rest,
        reads_failed=record.failed_reads,
        samples=len(record.times_s),
    )


def _findings(
    setup: CycleSetup, plan: Plan, case: Case | None, record: Record, learned: Learned
) -> tuple[Finding, ...]:
    """Verdicts on a cycle that ran to its end, those first that leave nothing else to be judged."""
    still = frozen(setup, plan, record, learned)
    if still is not None:
        return (still,)
    if case is None:
        return (
            Finding(
                code=Diagnosis.LINK_LOST,
                quality=Quality.BAD,
                sentence=f"only {len(record.times_s)} readings came in, too few to fit the moment of closing",
            ),
        )
    stuck = stuck_open(case)
    return (stuck,) if stuck is not None else findings_of(case)


def _case(setup: CycleSetup, learned: Learned, plan: Plan, record: Record, plain: Features) -> Case | None:
    """All the evidence; None when there are too few samples to fit the moment of closing."""
    closing = _closing(setup, learned, plan, record)
    if closing is None:
        return None
    closing, decay, restricted = _after_closing(setup, learned, plan, record, closing)
    weighed = weigh(setup, learned, closing)
    case = Case(
        setup=setup,
        learned=learned,
        plan=plan,
        record=record,
        features=_closing_features(setup, learned, record, plain, closing, weighed),
        closing=closing,
        weighed=weighed,
        movement=movement_of(record, plan, closing.damping_s),
        decay=decay,
        restricted=restricted,
    )
    if stuck_open(case) is not None:
        return dataclasses.replace(case, weighed=still_flowing(setup, learned, closing, weighed))
    return case


def _after_closing(
    setup: CycleSetup, learned: Learned, plan: Plan, record: Record, closing: Closing
) -> tuple[Closing, Decay | None, bool]:
    """Look at the curve after closing where it is no straight line; read the level from what it comes to rest on.

    Returns:
        The closing, the curve if there is one, and whether it is that of a narrowed tip.
    """
    friction_pa = learned.friction_ratio * bubbling_friction_pa(setup, max(0.0, closing.shut_in_pa))
    fast_pa = closing.plateau_pa - closing.shut_in_pa
    odd = closing.shut_scatter_pa > 2.0 * record.noise_pa + 5.0 or fast_pa > 2.0 * friction_pa + 100.0
    if not odd and closing.shut_slope_pa_s > -FALL_PA_S:
        return closing, None, False
    shut_s = record.shut_s or 0.0
    lag_s = min(closing.damping_s, learned.damping_s * math.exp(learned.log_damping_u))
    span_s = record.times_s[-1] - shut_s
    times, gauges = record.since(shut_s + min(2.5 * lag_s + 3.0 * plan.settling_s, 0.3 * span_s))
    decay = decay_of([t - shut_s for t in times], gauges, record.noise_pa)
    if decay is None:
        return closing, None, False
    last_pa = record.since(shut_s - 1.0, shut_s)[1]
    drop_pa = math.fsum(last_pa) / max(1, len(last_pa)) - decay.left_pa
    if setup.tee_at_valve and decay.time_s < 2.0 * plan.settling_s and drop_pa < 2.0 * friction_pa + 100.0:
        return closing, None, False  # nothing but the line's own friction
    restricted = (
        drop_pa > drop_limit_pa(setup, record, friction_pa)
        and 0.3 * drop_pa < decay.died_pa < 10.0 * drop_pa
        and min(decay.left_pa - 3.0 * decay.left_u_pa, decay.end_pa) > 0.1 * min(decay.died_pa, drop_pa)
        and decay.scatter_pa < restless_limit_pa(setup, record)
        and decay.slope_pa_s > min(-0.1 * decay.died_pa / decay.time_s, -0.25 * decay.left_pa / span_s)
        and decay.slope_pa_s - 3.0 * decay.slope_u_pa_s < LEVEL_RATE_PA_S
    )
    if not restricted:
        return closing, decay, False
    left_pa, left_u_pa, slope_pa_s, slope_u_pa_s = _at_rest(times, gauges, shut_s, decay, record.noise_pa)
    # a leak draws on the head only when nothing leaves at the tip any more, a falling level does from the beginning
    leaving_s = decay.time_s * math.log(max(1.0, decay.died_pa / (record.noise_pa + 5.0)))
    left_pa += 0.5 * slope_pa_s * leaving_s
    left_u_pa = math.hypot(left_u_pa, slope_pa_s * leaving_s / math.sqrt(12.0))
    held = dataclasses.replace(
        closing,
        plateau_pa=left_pa + decay.died_pa,
        shut_in_pa=left_pa,
        shut_in_var_pa2=left_u_pa**2,
        covariance_pa2=0.0,
        shut_slope_pa_s=slope_pa_s,
        shut_slope_u_pa_s=slope_u_pa_s,
        damping_s=learned.damping_s,
        log_damping_u=learned.log_damping_u,
        shut_in_by_damping_pa=0.0,
        shut_scatter_pa=decay.scatter_pa,
    )
    return held, decay, True


def _closing(setup: CycleSetup, learned: Learned, plan: Plan, record: Record) -> Closing | None:
    """Fit the moment of closing from what bubbled steadily and what followed."""
    shut_s = record.shut_s or 0.0
    opened_s = record.opened_s or 0.0
    steady_s = record.steady_from_s if record.steady_from_s is not None else max(opened_s, shut_s - 1.5)
    # The knee may lie inside the first part of the window that was found steady.
    hold_from_s = steady_s + 0.2 * (shut_s - steady_s)
    times, gauges = record.since(hold_from_s, shut_s + record.shut_in_s)
    noise_pa = max(record.noise_pa, _late_scatter_pa(times, gauges, shut_s))

    opening = _opening(setup, learned, plan, record)

    def fit(line: Line) -> Closing | None:
        return closing_of(
            [t - shut_s for t in times],
            gauges,
            line=line,
            noise_pa=noise_pa,
            damping_s=learned.damping_s,
            log_damping_u=learned.log_damping_u,
            memory_pa=longest_lag_pa(plan, 2.0 * learned.damping_s),
            freeze_pa=freeze_sd_pa(setup, learned),
            opening=opening,
        )

    line = Line(settling_s=plan.settling_s, seen=setup.tee_at_valve)
    first = fit(line)
    if first is None or line.settling_s <= 0 or -first.shut_slope_pa_s < FALL_PA_S:
        return first
    share = min(0.9, max(0.01, leak_share(setup, first, first.shut_slope_pa_s, first.shut_slope_u_pa_s)))
    line = dataclasses.replace(line, onset_s=line.settling_s * math.log(1.0 / share))
    return fit(line) or first


def _late_scatter_pa(times: list[float], gauges: list[float], shut_s: float) -> float:
    """Scatter of the second half of the shut-in: bubbles that a falling level lets out are noise to the fit."""
    late = [(t, p) for t, p in zip(times, gauges, strict=True) if t > 0.5 * (shut_s + times[-1])]
    if len(late) < 8:
        return 0.0
    return fit_line([t for t, _ in late], [p for _, p in late]).residual_sd


def _at_rest(
    times: list[float], gauges: list[float], shut_s: float, decay: Decay, noise_pa: float
) -> tuple[float, float, float, float]:
    """What a narrowed tip leaves: the line through the samples after everything has died, where there are enough.

    Returns:
        Pressure gone back to closing and its standard uncertainty, Pa; slope and its own, Pa/s.
    """
    rest = [
        (t - shut_s, p)
        for t, p in zip(times, gauges, strict=True)
        if decay.remains_pa * math.exp((times[-1] - t) / decay.time_s) < 0.5 * noise_pa + 1.0
    ]
    if len(rest) < 20:
        # the curve of a real restriction is no pure exponential: what has died is known to some per cent
        u_pa = math.hypot(decay.left_u_pa, decay.remains_pa, 0.03 * decay.died_pa)
        return decay.left_pa, u_pa, decay.slope_pa_s, decay.slope_u_pa_s
    line = fit_line([t for t, _ in rest], [p for _, p in rest])
    scatter_pa = max(noise_pa, line.residual_sd)
    back_s = math.fsum(t for t, _ in rest) / len(rest)
    slope_u = scatter_pa * math.sqrt(line.inverse[1][1])
    u_pa = math.hypot(scatter_pa * math.sqrt(line.inverse[0][0]), back_s * slope_u)
    return line.values[0] - line.values[1] * back_s, u_pa, line.values[1], slope_u


def _opening(setup: CycleSetup, learned: Learned, plan: Plan, record: Record) -> Opening | None:
    """Samples about the opening that end before the tip can have been reached."""
    opened_s, trapped_pa = record.opened_s, record.trapped_pa
    if opened_s is None or trapped_pa is None or record.shut_s is None:
        return None
    end_pa = record.since(opened_s, record.shut_s)[1][-1:] or [trapped_pa]
    filled_s = 0.8 * first_bubble_after_s(setup, trapped_pa, max(0.0, end_pa[0]))
    if not setup.tee_at_valve and filled_s < 0.4:
        return None
    window_s = min(2.5, max(filled_s, 0.4), record.shut_s - opened_s)
    times, gauges = record.since(opened_s - 0.5, opened_s + window_s)
    opening = Opening(
        times_s=[t - opened_s for t in times],
        gauge_pa=gauges,
        noise_pa=record.noise_pa,
        settling_s=plan.settling_s,
        flattening_s=fill_flattening_s(setup, trapped_pa, max(0.0, end_pa[0])),
        sees_friction=setup.tee_at_valve and setup.line_length_m > 0,
    )
    return opening if opening.telling else None


def _closing_features(
    setup: CycleSetup, learned: Learned, record: Record, plain: Features, closing: Closing, weighed: Weighed
) -> Features:
    trapped = record.trapped_pa if record.trapped_pa is not None else 0.0
    rise = closing.plateau_pa - trapped
    fill_s = _fill_s(record, closing, weighed.friction_pa)
    climb = rise - weighed.friction_pa
    return dataclasses.replace(
        plain,
        fill_s=fill_s,
        fill_slope_pa_s=climb / fill_s if fill_s and fill_s > 0.2 else None,
        rise_shape=_rise_shape(record, trapped + max(0.0, weighed.friction_pa), closing, fill_s),
        plateau_pa=closing.plateau_pa,
        plateau_u_pa=math.sqrt(closing.plateau_var_pa2),
        plateau_scatter_pa=closing.hold_scatter_pa,
        hold_slope_pa_s=closing.hold_slope_pa_s,
        hold_slope_u_pa_s=closing.hold_slope_u_pa_s,
        shut_in_pa=closing.shut_in_pa,
        shut_in_u_pa=math.sqrt(closing.shut_in_var_pa2),
        shut_in_slope_pa_s=closing.shut_slope_pa_s,
        shut_in_slope_u_pa_s=closing.shut_slope_u_pa_s,
        friction_pa=closing.plateau_pa - closing.shut_in_pa,
        expected_friction_pa=weighed.friction_pa,
        freeze_pa=weighed.freeze_u_pa if weighed.freeze_u_pa > 0 else None,
        damping_s=closing.damping_s,
        autocorrelation=closing.autocorrelation,
        rise_seen=rise > max(3.0, 3.0 * record.noise_pa / math.sqrt(5.0)),
        least_air_pa_m3=least_air_pa_m3(setup, trapped, weighed.gauge_pa),
    )


def _fill_s(record: Record, closing: Closing, friction_pa: float) -> float | None:
    """Valve open to first bubble, the transmitter's lag taken off; 0 when the tube was full at once."""
    if record.opened_s is None or record.shut_s is None or record.trapped_pa is None:
        return None
    near = max(3.0 * record.noise_pa, 0.01 * abs(closing.plateau_pa - record.trapped_pa), 5.0)
    if closing.plateau_pa - record.trapped_pa - max(0.0, friction_pa) < 2.0 * near:
        return 0.0
    times, gauges = record.since(record.opened_s, record.shut_s)
    near = max(near, closing.plateau_pa - max(gauges[-3:], default=record.trapped_pa))
    reached = next((t for t, p in zip(times, gauges, strict=True) if p >= closing.plateau_pa - near), record.shut_s)
    # behind the damping a climb of slope s that ends comes within `near` of its end tau ln(s tau / near) too late
    tau_s = closing.damping_s
    slope = (closing.plateau_pa - record.trapped_pa) / max(0.1, reached - record.opened_s)
    lag_s = tau_s * max(1.0, math.log(max(1.0, slope * tau_s / near)))
    return max(0.0, reached - record.opened_s - lag_s)


def _rise_shape(record: Record, from_pa: float, closing: Closing, fill_s: float | None) -> float | None:
    """Straight or dying away? None when the fill is too short behind the damping to tell."""
    if record.opened_s is None or record.shut_s is None or not fill_s or fill_s < max(3.0, 6.0 * closing.damping_s):
        return None
    rise = closing.plateau_pa - from_pa
    if rise < 40.0 * record.noise_pa:
        return None
    times, gauges = record.since(record.opened_s, record.shut_s)
    passed = [
        next((t for t, p in zip(times, gauges, strict=True) if p >= from_pa + share * rise), None)
        for share in (0.1, 0.5, 0.9)
    ]
    tenth, half, most = passed
    if tenth is None or half is None or most is None or half - tenth <= 0:
        return None
    return (most - half) / (half - tenth)


def _taught(case: Case, findings: tuple[Finding, ...]) -> Learned:
    """What stays for the next cycle: nothing is learned of friction from a tube that a verdict doubts."""
    codes = {f.code for f in findings}
    clean = codes <= {Diagnosis.OK, Diagnosis.LINE_LEAK}
    record, before, closing = case.record, case.learned, case.closing
    end_s = record.times_s[-1]
    end_pa = closing.shut_in_pa + closing.shut_slope_pa_s * (end_s - (record.shut_s or end_s))
    proven = tip_proven(case) and not codes & _NOTHING_PROVEN
    lost = lost_pa_s(case) if proven else None
    balance = balance_of(case)
    look = record.gauge_pa[: record.look_count]
    return dataclasses.replace(
        case.weighed.learned if clean else before,
        proven_gauge_pa=case.weighed.gauge_pa if proven else before.proven_gauge_pa,
        owed_pa=0.0 if proven else balance.owed_pa,
        expected_pa=0.0 if proven else balance.expected_pa,
        brought_pa=0.0 if proven else balance.brought_pa,
        brought_var_pa2=0.0 if proven else balance.brought_var_pa2,
        lost_pa_s=before.lost_pa_s if lost is None else lost,
        noise_pa=_usual_noise_pa(record, before) if clean and case.look_in_span else before.noise_pa,
        stirs=before.stirs or len(set(look)) > 1,
        stuck_open=Diagnosis.VALVE_STUCK_OPEN in codes,
        leak_pa_s=min(-closing.shut_slope_pa_s, -case.late_slope_pa_s),
        leak_u_pa_s=closing.shut_slope_u_pa_s,
        shut_gauge_pa=end_pa,
        shut_at_s=record.started_at_s + end_s,
    )


_NOTHING_PROVEN = {
    Diagnosis.NO_AIR,
    Diagnosis.SUPPLY_LOW,
    Diagnosis.TRANSMITTER_FROZEN,
    Diagnosis.UNSTEADY,
}
"""Verdicts after which the pressure is not taken for one that air was proven at."""


def _usual_noise_pa(record: Record, before: Learned) -> float:
    """The transmitter's noise at rest as it usually is: a slow mean of its logarithm."""
    if before.noise_pa is None:
        return record.noise_pa
    return before.noise_pa * (record.noise_pa / before.noise_pa) ** 0.2


def _loop_ma(setup: CycleSetup, gauge_pa: float) -> float:
    return 4.0 + 16.0 * (gauge_pa - setup.span_low_pa) / (setup.span_high_pa - setup.span_low_pa)


def _broken_off(setup: CycleSetup, plan: Plan, record: Record, ending: Ending, detail: str) -> Finding:
    """The verdict on a cycle that did not reach its reading."""
    said = f": {detail}" if detail else ""
    last = f"{record.gauge_pa[-1]:.0f} Pa" if record.gauge_pa else "nothing"
    table = {
        Ending.SILENT: (
            Diagnosis.LINK_LOST,
            f"the transmitter gave no answer {record.failed_in_a_row} times on end, the last reading was {last}{said}",
        ),
        Ending.INVALID: (
            Diagnosis.TRANSMITTER_FAULT,
            f"{record.invalid_in_a_row} values on end were no number or off the span "
            f"({plan.invalid_low_pa:.0f} to {plan.invalid_high_pa:.0f} Pa); the last good one was {last}",
        ),
        Ending.FAILED: (
            Diagnosis.TRANSMITTER_FAULT,
            f"the transmitter says that it has failed, with {_loop_ma(setup, record.failure_pa or 0.0):.2f} mA "
            f"(3.6 or less and 21.0 or more mean that, NAMUR NE 43); the last good value was {last}",
        ),
        Ending.OVER_RANGE: (
            Diagnosis.OVER_RANGE,
            f"the transmitter's limit of {plan.over_range_pa:.0f} Pa was reached with the valve open; shut at once",
        ),
        Ending.BEYOND_BRIM: (
            Diagnosis.TUBE_PLUGGED,
            f"the pressure reached {last}, a brim-full tank with friction gives {plan.brim_pa:.0f} Pa at most: "
            "the air can't leave at the tip",
        ),
        Ending.NOT_OPENED: (Diagnosis.LINK_LOST, f"the valve was told to open and did not confirm it{said}"),
        Ending.NOT_SHUT: (Diagnosis.LINK_LOST, f"the valve was told to shut and did not confirm it{said}"),
        Ending.VALVE_SILENT: (Diagnosis.LINK_LOST, f"the valve did not answer as it must{said}"),
        Ending.ABORTED: (Diagnosis.ABORTED, f"ended before its reading{said}"),
    }
    code, sentence = table[ending]
    return Finding(code=code, quality=Quality.BAD, sentence=sentence)
