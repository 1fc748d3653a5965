"""Heads that close a cylinder: flat, conical, ellipsoidal, spherical, torispherical.

A head is a shape without a size of its own: the cylinder's diameter is an argument. Two questions are enough
for every vessel: how much a head holds when it is the bottom of an upright cylinder, and how deep it is at a
distance from the axis, from which `end_volume_m3` finds what it holds on a lying one.
Source: solids of revolution; the same shapes as in Jones, "Calculating tank volume" (public technical note).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

from lungfish.physics.quadrature import integrate

__all__ = [
    "ConeHead",
    "EllipsoidalHead",
    "FlatHead",
    "Head",
    "SphericalHead",
    "TorisphericalHead",
    "end_volume_m3",
]


class Head(Protocol):
    """What a vessel asks of a head."""

    def depth_m(self, diameter_m: float) -> float:
        """Depth along the axis on a cylinder of this diameter, m.

        Raises:
            ValueError: The head does not fit this diameter.
        """

    def bowl_m3(self, level_m: float, diameter_m: float) -> float:
        """Volume held as an upright bottom up to a level above its lowest point (0 to the depth), m3."""

    def depth_at_m(self, radius_m: float, diameter_m: float) -> float:
        """Depth, along the axis, at a distance from the axis (0 to half the diameter), m."""

    def seams_m(self, diameter_m: float) -> tuple[float, ...]:
        """Distances from the axis at which the shape changes its formula, m; rising."""


def end_volume_m3(head: Head, level_m: float, diameter_m: float) -> float:
    """Volume that one head holds as the end of a lying cylinder.

    The head is summed in rings about the axis. Of a ring of radius ``s`` the liquid at a distance ``c`` below
    the axis wets the angle ``2 acos(c / s)``.

    Args:
        head: The head.
        level_m: Liquid above the lowest point of the cylinder, m; 0 to the diameter.
        diameter_m: Inside diameter of the cylinder, m.

    Returns:
        Volume, m3.
    """
    radius = diameter_m / 2.0
    depth = head.depth_m(diameter_m)
    if depth == 0.0:
        return 0.0
    below = radius - level_m
    c = min(abs(below), radius)

    def ring(s: float) -> float:
        return 2.0 * s * head.depth_at_m(s, diameter_m) * math.acos(min(c / s, 1.0)) if s > 0.0 else 0.0

    cuts = [c, *(s for s in head.seams_m(diameter_m) if c < s < radius), radius]
    held = math.fsum(integrate(ring, low, high) for low, high in pairwise(cuts))
    return held if below >= 0.0 else head.bowl_m3(depth, diameter_m) - held


def _require_depth(depth_m: float) -> None:
    if not 0.0 < depth_m < math.inf:
        msg = f"a head needs a depth above zero, not {depth_m:g} m; a flat one has none"
        raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class FlatHead:
    """A flat end."""

    def depth_m(self, diameter_m: float) -> float:
        """See `Head`."""
        return 0.0

    def bowl_m3(self, level_m: float, diameter_m: float) -> float:
        """See `Head`."""
        return 0.0

    def depth_at_m(self, radius_m: float, diameter_m: float) -> float:
        """See `Head`."""
        return 0.0

    def seams_m(self, diameter_m: float) -> tuple[float, ...]:
        """See `Head`."""
        return ()


@dataclass(frozen=True, slots=True)
class ConeHead:
    """A cone, whole or cut off by a flat disc at its end.

    Raises:
        ValueError: Depth not above zero, or disc negative.
    """

    cone_depth_m: float
    """Depth from the rim to the end, m."""
    flat_diameter_m: float = 0.0
    """Diameter of the disc at the end, m; 0 is a whole cone."""

    def __post_init__(self) -> None:
        """Refuse a cone without depth."""
        _require_depth(self.cone_depth_m)
        if not self.flat_diameter_m >= 0.0:
            msg = f"the disc at the end of a cone needs a diameter of zero or more, not {self.flat_diameter_m:g} m"
            raise ValueError(msg)

    def depth_m(self, diameter_m: float) -> float:
        """See `Head`."""
        if not self.flat_diameter_m < diameter_m:
            msg = (
                f"the disc at the end of the cone ({self.flat_diameter_m:g} m) must be narrower than "
                f"the vessel ({diameter_m:g} m)"
            )
            raise ValueError(msg)
        return self.cone_depth_m

    def bowl_m3(self, level_m: float, diameter_m: float) -> float:
        """See `Head`."""
        low = self.flat_diameter_m
        high = low + (diameter_m - low) * level_m / self.cone_depth_m
        return math.pi * level_m * (low * low + low * high + high * high) / 12.0

    def depth_at_m(self, radius_m: float, diameter_m: float) -> float:
        """See `Head`."""
        wide = (diameter_m - 2.0 * radius_m) / (diameter_m - self.flat_diameter_m)
        return self.cone_depth_m * min(wide, 1.0)

    def seams_m(self, diameter_m: float) -> tuple[float, ...]:
        """See `Head`."""
        return (self.flat_diameter_m / 2.0,)


@dataclass(frozen=True, slots=True)
class EllipsoidalHead:
    """Half an ellipsoid; the usual 2:1 head is a quarter of the diameter deep.

    Raises:
        ValueError: Depth not above zero.
    """

    dish_depth_m: float
    """Depth along the axis, m."""

    def __post_init__(self) -> None:
        """Refuse a dish without depth."""
        _require_depth(self.dish_depth_m)

    def depth_m(self, diameter_m: float) -> float:
        """See `Head`."""
        return self.dish_depth_m

    def bowl_m3(self, level_m: float, diameter_m: float) -> float:
        """See `Head`."""
        share = level_m / self.dish_depth_m
        return math.pi * (diameter_m / 2.0) ** 2 * level_m * share * (1.0 - share / 3.0)

    def depth_at_m(self, radius_m: float, diameter_m: float) -> float:
        """See `Head`."""
        return self.dish_depth_m * math.sqrt(max(1.0 - (2.0 * radius_m / diameter_m) ** 2, 0.0))

    def seams_m(self, diameter_m: float) -> tuple[float, ...]:
        """See `Head`."""
        return ()


@dataclass(frozen=True, slots=True)
class SphericalHead:
    """A cap of a sphere, at most a hemisphere.

    Raises:
        ValueError: Depth not above zero.
    """

    cap_depth_m: float
    """Depth along the axis, m; at most half the vessel's diameter."""

    def __post_init__(self) -> None:
        """Refuse a cap without depth."""
        _require_depth(self.cap_depth_m)

    def _sphere_m(self, diameter_m: float) -> float:
        return (self.cap_depth_m**2 + diameter_m**2 / 4.0) / (2.0 * self.cap_depth_m)

    def depth_m(self, diameter_m: float) -> float:
        """See `Head`."""
        if self.cap_depth_m > diameter_m / 2.0 * (1.0 + 1e-12):
            msg = f"a spherical head can be at most half the diameter deep: {self.cap_depth_m:g} m on {diameter_m:g} m"
            raise ValueError(msg)
        return self.cap_depth_m

    def bowl_m3(self, level_m: float, diameter_m: float) -> float:
        """See `Head`."""
        return math.pi * level_m * level_m * (self._sphere_m(diameter_m) - level_m / 3.0)

    def depth_at_m(self, radius_m: float, diameter_m: float) -> float:
        """See `Head`."""
        sphere = self._sphere_m(diameter_m)
        return max(math.sqrt(max(sphere**2 - radius_m**2, 0.0)) - (sphere - self.cap_depth_m), 0.0)

    def seams_m(self, diameter_m: float) -> tuple[float, ...]:
        """See `Head`."""
        return ()


