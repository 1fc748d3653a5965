"""Friction of the line, and how fast the line settles."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fluids.friction import Colebrook
from fluids.friction import friction_factor as library_friction_factor
from hypothesis import given
from hypothesis import strategies as st

from lungfish.physics.friction import (
    colebrook_friction_factor,
    laminar_resistance_pa_s_m3,
    line_friction_pa,
    line_settling_s,
    ramp_in_line,
    reynolds,
)
from tests.physics.published import Check, each

MU = 1.813e-5
RHO = 1.2041
L_MIN = 1e-3 / 60.0
POISEUILLE = "Hagen-Poiseuille with 1.813e-5 Pa s, by hand"


def loss(litres_min: float, bore: float, length: float) -> float:
    return line_friction_pa(litres_min * L_MIN, bore_m=bore, length_m=length, density_kg_m3=RHO, viscosity_pa_s=MU)


def re_of(litres_min: float, bore: float) -> float:
    return reynolds(litres_min * L_MIN, bore_m=bore, density_kg_m3=RHO, viscosity_pa_s=MU)


def darcy_factor(at_re: float, roughness: float = 1.5e-6) -> float:
    """Darcy factor that our pressure drop amounts to, 10 mm bore."""
    flow = at_re * math.pi * 0.01 * MU / (4.0 * RHO)
    drop = line_friction_pa(
        flow, bore_m=0.01, length_m=7.0, density_kg_m3=RHO, viscosity_pa_s=MU, roughness_m=roughness
    )
    speed = flow / (math.pi * 0.01**2 / 4.0)
    return drop / (7.0 / 0.01 * RHO * speed * speed / 2.0)


def crane_loss_psi() -> float:
    """Air at 65 psig and 115 degF through 75 ft of 1 inch schedule 40 pipe, 100 standard cubic feet a minute."""
    psi, temperature = 6894.757, (115 + 459.67) / 1.8
    upstream = (65 + 14.7) * psi
    mean = upstream - 2.61 * psi / 2.0
    actual = 100 * 0.3048**3 / 60 * 14.7 * psi / mean * temperature / ((60 + 459.67) / 1.8)
    return (
        line_friction_pa(
            actual,
            bore_m=1.049 * 0.0254,
            length_m=75 * 0.3048,
            density_kg_m3=mean / (287.055 * temperature),
            viscosity_pa_s=1.93e-5,
            roughness_m=4.6e-5,
        )
        / psi
    )


ROWS = [
    Check("1 L/min 6 mm 30 m", lambda: loss(1, 6e-3, 30), 284.99, 0.03, POISEUILLE),
    Check("1 L/min 4 mm 30 m", lambda: loss(1, 4e-3, 30), 1442.7, 0.15, POISEUILLE),
    Check("0.5 L/min 4 mm 30 m", lambda: loss(0.5, 4e-3, 30), 721.4, 0.1, POISEUILLE),
    Check("1 L/min 10 mm 30 m", lambda: loss(1, 10e-3, 30), 36.93, 0.005, POISEUILLE),
    Check("1 L/min 1/8 in 100 ft", lambda: loss(1, 3.175e-3, 30.48), 3692.7, 0.4, POISEUILLE),
    Check("0.05 L/min 1/8 in 500 ft", lambda: loss(0.05, 3.175e-3, 152.4), 923.2, 0.1, POISEUILLE),
    Check("5 L/min 6 mm 30 m", lambda: loss(5, 6e-3, 30), 1424.9, 0.15, POISEUILLE),
    Check("Re of 1 L/min in 6 mm", lambda: re_of(1, 6e-3), 234.9, 0.1, POISEUILLE),
    Check("Re of 5 L/min in 6 mm", lambda: re_of(5, 6e-3), 1174.0, 1.0, POISEUILLE),
    Check(
        "capillary of a physics problem",
        lambda: laminar_resistance_pa_s_m3(0.35e-3, 3.14e-2, 1e-3) * 1e-6,
        85254.55,
        0.01,
        "published physics problem: 3.14 cm of 0.35 mm tube, 1e-6 m3/s, 1e-3 Pa s",
    ),
    Check(
        "intravenous needle",
        lambda: laminar_resistance_pa_s_m3(0.3e-3, 2.5e-2, 1e-3) * 0.12e-6 + 8.0 * 133.3224,
        1.62e4,
        50.0,
        "OpenStax College Physics, example 12.8 (from memory): radius 0.150 mm, 0.120 cm3/s against 8 mmHg",
    ),
    Check("Darcy factor at Re 128", lambda: darcy_factor(128.0), 0.5, 1e-12, "64 / Re"),
    Check("Darcy factor at Re 2000", lambda: darcy_factor(2000.0), 0.032, 1e-12, "64 / Re"),
    Check(
        "Colebrook 1e5, 1e-4",
        lambda: colebrook_friction_factor(1e5, 1e-4),
        0.018513866077471,
        1e-12,
        "docstring of the open fluids library, Colebrook",
    ),
    Check(
        "Colebrook 1e5, smooth",
        lambda: colebrook_friction_factor(1e5, 0.0),
        0.01798977308427384,
        1e-12,
        "tests of the open fluids library, test_friction.py",
    ),
    Check("Colebrook 1e5, 1e-3", lambda: colebrook_friction_factor(1e5, 1e-3), 0.022174535944515, 1e-12, "by hand"),
    Check(
        "Darcy factor at Re 1e5", lambda: darcy_factor(1e5, 1e-6), 0.018513866077471, 1e-10, "as Colebrook 1e5, 1e-4"
    ),
    Check(
        "compressed air in steel pipe", crane_loss_psi, 2.61, 0.13, "Crane TP-410, example 7.16, book answer 2.61 psi"
    ),
]


@each(ROWS)
def test_friction_is_as_published(check: Check) -> None:
    check.hold()


@pytest.mark.parametrize("re", [4000.0, 1e4, 1e5, 1e6, 1e8])
@pytest.mark.parametrize("roughness", [0.0, 1e-6, 1e-4, 0.05])
def test_colebrook_agrees_with_a_reference_library(re: float, roughness: float) -> None:
    assert colebrook_friction_factor(re, roughness) == pytest.approx(Colebrook(re, roughness), rel=1e-11)


@pytest.mark.parametrize("re", [50.0, 1000.0, 2000.0, 4100.0, 2e4])
def test_line_friction_agrees_with_a_reference_library(re: float) -> None:
    theirs = library_friction_factor(Re=re, eD=1.5e-4, Method="Colebrook" if re > 2300 else "laminar")
    assert darcy_factor(re) == pytest.approx(theirs, rel=1e-10)


@given(st.floats(-1e-3, 1e-3), st.floats(-1e-3, 1e-3), st.floats(2e-3, 25e-3), st.floats(0, 60))
def test_friction_grows_with_flow_and_turns_with_it(q1: float, q2: float, bore: float, length: float) -> None:
    def drop(q: float) -> float:
        return line_friction_pa(q, bore_m=bore, length_m=length, density_kg_m3=RHO, viscosity_pa_s=MU)

    low, high = sorted((q1, q2))
    assert drop(low) <= drop(high)
    assert drop(-low) == -drop(low)


def test_regimes_change_where_the_textbooks_say() -> None:
    # Laminar to 2300 and fully turbulent from 4000 (common practice): in between neither law is claimed.
    assert darcy_factor(2299.0) == pytest.approx(64.0 / 2299.0, rel=1e-9)
    assert darcy_factor(2301.0) > 1.0001 * 64.0 / 2301.0
    assert darcy_factor(4001.0) == pytest.approx(Colebrook(4001.0, 1.5e-4), rel=1e-9)
    assert darcy_factor(3999.0) < 0.99999 * Colebrook(3999.0, 1.5e-4)


def test_wall_is_drawn_tubing_unless_told_otherwise() -> None:
    assert loss(200.0, 4e-3, 30.0) == line_friction_pa(
        200.0 * L_MIN, bore_m=4e-3, length_m=30.0, density_kg_m3=RHO, viscosity_pa_s=MU, roughness_m=1.5e-6
    )


@pytest.mark.parametrize("edge", [2300.0, 4000.0])
def test_friction_has_no_step_where_the_regimes_meet(edge: float) -> None:
    assert darcy_factor(edge * (1 - 1e-9)) == pytest.approx(darcy_factor(edge * (1 + 1e-9)), rel=1e-7)


def test_a_line_of_no_length_has_no_friction() -> None:
    for litres_min in (0.0, 1.0, 100.0, 1000.0):
        assert loss(litres_min, 4e-3, 0.0) == 0.0


@pytest.mark.parametrize(("bore", "length"), [(0.0, 1.0), (-1.0, 1.0), (1e-3, -1.0), (math.nan, 1.0), (1e-3, math.nan)])
def test_friction_refuses_lines_that_cannot_be(bore: float, length: float) -> None:
    with pytest.raises(ValueError, match="bore above zero"):
        loss(1.0, bore, length)


@pytest.mark.parametrize(("re", "roughness"), [(0.0, 0.0), (-1.0, 0.0), (1e5, -1e-4), (math.nan, 0.0)])
def test_colebrook_refuses_flows_that_cannot_be(re: float, roughness: float) -> None:
    with pytest.raises(ValueError, match="Reynolds number above zero"):
        colebrook_friction_factor(re, roughness)


def test_settling_is_the_slowest_mode_of_a_line_cut_into_pieces() -> None:
    # 200 short pipes, each a resistance and a store, open at one end: the smallest eigenvalue of the network.
    bore, length, pressure, pieces = 4e-3, 60.0, 120e3, 200
    resistance = laminar_resistance_pa_s_m3(bore, length, MU) / pieces
    store = math.pi * bore**2 / 4.0 * length / pressure / pieces
    matrix = 2.0 * np.eye(pieces) - np.eye(pieces, k=1) - np.eye(pieces, k=-1)
    matrix[0, 0] = 3.0  # half a pipe from the open end to the middle of the first piece
    matrix[-1, -1] = 1.0
    slowest = resistance * store / float(np.linalg.eigvalsh(matrix)[0])
    ours = line_settling_s(bore_m=bore, length_m=length, viscosity_pa_s=MU, abs_pa=pressure)
    assert ours == pytest.approx(slowest, rel=1e-4)
    assert 0.3 < ours < 1.5  # of the order of a second: a long narrow line is not settled at once


@pytest.mark.parametrize("pressure", [0.0, -1.0, math.nan])
def test_settling_needs_a_pressure(pressure: float) -> None:
    with pytest.raises(ValueError, match="absolute pressure"):
        line_settling_s(bore_m=4e-3, length_m=60.0, viscosity_pa_s=MU, abs_pa=pressure)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.75, 0.9])
def test_a_line_packs_and_then_fills_its_tube_evenly(share: float) -> None:
    """A line of 200 pieces into an air space, by matrix exponential: its slowest mode, and the lag that is left."""
    pieces, rc_s = 200, 1.0
    stores = np.append(np.full(pieces, share / pieces), 1.0 - share)  # of line and space, together 1
    conductances = np.append(np.full(pieces - 1, pieces), 2.0 * pieces) * share / rc_s  # R C = 1 s with C = share
    matrix = np.zeros((pieces + 1, pieces + 1))
    for k, g in enumerate(conductances):
        matrix[k, k] -= g
        matrix[k + 1, k + 1] -= g
        matrix[k, k + 1] += g
        matrix[k + 1, k] += g
    rates = np.sort(-np.linalg.eigvals(matrix / stores[:, None]).real)
    settled_s, lag_s = ramp_in_line(4.0 / math.pi**2 * rc_s, share)
    assert settled_s == pytest.approx(1.0 / rates[1], rel=1e-3)
    inflow = np.zeros(pieces + 1)
    inflow[0] = 1.0
    # once all climb alike, matrix @ p + inflow = stores: the space's pressure below the even fill of slope 1
    steady = np.linalg.lstsq(np.vstack([matrix, stores]), np.append(stores - inflow, 0.0), rcond=None)[0]
    assert lag_s == pytest.approx(-steady[-1], rel=0.01)


def test_a_line_alone_and_no_line_at_all_are_the_two_ends() -> None:
    # next to no line: its end stands at one pressure, and all that packs it, R C / 2, is late
    assert ramp_in_line(1.0, 0.0) == pytest.approx((1.0, math.pi**2 / 8.0))
    # nothing but line: shut at both ends, a quarter of that, and R C / 6
    assert ramp_in_line(1.0, 1.0) == pytest.approx((0.25, math.pi**2 / 24.0))
    assert ramp_in_line(0.0, 0.3) == (0.0, 0.0)


@pytest.mark.parametrize("share", [-0.1, 1.1, math.nan])
def test_the_share_of_a_line_is_a_share(share: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        ramp_in_line(1.0, share)
