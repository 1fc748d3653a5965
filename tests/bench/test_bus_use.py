"""How much of what a serial line allows is used in real time: ratios to the wire's own time, nothing asserted."""

from __future__ import annotations

import asyncio
import time

import pytest

from lungfish.config.link_model import ModbusRtuLinkSpec, Parity, SerialSettings
from lungfish.drivers.build import link_for
from tests.peer.clocks import SkippingClock
from tests.peer.libmodbus_peer import LibmodbusPeer
from tests.peer.wire import laid_wire

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]

WINDOW_S = 10.0


@pytest.mark.parametrize("tanks", [1, 3])
@pytest.mark.parametrize("baud", [9600, 19200])
async def test_readings_a_second_against_what_the_wire_allows(baud: int, tanks: int) -> None:
    """The baseline: 8 characters out, 9 back, twice 3.5 characters of silence, 10 bits each."""
    with laid_wire(baud) as wire:
        async with LibmodbusPeer(serial=(wire.device, baud)):
            serial = SerialSettings(port=wire.ours, baud=baud, parity=Parity.NONE, stop_bits=1)
            spec = ModbusRtuLinkSpec(name="line", serial=serial, timeout_s=0.3, turn_round_s=0.0)
            link = link_for(spec, SkippingClock())
            await link.read_registers(unit=1, table="input", address=0, count=2)
            began_s, done = time.monotonic(), 0

            async def tank() -> int:
                nonlocal done
                while time.monotonic() - began_s < WINDOW_S:
                    await link.read_registers(unit=1, table="input", address=0, count=2)
                    done += 1
                return done

            await asyncio.gather(*(tank() for _ in range(tanks)))
            rate = done / (time.monotonic() - began_s)
            await link.close()
    most = 1.0 / wire.transaction_s
    print(f"\n{baud} baud, {tanks} tanks: {rate:.1f} of {most:.1f} readings a second, {100 * rate / most:.1f} %")
    assert done > 0
