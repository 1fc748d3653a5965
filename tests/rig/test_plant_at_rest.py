"""The simulated tube between purges: what trapped air does when the level moves; and that only the seed is chance."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from scipy.optimize import brentq

from tests.rig.plants import (
    AREA,
    ATMOSPHERE,
    HEAD_M,
    LEVEL_M,
    LINE_M3,
    TUBE_M3,
    WEIGHT,
    column_pa,
    full,
    opened,
    plant_of,
)

# -- the tube between purges -----------------------------------------------------------------------------------------


def moving(rate_m_s: float, from_s: float = 100.0) -> Callable[[float], float]:
    return lambda t_s: LEVEL_M + rate_m_s * max(0.0, t_s - from_s)


def test_a_falling_level_is_followed_exactly() -> None:
    """Air leaves at the tip, and the tube holds the new head."""
    plant = full(plant_of(level_m=moving(-2e-3)))
    plant.advance(200.0)
    assert plant.level_m == pytest.approx(LEVEL_M - 0.2)
    assert plant.gauge_pa() == pytest.approx(column_pa(HEAD_M - 0.2), abs=1.0)


def test_a_rising_level_squeezes_the_trapped_air() -> None:
    """d(rho g h) / dp = 1 + rho g V / (A p_abs): of 20 mm the tube shows about 60 %, by Boyle's law."""
    plant = full(plant_of(level_m=moving(2e-4)))
    before = plant.gauge_pa()
    plant.advance(200.0)
    factor = 1.0 + WEIGHT * (TUBE_M3 + LINE_M3) / (AREA * (ATMOSPHERE + WEIGHT * HEAD_M))
    assert plant.gauge_pa() - before == pytest.approx(WEIGHT * 0.02 / factor, rel=0.03)
    assert plant.rise_m == pytest.approx(0.02 * (1.0 - 1.0 / factor), rel=0.03)


def test_a_tube_under_a_level_above_its_upper_end_is_no_deeper_than_it_is() -> None:
    plant = plant_of(level_m=lambda _t_s: 6.0)
    assert plant.rise_m == 4.5
    plant.faults.extra_leak_pa_m3_s_pa = 1e-4
    plant.advance(1000.0)
    assert plant.rise_m == 4.5
    assert plant.gauge_pa() == pytest.approx(WEIGHT * (5.9 - 4.5), rel=0.02)


def test_a_tank_that_runs_dry_leaves_nothing_in_the_tube() -> None:
    plant = full(plant_of(level_m=lambda t_s: LEVEL_M if t_s < 100.0 else 0.0))
    plant.advance(200.0)
    assert (plant.rise_m, plant.head_pa) == (0.0, 0.0)
    assert plant.gauge_pa() == pytest.approx(0.0, abs=1.0)


def test_line_air_that_cools_draws_liquid_into_the_tube_and_warming_lets_it_out() -> None:
    """Ideal gas: the same amount of air in tube and line, the line's at another temperature, over the same head."""
    mean_k, swing_k, day_s = 293.15, 15.0, 86400.0
    plant = full(plant_of(line_swing_k=swing_k, noise_pa=0.0))
    plant.advance(0.25 * day_s)  # warmest: what was too much has left at the tip
    assert plant.rise_m == pytest.approx(0.0, abs=1e-3)
    assert plant.gauge_pa() == pytest.approx(column_pa(HEAD_M), abs=3.0)
    plant.advance(0.75 * day_s)  # coldest
    head_pa = WEIGHT * HEAD_M
    amount = (ATMOSPHERE + head_pa) * (TUBE_M3 / mean_k + LINE_M3 / (mean_k + 0.5 * swing_k))

    def surplus(rise_m: float) -> float:
        abs_pa = ATMOSPHERE + head_pa - WEIGHT * rise_m
        return abs_pa * ((TUBE_M3 - AREA * rise_m) / mean_k + LINE_M3 / (mean_k - 0.5 * swing_k)) - amount

    assert plant.rise_m == pytest.approx(brentq(surplus, 0.0, 1.0), rel=0.03)
    assert plant.rise_m > 0.01


def test_a_leak_lets_air_in_when_the_level_falls_below_what_stands_in_the_tube() -> None:
    """A tight tube holds the liquid up at less than the atmosphere's pressure; through a hole air comes in instead."""
    ends = []
    for leak in (0.0, 2e-5):
        plant = plant_of(level_m=lambda t_s: LEVEL_M - min(1.5, 0.005 * t_s), span_low_pa=-1e5)
        plant.faults.extra_leak_pa_m3_s_pa = leak
        plant.advance(300.0)
        assert plant.rise_m > plant.level_m - 0.1, "the liquid stands higher inside than outside"
        plant.advance(4000.0)
        ends.append(plant.gauge_pa())
    assert ends[0] < -4_000.0
    assert ends[1] == pytest.approx(0.0, abs=20.0)


# -- time and chance -------------------------------------------------------------------------------------------------


def run_through(seed: int, split: int) -> list[float]:
    """A purge with everything on, in one stride or in many."""
    plant = plant_of(seed=seed, ripple_pa=80.0, noise_pa=5.0, damping_s=0.2, tee_at_valve=True)
    shown = []
    for command, seconds in ((False, 3.0), (True, 15.0), (False, 60.0)):
        plant.command(command)
        start = plant.now_s
        for k in range(split):
            plant.advance(start + seconds * (k + 1) / split)
        shown.append(plant.gauge_pa())
    return shown


def test_the_same_seed_is_the_same_plant_and_another_is_another() -> None:
    assert run_through(7, 30) == run_through(7, 30)
    assert run_through(7, 30) != run_through(8, 30)


def test_how_time_is_cut_into_strides_does_not_matter() -> None:
    coarse, fine = (plant_of(line_length_m=5.0, leak_pa_m3_s_pa=1e-6) for _ in range(2))
    for command, seconds in ((True, 15.0), (False, 500.0)):
        for plant, strides in ((coarse, 1), (fine, 5000)):
            plant.command(command)
            start = plant.now_s
            for k in range(strides):
                plant.advance(start + seconds * (k + 1) / strides)
    assert coarse.now_s == pytest.approx(fine.now_s)
    assert coarse.gauge_pa() == pytest.approx(fine.gauge_pa(), rel=1e-3)
    assert coarse.air_in_pa_m3 == pytest.approx(fine.air_in_pa_m3, rel=1e-9)


def test_time_does_not_run_back() -> None:
    plant = opened(plant_of(), 5.0)
    air = plant.air_in_pa_m3
    plant.advance(1.0)
    assert plant.now_s == pytest.approx(5.0)
    assert plant.air_in_pa_m3 == air
