"""Liquids: density of water, pressure against depth, density tables."""

from __future__ import annotations

import math
from functools import partial

import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st
from iapws import IAPWS95

from lungfish.physics.constants import STANDARD_GRAVITY_M_S2 as G0
from lungfish.physics.liquid import DensityTable, depth_m, hydrostatic_pa, water_density_kg_m3
from tests.physics.published import Check, each

TANAKA = "Tanaka et al., Metrologia 38 (2001) 301-309, table of the density of air-free water"
TANAKA_TABLE = {
    0: 999.8428,
    4: 999.9749,
    5: 999.9668,
    10: 999.7027,
    15: 999.1026,
    16: 998.9459,
    20: 998.2067,
    25: 997.0470,
    30: 995.6488,
    35: 994.0326,
    40: 992.2152,
}
ITTC = "ITTC recommended procedure 7.5-02-01-03, fresh water"
ITTC_TABLE = {10: 999.7025, 15: 999.1026, 20: 998.2072, 25: 997.0476, 30: 995.6495, 35: 994.0333, 40: 992.2164}
KELL = "Kell, J. Chem. Eng. Data 20 (1975) 97-105"
KELL_TABLE = {0: 999.83952, 10: 999.69963, 20: 998.20413, 30: 995.64726, 40: 992.21577}


def at_celsius(t: float) -> float:
    return water_density_kg_m3(273.15 + t)


WATER = [
    *(Check(f"Tanaka {t} degC", partial(at_celsius, t), rho, 6e-5, TANAKA) for t, rho in TANAKA_TABLE.items()),
    *(Check(f"ITTC {t} degC", partial(at_celsius, t), rho, 1.3e-3, ITTC) for t, rho in ITTC_TABLE.items()),
    *(Check(f"Kell {t} degC", partial(at_celsius, t), rho, 3.5e-3, KELL) for t, rho in KELL_TABLE.items()),
    Check(
        "absolute measurement 16 degC",
        lambda: at_celsius(16.0),
        998.9468,
        1.5e-3,
        "absolute measurement 998.9468(6) kg/m3, abstract of a metrology paper; the table lies 0.9 g/m3 below it",
    ),
    Check("60 degF", lambda: water_density_kg_m3((60 + 459.67) / 1.8), 999.01698, 2e-5, "Tanaka's formula by hand"),
    Check("4 to 25 degC", lambda: 100 * (1 - at_celsius(25) / at_celsius(4)), 0.2928, 1e-4, TANAKA),
    Check("15 to 25 degC", lambda: 100 * (1 - at_celsius(25) / at_celsius(15)), 0.2057, 1e-4, TANAKA),
]


@each(WATER)
def test_water_density_is_as_published(check: Check) -> None:
    check.hold()


@pytest.mark.parametrize("t", [0.01, 4.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0])
def test_water_density_agrees_with_the_iapws_formulation(t: float) -> None:
    ours = at_celsius(t)
    assert ours == pytest.approx(IAPWS95(T=273.15 + t, P=0.101325).rho, abs=1.2e-3)
    assert ours == pytest.approx(PropsSI("D", "T", 273.15 + t, "P", 101325.0, "Water"), abs=1.2e-3)


@pytest.mark.parametrize("temperature_k", [273.14, 313.16, 20.0, math.nan, math.inf, -math.inf])
def test_water_density_is_not_guessed_outside_its_range(temperature_k: float) -> None:
    with pytest.raises(ValueError, match=r"273\.15 K to 313\.15 K"):
        water_density_kg_m3(temperature_k)


