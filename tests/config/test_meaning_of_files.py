"""Good site files: what they become in SI."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from lungfish.config import (
    ByteOrder,
    NumberFormat,
    Output,
    RegisterTable,
    Tee,
    cycle_setup,
    find_tank,
    forget_reading,
    load_site,
)
from lungfish.config.link_model import ModbusTcpLinkSpec
from lungfish.errors import ConfigError
from lungfish.physics.vessel import HorizontalCylinder, UprightCylinder
from tests.config.samples import EXAMPLES, GOOD, loaded, spoilt

LIQUID = "liquid: {density: 998.2 kg/m**3}"
VESSEL = "vessel: {shape: upright-cylinder, diameter: 2.4 m, height: 5 m}"


def test_every_key_of_the_smallest_site_arrives_in_si(tmp_path: Path) -> None:
    site = loaded(GOOD, tmp_path)
    tank = site.tanks["sump"]

    assert (site.name, site.timezone) == ("Quarry Side pumping station", "Europe/London")
    assert site.gravity_m_s2 == 9.80665
    assert site.atmosphere_abs_pa == 101325.0
    assert site.store_path == tmp_path / "quarry-side.db"
    link = site.links["panel"]
    assert isinstance(link, ModbusTcpLinkSpec)
    assert (link.name, link.host, link.port, link.timeout_s) == ("panel", "127.0.0.1", 5020, 0.5)
    assert site.air.supply_gauge_pa == 3e5
    assert site.air.flow_m3_s == pytest.approx(2.5e-5)
    assert site.air.flow_pa_m3_s == pytest.approx(2.5)  # 1.5 L/min at 1 bar, air at the reference temperature
    assert site.air.simultaneous == 1
    assert tank.liquid.density_kg_m3 == 998.2
    assert tank.vessel == UprightCylinder(diameter_m=2.4, height_m=5.0)
    assert tank.vessel.full_m3 == pytest.approx(math.pi * 1.2**2 * 5)
    assert (tank.tip_m, tank.tube_bore_m, tank.tube_length_m) == pytest.approx((0.1, 0.01, 5.0))
    assert (tank.line_bore_m, tank.line_length_m) == pytest.approx((0.0043, 20.0))
    assert tank.tee is Tee.VALVE_END
    transmitter = tank.transmitter
    assert (transmitter.link, transmitter.unit, transmitter.register) == ("panel", 1, 0)
    assert (transmitter.table, transmitter.format) == (RegisterTable.INPUT, NumberFormat.FLOAT32)
    assert (transmitter.word_order, transmitter.byte_order) == (ByteOrder.BIG, ByteOrder.BIG)
    assert (transmitter.scale_pa, transmitter.offset_gauge_pa) == (1.0, 0.0)
    assert (transmitter.span_low_gauge_pa, transmitter.span_high_gauge_pa) == (0.0, 60000.0)
    assert transmitter.height_m == 5.0  # the tube's length
    assert transmitter.damping_s is None
    valve = tank.valve
    assert (valve.link, valve.unit, valve.output, valve.address) == ("panel", 1, Output.COIL, 0)
    assert (valve.open_value, valve.shut_value, valve.max_open_s) == (1, 0, 90.0)
    assert tank.every_s == 600.0


def test_the_cycle_is_given_what_the_file_says(tmp_path: Path) -> None:
    site = loaded(GOOD, tmp_path)
    setup = cycle_setup(site, site.tanks["sump"])

    assert setup.full_head_m == pytest.approx(4.9)
    assert setup.tee_at_valve
    assert setup.tip_u_m == pytest.approx(0.002 / math.sqrt(3))  # a rectangle of 2 mm either way (JCGM 100, 4.3.7)
    assert setup.density_u_kg_m3 == pytest.approx(0.9982 / math.sqrt(3))
    assert setup.transmitter_u_pa == pytest.approx(60.0 / math.sqrt(3))  # 0.1 % of 60 kPa
    assert (setup.supply_gauge_pa, setup.flow_pa_m3_s, setup.critical_ratio) == pytest.approx((3e5, 2.5, 0.3))
    assert setup.air_space.volume_m3 == pytest.approx(math.pi / 4 * (0.01**2 * 5 + 0.0043**2 * 20))


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda file: file.stem)
def test_the_example_files_are_sound_and_wise(file: Path) -> None:
    site = load_site(file)

    assert [warning.told(file.name) for warning in site.warnings] == []
    assert "Invented" in file.read_text()


def test_there_are_examples_for_the_shapes_that_need_one() -> None:
    vessels = {type(tank.vessel).__name__ for file in EXAMPLES for tank in load_site(file).tanks.values()}

    assert vessels >= {"UprightCylinder", "HorizontalCylinder", "Rectangle", "Strapping"}


def test_gravity_is_worked_out_from_latitude_and_altitude(tmp_path: Path) -> None:
    # Somigliana at 45 degrees: 9.806198 m/s2 (WGS 84); the free-air gradient is 3.086e-6 per second squared.
    text = spoilt("gravity: 9.80665 m/s**2", "latitude: 45 deg\n  altitude: 1000 m")
    site = loaded(text, tmp_path)

    assert site.gravity_m_s2 == pytest.approx(9.806198 - 1000 * 3.086e-6, abs=3e-6)
    # US Standard Atmosphere 1976 at 1000 m: 89876.3 Pa.
    assert site.atmosphere_abs_pa == pytest.approx(89876.3, rel=1e-4)


def test_gravity_that_is_not_stated_is_assumed_told_and_held_uncertain(tmp_path: Path) -> None:
    site = loaded(spoilt("  gravity: 9.80665 m/s**2\n", ""), tmp_path)

    assert site.gravity_m_s2 == 9.80665
    assert site.gravity_u_m_s2 > 0.013  # between equator and pole it is -0.27 % to +0.26 % off
    assert any("gravity" in default for default in site.defaults)
    assert [(warning.line, warning.key) for warning in site.warnings] == [(1, "site")]


def test_water_takes_its_density_from_its_temperature(tmp_path: Path) -> None:
    tank = loaded(spoilt(LIQUID, "liquid: {density: water, temperature: 15 degC}"), tmp_path).tanks["sump"]

    # Tanaka et al., Metrologia 38 (2001) 301-309, table: 999.1026 kg/m3 at 15 degC.
    assert tank.liquid.density_kg_m3 == pytest.approx(999.1026, abs=6e-5)
    assert tank.liquid.temperature_k == pytest.approx(288.15)


def test_a_density_table_is_read_between_its_rows(tmp_path: Path) -> None:
    text = spoilt(LIQUID, "liquid: {density: [[0 degC, 1205 kg/m3], [10 degC, 1200 kg/m3]], temperature: 4 degC}")

    assert loaded(text, tmp_path).tanks["sump"].liquid.density_kg_m3 == pytest.approx(1203.0)


def test_another_standard_state_of_the_flow_is_another_amount_of_air(tmp_path: Path) -> None:
    text = spoilt("flow: 1.5 L/min", "flow: 1.5 L/min\n  reference: 0 degC 1 atm")
    site = loaded(text, tmp_path)

    # 1 m3 at 0 degC and 1 atm is 1.087440 m3 at 20 degC and 1 bar (ideal gas law).
    assert site.air.flow_pa_m3_s == pytest.approx(2.5 * 1.087440, rel=1e-6)


def test_counts_become_pascals_by_scale_and_offset(tmp_path: Path) -> None:
    text = spoilt(
        "format: float32\n      reads_in: Pa",
        "format: uint16\n      reads_in: mbar\n      scale: 0.025\n      offset: -100 mbar",
    )
    transmitter = loaded(text, tmp_path).tanks["sump"].transmitter

    assert transmitter.offset_gauge_pa + transmitter.scale_pa * 4000 == pytest.approx(0.0)
    assert transmitter.offset_gauge_pa + transmitter.scale_pa * 28000 == pytest.approx(60000.0)
    # half a count joins the stated accuracy, both as rectangles
    assert transmitter.u_pa == pytest.approx(math.hypot(60.0, 1.25) / math.sqrt(3))


def test_inches_of_water_are_those_that_the_file_names(tmp_path: Path) -> None:
    text = spoilt(
        "reads_in: Pa\n      span: [0 kPa, 60 kPa]", "reads_in: inH2O_60F\n      span: [0 inH2O_60F, 240 inH2O_60F]"
    )
    transmitter = loaded(text, tmp_path).tanks["sump"].transmitter

    assert transmitter.scale_pa == pytest.approx(248.84, abs=5e-4)  # NIST SP 811
    assert transmitter.span_high_gauge_pa == pytest.approx(240 * 248.84, abs=0.1)


def test_an_absolute_transmitter_is_taken_for_what_it_is(tmp_path: Path) -> None:
    text = spoilt("span: [0 kPa, 60 kPa]", "span: [0 kPa, 200 kPa]\n      reference: absolute")
    site = loaded(text, tmp_path)
    transmitter = site.tanks["sump"].transmitter

    assert transmitter.absolute
    assert transmitter.offset_gauge_pa == -101325.0
    assert transmitter.span_high_gauge_pa == pytest.approx(98675.0)
    # Weather moves the atmosphere by some 3 % about its mean: 3 kPa is 300 mm of water, and must not look certain.
    assert transmitter.u_pa > 1700.0
    assert [warning.key for warning in site.warnings] == ["tanks.sump.transmitter.reference"]


@pytest.mark.parametrize(
    ("written", "half_width_pa"), [("0.25 %", 150.0), ("40 Pa", 40.0), ("0.4 mbar", 40.0), ("500 ppm", 30.0)]
)
def test_accuracy_is_a_share_of_span_or_a_pressure(tmp_path: Path, written: str, half_width_pa: float) -> None:
    text = spoilt("reads_in: Pa", f"reads_in: Pa\n      accuracy: {written}")

    assert loaded(text, tmp_path).tanks["sump"].transmitter.u_pa == pytest.approx(half_width_pa / math.sqrt(3))


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("coil: 7", (Output.COIL, 7, 1, 0)),
        ("coil: 7, active: low", (Output.COIL, 7, 0, 1)),
        ("register: 40", (Output.REGISTER, 40, 1, 0)),
        ("register: 40, open_value: 256, shut_value: 512", (Output.REGISTER, 40, 256, 512)),
        ("register: 40, open_value: 0, shut_value: 1", (Output.REGISTER, 40, 0, 1)),
    ],
)
def test_a_valve_may_be_a_coil_or_a_register_of_either_polarity(
    tmp_path: Path, written: str, expected: tuple[Output, int, int, int]
) -> None:
    valve = loaded(spoilt("coil: 0", written), tmp_path).tanks["sump"].valve

    assert (valve.output, valve.address, valve.open_value, valve.shut_value) == expected


def test_a_valve_that_opens_without_power_is_called_unwise(tmp_path: Path) -> None:
    warnings = loaded(spoilt("coil: 0", "coil: 0, active: low"), tmp_path).warnings

    assert [(warning.line, warning.key) for warning in warnings] == [(29, "tanks.sump.valve.active")]


def test_without_a_line_the_valve_sits_on_the_tube(tmp_path: Path) -> None:
    tank = loaded(spoilt("    line: {bore: 4.3 mm, length: 20 m, tee: valve-end}\n", ""), tmp_path).tanks["sump"]

    assert tank.line_length_m == 0.0
    assert tank.tee is Tee.TUBE_END


@pytest.mark.parametrize(
    ("vessel", "level_m", "volume_m3"),
    [
        # Closed forms: a cone 2 m wide and 1 m deep holds pi/3, a ball of 2 m half full 2 pi/3. The drums: a reference
        # library's solver (fluids 1.3.1), which gives the examples of Jones, "Calculating tank volume".
        ("{shape: upright-cylinder, diameter: 2 m, height: 5 m, bottom: {shape: cone, depth: 1 m}}", 1.0, math.pi / 3),
        ("{shape: horizontal-cylinder, diameter: 2 m, length: 5 m}", 0.5, 3.070924),
        ("{shape: horizontal-cylinder, diameter: 2 m, length: 4 m, ends: {shape: spherical}}", 1.0, 8.377580),
        ("{shape: horizontal-cylinder, diameter: 2 m, length: 4 m, ends: {shape: ellipsoidal}}", 0.5, 2.783989),
        ("{shape: horizontal-cylinder, diameter: 2 m, length: 4 m, ends: {shape: torispherical}}", 0.5, 2.651035),
        ("{shape: rectangle, length: 3 m, width: 2 m, height: 4 m}", 1.5, 9.0),
        ("{shape: sphere, diameter: 2 m}", 1.0, 2 * math.pi / 3),
        ("{shape: strapping-table, table: [[0 m, 0 m3], [1 m, 4 m3], [4 m, 40 m3]]}", 2.0, 16.0),
        ("{shape: upright-cylinder, diameter: 2 m, height: 4 m, bottom: {shape: spherical, depth: 0.4 m}, "
         "bottom_domed: true}", 1.0, math.pi - math.pi * 0.4 / 6 * (3 + 0.16)),
    ],
)  # fmt: skip
def test_vessels_hold_what_published_tables_and_closed_forms_say(
    tmp_path: Path, vessel: str, level_m: float, volume_m3: float
) -> None:
    tank = loaded(spoilt(VESSEL, f"vessel: {vessel}"), tmp_path).tanks["sump"]

    assert tank.vessel.volume_m3(level_m) == pytest.approx(volume_m3, abs=2e-6)


def test_a_lying_drum_is_as_high_as_it_is_wide(tmp_path: Path) -> None:
    text = spoilt(VESSEL, "vessel: {shape: horizontal-cylinder, diameter: 2.5 m, length: 6 m}")
    tank = loaded(text, tmp_path).tanks["sump"]

    assert tank.vessel == HorizontalCylinder(diameter_m=2.5, length_m=6.0)
    assert tank.vessel_height_m == 2.5


def test_the_store_does_not_move_with_the_working_directory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc" / "site.yaml").write_text(GOOD)
    monkeypatch.chdir(tmp_path)

    assert load_site("etc/site.yaml").store_path == tmp_path / "etc" / "quarry-side.db"


def test_text_and_bytes_with_a_byte_order_mark_are_the_same_file(tmp_path: Path) -> None:
    assert loaded(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode(), tmp_path) == loaded(GOOD, tmp_path)


def test_names_of_any_script_are_kept(tmp_path: Path) -> None:
    assert list(loaded(spoilt("  sump:", "  Gülle-2:"), tmp_path).tanks) == ["Gülle-2"]


def test_a_tank_that_is_not_there_is_told_with_the_nearest(tmp_path: Path) -> None:
    site = loaded(GOOD, tmp_path)

    assert find_tank(site, "sump") is site.tanks["sump"]
    with pytest.raises(ConfigError, match="no tank `smup`; did you mean `sump`"):
        find_tank(site, "smup")
    with pytest.raises(ConfigError, match="write one of `sump`"):
        find_tank(site, "x")


def test_what_only_reading_needs_can_be_forgotten_and_a_file_read_again(tmp_path: Path) -> None:
    """A daemon forgets it; whoever reads a file after it in the same process must get the same, and every error."""
    before = loaded(GOOD, tmp_path)
    forget_reading()
    forget_reading()
    assert loaded(GOOD, tmp_path) == before
    forget_reading()
    with pytest.raises(ConfigError, match="densty"):
        loaded(GOOD.replace("density:", "densty:"), tmp_path)
