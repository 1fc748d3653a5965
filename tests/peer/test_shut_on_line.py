"""Shutting on a serial line after the daemon's death: the answer that it was still waiting for comes to us instead."""

from __future__ import annotations

import os
import select
import struct
import threading
import tty
from collections.abc import Iterator

import pytest
from tests.drivers.rtu_line import rtu
from tests.drivers.specs import valve_spec

from lungfish.config.link_model import ModbusRtuLinkSpec, Parity, SerialSettings
from lungfish.config.model import Output
from lungfish.drivers.kept_spec import kept_valve
from lungfish.drivers.kept_valves import shut_kept
from lungfish.drivers.shut import shut_valve

STALE = rtu(bytes.fromhex("01 03 02 FF FF"))
"""An answer to a read of one register: of another one than ours."""


class Module:
    """Drives eight valves by the bits of register 20, and still owes an answer when we come."""

    def __init__(self) -> None:
        self.register = 0b0000_0101
        self.written: list[int] = []
        self._other, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self._stop = threading.Event()
        self._owed = STALE
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        received = b""
        while not self._stop.is_set():
            if not select.select([self._other], [], [], 0.05)[0]:
                continue
            received += os.read(self._other, 256)
            while len(received) >= 8:
                request, received = received[:8], received[8:]
                os.write(self._other, self._owed + self._answer(request))
                self._owed = b""

    def _answer(self, request: bytes) -> bytes:
        _, function, _, operand = struct.unpack(">BBHH", request[:6])
        if function == 3:
            return rtu(b"\1\3\2" + struct.pack(">H", self.register))
        self.register = operand
        self.written.append(operand)
        return request

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self._other)
        os.close(self._slave)


@pytest.fixture
def module() -> Iterator[Module]:
    made = Module()
    yield made
    made.close()


def line(module: Module) -> ModbusRtuLinkSpec:
    serial = SerialSettings(port=module.port, baud=19200, parity=Parity.NONE, stop_bits=1)
    return ModbusRtuLinkSpec(name="line", serial=serial, timeout_s=0.2, turn_round_s=0.0)


VALVE = valve_spec(output=Output.BIT, address=20, bit=2)


def test_an_old_answer_opens_no_other_valve_when_the_list_is_shut(module: Module) -> None:
    """Only bit 2 goes; taken for what the register holds, the old answer would have opened all the others."""
    kept = kept_valve("north", line(module), VALVE)
    assert kept is not None
    assert shut_kept([kept]) == {"north": None}
    assert module.written == [0b0000_0001]


def test_an_old_answer_opens_no_other_valve_when_shut_by_the_site_file(module: Module) -> None:
    assert shut_valve(line(module), VALVE)
    assert module.written == [0b0000_0001]