DEPTHS = [
    Check(
        "1 psi in feet of conventional water",
        lambda: depth_m(6894.757, 1000.0, G0) / 0.3048,
        2.30666,
        1e-5,
        "NIST SP 811 appendix B: psi 6894.757 Pa, foot of water 2989.067 Pa",
    ),
    Check("inch of water, conventional", lambda: hydrostatic_pa(0.0254, 1000.0, G0), 249.0889, 5e-5, "NIST SP 811 B"),
    Check(
        "inch of water, 39.2 degF",
        lambda: hydrostatic_pa(0.0254, at_celsius(4.0), G0),
        249.082,
        7e-4,
        "NIST SP 811 appendix B",
    ),
    Check(
        "inch of water, 60 degF",
        lambda: hydrostatic_pa(0.0254, water_density_kg_m3((60 + 459.67) / 1.8), G0),
        248.84,
        5e-3,
        "NIST SP 811 appendix B",
    ),
    Check("inch of water, 68 degF", lambda: hydrostatic_pa(0.0254, at_celsius(20.0), G0), 248.6423, 2e-4, "by hand"),
    Check("foot of water", lambda: hydrostatic_pa(0.3048, 1000.0, G0), 2989.067, 5e-4, "NIST SP 811 appendix B"),
    Check("1 m of water", lambda: hydrostatic_pa(1.0, 1000.0, G0), 9806.65, 1e-9, "NIST SP 811 appendix B"),
    Check("1 m of water at 20 degC", lambda: hydrostatic_pa(1.0, 998.2067, G0), 9789.0637, 1e-3, "by hand"),
    Check("3 m of water at 20 degC", lambda: hydrostatic_pa(3.0, at_celsius(20), G0), 29367.191, 2e-3, TANAKA),
    Check("3 m of water and back", lambda: depth_m(29367.191, at_celsius(20), G0), 3.0, 2e-7, TANAKA),
    Check("2 m of brine", lambda: hydrostatic_pa(2.0, 1030.0, G0), 20201.699, 1e-6, "by hand"),
    Check("20 kPa of water at 20 degC", lambda: depth_m(20e3, 998.2067, G0), 2.043096, 1e-6, "by hand"),
    Check("20 kPa of conventional water", lambda: depth_m(20e3, 1000.0, G0), 2.039432, 1e-6, "by hand"),
    Check(
        "0.01 ft of water at 20 degC",
        lambda: hydrostatic_pa(0.01 * 0.3048, 998.2067, G0),
        29.84,
        5e-3,
        "stage standard of 0.01 ft, Sauer and Turnipseed 2010, USGS TM 3-A7; pressure by hand",
    ),
]


@each(DEPTHS)
def test_pressure_against_depth_is_as_published(check: Check) -> None:
    check.hold()


@given(st.floats(-5, 100), st.floats(500, 2000), st.floats(9.7, 9.9))
def test_depth_undoes_pressure(depth: float, rho: float, g: float) -> None:
    assert depth_m(hydrostatic_pa(depth, rho, g), rho, g) == pytest.approx(depth, abs=1e-12, rel=1e-14)


@pytest.mark.parametrize(("rho", "g"), [(0.0, G0), (-1.0, G0), (1000.0, 0.0), (math.nan, G0)])
def test_depth_needs_a_liquid_that_weighs_something(rho: float, g: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        depth_m(100.0, rho, g)


def five_degree_table() -> DensityTable:
    rows = [(273.15 + t, rho) for t, rho in TANAKA_TABLE.items() if t % 5 == 0]
    return DensityTable(tuple(t for t, _ in rows), tuple(rho for _, rho in rows))


def test_density_table_gives_its_rows_back() -> None:
    table = five_degree_table()
    for t, rho in zip(table.temperatures_k, table.densities_kg_m3, strict=True):
        assert table.at(t) == pytest.approx(rho, abs=1e-9)


@given(st.floats(273.15, 313.15))
def test_density_table_follows_water_between_rows_5_degrees_apart(t: float) -> None:
    # A chord over 5 K of a curve with a second derivative below 0.017 kg/m3/K2: 0.017 * 25 / 8.
    assert five_degree_table().at(t) == pytest.approx(water_density_kg_m3(t), abs=0.055)


def test_density_table_interpolates_along_straight_lines() -> None:
    table = DensityTable((280.0, 290.0, 310.0), (1000.0, 990.0, 950.0))
    assert [table.at(t) for t in (280.0, 285.0, 290.0, 300.0, 310.0)] == [1000.0, 995.0, 990.0, 970.0, 950.0]


@pytest.mark.parametrize("t", [273.0, 313.3, math.nan])
def test_density_table_never_extrapolates(t: float) -> None:
    with pytest.raises(ValueError, match="is outside"):
        five_degree_table().at(t)


@pytest.mark.parametrize(
    ("temperatures", "densities", "words"),
    [
        ((280.0,), (1000.0,), "two or more pairs"),
        ((280.0, 290.0), (1000.0,), "two or more pairs"),
        ((280.0, 280.0), (1000.0, 990.0), "must rise"),
        ((290.0, 280.0), (1000.0, 990.0), "must rise"),
        ((280.0, 290.0), (1000.0, 0.0), "above zero"),
        ((280.0, 290.0), (1000.0, math.nan), "above zero"),
        ((280.0, math.inf), (1000.0, 990.0), "above zero"),
    ],
)
def test_density_table_refuses_what_cannot_be_read(
    temperatures: tuple[float, ...], densities: tuple[float, ...], words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        DensityTable(temperatures, densities)
