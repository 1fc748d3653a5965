"""Uncertainty: the GUM's own worked example, every line of a level's budget, and a Monte Carlo run against the sum.

JCGM 100:2008 (GUM) and JCGM 101:2008 (its supplement on Monte Carlo).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import t as student

from lungfish.core.budget import COVERAGE_FACTOR, Budget, Contribution, Measured
from lungfish.core.level import Weighed, level_of
from lungfish.core.setup import CycleSetup, Learned
from tests.core.samples import SUMP, setup_of

R_AIR = 287.055  # J/(kg K), dry air


# -- the end gauge of GUM H.1 ----------------------------------------------------------------------------------------

LS_NM = 50_000_623.0
H1 = Budget(
    contributions=(
        Contribution(name="standard", u=25.0, sensitivity=1.0, unit="nm", dof=18),
        Contribution(name="repeated comparisons", u=5.8, sensitivity=1.0, unit="nm", dof=24),
        Contribution(name="comparator, random", u=3.9, sensitivity=1.0, unit="nm", dof=5),
        Contribution(name="comparator, systematic", u=6.7, sensitivity=1.0, unit="nm", dof=8),
        Contribution(name="expansion of standard", u=2e-6 / math.sqrt(3), sensitivity=0.0, unit="1/K"),
        Contribution(name="temperature of bed", u=0.41, sensitivity=0.0, unit="K"),
        Contribution(
            name="difference in expansion", u=1e-6 / math.sqrt(3), sensitivity=-LS_NM * -0.1, unit="1/K", dof=50
        ),
        Contribution(
            name="difference in temperature", u=0.05 / math.sqrt(3), sensitivity=-LS_NM * 11.5e-6, unit="K", dof=2
        ),
    )
)


def test_gum_h1_combined_and_effective_degrees_of_freedom() -> None:
    assert H1.combined == pytest.approx(31.66, abs=0.01)  # GUM H.1.4: 32 nm; unrounded from a public reprint
    assert H1.dof == pytest.approx(16.75, abs=0.1)  # GUM H.1.6 prints 16, truncated
    assert H1.expanded(2.92) == pytest.approx(92.5, abs=0.1)  # GUM: 93 nm at 99 %, from 2.92 times 32
    assert student.ppf(0.995, math.floor(H1.dof)) == pytest.approx(2.92, abs=5e-3)


def test_gum_h1_components() -> None:
    effects = {line.name: line.effect for line in H1.contributions}
    assert effects["difference in temperature"] == pytest.approx(16.599, abs=1e-3)  # GUM table H.1
    assert effects["difference in expansion"] == pytest.approx(2.88679, abs=1e-4)
    assert effects["expansion of standard"] == effects["temperature of bed"] == 0.0
    comparison = Budget(contributions=H1.contributions[1:4])
    assert comparison.combined == pytest.approx(9.682, abs=1e-3)  # GUM H.1.3.2
    assert comparison.dof == pytest.approx(25.4, abs=0.1)  # GUM H.1.6: 25.6 from rounded figures


def test_welch_satterthwaite_of_alike_parts_adds_their_degrees_of_freedom() -> None:
    alike = Contribution(name="a", u=1.0, sensitivity=1.0, unit="Pa", dof=7)
    assert Budget(contributions=(alike,) * 3).dof == pytest.approx(21.0)


def test_what_is_known_well_leaves_no_degrees_of_freedom_to_count() -> None:
    assert Budget(contributions=(Contribution(name="a", u=2.0, sensitivity=3.0, unit="Pa"),)).dof == math.inf
    assert Budget(contributions=()).combined == 0.0
    assert Measured(value=1.0, u=0.1).dof == math.inf


def test_a_negative_sensitivity_adds_like_a_positive_one() -> None:
    lines = (
        Contribution(name="a", u=3.0, sensitivity=-1.0, unit="Pa"),
        Contribution(name="b", u=2.0, sensitivity=2.0, unit="Pa"),
    )
    assert Budget(contributions=lines).combined == pytest.approx(5.0)
    assert Budget(contributions=lines).expanded() == pytest.approx(5.0 * COVERAGE_FACTOR)


def test_two_is_the_factor_that_about_95_percent_need() -> None:
    """JCGM 100:2008 G.3: with 50 degrees of freedom k = 2.01 covers 95 %, without limit 1.96."""
    assert pytest.approx(student.ppf(0.975, 50), abs=0.02) == COVERAGE_FACTOR
    assert student.cdf(COVERAGE_FACTOR, 1e6) * 2 - 1 == pytest.approx(0.9545, abs=1e-4)


@pytest.mark.parametrize(
    ("name", "factor"),
    [("rectangular", 0.577350), ("triangular", 0.408248), ("arcsine", 0.707107)],
)
def test_half_width_to_standard_uncertainty(name: str, factor: float) -> None:
    """JCGM 100:2008 4.3.7, 4.3.9: what stands in the budgets above and in the sites' tolerances, by drawing (numpy)."""
    random = np.random.default_rng(1)
    even = random.uniform(size=400_000)
    draws = {
        "rectangular": 2.0 * even - 1.0,
        "triangular": even + random.uniform(size=400_000) - 1.0,
        "arcsine": np.sin(2.0 * math.pi * even),
    }[name]
    exact = {"rectangular": 1 / math.sqrt(3), "triangular": 1 / math.sqrt(6), "arcsine": 1 / math.sqrt(2)}[name]
    assert exact == pytest.approx(factor, abs=1e-6)
    assert float(np.std(draws)) == pytest.approx(factor, rel=5e-3)


