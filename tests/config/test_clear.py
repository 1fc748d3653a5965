"""`clear` in the site file: nothing without it, what it means, and what is wrong with it."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from lungfish.config import ClearSpec, Site, clear_setup, cycle_setup
from lungfish.config.clearing import begins_below_pa
from lungfish.core.expect import full_gauge_pa
from lungfish.core.room import worst_rise_pa_s
from tests.config.samples import GOOD, loaded, problems

LINE = GOOD.count("\n") + 2  # `overload` takes one more
BEARS = "span: [0 kPa, 60 kPa]\n      overload: 2 bar"
ALL = "{pressure: 1.5 bar, pulses: 4, pulse: 5 s, rest: 20 s, tries: 6, between: 30 min, friction: 4, delay: 1 s}"


def with_clear(clear: str, *, bears: bool = True) -> str:
    text = GOOD.replace("span: [0 kPa, 60 kPa]", BEARS) if bears else GOOD
    return f"{text}    clear: {clear}\n"


def site_of(text: str, folder: Path) -> Site:
    return loaded(text, folder)


def test_without_the_section_nothing_is_blown(tmp_path: Path) -> None:
    tank = site_of(GOOD, tmp_path).tanks["sump"]
    assert tank.clear is None
    assert clear_setup(tank) is None


def test_what_is_written_becomes_si(tmp_path: Path) -> None:
    tank = site_of(with_clear(ALL), tmp_path).tanks["sump"]
    assert tank.clear == ClearSpec(
        pressure_gauge_pa=150e3,
        pulses=4,
        pulse_s=5.0,
        rest_s=20.0,
        tries=6,
        between_s=1800.0,
        friction_ratio=4.0,
        delay_s=1.0,
    )


def test_the_defaults_are_few_tries_and_they_are_told(tmp_path: Path) -> None:
    site = site_of(with_clear("{pressure: 1.5 bar}"), tmp_path)
    spec = site.tanks["sump"].clear
    assert spec is not None
    assert (spec.pulses, spec.pulse_s, spec.rest_s, spec.tries, spec.between_s) == (3, 15.0, 30.0, 2, 3600.0)
    # four time-outs of 500 ms, and half a second for valve and device
    assert spec.delay_s == pytest.approx(2.5)
    for key in ("pulses", "pulse", "rest", "tries", "between", "friction", "delay"):
        assert any(default.startswith(f"tanks.sump.clear.{key}: ") for default in site.defaults), key


@pytest.mark.parametrize(
    ("pressure", "bears", "limit_pa"), [("1.5 bar", True, 150e3), ("3 bar", True, 200e3), ("20 bar", True, 200e3)]
)
def test_the_limit_is_the_lower_of_what_line_and_transmitter_bear(
    tmp_path: Path, pressure: str, bears: bool, limit_pa: float
) -> None:
    clear = clear_setup(site_of(with_clear(f"{{pressure: {pressure}, delay: 1 s}}"), tmp_path).tanks["sump"])
    assert clear is not None
    assert clear.limit_pa == pytest.approx(limit_pa)


def test_without_an_overload_the_span_is_the_limit_which_may_leave_no_room(tmp_path: Path) -> None:
    (found,) = problems(with_clear("{pressure: 1.5 bar}", bears=False), tmp_path)
    assert (found.key, found.line) == ("tanks.sump.clear.pressure", LINE - 1)
    assert "no pulse could begin" in found.wrong
    assert "60 kPa" in found.wrong
    assert "`overload`" in found.right


def test_a_delay_that_nobody_has_stated_is_called_unwise_with_what_it_risks(tmp_path: Path) -> None:
    (warning,) = site_of(with_clear("{pressure: 1.5 bar}"), tmp_path).warnings
    assert (warning.key, warning.line) == ("tanks.sump.clear", LINE)
    assert "300 kPa" in warning.wrong
    assert "`delay`" in warning.right
    assert site_of(with_clear("{pressure: 1.5 bar, delay: 1 s}"), tmp_path).warnings == ()


def test_a_supply_that_the_transmitter_bears_needs_no_clock(tmp_path: Path) -> None:
    text = with_clear("{pressure: 10 bar}").replace("overload: 2 bar", "overload: 4 bar")
    site = site_of(text, tmp_path)
    assert site.warnings == ()
    clear = clear_setup(site.tanks["sump"])
    assert clear is not None
    assert begins_below_pa(cycle_setup(site, site.tanks["sump"]), clear) == pytest.approx(400e3)


def test_the_worst_rise_is_the_whole_flow_into_what_a_flooded_tube_leaves(tmp_path: Path) -> None:
    """By hand: 1.5 L/min are 2.5 Pa m3/s at 20 degC; 20 m of 4.3 mm hold 290.4 mL, 0.1 m of 10 mm 7.85 mL."""
    site = site_of(with_clear(ALL), tmp_path)
    setup = cycle_setup(site, site.tanks["sump"])
    left_m3 = math.pi / 4.0 * (0.0043**2 * 20.0 + 0.010**2 * 0.1)
    assert worst_rise_pa_s(setup) == pytest.approx(1.5 * 2.5 / left_m3, rel=1e-3)
    clear = clear_setup(site.tanks["sump"])
    assert clear is not None
    assert full_gauge_pa(setup) < begins_below_pa(setup, clear) < 60e3


@pytest.mark.parametrize(
    ("clear", "key", "wrong", "right"),
    [
        ("{}", "clear.pressure", "missing", "`pressure: "),
        ("yes", "clear", "`yes`", "quotes"),
        ("{pressure: 1.5}", "clear.pressure", "no unit", "`pressure: "),
        ("{pressure: 1.5 bar, tries: 0}", "clear.tries", "0", "1"),
        ("{pressure: 1.5 bar, tries: 100}", "clear.tries", "100", "24"),
        ("{pressure: 1.5 bar, pulse: 0 s}", "clear.pulse", "outside", "1 s"),
        ("{pressure: 1.5 bar, presure: 1 bar}", "clear.presure", "unknown key", "`pressure`"),
        ("{pressure: 1.5 bar, between: 1 s}", "clear.between", "outside", "1 min"),
    ],
)
def test_what_is_wrong_is_told_with_line_key_and_remedy(
    tmp_path: Path, clear: str, key: str, wrong: str, right: str
) -> None:
    found = problems(with_clear(clear), tmp_path)
    assert any(
        each.key == f"tanks.sump.{key}" and wrong in each.wrong and right in each.right and each.line == LINE
        for each in found
    ), found


def test_liquid_that_may_fill_the_line_leaves_no_room_for_air(tmp_path: Path) -> None:
    text = with_clear(ALL).replace("height: 5 m}", "height: 5.5 m}")  # 5.4 m of head over a tube of 5 m
    found = problems(text, tmp_path)
    assert any(each.key == "tanks.sump.clear.pressure" and "fill the line" in each.wrong for each in found), found
