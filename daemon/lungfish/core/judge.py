"""The end of a cycle: from its record to the reading."""

from __future__ import annotations

import dataclasses
import math
from enum import Enum

from lungfish.core.air import air_used_pa_m3, least_air_pa_m3
from lungfish.core.balance import balance_of, lost_pa_s, unproven_m
from lungfish.core.break_through import peak_pa
from lungfish.core.budget import Budget, Measured
from lungfish.core.case import Case, longest_damping_s
from lungfish.core.closing import Closing
from lungfish.core.codes import Diagnosis, Finding, Quality
from lungfish.core.evidence import rose_in_time, tip_proven
from lungfish.core.friction_shown import closing_weak, flowing_on_m, pooled_closing
from lungfish.core.level import Weighed, level_of, still_flowing, weigh
from lungfish.core.plan import LEVEL_RATE_PA_S, Plan
from lungfish.core.proof import movement_of
from lungfish.core.reading import Features, Reading
from lungfish.core.record import Record
from lungfish.core.resolution import in_steps, step_u_pa
from lungfish.core.setup import CycleSetup, Learned
from lungfish.core.shut_in import shut_in_of
from lungfish.core.slow import slow, slowed, slowed_s
from lungfish.core.stuck import coarse, frozen, stuck_open
from lungfish.core.verdict import findings_of

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
    taught = learned
    record, learned = in_steps(record, learned)
    features = _plain_features(setup, plan, record)
    level: Measured | None = None
    head: Measured | None = None
    budget: Budget | None = None
    if ending is Ending.COMPLETE:
        slow_s, quick = slowed_s(setup, learned, plan, record), learned
        if slow_s is not None:
            learned = slowed(learned, slow_s)
        case = _case(setup, learned, plan, record, features)
        findings = _findings(setup, plan, case, record, learned)
        if slow_s is not None:
            findings = (slow(quick, slow_s), *(f for f in findings if f.code not in _BY_SLOWNESS))
        if case is not None:
            features = case.features
            if all(f.quality is not Quality.BAD for f in findings):
                doubt_m = 0.0 if tip_proven(case) else unproven_m(case)
                if all(f.code is Diagnosis.OK for f in findings) and doubt_m is not None:
                    doubt_m = max(doubt_m, flowing_on_m(case))
                level, head, budget = level_of(
                    setup,
                    case.weighed,
                    unproven_m=setup.full_head_m if doubt_m is None else doubt_m,
                    held_back_pa=peak_pa(case),
                )
                if any(f.code is Diagnosis.TIP_UNCOVERED for f in findings):
                    level, head = dataclasses.replace(level, value=setup.tip_m), dataclasses.replace(head, value=0.0)
            taught = _taught(case, findings)
            # one cycle does not teach another damping: a port that is cleaned is quick again
            taught = taught if slow_s is None else _as_quick(taught, quick)
        if any(f.code is Diagnosis.TRANSMITTER_FROZEN for f in findings):
            taught = dataclasses.replace(taught, shut_gauge_pa=None, shut_at_s=None)  # no shut-in was seen
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


_BY_SLOWNESS = {Diagnosis.OK, Diagnosis.UNSTEADY}
"""Verdicts that say no more than that a transmitter has become slow."""


def _as_quick(taught: Learned, quick: Learned) -> Learned:
    return dataclasses.replace(taught, damping_s=quick.damping_s, log_damping_u=quick.log_damping_u)


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
    stuck, steps = stuck_open(case), coarse(setup, record)
    found = (stuck,) if stuck is not None else findings_of(case)
    return found if steps is None else (steps, *(f for f in found if f.code is not Diagnosis.OK))


def _case(setup: CycleSetup, learned: Learned, plan: Plan, record: Record, plain: Features) -> Case | None:
    """All the evidence; None when there are too few samples to fit the moment of closing."""
    told = shut_in_of(setup, learned, plan, record)
    if told is None:
        return None
    closing, decay, restricted = told
    weighed = weigh(setup, learned, closing, step_u_pa(record.resolution_pa))
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


def _closing_features(
    setup: CycleSetup, learned: Learned, record: Record, plain: Features, closing: Closing, weighed: Weighed
) -> Features:
    trapped = record.trapped_pa if record.trapped_pa is not None else 0.0
    fill_s = _fill_s(record, learned, closing, weighed.friction_pa)
    climb = closing.plateau_pa - trapped - weighed.friction_pa
    return dataclasses.replace(
        plain,
        fill_s=fill_s,
        fill_slope_pa_s=climb / fill_s if fill_s and fill_s > 0.2 else None,
        rise_shape=_rise_shape(record, trapped + max(0.0, weighed.friction_pa), closing, longest_damping_s(learned)),
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
        least_air_pa_m3=least_air_pa_m3(setup, trapped, weighed.gauge_pa),
    )


