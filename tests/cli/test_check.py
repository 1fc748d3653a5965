"""`lungfish check` and `lungfish schema`, as a technician and as a program see them."""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import re
import shlex
import socket
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

from lungfish.app.bus_load import LinkLoad
from lungfish.cli import check, schema
from lungfish.cli.check_links import link_rows
from lungfish.config import load_site
from lungfish.config.link_model import ModbusRtuLinkSpec
from lungfish.config.model import ModbusTcpLinkSpec
from tests.config.samples import EXAMPLES, GOOD, spoilt

HEAD_M = 4.9
HEAD_PA = HEAD_M * 998.2 * 9.80665


def call(*argv: str) -> int:
    parser = argparse.ArgumentParser(prog="lungfish")
    subparsers = parser.add_subparsers()
    check.add_parser(subparsers)
    schema.add_parser(subparsers)
    args = parser.parse_args(argv)
    return int(args.func(args))


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    file = tmp_path / "site.yaml"
    file.write_text(GOOD)
    return file


@pytest.fixture
def report(site_file: Path, capsys: pytest.CaptureFixture[str]) -> str:
    assert call("check", str(site_file)) == 0
    return capsys.readouterr().out


def row(report: str, name: str) -> list[str]:
    """The columns of a row of the report."""
    lines = [line for line in report.splitlines() if line.strip().startswith(name)]
    assert len(lines) == 1, f"{name!r}: {lines}"
    return re.split(r"\s{2,}", lines[0].strip())


def number(text: str) -> float:
    return float(re.findall(r"-?[0-9.]+", text)[0])


def test_a_sound_file_is_called_so_and_names_its_tanks(report: str) -> None:
    assert report.splitlines()[0].endswith("site.yaml: sound; 1 tank, no warnings")
    assert "\nsump\n" in report


def test_a_metre_of_the_liquid_is_stated_in_trade_units(report: str) -> None:
    # 998.2 kg/m3 x 9.80665 m/s2 = 9789.0 Pa; a metre is 39.3701 inches, x 0.9982 = 39.30 conventional inches of water;
    # 97.89 mbar; 9789.0 / 6894.757 (NIST SP 811) = 1.420 psi.
    assert row(report, "one metre of it") == ["one metre of it", "9789 Pa", "97.89 mbar, 1.42 psi, 39.3 inH2O"]


def test_head_at_full_and_the_span_it_uses(report: str) -> None:
    # 4.9 m x 9789.0 Pa/m = 47.97 kPa, less 86 Pa of gas columns (worked in test_agreement) = 47.88 kPa: 79.8 % of 60.
    assert row(report, "head, brim-full") == ["head, brim-full", "4.900 m", "16.08 ft"]
    assert row(report, "at the transmitter")[1] == "47.88 kPa"
    assert row(report, "of the span")[1:] == ["80 %", "0 Pa to 60 kPa"]
    assert number(row(report, "gas columns take off")[1]) == pytest.approx(86, abs=1)


def test_friction_is_that_of_poiseuille_and_said_to_be_seen(report: str) -> None:
    # 1.5 L/min ANR is 2.5 Pa m3/s; at 149.3 kPa absolute 1.675e-5 m3/s. 128 mu L Q / (pi d^4), mu = 1.813e-5.
    flow_m3_s = 2.5 / (101325 + HEAD_PA)
    friction_pa = 128 * 1.813e-5 * 20 * flow_m3_s / (math.pi * 0.0043**4)
    _, pressure, told = row(report, "friction of the line")

    assert number(pressure) == pytest.approx(friction_pa, rel=0.01)
    assert number(told) == pytest.approx(1000 * friction_pa / 9789.0, rel=0.01)
    assert told.endswith("mm, seen by the transmitter")


