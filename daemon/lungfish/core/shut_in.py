"""What the shut-in tells: plateau and shut-in of the moment of closing, and whether what followed is a narrowed tip."""

from __future__ import annotations

import dataclasses
import math

from lungfish.core.air import first_bubble_after_s
from lungfish.core.case import drop_limit_pa, longest_damping_s, restless_limit_pa
from lungfish.core.closing import Closing, Line, closing_of
from lungfish.core.decay import Decay, decay_of
from lungfish.core.evidence import leak_share
from lungfish.core.expect import bubbling_friction_pa, fill_flattening_s, packing_s
from lungfish.core.fit import fit_line
from lungfish.core.level import freeze_sd_pa
from lungfish.core.narrowed import rested
from lungfish.core.opening import Opening
from lungfish.core.plan import FALL_PA_S, LEVEL_RATE_PA_S, Plan, longest_lag_pa
from lungfish.core.record import Record
from lungfish.core.setup import CycleSetup, Learned

__all__ = ["shut_in_of"]


def shut_in_of(
    setup: CycleSetup, learned: Learned, plan: Plan, record: Record
) -> tuple[Closing, Decay | None, bool] | None:
    """Fit the moment of closing and look at the curve after it.

    Args:
        setup: the tank.
        learned: what was known before this cycle.
        plan: its limits.
        record: what was gathered.

    Returns:
        The closing; the curve after it where it is no straight line; whether that is the curve of a narrowed tip, from
        whose end the shut-in was then read. None when there are too few samples.
    """
    closing = _closing(setup, learned, plan, record)
    return None if closing is None else _after_closing(setup, learned, plan, record, closing)


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
    lag_s = min(closing.damping_s, longest_damping_s(learned))
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
        and decay.scatter_pa < restless_limit_pa(setup, record, friction_pa)
        and decay.slope_pa_s > min(-0.1 * decay.died_pa / decay.time_s, -0.25 * decay.left_pa / span_s)
        and decay.slope_pa_s - 3.0 * decay.slope_u_pa_s < LEVEL_RATE_PA_S
    )
    if not restricted:
        rest = rested([t - shut_s for t in times], gauges, record.noise_pa, drop_limit_pa(setup, record, friction_pa))
        if rest is None:
            return closing, decay, False
        decay = rest
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
    settling_s, lag_s = packing_s(setup, trapped_pa, max(0.0, end_pa[0]))
    opening = Opening(
        times_s=[t - opened_s for t in times],
        gauge_pa=gauges,
        noise_pa=record.noise_pa,
        settling_s=settling_s,
        packing_s=lag_s,
        flattening_s=fill_flattening_s(setup, trapped_pa, max(0.0, end_pa[0])),
        sees_friction=setup.tee_at_valve and setup.line_length_m > 0,
    )
    return opening if opening.telling else None
