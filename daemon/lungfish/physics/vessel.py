"""Vessels: the volume of liquid below a level, and the level of a volume.

Every level counts from the lowest point inside the vessel, 0 to `height_m`. Walls only: pipes, pumps and
benching inside are not taken off. A vessel that no formula fits is a `Strapping` table.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from lungfish.physics.heads import ConeHead, FlatHead, Head, end_volume_m3

__all__ = ["ConeBottom", "HorizontalCylinder", "Rectangle", "Sphere", "UprightCylinder", "Vessel"]

_SLACK_M = 1e-6  # a level this far outside is rounding, not a mistake
_SLACK_SHARE = 1e-9  # the same for a volume, of the full one


def _require_size(**sizes: float) -> None:
    for name, value in sizes.items():
        if not 0.0 < value < math.inf:
            msg = f"{name.replace('_', ' ')} of a vessel must be above zero, not {value:g} m"
            raise ValueError(msg)


class Vessel(Protocol):
    """What every vessel answers: a shape of this module, or a strapping table."""

    @property
    def height_m(self) -> float:
        """Highest level, m."""

    @property
    def full_m3(self) -> float:
        """Volume when full, m3."""

    def volume_m3(self, level_m: float) -> float:
        """Volume of liquid below a level, m3.

        Raises:
            ValueError: The level is outside the vessel.
        """

    def level_m(self, volume_m3: float) -> float:
        """Level at which the vessel holds a volume, m.

        Raises:
            ValueError: The vessel cannot hold this volume.
        """


class _Shape(ABC):
    """A vessel whose contents are a formula of its level."""

    if TYPE_CHECKING:  # a field in some shapes and a property in others; at run time it would be the field's default

        @property
        def height_m(self) -> float:
            """Highest level, m."""

    @abstractmethod
    def _held_m3(self, level_m: float) -> float:
        """Volume below a level that is known to lie from 0 to the height, m3."""

    @property
    def full_m3(self) -> float:
        """Volume when full, m3."""
        return self._held_m3(self.height_m)

    def volume_m3(self, level_m: float) -> float:
        """Volume of liquid below a level.

        Args:
            level_m: Level above the lowest point, m; 0 to `height_m`.

        Returns:
            Volume, m3.

        Raises:
            ValueError: The level is outside the vessel (by more than 1 micrometre), or no number.
        """
        if not -_SLACK_M <= level_m <= self.height_m + _SLACK_M:
            msg = f"level {level_m:g} m is outside the vessel (0 to {self.height_m:g} m)"
            raise ValueError(msg)
        return self._held_m3(min(max(level_m, 0.0), self.height_m))

    def level_m(self, volume_m3: float) -> float:
        """Level at which the vessel holds a volume; inverse of `volume_m3`, by bisection.

        Args:
            volume_m3: Volume of liquid, m3; 0 to `full_m3`.

        Returns:
            Level above the lowest point, m.

        Raises:
            ValueError: The vessel cannot hold this volume, or it is no number.
        """
        full = self.full_m3
        if not -_SLACK_SHARE * full <= volume_m3 <= full * (1.0 + _SLACK_SHARE):
            msg = f"volume {volume_m3:g} m3 is outside what the vessel holds (0 to {full:g} m3)"
            raise ValueError(msg)
        low, high = 0.0, self.height_m
        if volume_m3 <= 0.0:
            return low
        if volume_m3 >= full:
            return high
        while True:
            middle = (low + high) / 2.0
            if middle in (low, high) or high - low < 1e-13 * self.height_m:
                return middle
            if self._held_m3(middle) < volume_m3:
                low = middle
            else:
                high = middle


@dataclass(frozen=True)
class UprightCylinder(_Shape):
    """A standing cylinder with a bottom head and, where it is closed, a top head.

    Raises:
        ValueError: A size not above zero, a head that does not fit, or heads deeper than the height.
    """

    diameter_m: float
    """Inside diameter, m."""
    height_m: float
    """Inside height over all, from the lowest point to the highest, heads included, m."""
    bottom: Head = field(default_factory=FlatHead)
    """Bottom head, bulging downwards unless `bottom_domed`."""
    top: Head = field(default_factory=FlatHead)
    """Top head; flat where the tank is open."""
    bottom_domed: bool = False
    """The bottom bulges upwards into the vessel: its lowest point is the rim."""

    def __post_init__(self) -> None:
        """Refuse heads that do not fit."""
        _require_size(diameter=self.diameter_m, height=self.height_m)
        if self.shell_m < 0.0 or (self.bottom_domed and self.bottom.depth_m(self.diameter_m) > self.shell_m):
            msg = f"the heads of the vessel are deeper than its height of {self.height_m:g} m leaves room for"
            raise ValueError(msg)

    @property
    def shell_m(self) -> float:
        """Length of the cylindrical part between the rims of the heads, m."""
        inside = 0.0 if self.bottom_domed else self.bottom.depth_m(self.diameter_m)
        left = self.height_m - inside - self.top.depth_m(self.diameter_m)
        return 0.0 if abs(left) < _SLACK_M else left

    def _held_m3(self, level_m: float) -> float:
        d = self.diameter_m
        depth = self.bottom.depth_m(d)
        if self.bottom_domed:
            rim = 0.0
            bottom = self.bottom.bowl_m3(max(depth - level_m, 0.0), d) - self.bottom.bowl_m3(depth, d)
        else:
            rim = depth
            bottom = self.bottom.bowl_m3(min(level_m, depth), d)
        shell = math.pi * d * d / 4.0 * min(max(level_m - rim, 0.0), self.shell_m)
        top_depth = self.top.depth_m(d)
        empty = min(self.height_m - level_m, top_depth)
        return bottom + shell + self.top.bowl_m3(top_depth, d) - self.top.bowl_m3(empty, d)


@dataclass(frozen=True)
class ConeBottom(_Shape):
    """A standing cylinder on a cone, whole or cut off at an outlet or a flat floor.

    Raises:
        ValueError: A size not above zero, or a cone that does not fit.
    """

    diameter_m: float
    """Inside diameter of the cylinder, m."""
    height_m: float
    """Inside height over all, cone included, m."""
    cone_m: float
    """Height of the cone, m."""
    flat_m: float = 0.0
    """Diameter of the floor at the cone's lower end, m; 0 is a whole cone."""

    def __post_init__(self) -> None:
        """Refuse a cone that does not fit."""
        self._cylinder()

    def _cylinder(self) -> UprightCylinder:
        return UprightCylinder(self.diameter_m, self.height_m, ConeHead(self.cone_m, self.flat_m))

    def _held_m3(self, level_m: float) -> float:
        return self._cylinder()._held_m3(level_m)  # noqa: SLF001 - the level is checked already