def test_filling_time_and_least_air_are_those_of_boyle(report: str) -> None:
    volume, area = math.pi / 4 * (0.01**2 * 5 + 0.0043**2 * 20), math.pi / 4 * 0.01**2

    def need_pa_m3(head_m: float) -> float:
        tip_abs_pa = 101325 + head_m * 998.2 * 9.80665
        return tip_abs_pa * volume - 101325 * (volume - area * head_m)

    for name, head_m in (("brim-full  ", HEAD_M), ("half full  ", HEAD_M / 2)):
        fill, air = row(report, name)[1:]
        least, with_bubbling = (float(part) for part in re.findall(r"[0-9.]+", air))
        assert number(fill) == pytest.approx(need_pa_m3(head_m) / 2.5, abs=0.3)  # 2.5 Pa m3/s; the supply is stiff
        assert least == pytest.approx(need_pa_m3(head_m) / 1e5 * 1000, abs=0.006)  # standard litres: at 1 bar
        assert with_bubbling - least == pytest.approx(0.05, abs=0.011)  # 2 s of 1.5 L/min


def test_air_of_a_tight_full_tube_is_only_what_bubbles(report: str) -> None:
    assert row(report, "purge of a tight, full tube")[1:] == ["at once", "0 SL, 0.05 SL"]


def test_a_day_s_air_against_bubbling_all_day(report: str) -> None:
    lines = report.splitlines()
    at = next(index for index, line in enumerate(lines) if "air a day" in line)
    tight, flooded, continuous = (number(lines[at + offset].replace("air a day, half full", "")) for offset in range(3))

    assert tight == pytest.approx(144 * 0.05, abs=0.01)  # every 10 minutes
    assert tight < flooded < 100
    assert continuous == pytest.approx(1.5 * 60 * 24)


def test_ripple_is_bounded_by_one_bore_of_liquid(report: str) -> None:
    # 10 mm x 9789.0 Pa/m = 98 Pa (common practice)
    assert row(report, "ripple")[1:] == ["98 Pa", "10.0 mm"]


def test_the_level_s_best_uncertainty_is_the_root_of_the_sum_of_squares(report: str) -> None:
    # Half-widths as rectangles, k = 2: transmitter 60 Pa, density 0.1 %, gravity 0.01 %, tip 2 mm (JCGM 100).
    def expected_mm(head_m: float) -> float:
        parts = (60 / 9789.0, 0.001 * head_m, 0.0001 * head_m, 0.002)
        return 2000 * math.hypot(*parts) / math.sqrt(3)

    _, full, half = row(report, "level at best known to")

    assert number(full) == pytest.approx(expected_mm(HEAD_M), abs=0.5)
    assert number(half) == pytest.approx(expected_mm(HEAD_M / 2), abs=0.5)


def test_volume_is_stated_in_both_worlds(report: str) -> None:
    # pi x 1.2^2 x 5 = 22.619 m3; 264.172 US gal each.
    assert row(report, "volume, brim-full")[1:] == ["22.62 m3", "5975 US gal"]


def test_what_was_assumed_is_listed(report: str) -> None:
    listed = report[report.index("Assumed, because") :]

    for key in (
        "air.critical_ratio",
        "air.temperature",
        "site.pressure",
        "sump: tube.tip_tolerance",
        "sump: transmitter.accuracy",
        "sump: transmitter.height",
        "sump: transmitter.damping",
        "sump: liquid.tolerance",
    ):
        assert key in listed, key
    assert "air.supply" not in listed


def test_the_cautions_are_said_in_two_lines(report: str) -> None:
    last = report.splitlines()[-2:]

    assert last[0].startswith("Caution: measures only")
    assert "overflow" in last[0]
    assert "vent open" in last[1]


