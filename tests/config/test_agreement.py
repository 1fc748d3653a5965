"""Numbers that contradict each other, at the very limit where they begin to; the limits are worked by hand here."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from lungfish.errors import Problem
from tests.config.samples import GOOD, loaded, problems, spoilt

# The good file: 4.9 m of 998.2 kg/m3 under 9.80665 m/s2 is 47966.7 Pa.
HEAD_PA = 4.9 * 998.2 * 9.80665


def warnings(text: str, base: Path) -> tuple[Problem, ...]:
    return loaded(text, base).warnings


def keys(found: tuple[Problem, ...]) -> list[str]:
    return [problem.key for problem in found]


def test_the_span_must_reach_a_full_tank_with_the_valve_open(tmp_path: Path) -> None:
    # With the tee at the tube's end: head less the gas columns (air at 1.2 to 1.8 kg/m3: 85 Pa by hand over 5 m and
    # 4.9 m), the tube's own friction (Poiseuille, 5 m of 10 mm: 4 Pa) and one bore of ripple (98 Pa).
    def with_span(kpa: float) -> str:
        text = spoilt("[0 kPa, 60 kPa]", f"[0 kPa, {kpa} kPa]")
        return text.replace("tee: valve-end", "tee: tube-end")

    density_in, density_out = (101325 + HEAD_PA) / (287.055 * 293.15), 101325 / (287.055 * 293.15)
    gas_pa = 9.80665 * (density_in * 5.0 - density_out * 0.1)
    need_pa = HEAD_PA - gas_pa + 4.0 + 98.0

    assert keys(problems(with_span(need_pa / 1000 - 0.02), tmp_path)) == ["tanks.sump.transmitter.span"]
    assert problems(with_span(need_pa / 1000 + 0.02), tmp_path) == ()


def test_friction_counts_against_the_span_only_where_the_transmitter_sees_it(tmp_path: Path) -> None:
    # 1.5 L/min ANR at about 1.5 bar through 20 m of 4.3 mm: Hagen-Poiseuille 128 mu L Q / (pi d^4) is some 720 Pa.
    flow_m3_s = 2.5e-5 * 1e5 / (101325 + HEAD_PA)
    friction_pa = 128 * 1.813e-5 * 20 * flow_m3_s / (math.pi * 0.0043**4)
    tight = spoilt("[0 kPa, 60 kPa]", f"[0 kPa, {(HEAD_PA + 0.5 * friction_pa) / 1000} kPa]")

    assert keys(problems(tight, tmp_path)) == ["tanks.sump.transmitter.span"]
    assert problems(tight.replace("tee: valve-end", "tee: tube-end"), tmp_path) == ()


def test_a_span_that_a_full_tank_barely_uses_is_called_unwise(tmp_path: Path) -> None:
    assert keys(warnings(spoilt("[0 kPa, 60 kPa]", "[0 bar, 6 bar]"), tmp_path)) == ["tanks.sump.transmitter.span"]


def test_the_supply_must_push_head_and_line(tmp_path: Path) -> None:
    # 47.97 kPa of head and 0.72 kPa of line: 480 mbar is too little; 495 mbar gets there, but far too slowly.
    assert keys(problems(spoilt("supply: 3 bar", "supply: 480 mbar"), tmp_path)) == ["air.supply"]
    assert keys(problems(spoilt("supply: 3 bar", "supply: 495 mbar"), tmp_path)) == ["tanks.sump.valve.max_open"]


def test_a_soft_supply_is_called_unwise_with_the_flow_that_is_left(tmp_path: Path) -> None:
    # ISO 6358 with b = 0.3: at 0.6 bar gauge, 1.5001 bar / 1.6133 bar = 0.9299; sqrt(1 - (0.6299 / 0.7)^2) = 0.436.
    soft = warnings(spoilt("supply: 3 bar", "supply: 0.6 bar"), tmp_path)

    assert "air.supply" in keys(soft)
    assert "falls to 44 %" in soft[keys(soft).index("air.supply")].wrong


def test_the_valve_must_be_allowed_to_stay_open_for_as_long_as_filling_takes(tmp_path: Path) -> None:
    # Boyle: the air that fills tube and line at the tip's pressure, less what the flooded tube holds at atmosphere.
    volume, area = math.pi / 4 * (0.01**2 * 5 + 0.0043**2 * 20), math.pi / 4 * 0.01**2
    need_pa_m3 = (101325 + HEAD_PA) * volume - 101325 * (volume - area * 4.9)
    fill_s = need_pa_m3 / 2.5

    too_short = problems(spoilt("max_open: 90 s", f"max_open: {0.98 * fill_s} s"), tmp_path)
    short = warnings(spoilt("max_open: 90 s", f"max_open: {1.05 * fill_s} s"), tmp_path)

    assert keys(too_short) == ["tanks.sump.valve.max_open"]
    assert f"takes {fill_s:.0f} s" in too_short[0].wrong
    assert keys(short) == ["tanks.sump.valve.max_open"]
    assert warnings(GOOD, tmp_path) == ()


def test_a_number_format_must_hold_the_span(tmp_path: Path) -> None:
    counts = "format: uint16\n      reads_in: Pa"
    text = spoilt("format: float32\n      reads_in: Pa", counts)

    assert problems(text, tmp_path) == ()  # 65535 Pa hold 60 kPa
    assert keys(problems(text.replace("60 kPa", "66 kPa"), tmp_path)) == ["tanks.sump.transmitter.format"]
    assert keys(problems(text.replace("uint16", "int16"), tmp_path)) == ["tanks.sump.transmitter.format"]


def test_counts_that_are_coarse_are_called_unwise_in_millimetres(tmp_path: Path) -> None:
    text = spoilt("format: float32\n      reads_in: Pa", "format: uint16\n      reads_in: mbar")

    found = warnings(text, tmp_path)

    assert keys(found) == ["tanks.sump.transmitter.scale"]
    assert "one count is 10 mm" in found[0].wrong  # 100 Pa / (998.2 x 9.80665) = 10.2 mm


def test_a_falling_number_is_a_negative_scale(tmp_path: Path) -> None:
    counts = "format: uint16\n      reads_in: Pa\n      scale: -1\n      offset: 60 kPa"

    assert problems(spoilt("format: float32\n      reads_in: Pa", counts), tmp_path) == ()


def test_a_transmitter_below_the_brim_is_called_unwise(tmp_path: Path) -> None:
    found = warnings(spoilt("reads_in: Pa", "reads_in: Pa\n      height: 1 m"), tmp_path)

    assert keys(found) == ["tanks.sump.transmitter.height"]


def test_a_link_that_nothing_uses_and_two_to_one_host_are_called_unwise(tmp_path: Path) -> None:
    link = "  panel: {kind: modbus-tcp, host: 127.0.0.1, port: 5020, timeout: 500 ms}\n"

    found = warnings(spoilt(link, link + link.replace("panel", "spare")), tmp_path)

    assert keys(found) == ["links.spare", "links.spare"]


def test_a_timeout_that_outlasts_the_cycle_s_patience_is_called_unwise(tmp_path: Path) -> None:
    found = warnings(spoilt("timeout: 500 ms", "timeout: 2 s"), tmp_path)

    assert keys(found) == ["links.panel.timeout"]
    assert warnings(spoilt("timeout: 500 ms", "timeout: 1 s"), tmp_path) == ()


def test_a_strapping_table_that_begins_above_the_tip_is_called_unwise(tmp_path: Path) -> None:
    def table(first: str) -> str:
        return spoilt(
            "vessel: {shape: upright-cylinder, diameter: 2.4 m, height: 5 m}",
            f"vessel: {{shape: strapping-table, table: [[{first}, 1 m3], [5 m, 22 m3]]}}",
        )

    assert keys(warnings(table("0.3 m"), tmp_path)) == ["tanks.sump.vessel.table"]
    assert warnings(table("0.1 m"), tmp_path) == ()


def test_tanks_that_can_t_take_turns_at_the_air_are_told(tmp_path: Path) -> None:
    tank = GOOD[GOOD.index("  sump:") :]
    text = GOOD
    for number in range(1, 9):
        text += (
            tank.replace("sump", f"sump-{number}")
            .replace("register: 0", f"register: {2 * number}")
            .replace("coil: 0", f"coil: {number}")
        )
    hurried = text.replace("every: 10 min", "every: 3 min")

    assert warnings(text, tmp_path) == ()
    assert keys(warnings(hurried, tmp_path)) == ["air.simultaneous"]
    assert warnings(hurried.replace("simultaneous: 1", "simultaneous: 4"), tmp_path) == ()


@pytest.mark.parametrize(("every", "sound"), [("90 s", False), ("91 s", True)])
def test_one_purge_must_end_before_the_next(tmp_path: Path, every: str, sound: bool) -> None:
    found = problems(spoilt("every: 10 min", f"every: {every}"), tmp_path)

    assert (keys(found) == []) is sound
