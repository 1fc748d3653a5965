"""What openings owe: the rise that a rising level or a leak makes them bring, if air comes."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Balance"]

_OWED_SIGMAS = 8.0
_OWED_PA = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Since air was last proven: the rise that openings owed, and what they brought.

    A level that rises compresses the air of a shut tube, so that the pressure shows only a part of it. Opening must
    bring the rest, if air comes.
    """

    owed_pa: float
    """Rise that must have come, at least, Pa."""
    expected_pa: float
    """Rise that is expected, the leak's whole share in it, Pa."""
    brought_pa: float
    """Rise that came, Pa."""
    brought_var_pa2: float
    """Variance of what came, Pa2."""

    @property
    def telling(self) -> bool:
        """What is owed stands out of noise and frozen ripple."""
        return self.owed_pa > _OWED_SIGMAS * math.sqrt(self.brought_var_pa2) + _OWED_PA

    @property
    def paid(self) -> bool:
        """What came is what must have come: no supply that gives out stops just there."""
        return self.telling and 0.7 < self.brought_pa / self.expected_pa < 1.5

    @property
    def unpaid(self) -> bool:
        """No air came."""
        return self.telling and self.brought_pa < 0.3 * self.owed_pa