# -- the budget of a level -------------------------------------------------------------------------------------------

DOUBTED = setup_of(
    density_u_kg_m3=1.2,
    gravity_u_m_s2=0.004,
    transmitter_u_pa=20.0,
    tip_u_m=0.003,
    transmitter_height_m=12.0,
    tube_length_m=12.0,
)
"""A tube so tall, and so little known, that each line of its budget matters."""

WEIGHED = Weighed(
    gauge_pa=25_000.0,
    noise_u_pa=11.0,
    damping_u_pa=9.0,
    friction_u_pa=14.0,
    freeze_u_pa=16.0,
    leak_u_pa=7.0,
    friction_pa=800.0,
    disagreement=0.4,
    learned=Learned(),
    resolution_u_pa=6.0,
)

PRESSURES = {
    "transmitter": 20.0,
    "resolution": 6.0,
    "friction left over": 14.0,
    "ripple frozen at closing": 16.0,
    "onset of the leak": 7.0,
    "noise": 11.0,
    "damping": 9.0,
}


def head_by_hand(
    setup: CycleSetup,
    gauge: float | NDArray[np.float64],
    density: float | NDArray[np.float64],
    gravity: float | NDArray[np.float64],
    kelvin: float | NDArray[np.float64],
) -> NDArray[np.float64]:
    """p = rho g h - rho_gas(p) g H + rho_air g (H - h), solved for h."""
    tall = setup.transmitter_height_m
    gas = (setup.atmosphere_abs_pa + gauge) / (R_AIR * kelvin)
    outside = setup.atmosphere_abs_pa / (R_AIR * kelvin)
    return np.asarray((gauge + (gas - outside) * gravity * tall) / ((density - outside) * gravity))