@dataclass(frozen=True, slots=True)
class TorisphericalHead:
    """A dish with a knuckle: a large sphere joined to the cylinder by part of a torus.

    Raises:
        ValueError: Dish below half, or knuckle not between zero and half the diameter.
    """

    dish_ratio: float = 1.0
    """Inside radius of the dish over the vessel's diameter, 1."""
    knuckle_ratio: float = 0.06
    """Inside radius of the knuckle over the vessel's diameter, 1."""

    def __post_init__(self) -> None:
        """Refuse radii that do not join."""
        if not (0.5 <= self.dish_ratio < math.inf and 0.0 < self.knuckle_ratio < 0.5):
            msg = (
                "a torispherical head needs a dish radius of at least half the diameter and a knuckle radius "
                f"between zero and half of it: {self.dish_ratio:g}, {self.knuckle_ratio:g}"
            )
            raise ValueError(msg)

    def _cosine(self) -> float:
        sine = (0.5 - self.knuckle_ratio) / (self.dish_ratio - self.knuckle_ratio)
        return math.sqrt(1.0 - sine * sine)

    def depth_m(self, diameter_m: float) -> float:
        """See `Head`."""
        return diameter_m * (self.dish_ratio - (self.dish_ratio - self.knuckle_ratio) * self._cosine())

    def bowl_m3(self, level_m: float, diameter_m: float) -> float:
        """See `Head`."""
        dish, knuckle = self.dish_ratio * diameter_m, self.knuckle_ratio * diameter_m
        joint = dish * (1.0 - self._cosine())
        in_dish = min(level_m, joint)
        volume = math.pi * in_dish * in_dish * (dish - in_dish / 3.0)
        if level_m <= joint:
            return volume
        centre = diameter_m / 2.0 - knuckle  # distance of the knuckle's centre from the axis
        depth = self.depth_m(diameter_m)

        def below(u: float) -> float:  # integral of r(u)^2, u counted down from the rim
            u = min(max(u, 0.0), knuckle)
            chord = math.sqrt(knuckle * knuckle - u * u)
            turned = centre * (u * chord + knuckle * knuckle * math.asin(u / knuckle))
            return (centre * centre + knuckle * knuckle) * u - u**3 / 3.0 + turned

        return volume + math.pi * (below(depth - joint) - below(depth - level_m))

    def depth_at_m(self, radius_m: float, diameter_m: float) -> float:
        """See `Head`."""
        dish, knuckle = self.dish_ratio * diameter_m, self.knuckle_ratio * diameter_m
        if radius_m <= self.seams_m(diameter_m)[0]:
            return math.sqrt(dish * dish - radius_m * radius_m) - (dish - self.depth_m(diameter_m))
        outward = radius_m - (diameter_m / 2.0 - knuckle)
        return math.sqrt(max(knuckle * knuckle - outward * outward, 0.0))

    def seams_m(self, diameter_m: float) -> tuple[float, ...]:
        """See `Head`."""
        sine = (0.5 - self.knuckle_ratio) / (self.dish_ratio - self.knuckle_ratio)
        return (self.dish_ratio * diameter_m * sine,)
