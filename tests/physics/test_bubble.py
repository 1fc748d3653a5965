"""Bubbles: surface tension, excess pressure, size and rate."""

from __future__ import annotations

import math
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws._iapws import _Tension
from scipy.integrate import solve_ivp

from lungfish.physics.bubble import (
    ADDED_MASS_11_16,
    ADDED_MASS_HALF,
    bubble_frequency_hz,
    bubble_pressure_pa,
    bubble_volume_m3,
    ripple_bound_pa,
    sphere_diameter_m,
    surface_tension_n_m,
    tate_volume_m3,
)
from lungfish.physics.constants import STANDARD_GRAVITY_M_S2 as G0
from tests.physics.published import Check, each

R1_76 = "IAPWS R1-76(2014), surface tension of ordinary water substance, check values as in IF97 test sets"
LAPLACE = "Young-Laplace 2 sigma / r with 0.07274 N/m, by hand"
TATE = "Tate's law with 0.07274 N/m and 997 kg/m3, by hand"
DAVIDSON = "Davidson and Harrison's form 1.138 Q^1.2 g^-0.6, by hand"
L_MIN = 1e-3 / 60.0


def tension_mn_m(t_k: float) -> float:
    return 1e3 * surface_tension_n_m(t_k)


def excess(radius_mm: float) -> float:
    return bubble_pressure_pa(radius_mm * 1e-3, 0.07274)


def excess_mm(bore_mm: float) -> float:
    return 1e3 * excess(bore_mm / 2.0) / (998.2 * G0)


def tate_mm3(radius_mm: float) -> float:
    return 1e9 * tate_volume_m3(radius_mm * 1e-3, 0.07274, 997.0, G0)


def tate_mm(radius_mm: float) -> float:
    return 1e3 * sphere_diameter_m(1e-9 * tate_mm3(radius_mm))


def volume_ml(litres_min: float) -> float:
    return 1e6 * bubble_volume_m3(litres_min * L_MIN, G0)


def frequency(litres_min: float) -> float:
    return bubble_frequency_hz(litres_min * L_MIN, G0)


def wall_mm(litres_min: float) -> float:
    return 1e3 * sphere_diameter_m(bubble_volume_m3(litres_min * L_MIN, G0, ADDED_MASS_11_16))


TENSION_K = {300.0: 71.6859625, 450.0: 42.8914992, 600.0: 8.37561087}
TENSION_C = {0.01: 75.646, 10: 74.221, 15: 73.486, 20: 72.736, 25: 71.972, 30: 71.194, 40: 69.596, 50: 67.944}
EXCESS = {0.5: 290.96, 1.0: 145.48, 2.0: 72.74, 3.0: 48.49, 5.0: 29.10}
EXCESS_MM = {6: 4.95, 8: 3.72, 10: 2.97, 12: 2.48, 16: 1.86, 25: 1.19}
TATE_MM = {1: (46.75, 4.469), 2: (93.49, 5.631), 3: (140.24, 6.446)}
SIZES = [  # flow in L/min, volume in mL (free), frequency in Hz, diameter in mm (at a wall)
    (0.1, 0.0337, 49.5, 4.27),
    (0.5, 0.2324, 35.9, 8.13),
    (1, 0.5339, 31.2, 10.73),
    (2, 1.2265, 27.2, 14.16),
    (5, 3.6831, 22.6, 20.42),
]
ROWS = [
    *(Check(f"sigma {t} K", partial(tension_mn_m, t), want, 1e-7, R1_76) for t, want in TENSION_K.items()),
    *(Check(f"sigma {t} degC", partial(tension_mn_m, 273.15 + t), want, 6e-4, R1_76) for t, want in TENSION_C.items()),
    *(Check(f"excess {r} mm", partial(excess, r), want, 0.006, LAPLACE) for r, want in EXCESS.items()),
    *(Check(f"excess of {d} mm bore", partial(excess_mm, d), want, 0.006, LAPLACE) for d, want in EXCESS_MM.items()),
    Check(
        "excess of a 0.1 mm bubble",
        lambda: bubble_pressure_pa(0.05e-3, 0.072),
        2880.0,
        1e-9,
        "published physics problem: bubble of 0.1 mm diameter, 0.072 N/m",
    ),
    *(Check(f"Tate volume {r} mm", partial(tate_mm3, r), v, 0.05, TATE) for r, (v, _) in TATE_MM.items()),
    *(Check(f"Tate diameter {r} mm", partial(tate_mm, r), d, 1e-3, TATE) for r, (_, d) in TATE_MM.items()),
    *(Check(f"volume {q} L/min", partial(volume_ml, q), v, 3e-4 * v + 5e-5, DAVIDSON) for q, v, _, _ in SIZES),
    *(Check(f"frequency {q} L/min", partial(frequency, q), f, 0.06, DAVIDSON) for q, _, f, _ in SIZES),
    *(
        Check(f"diameter {q} L/min", partial(wall_mm, q), d, 0.006, "Davidson and Schuler 1960, 1.378, by hand")
        for q, _, _, d in SIZES
    ),
    Check("coefficient, added mass 1/2", lambda: bubble_volume_m3(1.0, 1.0, ADDED_MASS_HALF), 1.1382, 1e-4, DAVIDSON),
    Check(
        "coefficient, added mass 11/16",
        lambda: bubble_volume_m3(1.0, 1.0, ADDED_MASS_11_16),
        1.378,
        1e-3,
        "Davidson and Schuler, Trans. IChemE 38 (1960) 335-342",
    ),
    Check(
        "ripple of a quarter-inch tube",
        lambda: ripple_bound_pa(0.25 * 0.0254, 998.2, G0) / (998.2 * G0 * 120 * 0.0254) * 100,
        0.208,
        0.001,
        "open textbook on hydrostatic level: 0.208 % of a 10 ft span",
    ),
]


