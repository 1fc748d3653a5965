"""Air, the standard atmosphere and gravity."""

from __future__ import annotations

import math
from functools import partial

import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI
from fluids import ATMOSPHERE_1976
from hypothesis import given
from hypothesis import strategies as st

from lungfish.physics.air import (
    air_density_kg_m3,
    air_viscosity_pa_s,
    atmosphere_pa,
    atmosphere_temperature_k,
    moist_air_density_kg_m3,
)
from lungfish.physics.gravity import local_gravity_m_s2
from tests.physics.published import Check, each

CIPM = "CIPM-2007, Picard et al., Metrologia 45 (2008) 149-155: worked by hand from the printed constants"
OIML = "OIML R 111-1:2004, eq. E.3-1, the simplified formula (from memory)"
HANDBOOK = "Mechanical Engineers' Handbook vol. 4, table of the US Standard Atmosphere 1976"
SOMIGLIANA = "Somigliana's formula on WGS 84, by hand"


def moist(t: float, p: float, h: float) -> float:
    return moist_air_density_kg_m3(p, 273.15 + t, h)


def oiml(t: float, p_hpa: float, h_percent: float) -> float:
    return (0.34848 * p_hpa - 0.009 * h_percent * math.exp(0.061 * t)) / (273.15 + t)


CIPM_ROWS = [  # degC, Pa, humidity, kg/m3; the formula's own range is 15 to 27 degC
    (20.0, 101325.0, 0.5, 1.199314),
    (20.0, 101325.0, 0.0, 1.204557),
    (20.0, 100000.0, 0.5, 1.183557),
    (20.0, 100000.0, 0.65, 1.181987),
    (15.0, 101325.0, 0.0, 1.225521),
    (0.0, 101325.0, 0.0, 1.293049),
    (27.32, 101325.0, 0.5, 1.167183),
]
DENSITY = [
    *(Check(f"CIPM {t} degC {p} Pa {h}", partial(moist, t, p, h), rho, 1e-6, CIPM) for t, p, h, rho in CIPM_ROWS),
    Check("OIML 1013.25 hPa", lambda: moist(20, 101325, 0.5), oiml(20, 1013.25, 50), 2.4e-4, OIML),
    Check("OIML 1000 hPa", lambda: moist(20, 100000, 0.5), oiml(20, 1000, 50), 2.4e-4, OIML),
    Check("OIML 18 degC dry side", lambda: moist(18, 99000, 0.3), oiml(18, 990, 30), 2.4e-4, OIML),
    Check("dry 0 degC", lambda: air_density_kg_m3(101325, 273.15), 1.293, 1e-3, "round value of metering practice"),
    Check("dry 20 degC", lambda: air_density_kg_m3(101325, 293.15), 1.205, 1e-3, "round value of metering practice"),
    Check("dry 15 degC", lambda: air_density_kg_m3(101325, 288.15), 1.22502, 1e-4, "ideal gas of 28.96546 g/mol"),
    Check("dry, 1 bar", lambda: air_density_kg_m3(1e5, 293.15), 1.18838, 1e-4, "ideal gas of 28.96546 g/mol"),
    Check("dry, 2 m of water", lambda: air_density_kg_m3(121325, 293.15), 1.44181, 1e-4, "ideal gas of 28.96546 g/mol"),
    Check(
        "dry, 20 psig",
        lambda: air_density_kg_m3(101325 + 20 * 6894.757, 293.15),
        2.84533,
        0.003,
        "Lemmon et al. 2000, real air, through a reference library",
    ),
]


@each(DENSITY)
def test_air_density_is_as_published(check: Check) -> None:
    check.hold()


@pytest.mark.parametrize(("t", "h"), [(15.0, 0.0), (20.0, 0.5), (23.0, 0.8), (27.0, 1.0)])
def test_moist_air_agrees_with_the_ashrae_formulation(t: float, h: float) -> None:
    volume = HAPropsSI("Vha", "T", 273.15 + t, "P", 101325.0, "R", h)  # per kg of the mixture
    assert moist(t, 101325.0, h) == pytest.approx(1.0 / volume, rel=1e-4)


