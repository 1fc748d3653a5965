"""Physical constants that more than one formula needs, in SI.

Each line names its source. A constant used by one formula alone stands beside that formula.
"""

from __future__ import annotations

from typing import Final

__all__ = [
    "ANR_DENSITY_KG_M3",
    "ANR_PRESSURE_PA",
    "ANR_TEMPERATURE_K",
    "GAMMA_AIR",
    "M_AIR_KG_MOL",
    "R_AIR_J_KG_K",
    "R_GAS_J_MOL_K",
    "STANDARD_ATMOSPHERE_PA",
    "STANDARD_GRAVITY_M_S2",
    "ZERO_CELSIUS_K",
]

STANDARD_GRAVITY_M_S2: Final = 9.80665
"""Standard acceleration of free fall, m/s2 (3rd CGPM, 1901); exact by definition."""

STANDARD_ATMOSPHERE_PA: Final = 101325.0
"""Standard atmosphere, Pa absolute (10th CGPM, 1954); exact by definition."""

ZERO_CELSIUS_K: Final = 273.15
"""0 degC in K; exact by definition of the degree Celsius (SI Brochure)."""

R_GAS_J_MOL_K: Final = 8.314462618
"""Molar gas constant, J/(mol K) (SI since 2019: product of two exact constants, rounded)."""

M_AIR_KG_MOL: Final = 28.9647e-3
"""Molar mass of dry air, kg/mol (common handbook value; CIPM-2007 has 28.96546e-3)."""

R_AIR_J_KG_K: Final = 287.055
"""Specific gas constant of dry air, J/(kg K): R / M of the two lines above, rounded."""

GAMMA_AIR: Final = 1.4
"""Ratio of specific heats of air, 1 (diatomic ideal gas; NACA Report 1135)."""

ANR_PRESSURE_PA: Final = 100_000.0
"""Standard reference atmosphere of pneumatics, Pa absolute (ISO 8778)."""

ANR_TEMPERATURE_K: Final = 293.15
"""Temperature of the standard reference atmosphere, K (ISO 8778: 20 degC)."""

ANR_DENSITY_KG_M3: Final = 1.185
"""Density of air in that state (65 % relative humidity), kg/m3, as ISO 6358 prints it.

CIPM-2007 gives 1.1820 for the same state, so masses that use this are good to 0.3 %.
"""
