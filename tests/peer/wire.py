"""A serial line between two pseudo-terminals, with the time that characters take on a wire.

A process of its own, so that what it waits for costs the others nothing. On a pseudo-terminal bytes arrive at once,
whatever rate was set; here they come when the last of them would have been on the wire, and a device lets 3.5
characters pass before it answers (MODBUS over Serial Line V1.02, section 2.5.1.1).
"""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

__all__ = ["Wire", "laid_wire"]

_BITS = 10  # a start bit, 8 data bits, a stop bit: pseudo-terminals know no parity
_GAP_CHARS = 3.5


@dataclass(frozen=True, slots=True)
class Wire:
    """A line that has been laid."""

    ours: str
    """The port for the master's end."""
    device: str
    """The port for the device's end."""
    baud: int
    """Bits a second."""

    @property
    def link(self) -> str:
        """The link in a site file."""
        return (
            f"{{kind: modbus-rtu, port: {self.ours}, baud: {self.baud}, parity: none, stop_bits: 1, timeout: 500 ms}}"
        )

    @property
    def char_s(self) -> float:
        """Time of one character, s."""
        return _BITS / self.baud

    @property
    def transaction_s(self) -> float:
        """A read of two registers: 8 characters out, 9 back, and twice the silence between frames, s."""
        return (8 + 9 + 2 * _GAP_CHARS) * self.char_s


@contextmanager
def laid_wire(baud: int) -> Iterator[Wire]:
    """Lay a line for a while.

    Args:
        baud: its rate, at most 19200, above which the silence is not 3.5 characters.
    """
    with subprocess.Popen([sys.executable, __file__, str(baud)], stdout=subprocess.PIPE, stdin=subprocess.PIPE) as pump:
        assert pump.stdout is not None
        assert pump.stdin is not None
        ours, device = pump.stdout.readline().decode().split()
        try:
            yield Wire(ours, device, baud)
        finally:
            pump.stdin.close()
            pump.wait(10.0)


def _pump(baud: int) -> None:
    masters, slaves = zip(*(os.openpty() for _ in range(2)), strict=True)
    for slave in slaves:
        tty.setraw(slave)
    print(*(os.ttyname(slave) for slave in slaves), flush=True)
    ours, device = masters
    char_s = _BITS / baud
    free_s = 0.0
    while True:
        readable, _, _ = select.select([ours, device, sys.stdin], [], [])
        if sys.stdin in readable:
            return
        for end, other, gap_s in ((ours, device, 0.0), (device, ours, _GAP_CHARS * char_s)):
            if end in readable:
                data = os.read(end, 4096)
                free_s = max(time.monotonic(), free_s + gap_s) + len(data) * char_s
                time.sleep(max(0.0, free_s - time.monotonic()))
                os.write(other, data)


if __name__ == "__main__":
    _pump(int(sys.argv[1]))
