"""Links by kind: what each means, and what of several of them can't be meant."""

from __future__ import annotations

from pathlib import Path

import pytest

from lungfish.config.link_model import (
    ModbusRtuLinkSpec,
    ModbusRtuTcpLinkSpec,
    ModbusTcpLinkSpec,
    Parity,
    SerialSettings,
    SerialTextLinkSpec,
    TlsSpec,
    transaction_s,
)
from tests.config.samples import loaded, problems, spoilt

LINK = "panel: {kind: modbus-tcp, host: 127.0.0.1, port: 5020, timeout: 500 ms}"
RTU = "panel: {kind: modbus-rtu, port: /dev/ttyS0}"


def test_a_serial_line_is_what_the_file_says(tmp_path: Path) -> None:
    written = (
        "panel: {kind: modbus-rtu, port: /dev/ttyS3, baud: 9600, parity: odd, stop_bits: 2, timeout: 300 ms, "
        "turn_round: 4 ms}"
    )
    assert loaded(spoilt(LINK, written), tmp_path).links["panel"] == ModbusRtuLinkSpec(
        name="panel",
        serial=SerialSettings(port="/dev/ttyS3", baud=9600, parity=Parity.ODD, stop_bits=2),
        timeout_s=0.3,
        turn_round_s=0.004,
    )


def test_a_serial_line_without_more_is_as_the_standard_says(tmp_path: Path) -> None:
    """MODBUS over Serial Line V1.02, 2.5.1 (even parity, 11 bits a character) and 3.2 (19.2 kbit/s)."""
    site = loaded(spoilt(LINK, RTU), tmp_path)
    link = site.links["panel"]
    assert isinstance(link, ModbusRtuLinkSpec)
    assert (link.serial.baud, link.serial.parity, link.serial.stop_bits) == (19200, Parity.EVEN, 1)
    assert link.serial.char_s == 11 / 19200
    told = [line for line in site.defaults if line.startswith("links.panel")]
    assert len(told) == 4  # baud, parity, stop_bits, timeout


def test_other_kinds_are_what_the_file_says(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("x")
    links = (
        f"{RTU}\n"
        "  raw: {kind: modbus-rtu-tcp, host: 192.0.2.7, port: 4001}\n"
        "  safe: {kind: modbus-tcp, host: 192.0.2.8, tls: {ca: ca.pem, server_name: panel.example}}\n"
        "  scale: {kind: serial-text, port: /dev/ttyS1, baud: 2400, data_bits: 7, parity: even}"
    )
    found = loaded(spoilt(LINK, links), tmp_path).links
    assert found["raw"] == ModbusRtuTcpLinkSpec(
        name="raw", host="192.0.2.7", port=4001, timeout_s=0.5, turn_round_s=0.0
    )
    assert found["safe"] == ModbusTcpLinkSpec(
        name="safe",
        host="192.0.2.8",
        port=802,
        timeout_s=0.5,
        tls=TlsSpec(ca=tmp_path / "ca.pem", certificate=None, key=None, server_name="panel.example"),
    )
    assert found["scale"] == SerialTextLinkSpec(
        name="scale",
        serial=SerialSettings(port="/dev/ttyS1", baud=2400, parity=Parity.EVEN, stop_bits=1, data_bits=7),
        timeout_s=0.5,
    )


@pytest.mark.parametrize(
    ("baud", "parity", "silence_ms"),
    [
        (9600, "even", 4.010),
        (19200, "even", 2.005),
        (19200, "none", 1.823),
        (38400, "even", 1.75),
        (115200, "none", 1.75),
    ],
)
def test_the_silence_between_frames_is_that_of_the_standard(baud: int, parity: str, silence_ms: float) -> None:
    """MODBUS over Serial Line V1.02, section 2.5.1.1: 3.5 characters, and 1.750 ms above 19200 baud."""
    serial = SerialSettings(port="/dev/ttyS0", baud=baud, parity=Parity(parity), stop_bits=1)
    assert serial.gap_s * 1e3 == pytest.approx(silence_ms, abs=0.001)


@pytest.mark.parametrize(
    ("baud", "parity", "each_ms"),
    [
        (9600, "none", 25.0),
        (9600, "even", 27.5),
        (19200, "none", 12.5),
        (19200, "even", 13.75),
        (115200, "none", 4.976),
    ],
)
def test_a_transaction_takes_its_characters_and_two_silences(baud: int, parity: str, each_ms: float) -> None:
    """By hand: (8 + 9 + 7) characters of 10 or 11 bits; above 19200 baud 17 characters and 3.5 ms."""
    serial = SerialSettings(port="/dev/ttyS0", baud=baud, parity=Parity(parity), stop_bits=1)
    link = ModbusRtuLinkSpec(name="line", serial=serial, timeout_s=0.3, turn_round_s=0.0)
    assert (transaction_s(link) or 0.0) * 1e3 == pytest.approx(each_ms, abs=0.001)
    slow = ModbusRtuLinkSpec(name="line", serial=serial, timeout_s=0.3, turn_round_s=0.01)
    assert (transaction_s(slow) or 0.0) * 1e3 == pytest.approx(each_ms + 10.0, abs=0.001)


def test_a_port_that_may_change_its_name_is_warned_of(tmp_path: Path) -> None:
    """Two adapters exchanged are two tanks exchanged."""
    site = loaded(spoilt(LINK, RTU.replace("ttyS0", "ttyUSB0")), tmp_path)
    assert [warning.key for warning in site.warnings if "/dev/serial/by-id" in warning.right] == ["links.panel.port"]
    steady = loaded(spoilt(LINK, RTU), tmp_path)
    assert [warning for warning in steady.warnings if warning.key.startswith("links.panel.port")] == []


def test_two_owners_of_one_line_are_refused(tmp_path: Path) -> None:
    found = problems(spoilt(LINK, f"{RTU}\n  other: {{kind: serial-text, port: /dev/ttyS0}}"), tmp_path)
    assert [problem.key for problem in found] == ["links.other"]
    assert "`panel` is on the same port" in found[0].wrong


def test_registers_are_not_asked_of_a_line_of_text(tmp_path: Path) -> None:
    found = problems(spoilt(LINK, "panel: {kind: serial-text, port: /dev/ttyS0}"), tmp_path)
    assert [problem.key for problem in found] == ["tanks.sump.transmitter.link", "tanks.sump.valve.link"]
    assert all("carries text" in problem.wrong for problem in found)


@pytest.mark.parametrize(("unit", "errors", "warnings"), [(0, 1, 0), (1, 0, 0), (247, 0, 0), (248, 0, 1)])
def test_units_on_a_serial_line_are_those_of_the_standard(
    tmp_path: Path, unit: int, errors: int, warnings: int
) -> None:
    """MODBUS over Serial Line V1.02, section 2.2: 0 broadcast, 1 to 247 devices, 248 to 255 reserved."""
    text = spoilt(LINK, RTU).replace("      unit: 1\n", f"      unit: {unit}\n")
    if errors:
        assert [problem.key for problem in problems(text, tmp_path)] == ["tanks.sump.transmitter.unit"]
        return
    found = loaded(text, tmp_path).warnings
    assert len([warning for warning in found if warning.key == "tanks.sump.transmitter.unit"]) == warnings
