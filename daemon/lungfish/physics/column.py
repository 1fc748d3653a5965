"""Between the tip and the transmitter: gas weighs something, inside the tube and outside it.

All of this is at rest: friction and ripple come on top (see `friction` and `bubble`). Heights are
counted upwards from the tip. The gas is dry air at one temperature inside and outside.
"""

from __future__ import annotations

import math

from lungfish.physics.air import air_density_kg_m3
from lungfish.physics.constants import R_AIR_J_KG_K, STANDARD_GRAVITY_M_S2

__all__ = ["gas_column_pa", "gauge_at_transmitter_pa", "head_from_gauge_m"]


def gas_column_pa(
    gauge_pa: float,
    height_m: float,
    atmosphere_pa: float,
    temperature_k: float,
    exact: bool = False,
    *,
    gravity_m_s2: float = STANDARD_GRAVITY_M_S2,
) -> float:
    """Weight of the gas in the tube: how far the pressure at its foot exceeds that at its top.

    Source: hydrostatics of an isothermal ideal gas, ``p (exp(g H / R T) - 1)``, or its first term.

    Args:
        gauge_pa: Gauge pressure at the top (the transmitter), Pa.
        height_m: Height of the column, m.
        atmosphere_pa: Absolute pressure of the surrounding air, Pa.
        temperature_k: Gas temperature, K.
        exact: The exponential instead of the first term; 0.07 Pa apart for 10 m.
        gravity_m_s2: Local gravity, m/s2.

    Returns:
        Pressure difference, Pa.

    Raises:
        ValueError: Absolute pressure negative, or temperature not above zero.
    """
    abs_pa = atmosphere_pa + gauge_pa
    density = air_density_kg_m3(abs_pa, temperature_k)
    if exact:
        return abs_pa * math.expm1(gravity_m_s2 * height_m / (R_AIR_J_KG_K * temperature_k))
    return density * gravity_m_s2 * height_m


def gauge_at_transmitter_pa(
    head_m: float,
    *,
    density_kg_m3: float,
    gravity_m_s2: float,
    height_m: float,
    atmosphere_pa: float,
    air_k: float,
    surface_rise_m: float = 0.0,
) -> float:
    """Gauge pressure that the transmitter sees for a head of liquid, no air flowing.

    ``p = rho g (h - z) - rho_gas(p) g (H - z) + rho_air g (H - h)``: the liquid, less the gas in the tube,
    plus the outside air between the liquid's surface and the transmitter. Since ``rho_gas`` is
    proportional to the absolute pressure the equation is linear in ``p`` and solved exactly.

    Args:
        head_m: Liquid above the tip (h), m. Below zero counts as zero: the tip hangs in air.
        density_kg_m3: Density of the liquid, kg/m3.
        gravity_m_s2: Local gravity, m/s2.
        height_m: Transmitter above the tip (H), m.
        atmosphere_pa: Absolute pressure of the outside air at the transmitter, Pa.
        air_k: Temperature of the air inside and outside the tube, K.
        surface_rise_m: Liquid standing inside the tube above the tip (z), m; 0 when it is cleared.

    Returns:
        Gauge pressure, Pa.
    """
    head_m = max(head_m, 0.0)
    per_m = gravity_m_s2 / (R_AIR_J_KG_K * air_k)  # share of the absolute pressure that a metre of gas adds
    gas_m = height_m - surface_rise_m
    liquid_pa = density_kg_m3 * gravity_m_s2 * (head_m - surface_rise_m)
    outside_pa = atmosphere_pa * per_m * (height_m - head_m)
    return (liquid_pa + outside_pa - atmosphere_pa * per_m * gas_m) / (1.0 + per_m * gas_m)


def head_from_gauge_m(
    gauge_pa: float,
    *,
    density_kg_m3: float,
    gravity_m_s2: float,
    height_m: float,
    atmosphere_pa: float,
    air_k: float,
) -> float:
    """Head of liquid above the tip, from the gauge pressure of a cleared tube at rest.

    Exact inverse of `gauge_at_transmitter_pa` with no liquid in the tube; the two air columns fold into
    ``h = p (1 + g H / R T) / ((rho - rho_air) g)``.

    Args:
        gauge_pa: Gauge pressure at the transmitter, Pa; a little below zero is zero drift or noise.
        density_kg_m3: Density of the liquid, kg/m3.
        gravity_m_s2: Local gravity, m/s2.
        height_m: Transmitter above the tip, m.
        atmosphere_pa: Absolute pressure of the outside air at the transmitter, Pa.
        air_k: Temperature of the air inside and outside the tube, K.

    Returns:
        Head, m; below zero for a gauge pressure below zero.

    Raises:
        ValueError: The liquid is not denser than the air.
    """
    buoyant = density_kg_m3 - air_density_kg_m3(atmosphere_pa, air_k)
    if not buoyant * gravity_m_s2 > 0.0:
        msg = (
            f"the liquid must be denser than air and gravity above zero: {density_kg_m3:g} kg/m3, {gravity_m_s2:g} m/s2"
        )
        raise ValueError(msg)
    return gauge_pa * (1.0 + gravity_m_s2 * height_m / (R_AIR_J_KG_K * air_k)) / (buoyant * gravity_m_s2)