@pytest.mark.parametrize("file", EXAMPLES, ids=lambda file: file.stem)
def test_the_report_fits_a_terminal_and_has_no_hole(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("check", str(file)) == 0
    out = capsys.readouterr().out

    assert max(len(line) for line in out.splitlines() if str(file.parent) not in line) <= 104
    assert not re.search(r"\b(nan|inf|None|-0 )\b", out)


def test_a_serial_line_is_told_with_what_it_carries(capsys: pytest.CaptureFixture[str]) -> None:
    """19200 baud, 11 bits a character: 13.75 ms, and 2 ms more that the file asks for: 63.5 a second."""
    assert call("check", str(next(file for file in EXAMPLES if file.stem == "rs485-line"))) == 0
    rows = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert ["carries", "63.5", "a", "second"] in [row[:4] for row in rows]
    (reached,) = [row for row in rows if row[:2] == ["reached", "by"]]
    assert reached[2:] == ["Modbus", "RTU", "/dev/serial/by-id/usb-line-1,", "19200", "baud", "8E1"]


def test_the_air_of_a_day_is_that_of_timer_and_schedule(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """By hand: every 10 min 144 purges a day, of which 3 h at 5 min make 36 out of 18: 162."""
    plain, busy = tmp_path / "plain.yaml", tmp_path / "busy.yaml"
    plain.write_text(GOOD)
    busy.write_text(f'{GOOD}    schedule: [{{from: "06:00", to: "09:00", every: 5 min}}]\n')
    air_m3 = []
    for file in (plain, busy):
        assert call("check", "--json", str(file)) == 0
        (tank,) = json.loads(capsys.readouterr().out)["tanks"].values()
        air_m3.append(tank["day_air_tight_m3"])
    assert air_m3[1] / air_m3[0] == pytest.approx(162.0 / 144.0, rel=0.01)


def test_every_alarm_limit_is_stated(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(f"{GOOD}    alarms: {{high: 3.8 m, low-low: 0.3 m, falling: 50 mm/min, delay: 10 s}}\n")
    assert call("check", str(file)) == 0
    out = capsys.readouterr().out
    for row in (r"high +3\.800 m", r"low-low +0\.300 m", r"falling by +50 mm/min", r"deadband +20 mm +and 10 s"):
        assert re.search(row, out), row


def test_a_site_that_no_link_can_serve_is_told() -> None:
    link = ModbusTcpLinkSpec(name="panel", host="192.0.2.1", port=502, timeout_s=0.5)
    asked = LinkLoad(transactions_s=30.0, most_transactions_s=60.0, measuring=99.0)
    (row,) = [row for row in link_rows(link, asked) if "fit" in row[0]]
    assert "does NOT fit" in row[0]
    assert "measure less often" in row[2]


@pytest.mark.parametrize(("asked_s", "says"), [(20.0, "it fits"), (45.0, "it does NOT fit")])
def test_whether_a_site_fits_a_serial_line_is_told(asked_s: float, says: str) -> None:
    """9600 baud 8E1 carries 36 readings of two registers a second: 27.5 ms each, worked out by hand from 11 bits a
    character, 17 characters and two silences of 3.5 (MODBUS over Serial Line V1.02, 2.5.1.1)."""
    (line,) = load_site(next(file for file in EXAMPLES if file.stem == "rs485-line")).links.values()
    assert isinstance(line, ModbusRtuLinkSpec)
    slow = dataclasses.replace(line, turn_round_s=0.0, serial=dataclasses.replace(line.serial, baud=9600))
    rows = list(link_rows(slow, LinkLoad(transactions_s=asked_s, most_transactions_s=asked_s, measuring=0.5)))
    assert next(row[0].strip() for row in rows if "fit" in row[0]) == says
    (carried,) = [row[1] for row in rows if row[0] == "carries"]
    assert float(carried.split()[0]) == pytest.approx(1.0 / 0.0275, rel=0.02)


def test_what_several_tanks_share_is_told_once(capsys: pytest.CaptureFixture[str]) -> None:
    file = next(file for file in EXAMPLES if file.stem == "three-tanks")
    assert call("check", str(file)) == 0
    out = capsys.readouterr().out

    assert out.count("transmitter.damping") == 1
    assert "each tank's transmitter.damping" in out


def test_a_warning_is_told_with_its_line_and_the_file_is_still_sound(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(spoilt("coil: 0", "coil: 0, active: low"))

    assert call("check", str(file)) == 0
    out = capsys.readouterr().out
    assert "1 warning\n" in out
    assert f"warning: {file}:29: tanks.sump.valve.active: the valve opens when the coil is off" in out


def test_a_bad_file_ends_with_2_one_line_a_problem_and_nothing_on_stdout(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(spoilt("diameter: 2.4 m", "diameter: 2.4").replace("port: 5020", "port: 0502"))

    assert call("check", str(file)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.splitlines() == [
        f"{file}:8: links.panel.port: `0502` begins with a zero: some YAML readers take it as octal; "
        "write the number without the leading zero",
        f"{file}:18: tanks.sump.vessel.diameter: `2.4` has no unit; "
        "write the length with its unit, such as `diameter: 2.4 m`",
    ]


def test_a_file_that_is_not_there_ends_with_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("check", str(tmp_path / "none.yaml")) == 2
    assert "can't be read" in capsys.readouterr().err


def test_a_program_gets_si(site_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("check", "--json", str(site_file)) == 0
    told = json.loads(capsys.readouterr().out)
    tank = told["tanks"]["sump"]

    assert told["sound"] is True
    assert told["problems"] == told["warnings"] == []
    assert tank["pa_per_m"] == pytest.approx(998.2 * 9.80665)
    assert tank["full"]["head_m"] == pytest.approx(HEAD_M)
    assert tank["full"]["gauge_pa"] == pytest.approx(HEAD_PA, rel=0.003)
    assert tank["span_used"] == pytest.approx(tank["full"]["gauge_pa"] / 60000)
    assert tank["half"]["least_air_m3"] < tank["full"]["least_air_m3"] < 0.001
    assert any(default.startswith("site.pressure") for default in told["defaults"])


def test_a_program_gets_the_problems_of_a_bad_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(spoilt("tee: valve-end", "tee: middle"))

    assert call("check", "--json", str(file)) == 2
    told = json.loads(capsys.readouterr().out)
    assert told["sound"] is False
    assert [(problem["line"], problem["key"]) for problem in told["problems"]] == [(20, "tanks.sump.line.tee")]
    assert "valve-end | tube-end" in told["problems"][0]["right"]


def test_no_device_is_touched(site_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*args: object, **kwargs: object) -> socket.socket:
        raise AssertionError("check opened a socket")

    monkeypatch.setattr(socket, "socket", refuse)
    monkeypatch.setattr(socket, "create_connection", refuse)

    assert call("check", str(site_file)) == 0


def test_the_schema_is_printed_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert call("schema") == 0
    printed = json.loads(capsys.readouterr().out)

    jsonschema.Draft202012Validator.check_schema(printed)
    assert set(printed["required"]) == {"site", "store", "links", "air", "tanks"}


def test_a_reader_that_has_seen_enough_is_no_error(tmp_path: Path) -> None:
    """`lungfish check ... | head` ends quietly: no traceback after the first lines."""
    command = f"{shlex.quote(sys.executable)} -m lungfish check config/one-sump.yaml | true"
    done = subprocess.run(["bash", "-c", f"set -o pipefail; {command}"], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")


def test_switches_and_the_failure_signal_of_a_current_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    """Limits: NAMUR NE 43, 3.6 and 21 mA on a span of 0 to 60 kPa at 4 to 20 mA."""
    assert call("check", str(next(file for file in EXAMPLES if file.stem == "watched-air"))) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "failure signal 3.6 and 21 mA read as -1.5 kPa and 63.75 kPa" in out
    assert "supply is there when input is 1 link panel, unit 1, input 0" in out
    assert "air flows when input is 0 link panel, unit 1, input 1; a no counts after 0.3 s" in out
    assert "supply is there from 150 kPa 1.5 bar" in out


def test_what_blowing_down_may_do_is_told_with_its_caution(capsys: pytest.CaptureFixture[str]) -> None:
    assert call("check", str(next(file for file in EXAMPLES if file.stem == "plug-prone"))) == 0
    out = capsys.readouterr().out
    assert re.search(r"a plugged tube is blown down +to 160 kPa +1\.6 bar", out)  # the pressure; the cell bears 200
    assert re.search(r"a pulse begins below +59\.94 kPa +shutting may take 1\.5 s", out)  # the span ends at 60
    assert re.search(r"pulses of one try +3 +of 15 s at most, 30 s between", out)
    assert re.search(r"tries in 24 h +2 +2 h apart", out)
    assert "Nobody at the tank or on the line" in out


def test_a_file_without_clear_blows_nothing_and_says_so(report: str) -> None:
    assert re.search(r"a plugged tube is blown down +never", report)
    assert "Nobody at the tank" not in report
