"""Liquids at rest: density, and pressure against depth."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise

from lungfish.physics.constants import ZERO_CELSIUS_K

__all__ = ["DensityTable", "depth_m", "hydrostatic_pa", "water_density_kg_m3"]

_ROUNDING_K = 1e-9  # 40 degC written in kelvin and back is not always 40.0


def water_density_kg_m3(temperature_k: float) -> float:
    """Density of air-free water at 101325 Pa.

    Source: Tanaka, Girard, Davis, Peuto, Bignell, Metrologia 38 (2001) 301-309; the five-constant
    formula, uncertainty below 0.001 kg/m3. Water at 4 bar is 0.2 kg/m3 denser: not allowed for.

    Args:
        temperature_k: Water temperature, K; 0 to 40 degC.

    Returns:
        Density, kg/m3.

    Raises:
        ValueError: The temperature is outside 0 to 40 degC, or no number.
    """
    t = temperature_k - ZERO_CELSIUS_K
    if not -_ROUNDING_K <= t <= 40.0 + _ROUNDING_K:
        msg = f"water density is known from 273.15 K to 313.15 K (0 to 40 degC), not at {temperature_k:g} K"
        raise ValueError(msg)
    return 999.974950 * (1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def hydrostatic_pa(depth_m: float, density_kg_m3: float, gravity_m_s2: float) -> float:
    """Pressure difference across a column of liquid, ``rho g h`` (Stevin's law).

    Args:
        depth_m: Height of the column, m.
        density_kg_m3: Density, kg/m3.
        gravity_m_s2: Local gravity, m/s2.

    Returns:
        Pressure at the foot above that at the top, Pa.
    """
    return density_kg_m3 * gravity_m_s2 * depth_m


def depth_m(diff_pa: float, density_kg_m3: float, gravity_m_s2: float) -> float:
    """Height of the liquid column that makes a pressure difference; inverse of `hydrostatic_pa`.

    Args:
        diff_pa: Pressure at the foot above that at the top, Pa.
        density_kg_m3: Density, kg/m3; above zero.
        gravity_m_s2: Local gravity, m/s2; above zero.

    Returns:
        Height, m.

    Raises:
        ValueError: Density or gravity is not above zero.
    """
    weight = density_kg_m3 * gravity_m_s2
    if not weight > 0.0:
        msg = f"density times gravity must be above zero, not {weight:g} N/m3"
        raise ValueError(msg)
    return diff_pa / weight


@dataclass(frozen=True, slots=True)
class DensityTable:
    """Density of any liquid against temperature, straight lines between the rows.

    Raises:
        ValueError: Fewer than two rows, columns of unequal length, temperatures that do not rise, or a
            value that is not a positive number.
    """

    temperatures_k: tuple[float, ...]
    """Temperatures, K, rising; at least two."""
    densities_kg_m3: tuple[float, ...]
    """Density at each temperature, kg/m3; above zero."""

    def __post_init__(self) -> None:
        """Refuse a table that cannot be read in one way only."""
        rows = len(self.temperatures_k)
        if rows < 2 or rows != len(self.densities_kg_m3):
            msg = f"a density table needs two or more pairs, not {rows} and {len(self.densities_kg_m3)} values"
            raise ValueError(msg)
        if not all(math.isfinite(v) and v > 0.0 for v in (*self.temperatures_k, *self.densities_kg_m3)):
            msg = "every temperature (K) and density (kg/m3) in a density table must be above zero"
            raise ValueError(msg)
        if any(low >= high for low, high in pairwise(self.temperatures_k)):
            msg = "temperatures in a density table must rise from row to row"
            raise ValueError(msg)

    def at(self, temperature_k: float) -> float:
        """Density at a temperature, by linear interpolation.

        Args:
            temperature_k: Liquid temperature, K, inside the table.

        Returns:
            Density, kg/m3.

        Raises:
            ValueError: The temperature is outside the table: it is never extrapolated.
        """
        low, high = self.temperatures_k[0], self.temperatures_k[-1]
        if not low - _ROUNDING_K <= temperature_k <= high + _ROUNDING_K:
            msg = f"the density table runs from {low:g} K to {high:g} K; {temperature_k:g} K is outside"
            raise ValueError(msg)
        right = min(max(bisect_right(self.temperatures_k, temperature_k), 1), len(self.temperatures_k) - 1)
        t0, t1 = self.temperatures_k[right - 1 : right + 1]
        d0, d1 = self.densities_kg_m3[right - 1 : right + 1]
        return d0 + (d1 - d0) * (temperature_k - t0) / (t1 - t0)
