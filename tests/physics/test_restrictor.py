"""Flow through restrictors and holes."""

from __future__ import annotations

import math
from functools import partial

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lungfish.physics.air import air_density_kg_m3
from lungfish.physics.restrictor import (
    conductance_flow_m3_s,
    conductance_mass_flow_kg_s,
    critical_pressure_ratio,
    flow_factor,
    hole_conductance_m3_s_pa,
    hole_mass_flow_kg_s,
    mass_flow_parameter,
    restrictor_throughput_pa_m3_s,
)
from tests.physics.published import Check, each

ISO_6358 = "ISO 6358-1:2013, exponent 0.5, cracking pressure 0 (from memory), by hand"
NACA = "NACA Report 1135, isentropic flow, ratio of specific heats 1.4"
LEAKS = "leak table of compressed-air practice (US DOE), cfm through sharp holes at 80, 90, 100 psig"
NOZZLE = "ideal nozzle at 68 degF and 1 atm, by hand"
PSI, INCH = 6894.757, 0.0254


def dm3_s(c: float, b: float, up_bar: float, down_bar: float, t_k: float = 293.15) -> float:
    """Flow in dm3/s ANR; C in dm3/(s bar), pressures in bar absolute."""
    return 1e3 * conductance_flow_m3_s(
        c * 1e-8, upstream_abs_pa=up_bar * 1e5, downstream_abs_pa=down_bar * 1e5, critical_ratio=b, temperature_k=t_k
    )


def leak_scfm(inches: float, psig: float, discharge: float) -> float:
    """Air lost through a round hole, in cubic feet a minute at 68 degF and 1 atm."""
    t = (68 + 459.67) / 1.8
    mass = hole_mass_flow_kg_s(
        math.pi / 4 * (inches * INCH) ** 2,
        upstream_abs_pa=psig * PSI + 101325.0,
        downstream_abs_pa=101325.0,
        temperature_k=t,
        discharge_coefficient=discharge,
    )
    return mass * 60.0 / air_density_kg_m3(101325.0, t) / 0.3048**3


HOLES = [  # inches, psig, cfm in the table, cfm of an ideal nozzle
    (1 / 16, 80, 3.2, 5.36),
    (1 / 16, 90, 3.5, 5.92),
    (1 / 16, 100, 3.8, 6.49),
    (1 / 8, 80, 12.7, 21.43),
    (1 / 8, 90, 14.1, 23.69),
    (1 / 8, 100, 15.4, 25.96),
    (1 / 4, 80, 51.0, 85.7),
    (1 / 4, 90, 56.0, 94.8),
    (1 / 4, 100, 62.0, 103.8),
]
ROWS = [
    Check("C 1, 7 to 1 bar", lambda: dm3_s(1, 0.3, 7, 1), 7.0, 1e-12, ISO_6358),
    Check("C 1, 7 to 1 bar, L/min", lambda: 60 * dm3_s(1, 0.3, 7, 1), 420.0, 1e-9, ISO_6358),
    Check("C 1, 7 to 6 bar", lambda: dm3_s(1, 0.3, 7, 6), 4.237828, 1e-6, ISO_6358),
    Check("C 1, 3 to 1.3 bar", lambda: dm3_s(1, 0.3, 3, 1.3), 2.945075, 1e-6, ISO_6358),
    Check("C 0.5, 2 to 1.3 bar", lambda: dm3_s(0.5, 0.3, 2, 1.3), 0.8660254, 1e-7, ISO_6358),
    Check("C 2, 7 to 6 bar, 30 degC", lambda: dm3_s(2, 0.35, 7, 6, 303.15), 8.611431, 1e-6, ISO_6358),
    Check(
        "C 1, 7 to 6 bar, mass",
        lambda: 1e3 * conductance_mass_flow_kg_s(1e-8, upstream_abs_pa=7e5, downstream_abs_pa=6e5, critical_ratio=0.3),
        4.237828 * 1.185,
        1e-5,
        "ISO 6358-1:2013, with its density of 1.185 kg/m3 (from memory)",
    ),
    Check("choked factor", lambda: mass_flow_parameter(1.0), 0.684731, 1e-6, NACA),
    Check("Mach 2", lambda: mass_flow_parameter(2.0), 0.40576, 1e-5, NACA),
    Check("Mach 3", lambda: mass_flow_parameter(3.0), 0.16170, 1e-5, NACA),
    Check("critical ratio", critical_pressure_ratio, 0.528282, 1e-6, NACA),
    Check(
        "outlet that chokes 80 psig",
        lambda: critical_pressure_ratio() * 94.7 - 14.7,
        35.30,
        0.05,
        "tutorial on choked flow: 80 psig is choked for an outlet below 35.30 psig",
    ),
    Check("1 mm2 of ideal hole", lambda: 1e8 * hole_conductance_m3_s_pa(1e-6), 0.199193, 2e-5, NACA + " by hand"),
    Check(
        "1 mm hole at 7 bar, L/min",
        lambda: 60 * dm3_s(1e8 * hole_conductance_m3_s_pa(math.pi / 4 * 1e-6), 0.528, 7, 1.0),
        65.71,
        0.01,
        NACA + " by hand",
    ),
    *(Check(f"ideal hole {d} in {p} psig", partial(leak_scfm, d, p, 1.0), q, 6e-3 * q, NOZZLE) for d, p, _, q in HOLES),
    *(Check(f"leak {d} in {p} psig", partial(leak_scfm, d, p, 0.592), q, 0.02 * q, LEAKS) for d, p, q, _ in HOLES),
]


