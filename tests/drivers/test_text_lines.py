"""Lines of text: what is no whole, sound line of the transmitter is no pressure."""

from __future__ import annotations

import re

import pytest

from lungfish.config.text_model import Checksum, TextSpec
from lungfish.drivers.relay_answer import told_state
from lungfish.drivers.text_lines import LineSplitter, checksum_of, pressure_of


def spec(pattern: str, checksum: Checksum = Checksum.NONE, units: dict[str, float] | None = None) -> TextSpec:
    return TextSpec(
        ask=None, pattern=re.compile(pattern), ends=b"\n", checksum=checksum, max_age_s=1.0, units_pa=units or {}
    )


def texts(splitter: LineSplitter, *pieces: tuple[float, bytes]) -> list[str]:
    return [line.text for at_s, data in pieces for line in splitter.put(data, at_s)]


def test_a_line_is_whole_only_behind_the_end_of_another() -> None:
    splitter = LineSplitter(b"\n", 0.05, whole=False)
    assert texts(splitter, (0.0, b"3.4\r\n12"), (0.01, b"3.4\r\n"), (0.02, b"5\n6\n")) == ["123.4", "5", "6"]
    assert splitter.cut_short == 1


def test_a_line_that_was_cut_short_is_not_joined_with_the_next() -> None:
    splitter = LineSplitter(b"\n", 0.05, whole=True)
    assert texts(splitter, (0.0, b"12"), (0.1, b"123.4\n"), (0.2, b"7\n")) == ["123.4", "7"]
    assert splitter.cut_short == 1


def test_a_line_without_an_end_does_not_fill_the_memory_and_its_rest_is_no_line() -> None:
    splitter = LineSplitter(b"\n", 10.0, whole=True)
    assert texts(splitter, *[(0.0, b"9" * 100)] * 50, (0.0, b"1\n2\n")) == ["2"]


@pytest.mark.parametrize(
    ("kind", "body", "digits"),
    [
        # NMEA 0183's usual example, from memory; the XOR of the characters, checked by hand
        (Checksum.XOR, b"GPGLL,5300.97914,N,00259.98174,E,125926,A", "28"),
        (Checksum.SUM, b"\xa0\x01\x01", "A2"),
        # MODBUS over Serial Line V1.02, section 6.2.2: 02 07 gives 1241 hexadecimal
        (Checksum.CRC16, b"\x02\x07", "1241"),
        (Checksum.CRC16, b"123456789", "4B37"),
    ],
)
def test_checksums_are_those_that_are_published(kind: Checksum, body: bytes, digits: str) -> None:
    assert checksum_of(kind, body) == digits


@pytest.mark.parametrize(
    ("text", "pressure"),
    [
        ("+12.5 kPa", 12500.0),
        ("-12.5 mbar", -1250.0),
        (" 12.5 Pa", 12.5),
        ("+12.5 furlong", None),
        ("+12.5 kPa ", None),
        ("x+12.5 kPa", None),
        ("+1_2.5 kPa", None),
        ("+12,5 kPa", None),
        ("+nan kPa", None),
        ("+inf kPa", None),
        ("+ kPa", None),
        ("+\N{ARABIC-INDIC DIGIT ONE} kPa", None),
        ("+-12.5 kPa", None),
        ("", None),
    ],
)
def test_only_a_number_with_a_known_unit_is_a_pressure(text: str, pressure: float | None) -> None:
    known = {"kPa": 1e3, "mbar": 1e2, "Pa": 1.0}
    assert pressure_of(spec(r"(?P<sign>[-+ ])(?P<value>\S*) (?P<unit>\w+)", units=known), text) == pressure


@pytest.mark.parametrize("kind", [Checksum.XOR, Checksum.SUM, Checksum.CRC16])
def test_a_checksum_that_is_another_line_s_refuses_it(kind: Checksum) -> None:
    lines = spec(r"\$(?P<body>(?P<value>[\d.]+)),(?P<checksum>[0-9A-Fa-f]+)", kind)
    digits = checksum_of(kind, b"12.5")
    assert pressure_of(lines, f"$12.5,{digits}") == 12.5
    assert pressure_of(lines, f"$12.5,{digits.lower()}") == 12.5
    assert pressure_of(lines, f"$12.6,{digits}") is None
    assert pressure_of(lines, f"$12.5,{checksum_of(kind, b'12.6')}") is None
    whole = spec(r"(?P<value>[\d.]+) (?P<checksum>[0-9A-F]+)", kind)
    assert pressure_of(whole, f"12.5 {checksum_of(kind, b'12.5 ')}") == 12.5, "all before it where there is no body"


def test_a_board_that_says_both_or_neither_says_nothing() -> None:
    assert told_state(b"..ON\r", b"ON\r", b"OFF\r") is True
    assert told_state(b"..OFF\r", b"ON\r", b"OFF\r") is False
    assert told_state(b"ON\rOFF\r", b"ON\r", b"OFF\r") is None
    assert told_state(b"O", b"ON\r", b"OFF\r") is None
