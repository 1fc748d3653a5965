"""A fall after closing that comes to rest on the head, against one that goes on towards nothing.

Lost if it broke: a pinhole at the tip would be told as a leak and its reading lost, or a leak's tail read as a level.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from lungfish.core.narrowed import rested

HEAD_PA = 18_566.0
TIMES_S = [0.05 * n for n in range(10, 270)]


def shown(true_pa: Callable[[float], float], noise_pa: float = 2.0) -> list[float]:
    rng = random.Random(3)
    return [true_pa(t) + rng.gauss(0.0, noise_pa) for t in TIMES_S]


def pinhole(t: float) -> float:
    """Throughput as the root of the pressure difference: its root falls in a straight line (Torricelli)."""
    return HEAD_PA + 14_000.0 * max(0.0, 1.0 - t / 7.5) ** 2


def test_a_pinhole_comes_to_rest_on_the_head() -> None:
    found = rested(TIMES_S, shown(pinhole), 2.0, 1_000.0)
    assert found is not None
    assert found.left_pa == pytest.approx(HEAD_PA, abs=3.0)
    assert found.end_pa == pytest.approx(HEAD_PA, abs=3.0)
    assert found.died_pa == pytest.approx(pinhole(TIMES_S[0]) - HEAD_PA, abs=20.0)
    assert abs(found.slope_pa_s) < 1.0


@pytest.mark.parametrize("time_s", [1.0, 3.0, 6.0, 30.0])
@pytest.mark.parametrize("rest_pa", [0.0, 50.0])
def test_a_leak_s_tail_is_no_rest(time_s: float, rest_pa: float) -> None:
    """It ends at nothing; and before it is there, it still falls."""
    assert rested(TIMES_S, shown(lambda t: rest_pa + 6_000.0 * math.exp(-t / time_s)), 2.0, 1_000.0) is None


def test_a_fall_that_goes_on_is_no_rest() -> None:
    assert rested(TIMES_S, shown(lambda t: pinhole(t) - 60.0 * t), 2.0, 1_000.0) is None


def test_a_rest_too_short_to_be_seen_is_none() -> None:
    short = [t for t in TIMES_S if t < 8.0]
    assert rested(short, shown(pinhole)[: len(short)], 2.0, 1_000.0) is None
    assert rested([], [], 2.0, 1_000.0) is None


def test_friction_alone_is_no_narrowed_tip() -> None:
    assert rested(TIMES_S, shown(lambda t: HEAD_PA + 900.0 * math.exp(-t / 0.3)), 2.0, 1_000.0) is None
