"""Local gravity from latitude and altitude."""

from __future__ import annotations

import math

__all__ = ["local_gravity_m_s2"]

# WGS 84 defining and derived constants (NGA.STND.0036).
_EQUATOR_M_S2 = 9.7803253359
_SOMIGLIANA_K = 0.00193185265241
_ECCENTRICITY_SQUARED = 0.00669437999013
_SEMI_MAJOR_M = 6378137.0
_FLATTENING = 1.0 / 298.257223563
_GRAVITY_RATIO_M = 0.00344978650684


def local_gravity_m_s2(latitude_deg: float, altitude_m: float = 0.0) -> float:
    """Normal gravity of the WGS 84 ellipsoid at a place.

    Source: Somigliana's formula at the ellipsoid and the second-order free-air reduction above it
    (NGA.STND.0036, WGS 84, sections 4.1 and 4.3). Real gravity differs by its anomaly, as a rule below 0.01 %.

    Args:
        latitude_deg: Geodetic latitude, degrees; -90 to 90.
        altitude_m: Height above sea level, m; -1000 to 10000.

    Returns:
        Gravity, m/s2.

    Raises:
        ValueError: Latitude or altitude out of range.
    """
    if not -90.0 <= latitude_deg <= 90.0:
        msg = f"latitude must lie from -90 to 90 degrees, not {latitude_deg:g}"
        raise ValueError(msg)
    if not -1000.0 <= altitude_m <= 10000.0:
        msg = f"altitude must lie from -1000 m to 10000 m, not {altitude_m:g} m"
        raise ValueError(msg)
    s2 = math.sin(math.radians(latitude_deg)) ** 2
    surface = _EQUATOR_M_S2 * (1.0 + _SOMIGLIANA_K * s2) / math.sqrt(1.0 - _ECCENTRICITY_SQUARED * s2)
    x = altitude_m / _SEMI_MAJOR_M
    return surface * (1.0 - 2.0 * (1.0 + _FLATTENING + _GRAVITY_RATIO_M - 2.0 * _FLATTENING * s2) * x + 3.0 * x * x)
