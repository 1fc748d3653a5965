"""Sites of any number of equal invented tanks behind one panel on this computer."""

from __future__ import annotations

import socket
from pathlib import Path

_SITE = """\
site: {{name: Bench, timezone: UTC, gravity: 9.81 m/s**2}}
store: {{path: bench.db}}
links:
  panel: {{kind: modbus-tcp, host: 127.0.0.1, port: {port}}}
air: {{supply: 3 bar, flow: 2.5 L/min, simultaneous: {simultaneous}}}
tanks:
"""
_TANK = """\
  tank-{number}:
    vented: true
    tolerates_air: true
    liquid: {{density: 998.2 kg/m**3}}
    vessel: {{shape: rectangle, length: 2 m, width: 1 m, height: 1.5 m}}
    tube: {{tip: 50 mm, bore: 8 mm, length: 1.6 m}}
    line: {{bore: 4 mm, length: 5 m, tee: valve-end}}
    transmitter:
      {{link: panel, unit: {number}, table: input, register: 0, format: float32, reads_in: Pa, span: [0 kPa, 25 kPa]}}
    valve: {{link: panel, unit: {number}, coil: 0, max_open: {max_open}}}
    every: {every_s} s
"""


def write_site(directory: Path, *, tanks: int, every_s: int, simultaneous: int) -> tuple[Path, int]:
    """Write a site file.

    Args:
        directory: where to.
        tanks: how many, at most 200.
        every_s: time between two purges of a tank, s.
        simultaneous: valves that may be open at once.

    Returns:
        The file, and the panel's port.
    """
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    text = _SITE.format(port=port, simultaneous=simultaneous)
    text += "".join(
        _TANK.format(number=number, every_s=every_s, max_open=f"{min(20, every_s - 1)} s")
        for number in range(1, tanks + 1)
    )
    path = directory / "bench.yaml"
    path.write_text(text, encoding="utf-8")
    return path, port
