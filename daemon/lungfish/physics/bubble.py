"""Bubbles at the tip: their excess pressure, size, rate and the ripple they make.

Sizes and rates are models, within about 30 % of real bubbles: bounds and expectations, never corrections.
"""

from __future__ import annotations

import math

__all__ = [
    "ADDED_MASS_11_16",
    "ADDED_MASS_HALF",
    "bubble_frequency_hz",
    "bubble_pressure_pa",
    "bubble_volume_m3",
    "ripple_bound_pa",
    "sphere_diameter_m",
    "surface_tension_n_m",
    "tate_volume_m3",
]

ADDED_MASS_HALF = 0.5
"""Liquid carried along by a sphere in unbounded liquid, in displaced masses (Davidson and Harrison)."""

ADDED_MASS_11_16 = 11.0 / 16.0
"""The same for a sphere touching a wall (Davidson and Schuler 1960)."""


def surface_tension_n_m(temperature_k: float) -> float:
    """Surface tension of clean water against air or its vapour; dirt and soap lower it.

    Source: IAPWS R1-76(2014), ``235.8e-3 tau^1.256 (1 - 0.625 tau)``, tau = 1 - T / 647.096 K.

    Args:
        temperature_k: Temperature, K; 248.15 to 647.096.

    Returns:
        Surface tension, N/m.

    Raises:
        ValueError: Temperature out of range.
    """
    if not 248.15 <= temperature_k <= 647.096:
        msg = f"surface tension of water is known from 248.15 K to 647.096 K, not at {temperature_k:g} K"
        raise ValueError(msg)
    tau = 1.0 - temperature_k / 647.096
    return 0.2358 * math.pow(tau, 1.256) * (1.0 - 0.625 * tau)


def bubble_pressure_pa(radius_m: float, tension: float) -> float:
    """Excess pressure inside a spherical bubble, ``2 sigma / r`` (Young-Laplace).

    With the tube's bore radius it bounds the pressure that the last bubble needs, for small bores: far
    below the capillary length, 2.7 mm for water.

    Args:
        radius_m: Radius, m; above zero.
        tension: Surface tension, N/m.

    Returns:
        Pressure inside above that outside, Pa.

    Raises:
        ValueError: Radius not above zero.
    """
    if not radius_m > 0.0:
        msg = f"a bubble needs a radius above zero, not {radius_m:g} m"
        raise ValueError(msg)
    return 2.0 * tension / radius_m


def ripple_bound_pa(bore_m: float, density_kg_m3: float, gravity_m_s2: float) -> float:
    """Bound on the ripple while air leaves the tip: one bore of liquid, peak to peak (common practice).

    Args:
        bore_m: Inside diameter of the tube at the tip, m.
        density_kg_m3: Density of the liquid, kg/m3.
        gravity_m_s2: Local gravity, m/s2.

    Returns:
        Peak-to-peak pressure, Pa.
    """
    return density_kg_m3 * gravity_m_s2 * bore_m


def bubble_volume_m3(volume_flow_m3_s: float, gravity_m_s2: float, added_mass: float = ADDED_MASS_HALF) -> float:
    """Volume of bubbles formed at a constant flow in a thin liquid, surface tension left out.

    A sphere grows while buoyancy lifts it against its added mass ``a``, and leaves when it has risen by its
    radius: ``V = (4 a (3 / 4pi)^(1/3))^0.6 Q^1.2 g^-0.6``. Source: Davidson and Schuler, Trans. IChemE 38
    (1960) 335-342; Davidson and Harrison 1963.

    Args:
        volume_flow_m3_s: Flow at the pressure of the tip, m3/s; zero or more.
        gravity_m_s2: Local gravity, m/s2.
        added_mass: Added mass of the bubble in displaced masses, 1.

    Returns:
        Bubble volume, m3; coefficient 1.138 for 1/2, 1.378 for 11/16.
    """
    coefficient = math.pow(4.0 * added_mass * math.cbrt(3.0 / (4.0 * math.pi)), 0.6)
    return coefficient * math.pow(volume_flow_m3_s, 1.2) * math.pow(gravity_m_s2, -0.6)


def bubble_frequency_hz(volume_flow_m3_s: float, gravity_m_s2: float, added_mass: float = ADDED_MASS_HALF) -> float:
    """Rate at which bubbles of `bubble_volume_m3` leave the tip.

    Args:
        volume_flow_m3_s: Flow at the pressure of the tip, m3/s; zero or more.
        gravity_m_s2: Local gravity, m/s2.
        added_mass: Added mass of the bubble in displaced masses, 1.

    Returns:
        Frequency, Hz; zero for no flow.
    """
    if volume_flow_m3_s == 0.0:
        return 0.0
    return volume_flow_m3_s / bubble_volume_m3(volume_flow_m3_s, gravity_m_s2, added_mass)


def tate_volume_m3(radius_m: float, tension: float, density_difference_kg_m3: float, gravity_m_s2: float) -> float:
    """Largest bubble that surface tension can hold to a rim, very slow flow (Tate's law, ``2 pi r sigma / (drho g)``).

    Args:
        radius_m: Radius of the rim, m.
        tension: Surface tension, N/m.
        density_difference_kg_m3: Liquid less gas, kg/m3.
        gravity_m_s2: Local gravity, m/s2.

    Returns:
        Bubble volume, m3.
    """
    return 2.0 * math.pi * radius_m * tension / (density_difference_kg_m3 * gravity_m_s2)


def sphere_diameter_m(volume_m3: float) -> float:
    """Diameter of the sphere of a given volume.

    Args:
        volume_m3: Volume, m3; zero or more.

    Returns:
        Diameter, m.
    """
    return math.cbrt(6.0 * volume_m3 / math.pi)