@each(ROWS)
def test_flow_is_as_published(check: Check) -> None:
    check.hold()


@given(st.floats(0, 2), st.floats(0, 2), st.floats(0, 0.99))
def test_flow_falls_with_back_pressure_and_never_turns_back(r1: float, r2: float, b: float) -> None:
    low, high = sorted((r1, r2))
    assert 0.0 <= flow_factor(high, b) <= flow_factor(low, b) <= 1.0


@given(st.floats(0, 0.98))
def test_factor_is_full_up_to_the_critical_ratio_and_nothing_at_equal_pressures(b: float) -> None:
    assert flow_factor(0.0, b) == 1.0
    assert flow_factor(b, b) == 1.0
    assert flow_factor(1.0, b) == 0.0
    assert flow_factor((1.0 + b) / 2.0, b) == pytest.approx(math.sqrt(0.75), rel=1e-9)  # half way along the ellipse


@given(st.floats(1.1e5, 1e6), st.floats(0, 1.2))
def test_hole_flow_is_the_compressible_orifice_equation(upstream: float, ratio: float) -> None:
    # Saint-Venant and Wantzel's own form, with the velocity head written out.
    r = max(min(ratio, 1.0), 0.528281787717)
    psi = math.sqrt(max(2 * 1.4 / 0.4 * (r ** (2 / 1.4) - r ** (2.4 / 1.4)), 0.0))
    ours = hole_mass_flow_kg_s(1e-6, upstream_abs_pa=upstream, downstream_abs_pa=ratio * upstream, temperature_k=293.15)
    assert ours == pytest.approx(1e-6 * upstream / math.sqrt(287.055 * 293.15) * psi, rel=1e-6, abs=1e-11)


def test_restrictor_keeps_its_set_flow_until_the_back_pressure_is_felt() -> None:
    def flow(downstream: float) -> float:
        return restrictor_throughput_pa_m3_s(2.5, supply_abs_pa=4e5, downstream_abs_pa=downstream, critical_ratio=0.5)

    assert [flow(p) for p in (1e5, 1.5e5, 2e5)] == [2.5, 2.5, 2.5]
    assert flow(3e5) == pytest.approx(2.5 * math.sqrt(0.75), rel=1e-12)
    assert flow(4e5) == 0.0
    assert flow(5e5) == 0.0


@pytest.mark.parametrize(("r", "b"), [(-0.1, 0.3), (0.5, 1.0), (0.5, -0.1), (math.nan, 0.3), (0.5, math.nan)])
def test_factor_refuses_ratios_that_cannot_be(r: float, b: float) -> None:
    with pytest.raises(ValueError, match="ratio"):
        flow_factor(r, b)


@pytest.mark.parametrize("supply", [0.0, -1.0, math.nan])
def test_flow_needs_an_absolute_pressure_upstream(supply: float) -> None:
    with pytest.raises(ValueError, match="upstream"):
        restrictor_throughput_pa_m3_s(1.0, supply_abs_pa=supply, downstream_abs_pa=1e5, critical_ratio=0.5)
    with pytest.raises(ValueError, match="upstream"):
        hole_mass_flow_kg_s(1e-6, upstream_abs_pa=supply, downstream_abs_pa=1e5, temperature_k=293.15)
