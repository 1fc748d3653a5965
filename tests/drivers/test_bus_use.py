"""How much of what a serial line allows is used, its wire in virtual time: what is left is what our own rules cost."""

from __future__ import annotations

import asyncio

import pytest
from tests.drivers.rtu_line import Asked, Line, LoopTime, Say

from lungfish.drivers.modbus_rtu import ModbusRtuLink
from lungfish.rig.virtual_loop import run_virtual


def readings_a_second(baud: int, bits: int, callers: int, *, turn_round_s: float = 0.0) -> float:
    """As many reads of two registers as the line takes, by so many tanks on it; a device answers after the silence."""
    char_s = bits / baud
    silence_s = 1.75e-3 if baud > 19200 else 3.5 * char_s

    def answer(_asked: Asked, right: bytes) -> tuple[Say]:
        return (Say(silence_s, right),)

    async def run() -> float:
        line = Line(script=answer, char_s=char_s)
        gap = silence_s + turn_round_s
        link = ModbusRtuLink("line", "link line", line, 0.3, LoopTime(), char_s=char_s, gap_s=gap)
        loop = asyncio.get_running_loop()
        await link.read_registers(unit=1, table="input", address=0, count=2)  # the port is open now
        began_s, done = loop.time(), 0

        async def tank(unit: int) -> None:
            nonlocal done
            while loop.time() - began_s < 60.0:
                await link.read_registers(unit=unit, table="input", address=0, count=2)
                done += 1

        await asyncio.gather(*(tank(unit) for unit in range(1, callers + 1)))
        rate = done / (loop.time() - began_s)
        await link.close()
        return rate

    return run_virtual(run())


@pytest.mark.parametrize("callers", [1, 3])
@pytest.mark.parametrize(
    ("baud", "bits", "most"),
    # (8 + 9) characters and two silences: of 3.5 characters, above 19200 baud of 1.75 ms (V1.02, section 2.5.1.1)
    [(9600, 10, 40.0), (9600, 11, 36.36), (19200, 10, 80.0), (19200, 11, 72.73), (115200, 10, 201.0)],
)
def test_nine_tenths_of_what_the_wire_allows_are_used(baud: int, bits: int, most: float, callers: int) -> None:
    rate = readings_a_second(baud, bits, callers)
    print(f"\n{baud} baud, {bits} bits a character, {callers} tanks: {rate:.1f} of {most:.1f} a second")
    assert 0.9 * most <= rate <= most * 1.001


def test_a_silence_that_is_asked_for_is_kept() -> None:
    assert readings_a_second(19200, 10, 1, turn_round_s=0.005) == pytest.approx(1.0 / (0.0125 + 0.005), rel=0.01)