@pytest.mark.parametrize("t", [-10.0, 0.0, 20.0, 40.0])
@pytest.mark.parametrize("p", [80e3, 101325.0, 200e3])
def test_ideal_air_is_close_enough_to_real_air(t: float, p: float) -> None:
    assert air_density_kg_m3(p, 273.15 + t) == pytest.approx(PropsSI("D", "T", 273.15 + t, "P", p, "Air"), rel=1.5e-3)


@given(st.floats(60e3, 110e3), st.floats(288.15, 300.15), st.floats(0, 1), st.floats(0, 1))
def test_moister_air_is_lighter(p: float, t: float, h1: float, h2: float) -> None:
    low, high = sorted((h1, h2))
    assert moist_air_density_kg_m3(p, t, high) <= moist_air_density_kg_m3(p, t, low)


@pytest.mark.parametrize(
    ("p", "t", "h"),
    [
        (0.0, 293.0, 0.5),
        (-1.0, 293.0, 0.5),
        (1e5, 0.0, 0.5),
        (1e5, 293.0, 50.0),
        (1e5, 293.0, -0.1),
        (math.nan, 293.0, 0.5),
    ],
)
def test_moist_air_refuses_states_that_cannot_be(p: float, t: float, h: float) -> None:
    with pytest.raises(ValueError, match="needs"):
        moist_air_density_kg_m3(p, t, h)


@pytest.mark.parametrize(("p", "t"), [(-1.0, 293.0), (1e5, 0.0), (1e5, -20.0), (math.nan, 293.0), (1e5, math.nan)])
def test_dry_air_refuses_states_that_cannot_be(p: float, t: float) -> None:
    with pytest.raises(ValueError, match="above 0 K"):
        air_density_kg_m3(p, t)


SUTHERLAND = "Sutherland's formula, 1.716e-5 Pa s at 273.15 K and S = 110.4 K, by hand"
USSA_MU = "US Standard Atmosphere 1976, 1.458e-6 T^1.5 / (T + 110.4)"
VISCOSITY = [
    Check("0 degC", lambda: 1e6 * air_viscosity_pa_s(273.15), 17.160, 1e-3, SUTHERLAND),
    Check("15 degC", lambda: 1e6 * air_viscosity_pa_s(288.15), 17.893, 1e-3, SUTHERLAND),
    Check("20 degC", lambda: 1e6 * air_viscosity_pa_s(293.15), 18.133, 1e-3, SUTHERLAND),
    Check("25 degC", lambda: 1e6 * air_viscosity_pa_s(298.15), 18.371, 1e-3, SUTHERLAND),
    Check("40 degC", lambda: 1e6 * air_viscosity_pa_s(313.15), 19.075, 1e-3, SUTHERLAND),
    Check("standard atmosphere, sea level", lambda: 1e6 * air_viscosity_pa_s(288.15), 17.8938, 2e-3, USSA_MU),
    Check("standard atmosphere, 20 degC", lambda: 1e6 * air_viscosity_pa_s(293.15), 18.1341, 2e-3, USSA_MU),
]


@each(VISCOSITY)
def test_air_viscosity_is_as_published(check: Check) -> None:
    check.hold()


@pytest.mark.parametrize("t", [0.0, 10.0, 20.0, 30.0, 40.0])
def test_air_viscosity_agrees_with_lemmon_and_jacobsen(t: float) -> None:
    ours = air_viscosity_pa_s(273.15 + t)
    assert ours == pytest.approx(PropsSI("V", "T", 273.15 + t, "P", 101325.0, "Air"), rel=6e-3)


@pytest.mark.parametrize("t", [0.0, -5.0, math.nan])
def test_air_viscosity_needs_a_temperature_above_zero(t: float) -> None:
    with pytest.raises(ValueError, match="above 0 K"):
        air_viscosity_pa_s(t)


