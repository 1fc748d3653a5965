"""Air: density, viscosity and the standard atmosphere."""

from __future__ import annotations

import math

from lungfish.physics.constants import R_AIR_J_KG_K, STANDARD_ATMOSPHERE_PA, STANDARD_GRAVITY_M_S2, ZERO_CELSIUS_K

__all__ = [
    "air_density_kg_m3",
    "air_viscosity_pa_s",
    "atmosphere_pa",
    "atmosphere_temperature_k",
    "moist_air_density_kg_m3",
]


def _require_state(abs_pa: float, temperature_k: float) -> None:
    if not (abs_pa >= 0.0 and temperature_k > 0.0):
        msg = (
            f"needs a pressure of 0 Pa absolute or more and a temperature above 0 K: {abs_pa:g} Pa, {temperature_k:g} K"
        )
        raise ValueError(msg)


def air_density_kg_m3(abs_pa: float, temperature_k: float) -> float:
    """Density of dry air as an ideal gas, ``p / (R T)``; within 0.15 % of real air up to 2 bar from -10 to 40 degC.

    Args:
        abs_pa: Absolute pressure, Pa.
        temperature_k: Temperature, K.

    Returns:
        Density, kg/m3.

    Raises:
        ValueError: Negative pressure, or temperature not above zero.
    """
    _require_state(abs_pa, temperature_k)
    return abs_pa / (R_AIR_J_KG_K * temperature_k)


def moist_air_density_kg_m3(abs_pa: float, temperature_k: float, relative_humidity: float) -> float:
    """Density of moist air, the CIPM-2007 equation with 400 ppm carbon dioxide.

    Source: Picard, Davis, Glaeser, Fujii, Metrologia 45 (2008) 149-155. Stated for 15 to 27 degC and 600 to
    1100 hPa, where its relative uncertainty is 2.2e-5; outside it is an extrapolation.

    Args:
        abs_pa: Absolute pressure, Pa; above zero.
        temperature_k: Temperature, K.
        relative_humidity: 0 to 1.

    Returns:
        Density, kg/m3.

    Raises:
        ValueError: Pressure or temperature not above zero, or humidity outside 0 to 1.
    """
    _require_state(abs_pa, temperature_k)
    if not (abs_pa > 0.0 and 0.0 <= relative_humidity <= 1.0):
        msg = f"needs a pressure above zero and a humidity from 0 to 1: {abs_pa:g} Pa, {relative_humidity:g}"
        raise ValueError(msg)
    t = temperature_k - ZERO_CELSIUS_K
    saturation_pa = math.exp(
        1.2378847e-5 * temperature_k**2 - 1.9121316e-2 * temperature_k + 33.93711047 - 6.3431645e3 / temperature_k
    )
    enhancement = 1.00062 + 3.14e-8 * abs_pa + 5.6e-7 * t * t
    xv = relative_humidity * enhancement * saturation_pa / abs_pa  # mole fraction of water vapour
    ratio = abs_pa / temperature_k
    virial = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t * t
        + (5.707e-6 - 2.051e-8 * t) * xv
        + (1.9898e-4 - 2.376e-6 * t) * xv * xv
    )
    compressibility = 1.0 - ratio * virial + ratio * ratio * (1.83e-11 - 0.765e-8 * xv * xv)
    return ratio * 28.96546e-3 / (compressibility * 8.314472) * (1.0 - xv * (1.0 - 18.01528 / 28.96546))


def air_viscosity_pa_s(temperature_k: float) -> float:
    """Dynamic viscosity of air by Sutherland's formula; no dependence on pressure below some bar.

    Source: Sutherland 1893; constants 1.716e-5 Pa s at 273.15 K and S = 110.4 K as in the US Standard
    Atmosphere 1976. Within 0.6 % of the Lemmon-Jacobsen formulation from 0 to 40 degC.

    Args:
        temperature_k: Temperature, K; above zero.

    Returns:
        Dynamic viscosity, Pa s.

    Raises:
        ValueError: Temperature not above zero.
    """
    _require_state(0.0, temperature_k)
    t0, s = 273.15, 110.4
    return 1.716e-5 * math.pow(temperature_k / t0, 1.5) * (t0 + s) / (temperature_k + s)


_EARTH_RADIUS_M = 6356766.0
_SEA_LEVEL_K = 288.15
_LAPSE_K_M = 0.0065
_STD_ATM_R_J_KG_K = 8314.32 / 28.9644  # the 1976 constants, kept for agreement with its tables


def atmosphere_temperature_k(altitude_m: float) -> float:
    """Temperature of the US Standard Atmosphere 1976 in the troposphere.

    Args:
        altitude_m: Geometric altitude, m; -1000 to 11000.

    Returns:
        Temperature, K.

    Raises:
        ValueError: Altitude out of range.
    """
    if not -1000.0 <= altitude_m <= 11000.0:
        msg = f"altitude must lie from -1000 m to 11000 m, not {altitude_m:g} m"
        raise ValueError(msg)
    return _SEA_LEVEL_K - _LAPSE_K_M * _EARTH_RADIUS_M * altitude_m / (_EARTH_RADIUS_M + altitude_m)


def atmosphere_pa(altitude_m: float) -> float:
    """Absolute pressure of the US Standard Atmosphere 1976 in the troposphere (NOAA-S/T 76-1562, eq. 33a).

    Weather moves the real pressure by about 3 % about this.

    Args:
        altitude_m: Geometric altitude, m; -1000 to 11000.

    Returns:
        Absolute pressure, Pa.

    Raises:
        ValueError: Altitude out of range.
    """
    exponent = STANDARD_GRAVITY_M_S2 / (_STD_ATM_R_J_KG_K * _LAPSE_K_M)
    return STANDARD_ATMOSPHERE_PA * math.pow(atmosphere_temperature_k(altitude_m) / _SEA_LEVEL_K, exponent)
