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
