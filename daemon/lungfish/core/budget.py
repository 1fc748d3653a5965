"""Uncertainty by the GUM (JCGM 100:2008): values with standard uncertainties, and the budget that combines them."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["COVERAGE_FACTOR", "Budget", "Contribution", "Measured"]

COVERAGE_FACTOR = 2.0
"""k of every expanded uncertainty that lungfish shows: about 95 % for the many degrees of freedom of a level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A value with its standard uncertainty (k = 1)."""

    value: float
    """In the unit that the field's name states."""
    u: float
    """Standard uncertainty, same unit."""
    dof: float = math.inf
    """Degrees of freedom; infinite when known well or by type B."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One line of a budget: an input's uncertainty and what it does to the result."""

    name: str
    """What it comes from, in the words of the trade."""
    u: float
    """Standard uncertainty of the input, in the input's unit."""
    sensitivity: float
    """Derivative of the result to the input, result unit per input unit."""
    unit: str
    """Unit of the input, for display."""
    dof: float = math.inf
    """Degrees of freedom of `u`."""

    @property
    def effect(self) -> float:
        """|sensitivity| u: standard uncertainty that this line alone gives the result."""
        return abs(self.sensitivity) * self.u


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Uncorrelated contributions to one result."""

    contributions: tuple[Contribution, ...]
    """In the order of display."""

    @property
    def combined(self) -> float:
        """Combined standard uncertainty: root sum of squares (JCGM 100:2008, eq. 10)."""
        return math.sqrt(math.fsum(line.effect**2 for line in self.contributions))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom by Welch and Satterthwaite (JCGM 100:2008, eq. G.2b)."""
        combined = self.combined
        spread = math.fsum(line.effect**4 / line.dof for line in self.contributions)
        return combined**4 / spread if spread > 0 else math.inf

    def expanded(self, k: float = COVERAGE_FACTOR) -> float:
        """Expanded uncertainty U = k u_c.

        Args:
            k: coverage factor, to be printed beside the result.
        """
        return k * self.combined
