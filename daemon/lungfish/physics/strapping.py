"""Strapping tables: a vessel known by measured pairs of level and volume."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise

__all__ = ["Strapping"]

_SLACK_M = 1e-6  # a level this far outside is rounding, not a mistake
_SLACK_SHARE = 1e-9  # the same for a volume, of the full one


@dataclass(frozen=True, slots=True)
class Strapping:
    """A vessel by its strapping table, straight lines between the rows (common practice).

    Nothing is known outside the table and nothing is assumed there. Between rows the error is at most that of
    a chord: an inch apart it is as a rule below the table's own rounding.

    Raises:
        ValueError: Fewer than two rows, columns of unequal length, a value that is no number or below zero, or
            a column that does not rise from row to row.
    """

    levels_m: tuple[float, ...]
    """Levels above the lowest point, m, rising; at least two."""
    volumes_m3: tuple[float, ...]
    """Volume at each level, m3, rising."""

    def __post_init__(self) -> None:
        """Refuse a table that cannot be read both ways."""
        rows = len(self.levels_m)
        if rows < 2 or rows != len(self.volumes_m3):
            msg = f"a strapping table needs two or more pairs, not {rows} levels and {len(self.volumes_m3)} volumes"
            raise ValueError(msg)
        for name, column in (("levels", self.levels_m), ("volumes", self.volumes_m3)):
            if not all(math.isfinite(v) and v >= 0.0 for v in column):
                msg = f"{name} in a strapping table must be numbers of zero or more"
                raise ValueError(msg)
            for row, (low, high) in enumerate(pairwise(column), start=2):
                if low >= high:
                    msg = f"{name} in a strapping table must rise: row {row} has {high:g} after {low:g}"
                    raise ValueError(msg)

    @property
    def height_m(self) -> float:
        """Highest level in the table, m."""
        return self.levels_m[-1]

    @property
    def full_m3(self) -> float:
        """Volume at the highest level, m3."""
        return self.volumes_m3[-1]

    def volume_m3(self, level_m: float) -> float:
        """Volume of liquid below a level.

        Args:
            level_m: Level above the lowest point, m, inside the table.

        Returns:
            Volume, m3.

        Raises:
            ValueError: The level is outside the table, or no number.
        """
        if not self.levels_m[0] - _SLACK_M <= level_m <= self.levels_m[-1] + _SLACK_M:
            msg = (
                f"level {level_m:g} m is outside the strapping table ({self.levels_m[0]:g} to {self.levels_m[-1]:g} m)"
            )
            raise ValueError(msg)
        return _read(self.levels_m, self.volumes_m3, level_m)

    def level_m(self, volume_m3: float) -> float:
        """Level at which the vessel holds a volume; inverse of `volume_m3`.

        Args:
            volume_m3: Volume of liquid, m3, inside the table.

        Returns:
            Level above the lowest point, m.

        Raises:
            ValueError: The volume is outside the table, or no number.
        """
        slack = _SLACK_SHARE * self.full_m3
        if not self.volumes_m3[0] - slack <= volume_m3 <= self.full_m3 + slack:
            low = self.volumes_m3[0]
            msg = f"volume {volume_m3:g} m3 is outside the strapping table ({low:g} to {self.full_m3:g} m3)"
            raise ValueError(msg)
        return _read(self.volumes_m3, self.levels_m, volume_m3)


def _read(xs: tuple[float, ...], ys: tuple[float, ...], x: float) -> float:
    x = min(max(x, xs[0]), xs[-1])
    right = min(bisect_right(xs, x), len(xs) - 1)
    share = (x - xs[right - 1]) / (xs[right] - xs[right - 1])
    return ys[right - 1] + share * (ys[right] - ys[right - 1])