def _fill_s(record: Record, learned: Learned, closing: Closing, friction_pa: float) -> float | None:
    """Valve open to first bubble, the transmitter's lag taken off; 0 when the tube was full at once.

    From the area between the plateau and the samples: a lag `tau` adds `tau` times the rise to it, whatever the rise
    looks like, and a straight climb of `T` seconds has `T / 2` times its height. No single sample decides.
    """
    if record.opened_s is None or record.shut_s is None or record.trapped_pa is None:
        return None
    near = max(3.0 * record.noise_pa, 0.01 * abs(closing.plateau_pa - record.trapped_pa), 5.0)
    rise_pa = closing.plateau_pa - record.trapped_pa
    climb_pa = rise_pa - max(0.0, friction_pa)
    open_s = record.shut_s - record.opened_s
    if climb_pa - min(max(0.0, closing.hold_slope_pa_s), LEVEL_RATE_PA_S) * open_s < 2.0 * near:
        return 0.0  # no more than a rising level
    times, gauges = record.since(record.opened_s, record.shut_s)
    times, gauges = [record.opened_s, *times, record.shut_s], [record.trapped_pa, *gauges, closing.plateau_pa]
    area_pa_s = math.fsum(
        (later - t) * (closing.plateau_pa - 0.5 * (p + after))
        for t, later, p, after in zip(times, times[1:], gauges, gauges[1:], strict=False)
    )
    tau_s = min(closing.damping_s, longest_damping_s(learned))
    filled_s = 2.0 * (area_pa_s - tau_s * rise_pa) / climb_pa
    return min(max(0.0, filled_s), open_s)


_SHAPED_S = 3.0
"""A rise that is over sooner can't be told to be straight or bent."""


def _rise_shape(record: Record, from_pa: float, closing: Closing, lag_s: float) -> float | None:
    """Straight or dying away? None when the rise is too short behind the damping to tell."""
    if record.opened_s is None or record.shut_s is None:
        return None
    rise = closing.plateau_pa - from_pa
    if rise < 40.0 * record.noise_pa:
        return None
    times, gauges = record.since(record.opened_s, record.shut_s)
    passed = [
        next((t for t, p in zip(times, gauges, strict=True) if p >= from_pa + share * rise), None)
        for share in (0.1, 0.5, 0.9, 0.98)
    ]
    tenth, half, most, end = passed
    if tenth is None or half is None or most is None or half - tenth <= 0:
        return None
    lag_s = max(lag_s, closing.damping_s)
    if (end or record.shut_s) - record.opened_s < max(_SHAPED_S, 6.0 * lag_s) or most - tenth < 4.0 * lag_s:
        return None
    return (most - half) / (half - tenth)


def _taught(case: Case, findings: tuple[Finding, ...]) -> Learned:
    """What stays for the next cycle: nothing is learned of friction from a tube that a verdict doubts."""
    codes = {f.code for f in findings}
    clean = codes <= {Diagnosis.OK, Diagnosis.LINE_LEAK}
    record, before, closing = case.record, case.learned, case.closing
    end_s = record.times_s[-1]
    end_pa = closing.shut_in_pa + closing.shut_slope_pa_s * (end_s - (record.shut_s or end_s))
    lost_on_the_way = any(f.code is Diagnosis.LINE_LEAK and f.quality is Quality.BAD for f in findings)
    proven = tip_proven(case) and not codes & _NOTHING_PROVEN and not lost_on_the_way
    lost = lost_pa_s(case) if proven else None
    balance = balance_of(case)
    look = record.gauge_pa[: record.look_count]
    closed_pa, closed_weight = (0.0, 0.0) if proven else pooled_closing(case)
    return dataclasses.replace(
        case.weighed.learned if clean and proven and flowing_on_m(case) == 0.0 else before,
        proven_gauge_pa=case.weighed.gauge_pa if proven else before.proven_gauge_pa,
        owed_pa=0.0 if proven else balance.still_owed_pa,
        expected_pa=0.0 if proven else balance.still_expected_pa,
        brought_var_pa2=0.0 if proven else balance.brought_var_pa2,
        came=before.came or proven or rose_in_time(case),
        closed_pa=closed_pa,
        closed_weight=closed_weight,
        lost_pa_s=before.lost_pa_s if lost is None else lost,
        noise_pa=_usual_noise_pa(record, before) if clean and case.look_in_span else before.noise_pa,
        stirs=before.stirs or len(set(look)) > 1,
        stuck_open=Diagnosis.VALVE_STUCK_OPEN in codes,
        weak_closing=not codes & {Diagnosis.NO_AIR, Diagnosis.SUPPLY_LOW} and tip_proven(case) and closing_weak(case),
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
    return before.noise_pa * math.pow(record.noise_pa / before.noise_pa, 0.2)


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