def air_at(z: float) -> float:
    return air_density_kg_m3(atmosphere_pa(z), atmosphere_temperature_k(z))


def gravity_at(z: float) -> float:
    return local_gravity_m_s2(45.5425, z)  # the latitude of the 1976 atmosphere


HANDBOOK_ROWS = [  # z in m, T in K, rho in kg/m3, g in m/s2
    (0, 288.15, 1.2250, 9.8067),
    (1000, 281.65, 1.1117, 9.8036),
    (2000, 275.15, 1.0066, 9.8005),
    (3000, 268.66, 0.9093, 9.7974),
]
ATMOSPHERE = [
    *(Check(f"T {z} m", partial(atmosphere_temperature_k, z), t, 0.01, HANDBOOK) for z, t, _, _ in HANDBOOK_ROWS),
    *(Check(f"rho {z} m", partial(air_at, z), rho, 1e-4, HANDBOOK) for z, _, rho, _ in HANDBOOK_ROWS),
    *(Check(f"g {z} m", partial(gravity_at, z), g, 1e-4, HANDBOOK) for z, _, _, g in HANDBOOK_ROWS),
    Check("p 1000 m", lambda: atmosphere_pa(1000), 89876.3, 0.1, "US Standard Atmosphere 1976 (NOAA-S/T 76-1562)"),
]


@each(ATMOSPHERE)
def test_standard_atmosphere_is_as_published(check: Check) -> None:
    check.hold()


@pytest.mark.parametrize("z", [-500.0, 0.0, 250.0, 1000.0, 4000.0, 9000.0])
def test_standard_atmosphere_agrees_with_a_reference_library(z: float) -> None:
    theirs = ATMOSPHERE_1976(z)
    assert atmosphere_pa(z) == pytest.approx(theirs.P, rel=1e-6)
    assert atmosphere_temperature_k(z) == pytest.approx(theirs.T, rel=1e-7)
    assert air_at(z) == pytest.approx(theirs.rho, rel=2e-5)


@pytest.mark.parametrize("z", [-1001.0, 11001.0, math.nan])
def test_standard_atmosphere_stays_in_the_troposphere(z: float) -> None:
    with pytest.raises(ValueError, match="altitude must lie"):
        atmosphere_pa(z)


GRAVITY = [
    Check("equator", lambda: local_gravity_m_s2(0), 9.780325, 1e-6, SOMIGLIANA),
    Check("30 degrees", lambda: local_gravity_m_s2(30), 9.793247, 1e-6, SOMIGLIANA),
    Check("45 degrees", lambda: local_gravity_m_s2(45), 9.806198, 1e-6, SOMIGLIANA),
    Check("60 degrees south", lambda: local_gravity_m_s2(-60), 9.819177, 1e-6, SOMIGLIANA),
    Check("pole", lambda: local_gravity_m_s2(90), 9.832185, 1e-6, SOMIGLIANA),
    Check(
        "10 km up",
        lambda: gravity_at(10e3),
        9.80665 * (6356766.0 / 6366766.0) ** 2,
        6e-5,
        "US Standard Atmosphere 1976, inverse square of the distance, by hand",
    ),
    Check(
        "free air, each metre",
        lambda: 1e6 * (local_gravity_m_s2(45, 0) - local_gravity_m_s2(45, 1)),
        3.086,
        2e-3,
        "free-air gradient 0.3086 mGal/m of geodesy (from memory)",
    ),
]


@each(GRAVITY)
def test_gravity_is_as_published(check: Check) -> None:
    check.hold()


@pytest.mark.parametrize(
    ("latitude", "altitude"), [(90.1, 0.0), (-91.0, 0.0), (math.nan, 0.0), (0.0, 2e4), (0.0, -2e3)]
)
def test_gravity_refuses_places_off_the_map(latitude: float, altitude: float) -> None:
    with pytest.raises(ValueError, match="must lie from"):
        local_gravity_m_s2(latitude, altitude)
