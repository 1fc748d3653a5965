"""What the corner at opening tells of the damping, on fills that were integrated step by step."""

from __future__ import annotations

import math

import numpy as np
import pytest

from lungfish.core.fit import golden_minimum
from lungfish.core.opening import Opening

NOISE_PA = 2.0
FLOW, WEIGHT, ATMOSPHERE = 2.5, 9789.0, 101_325.0
AREA, VOLUME, HEAD_PA = math.pi / 4 * 0.01**2, 6.4e-4, 18_600.0


def fill(tau: float, *, settling_s: float, friction_pa: float, late_s: float = 0.0) -> Opening:
    """A flooded tube being filled: air and liquid by Euler's steps, the line's first mode, the lag of a transmitter."""
    step = 0.0005
    stored, friction, shown = ATMOSPHERE * (VOLUME - AREA * HEAD_PA / WEIGHT), 0.0, 0.0
    times, gauge = [], []
    next_s = -0.5
    for n in range(round(3.0 / step)):
        t = n * step - 0.5
        # flow into the tube lags behind the flow into the line while the line packs to its friction
        wanted = friction_pa if t > late_s else 0.0
        before = friction
        if settling_s > 0:
            friction += step / settling_s * (wanted - friction)
        else:
            friction = wanted
        inflow = FLOW if t > late_s else 0.0
        line_m3 = math.pi**2 / 8 * settling_s * FLOW / max(friction_pa, 1e-9) if friction_pa else 0.0
        stored += step * inflow - (friction - before) * line_m3
        low, high = 0.0, HEAD_PA / WEIGHT  # height of the liquid inside, by bisection of Boyle's law
        for _ in range(40):
            rise = (low + high) / 2
            if (ATMOSPHERE + HEAD_PA - WEIGHT * rise) * (VOLUME - AREA * rise) < stored:
                high = rise
            else:
                low = rise
        pressure = HEAD_PA - WEIGHT * low + friction
        shown += step / tau * (pressure - shown)
        if t >= next_s:
            times.append(t)
            gauge.append(shown)
            next_s += 0.05
    random = np.random.default_rng(4)
    noisy = [p + float(e) for p, e in zip(gauge, random.normal(scale=NOISE_PA, size=len(gauge)), strict=True)]
    slope = FLOW / (VOLUME - AREA * HEAD_PA / WEIGHT + ATMOSPHERE * AREA / WEIGHT)
    return Opening(
        times_s=times,
        gauge_pa=noisy,
        noise_pa=NOISE_PA,
        settling_s=settling_s,
        packing_s=math.pi**2 / 8 * settling_s,
        flattening_s=slope * AREA / WEIGHT / (FLOW / slope),
        sees_friction=friction_pa > 0,
    )


def best_damping(opening: Opening) -> float:
    return math.exp(golden_minimum(lambda x: opening.misfit(math.exp(x)), math.log(0.02), math.log(5.0), 1e-3))


@pytest.mark.parametrize("tau", [0.1, 0.25, 1.0])
@pytest.mark.parametrize(("settling", "friction"), [(0.0, 0.0), (0.0, 1000.0), (0.1, 1000.0)])
def test_the_corner_tells_the_damping(tau: float, settling: float, friction: float) -> None:
    opening = fill(tau, settling_s=settling, friction_pa=friction)
    assert opening.telling
    assert best_damping(opening) == pytest.approx(tau, rel=0.15)
    at_truth = opening.misfit(tau)
    assert at_truth + 20.0 < opening.misfit(tau / 2.0)
    assert at_truth + 20.0 < opening.misfit(tau * 2.0)


def test_where_friction_is_slope_times_damping_there_is_no_corner_and_none_is_claimed() -> None:
    """F (1 - e) + a (u - tau (1 - e)) is a straight line for F = a tau: about 600 Pa at 0.3 s in this tube."""
    opening = fill(0.3, settling_s=0.0, friction_pa=600.0)
    best = opening.misfit(best_damping(opening))
    assert opening.misfit(0.3) - best < 9.0, "the truth must not be ruled out"
    assert opening.misfit(0.15) - best < 9.0
    assert opening.misfit(0.6) - best < 9.0


def test_a_tube_that_is_full_already_turns_no_corner() -> None:
    times = [0.05 * k - 0.5 for k in range(40)]
    flat = [18_600.0 + (1.0 if k % 2 else -1.0) for k in range(40)]
    opening = Opening(
        times_s=times,
        gauge_pa=flat,
        noise_pa=NOISE_PA,
        settling_s=0.1,
        packing_s=0.12,
        flattening_s=0.01,
        sees_friction=True,
    )
    assert not opening.telling


def test_a_few_samples_are_no_corner() -> None:
    opening = fill(0.3, settling_s=0.0, friction_pa=0.0)
    cut = [k for k, t in enumerate(opening.times_s) if t < 0.3]
    short = Opening(
        times_s=[opening.times_s[k] for k in cut],
        gauge_pa=[opening.gauge_pa[k] + (1e4 if opening.times_s[k] > 0 else 0.0) for k in cut],
        noise_pa=NOISE_PA,
        settling_s=0.0,
        packing_s=0.0,
        flattening_s=0.0,
        sees_friction=False,
    )
    assert not short.telling


def test_nothing_after_opening_says_nothing_about_any_damping() -> None:
    opening = Opening(
        times_s=[-0.2, -0.15, -0.1, -0.05],
        gauge_pa=[1.0, 2.0, 1.0, 2.0],
        noise_pa=NOISE_PA,
        settling_s=0.0,
        packing_s=0.0,
        flattening_s=0.0,
        sees_friction=True,
    )
    assert opening.misfit(0.1) == opening.misfit(2.0) == 0.0
