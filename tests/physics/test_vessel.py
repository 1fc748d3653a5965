"""Vessels against published tank tables, closed forms and a reference library."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial
from typing import Any

import pytest
from fluids import TANK
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from lungfish.physics.heads import ConeHead, EllipsoidalHead, FlatHead, Head, SphericalHead, TorisphericalHead
from lungfish.physics.strapping import Strapping
from lungfish.physics.vessel import ConeBottom, HorizontalCylinder, Rectangle, Sphere, UprightCylinder, Vessel
from tests.physics.published import Check, each

INCH = 0.0254
GALLON = 231 * INCH**3
JONES = "Dan Jones, 'Calculating Tank Volume', in gallons, as in the tests of the open fluids library"
FORMULA = "closed form of the shape, by hand"
LIBRARY = "open fluids library, TANK"


def gallons(vessel: Vessel, inches: float) -> float:
    return vessel.volume_m3(inches * INCH) / GALLON


def lying(head: Head) -> Vessel:
    return HorizontalCylinder(108 * INCH, 156 * INCH, head)


def standing(head: Head) -> Vessel:
    return UprightCylinder(132 * INCH, head.depth_m(132 * INCH) + 120 * INCH, head)


def domed(head: Head) -> Vessel:
    return UprightCylinder(113 * INCH, 60 * INCH, head, bottom_domed=True)


JONES_LYING = {
    "conical": (lying(ConeHead(42 * INCH)), {36: 2041.192, 84: 6180.541, 54: 3648.491, 108: 7296.981}),
    "ellipsoidal": (lying(EllipsoidalHead(42 * INCH)), {36: 2380.957, 84: 7103.445, 54: 4203.696, 108: 8407.392}),
    "spherical": (lying(SphericalHead(42 * INCH)), {36: 2303.962, 84: 6935.163, 54: 4094.026, 108: 8188.051}),
    "torispherical": (
        lying(TorisphericalHead(1.0, 0.06)),
        {1: 9.5800, 36: 2028.627, 84: 5939.898, 54: 3534.997, 108: 7069.995},
    ),
}
JONES_STANDING = {
    "conical": (standing(ConeHead(33 * INCH)), {24: 250.675, 60: 2251.176, 132: 6516.561}),
    "ellipsoidal": (standing(EllipsoidalHead(33 * INCH)), {24: 783.358, 60: 2902.832, 132: 7168.217}),
    "spherical": (standing(SphericalHead(33 * INCH)), {24: 583.602, 60: 2658.461, 132: 6923.846}),
    "torispherical": (
        standing(TorisphericalHead(1.0, 0.06)),
        {1: 1.7907, 22: 785.588, 24: 904.069, 60: 3036.761, 132: 7302.147},
    ),
}
JONES_DOMED = {
    "conical": (domed(ConeHead(33 * INCH)), {15: 251.158, 25: 614.607, 50: 1693.165}),
    "ellipsoidal": (domed(EllipsoidalHead(33 * INCH)), {15: 44.850, 25: 207.637, 50: 1215.606}),
    "spherical": (domed(SphericalHead(33 * INCH)), {15: 112.814, 25: 341.706, 50: 1372.929}),
}
SEGMENTS = {
    0.05: 0.018693,
    0.10: 0.052044,
    0.16: 0.103275,
    0.20: 0.142378,
    0.25: 0.195501,
    0.30: 0.252316,
    0.40: 0.373530,
    0.44: 0.423789,
    0.50: 0.5,
    0.60: 0.626470,
    0.75: 0.804499,
    0.90: 0.947956,
    0.95: 0.981307,
}
CHART = {  # inches of depth, gallons
    1: 18.0,
    2: 50.7,
    3: 92.9,
    4: 142.5,
    5: 198.5,
    6: 260.1,
    7: 326.7,
    8: 397.9,
    9: 473.2,
    10: 552.3,
    15: 997.5,
    20: 1508.7,
    25: 2069.8,
}
CHARTED = HorizontalCylinder(96 * INCH, 319 * INCH)
CHART_SOURCE = "published strapping chart of a 96 in by 319 in flat-ended tank, gallons to a tenth"
FLAT_5 = HorizontalCylinder(2.0, 5.0)
FLAT_5_ROWS = {0.2: 0.817506, 0.5: 3.070924, 1.0: 7.853982, 1.5: 12.637039, 1.9: 15.414334, 2.0: 15.707963}
CONE = ConeBottom(2.0, 4.0, 1.0)
CONE_ROWS = {0.25: 0.0163625, 0.5: 0.1308997, 1.0: 1.0471976, 2.0: 4.1887902, 4.0: 10.4719755}
TWO_TO_ONE = HorizontalCylinder(2.0, 4.0, EllipsoidalHead(0.5))
TWO_TO_ONE_ROWS = {0.2: 0.712647, 0.5: 2.783989, 1.0: 7.330383, 1.5: 11.876777, 2.0: 14.660766}
DISHED = HorizontalCylinder(2.0, 4.0, TorisphericalHead())
DISHED_ROWS = {0.2: 0.688786, 0.5: 2.651035, 1.0: 6.931177, 1.5: 11.211319, 2.0: 13.862355}
ROUND = HorizontalCylinder(2.0, 4.0, SphericalHead(1.0))
ROUND_ROWS = {0.5: 3.111238, 1.0: 8.377580, 2.0: 16.755161}


def share(ratio: float) -> float:
    return FLAT_5.volume_m3(2.0 * ratio) / FLAT_5.full_m3


def sloping_floor_gallons(top: Head, into_the_cap: float) -> float:
    """Shell of 144 in by 180 in on a floor that rises by 12 in, whose wedge is half a slice of 12 in."""
    tank = UprightCylinder(144 * INCH, 216 * INCH, top=top)
    wedge = math.pi * 72**2 * 12 / 2 * INCH**3
    return gallons(tank, 180 + into_the_cap) + wedge / GALLON


def jones_rows(how: str, tanks: dict[str, tuple[Vessel, dict[int, float]]]) -> Iterator[Check]:
    for shape, (tank, rows) in tanks.items():
        for depth, volume in rows.items():
            yield Check(f"{how} {shape}, {depth} in", partial(gallons, tank, depth), volume, 6e-4, JONES)


HANDBOOK = "civil engineering handbook, how to gauge a horizontal cylindrical tank"
SPHERE_TOP: Head = SphericalHead(36 * INCH)
ELLIPSE_TOP: Head = EllipsoidalHead(36 * INCH)
SLOPING = [
    ("sphere", SPHERE_TOP, 6, 13509.0),
    ("sphere", SPHERE_TOP, 3, 13318.0),
    ("ellipse", ELLIPSE_TOP, 6, 13532.0),
    ("ellipse", ELLIPSE_TOP, 3, 13324.0),
]
FORUM = "worked example of a calculator users' forum, sloping bottom and domed top, gallons"
ROWS = [
    *jones_rows("lying", JONES_LYING),
    *jones_rows("standing", JONES_STANDING),
    *jones_rows("domed", JONES_DOMED),
    *(Check(f"floor {t} {n} in", partial(sloping_floor_gallons, h, n), v, 1.0, FORUM) for t, h, n, v in SLOPING),
    *(Check(f"segment {r}", partial(share, r), want, 6e-7, FORMULA) for r, want in SEGMENTS.items()),
    Check("16 % of depth", lambda: 100 * share(0.16), 10.3, 0.05, HANDBOOK),
    Check("44 % of depth", lambda: 100 * share(0.44), 42.4, 0.05, HANDBOOK),
    *(Check(f"chart {i} in", partial(gallons, CHARTED, i), g, 0.06, CHART_SOURCE) for i, g in CHART.items()),
    Check("chart, full", lambda: CHARTED.full_m3 / GALLON, 9996.0, 0.5, CHART_SOURCE),
    *(Check(f"flat ends {h} m", partial(FLAT_5.volume_m3, h), v, 6e-7, LIBRARY) for h, v in FLAT_5_ROWS.items()),
    *(Check(f"cone bottom {h} m", partial(CONE.volume_m3, h), v, 6e-8, FORMULA) for h, v in CONE_ROWS.items()),
    *(Check(f"2:1 ends {h} m", partial(TWO_TO_ONE.volume_m3, h), v, 6e-7, LIBRARY) for h, v in TWO_TO_ONE_ROWS.items()),
    *(Check(f"dished ends {h} m", partial(DISHED.volume_m3, h), v, 6e-7, LIBRARY) for h, v in DISHED_ROWS.items()),
    *(Check(f"round ends {h} m", partial(ROUND.volume_m3, h), v, 6e-7, FORMULA) for h, v in ROUND_ROWS.items()),
    Check("upright 1.2 m, 0.5 m", lambda: UprightCylinder(1.2, 3.0).volume_m3(0.5), 0.5654867, 6e-8, LIBRARY),
    Check("upright 1.2 m, 0.5 m3", lambda: UprightCylinder(1.2, 3.0).level_m(0.5), 0.4420971, 6e-8, LIBRARY),
    Check("box", lambda: Rectangle(3.0, 2.0, 4.0).volume_m3(1.5), 9.0, 1e-12, "length times width times level"),
    Check("half a sphere", lambda: Sphere(2.0).volume_m3(1.0), 2 * math.pi / 3, 1e-12, FORMULA),
    Check("cap of a sphere", lambda: Sphere(2.0).volume_m3(0.5), math.pi * 0.25 * (1 - 0.5 / 3), 1e-12, FORMULA),
    Check(
        "cut-off cone",
        lambda: ConeBottom(2.0, 4.0, 1.0, 0.5).volume_m3(1.0),
        math.pi / 12 * (4 + 1 + 0.25),
        1e-12,
        "frustum, pi h (D^2 + D d + d^2) / 12",
    ),
]


@each(ROWS)
def test_volume_is_as_published(check: Check) -> None:
    check.hold()


HEADS: dict[str, tuple[Head, dict[str, Any]]] = {
    "conical": (ConeHead(0.4), {"a": 0.4}),
    "ellipsoidal": (EllipsoidalHead(0.6), {"a": 0.6}),
    "spherical": (SphericalHead(0.7), {"a": 0.7}),
    "torispherical": (TorisphericalHead(0.9, 0.1), {"f": 0.9, "k": 0.1}),
}


@pytest.mark.parametrize("name", HEADS)
@pytest.mark.parametrize("level", [0.004, 0.05, 0.3, 0.7999, 0.8, 0.8001, 1.1, 1.55, 1.6])
def test_lying_tank_agrees_with_a_reference_library(name: str, level: float) -> None:
    head, sizes = HEADS[name]
    sides = {f"side{s}_{key}": value for s in "AB" for key, value in sizes.items()}
    theirs = TANK(D=1.6, L=3.0, horizontal=True, sideA=name, sideB=name, **sides)
    assert HorizontalCylinder(1.6, 3.0, head).volume_m3(level) == pytest.approx(theirs.V_from_h(level), rel=2e-7)


@pytest.mark.parametrize("name", HEADS)
@pytest.mark.parametrize("level", [0.01, 0.1, 0.2, 0.35, 0.6, 1.5])
@pytest.mark.parametrize("capped", [False, True])
def test_standing_tank_agrees_with_a_reference_library(name: str, level: float, *, capped: bool) -> None:
    head, sizes = HEADS[name]
    shape: dict[str, Any] = {f"sideA_{key}": value for key, value in sizes.items()} | {"sideA": name}
    depth = head.depth_m(1.6)
    if capped:
        shape |= {f"sideB_{key}": value for key, value in sizes.items()} | {"sideB": name}
    theirs = TANK(D=1.6, L=3.0, horizontal=False, **shape)
    ours = UprightCylinder(1.6, 3.0 + depth * (2 if capped else 1), head, head if capped else FlatHead())
    assert ours.volume_m3(level) == pytest.approx(theirs.V_from_h(level), rel=1e-9)
    assert ours.full_m3 == pytest.approx(theirs.V_total, rel=1e-9)
    near_top = ours.height_m - 0.15  # inside the top head where there is one
    assert ours.volume_m3(near_top) == pytest.approx(theirs.V_from_h(near_top), rel=1e-9)


def test_chart_of_a_100_m3_tank_in_percent() -> None:
    # Sample chart of the open fluids library: dished ends (f 1, k 0.06), shell three diameters long, 100 m3.
    size = (100.0 / HorizontalCylinder(1.0, 3.0, TorisphericalHead(1.0, 0.06)).full_m3) ** (1 / 3)
    tank = HorizontalCylinder(size, 3.0 * size, TorisphericalHead(1.0, 0.06))
    for level, volume in [(1 / 14, 3.058448), (1 / 7, 8.537083), (1 / 2, 50.0), (1.0, 100.0)]:
        assert tank.volume_m3(level * size) == pytest.approx(volume, abs=1e-6)


def test_a_dish_of_half_the_diameter_is_a_hemisphere() -> None:
    dished = HorizontalCylinder(2.0, 4.0, TorisphericalHead(0.5, 0.06))
    for level in (0.1, 0.7, 1.0, 1.8, 2.0):
        assert dished.volume_m3(level) == pytest.approx(ROUND.volume_m3(level), rel=1e-9)


def test_cut_off_cone_on_a_lying_tank_is_the_integral_of_its_segments() -> None:
    # A lying tank whose ends are cones from 1.6 m to 0.6 m across, summed in slices along the axis.
    def slice_m2(x: float, below: float) -> float:
        r = 0.8 - 0.5 * x / 0.4
        c = min(max(below / r, -1.0), 1.0)
        return r * r * (math.acos(c) - c * math.sqrt(1.0 - c * c))

    tank = HorizontalCylinder(1.6, 3.0, ConeHead(0.4, 0.6))
    for level in (0.2, 0.5, 0.7, 1.0, 1.5):
        ends = tank.volume_m3(level) - HorizontalCylinder(1.6, 3.0).volume_m3(level)
        slices, _ = quad(slice_m2, 0.0, 0.4, args=(0.8 - level,), epsabs=1e-11, limit=200)
        assert ends == pytest.approx(2.0 * slices, abs=1e-9)


VESSELS: dict[str, Vessel] = {
    "upright": UprightCylinder(2.4, 5.0),
    "upright, dished": UprightCylinder(2.4, 5.0, TorisphericalHead(), EllipsoidalHead(0.6)),
    "upright, domed": UprightCylinder(2.4, 5.0, SphericalHead(0.5), bottom_domed=True),
    "upright, heads only": UprightCylinder(2.0, 2.0, SphericalHead(1.0), SphericalHead(1.0)),
    "cone bottom": CONE,
    "cut-off cone": ConeBottom(2.0, 4.0, 1.0, 0.5),
    "lying": FLAT_5,
    "lying, conical": HorizontalCylinder(2.0, 4.0, ConeHead(0.6)),
    "lying, spherical": HorizontalCylinder(2.0, 4.0, SphericalHead(0.4)),
    "lying, dished": DISHED,
    "lying, 2:1": TWO_TO_ONE,
    "box": Rectangle(3.0, 2.0, 4.0),
    "sphere": Sphere(3.0),
    "strapped": Strapping((0.0, 0.5, 1.0, 2.5), (0.0, 0.2, 1.1, 7.0)),
}
each_vessel = pytest.mark.parametrize("name", VESSELS)


@each_vessel
@given(st.floats(0, 1), st.floats(0, 1))
@settings(max_examples=30)
def test_a_higher_level_holds_more(name: str, one: float, other: float) -> None:
    vessel = VESSELS[name]
    low, high = sorted((one, other))
    span = vessel.full_m3
    assert -1e-12 * span <= vessel.volume_m3(low * vessel.height_m)
    assert vessel.volume_m3(low * vessel.height_m) <= vessel.volume_m3(high * vessel.height_m) + 1e-11 * span
    assert vessel.volume_m3(high * vessel.height_m) <= span * (1 + 1e-12)


@each_vessel
@given(st.floats(0, 1))
@settings(max_examples=20)
def test_level_and_volume_undo_each_other(name: str, share: float) -> None:
    vessel = VESSELS[name]
    volume = share * vessel.full_m3
    level = vessel.level_m(volume)
    assert 0.0 <= level <= vessel.height_m
    assert vessel.volume_m3(level) == pytest.approx(volume, abs=1e-11 * vessel.full_m3)


@each_vessel
def test_an_empty_vessel_holds_nothing_and_a_full_one_all(name: str) -> None:
    vessel = VESSELS[name]
    assert vessel.volume_m3(0.0) == pytest.approx(0.0, abs=1e-12)
    assert vessel.volume_m3(vessel.height_m) == vessel.full_m3
    assert (vessel.level_m(0.0), vessel.level_m(vessel.full_m3)) == (0.0, vessel.height_m)
    assert vessel.volume_m3(-1e-7) == vessel.volume_m3(0.0)  # rounding is let pass
    assert vessel.volume_m3(vessel.height_m + 1e-7) == vessel.full_m3


@each_vessel
def test_outside_the_vessel_nothing_is_told(name: str) -> None:
    vessel = VESSELS[name]
    for level in (-0.001, vessel.height_m + 0.001, math.nan, math.inf):
        with pytest.raises(ValueError, match="is outside"):
            vessel.volume_m3(level)
    for volume in (-0.001 * vessel.full_m3, 1.001 * vessel.full_m3, math.nan):
        with pytest.raises(ValueError, match="is outside"):
            vessel.level_m(volume)
