"""The form of a vessel, and the shape that it stands for."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from lungfish.config.fields import Quantity
from lungfish.config.sections import PAIR, ROWS, Section, Size
from lungfish.physics.heads import ConeHead, EllipsoidalHead, FlatHead, Head, SphericalHead, TorisphericalHead
from lungfish.physics.strapping import Strapping
from lungfish.physics.vessel import HorizontalCylinder, Rectangle, Sphere, UprightCylinder, Vessel
from lungfish.units import LENGTH, VOLUME

__all__ = ["VesselForm", "vessel_of"]

StrappingRow = Annotated[
    tuple[
        Annotated[float, Quantity(LENGTH, "0 m", "100 m")],
        Annotated[float, Quantity(VOLUME, "0 m**3", "200000 m**3")],
    ],
    PAIR,
]


class FlatHeadForm(Section):
    """A flat end."""

    shape: Literal["flat"]
    """Shape of the head."""


class ConeHeadForm(Section):
    """A cone, whole or cut off."""

    shape: Literal["cone"]
    """Shape of the head."""
    depth: Size
    """Depth along the axis."""
    flat: Annotated[float, Quantity(LENGTH, "0 mm", "100 m")] = 0.0
    """Diameter of the disc at the cone's end; 0 mm (a whole cone) by default."""


class EllipsoidalHeadForm(Section):
    """Half an ellipsoid."""

    shape: Literal["ellipsoidal"]
    """Shape of the head."""
    depth: Size | None = None
    """Depth along the axis; a quarter of the diameter (2:1) by default."""


class SphericalHeadForm(Section):
    """A spherical cap."""

    shape: Literal["spherical"]
    """Shape of the head."""
    depth: Size | None = None
    """Depth along the axis; half the diameter (a hemisphere) by default."""


class TorisphericalHeadForm(Section):
    """A dish with a knuckle."""

    shape: Literal["torispherical"]
    """Shape of the head."""
    dish: Annotated[float, Field(ge=0.5, le=10.0)] = 1.0
    """Dish radius over vessel diameter; 1.0 by default."""
    knuckle: Annotated[float, Field(gt=0.0, lt=0.5)] = 0.06
    """Knuckle radius over vessel diameter; 0.06 by default."""


HeadForm = Annotated[
    FlatHeadForm | ConeHeadForm | EllipsoidalHeadForm | SphericalHeadForm | TorisphericalHeadForm,
    Field(discriminator="shape"),
]


class UprightCylinderForm(Section):
    """A standing cylinder."""

    shape: Literal["upright-cylinder"]
    """Shape of the vessel."""
    diameter: Size
    """Inside diameter."""
    height: Size
    """Inside height over all, from the lowest point to the brim, heads included."""
    bottom: HeadForm | None = None
    """Bottom head; flat by default."""
    bottom_domed: bool = False
    """The bottom bulges upwards into the vessel; false by default."""
    top: HeadForm | None = None
    """Top head; flat (or open) by default."""


class HorizontalCylinderForm(Section):
    """A lying cylinder."""

    shape: Literal["horizontal-cylinder"]
    """Shape of the vessel."""
    diameter: Size
    """Inside diameter."""
    length: Size
    """Inside length of the cylindrical part, heads not included."""
    ends: HeadForm | None = None
    """Head on either end; flat by default."""


class RectangleForm(Section):
    """A box."""

    shape: Literal["rectangle"]
    """Shape of the vessel."""
    length: Size
    """Inside length."""
    width: Size
    """Inside width."""
    height: Size
    """Inside height, from the floor to the brim."""


class SphereForm(Section):
    """A sphere."""

    shape: Literal["sphere"]
    """Shape of the vessel."""
    diameter: Size
    """Inside diameter."""


class StrappingForm(Section):
    """Any vessel, by measured pairs of level and volume."""

    shape: Literal["strapping-table"]
    """Shape of the vessel."""
    table: Annotated[tuple[StrappingRow, ...], ROWS]
    """Rows of level above the lowest point and volume, both rising: [[0 m, 0 m**3], [1 m, 4.2 m**3]]."""


VesselForm = Annotated[
    UprightCylinderForm | HorizontalCylinderForm | RectangleForm | SphereForm | StrappingForm,
    Field(discriminator="shape"),
]


def vessel_of(form: VesselForm) -> Vessel:
    """The shape that a form stands for.

    Args:
        form: checked on its own.

    Raises:
        ValueError: the sizes do not fit each other.
    """
    match form:
        case UprightCylinderForm():
            return UprightCylinder(
                diameter_m=form.diameter,
                height_m=form.height,
                bottom=_head_of(form.bottom, form.diameter),
                top=_head_of(form.top, form.diameter),
                bottom_domed=form.bottom_domed,
            )
        case HorizontalCylinderForm():
            return HorizontalCylinder(
                diameter_m=form.diameter, length_m=form.length, ends=_head_of(form.ends, form.diameter)
            )
        case RectangleForm():
            return Rectangle(length_m=form.length, width_m=form.width, height_m=form.height)
        case SphereForm():
            return Sphere(diameter_m=form.diameter)
        case StrappingForm():
            return Strapping(
                levels_m=tuple(level for level, _ in form.table), volumes_m3=tuple(volume for _, volume in form.table)
            )


def _head_of(form: HeadForm | None, diameter_m: float) -> Head:
    match form:
        case None | FlatHeadForm():
            return FlatHead()
        case ConeHeadForm():
            return ConeHead(cone_depth_m=form.depth, flat_diameter_m=form.flat)
        case EllipsoidalHeadForm():
            return EllipsoidalHead(dish_depth_m=diameter_m / 4.0 if form.depth is None else form.depth)
        case SphericalHeadForm():
            return SphericalHead(cap_depth_m=diameter_m / 2.0 if form.depth is None else form.depth)
        case TorisphericalHeadForm():
            return TorisphericalHead(dish_ratio=form.dish, knuckle_ratio=form.knuckle)