@each(ROWS)
def test_bubbles_are_as_published(check: Check) -> None:
    check.hold()


@pytest.mark.parametrize("t", [273.16, 283.15, 293.15, 303.15, 313.15, 400.0])
def test_surface_tension_agrees_with_a_reference_library(t: float) -> None:
    assert surface_tension_n_m(t) == pytest.approx(_Tension(t), rel=1e-9)


@pytest.mark.parametrize("t", [248.0, 647.2, 20.0, math.nan])
def test_surface_tension_is_not_guessed_outside_its_range(t: float) -> None:
    with pytest.raises(ValueError, match="surface tension"):
        surface_tension_n_m(t)


@pytest.mark.parametrize("radius", [0.0, -1e-3, math.nan])
def test_a_bubble_needs_a_radius(radius: float) -> None:
    with pytest.raises(ValueError, match="radius above zero"):
        bubble_pressure_pa(radius, 0.07274)


@pytest.mark.parametrize("added_mass", [ADDED_MASS_HALF, ADDED_MASS_11_16])
def test_bubble_size_solves_the_equation_of_motion(added_mass: float) -> None:
    # d/dt(a V s') = V g with V = Q t, from nearly nothing until the bubble has risen by its radius.
    flow = 1.0 * L_MIN

    def motion(t: float, y: list[float]) -> list[float]:
        return [y[1], (G0 * t / added_mass - y[1]) / t]

    def detached(t: float, y: list[float]) -> float:
        return float(y[0] - sphere_diameter_m(flow * t) / 2.0)

    detached.terminal = True  # type: ignore[attr-defined]
    detached.direction = 1.0  # type: ignore[attr-defined]
    solved = solve_ivp(motion, (1e-9, 0.2), [0.0, 0.0], events=detached, rtol=1e-9, atol=1e-13)
    assert bubble_volume_m3(flow, G0, added_mass) == pytest.approx(flow * float(solved.t_events[0][0]), rel=1e-5)


@given(st.floats(1e-7, 1e-3), st.floats(9.7, 9.9))
def test_rate_times_volume_is_the_flow(flow: float, g: float) -> None:
    assert bubble_frequency_hz(flow, g) * bubble_volume_m3(flow, g) == pytest.approx(flow, rel=1e-12)


def test_no_flow_makes_no_bubbles() -> None:
    assert bubble_frequency_hz(0.0, G0) == 0.0
    assert bubble_volume_m3(0.0, G0) == 0.0