def test_every_line_of_a_level_by_hand() -> None:
    """Each input moved by a little, by our own formula for the head: what it does to the level is its sensitivity."""
    setup = DOUBTED
    level, head, budget = level_of(setup, WEIGHED, unproven_m=0.02, held_back_pa=90.0)
    at = (WEIGHED.gauge_pa, setup.density_kg_m3, setup.gravity_m_s2, setup.air_k)
    h = float(head_by_hand(setup, *at))
    assert level.value == pytest.approx(setup.tip_m + h, abs=1e-9)
    assert head.value == pytest.approx(h * setup.density_kg_m3 * setup.gravity_m_s2, rel=1e-9)

    def slope(which: int, step: float) -> float:
        up, down = list(at), list(at)
        up[which] += step
        down[which] -= step
        return float(head_by_hand(setup, *up) - head_by_hand(setup, *down)) / (2.0 * step)

    by_name = {line.name: line for line in budget.contributions}
    expected = {name: u * slope(0, 10.0) for name, u in PRESSURES.items()}
    expected["density"] = 1.2 * -slope(1, 0.5)
    expected["gravity"] = 0.004 * -slope(2, 1e-3)
    expected["gas column"] = by_name["gas column"].u * -slope(3, 1.0)
    expected["air at the tip not proven"] = 0.02 / math.sqrt(3.0)  # half-width of a rectangle (GUM 4.3.7)
    expected["held back at the tip"] = 90.0 / math.sqrt(3.0) * slope(0, 10.0)  # the same
    expected["tip height"] = 0.003
    assert set(by_name) == set(expected), "a line without a hand check, or one that is gone"
    for name, effect in expected.items():
        assert by_name[name].effect == pytest.approx(effect, rel=0.01), name
        assert by_name[name].unit
    assert by_name["gas column"].u > 0
    assert level.u == pytest.approx(math.sqrt(sum(effect**2 for effect in expected.values())), rel=0.005)
    assert level.u == budget.combined


def test_the_head_does_not_hang_on_the_tip() -> None:
    level, head, budget = level_of(DOUBTED, WEIGHED)
    per_pa = 1.0 / (DOUBTED.density_kg_m3 * DOUBTED.gravity_m_s2)
    assert head.u * per_pa == pytest.approx(math.sqrt(level.u**2 - 0.003**2), rel=1e-9)
    _, same, _ = level_of(replace(DOUBTED, tip_u_m=0.5), WEIGHED)
    assert same.u == pytest.approx(head.u, rel=1e-12)
    assert budget.contributions[-1].name == "tip height"


def test_monte_carlo_propagation_agrees_with_the_sum() -> None:
    """JCGM 101:2008: 200,000 draws of every input through our own formula for the level (numpy, seeded)."""
    setup, draws = DOUBTED, 200_000
    level, _, budget = level_of(setup, WEIGHED)
    u_kelvin = next(line.u for line in budget.contributions if line.name == "gas column")
    random = np.random.default_rng(101)

    def normal(centre: float, u: float) -> NDArray[np.float64]:
        return random.normal(centre, u, draws)

    def rectangular(centre: float, u: float) -> NDArray[np.float64]:
        half = u * math.sqrt(3.0)
        return random.uniform(centre - half, centre + half, draws)

    gauge = normal(WEIGHED.gauge_pa, 0.0)
    for name, u in PRESSURES.items():
        gauge = gauge + (rectangular if name == "transmitter" else normal)(0.0, u)
    head = head_by_hand(
        setup,
        gauge,
        rectangular(setup.density_kg_m3, setup.density_u_kg_m3),
        normal(setup.gravity_m_s2, setup.gravity_u_m_s2),
        rectangular(setup.air_k, u_kelvin),
    )
    levels = rectangular(setup.tip_m, setup.tip_u_m) + head
    assert float(np.std(levels)) == pytest.approx(level.u, rel=0.03)
    assert float(np.mean(levels)) == pytest.approx(level.value, abs=0.03 * level.u)
    inside = np.abs(levels - level.value) <= budget.expanded()
    assert 0.94 <= float(np.mean(inside)) <= 0.97


def test_a_head_at_the_tip_has_no_share_of_density() -> None:
    level, head, budget = level_of(SUMP, replace(WEIGHED, gauge_pa=-40.0))
    effects = {line.name: line.effect for line in budget.contributions}
    assert (level.value, head.value) == (SUMP.tip_m, 0.0)
    assert effects["density"] == effects["gravity"] == 0.0
    assert level.u > 0
