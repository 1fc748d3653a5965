"""Weighing plateau against shut-in, and what a cycle teaches the next one."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from lungfish.core.closing import Closing
from lungfish.core.expect import bubbling_friction_pa
from lungfish.core.level import DISAGREEMENT_SIGMAS, Weighed, freeze_sd_pa, head_m, level_of, weigh
from lungfish.core.setup import Learned
from lungfish.rig.drive import run_plant_cycle
from tests.core.samples import SUMP, plant_of, setup_of

FRICTION_PA = bubbling_friction_pa(SUMP, 19_000.0)
WEIGHT = SUMP.density_kg_m3 * SUMP.gravity_m_s2

CLOSING = Closing(
    plateau_pa=19_000.0 + FRICTION_PA,
    shut_in_pa=19_000.0,
    plateau_var_pa2=9.0,
    shut_in_var_pa2=4.0,
    covariance_pa2=1.0,
    hold_slope_pa_s=0.0,
    hold_slope_u_pa_s=3.0,
    shut_slope_pa_s=0.0,
    shut_slope_u_pa_s=1.0,
    damping_s=0.2,
    log_damping_u=0.02,
    plateau_by_damping_pa=10.0,
    shut_in_by_damping_pa=-60.0,
    hold_scatter_pa=5.0,
    hold_jitter_pa=5.0,
    shut_scatter_pa=2.0,
    shut_jitter_pa=2.0,
    autocorrelation=0.1,
    fall_delay_u_s=0.1,
)


def settled(ratio: float = 1.0, ratio_u: float = 0.01, freeze_pa: float = 20.0) -> Learned:
    """What a tube that has been read for long has taught."""
    return Learned(
        cycles=50, friction_ratio=ratio, friction_ratio_u=ratio_u, freeze_var_pa2=freeze_pa**2, freeze_dof=30.0
    )


@pytest.mark.parametrize("apart_pa", [-30.0, 0.0, 30.0])
def test_the_weights_are_those_of_generalised_least_squares(apart_pa: float) -> None:
    """Two correlated values of one quantity (numpy): mean (J' C^-1 J)^-1 J' C^-1 y and its variance."""
    learned = settled()
    closing = replace(CLOSING, plateau_pa=CLOSING.plateau_pa + apart_pa)
    found = weigh(SUMP, learned, closing)
    # what each value's variance is made of, read back from the parts that the weighing tells
    alone = weigh(SUMP, learned, replace(closing, plateau_pa=closing.plateau_pa + 1e4))  # so far off: no weight
    freeze, damping = alone.freeze_u_pa, alone.damping_u_pa / abs(closing.shut_in_by_damping_pa)
    friction_u = FRICTION_PA * learned.friction_ratio_u
    plateau_var = closing.plateau_var_pa2 + friction_u**2 + (closing.plateau_by_damping_pa * damping) ** 2
    shut_var = closing.shut_in_var_pa2 + freeze**2 + (closing.shut_in_by_damping_pa * damping) ** 2
    shared = closing.covariance_pa2 + closing.plateau_by_damping_pa * closing.shut_in_by_damping_pa * damping**2
    inverse = np.linalg.inv(np.array([[plateau_var, shared], [shared, shut_var]]))
    weights = inverse.sum(axis=0) / inverse.sum()
    values = np.array([closing.plateau_pa - FRICTION_PA, closing.shut_in_pa])
    assert found.gauge_pa == pytest.approx(float(weights @ values), abs=1e-6)
    parts = (found.noise_u_pa, found.damping_u_pa, found.friction_u_pa, found.freeze_u_pa, found.leak_u_pa)
    assert math.hypot(*parts) == pytest.approx(1.0 / math.sqrt(inverse.sum()), rel=1e-9)
    assert math.hypot(*parts) < min(math.sqrt(plateau_var), math.sqrt(shut_var)), "better than either alone"
    difference_var = plateau_var + shut_var - 2 * shared
    assert found.disagreement == pytest.approx(apart_pa / math.sqrt(difference_var), abs=1e-6)


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_a_plateau_that_can_not_be_is_given_no_weight(sign: float) -> None:
    """Friction has grown, or the pressure was still on its way: the shut-in knows neither."""
    found = weigh(SUMP, settled(), replace(CLOSING, plateau_pa=CLOSING.plateau_pa + sign * 900.0))
    assert found.gauge_pa == CLOSING.shut_in_pa
    assert found.friction_u_pa == 0.0
    assert sign * found.disagreement > DISAGREEMENT_SIGMAS


def test_friction_that_is_not_known_leaves_the_say_to_the_shut_in() -> None:
    doubted, known = (
        weigh(SUMP, settled(ratio_u=u), replace(CLOSING, plateau_pa=CLOSING.plateau_pa + 20.0)) for u in (0.2, 1e-4)
    )
    assert doubted.gauge_pa == pytest.approx(CLOSING.shut_in_pa, abs=1.0)
    assert known.gauge_pa > CLOSING.shut_in_pa + 10.0


def test_a_leak_widens_the_shut_in_by_what_its_onset_is_not_known() -> None:
    still, leaking, rising = (
        weigh(SUMP, settled(), replace(CLOSING, shut_slope_pa_s=slope)) for slope in (0.0, -80.0, 80.0)
    )
    assert still.leak_u_pa == rising.leak_u_pa == 0.0
    assert 0.0 < leaking.leak_u_pa <= 8.0


def test_before_anything_is_learned_the_ripple_may_be_a_whole_bore() -> None:
    """Uniform amplitude up to one bore of liquid peak to peak, uniform phase: bore / 6, by drawing (numpy)."""
    random = np.random.default_rng(3)
    height = random.uniform(0.0, 1.0, 300_000)
    frozen = height * random.uniform(-0.5, 0.5, 300_000)
    assert float(np.std(frozen)) == pytest.approx(1.0 / 6.0, rel=5e-3)
    assert freeze_sd_pa(SUMP, Learned()) == pytest.approx(WEIGHT * 0.010 / 6.0, rel=1e-12)
    assert freeze_sd_pa(setup_of(tube_bore_m=0.02), Learned()) == pytest.approx(WEIGHT * 0.020 / 6.0, rel=1e-12)


def test_a_ripple_that_was_never_seen_is_not_taken_for_none() -> None:
    for claimed in (0.0, -50.0):
        seen = freeze_sd_pa(SUMP, Learned(freeze_var_pa2=claimed, freeze_dof=30.0))
        assert seen >= WEIGHT * 1e-4
    assert freeze_sd_pa(SUMP, settled(freeze_pa=25.0)) == pytest.approx(25.0, rel=0.1)


def test_what_is_more_than_a_bore_of_ripple_is_not_learned_as_ripple() -> None:
    """A narrowed tip sets plateau and shut-in apart each time: the plateau would win in the end, 22 mm too high."""
    saw_tooth_pa = WEIGHT * 0.010 / math.sqrt(12.0)
    assert freeze_sd_pa(SUMP, settled(freeze_pa=400.0)) == pytest.approx(saw_tooth_pa, rel=0.01)


def closings(true_ratio: float, freeze_pa: float, cycles: int, seed: int = 1) -> list[Weighed]:
    """Repeated closings of one tube, each learning from the one before."""
    random = np.random.default_rng(seed)
    learned, found = Learned(), []
    for _ in range(cycles):
        noise, frozen = float(random.normal(scale=3.0)), float(random.uniform(-1, 1)) * freeze_pa * math.sqrt(3.0)
        closing = replace(
            CLOSING,
            plateau_pa=19_000.0 + true_ratio * FRICTION_PA + noise,
            shut_in_pa=19_000.0 + frozen + float(random.normal(scale=2.0)),
            plateau_by_damping_pa=0.0,
            shut_in_by_damping_pa=0.0,
        )
        found.append(weigh(SUMP, learned, closing))
        learned = found[-1].learned
    return found


@pytest.mark.parametrize("ratio", [0.85, 1.0, 1.15])
def test_friction_and_ripple_are_learned_and_the_level_gets_better(ratio: float) -> None:
    found = closings(ratio, freeze_pa=30.0, cycles=80)
    last = found[-1].learned
    assert last.cycles == 80
    assert last.friction_ratio == pytest.approx(ratio, abs=0.015)
    assert last.friction_ratio_u < 0.2 * Learned().friction_ratio_u
    assert freeze_sd_pa(SUMP, last) == pytest.approx(30.0, rel=0.35)
    early = [abs(w.gauge_pa - 19_000.0) for w in found[:10]]
    late = [abs(w.gauge_pa - 19_000.0) for w in found[40:]]
    assert float(np.median(late)) < 10.0
    assert float(np.mean(late)) < float(np.mean(early)) + 3.0
    inside = [abs(w.gauge_pa - 19_000.0) <= 2 * math.hypot(w.noise_u_pa, w.friction_u_pa, w.freeze_u_pa) for w in found]
    assert sum(inside) >= 0.9 * len(inside)


def test_one_wild_closing_does_not_undo_what_was_learned() -> None:
    learned = settled()
    wild = weigh(SUMP, learned, replace(CLOSING, plateau_pa=CLOSING.plateau_pa + 5_000.0)).learned
    assert abs(wild.friction_ratio - learned.friction_ratio) < 0.05
    assert 0.0 < wild.friction_ratio_u < 0.05


def test_damping_is_handed_on_with_some_doubt_left() -> None:
    taught = weigh(SUMP, Learned(), replace(CLOSING, damping_s=0.3, log_damping_u=1e-6)).learned
    assert taught.damping_s == pytest.approx(0.3, rel=1e-3)
    assert 0.0 < taught.log_damping_u < 0.1


def test_a_closing_that_knows_no_more_of_the_damping_changes_nothing() -> None:
    before = Learned(damping_s=0.2, log_damping_u=0.05)
    taught = weigh(SUMP, before, replace(CLOSING, damping_s=0.3, log_damping_u=0.05)).learned
    assert (taught.damping_s, taught.log_damping_u) == pytest.approx((0.2, 0.05))


def test_bubbles_do_not_drag_the_damping_along() -> None:
    """A transmitter at the tube's end of a wide tube sees next to no friction: each closing shows a bubble, no more."""
    setup = setup_of(tee_at_valve=False)
    plant, learned = plant_of(setup, lambda t_s: 1.0 + 2e-5 * t_s), Learned()
    for number in range(40):
        plant.advance(number * 600.0)
        learned = run_plant_cycle(plant, setup, learned).learned
    assert learned.damping_s == pytest.approx(plant.params.damping_s, rel=0.05)


def test_head_and_level_by_the_column_formula() -> None:
    """3 m of water at 998.2 kg/m3 below 4.5 m of air, by hand.

    Tip: 3 x 998.2 x 9.80665 = 29367.0 Pa gauge. Air in the tube weighs (101325 + 29314) / (287.055 x 293.15) x
    9.80665 x 4.5 = 68.5 Pa less there than at the tip; 1.5 m of outside air (17.7 Pa) adds to the tip's depth below
    the transmitter. Transmitter: 29367.0 - 68.5 + 17.7 = 29316.2 Pa.
    """
    assert head_m(SUMP, 29_316.2) == pytest.approx(3.0, abs=2e-5)
    weighed = weigh(SUMP, settled(ratio_u=0.2), replace(CLOSING, shut_in_pa=29_316.2, plateau_pa=40_000.0))
    level, head, _ = level_of(SUMP, weighed)
    assert level.value == pytest.approx(3.1, abs=2e-5)
    assert head.value == pytest.approx(29_367.0, abs=0.2)