@dataclass(frozen=True)
class HorizontalCylinder(_Shape):
    """A lying cylinder, dead level, with the same head on both ends.

    Raises:
        ValueError: A size not above zero, or a head that does not fit.
    """

    diameter_m: float
    """Inside diameter, m."""
    length_m: float
    """Inside length of the cylindrical part, heads not included, m."""
    ends: Head = field(default_factory=FlatHead)
    """Head on either end, bulging outwards."""

    def __post_init__(self) -> None:
        """Refuse heads that do not fit."""
        _require_size(diameter=self.diameter_m, length=self.length_m)
        self.ends.depth_m(self.diameter_m)

    @property
    def height_m(self) -> float:
        """Highest level, m: the diameter."""
        return self.diameter_m

    def _held_m3(self, level_m: float) -> float:
        # Half the wetted arc, from its sine: by its cosine a nearly empty tank would hold less than none.
        half = 2.0 * math.asin(math.sqrt(min(level_m / self.diameter_m, 1.0)))
        segment = self.diameter_m**2 / 8.0 * (2.0 * half - math.sin(2.0 * half))
        return segment * self.length_m + 2.0 * end_volume_m3(self.ends, level_m, self.diameter_m)


@dataclass(frozen=True)
class Rectangle(_Shape):
    """A box with upright walls and a flat floor.

    Raises:
        ValueError: A size not above zero.
    """

    length_m: float
    """Inside length, m."""
    width_m: float
    """Inside width, m."""
    height_m: float
    """Inside height, m."""

    def __post_init__(self) -> None:
        """Refuse a box without size."""
        _require_size(length=self.length_m, width=self.width_m, height=self.height_m)

    def _held_m3(self, level_m: float) -> float:
        return self.length_m * self.width_m * level_m


@dataclass(frozen=True)
class Sphere(_Shape):
    """A sphere.

    Raises:
        ValueError: Diameter not above zero.
    """

    diameter_m: float
    """Inside diameter, m."""

    def __post_init__(self) -> None:
        """Refuse a sphere without size."""
        _require_size(diameter=self.diameter_m)

    @property
    def height_m(self) -> float:
        """Highest level, m: the diameter."""
        return self.diameter_m

    def _held_m3(self, level_m: float) -> float:
        return math.pi * level_m * level_m * (self.diameter_m / 2.0 - level_m / 3.0)
