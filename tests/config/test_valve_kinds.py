"""What bits, pulses and limit switches of a site file mean, and what is told of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from lungfish.cli.main import main
from lungfish.config.model import Output
from tests.config.samples import GOOD, loaded, problems, spoilt

SECOND = GOOD.replace("register: 0", "register: 8").split("  sump:")[1]


def two(first: str, second: str) -> str:
    """The good file with two tanks, each with a valve of its own."""
    return spoilt("coil: 0", first) + "  north:" + SECOND.replace("coil: 0", second)


def test_two_bits_of_one_register_are_two_valves(tmp_path: Path) -> None:
    site = loaded(two("register: 9, bit: 3", "register: 9, bit: 4, active: low"), tmp_path)
    sump, north = site.valves["sump"], site.valves["north"]
    assert (sump.output, sump.address, sump.bit) == (Output.BIT, 9, 3)
    assert (sump.open_value, sump.shut_value, north.open_value, north.shut_value) == (1, 0, 0, 1)


@pytest.mark.parametrize(
    ("first", "second", "key"),
    [
        ("register: 9, bit: 3", "register: 9, bit: 3", "tanks.north.valve.register"),
        ("register: 9, bit: 3", "register: 9", "tanks.north.valve.register"),
        (
            "coil: 0, pulse: {register: 9, unit_time: 1 s}",
            "coil: 1, pulse: {register: 9, unit_time: 1 s}",
            "tanks.north.valve.pulse.register",
        ),
        ("coil: 0, pulse: {register: 9, unit_time: 1 s}", "register: 9, bit: 1", "tanks.north.valve.register"),
    ],
)
def test_one_output_for_two_valves_is_refused(tmp_path: Path, first: str, second: str, key: str) -> None:
    found = problems(two(first, second), tmp_path)
    assert [problem.key for problem in found] == [key]
    assert "same address" in found[0].wrong


def test_a_bit_that_is_read_and_written_is_warned_of(tmp_path: Path) -> None:
    plain = loaded(spoilt("coil: 0", "register: 9, bit: 3"), tmp_path).warnings
    assert any("another master" in warning.wrong and "mask_write" in warning.right for warning in plain)
    masked = loaded(spoilt("coil: 0", "register: 9, bit: 3, mask_write: true"), tmp_path).warnings
    assert not any("another master" in warning.wrong for warning in masked)


def test_an_isolating_valve_is_held_open_and_has_no_pulse(tmp_path: Path) -> None:
    isolate = (
        "clear: {pressure: 4 bar, isolate: {link: panel, unit: 1, coil: 7, pulse: {register: 9, unit_time: 1 s}, "
        "shut: {link: panel, unit: 1, input: 2}, safe: {link: panel, unit: 1, input: 3}}}"
    )
    found = problems(spoilt("    every: 10 min\n", f"    {isolate}\n    every: 10 min\n"), tmp_path)
    assert ("tanks.sump.clear.isolate.pulse", True) in [(each.key, "unknown key" in each.wrong) for each in found]


def test_check_tells_what_the_limit_switch_and_the_pulse_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "site.yaml"
    valve = "coil: 0, pulse: {register: 9, unit_time: 100 ms}, limit_switch: {link: panel, unit: 1, input: 4}"
    file.write_text(spoilt("coil: 0", valve), encoding="utf-8")
    assert main(["check", str(file)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "if this computer dies 90.5 s by the I/O block" in told
    assert "seen shut by the valve itself input is 1, within 1 s link panel, unit 1, input 4" in told
    assert "nothing outside this computer" not in told


LINE = "  line: {kind: serial-text, port: /dev/serial/by-id/invented, timeout: 300 ms}\n"
BOARD = "relay: {open: hex A0 01 01 A2, shut: hex A0 01 00 A1}"
MODBUS = "      unit: 1\n      table: input\n      register: 0\n      format: float32\n      reads_in: Pa\n"


def with_line(text: str) -> str:
    """The same file with a serial line besides."""
    return text.replace("air:\n", f"{LINE}air:\n", 1)


def with_relay(relay: str, *, link: str = "line") -> str:
    old = "valve: {link: panel, unit: 1, coil: 0, max_open: 90 s}"
    return with_line(spoilt(old, f"valve: {{link: {link}, {relay}, max_open: 90 s}}"))


def with_text(text: str, *, reads_in: str = "      reads_in: Pa\n", link: str = "line") -> str:
    file = with_line(spoilt(MODBUS, f"{reads_in}      text: {text}\n"))
    return file.replace("      link: panel\n", f"      link: {link}\n", 1)


def test_byte_strings_are_characters_or_bytes(tmp_path: Path) -> None:
    relay = r"relay: {open: 'ON \x41\r\n', shut: hex 0d 0A fF, ask: '?', open_answer: 'is \\', shut_answer: 'is /'}"
    spec = loaded(with_relay(relay), tmp_path).valves["sump"].relay
    assert spec is not None
    assert (spec.open, spec.shut, spec.ask) == (b"ON A\r\n", b"\x0d\x0a\xff", b"?")
    assert (spec.open_answer, spec.shut_answer) == (b"is \\", b"is /")
    assert spec.confirms


def test_a_board_that_says_nothing_is_warned_of(tmp_path: Path) -> None:
    warnings = loaded(with_relay(BOARD), tmp_path).warnings
    assert any("nothing confirms what the board has done" in warning.wrong for warning in warnings)


@pytest.mark.parametrize(
    ("relay", "key", "wrong", "right"),
    [
        ("relay: {open: 'ON', shut: 'ON'}", "relay.shut", "the same as `open`", "two different"),
        ("relay: {open: 'ON'}", "relay.shut", "is missing", "`shut: hex A0 01 00 A1`"),
        ("relay: {open: hex A0 1, shut: 'OFF'}", "relay.open", "no row of bytes", "two hexadecimal digits"),
        ("relay: {open: 'ON\\q', shut: 'OFF'}", "relay.open", "stands for no bytes", "`hex A0 01 01 A2`"),
        ("relay: {open: '\u00e9', shut: 'OFF'}", "relay.open", "stands for no bytes", "`hex A0 01 01 A2`"),
        ("relay: {open: 11, shut: 'OFF'}", "relay.open", "`11` is a number", "in quotes"),
        ("relay: {open: '', shut: 'OFF'}", "relay.open", "stands for 0 bytes", "1 to 128"),
        ("relay: {open: '1', shut: '0', ask: '?'}", "relay.ask", "not said what is answered", "`open_answer`"),
        ("relay: {open: '1', shut: '0', open_answer: 'a'}", "relay.shut_answer", "is missing", "told by both"),
        (
            "relay: {open: '1', shut: '0', open_answer: 'on', shut_answer: 'not on'}",
            "relay.shut_answer",
            "part of the other",
            "whole answers",
        ),
        (f"{BOARD}, coil: 3", "coil", "there is a `relay` as well", "keep `relay`"),
        (f"{BOARD}, active: low", "active", "there is a `relay` as well", "keep `relay`"),
        (f"{BOARD}, pulse: {{register: 3, unit_time: 1 s}}", "pulse", "there is a `relay` as well", "keep `relay`"),
        ("relay: {open: '1', shut: '0', answer: 'a'}", "relay.answer", "unknown key", "`shut_answer`"),
        ("unit: 1, coil: 0", None, "carries text", "Modbus"),
    ],
)
def test_a_relay_that_can_t_be_meant_is_told(
    tmp_path: Path, relay: str, key: str | None, wrong: str, right: str
) -> None:
    found = problems(with_relay(relay), tmp_path)
    assert len(found) == 1, [problem.told("site.yaml") for problem in found]
    assert key is None or found[0].key == f"tanks.sump.valve.{key}"
    assert wrong in found[0].wrong
    assert right in found[0].right


def test_a_relay_needs_a_line_that_carries_text(tmp_path: Path) -> None:
    found = problems(with_relay(BOARD, link="panel"), tmp_path)
    assert [problem.key for problem in found] == ["tanks.sump.valve.link"]
    assert "carries Modbus TCP and no text" in found[0].wrong


VALUE = r"'(?P<value>[-+]?[0-9.]+)'"


@pytest.mark.parametrize(
    ("text", "key", "wrong", "right"),
    [
        ("{pattern: '[0-9]+'}", "text.pattern", "no group in it is called `value`", "such as"),
        ("{pattern: '(?P<value>[0-9]+'}", "text.pattern", "it is no pattern", "such as"),
        ("{pattern: '(?P<value>.+)(?P<level>.)'}", "text.pattern", "nothing is known of a group `level`", "`body`"),
        (f"{{pattern: {VALUE}, checksum: xor}}", "text.checksum", "no group `checksum`", "(?P<checksum>...)"),
        ("{pattern: '(?P<value>.+),(?P<checksum>.+)'}", "text.checksum", "there is a group `checksum`", "`sum`"),
        (f"{{pattern: {VALUE}, checksum: md5}}", "text.checksum", "`md5`", "none | xor | sum | crc-16"),
        (f"{{pattern: {VALUE}, units: {{mbar: mbar}}}}", "text.units", "no group `unit`", "(?P<unit>...)"),
        (f"{{pattern: {VALUE}, ask: 'P?', max_age: 1 s}}", "text.max_age", "as old as the asking", "delete"),
        (f"{{pattern: {VALUE}, aks: 'P?'}}", "text.aks", "unknown key", "`ask`"),
        ("{ask: 'P?'}", "text.pattern", "is missing", "`pattern:"),
        ("{pattern: '(?P<value>.+) (?P<unit>.+)'}", "reads_in", "each line names its unit", "delete it"),
    ],
)
def test_lines_that_can_t_be_meant_are_told(tmp_path: Path, text: str, key: str, wrong: str, right: str) -> None:
    found = problems(with_text(text), tmp_path)
    assert [problem.key for problem in found] == [f"tanks.sump.transmitter.{key}"], found
    assert wrong in found[0].wrong
    assert right in found[0].right


def test_text_and_registers_are_not_both_meant(tmp_path: Path) -> None:
    both = with_text(
        f"{{pattern: {VALUE}}}", reads_in="      reads_in: Pa\n      register: 4\n      word_order: little\n"
    )
    assert [each.key for each in problems(both, tmp_path)] == [
        "tanks.sump.transmitter.register",
        "tanks.sump.transmitter.word_order",
    ]
    found = problems(with_text(f"{{pattern: {VALUE}}}", reads_in=""), tmp_path)
    assert [each.key for each in found] == ["tanks.sump.transmitter.reads_in"]
    found = problems(with_text(f"{{pattern: {VALUE}}}", link="panel"), tmp_path)
    assert [each.key for each in found] == ["tanks.sump.transmitter.link"]


def test_one_that_sends_by_itself_has_its_line_alone(tmp_path: Path) -> None:
    text = with_text(f"{{pattern: {VALUE}}}").replace(
        "valve: {link: panel, unit: 1, coil: 0,", f"valve: {{link: line, {BOARD},"
    )
    found = problems(text, tmp_path)
    assert [each.key for each in found] == ["tanks.sump.transmitter.link"]
    assert "has its line alone" in found[0].wrong
    asked = text.replace("text: {", "text: {ask: 'P?', ")
    assert not problems(asked, tmp_path)


def test_a_line_s_unit_and_its_own_words_for_it(tmp_path: Path) -> None:
    own = loaded(with_text("{pattern: '(?P<value>.+) (?P<unit>.+)', units: {MB: mbar}}", reads_in=""), tmp_path)
    text = own.tanks["sump"].transmitter.text
    assert text is not None
    assert text.units_pa == {"MB": pytest.approx(100.0)}
    assert own.tanks["sump"].transmitter.scale_pa == 1.0


def test_counts_at_4_and_20_ma_are_scale_and_offset(tmp_path: Path) -> None:
    # 5530 to 27648 counts are 20 to 100 % of 27648, the ends of a live zero (arithmetic, no product)
    old = "      format: float32\n      reads_in: Pa\n"
    by_counts = loaded(spoilt(old, "      format: int16\n      reads_in: mA\n      counts: [5530, 27648]\n"), tmp_path)
    spec = by_counts.tanks["sump"].transmitter
    assert spec.current_loop
    assert spec.offset_gauge_pa + 5530 * spec.scale_pa == pytest.approx(0.0, abs=1e-6)
    assert spec.offset_gauge_pa + 27648 * spec.scale_pa == pytest.approx(60e3)


@pytest.mark.parametrize(
    ("keys", "key", "wrong"),
    [
        ("reads_in: Pa\n      counts: [0, 100]", "counts", "stand for 4 and 20 mA"),
        ("reads_in: mA\n      counts: [0, 20000]\n      scale: 2", "scale", "`counts` says"),
        ("reads_in: mA\n      counts: [7, 7]", "counts", "read as the same"),
    ],
)
def test_counts_that_contradict_are_told(tmp_path: Path, keys: str, key: str, wrong: str) -> None:
    found = problems(spoilt("reads_in: Pa", keys), tmp_path)
    assert [each.key for each in found] == [f"tanks.sump.transmitter.{key}"]
    assert wrong in found[0].wrong


@pytest.mark.parametrize("kind", ["unit: 1, register: 9, bit: 3", BOARD, "line: 17"])
def test_vent_and_isolating_valves_may_be_of_each_kind(tmp_path: Path, kind: str) -> None:
    link = {"u": "panel", "r": "line", "l": "pins"}[kind[0]]
    vent = f"      overload: 5 bar\n      vent: {{link: {link}, {kind}}}\n"
    other = kind.replace("9", "11").replace("17", "18").replace("A0 01", "A0 02")
    isolate = (
        f"    clear: {{pressure: 4 bar, isolate: {{link: {link}, {other}, shut: {{link: panel, unit: 1, input: 2}}, "
        "safe: {link: panel, unit: 1, input: 3}}}\n"
    )
    text = with_line(spoilt("      span: [0 kPa, 60 kPa]\n", f"      span: [0 kPa, 60 kPa]\n{vent}"))
    text = text.replace("air:\n", "  pins: {kind: gpio, chip: /dev/gpiochip0}\nair:\n", 1)
    site = loaded(text.replace("    every: 10 min\n", f"{isolate}    every: 10 min\n"), tmp_path)
    wanted = {"u": Output.BIT, "r": Output.RELAY, "l": Output.LINE}[kind[0]]
    assert site.valves["sump (vent valve)"].output is wanted
    assert site.valves["sump (isolating valve)"].output is wanted
