"""Vessels that cannot be are refused, and strapping tables are read in one way only."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lungfish.physics.heads import ConeHead, EllipsoidalHead, SphericalHead, TorisphericalHead
from lungfish.physics.quadrature import integrate
from lungfish.physics.strapping import Strapping
from lungfish.physics.vessel import ConeBottom, HorizontalCylinder, Rectangle, Sphere, UprightCylinder

INCH = 0.0254
GALLON = 231 * INCH**3
IMPOSSIBLE: list[tuple[Callable[[], object], str]] = [
    (lambda: UprightCylinder(0.0, 5.0), "diameter of a vessel"),
    (lambda: UprightCylinder(2.0, math.nan), "height of a vessel"),
    (lambda: UprightCylinder(2.0, math.inf), "height of a vessel"),
    (lambda: UprightCylinder(2.0, 0.4, EllipsoidalHead(0.5)), "deeper than its height"),
    (lambda: UprightCylinder(2.0, 0.9, EllipsoidalHead(0.5), EllipsoidalHead(0.5)), "deeper than its height"),
    (lambda: UprightCylinder(2.0, 0.4, EllipsoidalHead(0.5), bottom_domed=True), "deeper than its height"),
    (lambda: UprightCylinder(2.0, 5.0, SphericalHead(1.2)), "half the diameter"),
    (lambda: HorizontalCylinder(2.0, 5.0, SphericalHead(1.2)), "half the diameter"),
    (lambda: HorizontalCylinder(2.0, -5.0), "length of a vessel"),
    (lambda: HorizontalCylinder(2.0, 5.0, ConeHead(0.5, 2.0)), "narrower than the vessel"),
    (lambda: ConeBottom(2.0, 4.0, 1.0, 2.5), "narrower than the vessel"),
    (lambda: ConeBottom(2.0, 4.0, 5.0), "deeper than its height"),
    (lambda: ConeBottom(2.0, 4.0, 0.0), "depth above zero"),
    (lambda: ConeHead(1.0, -0.1), "zero or more"),
    (lambda: EllipsoidalHead(0.0), "depth above zero"),
    (lambda: EllipsoidalHead(math.nan), "depth above zero"),
    (lambda: SphericalHead(-1.0), "depth above zero"),
    (lambda: TorisphericalHead(0.4, 0.06), "dish radius"),
    (lambda: TorisphericalHead(1.0, 0.5), "dish radius"),
    (lambda: TorisphericalHead(1.0, 0.0), "dish radius"),
    (lambda: Rectangle(3.0, 0.0, 2.0), "width of a vessel"),
    (lambda: Sphere(-1.0), "diameter of a vessel"),
    (lambda: Strapping((0.0,), (0.0,)), "two or more pairs"),
    (lambda: Strapping((0.0, 1.0), (0.0, 1.0, 2.0)), "two or more pairs"),
    (lambda: Strapping((0.0, 1.0, 1.0), (0.0, 1.0, 2.0)), "levels .* must rise: row 3"),
    (lambda: Strapping((0.0, 1.0, 2.0), (0.0, 1.0, 0.9)), "volumes .* must rise: row 3"),
    (lambda: Strapping((-0.1, 1.0), (0.0, 1.0)), "zero or more"),
    (lambda: Strapping((0.0, 1.0), (0.0, math.nan)), "zero or more"),
]


@pytest.mark.parametrize(("build", "words"), IMPOSSIBLE)
def test_a_vessel_that_cannot_be_is_refused(build: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        build()


CHART = tuple(enumerate((18.0, 50.7, 92.9, 142.5, 198.5, 260.1, 326.7, 397.9, 473.2, 552.3), start=1))
STRAPPED = Strapping(tuple(i * INCH for i, _ in CHART), tuple(g * GALLON for _, g in CHART))


def test_strapping_gives_its_rows_back_both_ways() -> None:
    for inches, gallons in CHART:
        assert STRAPPED.volume_m3(inches * INCH) == pytest.approx(gallons * GALLON, rel=1e-12)
        assert STRAPPED.level_m(gallons * GALLON) == pytest.approx(inches * INCH, rel=1e-12)


@given(st.floats(2.0, 10.0))
def test_an_inch_table_follows_its_tank_between_the_rows(inches: float) -> None:
    # Published chart of a 96 in by 319 in tank against the tank itself: a chord is 1.3 gal off at most here.
    tank = HorizontalCylinder(96 * INCH, 319 * INCH)
    assert STRAPPED.volume_m3(inches * INCH) == pytest.approx(tank.volume_m3(inches * INCH), abs=1.3 * GALLON)


def test_a_table_that_begins_above_the_floor_says_nothing_below_it() -> None:
    with pytest.raises(ValueError, match="outside the strapping table"):
        STRAPPED.volume_m3(0.5 * INCH)
    with pytest.raises(ValueError, match="outside the strapping table"):
        STRAPPED.level_m(10.0 * GALLON)


@pytest.mark.parametrize(
    ("function", "low", "high", "exact"),
    [
        (math.sqrt, 0.0, 2.0, 2.0 / 3.0 * 2.0**1.5),
        (lambda x: math.sqrt(max(1.0 - x * x, 0.0)), -1.0, 1.0, math.pi / 2.0),
        (lambda x: math.acos(x), 0.0, 1.0, 1.0),
        (math.exp, -1.0, 3.0, math.exp(3.0) - math.exp(-1.0)),
        (lambda x: x**3, 1.0, 1.0, 0.0),
    ],
)
def test_steep_ends_do_not_spoil_an_integral(
    function: Callable[[float], float], low: float, high: float, exact: float
) -> None:
    assert integrate(function, low, high) == pytest.approx(exact, rel=1e-11, abs=1e-15)
